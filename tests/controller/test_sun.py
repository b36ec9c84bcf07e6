"""The sun on the board, against the SPA, in the desk's floats and in a board's."""

from __future__ import annotations

import csv
import math
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sash import sun

sys.path.insert(0, str(Path(__file__).parent))
import small_floats

REFERENCE = Path(__file__).parents[1] / "reference"
BOARD = small_floats.load(Path(sun.__file__), large={"day_and_second", "local_day"})
ARITHMETIC = pytest.mark.parametrize("suns", [sun, BOARD], ids=["desk", "board"])
DAY_ZERO = datetime(2000, 1, 1, tzinfo=UTC)


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a reference table, comments left out."""
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def day_second(when: datetime) -> tuple[int, int]:
    """Whole days since 2000 and second of the day."""
    since = when - DAY_ZERO
    return since.days, since.seconds


# Source: tests/reference/sun_points.csv (SPA, Reda & Andreas 2004, by pvlib 0.16).
# The low-cost form was measured 0.0128 degrees off at most (2026-2050, 0-65 N); limit 0.02.
@ARITHMETIC
@pytest.mark.parametrize("row", rows("sun_points.csv"), ids=lambda row: row["id"])
def test_reda_andreas_2004_height(row: dict[str, str], suns: Any) -> None:
    """Height within 0.02 degrees of the SPA, on a board as on the desk; equation of time within 3 s."""
    when = datetime.fromisoformat(row["utc"])
    day, second = day_second(when)
    lat, lon = round(float(row["lat_deg"]) * 1000), round(float(row["lon_deg"]) * 1000)
    height = float(suns.height_deg(day, second, lat, lon))
    assert height == pytest.approx(float(row["spa_deg"]), abs=0.02)
    # The published figures of the same formula; printed to four digits, 32-bit rounding on top.
    assert height == pytest.approx(float(row["low_deg"]), abs=0.0015)
    sin_dec, equation = suns.declination_and_equation(day, second)
    assert math.degrees(math.asin(float(sin_dec))) == pytest.approx(float(row["low_dec_deg"]), abs=0.001)
    assert float(equation) * 4 == pytest.approx(float(row["eot_min"]), abs=3 / 60)
    assert suns.height_cdeg(day, second, lat, lon) == pytest.approx(height * 100, abs=0.51)


# Source: tests/reference/sunrise_sunset.csv (roots of the SPA elevation at -0.8333 degrees).
# Limit 15 s below 60 degrees latitude, 25 s at 64 (measured 7 s), for the one refinement pass.
@ARITHMETIC
@pytest.mark.parametrize("row", rows("sunrise_sunset.csv"), ids=lambda row: f"{row['lat_deg']}-{row['day']}")
def test_reda_andreas_2004_rise_and_set(row: dict[str, str], suns: Any) -> None:
    """Sunrise, noon and sunset within 15 s of the SPA roots, day length within 10 s, below 60 degrees."""
    start = datetime.fromisoformat(row["day"] + "T00:00:00+00:00")
    true = {
        name: (datetime.fromisoformat(row[name] + "+00:00") - start).total_seconds()
        for name in ("sunrise", "noon", "sunset")
    }
    lat, lon = round(float(row["lat_deg"]) * 1000), round(float(row["lon_deg"]) * 1000)
    day, _ = day_second(start)
    rise, fall = suns.rise_and_set_s(day, lat, lon)
    limit = 15 if lat < 60_000 else 25
    assert rise == pytest.approx(true["sunrise"], abs=limit)
    assert fall == pytest.approx(true["sunset"], abs=limit)
    assert (fall - rise) / 3600 == pytest.approx(float(row["length_h"]), abs=(10 if lat < 60_000 else 25) / 3600)
    noon = suns.noon_s(day, lon)
    assert noon == pytest.approx(true["noon"], abs=5)
    # The noon height is the SPA's to 0.02 degrees; near the zenith asin in 32 bits is good to 0.02 only.
    height = float(suns.height_deg(day + noon // 86_400, noon % 86_400, lat, lon))
    assert height == pytest.approx(float(row["noon_height_deg"]), abs=0.02 if height < 80 else 0.05)


@ARITHMETIC
def test_no_rise_where_the_sun_stays_down_or_up(suns: Any) -> None:
    """Beyond the polar circle there is no event, and no error either."""
    december, _ = day_second(datetime(2026, 12, 21, tzinfo=UTC))
    june, _ = day_second(datetime(2026, 6, 21, tzinfo=UTC))
    assert suns.rise_and_set_s(december, 70_000, 25_000) == (None, None)
    assert suns.rise_and_set_s(june, 70_000, 25_000) == (None, None)


@pytest.mark.parametrize("lat_mdeg", [0, 30_000, 45_000, 56_000, 65_000])
def test_board_and_desk_agree(lat_mdeg: int) -> None:
    """32-bit floats may move the height by at most 0.02 degrees, the noon by 2 s, at any hour of many days."""
    for day in range(9_496, 18_000, 613):
        for second in range(0, 86_400, 7_201):
            desk = sun.height_deg(day, second, lat_mdeg, -79_950)
            board = float(BOARD.height_deg(day, second, lat_mdeg, -79_950))
            assert board == pytest.approx(desk, abs=0.005 if abs(desk) < 80 else 0.05)
        assert BOARD.noon_s(day, -79_950) == pytest.approx(sun.noon_s(day, -79_950), abs=2)


def test_emulation_rounds_and_refuses() -> None:
    """The emulated board must really lose bits and really refuse large whole numbers."""
    assert float(small_floats.rounded(0.1)) != 0.1
    assert isinstance(BOARD.height_deg(9_500, 40_000, 45_000, 0), np.float32)
    with pytest.raises(small_floats.TooLarge):
        small_floats.rounded(1 << 30)
    with pytest.raises(small_floats.TooLarge):
        BOARD.noon_s(9_500, 1 << 23)  # times 240 is too large


def test_after_noon_turns_at_noon_and_at_midnight() -> None:
    """1 from the meridian passage to midnight of the place, 0 from there to noon, also far from Greenwich."""
    day, _ = day_second(datetime(2026, 3, 20, tzinfo=UTC))
    for lon in (-150_000, -80_000, 0, 25_000, 170_000):
        noon = day * 86_400 + sun.noon_s(day, lon)
        for offset, expected in ((-30, 0), (30, 1), (42_000, 1), (-42_000, 0), (44_500, 0)):
            at = noon + offset
            assert sun.after_noon(at // 86_400, at % 86_400, lon) == expected, (lon, offset)


def test_day_of_year_follows_the_calendar() -> None:
    """Day numbers must agree with the calendar from 2000 to 2099, leap days included."""
    for day in range(36_525):
        assert sun.day_of_year(day) == (DAY_ZERO + timedelta(days=day)).timetuple().tm_yday


def test_days_and_seconds_of_unix_time() -> None:
    """Whole days since 2000 and the second of the day, before and after 2^31 - 1 as well."""
    for when in (datetime(2026, 11, 25, 8, 30, tzinfo=UTC), datetime(2040, 2, 29, 23, 59, 59, tzinfo=UTC)):
        assert sun.day_and_second(int(when.timestamp())) == day_second(when)


def test_local_day_turns_near_the_midnight_of_the_place() -> None:
    """The day that the travel budget counts must not turn in the middle of a western afternoon."""
    at = int(datetime(2026, 11, 26, 1, 0, tzinfo=UTC).timestamp())
    day, _ = sun.day_and_second(at)
    assert sun.local_day(at, -105_000) == day - 1
    assert sun.local_day(at, 0) == day
    assert sun.local_day(at + 23 * 3600, 150_000) == day + 1


def test_namespace_of_the_board_is_complete() -> None:
    """The emulated module offers what the real one does."""
    assert isinstance(BOARD, SimpleNamespace)
    for name in ("height_cdeg", "after_noon", "noon_s", "rise_and_set_s", "day_of_year", "local_day"):
        assert callable(getattr(BOARD, name))
