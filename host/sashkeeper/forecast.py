"""What tomorrow and tonight may bring to one frame, each with a range that holds four of five times.

Every figure is predicted the same way for each past day of the frame's own record, and the range comes from how far
off those predictions were. The range widens after a miss and narrows after a hit, so that it goes on holding about
80 % whatever the season does (adaptive conformal inference; Gibbs and Candes 2021, from memory). Without a
forecast file tomorrow is like the last days, the hottest of them being the bound of a clear sky.

Air is measured; leaves are not. How leaves stand to the air, and what a cover adds, are figures of the kind of lid.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, tzinfo
from statistics import mean, median

from sashkeeper.forecast_file import Forecast
from sashkeeper.store import Roll, Store

AIM = 0.8
# How far the share left out moves after a miss (down by 0.8 of it) and a hit (up by 0.2 of it): the least rate at
# which any 100 days hold the aim within 5: (max(AIM, 1 - AIM) + RATE) / (100 RATE) <= 0.05, the bound of adaptive
# conformal inference (Gibbs and Candes 2021, from memory). Not fitted to any weather.
RATE = 0.2
MOST_LEFT_OUT = 0.5  # where nothing has missed for long, a range of half the errors is narrow enough; chosen
FEWEST = 10  # past predictions; before that the first guess stands
WINDOW = 45  # past predictions that count
BACK_DAYS = 130
MEAN_DAYS = 10
TODAY_WEIGHT = 0.5  # how much tomorrow is like today rather than like the last days; chosen
CLEAR_DAYS = 21
CLEAR_MARGIN_K = 2.0
Z80 = 1.28  # standard deviations each way that hold 80 % of a normal spread
# First guesses, while the record is short: half the width of the range.
FIRST_PEAK_K, FIRST_AIR_K, FIRST_OPEN_H = 7.0, 4.0, 3.0
OPEN_SHARE = 0.01
PEAK_PAST_H = 15  # from this hour on today's peak is taken as past
NIGHT_ENDS_H = 10  # of the next morning
HOUR_S, DAY_H = 3600, 24


@dataclass(frozen=True)
class LidKind:
    """Leaves against the air at night, and what a cover adds at the leaf: mean and standard deviation [K].

    cover_share: how much of what nobody foresaw reaches a covered leaf; a cover softens a night that turns colder.
    """

    leaf_k: float
    leaf_spread_k: float
    cover_k: float
    cover_spread_k: float
    cover_share: float
    source: str


LIDS: Mapping[str, LidKind] = {
    # Worked out with the simulated garden frame under invented winters (docs/forecast.md says how).
    "twin": LidKind(0.5, 0.2, 1.8, 0.85, 0.94, "simulated garden frame, twin-wall lid"),
    # The figures of advice.py: growers' logs and common practice.
    "single": LidKind(-2.0, 0.5, 6.0, 1.5, 1.0, "growers' logs, single glass, insulated cover"),
}


@dataclass(frozen=True)
class Span:
    """A figure with its range: four of five times it falls inside."""

    about: float
    low: float
    high: float


@dataclass(frozen=True)
class Outlook:
    """Tomorrow's peak [degC], hours with the lid open, when it opens and shuts [h of the day, or None: stays shut];
    tonight's lowest at the leaf [degC], bare and covered. days: past days that the ranges rest on."""

    day: date
    peak: Span
    open_h: Span
    opens: float | None
    shuts: float | None
    leaf_bare: Span
    leaf_covered: Span
    days: int
    by_forecast: bool


@dataclass(frozen=True)
class PastDay:
    """One day of the frame's record. Night: from `hour` of this day (noon at the earliest) to ten the next morning;
    None while unknown. Of today the figures are those of its hours so far, NaN before the first."""

    day: date
    peak_degc: float
    open_h: float
    opened: float | None
    shut: float | None
    outside_max_degc: float
    outside_at_hour_degc: float
    night_outside_degc: float | None
    night_air_degc: float | None
    peak_known: bool = True  # False for today before the afternoon
    covered: bool = False  # that night, says the diary


@dataclass(frozen=True)
class Error:
    """How far off one past prediction was: actual less predicted, and how far up the range could have reached."""

    off: float
    top: float = math.inf


def range_of(errors: Sequence[Error], first: float, ahead: int = 1, top: float = math.inf) -> tuple[float, float]:
    """Return (low, high) offsets of the range around the next prediction, from past errors, oldest first.

    The part of the last errors that is left out follows the range's own hits and misses: the past is lived through
    once more, each day with what was known on it. ahead: how many days before its day a prediction was made.
    first: half width to begin with; top: how far up the range may reach.
    """
    left_out = 1.0 - AIM
    for n in range(FEWEST + ahead - 1, len(errors)):
        low, high = _middle(errors[: n - ahead + 1], left_out, errors[n].top)
        missed = not low <= errors[n].off <= high
        left_out = min(MOST_LEFT_OUT, left_out + RATE * (1.0 - AIM - missed))
    if len(errors) < FEWEST:
        return -first, min(first, top)
    return _middle(errors, left_out, top)


def _middle(errors: Sequence[Error], left_out: float, top: float) -> tuple[float, float]:
    ordered = sorted(e.off for e in errors[-WINDOW:])
    n = len(ordered)
    # The rank that holds for the next one, not only for those seen: (n + 1) in place of n.
    place = 0.5 * left_out * (n + 1) - 1.0
    low, high = _between(ordered, place), _between(ordered, n - 1 - place)
    # Wider than all that was seen, where even that has not been enough lately.
    more = 0.5 * (high - low) * max(0.0, 2.0 / (n + 1) - left_out) / RATE
    return low - more, min(high + more, top)


def _between(ordered: Sequence[float], place: float) -> float:
    place = min(max(place, 0.0), len(ordered) - 1.0)
    k = min(int(place), len(ordered) - 2)
    return ordered[k] + (place - k) * (ordered[k + 1] - ordered[k])


def past_days(store: Store, frame: str, now_s: float, zone: tzinfo, back: int = BACK_DAYS) -> list[PastDay]:
    """Return the frame's past days, today as far as it has come last; days with gaps over two hours are left out."""
    now = datetime.fromtimestamp(now_s, zone)
    first = datetime(now.year, now.month, now.day, tzinfo=zone) - timedelta(days=back)
    rolls = store.rolls(frame, ["air", "outside", "lid"], first.timestamp(), now_s)
    covers = [entry.time_s for entry in store.diary(frame, first.timestamp(), now_s, kind="covered")]
    return days_of(rolls, now, zone, covers)


def days_of(
    rolls: Mapping[str, Sequence[Roll]], now: datetime, zone: tzinfo, covers: Sequence[float] = ()
) -> list[PastDay]:
    """The same from hourly roll-ups of air, outside and lid, and the times [Unix s] at which a cover was laid on."""
    by_hour: dict[tuple[date, int], dict[str, Roll]] = {}
    for metric, rows in rolls.items():
        for r in rows:
            at = datetime.fromtimestamp(r.start_s, zone)
            by_hour.setdefault((at.date(), at.hour), {})[metric] = r
    days = sorted({now.date(), *(d for d, _ in by_hour)})
    # Laid on in the small hours, a cover belongs to the night that began the day before.
    nights = {(datetime.fromtimestamp(c, zone) - timedelta(hours=NIGHT_ENDS_H)).date() for c in covers}
    found = [_day(by_hour, d, now) for d in days]
    return [replace(f, covered=f.day in nights) for f in found if f is not None]


def _day(by_hour: Mapping[tuple[date, int], Mapping[str, Roll]], day: date, now: datetime) -> PastDay | None:
    today = day == now.date()
    hours = [by_hour[(day, h)] for h in range(DAY_H) if (day, h) in by_hour]
    both = [h for h in hours if "air" in h and "outside" in h]
    # The last full hour, on every day: just after midnight the last one of the day before.
    here = by_hour.get((day, now.hour - 1) if now.hour else (day - timedelta(days=1), DAY_H - 1))
    if len(both) < (now.hour - 2 if today else DAY_H - 2) or here is None or "outside" not in here:
        return None
    opened = [h for h in range(DAY_H) if _is_open(by_hour.get((day, h)))]
    night = _night(by_hour, day, now.hour)
    if night is not None and (day + timedelta(days=1) == now.date()) and now.hour < NIGHT_ENDS_H:
        night = None  # that night is not over
    return PastDay(
        day,
        max((h["air"].high for h in both), default=math.nan),
        float(len(opened)),
        float(opened[0]) if opened else None,
        float(opened[-1] + 1) if opened else None,
        max((h["outside"].high for h in both), default=math.nan),
        here["outside"].mean,
        None if night is None or today else night[0],
        None if night is None or today else night[1],
        not today or now.hour >= PEAK_PAST_H,
    )


def _is_open(hour: Mapping[str, Roll] | None) -> bool:
    return hour is not None and "lid" in hour and hour["lid"].high > OPEN_SHARE


def _night(by_hour: Mapping[tuple[date, int], Mapping[str, Roll]], day: date, hour: int) -> tuple[float, float] | None:
    keys = [(day, h) for h in range(max(hour, 12), DAY_H)] + [(day + timedelta(days=1), h) for h in range(NIGHT_ENDS_H)]
    found = [by_hour[k] for k in keys if k in by_hour and {"air", "outside"} <= by_hour[k].keys()]
    if len(found) < len(keys) - 2:
        return None
    return min(f["outside"].low for f in found), min(f["air"].low for f in found)


# -- predictions ---------------------------------------------------------------------------------


def _like_before(values: Sequence[float]) -> float:
    """Tomorrow's value if it is partly like the last one, partly like the last days."""
    return TODAY_WEIGHT * values[-1] + (1.0 - TODAY_WEIGHT) * mean(values[-MEAN_DAYS:])


def _clear_bound(days: Sequence[PastDay]) -> float:
    return max(d.peak_degc for d in days[-CLEAR_DAYS:]) + CLEAR_MARGIN_K


def _errors(days: Sequence[PastDay], ahead: int, predict: Callable[[Sequence[PastDay]], tuple[float, float]],
            actual: Callable[[PastDay], float]) -> list[Error]:  # fmt: skip
    """Predict each whole day from those until `ahead` days before it; return how it came, oldest first.

    predict: gives the prediction, and how high it may reach at most.
    """
    found = []
    for n in range(ahead, len(days)):
        said, bound = predict(days[: n - ahead + 1])
        found.append(Error(actual(days[n]) - said, bound - said))
    return found


def outlook(days: Sequence[PastDay], lid: LidKind, today: date, forecast: Forecast | None = None,
            zone: tzinfo | None = None) -> Outlook | None:  # fmt: skip
    """Return tonight and tomorrow, or None while the record holds no day at all.

    days: as from `past_days`, oldest first, today (unfinished) last where it is known.
    """
    if not days or days[-1].day < today - timedelta(days=1):
        return None
    whole = [d for d in days if d.day < today]
    if not whole and math.isnan(days[-1].peak_degc):
        return None
    base = whole or list(days)
    peak = _peak(days, whole, base, forecast, today, zone)
    hours = [d.open_h for d in base]
    errors = _errors(whole, 2, lambda p: (_like_before([d.open_h for d in p]), math.inf), lambda d: d.open_h)
    about = _like_before(hours)
    low, high = range_of(errors, FIRST_OPEN_H, 2)
    open_h = _span(about, low, high, 0.0, float(DAY_H))
    recent = [d for d in base[-MEAN_DAYS:] if d.opened is not None]
    bare, covered = _night_of(days, whole, lid, forecast, today, zone)
    opens = median(d.opened for d in recent if d.opened is not None) if recent and open_h.about >= 0.5 else None
    shuts = median(d.shut for d in recent if d.shut is not None) if opens is not None else None
    return Outlook(
        today + timedelta(days=1), peak, open_h, opens, shuts, bare, covered, len(whole), forecast is not None
    )


def _peak(days: Sequence[PastDay], whole: Sequence[PastDay], base: Sequence[PastDay], forecast: Forecast | None,
          today: date, zone: tzinfo | None) -> Span:  # fmt: skip
    # In the afternoon today's peak is known and tomorrow is one day ahead; before, it is two days ahead of yesterday.
    ahead = 1 if days[-1].day == today and days[-1].peak_known else 2
    base = days if ahead == 1 else base
    if forecast is None or zone is None:
        errors = _errors(base, ahead, _bounded, lambda d: d.peak_degc)
        about, bound = _bounded(base)
        low, high = range_of(errors, FIRST_PEAK_K, ahead, bound - about)
        return _span(about, low, high, -60.0, 80.0)
    start = datetime(today.year, today.month, today.day, tzinfo=zone) + timedelta(days=1)
    hours = forecast.between(start.timestamp(), (start + timedelta(days=1)).timestamp())
    warmest = max(h.outside_degc for h in hours)

    def lift_of(past: Sequence[PastDay]) -> float:
        return _like_before([d.peak_degc - d.outside_max_degc for d in past])

    errors = _errors(base, ahead, lambda p: (lift_of(p), math.inf), lambda d: d.peak_degc - d.outside_max_degc)
    low, high = _wider(*range_of(errors, FIRST_PEAK_K, ahead), forecast.spread_k)
    lift = lift_of(base)
    sun = [h.sun_percent for h in hours if h.sun_percent is not None and h.sun_percent > 0.0]
    if sun and len(base) >= FEWEST:
        # From the least lift of the last days on a dull day to the most on a clear one.
        ordered = sorted(d.peak_degc - d.outside_max_degc for d in base[-WINDOW:])
        lift = _between(ordered, (0.1 + 0.8 * mean(sun) / 100.0) * (len(ordered) - 1))
    return _span(warmest + lift, low, high, -60.0, 60.0)


def _bounded(days: Sequence[PastDay]) -> tuple[float, float]:
    """Tomorrow's peak by persistence, and the bound of a clear sky."""
    about = _like_before([d.peak_degc for d in days])
    return about, max(about, _clear_bound(days))


def _night_of(days: Sequence[PastDay], whole: Sequence[PastDay], lid: LidKind, forecast: Forecast | None, today: date,
              zone: tzinfo | None) -> tuple[Span, Span]:  # fmt: skip
    known = [_bared(d, lid) for d in whole if d.night_outside_degc is not None]
    lifts = [_lift(d) for d in known]
    lift = mean(lifts[-MEAN_DAYS:]) if lifts else 0.0
    # In the small hours the night before is not over, and tonight is two nights ahead of the last one known.
    ahead = 2 if known and (today - known[-1].day).days > 1 else 1
    if forecast is not None and zone is not None:
        start = datetime(today.year, today.month, today.day, 12, tzinfo=zone)
        hours = forecast.between(start.timestamp(), (start + timedelta(hours=22)).timestamp())
        about = min(h.outside_degc for h in hours) + lift
        errors = [Error(lifts[n] - mean(lifts[: n - ahead + 1][-MEAN_DAYS:])) for n in range(ahead, len(lifts))]
        low, high = _wider(*range_of(errors, FIRST_AIR_K, ahead), forecast.spread_k)
    else:
        about = days[-1].outside_at_hour_degc - _fall(known) + lift
        low, high = range_of(_night_errors(known, ahead), FIRST_AIR_K, ahead)
    bare = _span(about + lid.leaf_k, *_wider(low, high, lid.leaf_spread_k), -60.0, 40.0)
    softened = (lid.cover_share * low, lid.cover_share * high)
    covered = _span(
        about + lid.leaf_k + lid.cover_k, *_wider(*softened, math.hypot(lid.leaf_spread_k, lid.cover_spread_k)),
        -60.0, 40.0,
    )  # fmt: skip
    return bare, covered


def _bared(day: PastDay, lid: LidKind) -> PastDay:
    """A night as it would have been without its cover, as far as can be told."""
    if not day.covered or day.night_air_degc is None:
        return day
    return replace(day, night_air_degc=day.night_air_degc - lid.cover_k)


def _fall(known: Sequence[PastDay]) -> float:
    falls = [d.outside_at_hour_degc - (d.night_outside_degc or 0.0) for d in known]
    return mean(falls[-MEAN_DAYS:]) if falls else 8.0


def _lift(day: PastDay) -> float:
    return (day.night_air_degc or 0.0) - (day.night_outside_degc or 0.0)


def _night_errors(known: Sequence[PastDay], ahead: int) -> list[Error]:
    found = []
    for n in range(ahead, len(known)):
        before, d = known[: n - ahead + 1], known[n]
        said = d.outside_at_hour_degc - _fall(before) + mean([_lift(b) for b in before[-MEAN_DAYS:]])
        found.append(Error((d.night_air_degc or 0.0) - said))
    return found


def _wider(low: float, high: float, spread_k: float) -> tuple[float, float]:
    """Add an independent spread to both half widths."""
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    half = math.hypot(half, Z80 * spread_k)
    return middle - half, middle + half


def _span(about: float, low: float, high: float, least: float, most: float) -> Span:
    def cut(value: float) -> float:
        return round(min(most, max(least, value)), 1)

    return Span(cut(about), cut(about + low), cut(about + high))
