"""Spans of time as a grower writes them: a day, a moment, or so long back from now."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo

from .errors import InputError

_BACK = re.compile(r"(\d+(?:\.\d+)?)\s*(min|h|d|w)\Z")
_SECONDS = {"min": 60, "h": 3600, "d": 86_400, "w": 604_800}


def moment(text: str, zone: tzinfo, now_s: float, *, end: bool = False) -> float:
    """Return Unix seconds for ``2026-01-31``, ``2026-01-31 08:00``, or ``12h`` / ``3d`` / ``2w`` back from now.

    A day alone means its beginning, as an end its last moment. Raises InputError.
    """
    text = text.strip()
    if text == "now":
        return now_s + 1 if end else now_s  # this second still belongs to it
    back = _BACK.match(text)
    if back:
        return now_s - float(back[1]) * _SECONDS[back[2]]
    try:
        when = datetime.fromisoformat(text)
        if when.tzinfo is None:
            when = when.replace(tzinfo=zone)
        if end and len(text) == 10:
            when += timedelta(days=1)
        return when.timestamp()
    except (ValueError, OverflowError):
        raise InputError(
            f'"{text}" is not a time. Write 2026-01-31, "2026-01-31 08:00", or a span back from now like 12h, 3d, 2w.'
        ) from None


def between(start: str, end: str, zone: tzinfo, now_s: float) -> tuple[float, float]:
    """Return (start, end) [s]. Raises InputError when they are the wrong way round."""
    start_s, end_s = moment(start, zone, now_s), moment(end, zone, now_s, end=True)
    if start_s >= end_s:
        raise InputError(f'The span from "{start}" to "{end}" holds no time. Put the earlier one first.')
    return start_s, end_s
