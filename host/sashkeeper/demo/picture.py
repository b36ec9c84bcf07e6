"""The picture of a day: what the frame felt, and what the lid did about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Mark:
    """Something that happened, drawn as a labelled line."""

    time_s: int
    label: str
    urgent: bool = False


@dataclass(frozen=True)
class DayPicture:
    """All that is drawn. Times are Unix seconds, temperatures degrees Celsius, opening 0..1."""

    title: str
    note: str
    zone: tzinfo
    time_s: Sequence[int]
    inside_degc: Sequence[float]
    outside_degc: Sequence[float]
    soil_degc: Sequence[float]
    opening: Sequence[float]
    close_degc: float
    open_degc: float
    scorch_degc: float
    marks: Sequence[Mark]


INK, SOIL, SKY, WARM, BAND, LID = "#22302a", "#8a6a48", "#5b7fa6", "#c2452d", "#dfead2", "#7a9e5f"


def draw(day: DayPicture, path: Path) -> None:
    """Write the picture as PNG."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.dates as mdates
    import matplotlib.pyplot as plt

    when = [datetime.fromtimestamp(t, day.zone) for t in day.time_s]
    figure, (top, low) = plt.subplots(
        2, 1, figsize=(10, 6.6), sharex=True, height_ratios=(4, 1.1), layout="constrained"
    )
    top.axhspan(day.close_degc, day.open_degc, color=BAND, zorder=0, label="band: shut below, open above")
    top.axhline(day.scorch_degc, color=WARM, lw=1, ls=(0, (4, 3)), label="scorch limit")
    top.plot(when, day.inside_degc, color=WARM, lw=2.2, label="inside")
    top.plot(when, day.outside_degc, color=SKY, lw=1.5, label="outside")
    top.plot(when, day.soil_degc, color=SOIL, lw=1.5, label="soil, 10 cm down")
    top.set_ylabel("temperature, \N{DEGREE SIGN}C")
    top.set_ylim(top=max(day.scorch_degc, *day.inside_degc) + 13)  # room for legend and marks
    top.legend(loc="upper left", fontsize=8.5, framealpha=1.0, edgecolor="none", ncols=2)
    low.fill_between(when, [100 * share for share in day.opening], step="post", color=LID, alpha=0.85, lw=0)
    low.set_ylabel("lid open, %")
    low.set_ylim(0, max(12.0, 115 * max(day.opening)))
    ticks: Any = mdates  # the library carries no types here
    low.xaxis.set_major_locator(ticks.HourLocator(interval=2, tz=day.zone))
    low.xaxis.set_major_formatter(ticks.DateFormatter("%H:%M", tz=day.zone))
    _draw_marks(top, low, day)
    for axis in (top, low):
        axis.grid(axis="y", color="#e4e4de", lw=0.7)
        axis.spines[["top", "right"]].set_visible(False)
        axis.set_axisbelow(True)
    top.set_title(day.title, loc="left", fontsize=13, color=INK)
    figure.supxlabel(day.note, fontsize=8.5, color=INK)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _draw_marks(top: Any, low: Any, day: DayPicture) -> None:
    """Numbered lines through both axes; the labels stand in a column so that they never overlap."""
    lines = []
    for number, mark in enumerate(day.marks, 1):
        at = datetime.fromtimestamp(mark.time_s, day.zone)
        colour = WARM if mark.urgent else INK
        for axis in (top, low):
            axis.axvline(at, color=colour, lw=1, alpha=0.6)
        top.annotate(
            str(number), (at, 0.0), xycoords=("data", "axes fraction"), xytext=(3, 4 + 11 * (number % 3)),
            textcoords="offset points", ha="left", fontsize=8.5, color=colour,
        )  # fmt: skip
        lines.append(f"{number}  {at:%H:%M}  {mark.label}")
    top.text(
        0.995, 0.985, "\n".join(lines), transform=top.transAxes, ha="right", va="top", fontsize=8.5, color=INK,
        bbox={"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 3},
    )  # fmt: skip
