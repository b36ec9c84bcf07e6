"""compare and fit as a grower types them."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from framesim.compare import LABELS
from framesim.frame import load
from framesim.weather import invent
from sash import settings
from sashkeeper.clock import SetClock
from sashkeeper.commands.compare import _tell, aim_of, setpoints_of
from sashkeeper.season import crops
from sashkeeper.season.winter_hardness import winter_hardness
from sashkeeper.store import Reading, Store
from tests.sim.fit_trials import Week

Run = Callable[..., Any]


@pytest.fixture
def weather_file(tmp_path: Path) -> Path:
    """Five invented days as a table."""
    weather = invent(42.0, 0.0, date(2027, 2, 20), date(2027, 2, 24), seed=3)
    lines = ["# lat: 42.0", "# lon: 0.0", "# elevation_m: 100", "# utc_offset_h: 0", "# invented: yes",
             "time_end,t_out,rh_out,t_sky,wind_10m,ghi,dni,dhi"]  # fmt: skip
    for k, end in enumerate(weather.time_s):
        stamp = datetime.fromtimestamp(float(end), UTC).strftime("%Y-%m-%dT%H:%M")
        values = (weather.t_out_degc, weather.rh_percent, weather.t_sky_degc, weather.wind_10m_m_s, weather.ghi,
                  weather.dni, weather.dhi)  # fmt: skip
        lines.append(stamp + "," + ",".join(f"{v[k]:.2f}" for v in values))
    path = tmp_path / "days.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_ways_are_compared(run: Run, weather_file: Path, tmp_path: Path) -> None:
    """Every way has its figures; shares run from 0 for the closed lid to 1 for the bound; a picture is drawn."""
    days = ("--from", "02-20", "--to", "02-23")
    picture = tmp_path / "ways.png"
    data = json.loads(run("compare", "--weather", str(weather_file), *days, "--json", "--plot", str(picture)).output)
    ways = {w["name"]: w for w in data["ways"]}
    assert list(ways) == ["closed", "crack", "two-point", "passive", "law", "foresight"]
    assert data["weather_invented"] is True
    assert data["crops"] == ["spinach", "leaf-lettuce"]
    assert ways["foresight"]["cost"] == min(w["cost"] for w in ways.values())
    assert ways["closed"]["overall_share"] == 0.0
    assert ways["foresight"]["overall_share"] == 1.0
    assert ways["law"]["hardening_lost_k"] >= 0.0
    assert set(ways["law"]["crops"]) == {"spinach", "leaf-lettuce"}
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_a_table_of_some_ways_fits_the_screen(run: Run, weather_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the bound there are no shares; lines keep to 80 columns and say what is invented."""
    monkeypatch.setenv("COLUMNS", "80")
    text = run("compare", "--weather", str(weather_file), "--from", "02-20", "--to", "02-23", "--only", "closed,law",
               "--crops", "spinach").output  # fmt: skip
    assert "the law" in text
    assert "foresight  " not in text
    assert "no station ever saw it" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_a_whole_winter_fits_the_screen_too(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With every column at its widest each way keeps to one line of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    way = {"heat_damage_h": 439.7, "frost_damage_h": 804.8, "growing_light_h": 1773.4, "hardening_lost_k": 125.4,
           "lid_moves": 12113, "motor_ah": 27.3, "damage_share": 1.0, "growing_share": 1.0,
           "overall_share": -1.0}  # fmt: skip
    ways = [{**way, "label": label} for label in LABELS.values()]
    degrees = {"open_mdegc": 15000, "close_mdegc": 10000}
    _tell({"frame": "f", "weather": "w", "weather_invented": False, "ways": ways, "law_settings": degrees}, [], None)
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= 80 for line in lines)
    for label in LABELS.values():
        assert next(line for line in lines if line.startswith(label + " ")).endswith("-100")


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (("--only", "law,luck"), 'no way called "luck"'),
        (("--crops", "spinich"), "spinach"),
        (("--crops", ","), "Name at least one crop"),
        (("--frame", "shed"), "no frame called"),
        (("--from", "11-01", "--to", "12-01"), "Choose days inside it"),
    ],
)
def test_wrong_comparisons_are_told_in_a_sentence(run: Run, weather_file: Path, extra: Any, words: str) -> None:
    """Exit code 2, one sentence that says what is wrong."""
    result = run("compare", "--weather", str(weather_file), *extra, code=2)
    assert words in result.output + result.stderr


def test_aims_come_from_the_crop_book() -> None:
    """Scorch of the winter class, first leaf damage, best growth."""
    book = crops.load()
    spinach = book.find("spinach")
    aim = aim_of([spinach], book)
    assert aim.heat_degc == (book.classes[spinach.winter_class].scorch_degc,)
    assert aim.frost_degc == (spinach.leaf_damage_degc[0],)
    assert (aim.low_degc, aim.high_degc) == ((spinach.best_low_degc,), (spinach.best_high_degc,))


def test_the_law_is_set_as_the_crops_are_kept_in_winter() -> None:
    """Hardy crops get the built-in values, a crop of the warmer class its own; together the tightest rules."""
    book = crops.load()
    built_in = settings.defaults()
    hardy = setpoints_of([book.find("spinach"), book.find("leaf-lettuce")], book)
    assert hardy == {name: built_in[name] for name in hardy}
    warmer = next(c for c in book.crops.values() if c.winter_class == "hardy_growing")
    kind = book.classes["hardy_growing"]
    assert setpoints_of([warmer], book)["open_mdegc"] == 1000 * kind.open_degc
    both = setpoints_of([book.find("spinach"), warmer], book)
    assert both["open_mdegc"] == hardy["open_mdegc"]
    assert both["close_mdegc"] == both["open_mdegc"] - 3000
    assert both["min_outside_mdegc"] == 1000 * kind.min_outside_degc
    assert settings.check_values(both) == []


def test_a_warm_spell_softens_and_frost_then_counts() -> None:
    """Cold days harden, three warm days cost degrees, the frost after them lasts more hours below the leaf's limit."""
    spinach = crops.load().find("spinach")
    cold, warm, frost = [2.0] * 24 * 14, [20.0] * 24 * 3, [-6.0] * 10 + [3.0] * 14
    start = datetime(2027, 1, 1, tzinfo=UTC).timestamp()

    def follow(*parts: list[float]) -> Any:
        leaf = [t for part in parts for t in part]
        return winter_hardness(spinach, [start + 3600.0 * (k + 1) for k in range(len(leaf))], leaf, 0.0)

    steady, spell = follow(cold, cold[:72], frost), follow(cold, warm, frost)
    assert steady.lost_k < 0.5
    assert spell.lost_k > 1.0
    assert steady.frost_h == 0.0
    assert spell.frost_h == 10.0


@pytest.fixture
def week(store: Store, clock: SetClock) -> Week:
    """A noisy week of the garden frame, in the store as frame north's readings."""
    found = Week(5, load("garden-frame"), noise=0.3)
    # The store keeps thousandths, and the wind sensor stands at the frame.
    rows: dict[float, dict[str, float]] = {}
    for name, series in found.series.items():
        for time_s, value in series:
            if name != "sky":
                rows.setdefault(float(time_s), {})[name] = float(value)
    store.add_readings([Reading("north", 1, n, t, values) for n, (t, values) in enumerate(sorted(rows.items()))])
    clock.set(found.end_s)
    return found


def test_a_week_in_the_store_is_fitted(run: Run, week: Week) -> None:
    """After a week with all sensors the frame's figures are near those of the description, with their intervals."""
    run("site", "set", "--lat", "45.0", "--lon", "0.0")
    data = json.loads(run("fit", "north", "--days", "7", "--json").output)
    assert data["hours"] >= 160
    sun = data["figures"]["sun"]
    assert sun["told"]
    assert sun["low"] < sun["value"] < sun["high"]
    assert sun["value"] == pytest.approx(week.truth["sun"], rel=0.2)
    assert data["figures"]["closed loss"]["told"]
    assert not data["figures"]["leak"]["told"]
    text = run("fit", "north").output
    assert "90 % interval" in text
    assert "Cannot tell: air changes, closed" in text


def test_a_fit_without_place_or_readings_is_refused(run: Run, store: Store, clock: SetClock) -> None:
    """Without a place: exit 2 and what to do. Without readings: exit 1."""
    result = run("fit", "north", code=2)
    assert "site set" in result.output + result.stderr
    run("site", "set", "--lat", "45.0", "--lon", "0.0")
    clock.set(clock.now_s() + timedelta(days=300).total_seconds())
    result = run("fit", "north", code=1)
    assert "no readings of the air" in result.output + result.stderr
