"""The trade that the search for settings has found, as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from sashkeeper.errors import JobError

if TYPE_CHECKING:
    from framesim.tune import Candidate, Search

GREY, BLUE, ORANGE = "#B8BFC6", "#20639B", "#D1622B"


def draw(path: Path, found: Search, title: str, note: str) -> None:
    """Write the picture. Raises JobError when it cannot be written."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.5, 5.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes: Any = figure.subplots(1, 2)
    _panel(axes[0], found, "heat_kh", "growing_h", "frost_kh", figure, "frost under the damage point, degree-hours")
    _panel(axes[1], found, "moves", "growing_h", "heat_kh", figure, "heat over the limit, degree-hours")
    axes[0].set_xlabel("heat over the limit at the leaf, degree-hours a winter")
    axes[0].set_ylabel("daylight hours in which leaves grow best, a winter")
    axes[1].set_xlabel("moves of the lid in a winter")
    axes[0].legend(fontsize=9, loc="lower right", frameon=False)
    figure.suptitle(title, fontsize=13)
    figure.text(0.5, -0.02, note, ha="center", va="top", fontsize=8.5, color="#555555")
    try:
        figure.savefig(path, dpi=120, bbox_inches="tight", facecolor="white")
    except (OSError, ValueError) as fault:
        raise JobError(f"The picture {path} cannot be written: {fault}.") from fault


def _panel(axes: Any, found: Search, x: str, y: str, colour: str, figure: Any, colour_words: str) -> None:
    def at(c: Candidate) -> tuple[float, float]:
        return c.mean(x), c.mean(y)

    tried = [at(c) for c in found.tried]
    axes.scatter(*zip(*tried, strict=True), s=7, color=GREY, linewidths=0, label="tried")
    shades = [c.mean(colour) for c in found.front]
    dots = axes.scatter(
        *zip(*[at(c) for c in found.front], strict=True), s=30, c=shades, cmap="cividis", edgecolors="white",
        linewidths=0.4, label="not beaten in everything", zorder=3, vmin=0.0, vmax=max(1.0, *shades),
    )  # fmt: skip
    bar = figure.colorbar(dots, ax=axes, location="top", shrink=0.75, pad=0.02)
    bar.set_label(colour_words, fontsize=9)
    bar.ax.tick_params(labelsize=8)
    old, new = at(found.before), at(found.best)
    if new != old:
        axes.annotate("", new, old, arrowprops={"arrowstyle": "->", "color": "#333333", "lw": 1.4}, zorder=5)
    axes.scatter(*old, s=90, marker="s", color=ORANGE, edgecolors="white", zorder=6, label="set now")
    axes.scatter(*new, s=150, marker="*", color=BLUE, edgecolors="white", zorder=7, label="recommended")
    axes.grid(alpha=0.25)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    # The far end of the search is of no use to anybody: show the part around what is good.
    xs = sorted(v[0] for v in tried)
    limit = max(xs[int(0.9 * (len(xs) - 1))], old[0], new[0]) * 1.1
    axes.set_xlim(min(0.0, xs[0]), limit)
