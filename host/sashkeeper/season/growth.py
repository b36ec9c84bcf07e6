"""How far a crop grows on a day: degree-days, and degree-days that light lets it use.

Degree-days are counted from daily mean temperatures in the frame. Needs come
from the crop book: days at reference conditions times the degree-days of a
reference day (no published totals were found for baby greens), so they are
rough until the grower's own sowings replace them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from sashkeeper.season.crops import Crop, Pair
from sashkeeper.season.emergence import emergence_days

# The reference under which days to harvest are given: a mean of 15 to 18 degC, 12 h or more of light.
REFERENCE_DEGC = 16.0
# Daily light in the frame that goes with it [MJ/m2]: chosen, about a clear equinox day under a lid.
REFERENCE_LIGHT_MJ_M2 = 10.0
# How many degree-days a MJ/m2 of daily light lets a crop use. The form is that of Scaife, Cox and
# Morris 1987 (from memory); the number has to be fitted, 1.0 to 2.0 is where to start.
LIGHT_FACTOR = 1.5


@dataclass(frozen=True)
class FrameDay:
    """A day in the frame: mean air and soil temperature [degC], light on the bed [MJ/m2]."""

    day: date
    mean_degc: float
    soil_degc: float
    light_mj_m2: float


def degree_days(mean_degc: float, base_degc: float, best_high_degc: float, stop_high_degc: float | None) -> float:
    """Return the degree-days [degC d] of one day.

    max(0, min(T, best) - base), falling in a straight line to 0 from the best to the highest temperature.
    """
    full = best_high_degc - base_degc
    if mean_degc <= best_high_degc or stop_high_degc is None:
        return max(0.0, min(mean_degc, best_high_degc) - base_degc)
    if mean_degc >= stop_high_degc:
        return 0.0
    return full * (stop_high_degc - mean_degc) / (stop_high_degc - best_high_degc)


def effective_degree_days(degc_days: float, light_mj_m2: float, factor: float = LIGHT_FACTOR) -> float:
    """Return the degree-days that the light of the day lets the crop use: 1/E = 1/D + 1/(f R)."""
    if degc_days <= 0.0 or light_mj_m2 <= 0.0:
        return 0.0
    return 1.0 / (1.0 / degc_days + 1.0 / (factor * light_mj_m2))


def crop_day(crop: Crop, day: FrameDay, factor: float = LIGHT_FACTOR) -> float:
    """Return the effective degree-days [degC d] of a crop on one day."""
    warmth = degree_days(day.mean_degc, crop.base_degc, crop.best_high_degc, crop.stop_high_degc)
    return effective_degree_days(warmth, day.light_mj_m2, factor)


def plain_need(crop: Crop, days: Pair) -> Pair:
    """Return the degree-days [degC d] that go with days to harvest at reference conditions."""
    a_day = degree_days(REFERENCE_DEGC, crop.base_degc, crop.best_high_degc, crop.stop_high_degc)
    return (days[0] * a_day, days[1] * a_day)


def effective_need(crop: Crop, days: Pair, factor: float = LIGHT_FACTOR) -> Pair:
    """Return the effective degree-days [degC d] that go with days to harvest at reference conditions."""
    a_day = degree_days(REFERENCE_DEGC, crop.base_degc, crop.best_high_degc, crop.stop_high_degc)
    usable = effective_degree_days(a_day, REFERENCE_LIGHT_MJ_M2, factor)
    return (days[0] * usable, days[1] * usable)


def summed(crop: Crop, days: Iterable[FrameDay], factor: float = LIGHT_FACTOR) -> float:
    """Return the effective degree-days of a crop over days."""
    return sum(crop_day(crop, d, factor) for d in days)


def day_reached(
    crop: Crop, sown: date, need_degc_days: float, days: Sequence[FrameDay], factor: float = LIGHT_FACTOR
) -> date | None:
    """Return the first day on which a sowing has collected a need, or None within the days given.

    The days to harvest of the crop book count from sowing, so the time until
    emergence at the reference is part of the need; seed that is still in colder
    soil collects only the share that its slower emergence allows.
    """
    total, germ = 0.0, 0.0
    reference = emergence_days(crop, min(REFERENCE_DEGC, crop.soil_max_degc)).days or 10.0
    for d in sorted(days, key=lambda x: x.day):
        if d.day < sown:
            continue
        if germ < 1.0:
            wait = emergence_days(crop, d.soil_degc).days
            germ += 0.0 if wait is None else 1.0 / wait
            total += 0.0 if wait is None else min(1.0, reference / wait) * need_degc_days_of_a_day(crop, factor)
        else:
            total += crop_day(crop, d, factor)
        if total >= need_degc_days:
            return d.day
    return None


def need_degc_days_of_a_day(crop: Crop, factor: float = LIGHT_FACTOR) -> float:
    """Return the effective degree-days of one day at reference conditions."""
    return effective_need(crop, (1.0, 1.0), factor)[0]
