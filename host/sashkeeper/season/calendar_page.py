"""A plan as one printed page: bars of the sowing windows over the months, and the list of days.

Self-contained HTML with an SVG drawing, made for one sheet of A4 or Letter
(landscape). No scripts, nothing loaded from elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from html import escape

from sashkeeper.season.calendar import MONTHS, Plan, eating_order, short
from sashkeeper.season.sowing import Window

WIDTH, LEFT, ROW, TOP = 1000, 120, 15, 34
EARLY, BEST, THIN, DARK = "#9ecae1", "#08519c", "#fdae6b", "#e6e6e6"

STYLE = """
@page { size: landscape; margin: 9mm; }
body { font: 11px/1.3 system-ui, sans-serif; margin: 0 auto; max-width: 1040px; color: #111; }
h1 { font-size: 17px; margin: 4px 0; } p { margin: 3px 0; }
svg { width: 100%; height: auto; }
ul { columns: 3; column-gap: 18px; margin: 4px 0; padding-left: 0; list-style: none; }
li { break-inside: avoid; padding: 1px 0; } b { white-space: nowrap; }
.small { color: #444; font-size: 10px; }
@media screen { body { padding: 8px; } }
@media screen and (max-width: 720px) {
  body { font-size: 15px; } .small { font-size: 13px; } ul { columns: 1; } li { padding: 3px 0; }
  .wide { overflow-x: auto; } .wide svg { width: 760px; }
}
"""


def page(plan: Plan) -> str:
    """Return the page of a plan as HTML."""
    name = plan.site.name or f"{plan.site.lat_deg:g}°, {plan.site.lon_deg:g}°"
    title = f"Sowing for winter {plan.winter}/{(plan.winter + 1) % 100:02d} at {name}"
    order = ", ".join(c.name.lower() for c in eating_order([w.crop for w in plan.windows]))
    return "\n".join(
        [
            "<!doctype html>",
            f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>',
            f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{STYLE}</style></head><body>',
            f"<h1>{escape(title)}</h1>",
            *(f"<p>{escape(note)}</p>" for note in plan.notes),
            f'<div class="wide" tabindex="0" role="region" aria-label="months">{_drawing(plan)}</div>',
            f"<p><b>Eat in this order:</b> {escape(order)}.</p>",
            f"<ul>{''.join(_crop_line(w) for w in plan.windows)}</ul>",
            f"<ul>{''.join(_line(plan, n) for n in range(len(plan.entries)))}</ul>",
            '<p class="small">Light: can be sown already. Dark: best. Orange: still worth it, thinner crop. Grey: dark '
            "weeks. Guide values, to be corrected by your own notes.</p>",
            "</body></html>",
        ]
    )


def _crop_line(w: Window) -> str:
    out = f", plant out {short(w.plant_out)}" if w.plant_out else ""
    days = f"best {short(w.best)}{out}, last {short(w.last)}; first leaves {short(w.first_cut[0])}"
    return f"<li><b>{escape(w.crop.name)}{' (tray)' if w.tray else ''}</b> {days}</li>"


def _line(plan: Plan, n: int) -> str:
    """The year's own days; those of the crops stand in their own lines."""
    entry = plan.entries[n]
    if not entry.key.endswith(("-dark", "-light", "-snow", "-cold", "-free")):
        return ""
    more = f": {escape(entry.text.split('. ', 1)[1])}" if entry.key.endswith("-free") else ""
    return f"<li><b>{short(entry.day)}</b> {escape(entry.title)}{more}</li>"


def _drawing(plan: Plan) -> str:
    first = min([w.earliest for w in plan.windows] + [plan.dark.begins])
    start = date(first.year, first.month, 1)
    end = plan.dark.ends + timedelta(days=20)
    span = (end - start).days
    height = TOP + ROW * len(plan.windows) + 8

    def x(day: date) -> float:
        return LEFT + (WIDTH - LEFT) * (day - start).days / span

    parts = [f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="sowing windows" font-size="11">']
    if not plan.dark.note:
        left, right = x(plan.dark.begins), x(plan.dark.ends)
        parts.append(f'<rect x="{left:.0f}" y="16" width="{right - left:.0f}" height="{height - 16}" fill="{DARK}"/>')
    month = start
    while month < end:
        parts.append(f'<line x1="{x(month):.0f}" y1="14" x2="{x(month):.0f}" y2="{height}" stroke="#bbb"/>')
        parts.append(f'<text x="{x(month) + 3:.0f}" y="12">{MONTHS[month.month - 1]}</text>')
        month = (month.replace(day=28) + timedelta(days=5)).replace(day=1)
    for n, w in enumerate(plan.windows):
        parts += _row(w, TOP + n * ROW, x)
    return "".join([*parts, "</svg>"])


def _row(w: Window, y: float, x: Callable[[date], float]) -> list[str]:
    def bar(a: date, b: date, colour: str, text: str) -> str:
        wide = max(1.0, x(b) - x(a))
        return (
            f'<rect x="{x(a):.0f}" y="{y - 7}" width="{wide:.0f}" height="9" fill="{colour}">'
            f"<title>{escape(text)}</title></rect>"
        )

    name = w.crop.name + (" (tray)" if w.tray else "")
    return [
        f'<text x="0" y="{y + 2}">{escape(name)}</text>',
        bar(w.earliest, w.best, EARLY, f"from {short(w.earliest)}"),
        bar(w.best, w.safe, BEST, f"best {short(w.best)} to {short(w.safe)}"),
        bar(w.safe, w.last, THIN, f"thin until {short(w.last)}"),
    ]
