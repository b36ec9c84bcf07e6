"""Charts of a day and of a season, drawn for a narrow and for a wide screen.

A day has three strips over one line of time: temperatures with the band between closing and opening, the
lid's opening, and the sun's height. Lines differ by dash as well as by colour and are named at their end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

from .spans import GAP_S, LINES, DaySpan, SeasonSpan, runs, words_of_day
from .svg import Point, Scale, Svg, spread_apart, steps

NAMES = {"air": "inside", "outside": "outside", "soil": "soil"}
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Paper:
    """Sizes of one picture: outer width and the heights of its strips; margins left and right."""

    mark: str
    width: float
    warmth: float
    lid: float
    sun: float
    left: float
    right: float

    @property
    def inner(self) -> float:
        """Right edge of the strips."""
        return self.width - self.right


NARROW = Paper("narrow", 340, 250, 46, 26, 30, 62)
WIDE = Paper("wide", 860, 310, 56, 34, 42, 116)
TOP, GAP, FOOT = 16.0, 22.0, 20.0


def day_chart(span: DaySpan, paper: Paper) -> str:
    """Return the picture of a day or a night."""
    lid_top = TOP + paper.warmth + GAP
    sun_top = lid_top + paper.lid + GAP
    bottom = sun_top + paper.sun
    svg = Svg(paper.width, bottom + FOOT, f"{span.name}, temperatures and lid", " ".join(words_of_day(span)),
              f"chart {paper.mark}")  # fmt: skip
    x = Scale(span.start_s, span.end_s, paper.left, paper.inner)
    y = _warmth_scale(span, paper)
    for a, b in span.nights:
        svg.rect(x(a), TOP, x(b) - x(a), bottom - TOP, "night")
    for a, b, close, opening in span.bands:
        svg.rect(x(a), y(opening), x(b) - x(a), y(close) - y(opening), "band")
    _warmth_grid(svg, y, paper, span.unit)
    _hours(svg, span, x, paper, bottom)
    _gaps(svg, span, x, bottom)
    for n, mark in enumerate(span.marks, 1):
        at = x(mark.time_s)
        kind = "event urgent" if mark.urgent else "event"
        svg.line((at, TOP), (at, bottom), kind)
        svg.text((at, TOP - 4), str(n), f"{kind} number", "middle")
    for metric in reversed(LINES):
        placed = [[(x(t), y(v)) for t, v in run] for run in runs(span.lines[metric])]
        svg.path(placed, f"line {metric}")
    _names(svg, span, y, paper)
    _band_words(svg, span, x, y)
    _lid(svg, span, x, Scale(0, 1, lid_top + paper.lid, lid_top), paper, lid_top)
    _sun(svg, span, x, Scale(0, 60, bottom, sun_top), paper, sun_top)
    return svg.done()


def _warmth_scale(span: DaySpan, paper: Paper) -> Scale:
    seen = [v for points in span.lines.values() for _, v in points]
    seen += [v for low, high in span.extremes.values() for v in (low[1], high[1])]
    seen += [v for band in span.bands for v in band[2:]]
    low, high = (min(seen), max(seen)) if seen else (0.0, 20.0)
    room = max(1.0, (high - low) * 0.06)
    return Scale(low - room, high + room, TOP + paper.warmth, TOP)


def _warmth_grid(svg: Svg, y: Scale, paper: Paper, unit: str) -> None:
    for value in steps(y.low, y.high, 6):
        svg.line((paper.left, y(value)), (paper.inner, y(value)), "zero" if value == 0 else "grid")
        svg.text((paper.left - 5, y(value) + 4), f"{value:g}", "tick", "end")
    svg.text((2, TOP - 4), unit, "tick")


def _hours(svg: Svg, span: DaySpan, x: Scale, paper: Paper, bottom: float) -> None:
    hours = (span.end_s - span.start_s) / 3600
    every = 6 if paper.mark == "narrow" and hours > 18 else 3 if hours > 12 else 2
    first = datetime.fromtimestamp(span.start_s, span.zone).replace(minute=0, second=0, microsecond=0)
    for n in range(int(hours) + 2):
        # Wall-clock hours: on the day the clocks change one of them is missing or comes twice.
        at = datetime.fromtimestamp(first.timestamp() + n * 3600, span.zone)
        if at.hour % every or not span.start_s <= at.timestamp() <= span.end_s:
            continue
        place = x(at.timestamp())
        svg.line((place, TOP), (place, bottom), "grid")
        svg.text((place, bottom + 14), f"{at:%H}", "tick", "middle")


def _gaps(svg: Svg, span: DaySpan, x: Scale, bottom: float) -> None:
    """Shade where nothing was heard; the future is simply empty."""
    times = [t for t, _ in span.lines["air"]]
    for a, b in zip([span.start_s, *times], times, strict=False):
        if b - a > GAP_S:
            svg.rect(x(a), TOP, x(b) - x(a), bottom - TOP, "unheard")
            if x(b) - x(a) > 70:
                svg.text(((x(a) + x(b)) / 2, TOP + 14), "not heard", "tick", "middle")


def _names(svg: Svg, span: DaySpan, y: Scale, paper: Paper) -> None:
    """Name each line at its right end, moved apart where they meet."""
    shown = [(m, span.lines[m][-1][1]) for m in LINES if span.lines[m]]
    places = spread_apart([y(v) + 4 for _, v in shown], 15, TOP + 10, TOP + paper.warmth - 2)
    for (metric, value), place in zip(shown, places, strict=True):
        words = NAMES[metric] if paper.mark == "narrow" else f"{NAMES[metric]} {value:.1f}"
        svg.text((paper.inner + 6, place), words, f"name {metric}")


def _band_words(svg: Svg, span: DaySpan, x: Scale, y: Scale) -> None:
    if not span.bands:
        return
    a, _, close, opening = span.bands[-1]
    svg.text((x(a) + 4, y(opening) - 4), f"opens {opening:g}", "bandword")
    svg.text((x(a) + 4, y(close) + 13), f"shuts {close:g}", "bandword")


def _lid(svg: Svg, span: DaySpan, x: Scale, y: Scale, paper: Paper, top: float) -> None:
    svg.rect(paper.left, top, paper.inner - paper.left, paper.lid, "strip")
    for run in runs(span.lid):
        upper: list[Point] = []
        for n, (t, share) in enumerate(run):
            if n and share != run[n - 1][1]:
                upper.append((x(t), y(run[n - 1][1])))
            if not n or n == len(run) - 1 or share != run[n - 1][1]:
                upper.append((x(t), y(share)))
        svg.area(upper, [(p[0], y(0)) for p in upper], "lid")
    svg.text((paper.left, top - 5), "lid, from shut to fully open", "strip-name")
    if span.lid:
        svg.text((paper.inner + 6, top + paper.lid - 4), f"{span.lid[-1][1] * 100:.0f} %", "name lid-name")


def _sun(svg: Svg, span: DaySpan, x: Scale, y: Scale, paper: Paper, top: float) -> None:
    svg.rect(paper.left, top, paper.inner - paper.left, paper.sun, "strip")
    if not span.sun:
        svg.text((paper.left, top - 5), "sun: the place is not known", "strip-name")
        return
    upper = [(x(t), y(min(60.0, h))) for t, h in span.sun]
    svg.area(upper, [(p[0], y(0)) for p in upper], "sun")
    highest = max(h for _, h in span.sun)
    svg.text((paper.left, top - 5), f"sun over the horizon, at most {highest:.0f}°", "strip-name")


# -- the season ---------------------------------------------------------------------------------------


def season_words(span: SeasonSpan) -> str:
    """Return the season in a sentence or two."""
    if not span.air:
        return "There are no readings of this season yet."
    coldest = min(span.air, key=lambda a: a[1])
    hottest = max(span.air, key=lambda a: a[3])
    return (
        f"{len(span.air)} days with readings. Coldest inside {coldest[1]:.1f} {span.unit} on {_day(coldest[0])}, "
        f"hottest {hottest[3]:.1f} {span.unit} on {_day(hottest[0])}."
    )


def _day(day: date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]}"


def season_chart(span: SeasonSpan, paper: Paper) -> str:
    """Return the picture of a season."""
    lid_top = TOP + paper.warmth + GAP
    bottom = lid_top + paper.lid
    svg = Svg(paper.width, bottom + FOOT, f"{span.name}, the season", season_words(span), f"chart {paper.mark}")
    last = max(span.last, span.first + timedelta(days=6))
    x = Scale(span.first.toordinal(), last.toordinal() + 1, paper.left, paper.inner)
    seen = [v for a in span.air for v in a[1:]] + [v for _, v in span.outside] + [v for _, v in span.soil]
    low, high = (min(seen), max(seen)) if seen else (0.0, 20.0)
    y = Scale(low - 1, high + 1, TOP + paper.warmth, TOP)
    _warmth_grid(svg, y, paper, span.unit)
    _dates(svg, span.first, last, x, paper, bottom)

    def at(day: date) -> float:
        return x(day.toordinal() + 0.5)

    for run in _day_runs([a[0] for a in span.air]):
        part = span.air[run[0] : run[1]]
        svg.area([(at(d), y(hi)) for d, _, _, hi in part], [(at(d), y(lo)) for d, lo, _, _ in part], "range")
    svg.path(_days(span.outside, at, y), "line outside")
    svg.path(_days(span.soil, at, y), "line soil")
    svg.path(_days([(d, mean) for d, _, mean, _ in span.air], at, y), "line air")
    ends = [("air", span.air[-1][2])] if span.air else []
    ends += [(n, rows[-1][1]) for n, rows in (("outside", span.outside), ("soil", span.soil)) if rows]
    words = {"air": "inside, mean", "outside": "outside, low", "soil": "soil, mean"}
    if paper.mark == "narrow":
        words = {"air": "inside", "outside": "outside", "soil": "soil"}
    places = spread_apart([y(v) + 4 for _, v in ends], 15, TOP + 10, TOP + paper.warmth - 2)
    for (metric, _), place in zip(ends, places, strict=True):
        svg.text((paper.inner + 6, place), words[metric], f"name {metric}")
    svg.rect(paper.left, lid_top, paper.inner - paper.left, paper.lid, "strip")
    hours = Scale(0, 24, bottom, lid_top)
    for day, open_h in span.open_h:
        a, b = x(day.toordinal()), x(day.toordinal() + 1)
        svg.rect(a, hours(open_h), max(1.0, b - a - 0.6), bottom - hours(open_h), "lid")
    svg.text((paper.left, lid_top - 5), "hours a day with the lid open", "strip-name")
    return svg.done()


def _days(rows: Sequence[tuple[date, float]], at: object, y: Scale) -> list[list[Point]]:
    assert callable(at)
    return [
        [(at(d), y(v)) for d, v in rows[a:b]] for a, b in _day_runs([d for d, _ in rows])
    ]


def _day_runs(days: Sequence[date]) -> list[tuple[int, int]]:
    """Return (from, to) of stretches without a missing day."""
    cuts = [n for n in range(1, len(days)) if (days[n] - days[n - 1]).days > 1]
    edges = [0, *cuts, len(days)]
    return [(a, b) for a, b in pairwise(edges) if a < b]


def _dates(svg: Svg, first: date, last: date, x: Scale, paper: Paper, bottom: float) -> None:
    long = (last - first).days > 45
    for n in range((last - first).days + 1):
        day = first + timedelta(days=n)
        if day.day != 1 if long else (n % (7 if (last - first).days > 14 else 2)):
            continue
        place = x(day.toordinal())
        svg.line((place, TOP), (place, bottom), "grid")
        svg.text((place, bottom + 14), MONTHS[day.month - 1] if long else _day(day), "tick", "middle")


# -- a sketch of the lid ------------------------------------------------------------------------------

LID_LENGTH, LID_SLOPE_DEG, LID_MOST_DEG = 66.0, 12.0, 38.0


def lid_sketch(opening: float | None, words: str) -> str:
    """Return a side view of the frame with its lid as far open as it is; dotted where that is not known."""
    svg = Svg(100, 74, "Lid", words, "sketch")
    hinge = (86.0, 38.0)
    rise = math.radians(LID_SLOPE_DEG)
    low = (hinge[0] - LID_LENGTH * math.cos(rise), hinge[1] + LID_LENGTH * math.sin(rise))
    svg.path([[(6, 66), (94, 66)]], "ground")
    svg.path([[(hinge[0], 66), hinge, (hinge[0], hinge[1])], [(low[0] + 2, 66), (low[0] + 2, low[1] + 1)]], "box")
    for x, height in ((32, 7), (46, 9), (60, 10), (74, 8)):
        svg.path([[(x - 4, 66 - height * 0.7), (x, 66), (x + 4, 66 - height)]], "leaf")
    angle = math.radians(LID_SLOPE_DEG - LID_MOST_DEG * (opening or 0.0))
    edge = (hinge[0] - LID_LENGTH * math.cos(angle), hinge[1] + LID_LENGTH * math.sin(angle))
    svg.path([[hinge, edge]], "glass" if opening is not None else "glass unknown")
    return svg.done()
