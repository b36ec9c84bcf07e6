"""Pictures of a sizing, black on white, to scale."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import Any

from sashkeeper.errors import JobError
from sashkeeper.sizing import sunshine
from sashkeeper.sizing.lid import DEPTHS, Lid, LidFigures
from sashkeeper.sizing.linkage import Place
from sashkeeper.sizing.power import PANEL_YIELD, Load, PowerFigures, Supply
from sashkeeper.sizing.rows import Row, Verdict, advice_of, worst

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _figure(width_in: float, height_in: float) -> tuple[Any, Any]:
    """A bare figure and its axes; matplotlib is only needed here."""
    try:
        import matplotlib
    except ImportError:
        raise JobError('Drawings need matplotlib. Install it with "pip install sashkeeper[plot]".') from None
    matplotlib.use("Agg")
    # Text stays text, and the same input gives the same bytes.
    matplotlib.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": "sashkeeper", "font.size": 9})
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    return figure, figure.add_subplot()


def _save(figure: Any, path: Path) -> None:
    try:
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)
    except (OSError, ValueError) as error:
        raise JobError(
            f"The drawing could not be written to {path}: {error}. Choose a name that ends in .svg."
        ) from None


def lid(path: Path, shape: Lid, place: Place, figures: LidFigures, wall_m: float, rows: list[Row]) -> None:
    """Side view: lid shut and open, drive in both places, closing force along the lid, and the verdict in words."""
    figure, axes = _figure(8.0, 6.0)
    depth = shape.depth_m
    for angle, style in ((shape.shut_deg, "-"), (shape.top_deg, "--")):
        turn = math.radians(angle)
        axes.plot([0, depth * math.cos(turn)], [0, depth * math.sin(turn)], "k" + style, linewidth=3)
        x, y = place.attach_m * math.cos(turn), place.attach_m * math.sin(turn)
        axes.plot([place.pivot_x_m, x], [place.pivot_y_m, y], "k" + style, linewidth=1.5, marker="o", markersize=4)
    front_x, front_y = depth * math.cos(math.radians(shape.slope_deg)), -depth * math.sin(math.radians(shape.slope_deg))
    ground = -max(wall_m, -front_y + 0.08)
    axes.plot([0, 0, front_x, front_x], [0, ground, ground, front_y], color="0.4", linewidth=2)
    _closing_arrows(axes, shape, figures)
    axes.annotate("hinge", (0, 0), (-0.05, 0.10), ha="right", arrowprops={"arrowstyle": "-"})
    axes.text(
        place.pivot_x_m, ground - 0.03,
        f"fixed end {place.pivot_x_m * 1000:.0f} mm from the hinge, {-place.pivot_y_m * 1000:.0f} mm below it;\n"
        f"on the lid {place.attach_m * 1000:.0f} mm from the hinge; stroke {figures.stroke_m * 1000:.0f} mm",
        va="top", ha="center",
    )  # fmt: skip
    top_x = depth * math.cos(math.radians(shape.top_deg))
    top_y = depth * math.sin(math.radians(shape.top_deg))
    axes.text(top_x, top_y + 0.03, f"open: {figures.gap_m * 1000:.0f} mm at the front", ha="right", va="bottom")
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_title("Lid from the side: closing force, whatever the program does")
    axes.margins(0.08)
    figure.supxlabel(_verdict(rows), fontsize=9)
    _save(figure, path)


def _verdict(rows: list[Row]) -> str:
    """The verdict and what makes it, in lines that fit under the drawing."""
    verdict = worst(rows)
    if verdict is Verdict.SOUND:
        return "Verdict: sound."
    lead = "do NOT build it like this" if verdict is Verdict.REFUSED else "sound, but only if"
    lines = [f"Verdict: {lead}."]
    for advice in dict.fromkeys(advice_of(rows, verdict)):
        lines += textwrap.wrap(advice, 105)
    return "\n".join(lines)


def _closing_arrows(axes: Any, shape: Lid, figures: LidFigures) -> None:
    turn = math.radians(shape.shut_deg)
    for share, force in zip(DEPTHS, figures.closing_n, strict=True):
        x, y = share * shape.depth_m * math.cos(turn), share * shape.depth_m * math.sin(turn)
        axes.annotate("", (x, y), (x, y + 0.16), arrowprops={"arrowstyle": "-|>", "color": "k"})
        # White behind the words: the open lid and its drive may run through them.
        axes.text(
            x, y + 0.17, f"{force:.0f} N\nat {share * 100:.0f} %", ha="center", va="bottom", zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
        )  # fmt: skip


def power(path: Path, load: Load, supply: Supply, figures: PowerFigures) -> None:
    """Bars of a day's harvest by month against a day's need."""
    figure, axes = _figure(8.0, 4.0)
    harvest = []
    for month in range(1, 13):
        clearness = supply.clearness
        if supply.month_kwh_m2:
            above = sunshine.above_air_kwh_m2(supply.lat_deg, sunshine.MONTH_DAYS[month - 1])
            clearness = supply.month_kwh_m2[month - 1] / above if above > 0 else 0.0
        sun = sunshine.panel_kwh_m2(supply.lat_deg, month, supply.tilt_deg, clearness)
        harvest.append(sun * supply.panel_w * PANEL_YIELD)
    dark = [("0.35" if month == figures.month else "0.8") for month in range(1, 13)]
    axes.bar(MONTHS, harvest, color=dark, edgecolor="k")
    axes.axhline(figures.daily_wh, color="k", linewidth=2)
    axes.set_ylim(0, max([*harvest, figures.daily_wh]) * 1.25)
    axes.text(
        5.5, figures.daily_wh, f"need {figures.daily_wh:.0f} Wh a day", ha="center", va="center",
        bbox={"facecolor": "white", "edgecolor": "k", "pad": 2},
    )  # fmt: skip
    axes.set_ylabel("Wh a day into the battery")
    axes.set_title(
        f"{supply.panel_w:g} W panel at latitude {supply.lat_deg:g}, {figures.days:.1f} days without sun from "
        f"{supply.battery_ah:g} Ah\n(dark bar: the month that decides; every month taken as dull as winter)"
        if not supply.month_kwh_m2
        else f"{supply.panel_w:g} W panel, sun from the weather file; {figures.days:.1f} days without sun"
    )
    axes.spines[["top", "right"]].set_visible(False)
    _save(figure, path)
