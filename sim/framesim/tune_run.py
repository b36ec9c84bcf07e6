"""Carrying out a search: candidates to threads or to Dask, results to a run file from which it can go on.

Results do not depend on who worked them out: every winter is one sequence of steps in one thread, and figures
are rounded far below what matters before anything is decided by them.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import logging
import os
import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from framesim.frame import Frame
from framesim.jit import _digest
from framesim.tune_batch import N_GAINS, DayLimits, Lane, Year
from framesim.tune_space import Settings
from framesim.weather import ARRAY_FIELDS, Weather

Array = NDArray[np.float64]
DIGITS = 6
CHUNK = 8  # candidates in one Dask task
ALL = slice(None)  # years


class TuneError(ValueError):
    """A search that cannot be done as asked, said in one sentence."""


@dataclass(frozen=True)
class YearSpec:
    """One weather year to try candidates on, as it can be sent to another computer."""

    weather: Weather
    from_s: float
    to_s: float
    limits: DayLimits


@dataclass(frozen=True)
class Problem:
    """A frame and its weather years."""

    frame: Frame
    years: tuple[YearSpec, ...]

    @property
    def digest(self) -> str:
        """A short word that changes with anything that changes the results."""
        seen = hashlib.sha256(_digest().encode())  # of the kernel's source
        seen.update(np.ascontiguousarray(self.frame.parameters).tobytes())
        for year in self.years:
            for name in ARRAY_FIELDS:
                seen.update(np.ascontiguousarray(getattr(year.weather, name)).tobytes())
            seen.update(np.ascontiguousarray(year.limits.table).tobytes())
            seen.update(repr((year.from_s, year.to_s, year.weather.lat, year.weather.lon)).encode())
        return seen.hexdigest()[:16]


class Bench:
    """A problem made ready to run: driver rows once, scratch for each thread."""

    def __init__(self, problem: Problem) -> None:
        self.years = [Year(problem.frame, y.weather, y.from_s, y.to_s, y.limits) for y in problem.years]
        self._local = threading.local()

    def winters(self, settings: Settings, fine: bool = False, years: slice = ALL) -> Array:
        """Gains of these years under these settings, shape (years, N_GAINS)."""
        lanes: list[Lane] | None = getattr(self._local, "lanes", None)
        if lanes is None:
            lanes = self._local.lanes = [year.lane() for year in self.years]
        return np.round(np.array([lane.run(settings, fine) for lane in lanes[years]]).reshape(-1, N_GAINS), DIGITS)


class Workers(Protocol):
    """Whoever works candidates out."""

    def run(
        self, todo: Sequence[tuple[int, Settings]], fine: bool = False, years: slice = ALL
    ) -> Iterator[tuple[int, Array]]:
        """Give (number, gains of these years) in any order."""

    def close(self) -> None:
        """Let them go."""


class Threads:
    """Threads of this computer; the compiled loop lets them run side by side."""

    def __init__(self, problem: Problem, cores: int | None = None) -> None:
        self.bench = Bench(problem)
        self.cores = max(1, cores or os.cpu_count() or 1)
        self._pool = ThreadPoolExecutor(self.cores)
        self._compiled = False

    def run(
        self, todo: Sequence[tuple[int, Settings]], fine: bool = False, years: slice = ALL
    ) -> Iterator[tuple[int, Array]]:
        """See Workers."""
        rest = list(todo)
        if rest and not self._compiled:
            number, settings = rest.pop(0)
            yield number, self.bench.winters(settings, fine, years)  # compiles; two threads would do it twice
            self._compiled = True
        waiting = {self._pool.submit(self.bench.winters, settings, fine, years): number for number, settings in rest}
        try:
            for done in as_completed(waiting):
                yield waiting[done], done.result()
        finally:
            for task in waiting:
                task.cancel()

    def close(self) -> None:
        """See Workers."""
        self._pool.shutdown(cancel_futures=True)


_BENCHES: dict[str, Bench] = {}
_MAKING = threading.Lock()


def _on_worker(
    problem: Problem, digest: str, chunk: Sequence[tuple[int, Settings]], fine: bool, years: slice
) -> list[tuple[int, list[list[float]]]]:
    """Work a few candidates out in a Dask worker; what the problem needs is made once a process."""
    with _MAKING:
        if digest not in _BENCHES:
            _BENCHES.clear()
            bench = Bench(problem)
            bench.winters(chunk[0][1], years=slice(0, 1))  # compile under the lock
            _BENCHES[digest] = bench
    return [(number, _BENCHES[digest].winters(settings, fine, years).tolist()) for number, settings in chunk]


class Dask:
    """Workers of a Dask cluster: its scheduler's address, or "local" for processes on this computer."""

    def __init__(self, problem: Problem, address: str, cores: int | None = None) -> None:
        try:
            dask: Any = importlib.import_module("distributed")
        except ModuleNotFoundError:
            raise TuneError(
                "--dask needs the package distributed, which is not installed. "
                "Install it with: pip install 'sashkeeper[club]'. Nothing was run."
            ) from None
        self._cluster: Any = None
        target: Any = address
        if address == "local":
            self._cluster = target = dask.LocalCluster(
                n_workers=max(1, cores or os.cpu_count() or 1), threads_per_worker=1, dashboard_address=None,
                host="127.0.0.1", silence_logs=logging.ERROR,
            )  # fmt: skip
        try:
            self._client: Any = dask.Client(target, timeout="15s")
        except (OSError, TimeoutError, ValueError) as fault:
            raise TuneError(f"No Dask scheduler answers at {address}: {fault}. Nothing was run.") from fault
        self._finished = dask.as_completed
        self._digest = problem.digest
        self._problem = self._client.scatter(problem, broadcast=True)

    def run(
        self, todo: Sequence[tuple[int, Settings]], fine: bool = False, years: slice = ALL
    ) -> Iterator[tuple[int, Array]]:
        """See Workers."""
        chunks = [list(todo[n : n + CHUNK]) for n in range(0, len(todo), CHUNK)]
        tasks = [
            self._client.submit(_on_worker, self._problem, self._digest, chunk, fine, years, pure=False)
            for chunk in chunks
        ]
        try:
            for done in self._finished(tasks):
                for number, gains in done.result():
                    yield number, np.array(gains)
        finally:
            self._client.cancel(tasks)

    def close(self) -> None:
        """See Workers."""
        with suppress(Exception):
            self._client.close()
        if self._cluster is not None:
            self._cluster.close()


class RunFile:
    """Results as they come, one JSON line each, so that a search can be broken off and go on."""

    HEAD = "sashkeeper_tune"

    def __init__(self, path: Path | None, key: str, fresh: bool = False) -> None:
        """key: tells one search from another. Raises TuneError when the file belongs to another search."""
        self.known: dict[str, Array] = {}
        self._out: IO[str] | None = None
        if path is None:
            return
        try:
            if not fresh and path.exists():
                self._read(path, key)
            # Written anew, so that a line which a broken run left half-written is gone.
            part = path.with_name(path.name + ".part")
            part.write_text("".join(self._lines(key)), encoding="utf-8")
            os.replace(part, path)
            self._out = path.open("a", encoding="utf-8")
        except OSError as fault:
            raise TuneError(f"The run file {path} cannot be used: {fault.strerror}. Nothing was run.") from fault

    def _read(self, path: Path, key: str) -> None:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        head = _json(lines[0]) if lines else None
        if not isinstance(head, dict) or self.HEAD not in head:
            raise TuneError(f"{path} is not a run file of a search. Give another name with --run. Nothing was run.")
        if head[self.HEAD] != key:
            raise TuneError(
                f"{path} belongs to another search (other frame, crops, weather, seed or version). Give another name "
                "with --run, or start over with --fresh. Nothing was run."
            )
        for line in lines[1:]:
            row = _json(line)
            if isinstance(row, dict) and isinstance(row.get("settings"), str) and isinstance(row.get("gains"), list):
                self.known[row["settings"]] = np.array(row["gains"], dtype=np.float64)

    def _lines(self, key: str) -> Iterable[str]:
        yield json.dumps({self.HEAD: key}) + "\n"
        for word, gains in self.known.items():
            yield _line(word, gains)

    def keep(self, word: str, gains: Array) -> None:
        """Remember a result."""
        self.known[word] = gains
        if self._out is not None:
            self._out.write(_line(word, gains))
            self._out.flush()

    def close(self) -> None:
        """Close the file."""
        if self._out is not None:
            self._out.close()
            self._out = None


def _line(word: str, gains: Array) -> str:
    return json.dumps({"settings": word, "gains": gains.tolist()}) + "\n"


def _json(line: str) -> Any:
    try:
        return json.loads(line)
    except json.JSONDecodeError:
        return None
