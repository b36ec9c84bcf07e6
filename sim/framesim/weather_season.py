"""Which years the hours of a weather file belong to.

A typical year is put together from months of different years. It is laid out as one run of
twelve months with the winter in its middle: July to June north of the equator, January to December
south of it. Days are kept, years replaced; 29 February is handled.
"""

from __future__ import annotations

import calendar
from datetime import datetime, timedelta

import numpy as np

from framesim.weather import WeatherError
from framesim.weather_raw import RawWeather

HOUR = timedelta(hours=1)
DAY_H = 24


def map_years(raw: RawWeather, season_year: int | None, default_year: int) -> None:
    """Replace the years of `raw.ends`, in place, and put the hours in order.

    Typical years go to the season that begins in `season_year` (or the default). Tables keep
    their years unless a season year is given; then their first year becomes that one.
    """
    if raw.typical_year:
        _mind_one_year_a_month(raw)
        first_month = 7 if (raw.lat or 0.0) >= 0 else 1
        year = default_year if season_year is None else season_year
        _replace(raw, lambda begin: year if begin.month >= first_month else year + 1)
        raw.notes.append(f"months of a typical year laid out from {raw.ends[0] - HOUR:%B %Y}")
    elif season_year is not None and raw.ends:
        shift = season_year - (raw.ends[0] - HOUR).year
        if shift:
            _replace(raw, lambda begin: begin.year + shift)
            raw.notes.append(f"years moved by {shift:+d}")


def _replace(raw: RawWeather, year_of: object) -> None:
    assert callable(year_of)
    ends: list[datetime] = []
    kept: list[int] = []
    dropped = 0
    for index, end in enumerate(raw.ends):
        begin = end - HOUR
        year = year_of(begin)
        if (begin.month, begin.day) == (2, 29) and not calendar.isleap(year):
            dropped += 1
            continue
        ends.append(begin.replace(year=year) + HOUR)
        kept.append(index)
    if dropped:
        raw.notes.append(f"29 February left out ({dropped} hours)")
    _keep(raw, ends, kept)
    _add_leap_days(raw)
    if raw.typical_year:
        order = sorted(range(len(raw.ends)), key=raw.ends.__getitem__)  # stable: doubled hours stay side by side
        _keep(raw, [raw.ends[i] for i in order], order)


def _add_leap_days(raw: RawWeather) -> None:
    """Where a 29 February is due and the file has none, 28 February is repeated."""
    begins = [end - HOUR for end in raw.ends]
    for year in sorted({begin.year for begin in begins if calendar.isleap(begin.year)}):
        last = [i for i, b in enumerate(begins) if (b.year, b.month, b.day) == (year, 2, 28)]
        has_leap = any((b.year, b.month, b.day) == (year, 2, 29) for b in begins)
        has_march = any((b.year, b.month, b.day) == (year, 3, 1) for b in begins)
        if len(last) != DAY_H or has_leap or not has_march:
            continue
        at = last[-1] + 1
        order = [*range(at), *last, *range(at, len(begins))]
        ends = [raw.ends[i] for i in order]
        for place in range(at, at + DAY_H):
            ends[place] += timedelta(days=1)
        _keep(raw, ends, order)
        raw.notes.append(f"29 February {year} repeats 28 February")
        begins = [end - HOUR for end in raw.ends]


def _keep(raw: RawWeather, ends: list[datetime], indices: list[int]) -> None:
    """Take these entries, with these stamps."""
    raw.ends = ends
    raw.lines = [raw.lines[i] for i in indices]
    picked = np.array(indices, dtype=np.intp)
    raw.columns = {name: column[picked] for name, column in raw.columns.items()}


def _mind_one_year_a_month(raw: RawWeather) -> None:
    years: dict[int, int] = {}
    for index, end in enumerate(raw.ends):
        begin = end - HOUR
        year = years.setdefault(begin.month, begin.year)
        if year != begin.year:
            raise WeatherError(
                f"{raw.line(index)}: year {begin.year} within a {begin:%B} that began as {year}. "
                "Each month of a typical year has one year; correct the line."
            )
