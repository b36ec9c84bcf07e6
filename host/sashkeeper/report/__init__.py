"""A frame's season in figures, from the store and nothing else: what was measured, done, alarmed and picked.

Roll-ups of an hour carry the temperatures; damage and picking use ten-minute means, as the store keeps them for good.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from sashkeeper.config import Config
from sashkeeper.errors import InputError
from sashkeeper.season import crops, hardening, picking, season_now
from sashkeeper.season.crop_limits import limits_of
from sashkeeper.season.crops import Crop, CropBook
from sashkeeper.season.daylight import HORIZON_DEG, sun_position
from sashkeeper.season.hardening import DayTemps
from sashkeeper.season.picking import LeafRow, PickingWindow
from sashkeeper.season.place import Site, site_of
from sashkeeper.season.sowing import TRAY_DAYS
from sashkeeper.store import Alarm, DiaryEntry, Event, Planting, Roll, Sent, Store

HOUR_S, TEN_MIN_S = 3600, 600
OPEN_SHARE = 0.01
PICKING_HOUR_S = 3600  # a day with a window this long counts as a picking day


@dataclass(frozen=True)
class Day:
    """One day: lowest, mean and highest air [degC], outside lowest and highest, soil mean, hours of readings,
    hours with the lid open, moves and travel [full strokes], picking window."""

    day: date
    low: float
    mean: float
    high: float
    outside_low: float | None
    outside_high: float | None
    soil: float | None
    hours: int
    open_h: float
    moves: int
    strokes: float
    window: PickingWindow | None


@dataclass(frozen=True)
class CropSeason:
    """What one planting went through [K h at the leaf, h]: frost under its damage point with the ends of the
    estimate, heat over its limit, daylight in its growing band."""

    crop: Crop
    planting: Planting
    frost: float
    frost_low: float
    frost_high: float
    frost_words: str
    heat: float
    growing_h: float


@dataclass(frozen=True)
class SeasonReport:
    """Everything that the page shows."""

    frame: str
    name: str
    place: str
    zone: tzinfo
    first: date
    last: date
    days: tuple[Day, ...]
    crops: tuple[CropSeason, ...]
    alarms: tuple[Alarm, ...]
    faults: tuple[Event, ...]
    settings: tuple[Sent, ...]
    diary: tuple[DiaryEntry, ...]
    hours_wanted: int
    advice: tuple[str, ...] = field(default=())
    leaves_from: date | None = None  # no leaves to cut before; None: nothing is known about it

    @property
    def hours(self) -> int:
        """Hours with readings."""
        return sum(d.hours for d in self.days)

    @property
    def picking_days(self) -> int:
        """Days on which leaves could be cut for an hour or longer."""
        return sum(1 for d in self.days if d.window is not None)

    @property
    def leaf_days(self) -> int:
        """Days on which there were leaves to cut, frozen or not."""
        return sum(1 for d in self.days if self.leaves_from is None or d.day >= self.leaves_from)

    def total(self, name: str) -> float:
        """Sum of a figure over the days."""
        return float(sum(getattr(d, name) for d in self.days))

    def months(self) -> list[tuple[int, int]]:
        """(year, month) of every month in the report."""
        return sorted({(d.day.year, d.day.month) for d in self.days})


def gather(store: Store, config: Config, home: Path | None, frame: str, first: date, last: date) -> SeasonReport:
    """Return the report of a frame from a day to a day, both included.

    Raises UnknownFrame, and InputError when the days are the wrong way round or hold no readings.
    """
    one = store.frame(frame)
    if last < first:
        raise InputError(f"{last} is before {first}: exchange --from and --to. Nothing was written.")
    site = site_of(config)
    zone = site.zone if site is not None else ZoneInfo("UTC")
    start_s = season_now.day_start_s(first, site)
    end_s = season_now.day_start_s(last + timedelta(days=1), site)
    rolls = store.rolls(frame, ["air", "outside", "soil", "lid"], start_s, end_s)
    if not rolls.get("air"):
        raise InputError(f"{frame} has no readings from {first} to {last}, so there is nothing to report. "
                         "Choose other days. Nothing was written.")  # fmt: skip
    leaf = _leaf_rows(store, frame, start_s, end_s, site)
    moved = store.events(frame, start_s, end_s, kind="moved")
    book = crops.load(home)
    leaves_from = _leaves_from(_standing(store, frame, first, last), book)
    days = _days(rolls, moved, leaf, zone, leaves_from)
    made = SeasonReport(
        frame, one.name, site.name if site is not None else "", zone, first, last, tuple(days),
        tuple(_crops(store, book, frame, first, last, leaf, site)),
        tuple(sorted(store.alarm_list(frame=frame, start_s=start_s, end_s=end_s), key=lambda a: a.opened_s)),
        tuple(store.events(frame, start_s, end_s, kind="fault")),
        tuple(s for s in reversed(store.settings_sent(frame, 1000))
              if s.outcome == "taken" and start_s <= s.sent_s < end_s),
        tuple(store.diary(frame, start_s, end_s)),
        24 * ((last - first).days + 1),
        leaves_from=leaves_from,
    )  # fmt: skip
    from sashkeeper.report.advice import advice

    return SeasonReport(**{**made.__dict__, "advice": tuple(advice(made))})


def _leaf_rows(store: Store, frame: str, start_s: float, end_s: float, site: Site | None) -> list[LeafRow]:
    rolls = store.rolls(frame, ["air", "soil"], start_s, end_s, TEN_MIN_S)
    air = [(r.start_s + 0.5 * TEN_MIN_S, r.mean) for r in rolls.get("air", [])]
    soil = [(r.start_s + 0.5 * TEN_MIN_S, r.mean) for r in rolls.get("soil", [])]
    return picking.leaf_rows(air, soil, [_is_day(t, site) for t, _ in air])


def _is_day(time_s: float, site: Site | None) -> bool:
    return site is not None and sun_position(time_s, site.lat_deg, site.lon_deg)[0] > HORIZON_DEG


def _days(
    rolls: Mapping[str, Sequence[Roll]], moved: Sequence[Event], leaf: Sequence[LeafRow], zone: tzinfo,
    leaves_from: date | None,
) -> list[Day]:  # fmt: skip
    def by_day(name: str) -> dict[date, list[Roll]]:
        found: dict[date, list[Roll]] = {}
        for r in rolls.get(name, ()):
            found.setdefault(datetime.fromtimestamp(r.start_s, zone).date(), []).append(r)
        return found

    outside, soil, lid = by_day("outside"), by_day("soil"), by_day("lid")
    drives = _drives(moved, zone)
    windows = {d: w for d, w in _windows(leaf, zone).items() if leaves_from is None or d >= leaves_from}
    days = []
    for day, air in sorted(by_day("air").items()):
        out, ground = outside.get(day, []), soil.get(day, [])
        moves, strokes = drives.get(day, (0, 0.0))
        days.append(Day(
            day, min(r.low for r in air), sum(r.mean for r in air) / len(air), max(r.high for r in air),
            min((r.low for r in out), default=None), max((r.high for r in out), default=None),
            sum(r.mean for r in ground) / len(ground) if ground else None,
            len(air), float(sum(1 for r in lid.get(day, []) if r.mean > OPEN_SHARE)), moves, strokes, windows.get(day),
        ))  # fmt: skip
    return days


def _drives(moved: Sequence[Event], zone: tzinfo) -> dict[date, tuple[int, float]]:
    found: dict[date, tuple[int, float]] = {}
    last: int | None = None
    for event in moved:
        position = event.body.get("position_permille")
        day = datetime.fromtimestamp(event.time_s, zone).date()
        count, way = found.get(day, (0, 0.0))
        if isinstance(position, int):
            way += abs(position - last) / 1000.0 if last is not None else 0.0
            last = position
        found[day] = (count + 1, way)
    return found


def _windows(leaf: Sequence[LeafRow], zone: tzinfo) -> dict[date, PickingWindow]:
    """The longest window of each day, where it is long enough."""
    found: dict[date, PickingWindow] = {}
    for w in picking.windows(leaf):
        # A window that goes on over midnight (mild nights) counts on every day that it touches.
        day, last = (datetime.fromtimestamp(t, zone).date() for t in (w.from_s, w.until_s))
        while day <= last:
            begin = datetime(day.year, day.month, day.day, tzinfo=zone)
            part = PickingWindow(
                max(w.from_s, begin.timestamp()), min(w.until_s, (begin + timedelta(days=1)).timestamp()), w.why
            )
            longest = found.get(day)
            length = part.until_s - part.from_s
            if length >= PICKING_HOUR_S and (longest is None or length > longest.until_s - longest.from_s):
                found[day] = part
            day += timedelta(days=1)
    return found


def _standing(store: Store, frame: str, first: date, last: date) -> list[Planting]:
    return [
        p for p in store.plantings(frame)
        if p.since_day <= last.isoformat() and (p.until_day is None or p.until_day > first.isoformat())
    ]  # fmt: skip


def _leaves_from(standing: Sequence[Planting], book: CropBook) -> date | None:
    """The day from which the quickest planting may have leaves to cut, at its summer pace."""
    found = []
    for p in standing:
        in_trays = TRAY_DAYS if p.data.get("start") in ("transplant", "division") else 0
        wait = max(0, round(book.find(p.crop).baby_days[0]) - in_trays)
        found.append(date.fromisoformat(p.since_day) + timedelta(days=wait))
    return min(found, default=None)


def _crops(
    store: Store, book: CropBook, frame: str, first: date, last: date, leaf: Sequence[LeafRow], site: Site | None
) -> list[CropSeason]:
    standing = _standing(store, frame, first, last)
    if not standing:
        return []
    back = (last - first).days + season_now.LOOK_BACK_DAYS
    temps = season_now.day_temps(store, frame, last + timedelta(days=1), site, back)
    soil = season_now.soil_days(store, frame, last + timedelta(days=1), site, back + season_now.SOIL_BACK_DAYS)
    zone = site.zone if site is not None else ZoneInfo("UTC")
    by_day: dict[date, list[LeafRow]] = {}
    for row in leaf:
        by_day.setdefault(datetime.fromtimestamp(row.time_s, zone).date(), []).append(row)
    return [_crop(p, book, by_day, temps, soil, site, first, last) for p in standing]


def _crop(
    planting: Planting, book: CropBook, by_day: Mapping[date, Sequence[LeafRow]], temps: Sequence[DayTemps],
    soil: Mapping[date, float], site: Site | None, first: date, last: date,
) -> CropSeason:  # fmt: skip
    crop = book.find(planting.crop)
    since = date.fromisoformat(planting.since_day)
    until = date.fromisoformat(planting.until_day) if planting.until_day else last + timedelta(days=1)
    frost = [0.0, 0.0, 0.0]
    heat = growing = 0.0
    day = max(first, since)
    while day <= last and day < until:
        rows = by_day.get(day, ())
        if rows:
            past = [t for t in temps if t.day < day]
            limits = limits_of(planting, book, day, past[-60:], season_now.conditions_on(day, soil, site))
            if limits.stage.name != "germinating":
                hard = limits.hard
                pairs = [(r.time_s, r.leaf_degc) for r in rows]
                for k, level in enumerate((hard.cold_degc, hard.damage_degc, hard.warm_degc)):
                    frost[k] += hardening.frost_dose(pairs, level)
                heat += hardening.heat_dose(pairs, limits.wishes["high"].degc)
                growing += sum(
                    TEN_MIN_S / HOUR_S for r in rows
                    if _is_day(r.time_s, site) and crop.best_low_degc <= r.leaf_degc < crop.best_high_degc
                )  # fmt: skip
        day += timedelta(days=1)
    words = hardening.frost_words(frost[1])
    return CropSeason(crop, planting, frost[1], frost[0], frost[2], words, heat, growing)
