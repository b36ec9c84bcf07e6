"""Bad weather files are refused in one sentence with the line, or repaired only where that was asked, and counted."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from framesim.weather import Weather, WeatherError, invent, read
from framesim.weather_checks import centre_of_day_h, check_sun

PLACE: dict[str, Any] = {"lat": 47.0, "lon": 9.0, "elevation_m": 400.0, "utc_offset_h": 1.0}
HEADER = "time_end,t_out_degc,rh_percent,wind_10m_m_s,ghi,dni,dhi"


@pytest.fixture(scope="module")
def week() -> Weather:
    """Seven clear days that nobody ever saw."""
    return invent(47.0, 9.0, date(2027, 2, 1), date(2027, 2, 7), seed=4, days=["clear"], name="Testwood")


@pytest.fixture
def lines(week: Weather) -> list[str]:
    """The week as a table, header first: line n of the file is lines[n - 1]."""
    out = [HEADER]
    for i in range(len(week)):
        day, hour = divmod(i + 1, 24)
        values = [week.t_out_degc[i], week.rh_percent[i], week.wind_10m_m_s[i], week.ghi[i], week.dni[i], week.dhi[i]]
        out.append(f"2027-02-{day + 1:02}T{hour:02}:00," + ",".join(f"{value:.2f}" for value in values))
    return out


@pytest.fixture
def attempt(tmp_path: Path) -> Any:
    """Reads lines as a file."""

    def run(lines: list[str], **hints: Any) -> Weather:
        path = tmp_path / "week.csv"
        path.write_text("\n".join(lines) + "\n")
        return read(path, **{**PLACE, **hints})

    return run


def field(line: str, place: int, value: str) -> str:
    """One field replaced."""
    words = line.split(",")
    words[place] = value
    return ",".join(words)


def test_good_week_passes(lines: list[str], attempt: Any) -> None:
    """The unspoilt week is read whole."""
    weather = attempt(lines)
    assert len(weather) == 168
    assert weather.filled_hours == 0


def test_gap_is_refused_and_filled_where_asked(lines: list[str], attempt: Any) -> None:
    """Three hours out: refused with line and count; filled on a straight line, and counted."""
    spoilt = lines[:40] + lines[43:]
    with pytest.raises(WeatherError, match=r"line 41 .*: 3 hours are missing before it .* ask for filling"):
        attempt(spoilt)
    weather = attempt(spoilt, fill=True)
    assert weather.filled_hours == 3
    assert len(weather) == 168
    before, after = float(lines[39].split(",")[1]), float(lines[43].split(",")[1])
    np.testing.assert_allclose(weather.t_out_degc[39:42], np.interp([1, 2, 3], [0, 4], [before, after]))


def test_sun_in_a_gap_comes_from_the_days_beside(lines: list[str], attempt: Any) -> None:
    """Noon hours out: filled with the mean of the same hours of the day before and after, no straight line."""
    noon = 1 + 2 * 24 + 11
    weather = attempt(lines[:noon] + lines[noon + 2 :], fill=True)
    beside = (float(lines[noon - 24].split(",")[4]) + float(lines[noon + 24].split(",")[4])) / 2
    assert weather.ghi[noon - 1] == pytest.approx(beside)


def test_long_gap_is_refused_even_when_filling(lines: list[str], attempt: Any) -> None:
    """Seven hours are more than the six that may be filled, unless more are allowed."""
    spoilt = lines[:40] + lines[47:]
    with pytest.raises(WeatherError, match=r"7 hours are missing .* At most 6 are filled"):
        attempt(spoilt, fill=True)
    assert attempt(spoilt, fill=True, max_gap_h=8).filled_hours == 7


@pytest.mark.parametrize("missing", ["", "NaN", "nan"])
def test_missing_value_is_refused_and_filled_where_asked(lines: list[str], attempt: Any, missing: str) -> None:
    """Empty or NaN counts as missing."""
    lines[30] = field(lines[30], 1, missing)
    with pytest.raises(WeatherError, match=r"line 31 .*: no value for t_out_degc\. Add it, or ask for filling"):
        attempt(lines)
    assert attempt(lines, fill=True).filled_hours == 1


def test_missing_humidity_everywhere_is_refused(lines: list[str], attempt: Any) -> None:
    """A column of nothing cannot be filled."""
    spoilt = [lines[0], *(field(line, 2, "") for line in lines[1:])]
    with pytest.raises(WeatherError, match="humidity"):
        attempt(spoilt)
    with pytest.raises(WeatherError, match="168 hours in a row"):
        attempt(spoilt, fill=True)


def test_doubled_hour_is_refused_and_dropped_where_asked(lines: list[str], attempt: Any) -> None:
    """The same hour twice, as after a change to summer time."""
    spoilt = [*lines[:50], lines[49], *lines[50:]]
    with pytest.raises(WeatherError, match=r"line 51 .*: this hour is there twice \(first in line 50\)"):
        attempt(spoilt)
    weather = attempt(spoilt, fill=True)
    assert (len(weather), weather.filled_hours) == (168, 1)


def test_wrong_year_goes_back_or_leaps(lines: list[str], attempt: Any) -> None:
    """One line with another year is named."""
    back = lines.copy()
    back[60] = back[60].replace("2027-", "2026-")
    with pytest.raises(WeatherError, match=r"line 61 .* time goes back. Wrong year"):
        attempt(back)
    leap = lines.copy()
    leap[60] = leap[60].replace("2027-", "2029-")
    with pytest.raises(WeatherError, match=r"line 61 .* 731 days after the line before. Wrong year"):
        attempt(leap)


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [
        (1, "99.9", "t_out_degc 99.9 C is outside -75 to 60"),
        (1, "inf", "t_out_degc inf C"),
        (2, "250", "rh_percent 250 % is outside"),
        (3, "-1", "wind_10m_m_s -1 m/s is outside"),
        (4, "3000", "ghi 3000 W/m2 is outside"),
        (4, "many", '"many" in column ghi is no number'),
        (0, "2027-02-02T10:30", "is no full hour"),
        (0, "2027-02-02T10:00+01:00", "is no full hour"),
    ],
)
def test_impossible_values_are_named(lines: list[str], attempt: Any, place: int, value: str, says: str) -> None:
    """Line, column, value and what is possible."""
    lines[34] = field(lines[34], place, value)
    with pytest.raises(WeatherError, match="line 35.*" + re.escape(says)):
        attempt(lines)


@pytest.mark.parametrize("offset", [-11.0, -7.0, -1.0, 0.0, 2.0, 3.0, 9.0])
def test_wrong_zone_is_found(lines: list[str], attempt: Any, offset: float) -> None:
    """An hour or more off, radiation and sun disagree, whichever way."""
    with pytest.raises(WeatherError, match="Wrong UTC offset"):
        attempt(lines, utc_offset_h=offset)


def test_wrong_side_of_greenwich_is_found(lines: list[str], attempt: Any) -> None:
    """A longitude with the sign lost, with a zone that fits the right place."""
    with pytest.raises(WeatherError, match="longitude"):
        attempt(lines, lon=-9.0)


def test_zone_check_sees_under_an_hour_in_the_centre_of_the_day(week: Weather) -> None:
    """The true week is centred at the sun's noon within two minutes."""
    centre_h, days = centre_of_day_h(week)
    assert abs(centre_h) < 2 / 60
    assert days >= 5


def test_zone_check_can_be_left_out(lines: list[str], attempt: Any) -> None:
    """Where somebody knows better."""
    assert len(attempt(lines, utc_offset_h=3.0, check_sun=False)) == 168


def test_dull_polar_week_passes_the_sun_check() -> None:
    """Where no sun shines there is nothing to complain of."""
    dark = invent(80.0, 20.0, date(2026, 12, 1), date(2026, 12, 7), days=["overcast"])
    assert dark.ghi.max() == 0
    check_sun(dark, None)  # type: ignore[arg-type]


def test_place_has_to_be_said(lines: list[str], attempt: Any) -> None:
    """All that is missing is asked for at once, by the option's name."""
    with pytest.raises(WeatherError, match="Add --lat, --elevation"):
        attempt(lines, lat=None, elevation_m=None)
    with pytest.raises(WeatherError, match="lat 147 is outside"):
        attempt(lines, lat=147.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"", "is empty"),
        (b"hello\nworld\n", "neither EPW"),
        (b"time_end,t_out\n2027-01-01T01:00,3\n", "has no column wind_10m_m_s"),
        (HEADER.encode() + b"\n", "no hours after the header"),
        (HEADER.encode() + b"\n2027-01-01T01:00,3\n", "line 2: 2 fields where the header has 7"),
        (b"\x1f\x8bbroken", "cannot be read"),
        (b"a,b\nDate (MM/DD/YYYY),Time\n", "station line has 2 fields, not 7"),
    ],
)
def test_what_is_no_weather_file_is_refused(tmp_path: Path, text: bytes, says: str) -> None:
    """Each kind of rubbish has its sentence."""
    path = tmp_path / "x.csv"
    path.write_bytes(text)
    with pytest.raises(WeatherError, match=says):
        read(path, **PLACE)


def test_missing_file_is_named(tmp_path: Path) -> None:
    """The path is in the sentence."""
    with pytest.raises(WeatherError, match=r"none\.epw: the weather file cannot be read"):
        read(tmp_path / "none.epw")
