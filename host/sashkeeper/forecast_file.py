"""A weather forecast as the grower (or a small script) hands it in: CSV or JSON, described in docs/forecast.md."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError

LONGEST_GAP_S = 3 * 3600
# Usual error of an outside temperature a day ahead [K], one standard deviation; common practice, no source.
SPREAD_K = 2.0
COLUMNS = ("time", "outside_degc", "sun_percent")


@dataclass(frozen=True)
class Hour:
    """One moment: time [s], outside temperature [degC], share of the clear sky's sun [%] or None."""

    time_s: float
    outside_degc: float
    sun_percent: float | None = None


@dataclass(frozen=True)
class Forecast:
    """Moments in order of time, and how far off such forecasts usually are [K]."""

    hours: tuple[Hour, ...]
    spread_k: float = SPREAD_K

    def between(self, start_s: float, end_s: float) -> tuple[Hour, ...]:
        """Return the moments of start <= time <= end."""
        return tuple(h for h in self.hours if start_s <= h.time_s <= end_s)


def read(path: Path, zone: tzinfo, start_s: float, end_s: float) -> Forecast:
    """Read a forecast that has to reach from start to end [s]. Raises InputError: what is wrong, where, what to do."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise InputError(f"Cannot read the forecast {path}: {fault}. Nothing was forecast.") from fault
    if text.lstrip().startswith("{"):
        rows, spread = _json_rows(path, text)
    else:
        rows, spread = _csv_rows(path, text), SPREAD_K
    hours = [_hour(path, where, row, zone) for where, row in rows]
    _mind(path, hours, zone, start_s, end_s)
    return Forecast(tuple(hours), spread)


def _csv_rows(path: Path, text: str) -> list[tuple[str, Mapping[str, Any]]]:
    reader = csv.DictReader(io.StringIO(text))
    names = reader.fieldnames or []
    if "time" not in names or "outside_degc" not in names:
        raise InputError(
            f"{path}: the first line has to name the columns time and outside_degc (and sun_percent if known); it is "
            f'"{",".join(names)}". Nothing was forecast.'
        )
    return [(f"line {reader.line_num}", row) for row in reader]


def _json_rows(path: Path, text: str) -> tuple[list[tuple[str, Mapping[str, Any]]], float]:
    try:
        body = json.loads(text)
    except json.JSONDecodeError as fault:
        raise InputError(f"{path} is not proper JSON: {fault}. Nothing was forecast.") from fault
    hours = body.get("hours")
    if not isinstance(hours, list) or not all(isinstance(h, dict) for h in hours):
        raise InputError(f'{path}: "hours" has to be a list of objects, see docs/forecast.md. Nothing was forecast.')
    spread = body.get("spread_k", SPREAD_K)
    if not isinstance(spread, int | float) or isinstance(spread, bool) or not 0.0 <= spread <= 15.0:
        raise InputError(f'{path}: "spread_k" is {spread!r}, but has to be 0 to 15 kelvin. Nothing was forecast.')
    return [(f"hours[{n}]", h) for n, h in enumerate(hours)], float(spread)


def _hour(path: Path, where: str, row: Mapping[str, Any], zone: tzinfo) -> Hour:
    text = str(row.get("time") or "").strip()
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(
            f'{path}, {where}: "{text}" is not a time like 2027-01-15T14:00. Nothing was forecast.'
        ) from None
    stamped = when if when.tzinfo is not None else when.replace(tzinfo=zone)
    outside = _number(path, where, row.get("outside_degc"), "outside_degc", -60.0, 50.0)
    if outside is None:
        raise InputError(f"{path}, {where}: outside_degc is missing. Nothing was forecast.")
    return Hour(stamped.timestamp(), outside, _number(path, where, row.get("sun_percent"), "sun_percent", 0.0, 100.0))


def _number(path: Path, where: str, value: Any, name: str, low: float, high: float) -> float | None:
    if value is None or value == "":
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if isinstance(value, bool) or not low <= number <= high:
        raise InputError(
            f"{path}, {where}: {name} is {value!r}, but has to be a number from {low:g} to {high:g}. "
            "Nothing was forecast."
        )
    return number


def _mind(path: Path, hours: Sequence[Hour], zone: tzinfo, start_s: float, end_s: float) -> None:
    def said(time_s: float) -> str:
        return datetime.fromtimestamp(time_s, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M")

    if not hours:
        raise InputError(f"{path} holds no hours. Nothing was forecast.")
    for one, other in pairwise(hours):
        if other.time_s <= one.time_s:
            raise InputError(
                f"{path}: {said(other.time_s)} does not come after {said(one.time_s)}. Put the hours in order. "
                "Nothing was forecast."
            )
    inside = [h.time_s for h in hours if start_s - LONGEST_GAP_S <= h.time_s <= end_s + LONGEST_GAP_S]
    if not inside:
        raise InputError(
            f"{path} reaches from {said(hours[0].time_s)} to {said(hours[-1].time_s)}; {said(start_s)} to "
            f"{said(end_s)} is needed. Get a newer forecast. Nothing was forecast."
        )
    for one_s, other_s in pairwise([start_s, *(t for t in inside if start_s < t < end_s), end_s]):
        if other_s - one_s > LONGEST_GAP_S:
            raise InputError(
                f"{path} has a hole from {said(one_s)} to {said(other_s)}: at most {LONGEST_GAP_S // 3600} hours may "
                f"lie between two rows, from {said(start_s)} to {said(end_s)}. Fill it. Nothing was forecast."
            )
