"""sashkeeper simulate: what it prints, what it writes, what it refuses."""

from __future__ import annotations

import csv
import gzip
import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from framesim.weather import invent
from sashkeeper.cli import main

WEATHER = Path(__file__).parents[1] / "reference" / "coldframe-golden" / "weather.csv.gz"
PLACE = ["--lat", "39.74", "--lon", "-105.18", "--elevation", "1829", "--utc-offset", "-7"]


def simulate(home: Path, *words: str, weather: Path = WEATHER) -> Result:
    """Run the command in an empty home."""
    start = ["--home", str(home), "simulate", "--weather", str(weather), *PLACE]
    return CliRunner().invoke(main, [*start, *words])


def test_json_and_hourly(tmp_path: Path) -> None:
    """The agreed figures come as JSON, and the hourly table as CSV with the agreed columns."""
    out = tmp_path / "out.csv"
    result = simulate(
        tmp_path, "--frame", "reference-box", "--lid", "two-point:18:12:600", "--from", "11-08", "--to", "11-12",
        "--hourly", str(out), "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    answer = json.loads(result.output)
    assert answer["days"] == 5
    assert set(answer["hours_above"]) == {"25", "30", "35", "40"}
    assert set(answer["hours_below"]) == {"0", "-5", "-10"}
    assert answer["lid_moves"] > 0
    assert set(answer["crops"]["spinach"]) == {"heat_damage_h", "frost_damage_h", "growing_light_h"}
    assert answer["balance_error"] < 1e-6
    with open(out, encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert ",".join(rows[0]) == "time_end,t_air,t_soil_surf,t_soil_10cm,t_lid_in,q_sol_lid,vent_lps,open_frac"
    assert len(rows) == 1 + 5 * 24


def test_words_for_the_grower(tmp_path: Path) -> None:
    """Without --json the figures are told in words, with the unit chosen."""
    result = simulate(tmp_path, "--frame", "reference-box", "--lid", "closed", "--from", "11-08", "--to", "11-10")
    assert result.exit_code == 0, result.output
    assert "mean daily peak of the air" in result.output
    assert "spinach" in result.output
    assert "estimate" in result.output


def test_settings_of_the_law(tmp_path: Path) -> None:
    """A settings file changes what the law does; JSON and TOML are taken."""
    (tmp_path / "warm.json").write_text('{"settings": {"open_mdegc": 25000, "close_mdegc": 20000}}')
    (tmp_path / "cool.toml").write_text("open_mdegc = 12000\nclose_mdegc = 8000\n")
    peaks = []
    for name in ("warm.json", "cool.toml"):
        result = simulate(
            tmp_path, "--lid", "law", "--settings", str(tmp_path / name), "--from", "11-08", "--to", "11-12", "--json"
        )
        assert result.exit_code == 0, result.output
        peaks.append(json.loads(result.output)["mean_daily_peak_degc"])
    assert peaks[0] > peaks[1]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--lid", "flap"], "no lid rule"),
        (["--lid", "fixed:3"], "between 0 and 1"),
        (["--frame", "greenhous"], "no frame called"),
        (["--set", "bakc_m=1"], "did you mean"),
        (["--set", "night_cover"], "KEY=VALUE"),
        (["--from", "06-01", "--to", "06-30"], "does not hold"),
        (["--from", "Monday"], "month and day"),
        (["--settings", "none.json"], "Cannot read the settings"),
    ],
)
def test_wrong_input_is_said(tmp_path: Path, words: list[str], sentence: str) -> None:
    """Exit code 2, one sentence, no traceback, nothing written."""
    result = simulate(tmp_path, *words, "--hourly", str(tmp_path / "out.csv"))
    assert result.exit_code == 2
    assert sentence in result.output
    assert "Traceback" not in result.output
    assert not (tmp_path / "out.csv").exists()


def test_settings_belong_to_the_law(tmp_path: Path) -> None:
    """--settings with another rule is a mistake, and said."""
    (tmp_path / "s.json").write_text("{}")
    result = simulate(tmp_path, "--lid", "closed", "--settings", str(tmp_path / "s.json"))
    assert result.exit_code == 2
    assert "belong to the law" in result.output


def test_no_such_weather(tmp_path: Path) -> None:
    """A missing weather file is said."""
    result = simulate(tmp_path, weather=tmp_path / "none.epw")
    assert result.exit_code == 2
    assert "no weather file" in result.output


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Another place in the very form of the reference's weather: same columns, packed; twelve invented days."""
    weather = invent(60.0, 25.0, date(2027, 2, 20), date(2027, 3, 3), seed=9, elevation_m=20.0, utc_offset_h=2.0)
    with gzip.open(WEATHER, "rt") as file:
        head = file.readline().strip()
    columns = {"t_out": weather.t_out_degc, "rh_out": weather.rh_percent, "t_sky": weather.t_sky_degc,
               "wind_10m": weather.wind_10m_m_s, "ghi": weather.ghi, "dni": weather.dni,
               "dhi": weather.dhi}  # fmt: skip
    lines = [head]
    for k, end in enumerate(weather.time_s):
        stamp = datetime.fromtimestamp(float(end), UTC) + timedelta(hours=2)
        values = [f"{columns[name][k]:.3f}" if name in columns else "0" for name in head.split(",")[1:]]
        lines.append(f"{stamp:%Y-%m-%dT%H:%M}," + ",".join(values))
    path = tmp_path_factory.mktemp("elsewhere") / "weather.csv.gz"
    path.write_bytes(gzip.compress("\n".join(lines).encode()))
    return path


def at(home: Path, weather: Path, place: str, *words: str) -> Result:
    """The closed reference frame there; place: latitude, longitude, height, zone."""
    options = zip(("--lat", "--lon", "--elevation", "--utc-offset"), place.split(), strict=False)
    start = ["--home", str(home), "simulate", "--weather", str(weather), "--frame", "reference-box"]
    days = ["--from", "02-20", "--to", "03-03", "--json"]
    return CliRunner().invoke(main, [*start, *(w for pair in options for w in pair), *days, *words])


def test_a_table_in_the_form_of_the_reference_from_anywhere(tmp_path: Path, elsewhere: Path) -> None:
    """Any site and frame in that form runs as it is; a warmer ground, two panes more or less, all by --set."""
    ground = "ground_degc=[1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"
    warm = ground.replace("1", "9")
    lows = []
    for changes in ((ground,), (warm,), (ground, "panes=1", "wall_thickness_m=0.02", "closed_ach=4")):
        words = [word for change in changes for word in ("--set", change)]
        result = at(tmp_path, elsewhere, "60.0 25.0 20 2", "--lid", "two-point:18:12:600", *words)
        assert result.exit_code == 0, result.output
        answer = json.loads(result.output)
        assert answer["balance_error"] < 1e-6
        lows.append(answer["mean_daily_minimum_degc"])
    assert lows[2] < lows[0] < lows[1]


@pytest.mark.parametrize(
    ("place", "sentence"),
    [
        ("60.0", "does not say where it was measured. Add --lon, --elevation, --utc-offset"),
        ("60.0 25.0 20 -7", "below the horizon"),
        ("60.0 25.0 20 -2", "Wrong UTC offset"),
        ("60.0 -25.0 20 2", "Wrong UTC offset"),
    ],
)
def test_a_wrong_place_is_found(tmp_path: Path, elsewhere: Path, place: str, sentence: str) -> None:
    """No place, a zone of elsewhere, a zone or a longitude with the wrong sign: one sentence, exit code 2."""
    result = at(tmp_path, elsewhere, place)
    assert result.exit_code == 2
    assert sentence in result.output


def test_a_season_the_table_does_not_hold_is_said(tmp_path: Path, elsewhere: Path) -> None:
    """The days that are there are named."""
    result = at(tmp_path, elsewhere, "60.0 25.0 20 2", "--from", "11-01", "--to", "03-31")
    assert result.exit_code == 2
    assert "does not hold 11-01 to 03-31" in result.output
