"""The search for settings of the lid law: which opening, closing, stages, dwell and evening close serve best.

    found = search(problem, base, candidates=500, seed=1)
    found.best                    # the recommended candidate
    found.front                   # those that no other beats in everything

A race: every candidate runs through a few weather years, the promising ones through all of them, and the few best
once more in fine steps. Some candidates are spread over the whole space; the rest are children of the best so far and
of what is set now. What is best, and what is safe to change to, is said in tune_choice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framesim.tune_choice import Candidate, Motor, good_years, loss, reason, safe, score, worse_years
from framesim.tune_run import ALL, Problem, RunFile, Threads, TuneError, Workers, YearSpec
from framesim.tune_space import SEARCHED, Genome, Settings, children, front, genome_of, settings_of, spread

__all__ = [
    "Candidate", "Motor", "Problem", "Search", "TuneError", "YearSpec", "compare", "good_years", "loss", "safe",
    "score", "search", "worse_years",
]  # fmt: skip

Array = NDArray[np.float64]

# All chosen; docs/tuning.md tells with what they were tried.
GENERATIONS = 8
SPREAD_PART = 8  # one candidate in so many is spread over the whole space
FIRST_YEARS = 6  # that every candidate runs through
PROMISING, PART = 16, 6  # so many at least, or one in so many, may go on to all years
PARENTS, OFTEN = 16, 4  # the best so far that have children, and the very best that have them more often
# So many of the best are worked out in fine steps at a time, in so many rounds at most, until one of them is safe:
# quick steps are a few percent off.
SHORTLIST, ROUNDS = 8, 3
VERSION = 4  # raise when results of an older run file must not be used any more


@dataclass(frozen=True)
class Search:
    """What a search found.

    before, best  in fine steps, all years
    tried         those that ran through all years, in quick steps; front: those of them that no other beats
    looked        how many candidates there were; winters: how many winters were worked out
    reason        why best was chosen, or why nothing is recommended (best is before then)
    """

    before: Candidate
    best: Candidate
    front: list[Candidate]
    tried: list[Candidate]
    looked: int
    reason: str
    winters: int


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

    progress(done, of) is told after every winter or few. Broken off, a search goes on from its run file and ends
    in the same result. Raises TuneError.
    """
    if candidates < 2 * GENERATIONS:
        raise TuneError(f"{candidates} candidates are too few to search with. Give at least {2 * GENERATIONS}.")
    mine = workers or Threads(problem)
    key = f"{VERSION} {problem.digest} seed {seed} of {candidates} {sorted(base.items())}"
    kept = RunFile(run_file, key, fresh)
    desk = _Desk(problem, mine, kept, motor or Motor(), progress or (lambda done, of: None), candidates)
    try:
        return _choose(desk, *_race(desk, dict(base), candidates, seed))
    finally:
        kept.close()
        if workers is None:
            mine.close()


class _Desk:
    """Hands candidates out, takes gains in, tells the progress."""

    def __init__(
        self,
        problem: Problem,
        workers: Workers,
        kept: RunFile,
        motor: Motor,
        progress: Callable[[int, int], None],
        candidates: int,
    ) -> None:
        self.workers, self.kept, self.motor, self.progress = workers, kept, motor, progress
        self.years = len(problem.years)
        self.days = (problem.years[0].to_s - problem.years[0].from_s) / 86400.0
        # Two years more are no race.
        self.first = slice(0, FIRST_YEARS) if self.years > FIRST_YEARS + 2 else ALL
        self.rest = slice(FIRST_YEARS, self.years) if self.first != ALL else None
        count = self.years if self.rest is None else FIRST_YEARS
        more = sum(_going_on(candidates, n) for n in range(GENERATIONS + 1)) if self.rest else 0
        self.total = (candidates + 1) * count + (more + 1) * (self.years - count) + (SHORTLIST + 1) * self.years
        self.done = self.winters = 0

    def work(self, wanted: Sequence[Settings], fine: bool = False, years: slice = ALL) -> list[Candidate]:
        """Gains of all these settings, in their order; what the run file knows already is not done again."""
        words = [_word(settings, fine, years) for settings in wanted]
        todo = [(n, s) for n, s in enumerate(wanted) if words[n] not in self.kept.known]
        each = len(range(self.years)[years])
        self._tell((len(wanted) - len(todo)) * each)
        for number, gains in self.workers.run(todo, fine, years):
            self.kept.keep(words[number], gains)
            self.winters += len(gains)
            self._tell(each)
        known = self.kept.known
        return [Candidate(s, known[w], self.days, self.motor, fine) for s, w in zip(wanted, words, strict=True)]

    def go_on(self, some: Sequence[Candidate]) -> list[Candidate]:
        """What has run through the first years, through all of them."""
        if self.rest is None:
            return list(some)
        more = self.work([c.settings for c in some], years=self.rest)
        return [one.with_years(other) for one, other in zip(some, more, strict=True)]

    def _tell(self, count: int) -> None:
        self.done += count
        self.progress(min(self.done, self.total), self.total)


def _word(settings: Settings, fine: bool, years: slice) -> str:
    what = "fine " if fine else ""
    which = "" if years == ALL else f"{years.start}:{years.stop} "
    return what + which + " ".join(str(settings[name]) for name in SEARCHED)


def _counts(candidates: int) -> tuple[int, int]:
    """Candidates of the first generation, and of each later one."""
    first = candidates // SPREAD_PART
    return first, (candidates - first) // GENERATIONS


def _going_on(candidates: int, generation: int) -> int:
    """How many may go on to all years after a generation."""
    first, later = _counts(candidates)
    return min(max(PROMISING, later // 4), later if generation else first)


def _race(desk: _Desk, base: Settings, candidates: int, seed: int) -> tuple[Candidate, list[Candidate], int]:
    """Run the generations; return what is set now and all that ran through all years, the best first, and a count."""
    now_first = desk.work([base], years=desk.first)[0]
    now = desk.go_on([now_first])[0]
    home = genome_of(base)
    first, later = _counts(candidates)
    genomes = spread(first, seed)
    seen = {*genomes, home}
    few: dict[Genome, Candidate] = {}  # on the first years
    full: dict[Genome, Candidate] = {}  # on all
    for generation in range(GENERATIONS + 1):
        if generation:
            genomes = children(_parents(full, now, home, generation), later, seed, generation, seen)
        fitting = [(g, s) for g in genomes if (s := settings_of(g, base)) is not None]
        done = desk.work([s for _, s in fitting], years=desk.first)
        few |= {g: c for (g, _), c in zip(fitting, done, strict=True)}
        ahead = _ranked(few, now_first)[: max(PROMISING, len(few) // PART)]
        news = [g for g in ahead if g not in full][: _going_on(candidates, generation)]
        full |= dict(zip(news, desk.go_on([few[g] for g in news]), strict=True))
    return now, [full[g] for g in _ranked(full, now)], len(few)


def _ranked(some: Mapping[Genome, Candidate], now: Candidate) -> list[Genome]:
    price = {g: score(c, now) for g, c in some.items()}
    return sorted(some, key=lambda g: (price[g], g))


def _parents(full: Mapping[Genome, Candidate], now: Candidate, home: Genome, generation: int) -> list[Genome]:
    """The best so far, the very best more often, and what is set now: at first as often as all others together."""
    best = _ranked(full, now)
    return best[:PARENTS] + best[:OFTEN] * 2 + [home] * (PARENTS if generation == 1 else OFTEN)


def _choose(desk: _Desk, now: Candidate, ranked: list[Candidate], looked: int) -> Search:
    shown = [ranked[n] for n in front(np.array([c.costs() for c in ranked]))]
    before = desk.work([now.settings], fine=True)[0]

    def found(best: Candidate, why: str) -> Search:
        return Search(before, best, shown, ranked, looked, why, desk.winters)

    fine: list[Candidate] = []
    for first in range(0, min(len(ranked), ROUNDS * SHORTLIST), SHORTLIST):
        fine += desk.work([c.settings for c in ranked[first : first + SHORTLIST]], fine=True)
        kept = [c for c in fine if safe(c, before)]
        if kept:
            break
    else:
        return found(before, "nothing that was tried is safe enough to change to")
    best = min(kept, key=lambda c: score(c, before))
    if score(best, before) >= 0.0:
        return found(before, "what is set now is as good as anything tried")
    return found(best, reason(best, before, kept, len(fine)))


def compare(problem: Problem, sets: Sequence[Settings], motor: Motor | None = None) -> list[Candidate]:
    """Run full settings through the years of a problem in fine steps, on this computer; for years held back."""
    days = (problem.years[0].to_s - problem.years[0].from_s) / 86400.0
    workers = Threads(problem)
    try:
        found = dict(workers.run(list(enumerate(sets)), fine=True))
    finally:
        workers.close()
    return [Candidate(dict(s), found[n], days, motor or Motor(), True) for n, s in enumerate(sets)]
