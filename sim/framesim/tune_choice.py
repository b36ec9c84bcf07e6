"""Which candidate is worth changing to: what harm and gain are worth, and when a change is safe enough.

Harm comes in a few hours of a few days, so a change that is good on average may still be worse in the next winter.
Two things guard against it: every year in which a candidate is worse costs dear, so that one which gains a little
less but nearly always is preferred; and what is recommended may be worse in one year of twenty at most, and there by
less than what matters. docs/tuning.md tells how the prices were found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framesim import tune_batch as batch
from framesim.tune_space import Settings

Array = NDArray[np.float64]

# What is traded, all counted so that less is better, in the order of `costs`.
COSTS = ("heat_kh", "frost_kh", "growing_h", "moves", "battery_mah_day")
# What one unit is worth in growing hours; chosen. A kelvin hour of frost below the damage point costs leaves,
# one of heat above the comfort limit costs growth and quality, moves wear the drive.
WORTH = {"heat_kh": 1.0, "frost_kh": 2.0, "growing_h": -1.0, "moves": 0.02, "battery_mah_day": 0.5}
# What no year may have more of, growing hours less of.
HARM = ("heat_kh", "frost_kh", "growing_h")
ROUNDING = 0.05  # kelvin hours or hours that are rounding
# The least difference in a winter's harm or growing light that matters: one kelvin hour or hour, or 2 % of what it is
# now; chosen.
LEAST, LEAST_SHARE = 1.0, 0.02
# Prices of being worse, in growing hours: if it were so in every year, and for each unit by which; chosen.
WORSE_YEARS, WORSE_BY = 200.0, 20.0
MOST_WORSE = 0.05  # share of the years in which a recommendation may be worse; chosen


@dataclass(frozen=True)
class Motor:
    """What a move takes: running current [mA], full travel [s], and a start at stall current [mA] for start_s [s].

    Defaults are those of a frame's fittings; the length of the start is chosen.
    """

    run_ma: float = 300.0
    travel_s: float = 40.0
    stall_ma: float = 3000.0
    start_s: float = 0.3

    def mah(self, strokes: Array, moves: Array) -> Array:
        """Charge drawn [mAh] by full strokes of travel and starts."""
        return (strokes * self.travel_s * self.run_ma + moves * self.start_s * self.stall_ma) / 3600.0


@dataclass(frozen=True)
class Candidate:
    """Settings and what they gave: gains (years, N_GAINS); fine: worked out in fine steps."""

    settings: Settings
    gains: Array
    days: float
    motor: Motor = Motor()
    fine: bool = False

    def figures(self) -> dict[str, Array]:
        """Figures by name, one value a year."""
        found = {name: self.gains[:, k] for k, name in enumerate(batch.GAINS)}
        mah = self.motor.mah(found["strokes"], found["moves"])
        return {**found, "battery_mah_day": mah / self.days}

    def with_years(self, more: Candidate) -> Candidate:
        """The same settings over these years and those of another."""
        return replace(self, gains=np.concatenate([self.gains, more.gains]))

    def mean(self, name: str) -> float:
        """Mean over the years."""
        return float(self.figures()[name].mean())

    def costs(self) -> Array:
        """Means in the order of COSTS, growing hours with a minus."""
        found = self.figures()
        return np.array([-found[n].mean() if n == "growing_h" else found[n].mean() for n in COSTS])


def loss(candidate: Candidate) -> float:
    """What a candidate costs, in growing hours; see WORTH."""
    return sum(worth * candidate.mean(name) for name, worth in WORTH.items())


def worse_by(one: Candidate, before: Candidate) -> dict[str, Array]:
    """By how much one is worse than another in each year; negative where it is better."""
    mine, theirs = one.figures(), before.figures()
    return {n: (theirs[n] - mine[n]) if n == "growing_h" else (mine[n] - theirs[n]) for n in WORTH}


def good_years(one: Candidate, before: Candidate, part: float = 1.0) -> NDArray[np.bool_]:
    """In which years a candidate harms no more and grows no less.

    part: of the least difference that matters; 0: by no more than rounding.
    """
    worse, now = worse_by(one, before), before.figures()
    least = {n: part * np.maximum(LEAST, LEAST_SHARE * now[n]) for n in HARM}
    found: NDArray[np.bool_] = np.all([worse[n] <= np.maximum(least[n], ROUNDING) for n in HARM], axis=0)
    return found


def worse_years(one: Candidate, before: Candidate) -> int:
    """In how many years a candidate is worse in anything, be it by ever so little."""
    return int(np.count_nonzero(~good_years(one, before, 0.0)))


def score(one: Candidate, before: Candidate) -> float:
    """What changing costs, in growing hours: mean loss, and the prices of years that are worse. Negative: a gain."""
    worse = worse_by(one, before)
    beyond = sum(abs(WORTH[n]) * float(np.maximum(worse[n] - ROUNDING, 0.0).mean()) for n in HARM)
    share = worse_years(one, before) / len(one.gains)
    return loss(one) - loss(before) + WORSE_YEARS * share + WORSE_BY * beyond


def safe(one: Candidate, before: Candidate) -> bool:
    """Whether a candidate may be recommended: hardly ever worse, and never by what matters."""
    few = worse_years(one, before) <= int(MOST_WORSE * len(one.gains))
    return few and bool(np.all(good_years(one, before)))


GAIN_WORDS = {
    "heat_kh": "less heat at the leaves",
    "frost_kh": "less frost at the leaves",
    "growing_h": "more hours in the growing band",
    "moves": "fewer moves of the lid",
    "battery_mah_day": "less drawn from the battery",
}


def reason(best: Candidate, before: Candidate, kept: Sequence[Candidate], looked: int) -> str:
    """Why it was chosen: among how many, what it gains most, in how many years it was worse."""
    gain = {name: worth * (before.mean(name) - best.mean(name)) for name, worth in WORTH.items()}
    most = max(gain, key=lambda name: gain[name])
    bad, years = worse_years(best, before), len(best.gains)
    trust = f"in {bad} of {years} years a little worse in something" if bad else f"worse in nothing in {years} years"
    return (
        f"of the {looked} most promising ones, worked out finely, {len(kept)} proved safe to change to; of those this "
        f"one gains most for its risk ({trust}), above all {GAIN_WORDS[most]}"
    )
