"""A picture of one or several spots: the sun's paths behind the skyline, and light by month."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sashkeeper.season.calendar import MONTHS
from sashkeeper.season.daylight import solar_noon_s, sun_position
from sashkeeper.season.place import Site
from sashkeeper.season.skylight import Month, Spot, without_crowns
from sashkeeper.season.skyline import is_bare

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Colours that stay apart for colour-blind readers (Okabe and Ito 2008).
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
PATHS = ((12, 21, "21 Dec"), (1, 21, "21 Jan / 21 Nov"), (2, 19, "19 Feb / 23 Oct"), (3, 20, "20 Mar"))


def draw(path: Path, site: Site, spots: Sequence[Spot], light: Sequence[Sequence[Month]], year: int = 2027) -> None:
    """Write the picture; needs matplotlib. The format follows the file's ending."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = len(spots) + 1
    figure = Figure(figsize=(9, 3.1 * rows), layout="constrained")
    FigureCanvasAgg(figure)
    axes: Any = figure.subplots(rows, 1)
    for spot, axis in zip(spots, axes, strict=False):
        _skyline(axis, site, spot, year)
    _bars(axes[-1], spots, light)
    figure.suptitle(f"Sun on the bed, {site.lat_deg:.1f}° latitude (clear sky)")
    figure.savefig(path, dpi=110)


def _skyline(axis: Axes, site: Site, spot: Spot, year: int) -> None:
    north = site.lat_deg >= 0
    bearings = [b / 2 for b in range(120, 601)] if north else [b / 2 for b in range(-240, 241)]
    whole = [spot.skyline.height_deg(b % 360) for b in bearings]
    solid = [without_crowns(spot.skyline).height_deg(b % 360) for b in bearings]
    axis.fill_between(bearings, solid, color="#777777", alpha=0.55, label="skyline", linewidth=0)
    if whole != solid:
        axis.fill_between(bearings, solid, whole, facecolor="#CCCCCC", alpha=0.5, hatch="//", edgecolor="#777777",
                          linewidth=0, label="crowns, bare in winter")  # fmt: skip
    for month, day, name in PATHS if north else tuple((((m + 5) % 12) + 1, min(d, 30), "") for m, d, _ in PATHS):
        noon = solar_noon_s(date(year, month, day), site.lon_deg)
        points = [sun_position(noon + m * 300, site.lat_deg, site.lon_deg) for m in range(-144, 145)]
        up = [(b if north else (b + 180) % 360 - 180, h) for h, b in points if h > 0]
        axis.plot([b for b, _ in up], [h for _, h in up], linewidth=1.4, label=name or f"{day} {MONTHS[month - 1]}")
    trees = [o.name for o in spot.skyline.obstacles if o.kind == "deciduous"]
    bare = f"; bare in winter: {', '.join(trees)}" if trees and is_bare(date(year, 1, 1), 50.0) else ""
    axis.set_title(f"{spot.name}: lid faces {spot.bearing_deg:.0f}°, tilt {spot.tilt_deg:.0f}°{bare}", fontsize=10)
    axis.set_xlim(bearings[0], bearings[-1])
    axis.set_ylim(0, 60)
    axis.set_xlabel("bearing [°]   (90 east, 180 south, 270 west)" if north else "bearing [°]   (0 north, 90 east)")
    axis.set_ylabel("height [°]")
    axis.legend(fontsize=8, loc="upper right")


def _bars(axis: Axes, spots: Sequence[Spot], light: Sequence[Sequence[Month]]) -> None:
    width = 0.8 / len(spots)
    for n, (spot, months) in enumerate(zip(spots, light, strict=True)):
        at = [m.month - 1 + (n - (len(spots) - 1) / 2) * width for m in months]
        colour = COLOURS[n % len(COLOURS)]
        axis.bar(at, [m.open_lid_mj_m2 for m in months], width, color=colour, alpha=0.2)
        axis.bar(at, [m.lid_mj_m2 for m in months], width, color=colour, label=spot.name)
        for x, m in zip(at, months, strict=True):
            axis.annotate(f"{m.lit_h:.0f}h", (x, m.lid_mj_m2), ha="center", va="bottom", fontsize=7)
    axis.margins(y=0.1)
    axis.set_xticks(range(12), MONTHS)
    axis.set_ylabel("light on the lid [MJ/m² a day]")
    axis.set_title("Light by month, clear sky; pale: nothing in the way; figures: hours of sun a day", fontsize=10)
    axis.legend(fontsize=8)
