"""A small writer of SVG: shapes with classes, coloured by the page's style sheet, so that they follow dark and light.

Drawn on the server, so that charts are there without any script, weigh a few kilobytes, and carry no style
of their own (the page allows none inside its text).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

Point = tuple[float, float]


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text.removesuffix(".0")


class Svg:
    """One picture; shapes are drawn in the order of the calls."""

    def __init__(self, width: float, height: float, title: str, text: str, mark: str = "") -> None:
        """title, text: what somebody hears who does not see it; mark: class of the picture."""
        self.width, self.height = width, height
        self._parts = [
            f'<svg class="{escape(mark)}" viewBox="0 0 {_n(width)} {_n(height)}" role="img" '
            f'aria-label="{escape(title)}. {escape(text)}" preserveAspectRatio="xMidYMid meet">'
        ]

    def rect(self, x: float, y: float, width: float, height: float, mark: str) -> None:
        """A filled rectangle."""
        self._parts.append(
            f'<rect class="{mark}" x="{_n(x)}" y="{_n(y)}" width="{_n(max(0, width))}" height="{_n(max(0, height))}"/>'
        )

    def line(self, a: Point, b: Point, mark: str) -> None:
        """A straight line."""
        self._parts.append(f'<line class="{mark}" x1="{_n(a[0])}" y1="{_n(a[1])}" x2="{_n(b[0])}" y2="{_n(b[1])}"/>')

    def path(self, runs: Iterable[Sequence[Point]], mark: str) -> None:
        """Lines through points, one for each run."""
        drawn = "".join(_run(run) for run in runs if run)
        if drawn:
            self._parts.append(f'<path class="{mark}" d="{drawn}"/>')

    def area(self, upper: Sequence[Point], lower: Sequence[Point], mark: str) -> None:
        """The space between two lines over the same stretch."""
        if upper and lower:
            self._parts.append(f'<path class="{mark}" d="{_run([*upper, *reversed(lower)])}Z"/>')

    def dot(self, at: Point, radius: float, mark: str) -> None:
        """A filled circle."""
        self._parts.append(f'<circle class="{mark}" cx="{_n(at[0])}" cy="{_n(at[1])}" r="{_n(radius)}"/>')

    def text(self, at: Point, words: str, mark: str, anchor: str = "start") -> None:
        """Words; anchor: "start", "middle" or "end"."""
        self._parts.append(
            f'<text class="{mark}" x="{_n(at[0])}" y="{_n(at[1])}" text-anchor="{anchor}">{escape(words)}</text>'
        )

    def done(self) -> str:
        """Return the picture."""
        return "".join(self._parts) + "</svg>"


def _run(points: Sequence[Point]) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points)


class Scale:
    """Maps values to places on the paper, straight."""

    def __init__(self, low: float, high: float, at_low: float, at_high: float) -> None:
        self.low, self.high = low, high if high > low else low + 1
        self._a, self._b = at_low, at_high

    def __call__(self, value: float) -> float:
        return self._a + (value - self.low) / (self.high - self.low) * (self._b - self._a)


def steps(low: float, high: float, about: int = 5) -> list[float]:
    """Return round values between two bounds, about so many."""
    raw = max(high - low, 1e-9) / about
    power = 10 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def spread_apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return places near the wanted ones, at least `gap` apart and inside the bounds where there is room."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = list(wanted)
    last = low - gap
    for i in order:
        placed[i] = last = max(placed[i], last + gap)
    over = last - high if order else 0.0
    if over > 0:
        limit = high
        for i in reversed(order):
            placed[i] = min(placed[i], limit)
            limit = placed[i] - gap
    return placed
