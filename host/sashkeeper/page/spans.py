"""What charts show: the rows of a day or a season, thinned, with what happened in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from .. import wording
from ..context import App
from ..season.daylight import sun_position, sun_times
from ..store import Roll, history

BIN_S = 300
# Less is the slack of a lid that is stuck or shut, for the smallest crack is 4 %.
OPEN_SHARE = 0.03
GAP_S = 900  # a longer silence is shown as one
LINES = ("air", "outside", "soil")
DAY_S = 86_400


@dataclass(frozen=True)
class Mark:
    """Something that happened: when [s], in words, and whether it was urgent."""

    time_s: float
    words: str
    urgent: bool


@dataclass(frozen=True)
class DaySpan:
    """A day or a night of one frame. Temperatures in the grower's unit, lid 0..1, sun height in degrees."""

    frame: str
    name: str
    start_s: float
    end_s: float
    zone: tzinfo
    unit: str
    lines: dict[str, list[tuple[float, float]]]
    lid: list[tuple[float, float]]
    bands: list[tuple[float, float, float, float]]  # from, to, closing, opening
    sun: list[tuple[float, float]]
    nights: list[tuple[float, float]]
    marks: list[Mark]
    extremes: dict[str, tuple[tuple[float, float], tuple[float, float]]]  # metric -> (lowest, highest) as (time, value)
    latest_s: float | None = None

    @property
    def empty(self) -> bool:
        """Whether there is nothing to draw."""
        return not any(self.lines.values())


@dataclass(frozen=True)
class SeasonSpan:
    """A season of one frame, by days: lowest, mean and highest air, lowest outside, mean soil, hours open."""

    frame: str
    name: str
    unit: str
    first: date
    last: date
    air: list[tuple[date, float, float, float]] = field(default_factory=list)
    outside: list[tuple[date, float]] = field(default_factory=list)
    soil: list[tuple[date, float]] = field(default_factory=list)
    open_h: list[tuple[date, float]] = field(default_factory=list)


def zone_of(app: App) -> ZoneInfo:
    """Return the zone of the place."""
    return ZoneInfo(app.config.place.timezone)


def midnight(day: date, zone: tzinfo) -> float:
    """Return when a day begins [s]."""
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()


def day_span(app: App, frame: str, start_s: float, end_s: float) -> DaySpan:
    """Return what there is of a frame between two moments. Raises UnknownFrame."""
    store, fahrenheit = app.store, app.fahrenheit
    name = store.frame(frame).name
    _, rows = history.rows(store, frame, start_s, end_s, 0)
    if not rows:  # full detail has been tidied away
        _, rows = history.rows(store, frame, start_s, end_s, 600)
    lines: dict[str, list[tuple[float, float]]] = {}
    extremes = {}
    for metric in LINES:
        values = [(float(r.time_s), r.values[metric]) for r in rows if metric in r.values]
        shown = [(t, history.shown(metric, v, fahrenheit) or 0.0) for t, v in values]
        if shown:
            extremes[metric] = min(shown, key=lambda p: p[1]), max(shown, key=lambda p: p[1])
        lines[metric] = thinned(shown)
    lid = [(float(r.time_s), r.values["lid"]) for r in rows if "lid" in r.values]
    return DaySpan(
        frame, name, start_s, end_s, zone_of(app), "°F" if fahrenheit else "°C", lines,
        lid, _bands(app, frame, start_s, end_s), *_sun(app, start_s, end_s), _marks(app, frame, start_s, end_s),
        extremes, float(rows[-1].time_s) if rows else None,
    )  # fmt: skip


def thinned(points: Sequence[tuple[float, float]], bin_s: int = BIN_S) -> list[tuple[float, float]]:
    """Return means over bins of time; a chart a hand wide shows no more."""
    bins: dict[int, list[tuple[float, float]]] = {}
    for point in points:
        bins.setdefault(int(point[0]) // bin_s, []).append(point)
    return [
        (sum(t for t, _ in found) / len(found), sum(v for _, v in found) / len(found)) for found in bins.values()
    ]


def runs(points: Sequence[tuple[float, float]], gap_s: float = GAP_S) -> list[list[tuple[float, float]]]:
    """Return points cut where nothing was heard for long."""
    found: list[list[tuple[float, float]]] = []
    for point in points:
        if not found or point[0] - found[-1][-1][0] > gap_s:
            found.append([])
        found[-1].append(point)
    return found


def _bands(app: App, frame: str, start_s: float, end_s: float) -> list[tuple[float, float, float, float]]:
    found = history.bands(app.store, frame, start_s, end_s)
    out = []
    for n, (at_s, close, opening) in enumerate(found):
        until_s = found[n + 1][0] if n + 1 < len(found) else end_s
        a, b = max(at_s, start_s), min(until_s, end_s)
        if a < b:
            low, high = (history.shown("air", v, app.fahrenheit) or 0.0 for v in (close, opening))
            out.append((a, b, low, high))
    return out


def _sun(app: App, start_s: float, end_s: float) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Return sun heights above the horizon, and the nights; both empty while the place is unknown."""
    place = app.config.place
    if place.lat_deg is None or place.lon_deg is None:
        return [], []
    lat, lon = place.lat_deg, place.lon_deg
    heights = [(float(t), max(0.0, sun_position(t, lat, lon)[0])) for t in range(int(start_s), int(end_s) + 1, 900)]
    nights: list[tuple[float, float]] = []
    zone = zone_of(app)
    day = datetime.fromtimestamp(start_s, zone).date() - timedelta(days=1)
    dusk = start_s
    while midnight(day, zone) < end_s + DAY_S:
        sun = sun_times(day, lat, lon)
        if sun.rise_s is not None and sun.set_s is not None:
            a, b = max(dusk, start_s), min(sun.rise_s, end_s)
            if a < b:
                nights.append((a, b))
            dusk = sun.set_s
        day += timedelta(days=1)
    return heights, nights


def _marks(app: App, frame: str, start_s: float, end_s: float) -> list[Mark]:
    store = app.store
    found = [
        Mark(a.opened_s, str((a.data.get("words") or [a.kind])[0]).split(": ")[-1], a.priority in ("urgent", "high"))
        for a in store.alarm_list(frame=frame, start_s=start_s, end_s=end_s)
    ]
    found += [Mark(d.time_s, d.text, False) for d in store.diary(frame, start_s, end_s)]
    return sorted(found, key=lambda m: m.time_s)


# -- the season ---------------------------------------------------------------------------------------


def season_span(app: App, frame: str, now_s: float) -> SeasonSpan:
    """Return the days since the last first of July (the turn of the growing year), from hourly means."""
    store, zone, f = app.store, zone_of(app), app.fahrenheit
    name = store.frame(frame).name
    today = datetime.fromtimestamp(now_s, zone).date()
    turn = (7, 1) if (app.config.place.lat_deg or 0.0) >= 0 else (1, 1)
    first = date(today.year, *turn)
    if first > today:
        first = date(today.year - 1, *turn)
    rolls = store.rolls(frame, ("air", "outside", "soil", "lid"), midnight(first, zone), now_s + 1)
    days = {m: _by_day(rolls.get(m, []), zone) for m in ("air", "outside", "soil", "lid")}
    begun = min((min(d) for d in days.values() if d), default=first)

    def t(value: float) -> float:
        return history.shown("air", value, f) or 0.0

    return SeasonSpan(
        frame, name, "°F" if f else "°C", begun, today,
        [(d, t(min(r.low for r in v)), t(_mean(v)), t(max(r.high for r in v))) for d, v in days["air"].items()],
        [(d, t(min(r.low for r in v))) for d, v in days["outside"].items()],
        [(d, t(_mean(v))) for d, v in days["soil"].items()],
        [(d, float(sum(1 for r in v if r.mean > OPEN_SHARE))) for d, v in days["lid"].items()],
    )  # fmt: skip


def _by_day(rolls: Sequence[Roll], zone: tzinfo) -> dict[date, list[Roll]]:
    found: dict[date, list[Roll]] = {}
    until_s = -1
    for roll in rolls:
        if roll.start_s >= until_s:  # asking the zone for every hour would take longest of all
            local = datetime.fromtimestamp(roll.start_s, zone)
            until_s = roll.start_s + 3600 * (24 - local.hour)
            day = local.date()
        if roll.n:
            found.setdefault(day, []).append(roll)
    return found


def _mean(rolls: Sequence[Roll]) -> float:
    return sum(r.mean for r in rolls) / len(rolls)


def words_of_day(span: DaySpan) -> list[str]:
    """Return the span in sentences: lowest and highest inside, and how long the lid was open."""
    if span.empty:
        return ["There are no readings of this time."]

    def at(time_s: float) -> str:
        return datetime.fromtimestamp(time_s, span.zone).strftime("%H:%M")

    said = []
    if "air" in span.extremes:
        low, high = span.extremes["air"]
        said.append(f"Inside it was {low[1]:.1f} {span.unit} at the lowest, at {at(low[0])}, and {high[1]:.1f} "
                    f"{span.unit} at the highest, at {at(high[0])}.")  # fmt: skip
    if "outside" in span.extremes:
        low, _ = span.extremes["outside"]
        said.append(f"Outside it went down to {low[1]:.1f} {span.unit}, at {at(low[0])}.")
    said.append(lid_words(span))
    return said


def lid_words(span: DaySpan) -> str:
    """Say when the lid stood open."""
    opened: list[list[float]] = []
    last: tuple[float, float] | None = None
    for time_s, share in span.lid:
        silent = last is not None and time_s - last[0] > GAP_S
        if share > OPEN_SHARE:
            if not opened or last is None or last[1] <= OPEN_SHARE or silent:
                opened.append([time_s, time_s])
            opened[-1][1] = time_s
        elif opened and last is not None and last[1] > OPEN_SHARE and not silent:
            opened[-1][1] = time_s
        last = (time_s, share)
    if not span.lid:
        return "Where the lid was is not known."
    if not opened:
        return "The lid stayed shut."

    def at(time_s: float) -> str:
        return datetime.fromtimestamp(time_s, span.zone).strftime("%H:%M")

    times = [f"{at(a)} to {at(b)}" for a, b in opened]
    shown = ", ".join(times[:4]) + (f" and {len(times) - 4} times more" if len(times) > 4 else "")
    total = wording.age_words(sum(b - a for a, b in opened)).removesuffix(" ago")
    return f"The lid was open {shown}; {total} in all."
