"""How much frost the leaves stand today, and how much frost and heat they have had.

The state is one temperature per crop: where leaf damage begins [degC, leaf].
It lies between the crop's unhardened figure U and its hardened bound B and
follows the last days' temperatures at the plant. Everything here is an
estimate, and is returned with a band.

Where the shape comes from:

* slow part: the mean of the daily minima of the last 7 days. At 8 degC and above nothing,
  from 8 down to 2 degC a fifth of the way from U to B, from 2 to -4 degC the rest, with a
  time constant of 2 days. Source: Tamura 2002, J. Japan. Soc. Hort. Sci. 71:74-81 (abstract:
  tolerance follows this mean, barely changes from 8 to 2 degC and rises strongly below 2 degC).
* quick part (chosen by us to meet the next source): from the day's mean temperature, nothing at
  10 degC and above, seven tenths of the way at 3.5 degC and below, time constant 1 day.
  Source of the rates: "Freezing tolerance and rapid cold acclimation of spinach" (journal abstract):
  2-4 degC gained after one day at 5/2 degC, most within 3 days; 3-5 degC lost within one day
  at 20/17 degC, nothing further after day 3. The slow part alone would gain 0.6 degC in a day.
* warm loss: a day whose mean exceeds 15 degC moves the state to U with a time constant
  of 1 day, 5 degC in a day at most (same abstract).

Not validated on other crops than spinach and komatsuna.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from sashkeeper.season.crops import Crop

WINDOW_DAYS = 7
SOFT_ABOVE_DEGC = 8.0
TURN_DEGC = 2.0
HARD_BELOW_DEGC = -4.0
FIRST_SHARE = 0.2
QUICK_FROM_DEGC = 10.0
QUICK_FULL_DEGC = 3.5
QUICK_SHARE = 0.7
COLDER_TAU_DAYS = 2.0
QUICK_TAU_DAYS = 1.0
WARMER_TAU_DAYS = 1.0
WARM_DAY_DEGC = 15.0
MOST_LOSS_IN_A_DAY_DEGC = 5.0
# Each day without readings among the last seven widens the band by this much (chosen).
GAP_WIDENS_DEGC = 0.5

# Frost dose [degC h below the damage temperature]. Common practice, no source.
FROST_URGENT_DEGC_H = 2.0
FROST_LOSS_DEGC_H = 6.0


@dataclass(frozen=True)
class DayTemps:
    """The temperature at the plant on one day [degC]."""

    day: date
    min_degc: float
    mean_degc: float
    max_degc: float | None = None


@dataclass(frozen=True)
class Hardness:
    """Where leaf damage begins [degC], with its band; `warm_degc` is the cautious end."""

    damage_degc: float
    warm_degc: float
    cold_degc: float
    hardened_share: float  # 0 unhardened .. 1 as hard as this crop gets
    days_known: int  # of the last seven
    week_min_degc: float | None  # mean of the daily minima of the last seven days


def week_minimum_degc(days: Sequence[DayTemps], today: date) -> float | None:
    """Return the mean of the daily minima over the seven days before `today`; None under three known days."""
    first = today - timedelta(days=WINDOW_DAYS)
    minima = [d.min_degc for d in days if first <= d.day < today]
    return sum(minima) / len(minima) if len(minima) >= 3 else None


def slow_share(week_min_degc: float) -> float:
    """Return how far from U to B plants go at a 7-day mean of minima, 0 to 1."""
    if week_min_degc >= SOFT_ABOVE_DEGC:
        return 0.0
    if week_min_degc >= TURN_DEGC:
        return FIRST_SHARE * (SOFT_ABOVE_DEGC - week_min_degc) / (SOFT_ABOVE_DEGC - TURN_DEGC)
    below = min(1.0, (TURN_DEGC - week_min_degc) / (TURN_DEGC - HARD_BELOW_DEGC))
    return FIRST_SHARE + (1.0 - FIRST_SHARE) * below


def quick_share(mean_degc: float) -> float:
    """Return how far from U to B a day of this mean temperature leads by itself, 0 to 0.7."""
    x = (QUICK_FROM_DEGC - mean_degc) / (QUICK_FROM_DEGC - QUICK_FULL_DEGC)
    return QUICK_SHARE * max(0.0, min(1.0, x))


def _toward(state: float, target: float, tau_days: float) -> float:
    return state + (target - state) * (1.0 - math.exp(-1.0 / tau_days))


def next_day(crop: Crop, state_degc: float, day: DayTemps, week_min_degc: float) -> float:
    """Return the damage temperature [degC] after one more day."""
    soft, hard = crop.unhardened_degc, crop.leaf_damage_degc[1]
    if day.mean_degc > WARM_DAY_DEGC:
        return min(_toward(state_degc, soft, WARMER_TAU_DAYS), state_degc + MOST_LOSS_IN_A_DAY_DEGC)
    quick = soft + quick_share(day.mean_degc) * (hard - soft)
    slow = soft + slow_share(week_min_degc) * (hard - soft)
    if min(quick, slow) > state_degc:  # both say softer
        return _toward(state_degc, min(quick, slow), WARMER_TAU_DAYS)
    reached = state_degc
    if quick < state_degc:
        reached = _toward(state_degc, quick, QUICK_TAU_DAYS)
    if slow < state_degc:
        reached = min(reached, _toward(state_degc, slow, COLDER_TAU_DAYS))
    return reached


def trace(crop: Crop, days: Sequence[DayTemps], start_degc: float | None = None) -> list[tuple[date, float]]:
    """Return (day, damage temperature at its end [degC]) for every known day, oldest first.

    Starts unhardened, the cautious end, unless `start_degc` says otherwise. Days
    that are missing leave the state as it was.
    """
    known = sorted(days, key=lambda d: d.day)
    state = crop.unhardened_degc if start_degc is None else start_degc
    result: list[tuple[date, float]] = []
    for n, day in enumerate(known):
        week = [d.min_degc for d in known[max(0, n - WINDOW_DAYS + 1) : n + 1]]
        recent = [m for m, d in zip(week, known[max(0, n - WINDOW_DAYS + 1) : n + 1], strict=True)
                  if (day.day - d.day).days < WINDOW_DAYS]
        state = next_day(crop, state, day, sum(recent) / len(recent))
        result.append((day.day, state))
    return result


def hardness(crop: Crop, days: Sequence[DayTemps], today: date, start_degc: float | None = None) -> Hardness:
    """Return where leaf damage begins today, from the days before today.

    Without readings the plants count as unhardened.
    """
    past = [d for d in days if d.day < today]
    states = trace(crop, past, start_degc)
    state = states[-1][1] if states else (crop.unhardened_degc if start_degc is None else start_degc)
    known = sum(1 for d in past if (today - d.day).days <= WINDOW_DAYS)
    half = crop.cold_plus_minus_degc + GAP_WIDENS_DEGC * max(0, WINDOW_DAYS - known)
    soft, hard = crop.unhardened_degc, crop.leaf_damage_degc[1]
    share = (soft - state) / (soft - hard) if soft > hard else 1.0
    warm = min(state + half, 0.0)
    return Hardness(state, warm, state - half, max(0.0, min(1.0, share)), known, week_minimum_degc(days, today))


def frost_dose(temps: Iterable[tuple[float, float]], damage_degc: float, longest_gap_s: float = 3600.0) -> float:
    """Return the frost dose [degC h] of (time [s], leaf temperature [degC]) rows under a damage temperature.

    A row counts until the next one, but never longer than `longest_gap_s`: no
    readings are no proof of frost.
    """
    return _dose(temps, lambda t: damage_degc - t, longest_gap_s)


def heat_dose(temps: Iterable[tuple[float, float]], limit_degc: float, longest_gap_s: float = 3600.0) -> float:
    """Return the heat dose [degC h] of (time [s], temperature [degC]) rows over a limit."""
    return _dose(temps, lambda t: t - limit_degc, longest_gap_s)


def _dose(temps: Iterable[tuple[float, float]], over: Callable[[float], float], longest_gap_s: float) -> float:
    rows = sorted(temps)
    total = 0.0
    for (start_s, temp), (end_s, _) in pairwise(rows):
        total += max(0.0, over(temp)) * min(end_s - start_s, longest_gap_s) / 3600.0
    return total


def frost_words(dose_degc_h: float) -> str:
    """Return what a frost dose means, in the words of the guide."""
    if dose_degc_h <= 0.0:
        return "no frost damage expected"
    if dose_degc_h < FROST_URGENT_DEGC_H:
        return "some leaf damage possible"
    if dose_degc_h < FROST_LOSS_DEGC_H:
        return "leaf damage likely"
    return "loss likely"
