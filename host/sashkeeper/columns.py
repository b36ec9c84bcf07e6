"""Plain text tables that fit the terminal: short columns first, the last one wrapped."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence

NARROWEST = 24


def width() -> int:
    """Return the columns of the terminal, or 80."""
    return max(40, shutil.get_terminal_size((80, 24)).columns)


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], columns: int | None = None) -> str:
    """Return rows as aligned text; the last column takes what is left and wraps.

    Where less than 24 columns are left for it, it goes on lines of its own.
    """
    columns = width() if columns is None else columns
    shown = [list(heads), *(list(r) for r in rows)]
    fixed = [max(len(r[n]) for r in shown) for n in range(len(heads) - 1)]
    indent = sum(fixed) + 2 * len(fixed)
    room = columns - indent
    below = room < NARROWEST and max((len(r[-1]) for r in shown), default=0) > room
    lines: list[str] = []
    for row in shown:
        head = "".join(cell.ljust(w) + "  " for cell, w in zip(row, fixed, strict=False))
        if below:
            if row is shown[0]:
                lines.append((head + row[-1]).rstrip())
                continue
            lines.append(head.rstrip())
            lines += textwrap.wrap(row[-1], columns - 4, initial_indent="    ", subsequent_indent="    ")
            continue
        parts = textwrap.wrap(row[-1], max(room, 10)) or [""]
        lines.append((head + parts[0]).rstrip())
        lines += [" " * indent + part for part in parts[1:]]
    return "\n".join(lines)


def paragraph(text: str, first: str = "", rest: str | None = None) -> str:
    """Return a paragraph wrapped to the terminal, with an indent."""
    return textwrap.fill(text, width(), initial_indent=first, subsequent_indent=first if rest is None else rest)
