"""Pictures of a season as SVG text, to be put into a page as they are."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sashkeeper.report import SeasonReport

INK, FAINT, PAPER = "#33413A", "#8A958E", "#FFFFFF"
AIR, OUTSIDE, SOIL, LID, PICK, HARM = "#2F7D5B", "#9DB4C6", "#8B6B45", "#5C6F66", "#7FB069", "#C8553D"
WIDTH_IN = 9.6


def _figure(heights: Sequence[float]) -> tuple[Any, list[Any]]:
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with rc_context({"font.family": "sans-serif", "font.size": 10}):
        figure = Figure(figsize=(WIDTH_IN, sum(heights)), layout="constrained", facecolor=PAPER)
        FigureCanvasSVG(figure)
        grid = figure.subplots(len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights})
    axes = [row[0] for row in grid]
    for one in axes:
        one.grid(axis="y", color="#E6EAE7", linewidth=0.8)
        one.set_axisbelow(True)
        one.tick_params(colors=INK, length=0)
        one.yaxis.label.set_color(INK)
        for side in ("top", "right", "left"):
            one.spines[side].set_visible(False)
        one.spines["bottom"].set_color("#C9D1CC")
    return figure, axes


def svg(figure: Any, name: str) -> str:
    """Return a figure as an SVG element whose inner names do not clash with those of another."""
    from matplotlib import rc_context

    out = io.StringIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'id="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'(xlink:href|href)="#', rf'\1="#{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    return re.sub(r'<svg [^>]*?viewBox="([^"]+)"[^>]*>', r'<svg viewBox="\1" role="img">', text, count=1)


def _dates(season: SeasonReport) -> list[Any]:
    return [datetime(d.day.year, d.day.month, d.day.day, 12) for d in season.days]


def _month_axis(axes: Any, season: SeasonReport) -> None:
    from matplotlib.dates import DateFormatter, MonthLocator

    axes.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(DateFormatter("%b"))  # type: ignore[no-untyped-call]
    first, last = (datetime(d.year, d.month, d.day) for d in (season.first, season.last + timedelta(days=1)))
    axes.set_xlim(first, last)
    axes.tick_params(axis="x", pad=6)


def temperatures(season: SeasonReport, fahrenheit: bool = False) -> Any:
    """Daily range of the air in the frame over that outside, and the soil."""
    figure, (axes,) = _figure([3.5])
    when = _dates(season)

    def shown(values: Sequence[float | None]) -> list[float]:
        return [float("nan") if v is None else (v * 9 / 5 + 32 if fahrenheit else v) for v in values]

    days = season.days
    axes.fill_between(when, shown([d.outside_low for d in days]), shown([d.outside_high for d in days]), step="mid",
                      color=OUTSIDE, alpha=0.45, linewidth=0, label="outside, lowest to highest")  # fmt: skip
    axes.fill_between(when, shown([d.low for d in days]), shown([d.high for d in days]), step="mid",
                      color=AIR, alpha=0.45, linewidth=0, label="in the frame, lowest to highest")  # fmt: skip
    axes.plot(when, shown([d.mean for d in days]), color=AIR, linewidth=1.4, label="in the frame, mean")
    if any(d.soil is not None for d in days):
        axes.plot(when, shown([d.soil for d in days]), color=SOIL, linewidth=1.4, label="soil, mean")
    axes.axhline(32.0 if fahrenheit else 0.0, color=INK, linewidth=0.8)
    axes.set_ylabel("°F" if fahrenheit else "°C")
    _month_axis(axes, season)
    figure.legend(loc="outside upper left", ncols=4, frameon=False, fontsize=9, labelcolor=INK)
    return figure


def lid(season: SeasonReport) -> Any:
    """Hours with the lid open, and moves, day by day."""
    figure, (top, low) = _figure([1.5, 1.1])
    when = _dates(season)
    top.bar(when, [d.open_h for d in season.days], width=1.0, color=LID, alpha=0.85, linewidth=0)
    top.set_ylabel("hours open")
    low.bar(when, [d.moves for d in season.days], width=1.0, color=FAINT, linewidth=0)
    low.set_ylabel("moves")
    _month_axis(low, season)
    return figure


def pick(season: SeasonReport) -> Any:
    """When leaves could be cut, day by day, by the clock."""
    figure, (axes,) = _figure([2.2])
    for d in season.days:
        if d.window is None:
            continue
        begin, end = (_hour(t, d.day, season) for t in (d.window.from_s, d.window.until_s))
        axes.bar(datetime(d.day.year, d.day.month, d.day.day, 12), end - begin, bottom=begin, width=1.0, color=PICK,
                 linewidth=0)  # fmt: skip
    for entry in season.diary:
        if entry.kind == "picked":
            at = datetime.fromtimestamp(entry.time_s, season.zone)
            noon = at.replace(tzinfo=None, hour=12, minute=0)
            axes.plot(noon, at.hour + at.minute / 60, "o", color=HARM, markersize=4)
    axes.set_ylim(24, 0)
    axes.set_yticks([0, 6, 12, 18, 24], ["0 h", "6 h", "12 h", "18 h", "24 h"])
    _month_axis(axes, season)
    return figure


def _hour(time_s: float, day: date, season: SeasonReport) -> float:
    begin = datetime(day.year, day.month, day.day, tzinfo=season.zone).timestamp()
    return min(24.0, max(0.0, (time_s - begin) / 3600.0))


def pictures(season: SeasonReport, fahrenheit: bool = False) -> dict[str, Any]:
    """Return all pictures as figures, by name."""
    return {"temperatures": temperatures(season, fahrenheit), "lid": lid(season), "pick": pick(season)}
