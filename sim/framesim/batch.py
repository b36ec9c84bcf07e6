"""Many frames or rules through the same weather, on all cores, without hourly tables.

Threads share the weather rows; each has its own light rows and scratch. Summaries are
written straight into one table, so 4,096 winters need little more memory than one a core.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesim import season_loop
from framesim.drivers import Drivers
from framesim.frame import Frame
from framesim.policies import Policy
from framesim.season import SeasonResult, SeasonRunner
from framesim.weather import Weather

Array = NDArray[np.float64]


@dataclass
class BatchResult:
    """Statistics of many winters: stats (n, N_STATS) in the slots of season_loop, leaf hours (n, 2, BINS)."""

    stats: Array
    leaf_hours: Array

    def __len__(self) -> int:
        return len(self.stats)

    def season(self, index: int) -> SeasonResult:
        """One winter as a SeasonResult without hourly table and energy account."""
        return SeasonResult(
            frame=str(index),
            lid="",
            from_s=0.0,
            to_s=0.0,
            step_s=0.0,
            utc_offset_h=0.0,
            stats=self.stats[index],
            leaf_hours=self.leaf_hours[index],
            energy_j={},
        )


def run_batch(
    frames: Sequence[Frame] | Sequence[Array],
    weather: Weather,
    policies: Policy | Sequence[Policy],
    from_s: float | None = None,
    to_s: float | None = None,
    step_s: float = 60.0,
    threads: int | None = None,
    progress: bool = False,
    each: Callable[[int, SeasonRunner], None] | None = None,
) -> BatchResult:
    """Run every frame (or parameter array) under its rule; one rule serves all where one is given.

    progress shows a bar; `each(index, runner)` is called in the worker thread after every winter.
    A single frame with many rules is also taken: the longer list sets the number of winters.
    """
    rules = [policies] if isinstance(policies, Policy) else list(policies)
    count = max(len(frames), len(rules))
    if not frames or not rules or count % len(frames) or count % len(rules):
        raise ValueError(f"{len(frames)} frames and {len(rules)} rules cannot be paired.")
    job = _Job(frames, rules, weather, (from_s, to_s, step_s), each)
    result = BatchResult(
        np.zeros((count, season_loop.N_STATS)), np.zeros((count, 2, season_loop.BINS), dtype=np.float64)
    )
    workers = max(1, min(count, threads or os.cpu_count() or 1))
    job.run_one(0, result)  # compiles, and fills the weather rows that all threads share
    with ThreadPoolExecutor(workers) as pool, _bar(count, progress) as bar:
        bar.update(1)
        for _ in pool.map(lambda index: job.run_one(index, result), range(1, count)):
            bar.update(1)
    return result


class _Job:
    """What the threads of one batch share, and a runner for each of them."""

    def __init__(
        self,
        frames: Sequence[Frame] | Sequence[Array],
        rules: Sequence[Policy],
        weather: Weather,
        when: tuple[float | None, float | None, float],
        each: Callable[[int, SeasonRunner], None] | None,
    ) -> None:
        self.frames, self.rules, self.weather, self.when, self.each = frames, rules, weather, when, each
        self.local = threading.local()
        self.shared: Drivers | None = None

    def run_one(self, index: int, result: BatchResult) -> None:
        frame = self.frames[index % len(self.frames)]
        parameters = frame.parameters if isinstance(frame, Frame) else np.ascontiguousarray(frame, dtype=np.float64)
        runner = self._runner(parameters)
        runner.run(parameters, self.rules[index % len(self.rules)])
        result.stats[index] = runner.stats
        result.leaf_hours[index] = runner.leaf
        if self.each is not None:
            self.each(index, runner)

    def _runner(self, parameters: Array) -> SeasonRunner:
        runner: SeasonRunner | None = getattr(self.local, "runner", None)
        if runner is None:
            runner = SeasonRunner(self.weather, *self.when)
            runner.drivers = Drivers(self.weather, parameters, self.shared)
            self.shared = self.shared or runner.drivers
            self.local.runner = runner
        return runner


class _NoBar:
    def __enter__(self) -> _NoBar:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def update(self, _: int) -> None:
        """Show nothing."""


def _bar(count: int, wanted: bool) -> Any:
    if not wanted:
        return _NoBar()
    from tqdm import tqdm

    return tqdm(total=count, unit="winter", leave=False)
