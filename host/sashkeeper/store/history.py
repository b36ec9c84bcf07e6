"""What a frame lived through: rows for tables and CSV, and the picture."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from ..units import to_fahrenheit
from . import METRICS, Store

TEMPERATURES = frozenset(("air", "air2", "soil", "outside"))
# Above so many points the roll-ups are read instead of every reading.
FULL_DETAIL = 3000


@dataclass(frozen=True, slots=True)
class Row:
    """One line: time [s], values by metric in the unit of the wire; n readings went into it."""

    time_s: int
    n: int
    values: dict[str, float]


def rows(store: Store, frame: str, start_s: float, end_s: float, step_s: int | None = None) -> tuple[int, list[Row]]:
    """Return (step [s], rows). step 0 is every reading, 600 and 3600 are means; None chooses by the span."""
    if step_s is None:
        seconds = end_s - start_s
        step_s = 0 if seconds <= 60 * FULL_DETAIL / 2 else 600 if seconds <= 600 * FULL_DETAIL else 3600
    if step_s == 0:
        return 0, [Row(int(r.time_s), 1, r.values) for r in store.readings(frame, start_s, end_s)]
    found: dict[int, Row] = {}
    for metric, rolls in store.rolls(frame, METRICS, start_s - start_s % step_s, end_s, step_s).items():
        for roll in rolls:
            row = found.setdefault(roll.start_s, Row(roll.start_s, 0, {}))
            row.values[metric] = roll.mean
            if roll.n > row.n:
                found[roll.start_s] = Row(row.time_s, roll.n, row.values)
    return step_s, [found[t] for t in sorted(found)]


def metrics_of(found: Sequence[Row]) -> list[str]:
    """Return the metrics that occur, in their usual order, others last."""
    seen = {name for row in found for name in row.values}
    return [m for m in METRICS if m in seen] + sorted(seen - set(METRICS))


def header(name: str, fahrenheit: bool) -> str:
    """Return the column name of a metric, with its unit."""
    if name in TEMPERATURES:
        return f"{name}_{'degf' if fahrenheit else 'degc'}"
    units = {"battery": "_v", "current": "_a", "light": "_lx", "wind": "_m_s", "humidity": "_percent"}
    return name + ("_fraction" if name in ("lid", "target") else units.get(name, ""))


def shown(name: str, value: float | None, fahrenheit: bool) -> float | None:
    """Return a value in the unit it is shown in."""
    if value is None:
        return None
    return to_fahrenheit(value) if fahrenheit and name in TEMPERATURES else value


def as_csv(found: Sequence[Row], zone: tzinfo, fahrenheit: bool) -> str:
    """Return rows as CSV with a header line; times in local time with offset."""
    names = metrics_of(found)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", "readings", *(header(n, fahrenheit) for n in names)])
    for row in found:
        cells = [shown(n, row.values.get(n), fahrenheit) for n in names]
        writer.writerow([local(row.time_s, zone), row.n, *("" if c is None else f"{c:.7g}" for c in cells)])
    return out.getvalue()


def local(time_s: float, zone: tzinfo) -> str:
    """Return a moment in local time, ISO 8601 with offset."""
    return datetime.fromtimestamp(time_s, zone).isoformat(timespec="seconds")


def bands(store: Store, frame: str, start_s: float, end_s: float) -> list[tuple[float, float, float]]:
    """Return (from time [s], closing, opening temperature [degC]) as the frame had them in force.

    Known from what was sent and taken; before the first of those the present settings stand in.
    """
    actual = store.actual(frame)
    if actual is None:
        return []
    taken = [s for s in reversed(store.settings_sent(frame, 1000)) if s.outcome == "taken" and s.outcome_s is not None]
    now = actual.body["settings"]
    steps: list[tuple[float, dict[str, int]]] = [(float(s.outcome_s or 0), s.settings) for s in taken]
    out: list[tuple[float, float, float]] = []
    # Backwards: what is in force now, and before each change what the change before it had set.
    open_m, close_m = now["open_mdegc"], now["close_mdegc"]
    for at_s, settings in reversed(steps):
        if settings.keys() & {"open_mdegc", "close_mdegc"}:
            out.append((at_s, close_m / 1000, open_m / 1000))
            older = [s for t, s in steps if t < at_s]
            open_m = next((s["open_mdegc"] for s in reversed(older) if "open_mdegc" in s), open_m)
            close_m = next((s["close_mdegc"] for s in reversed(older) if "close_mdegc" in s), close_m)
    out.append((0.0, close_m / 1000, open_m / 1000))
    return [b for b in sorted(out) if b[0] < end_s]


def draw(
    found: Sequence[Row],
    band: Sequence[tuple[float, float, float]],
    title: str,
    zone: tzinfo,
    fahrenheit: bool,
    path: Path,
) -> None:
    """Draw temperatures with the band between closing and opening, and the lid below, into a PNG file."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    when: list[Any] = [datetime.fromtimestamp(r.time_s, zone) for r in found]
    figure, (top, low) = plt.subplots(2, 1, sharex=True, figsize=(10, 6), height_ratios=(3, 1), constrained_layout=True)
    styles = {
        "air": ("inside", "#b2182b", 1.6),
        "soil": ("soil", "#7f5a2b", 1.2),
        "outside": ("outside", "#2166ac", 1.2),
    }
    for name, (label, colour, width) in styles.items():
        values: list[Any] = [shown(name, r.values.get(name), fahrenheit) for r in found]
        if any(v is not None for v in values):
            top.plot(when, [float("nan") if v is None else v for v in values], color=colour, lw=width, label=label)
    _draw_band(top, band, found, zone, fahrenheit)
    lid = [100 * r.values["lid"] if "lid" in r.values else float("nan") for r in found]
    low.fill_between(when, lid, step="post", color="#4d4d4d", alpha=0.6, linewidth=0)
    low.set_ylim(0, 105)
    low.set_ylabel("lid open [%]")
    top.set_ylabel(f"temperature [{'°F' if fahrenheit else '°C'}]")
    top.set_title(title)
    top.grid(alpha=0.3)
    low.grid(alpha=0.3)
    if top.get_legend_handles_labels()[0]:
        figure.legend(loc="outside lower center", ncols=4, fontsize="small")  # beside the curves, never over them
    locator = AutoDateLocator(tz=zone)  # type: ignore[no-untyped-call]
    low.xaxis.set_major_locator(locator)
    low.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=zone))  # type: ignore[no-untyped-call]
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _draw_band(
    axes: Any, band: Sequence[tuple[float, float, float]], found: Sequence[Row], zone: tzinfo, fahrenheit: bool
) -> None:
    if not found:
        return
    first, last = found[0].time_s, found[-1].time_s
    for n, (start_s, close, opening) in enumerate(band):
        end_s = band[n + 1][0] if n + 1 < len(band) else last
        a, b = max(start_s, first), min(end_s, last)
        if a >= b:
            continue
        low, high = shown("air", close, fahrenheit), shown("air", opening, fahrenheit)
        label = (
            "between closing and opening"
            if not axes.get_legend_handles_labels()[1].count("between closing and opening")
            else None
        )
        axes.fill_between(
            [datetime.fromtimestamp(a, zone), datetime.fromtimestamp(b, zone)], low, high,
            color="#5aae61", alpha=0.25, linewidth=0, label=label,
        )  # fmt: skip
