"""The growing year of one place: sowing windows, the dark weeks, the cold, as dated entries.

``plan`` works it out; ``feed`` in ``ical_feed.py`` and ``page`` in
``calendar_page.py`` write it down.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sashkeeper.season import sowing
from sashkeeper.season.crops import Crop
from sashkeeper.season.growth import FrameDay
from sashkeeper.season.place import Site
from sashkeeper.season.sowing import Darkness, Window

# Eat first what freezes first: leaves that are hurt before this, even hardened, go before the real cold.
TENDER_DEGC = -5.0


@dataclass(frozen=True)
class Entry:
    """One line of the year. `key` stays the same when the day moves, so that a calendar can follow it."""

    key: str
    day: date
    days: int  # how many days it lasts
    title: str
    text: str


@dataclass(frozen=True)
class Plan:
    """A winter's plan."""

    winter: int
    site: Site
    dark: Darkness
    windows: tuple[Window, ...]
    entries: tuple[Entry, ...]
    notes: tuple[str, ...]


def plan(site: Site, crops: Sequence[Crop], winter: int, frame_days: Sequence[FrameDay] | None = None) -> Plan:
    """Return the plan of a winter (named by the year in which it begins) for these crops.

    frame_days: days in the frame from a weather year; with them the degree-day rule is
    used for crops that it gives dates for, otherwise day length alone. Raises InputError in polar night.
    """
    dark = sowing.darkness(site, winter)
    notes = [dark.note] if dark.note else []
    windows = []
    for crop in crops:
        window = None
        if frame_days:
            window = sowing.by_degree_days(crop, dark, site.season, frame_days)
            if window is None:
                notes.append(f"{crop.name}: this weather year gives no date by degree-days; day length is used.")
        windows.append(window or sowing.by_day_length(crop, dark, site.season))
    windows.sort(key=lambda w: (w.best, w.crop.id))
    entries = [e for w in windows for e in _sowing_entries(w, winter)]
    entries += _year_entries(site, dark, winter, crops)
    entries.sort(key=lambda e: (e.day, e.key))
    return Plan(winter, site, dark, tuple(windows), tuple(entries), tuple(notes))


def _sowing_entries(w: Window, winter: int) -> list[Entry]:
    crop, key = w.crop, f"{winter}-{w.crop.id}"
    how = "in trays" if w.tray else "in place"
    caution = f" It {w.cautions[0]}." if w.cautions else ""
    care = f" {crop.care}" if crop.care else ""
    span = f"Window {short(w.earliest)} to {short(w.last)}, by {w.rule}; guide values."
    first = f"First leaves about {short(w.first_cut[0])} to {short(w.first_cut[1])}."
    rows = f"{crop.depth_cm:g} cm deep, rows {crop.row_cm[0]:g} to {crop.row_cm[1]:g} cm."
    entries = [
        Entry(f"{key}-earliest", w.earliest, 1, f"{crop.name}: sowing can begin", f"Sow {how}. {span}{caution}"),
        Entry(f"{key}-best", w.best, 1, f"{crop.name}: best day to sow", f"Sow {how}, {rows} {first} {span}{care}"),
        Entry(
            f"{key}-last", w.last, 1, f"{crop.name}: last day to sow for winter",
            f"Thin after {short(w.safe)}. What is sown later is for spring. {span}",
        ),
    ]  # fmt: skip
    if w.plant_out is not None:
        title = f"{crop.name}: plant out"
        entries.append(Entry(f"{key}-out", w.plant_out, 1, title, f"From trays sown on the best day.{care}"))
    return entries


def _year_entries(site: Site, dark: Darkness, winter: int, crops: Sequence[Crop]) -> list[Entry]:
    season = site.season
    hours = f"{dark.threshold_h:g} h of light"
    entries = []
    if not dark.note:
        weeks = (dark.ends - dark.begins).days
        entries.append(
            Entry(f"{winter}-dark", dark.begins, weeks, f"Dark weeks: under {hours}",
                  f"Hardly any growth until {short(dark.ends)}. Keep leaves hard: cool, aired, dry.")
        )  # fmt: skip
        entries.append(
            Entry(f"{winter}-light", dark.ends, 1, f"Light is back: {hours}",
                  "Growth returns, and with it the danger of overheating.")
        )  # fmt: skip
    if season.first_snow is not None:
        day = next_day_of(season.first_snow, winter, site.lat_deg)
        entries.append(
            Entry(f"{winter}-snow", day, 1, "Snow has come as early as today",
                  "Lids on and tested, drive and latch checked, broom at hand.")
        )  # fmt: skip
    if season.cold_onset is not None:
        day = next_day_of(season.cold_onset, winter, site.lat_deg)
        tender = [c.name.lower() for c in eating_order(crops) if c.leaf_damage_degc[1] >= TENDER_DEGC]
        eat = f"Eat first: {', '.join(tender)}." if tender else "None of these is tender once hardened."
        entries.append(Entry(f"{winter}-cold", day, 1, "The real cold can begin", f"Blankets ready. {eat}"))
    return entries


def eating_order(crops: Sequence[Crop]) -> list[Crop]:
    """Return crops in the order to eat them: what frost hurts first comes first."""
    return sorted(crops, key=lambda c: (-c.leaf_damage_degc[1], -c.kill_degc[1], c.id))


def next_day_of(month_day: tuple[int, int], winter: int, lat_deg: float) -> date:
    """Return the date of a month and day within a winter's growing year, which begins at midsummer."""
    start = date(winter, 6, 21) if lat_deg >= 0 else date(winter - 1, 12, 21)
    for year in (start.year, start.year + 1):
        month, day = month_day
        if (month, day) == (2, 29) and not _leap(year):
            day = 28
        found = date(year, month, day)
        if found >= start:
            return found
    raise AssertionError("a year holds every day")


def _leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def short(day: date) -> str:
    """Return ``5 Oct``, the same in every language setting of the computer."""
    return f"{day.day} {MONTHS[day.month - 1]}"


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def days_from_weather(
    read_day: Callable[[date], tuple[float, float] | None], winter: int, lat_deg: float, lift_degc: float,
    light_through: float,
) -> list[FrameDay]:
    """Return days in the frame for a growing year from outside days.

    read_day: gives (mean outside temperature [degC], global light [MJ/m2]) of a calendar day, or None.
    lift_degc: mean warmth of a vented frame over outside. light_through: share of light that reaches the bed.
    """
    start = date(winter, 6, 21) if lat_deg >= 0 else date(winter - 1, 12, 21)
    result: list[FrameDay] = []
    soil: float | None = None
    for n in range(300):
        day = start + timedelta(days=n)
        found = read_day(day)
        if found is None:
            continue
        mean = found[0] + lift_degc
        # Soil follows the air of the last days (chosen: time constant about 8 days).
        soil = mean if soil is None else soil + (mean - soil) / 8.0
        result.append(FrameDay(day, mean, soil, found[1] * light_through))
    return result
