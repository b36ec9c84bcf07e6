"""Which part of a bed comes free when, and what is still worth sowing there.

When a crop leaves is a guess from how it is cut, unless the grower has entered a day:

cut once        when it is grown, by the days it takes at that season; what is not grown when the dark weeks begin
                waits in the bed and is eaten by the time the light is back
cut again       goes on giving until it bolts in spring; sown in spring, until twice its days

What can be sown follows the winter's sowing windows; after the last day only spring is left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sashkeeper.season import sowing
from sashkeeper.season.calendar import Entry, short
from sashkeeper.season.crops import Crop, CropBook
from sashkeeper.season.daylight import winter_of
from sashkeeper.season.emergence import emergence_days
from sashkeeper.season.place import Site
from sashkeeper.season.planting import FULL
from sashkeeper.season.sowing import TRAY_DAYS, Darkness, Window
from sashkeeper.store import Planting

# Overwintered leaves are cut until they bolt, about so long after the light is back. Source: report of a northern
# Vermont unheated tunnel, spinach cut from mid November to late April; the light is back there on 6 February.
BOLTS_DAYS = 75
SPRING_SOIL_DEGC = 8.0  # where no probe has spoken (chosen: a frame in late winter)
SOIL_HOLDS_DAYS = 14  # so far ahead the soil is taken to be as it is now (chosen)
SPRING_UP_DAYS = 21  # in spring, what takes longer to come up is left for warmer soil (chosen)
AT_MOST = 8  # crops named for a slot


@dataclass(frozen=True)
class Sowing:
    """A crop that can still go into a slot: how, until when (None: no hurry known), first leaves, the soil's word."""

    crop: Crop
    how: str  # "sow", "sow, thin", "plant out", "sow for spring"
    until: date | None
    first_cut: date | None


@dataclass(frozen=True)
class Slot:
    """A part of a frame's bed that is free from a day on. leaves: the planting that makes room, None: free now."""

    frame: str
    since: date
    share_permille: int
    leaves: Planting | None
    why: str
    sow: tuple[Sowing, ...]
    waits: str  # said where nothing can be sown on that day


class Planner:
    """Works slots out for one place; dark weeks and windows are worked out once a winter."""

    def __init__(self, site: Site, book: CropBook, soil_degc: float | None = None) -> None:
        self.site, self.book, self.soil_degc = site, book, soil_degc
        self._dark: dict[int, Darkness] = {}
        self._windows: dict[int, list[Window]] = {}

    def dark(self, day: date) -> Darkness:
        """Return the dark weeks of the winter that a day belongs to. Raises InputError in polar night."""
        winter = winter_of(day, self.site.lat_deg)
        if winter not in self._dark:
            self._dark[winter] = sowing.darkness(self.site, winter)
        return self._dark[winter]

    def windows(self, day: date) -> list[Window]:
        """Return the sowing windows of that winter, the one that ends first, first."""
        winter = winter_of(day, self.site.lat_deg)
        if winter not in self._windows:
            dark = self.dark(day)
            found = [sowing.by_day_length(c, dark, self.site.season) for c in self.book.crops.values()]
            self._windows[winter] = sorted(found, key=lambda w: (w.last, w.crop.id))
        return self._windows[winter]

    def leaving(self, planting: Planting) -> tuple[date, str]:
        """Return when a planting is expected to make room, and why then."""
        if planting.until_day:
            return date.fromisoformat(planting.until_day), "as you entered it"
        crop, since = self.book.find(planting.crop), date.fromisoformat(planting.since_day)
        dark = self.dark(since)
        bolts = dark.ends + timedelta(days=BOLTS_DAYS)
        spring_sown = since >= dark.ends
        if crop.regrows == "yes":
            if spring_sown:
                return since + timedelta(days=round(2 * crop.full_days[1])), "cut again until it is past its best"
            return bolts, "cut again until it bolts"
        ready = since + timedelta(days=round(self._takes(planting, crop, since, dark)))
        if spring_sown or ready <= dark.begins:
            return ready, "cut once, when it is grown"
        # Not grown when growth stops: it stands, and is eaten bit by bit until growth returns.
        return max(dark.ends, since), "stands through the dark weeks, eaten by the time the light is back"

    def _takes(self, planting: Planting, crop: Crop, since: date, dark: Darkness) -> float:
        factor = 1.0 if since >= dark.ends else sowing.autumn_factor((dark.begins - since).days)
        in_trays = TRAY_DAYS if planting.data.get("start") in ("transplant", "division") else 0
        return max(7.0, crop.full_days[1] * factor - in_trays)

    def worth(self, day: date, soon: bool = True) -> tuple[list[Sowing], str]:
        """Return what is worth sowing or planting on a day, and what else to say. soon: the soil is as it is now.

        First what still fills out, the soonest too late first; then what stays thin.
        """
        dark = self.dark(day)
        found = [s for w in self.windows(day) if (s := self._in_window(w, dark, day)) is not None]
        if found:
            return sorted(found, key=lambda s: "thin" in s.how), ""
        opens = min(self.windows(day), key=lambda w: (w.earliest, w.crop.id))
        if day < opens.earliest:
            return [], f"too early for winter: sowing begins with {opens.crop.name.lower()} on {short(opens.earliest)}"
        if day < dark.ends:
            return [], f"nothing more for this winter; sow for spring when the light is back, {short(dark.ends)}"
        if day <= dark.ends + timedelta(days=BOLTS_DAYS):
            return self._spring(self.soil_degc if soon else None), ""
        return [], "summer is too hot under a lid for these crops; sowing for winter begins in late summer"

    def _in_window(self, w: Window, dark: Darkness, day: date) -> Sowing | None:
        sown = day - timedelta(days=TRAY_DAYS) if w.tray else day
        if not w.earliest <= sown <= w.last:
            return None
        late = timedelta(days=TRAY_DAYS) if w.tray else timedelta()
        thin = ", stays thin" if sown > w.safe else ""
        cut = sown + timedelta(days=round(w.crop.baby_days[0] * sowing.autumn_factor((dark.begins - sown).days)))
        return Sowing(w.crop, ("plant out" if w.tray else "sow") + thin, w.last + late, cut)

    def _spring(self, soil_degc: float | None) -> list[Sowing]:
        degc = SPRING_SOIL_DEGC if soil_degc is None else soil_degc
        quick = []
        for crop in self.book.crops.values():
            up = emergence_days(crop, degc).days
            if up is not None and up <= SPRING_UP_DAYS and "direct" in crop.starts:
                quick.append((crop.baby_days[0], crop.id, Sowing(crop, "sow for spring", None, None)))
        return [s for _, _, s in sorted(quick, key=lambda row: row[:2])]

    def slots(self, frame: str, plantings: Sequence[Planting], today: date) -> list[Slot]:
        """Return what is free in a frame now, and what comes free when, the soonest first.

        plantings: what stands there today. Raises InputError in polar night.
        """
        free = FULL - sum(p.share_permille for p in plantings)
        found = [self._slot(frame, today, free, None, "free now", today)] if free > 0 else []
        for p in plantings:
            day, why = self.leaving(p)
            if day <= today:
                day, why = today, f"{why}; by that it could be cleared"
            found.append(self._slot(frame, day, p.share_permille, p, why, today))
        return sorted(found, key=lambda s: (s.since, s.leaves.id if s.leaves else 0))

    def _slot(self, frame: str, day: date, share: int, leaves: Planting | None, why: str, today: date) -> Slot:
        sow, waits = self.worth(day, (day - today).days <= SOIL_HOLDS_DAYS)
        return Slot(frame, day, share, leaves, why, tuple(sow), waits)


def soil_now(soil: Mapping[date, float], today: date) -> float | None:
    """Return the soil's mean of the last week [degC], or None."""
    recent = [degc for day, degc in soil.items() if 0 <= (today - day).days <= 7]
    return sum(recent) / len(recent) if recent else None


def sow_words(slot: Slot) -> str:
    """Return what can still be sown in a slot, as a sentence."""
    if not slot.sow:
        return f"{slot.waits[0].upper()}{slot.waits[1:]}."
    names = []
    for s in slot.sow[:AT_MOST]:
        how = "" if s.how in ("sow", "sow for spring") else f"{s.how.removeprefix('sow, ')}, "
        until = f"until {short(s.until)}" if s.until else ""
        note = (how + until).rstrip(", ")
        names.append(s.crop.name.lower() + (f" ({note})" if note else ""))
    more = f" and {len(slot.sow) - AT_MOST} more" if len(slot.sow) > AT_MOST else ""
    lead = "For spring" if slot.sow[0].how == "sow for spring" else "Still worth it"
    return f"{lead}: {', '.join(names)}{more}."


def entries(slots: Sequence[Slot], names: Mapping[str, str], book: CropBook) -> list[Entry]:
    """Return lines for the year view and the feed; names: what frames are called."""
    made = []
    for slot in slots:
        if slot.leaves is None:
            continue
        crop = book.find(slot.leaves.crop).name.lower()
        title = f"{names.get(slot.frame, slot.frame)}: {slot.share_permille / 10:.0f} % of the bed free ({crop})"
        text = f"About this day: {slot.why}. {sow_words(slot)}"
        made.append(Entry(f"{slot.frame}-{slot.leaves.id}-free", slot.since, 1, title, text))
    return made
