"""One measured figure, and how to measure it fairly."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol


class Skipped(Exception):
    """This bench cannot run here; the text says why."""


class Bench(Protocol):
    """A bench module."""

    def figures(self) -> Sequence[Figure]:
        """Measure."""


@dataclass(frozen=True)
class Figure:
    """A value, what it is compared with in the same run, and the aim for their ratio.

    ratio: value over baseline. at_most, at_least: the aim for the ratio (or for the value without a baseline).
    """

    name: str
    value: float
    unit: str
    baseline: float | None = None
    at_most: float | None = None
    at_least: float | None = None
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """Value over baseline."""
        return None if not self.baseline else self.value / self.baseline

    @property
    def met(self) -> bool | None:
        """Whether the aim is met; None without an aim."""
        judged = self.value if self.ratio is None else self.ratio
        if self.at_most is None and self.at_least is None:
            return None
        return (self.at_most is None or judged <= self.at_most) and (
            self.at_least is None or judged >= self.at_least
        )

    def line(self) -> dict[str, Any]:
        """What is printed."""
        line: dict[str, Any] = {
            "name": self.name,
            "value": _short(self.value),
            "unit": self.unit,
            "baseline": _short(self.baseline),
            "ratio": _short(self.ratio),
        }
        if self.met is not None:
            aim = [f"at most {self.at_most:g}"] if self.at_most is not None else []
            aim += [f"at least {self.at_least:g}"] if self.at_least is not None else []
            line |= {"aim": ", ".join(aim), "met": self.met}
        if self.note:
            line["note"] = self.note
        return line


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")


def in_turn(rounds: int, *jobs: Callable[[], Any]) -> list[float]:
    """Least time [s] of each job; the jobs take turns, so that a busy machine hits all of them alike."""
    least = [1e18] * len(jobs)
    for _ in range(rounds):
        for k, job in enumerate(jobs):
            began = time.perf_counter()
            job()
            least[k] = min(least[k], time.perf_counter() - began)
    return least
