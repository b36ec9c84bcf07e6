"""How fast the bed warms, and how long until the crop is hurt - each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

MIN_POINTS = 4
MIN_SPAN_S = 150.0
Z_90 = 1.645  # two-sided 90 % of a normal distribution
# A straight line is only a start: losses grow as the bed warms (slower), the sun climbs (faster).
# 30 % each way covers both over half an hour at 0.2-1.2 degC/min (chosen).
SHAPE_SHARE = 0.3


@dataclass(frozen=True)
class Rate:
    """Warming in degrees per minute, its standard error, and the span it rests on."""

    degc_per_min: float
    error_degc_per_min: float
    span_s: float


@dataclass(frozen=True)
class TimeLeft:
    """Minutes until a limit; `latest_min` is None when it may never come."""

    about_min: float
    earliest_min: float
    latest_min: float | None


def rate_of(air: Sequence[tuple[float, float]], now_s: float, window_s: float = 600.0) -> Rate | None:
    """Fit a straight line through the last `window_s` of (time_s, degc), oldest first; None with too little."""
    # One pass, newest first: this runs for every message. Times and values count from the newest, or the sums cancel.
    n, t, first_s, first_degc = 0, 0.0, 0.0, 0.0
    s_t = s_v = s_tt = s_tv = s_vv = 0.0
    for time_s, degc in reversed(air):
        if time_s > now_s:
            continue
        if time_s < now_s - window_s:
            break
        if not n:
            first_s, first_degc = time_s, degc
        t, v = time_s - first_s, degc - first_degc
        n += 1
        s_t, s_v, s_tt, s_tv, s_vv = s_t + t, s_v + v, s_tt + t * t, s_tv + t * v, s_vv + v * v
    span_s = -t
    if n < MIN_POINTS or span_s < MIN_SPAN_S:
        return None
    about_tt = s_tt - s_t * s_t / n
    slope = (s_tv - s_t * s_v / n) / about_tt
    rest = max(0.0, s_vv - s_v * s_v / n - slope * slope * about_tt)
    # Never surer than one probe step (1/16 degC) over the span allows.
    error = max(math.sqrt(rest / (n - 2) / about_tt), 0.0625 / span_s)
    return Rate(slope * 60.0, error * 60.0, span_s)


def until(limit_degc: float, air_degc: float, rate: Rate | None) -> TimeLeft | None:
    """Return the time until `limit_degc` at this rate; zero when already there, None when not warming."""
    room = limit_degc - air_degc
    if room <= 0:
        return TimeLeft(0.0, 0.0, 0.0)
    if rate is None or rate.degc_per_min <= 0.02:
        return None
    fast = (rate.degc_per_min + Z_90 * rate.error_degc_per_min) * (1 + SHAPE_SHARE)
    slow = (rate.degc_per_min - Z_90 * rate.error_degc_per_min) * (1 - SHAPE_SHARE)
    latest = room / slow if slow > 0.02 else None
    return TimeLeft(room / rate.degc_per_min, room / fast, latest)
