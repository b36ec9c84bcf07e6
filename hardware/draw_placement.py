"""Draw where probes, box, cables and drive go: the frame cut from front to back.

Run: python hardware/draw_placement.py [FOLDER]
Not to scale; black on white, text kept as text.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import schemdraw
import schemdraw.elements as elm

FOLDER = Path(__file__).parent / "drawings"
schemdraw.use("svg")
schemdraw.svgconfig.text = "text"

BACK, FRONT = 3.4, 2.0  # heights of the walls
WIDE = 10.0


def placement() -> bytes:
    """The section as SVG."""
    d = schemdraw.Drawing(show=False)
    d.config(unit=1.6, fontsize=10, lw=1.4, font="sans-serif", margin=1.4)
    _frame(d)
    _probes(d)
    _outside(d)
    return bytes(d.get_imagedata("svg"))


def _line(d: Any, *points: tuple[float, float], thick: float = 1.4, dashed: bool = False) -> None:
    for start, end in pairwise(points):
        line = elm.Line().at(start).to(end).linewidth(thick)
        d += line.linestyle("--") if dashed else line


def _text(d: Any, at: tuple[float, float], text: str, align: str = "left") -> None:
    d += elm.Label().at(at).label(text, halign=align, valign="center", fontsize=10)


def _pointer(d: Any, at: tuple[float, float], text_at: tuple[float, float], text: str, align: str = "left") -> None:
    """A thin line from a part to its words."""
    _line(d, at, text_at, thick=0.7)
    shift = 0.15 if align == "left" else -0.15
    _text(d, (text_at[0] + shift, text_at[1]), text, align)


def _box(d: Any, corner: tuple[float, float], wide: float, high: float) -> None:
    x, y = corner
    _line(d, (x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y))


def _frame(d: Any) -> None:
    _line(d, (0, -1.6), (0, BACK), thick=4)
    _line(d, (WIDE, -1.6), (WIDE, FRONT), thick=4)
    _line(d, (0, BACK + 0.15), (WIDE + 0.5, FRONT + 0.08), thick=4)
    _line(d, (0.2, 0), (WIDE - 0.2, 0))
    _text(d, (5.0, -1.35), "soil", "center")
    for x in (7.6, 8.2, 8.8):
        _line(d, (x, 0), (x - 0.15, 0.7))
        _line(d, (x, 0), (x + 0.15, 0.7))
    _pointer(d, (0, BACK + 0.15), (-0.9, BACK + 1.3), "hinge, and the potentiometer if there is one", "right")
    _line(d, (1.7, 1.1), (4.3, 2.85), thick=2.4)
    d += elm.Dot().at((1.7, 1.1))
    d += elm.Dot().at((4.3, 2.85))
    _pointer(d, (4.3, 2.85), (5.2, BACK + 1.6), "quick-release pin: out by hand, without tools")
    _pointer(d, (2.6, 1.7), (-0.9, 1.9), "drive", "right")
    _pointer(d, (WIDE + 0.05, FRONT + 0.05), (WIDE + 1.0, FRONT + 1.3), "end switch SHUT under the rim; seal waxed")


def _probes(d: Any) -> None:
    # The shaded air probe: a small roof over a dot.
    for x in (5.2, 6.3):
        _line(d, (x - 0.35, 0.95), (x + 0.35, 1.05), thick=2)
        _line(d, (x - 0.35, 1.10), (x + 0.35, 1.20), thick=2)
        d += elm.Dot().at((x, 0.70))
    _pointer(d, (5.2, 0.62), (-0.9, -2.3), "air: at crop height, shaded twice, air moves around it", "right")
    _pointer(d, (6.3, 0.62), (WIDE + 1.0, -2.3), "air2: same height, a hand's width or more away")
    d += elm.Dot().at((3.4, -0.7))
    _pointer(d, (3.4, -0.7), (-0.9, -1.2), "soil: 10 cm deep, in a closed sleeve", "right")
    _line(d, (0.2, -1.55), (WIDE - 0.2, -1.55), dashed=True)
    _pointer(d, (8.9, -1.55), (WIDE + 1.0, -1.4), "mesh against mice, under the bed")


def _outside(d: Any) -> None:
    x = -2.6
    _box(d, (x, 0.3), 1.3, 1.0)
    _line(d, (x + 1.3, 0.45), (x + 1.55, 0.45), (x + 1.7, 0.12), (x + 2.2, 0.12), (x + 2.6, 0.4))
    _text(d, (x - 0.2, 0.8), "box: outside the damp frame,\nshaded, vent plug low", "right")
    _pointer(d, (x + 1.7, 0.12), (x + 0.6, -0.6), "drip loop, conduit", "right")
    d += elm.Dot().at((x + 0.65, -0.2 + 3.0))
    _line(d, (x + 0.2, 3.05), (x + 1.1, 3.15), thick=2)
    _pointer(d, (x + 0.65, 2.8), (x - 0.2, 2.8), "outside: north side, shaded,\n1 m above ground", "right")
    _box(d, (WIDE + 0.1, 0.6), 0.6, 0.6)
    _text(d, (WIDE + 1.1, 0.9), "HOLD switch and silence button:\nwithin reach before a hand goes in")


def main() -> None:
    """Write the drawing."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "placement.svg").write_bytes(placement())
    print(folder / "placement.svg")


if __name__ == "__main__":
    main()
