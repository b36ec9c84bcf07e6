"""The size commands as a grower meets them."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sashkeeper.cli import main
from sashkeeper.commands.size import size, weather_months
from sashkeeper.errors import InputError

GOOD_LID = ["lid", "--depth", "1.2", "--width", "1.2", "--force", "200", "--speed", "5", "--current", "1.2"]
LIMIT = ["--limit-a", "1.3"]
POWER = ["power", "--lat", "45", "--battery", "40", "--panel", "50"]


def run(*words: str) -> Result:
    """Run the size command."""
    return CliRunner().invoke(size, list(words))


def test_a_sound_lid_says_so_and_gives_the_fittings() -> None:
    """A sound lid ends with exit code 0, the word sound, figures for the fittings, and a caution."""
    result = run(*GOOD_LID, *LIMIT)
    assert result.exit_code == 0, result.output
    assert "Verdict: sound." in result.output
    assert "--fitting travel_ms=" in result.output
    assert "crush" in result.output


def test_an_unsafe_lid_is_refused_with_exit_code_1() -> None:
    """Without a hardware limit the same lid is refused, with the reason and a way out."""
    result = run(*GOOD_LID)
    assert result.exit_code == 1
    assert "do NOT build" in result.output
    assert "Lower the limit of the motor driver" in result.output


def test_a_lid_that_comes_down_too_fast_is_slowed_by_its_fittings() -> None:
    """The verdict asks for less power while shutting, and the fittings carry it to the firmware."""
    drive = GOOD_LID[:GOOD_LID.index("--speed")]
    fast = [*drive, "--speed", "9", "--current", "1.2", *LIMIT]
    result = run(*fast)
    out = json.loads(run(*fast, "--json").output)
    power = out["figures"]["fittings"]["shut_power_permille"]
    assert f"Close with {power} permille of full power" in " ".join(result.output.split())
    assert power * out["figures"]["edge_mm_s"] <= 15_000.5
    slow = json.loads(run(*drive, "--speed", "3", "--current", "1.2", *LIMIT, "--json").output)
    assert "shut_power_permille" not in slow["figures"]["fittings"]


def test_lines_keep_to_a_narrow_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 60 columns nothing but the fittings, which are to be copied, is longer than a line."""
    monkeypatch.setenv("COLUMNS", "60")
    for words in ([*GOOD_LID], [*POWER]):
        lines = run(*words).output.splitlines()
        assert [line for line in lines if len(line) > 60 and "--fitting" not in line] == []


@pytest.mark.parametrize(
    ("words", "missing"), [(["lid"], "--depth"), (GOOD_LID[:5], "--force"), (["power"], "--battery")]
)
def test_what_is_needed_and_missing_is_named(words: list[str], missing: str) -> None:
    """One sentence with the option's name, exit code 2."""
    result = run(*words)
    assert result.exit_code == 2
    assert f"Missing option '{missing}'" in result.output


def test_json_holds_rows_figures_and_verdict() -> None:
    """The machine form carries every safety row and plain numbers."""
    out = json.loads(run(*GOOD_LID, *LIMIT, "--json").output)
    assert out["verdict"] == "sound"
    assert {"SAF-1", "SAF-2", "SAF-3", "SAF-4", "SAF-9", "SAF-10", "SAF-12"} <= {row["id"] for row in out["rows"]}
    assert out["figures"]["closing_n"][2] == pytest.approx(5 * out["figures"]["closing_n"][0])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["lid", "--depth", "-1", "--width", "1", "--force", "1", "--speed", "1", "--current", "1"], "above zero"),
        ([*GOOD_LID, "--idle", "5"], "running free"),
        ([*GOOD_LID, "--place", "2", "0.4", "0.3"], "the lid ends at"),
        (["lid", "--depth", "0.25", *GOOD_LID[3:], "--opening", "80", "--wall", "0.12"], "No place inside"),
        ([*POWER, "--month-sun", "1,2,3"], "twelve numbers"),
        ([*POWER, "--month-sun", "a"], "twelve numbers"),
        (["power", "--battery", "40", "--panel", "50"], "Where is the frame"),
    ],
)
def test_wrong_words_end_with_2_and_a_sentence(words: list[str], said: str) -> None:
    """Bad input is exit code 2 and one clear sentence."""
    result = run(*words)
    assert result.exit_code == 2, result.output
    assert said in result.output


def test_power_says_settings_for_the_board() -> None:
    """A sound supply gives the low and empty voltages for the frame's settings."""
    result = run(*POWER)
    assert result.exit_code == 0, result.output
    assert "--other battery_low_mv=12240" in result.output


def test_power_takes_the_growers_own_place(tmp_path: Path) -> None:
    """Once the place is entered, the latitude need not be given."""
    (tmp_path / "sashkeeper.toml").write_text("[place]\nlat_deg = 57.5\nlon_deg = 12.0\n")
    result = CliRunner().invoke(main, ["--home", str(tmp_path), "size", *POWER[:1], *POWER[3:], "--json"])
    given = run("power", "--lat", "57.5", *POWER[3:], "--json")
    assert json.loads(result.output) == json.loads(given.output)


def test_power_from_a_weather_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of a whole year gives latitude and monthly sun; half a year is refused. Source: invented weather."""
    pytest.importorskip("numba")
    from framesim import weather

    path = tmp_path / "year.csv"
    path.touch()
    words = ["power", "--battery", "40", "--panel", "50", "--weather", str(path)]
    year = weather.invent(47.0, 9.0, date(2027, 1, 1), date(2027, 12, 31), seed=3, name="Testwood")
    monkeypatch.setattr(weather, "read", lambda *_: year)
    lat, months = weather_months(path)
    assert (lat, len(months)) == (47.0, 12)
    assert sum(months) / 12 == pytest.approx(float(year.ghi.mean()) * 24 / 1000, rel=0.02)
    typed = ",".join(str(month) for month in months)
    same = run("power", "--battery", "40", "--panel", "50", "--lat", "47", "--month-sun", typed, "--json")
    assert json.loads(run(*words, "--json").output) == json.loads(same.output)
    half = weather.invent(47.0, 9.0, date(2027, 1, 1), date(2027, 5, 31), seed=3, name="Testwood")
    monkeypatch.setattr(weather, "read", lambda *_: half)
    with pytest.raises(InputError, match="every month"):
        weather_months(path)
    assert run(*words, "--month-sun", "1,1,1,1,1,1,1,1,1,1,1,1").exit_code == 2


def test_power_without_sun_is_refused_and_json_stays_finite() -> None:
    """No sun gives a refusal, and no infinity in the machine form."""
    result = run("power", "--lat", "66", "--battery", "40", "--panel", "10", "--clearness", "0.05", "--json")
    assert result.exit_code == 1
    assert json.loads(result.output)["verdict"] == "refused"
    assert "Infinity" not in result.output


@pytest.mark.parametrize(("words", "said"), [([*GOOD_LID], "do NOT build"), (POWER, "need 22 Wh a day")])
def test_drawings_are_svg_with_words_and_the_verdict(words: list[str], said: str, tmp_path: Path) -> None:
    """Each drawing is well-formed, keeps its text as text, and carries the verdict or the need."""
    picture = tmp_path / "out.svg"
    run(*words, "--drawing", str(picture))
    root = ET.parse(picture).getroot()
    text = " ".join(node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text"))
    assert said in text


def test_a_drawing_that_cannot_be_written_fails_with_a_sentence(tmp_path: Path) -> None:
    """A wrong ending is told in a sentence."""
    result = run(*GOOD_LID, "--drawing", str(tmp_path / "out.xyz"))
    assert result.exit_code == 1
    assert "could not be written" in str(result.exception)
