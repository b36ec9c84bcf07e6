"""Advice, not alarms: cover tonight, and when the bed was last aired.

The night is predicted from the frame's own past nights: how far outside has fallen from this hour to its
lowest, and how much warmer the bed stayed. With fewer than three nights of its own, published ranges stand
in and the range is wide. A forecast of the outside minimum, where there is one, replaces the fall.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import mean, stdev

from .store import Event, Roll, Store

LOOK_BACK_NIGHTS = 14
ENOUGH_NIGHTS = 3
# Bare single glazing keeps the air 0-5 K over outside on a clear night; a cover on the glass lifts that to 6-9 K.
# Source: growers' logs (outside -10.0, inside -1.1 and -11.1/-1.7 degC with an insulated cover; range derived).
BARE_LIFT_K, BARE_LIFT_SPREAD_K = 2.5, 1.5
COVER_GAIN_K, COVER_GAIN_SPREAD_K = 4.5, 1.5
# Leaves under a clear lid sit 1-3 K below the air at night; under a cover they hardly do (from memory).
LEAF_BELOW_K, LEAF_BELOW_COVERED_K = 2.0, 0.5
# Outside falls about this far from mid-afternoon to dawn when nothing else is known (chosen).
FALL_K, FALL_SPREAD_K = 8.0, 3.0
FORECAST_SPREAD_K = 2.0  # usual error of a minimum forecast a night ahead (common practice, no source)
AIRED_PERMILLE, AIRED_S = 100, 600.0
HOUR_S, DAY_S = 3600.0, 86_400.0


@dataclass(frozen=True)
class Night:
    """One past night of a frame [degC]: outside at this hour before it, lowest outside, lowest air in the bed."""

    outside_before_degc: float
    outside_min_degc: float
    air_min_degc: float
    covered: bool = False


@dataclass(frozen=True)
class Range:
    """A prediction with its range (about four of five nights fall inside)."""

    about: float
    low: float
    high: float


@dataclass(frozen=True)
class CoverAdvice:
    """What tonight may bring the leaves, bare and covered [degC], and what to do.

    verdict: "no-cover", "cover", "cover-and-pick" (even covered it may hurt) or "unknown".
    """

    verdict: str
    bare: Range | None
    covered: Range | None
    damage_degc: float | None
    nights: int
    by_forecast: bool


def cover_tonight(
    nights: Sequence[Night],
    outside_now_degc: float | None,
    damage_degc: float | None,
    forecast_min_degc: float | None = None,
) -> CoverAdvice:
    """Predict the leaf minimum of the coming night and weigh it against the leaf-damage temperature.

    damage_degc: of the tightest crop as hardened now; None: nothing planted.
    """
    outside = _outside_min(nights, outside_now_degc, forecast_min_degc)
    if outside is None:
        return CoverAdvice("unknown", None, None, damage_degc, len(nights), False)
    low_k, spread_k = _lift(nights)
    bare = _range(outside[0] + low_k - LEAF_BELOW_K, math.hypot(outside[1], spread_k))
    gain = LEAF_BELOW_K - LEAF_BELOW_COVERED_K + COVER_GAIN_K
    covered = _range(bare.about + gain, math.hypot(outside[1], spread_k, COVER_GAIN_SPREAD_K))
    verdict = "no-cover"
    if damage_degc is not None and bare.low <= damage_degc:
        verdict = "cover-and-pick" if covered.low <= damage_degc else "cover"
    return CoverAdvice(verdict, bare, covered, damage_degc, len(nights), forecast_min_degc is not None)


def _outside_min(
    nights: Sequence[Night], now_degc: float | None, forecast_degc: float | None
) -> tuple[float, float] | None:
    """Return the lowest outside temperature tonight and its spread (one standard deviation)."""
    if forecast_degc is not None:
        return forecast_degc, FORECAST_SPREAD_K
    if now_degc is None:
        return None
    if len(nights) < ENOUGH_NIGHTS:
        return now_degc - FALL_K, FALL_SPREAD_K
    falls = [n.outside_before_degc - n.outside_min_degc for n in nights]
    # Never surer than 1.5 K: tomorrow's sky need not be like the last ones (chosen).
    return now_degc - mean(falls), max(1.5, stdev(falls))


def _lift(nights: Sequence[Night]) -> tuple[float, float]:
    """Return how much warmer the bare bed stays than outside, and the spread."""
    lifts = [n.air_min_degc - n.outside_min_degc for n in nights if not n.covered]
    if len(lifts) < ENOUGH_NIGHTS:
        return BARE_LIFT_K, BARE_LIFT_SPREAD_K
    return mean(lifts), max(0.7, stdev(lifts))


def _range(about: float, spread: float) -> Range:
    # 1.28 standard deviations each way hold four of five of a normal spread.
    return Range(round(about, 1), round(about - 1.28 * spread, 1), round(about + 1.28 * spread, 1))


def past_nights(store: Store, frame: str, now_s: float, back: int = LOOK_BACK_NIGHTS) -> list[Night]:
    """Collect the frame's past nights: from this hour of each day, the 16 hours that followed.

    Nights with gaps of more than two hours are left out. Nights for which the diary says "covered" count as such.
    """
    first_s = now_s - back * DAY_S
    rolls = store.rolls(frame, ["air", "outside"], first_s - HOUR_S, now_s)
    covers = [d.time_s for d in store.diary(frame, first_s - DAY_S, kind="covered")]
    nights = []
    for n in range(back, 0, -1):
        start = now_s - n * DAY_S
        covered = any(start - 4 * HOUR_S <= t <= start + 12 * HOUR_S for t in covers)
        night = _night(rolls, start, start + 16 * HOUR_S, covered)
        if night is not None:
            nights.append(night)
    return nights


def _night(rolls: Mapping[str, Sequence[Roll]], start_s: float, end_s: float, covered: bool) -> Night | None:
    parts: dict[str, list[Roll]] = {}
    for metric in ("air", "outside"):
        rows = [r for r in rolls.get(metric, ()) if start_s - HOUR_S < r.start_s < end_s and r.n > 0]
        gaps = [later.start_s - row.start_s for row, later in pairwise(rows)]
        if len(rows) < 8 or max(gaps) > 2 * HOUR_S or rows[-1].start_s < end_s - 3 * HOUR_S:
            return None
        parts[metric] = rows
    outside = parts["outside"]
    return Night(outside[0].mean, min(r.low for r in outside), min(r.low for r in parts["air"]), covered)


def hours_since_airing(events: Sequence[Event], now_s: float) -> float | None:
    """Return hours since the lid last stood open at least a crack for 10 min; 0 while it does, None if never seen.

    events: the frame's "moved" events, in any order.
    """
    last: float | None = None
    opened: float | None = None
    for event in sorted((e for e in events if e.kind == "moved"), key=lambda e: e.time_s):
        is_open = int(event.body.get("position_permille", 0)) >= AIRED_PERMILLE
        if opened is not None and event.time_s - opened >= AIRED_S:
            last = event.time_s
        if is_open and opened is None:
            opened = event.time_s
        elif not is_open:
            opened = None
    if opened is not None and now_s - opened >= AIRED_S:
        return 0.0
    return None if last is None else (now_s - last) / HOUR_S
