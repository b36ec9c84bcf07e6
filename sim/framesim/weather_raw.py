"""What a weather file says before it has been checked: stamps, line numbers, columns."""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from framesim.weather import Array, WeatherError

# Columns every file has to bring; the others have a default.
NEEDED = ("t_out_degc", "wind_10m_m_s", "ghi", "dni", "dhi")


@dataclass
class RawWeather:
    """One file as read. Columns bear the names of Weather's fields, in its units; NaN where missing."""

    path: Path
    kind: str  # "EPW", "TMY3", "table"
    ends: list[datetime]  # end of each interval, local standard time, years as in the file
    lines: list[int]  # line of the file each came from
    columns: dict[str, Array]
    lat: float | None
    lon: float | None
    elevation_m: float | None
    utc_offset_h: float | None
    name: str
    source: str
    typical_year: bool  # True: months come from different years and are mapped onto one season
    invented: bool = False
    notes: list[str] = field(default_factory=list)

    def line(self, index: int) -> str:
        """File and line of an entry, for messages."""
        return f"{self.path.name}, line {self.lines[index]} ({self.ends[index]:%d %b %Y %H:%M})"


def read_text(path: Path) -> str:
    """The file's text, unpacked when it is gzip; one sentence when it cannot be had."""
    try:
        data = path.read_bytes()
        if data[:2] == b"\x1f\x8b":
            data = gzip.decompress(data)
    except (OSError, EOFError) as error:
        reason = getattr(error, "strerror", None) or error
        raise WeatherError(f"{path}: the weather file cannot be read ({reason}). Check its path.") from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # older station names


def number(text: str, path: Path, line: int, column: str) -> float:
    """One field; empty counts as missing."""
    text = text.strip()
    if not text or text.lower() in ("nan", "na"):
        return math.nan
    try:
        return float(text)
    except ValueError:
        raise WeatherError(
            f'{path.name}, line {line}: "{text}" in column {column} is no number. Correct it or empty the field.'
        ) from None


def take_columns(
    rows: Sequence[tuple[int, list[str]]],
    wanted: Sequence[tuple[str, int, str, Callable[[float], float]]],
    path: Path,
) -> dict[str, Array]:
    """Columns out of split rows: (our name, position, the file's name, conversion that also knows missing marks)."""
    columns = {}
    for ours, place, theirs, convert in wanted:
        values = [convert(number(fields[place], path, line, theirs)) for line, fields in rows]
        columns[ours] = np.array(values, dtype=np.float64)
    return columns


def missing_from(least: float, scale: float = 1.0) -> Callable[[float], float]:
    """Conversion: numbers from `least` up are the format's mark for missing; others are scaled."""
    return lambda value: math.nan if value >= least else value * scale


def missing_below(most: float, scale: float = 1.0) -> Callable[[float], float]:
    """Conversion: numbers from `most` down are the format's mark for missing; others are scaled."""
    return lambda value: math.nan if value <= most else value * scale
