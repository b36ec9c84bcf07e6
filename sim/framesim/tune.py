"""The search for settings of the lid law: which opening, closing, stages, dwell and evening close serve best.

    found = search(problem, base, candidates=500, seed=1)
    found.best                    # the recommended candidate
    found.front                   # those that no other beats in everything

A quarter of the candidates are spread over the whole space; the rest are children of the best so far and of what is
set now. A candidate is judged on the mean over the weather years. The few best are run again in fine steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framesim import tune_batch as batch
from framesim.tune_run import Problem, RunFile, Threads, TuneError, Workers, YearSpec
from framesim.tune_space import SEARCHED, Genome, Settings, children, front, genome_of, settings_of, spread

__all__ = [
    "Candidate", "Motor", "Problem", "Search", "TuneError", "YearSpec", "compare", "good_years", "loss", "search",
]  # fmt: skip

Array = NDArray[np.float64]

GENERATIONS = 6
SPREAD_SHARE = 0.25  # of the candidates, over the whole space; chosen
# So many of the most promising are worked out in fine steps at a time, until some of them do no worse in every year,
# in so many rounds at most: quick steps are a few percent off, which is more than the tolerance. Chosen.
SHORTLIST, ROUNDS, ENOUGH = 16, 6, 3
VERSION = 3  # raise when results of an older run file must not be used any more

# What is traded, all counted so that less is better, in the order of `costs`.
COSTS = ("heat_kh", "frost_kh", "growing_h", "moves", "battery_mah_day")
# What one unit is worth in growing hours; chosen. A kelvin hour of frost below the damage point costs leaves,
# one of heat above the comfort limit costs growth and quality, moves wear the drive.
WORTH = {"heat_kh": 1.0, "frost_kh": 2.0, "growing_h": -1.0, "moves": 0.02, "battery_mah_day": 0.5}
# What no year may have more of, growing hours less of.
HARM = ("heat_kh", "frost_kh", "growing_h")
ROUNDING = 0.05  # kelvin hours or hours that are rounding
# The least difference in a winter's harm or growing light that matters: one kelvin hour or hour, or 2 % of what it is
# now; chosen. Years tuned on may be worse by half of it: the other half is for years that were not tried
# (docs/tuning.md tells how that half was found).
LEAST, LEAST_SHARE, TRIED_PART = 1.0, 0.02, 0.5
# How much dearer harm counts while the search goes on, where a year would be worse off than now; chosen.
REGRET = 5.0


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

    def mean(self, name: str) -> float:
        """Mean over the years."""
        return float(self.figures()[name].mean())

    def costs(self) -> Array:
        """Means in the order of COSTS, growing hours with a minus."""
        found = self.figures()
        return np.array([-found[n].mean() if n == "growing_h" else found[n].mean() for n in COSTS])


@dataclass(frozen=True)
class Search:
    """What a search found. before and best are worked out in fine steps; reason: why best was chosen."""

    before: Candidate
    best: Candidate
    front: list[Candidate]
    tried: list[Candidate]
    reason: str
    winters: int


def loss(candidate: Candidate) -> float:
    """What a candidate costs, in growing hours; see WORTH."""
    return sum(worth * candidate.mean(name) for name, worth in WORTH.items())


def _worse(one: Candidate, before: Candidate) -> dict[str, Array]:
    """By how much one is worse than another in each year; negative where it is better."""
    mine, theirs = one.figures(), before.figures()
    return {n: (theirs[n] - mine[n]) if n == "growing_h" else (mine[n] - theirs[n]) for n in WORTH}


def matters(before: Candidate) -> dict[str, Array]:
    """The least differences that matter, in each year, by figure."""
    now = before.figures()
    return {n: np.maximum(LEAST, LEAST_SHARE * now[n]) for n in HARM}


def good_years(one: Candidate, before: Candidate, part: float = 1.0) -> NDArray[np.bool_]:
    """In which years a candidate harms no more and grows no less.

    part: of the least difference that matters; 0: by no more than rounding.
    """
    worse, least = _worse(one, before), matters(before)
    beyond = np.array([worse[n] - np.maximum(part * least[n], ROUNDING) for n in HARM])
    found: NDArray[np.bool_] = np.all(beyond <= 0.0, axis=0)
    return found


def no_worse(one: Candidate, before: Candidate, part: float = 1.0) -> bool:
    """Whether a candidate harms no more and grows no less in any year, and moves no more on average."""
    return bool(np.all(good_years(one, before, part))) and float(_worse(one, before)["moves"].mean()) <= 0.0


def regret(one: Candidate, before: Candidate) -> float:
    """What makes a candidate one that nobody would want to change to, in growing hours."""
    worse, least = _worse(one, before), matters(before)
    beyond = {n: worse[n] - TRIED_PART * least[n] if n in HARM else worse[n] for n in WORTH}
    return REGRET * sum(abs(WORTH[n]) * float(np.maximum(beyond[n], 0.0).mean()) for n in WORTH)


def search(
    problem: Problem,
    base: Mapping[str, int],
    *,
    candidates: int = 500,
    seed: int = 1,
    workers: Workers | None = None,
    run_file: Path | None = None,
    fresh: bool = False,
    motor: Motor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Search:
    """Search around full settings `base` (what is in force, and what is not searched) and choose.

    progress(done, of) is told after every candidate. Broken off, a search goes on from its run file and ends
    in the same result. Raises TuneError.
    """
    if candidates < 2 * GENERATIONS:
        raise TuneError(f"{candidates} candidates are too few to search with. Give at least {2 * GENERATIONS}.")
    mine = workers or Threads(problem)
    key = f"{VERSION} {problem.digest} seed {seed} of {candidates} {sorted(base.items())}"
    kept = RunFile(run_file, key, fresh)
    days = (problem.years[0].to_s - problem.years[0].from_s) / 86400.0
    desk = _Desk(mine, kept, days, motor or Motor(), candidates + SHORTLIST + 1, progress or (lambda done, of: None))
    try:
        now = desk.work([dict(base)])[0]
        return _choose(desk, now, _generations(desk, now, candidates, seed))
    finally:
        kept.close()
        if workers is None:
            mine.close()


class _Desk:
    """Hands candidates out, takes gains in, tells the progress."""

    def __init__(
        self,
        workers: Workers,
        kept: RunFile,
        days: float,
        motor: Motor,
        total: int,
        progress: Callable[[int, int], None],
    ) -> None:
        self.workers, self.kept, self.days, self.motor = workers, kept, days, motor
        self.total, self.progress, self.done = total, progress, 0
        self.winters = 0

    def work(self, wanted: Sequence[Settings], fine: bool = False) -> list[Candidate]:
        """Gains of all these settings, in their order; what the run file knows already is not done again."""
        words = [_word(settings, fine) for settings in wanted]
        todo = [(n, s) for n, s in enumerate(wanted) if words[n] not in self.kept.known]
        self._tell(len(wanted) - len(todo))
        for number, gains in self.workers.run(todo, fine):
            self.kept.keep(words[number], gains)
            self.winters += len(gains)
            self._tell(1)
        known = self.kept.known
        return [Candidate(s, known[w], self.days, self.motor, fine) for s, w in zip(wanted, words, strict=True)]

    def _tell(self, count: int) -> None:
        self.done += count
        self.progress(min(self.done, self.total), self.total)


def _word(settings: Settings, fine: bool) -> str:
    return ("fine " if fine else "") + " ".join(str(settings[name]) for name in SEARCHED)


def _generations(desk: _Desk, now: Candidate, candidates: int, seed: int) -> list[Candidate]:
    first = int(SPREAD_SHARE * candidates)
    later = (candidates - first) // GENERATIONS
    genomes = spread(first, seed)
    seen = set(genomes)
    tried: list[tuple[Genome, Candidate]] = []
    for generation in range(GENERATIONS + 1):
        if generation:
            genomes = children(_parents(tried, now), later, seed, generation, seen)
        fitting = [(g, s) for g in genomes if (s := settings_of(g, now.settings)) is not None]
        tried += zip([g for g, _ in fitting], desk.work([s for _, s in fitting]), strict=True)
    return [candidate for _, candidate in tried]


def _parents(tried: Sequence[tuple[Genome, Candidate]], now: Candidate) -> list[Genome]:
    """What is worth having children: what one would most like to change to, and the best quarter of the front."""
    value = [loss(c) + regret(c, now) for _, c in tried]
    order = sorted(range(len(tried)), key=lambda n: (value[n], tried[n][0]))
    best = set(order[: len(tried) // 4]) & set(front(np.array([c.costs() for _, c in tried])))
    few = order[: max(4, len(tried) // 16)]
    # The very best, and what is set now, have children more often than those that are only good.
    often = [tried[n][0] for n in order[:4]] + [genome_of(now.settings)] * 2
    return [tried[n][0] for n in sorted({*few, *best})] + often * (1 + len(few) // 6)


def _choose(desk: _Desk, now: Candidate, tried: list[Candidate]) -> Search:
    shown = [tried[n] for n in front(np.array([c.costs() for c in tried]))]
    listed = sorted(tried, key=lambda c: loss(c) + regret(c, now))[: ROUNDS * SHORTLIST]
    before = desk.work([now.settings], fine=True)[0]
    fine: list[Candidate] = []
    kept: list[Candidate] = []
    for first in range(0, len(listed), SHORTLIST):
        fine += desk.work([c.settings for c in listed[first : first + SHORTLIST]], fine=True)
        kept = [c for c in fine if no_worse(c, before, TRIED_PART)]
        if len(kept) >= ENOUGH:
            break
    if not kept:
        reason = "nothing that was tried does no worse than what is set now in every year"
        return Search(before, before, shown, tried, reason, desk.winters)
    best = min(kept, key=loss)
    if loss(best) >= loss(before):
        return Search(before, before, shown, tried, "what is set now is as good as anything tried", desk.winters)
    return Search(before, best, shown, tried, _reason(best, before, len(fine), len(kept)), desk.winters)


def _reason(best: Candidate, before: Candidate, listed: int, kept: int) -> str:
    gain = {name: worth * (before.mean(name) - best.mean(name)) for name, worth in WORTH.items()}
    most = max(gain, key=lambda name: gain[name])
    words = {
        "heat_kh": "less heat at the leaves",
        "frost_kh": "less frost at the leaves",
        "growing_h": "more hours in the growing band",
        "moves": "fewer moves of the lid",
        "battery_mah_day": "less drawn from the battery",
    }
    return (
        f"of the {listed} most promising ones, worked out finely, {kept} do no worse than what is set now in any year; "
        f"of those this one gains most, above all {words[most]}"
    )


def compare(problem: Problem, sets: Sequence[Settings], motor: Motor | None = None) -> list[Candidate]:
    """Run full settings through the years of a problem in fine steps, on this computer; for years held back."""
    days = (problem.years[0].to_s - problem.years[0].from_s) / 86400.0
    workers = Threads(problem)
    try:
        found = dict(workers.run(list(enumerate(sets)), fine=True))
    finally:
        workers.close()
    return [Candidate(dict(s), found[n], days, motor or Motor(), True) for n, s in enumerate(sets)]
