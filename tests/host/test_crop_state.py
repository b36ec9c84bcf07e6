"""The state of crops and the picking window from stored readings, and a previewed day."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sashkeeper.clock import SetClock
from sashkeeper.season.place import Site
from sashkeeper.store import Reading, Store

Run = Callable[..., Any]
NOW = datetime(2027, 1, 20, 18, tzinfo=UTC).timestamp()  # an invented afternoon, 13 o'clock at the place


@pytest.fixture(autouse=True)
def place(clock: SetClock, home: Path) -> None:
    """An invented garden near 41.4 N."""
    clock.set(NOW)
    (home / "sashkeeper.toml").write_text(
        '[place]\nlat_deg = 41.4\nlon_deg = -75.6\ntimezone = "America/New_York"\n'
    )


def _weather(store: Store, night: Callable[[int], float], noon: float = 6.0, days: int = 20) -> None:
    # Every ten minutes; night(n) is the air of the night n days ago, noon that of 15 to 21 o'clock UTC.
    rows = []
    for k in range(days * 144):
        at = int(NOW) - k * 600
        warm = 15 <= at // 3600 % 24 < 21
        rows.append(Reading("north", 1, k + 1, at, {"air": noon if warm else night(k // 144), "soil": 2.5}))
    store.add_readings(rows)


def _state(run: Run) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run("plant", "state", "north", "--json").output)[0]
    return found


def test_a_cold_month_hardens_and_one_bitter_night_hurts(run: Run, store: Store) -> None:
    """Arugula hardened by a cold month takes a night at -6 degC air as a frost dose; at -2 it takes none."""
    run("plant", "add", "north", "arugula", "--since", "2026-10-01")
    _weather(store, lambda n: -7.0 if n == 1 else -3.0)
    got = _state(run)
    assert got["stage"] == "resting"
    assert got["hardened_share"] > 0.5
    # By hand: leaf -9 for about 18 h, damage from about -5 to -6, so some 50 to 75 degC h.
    assert 40 < got["frost_dose_degc_h"] < 80
    assert got["frost_dose_range_degc_h"][0] <= got["frost_dose_degc_h"] <= got["frost_dose_range_degc_h"][1]
    assert got["frost"] == "loss likely"


def test_mild_nights_leave_no_dose(run: Run, store: Store) -> None:
    """Nights at 0 degC air hurt no hardened spinach; warm noons are counted as heat above the class limit."""
    run("plant", "add", "north", "spinach", "--since", "2026-09-20")
    _weather(store, lambda n: 0.0, noon=28.0)
    got = _state(run)
    assert got["frost_dose_degc_h"] == 0.0
    assert got["frost"] == "no frost damage expected"
    # By hand: 6 h a day at 1 degC over the winter limit of 27, seven days.
    assert got["heat_dose_degc_h"] == pytest.approx(42.0, abs=1.5)


def test_without_readings_nothing_is_claimed(run: Run, store: Store) -> None:
    """No readings: no verdict about frost."""
    run("plant", "add", "north", "spinach", "--since", "2026-09-20")
    assert _state(run)["frost"] == "no readings to judge by"


def test_a_sowing_tells_when_it_comes_up(run: Run, store: Store) -> None:
    """Spinach sown ten days ago in 2.5 degC soil is expected by the soil probe, weeks later.

    Source: Harrington and Minges 1954: 63 days at 0 degC, 23 at 5 degC; halfway by rate 33.7 days, ten of them past.
    """
    run("plant", "add", "north", "spinach", "--since", "2027-01-10")
    _weather(store, lambda n: 0.0)
    got = _state(run)
    assert got["stage"] == "germinating"
    assert got["up_in_days"] == pytest.approx(33.7 - 10, abs=0.1)


def test_picking_follows_the_thaw(run: Run, store: Store, clock: SetClock) -> None:
    """Frozen at dawn: no; two hours after the sun has warmed the frame: yes; and old readings: no."""
    _weather(store, lambda n: -1.0)
    clock.set(NOW - 5 * 3600)  # 8 o'clock
    assert not json.loads(run("pick", "--json").output)[0]["now"]
    clock.set(NOW)
    found = json.loads(run("pick", "north", "--json").output)[0]
    assert found["now"]
    assert "froze to -3.0" in found["why"]
    assert found["windows"][-1]["from_s"] == pytest.approx(NOW - 3 * 3600 + 90 * 60, abs=600)
    assert "north: yes" in run("pick", "north").output
    clock.set(NOW + 7200)
    assert "no fresh readings" in run("pick").output


@pytest.mark.slow
def test_a_preview_shows_a_clear_and_a_dull_day(run: Run, store: Store, tmp_path: Path) -> None:
    """Under the suggested setpoints a clear day opens the lid and stays under scorch, a dull one is cooler."""
    run("plant", "add", "north", "spinach", "--since", "2026-09-20")
    picture = tmp_path / "tomorrow.png"
    got = json.loads(run("setpoints", "preview", "north", "--plot", str(picture), "--json").output)
    clear, dull = got
    assert clear["open_h"] >= 3
    assert clear["peak_degc"] < 32
    assert dull["peak_degc"] < clear["peak_degc"]
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
def test_greensboro_tmy3_degree_days_agree_with_the_day_length_rule() -> None:
    """On the Greensboro year both rules name a best day for spinach within two weeks of each other.

    Source of the weather: NSRDB TMY3, station 723170 Greensboro, North Carolina, as pvlib ships it.
    """
    import pvlib

    from sashkeeper.season import crops, sowing
    from sashkeeper.season.frame_days import frame_days

    site = Site(36.1, -79.95, ZoneInfo("America/New_York"), 273.0)
    days = frame_days(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV", site, 2026)
    assert days[0].day == date(2026, 7, 1)
    assert all(b.day - a.day == timedelta(days=1) for a, b in pairwise(days))
    january = [d for d in days if (d.day.year, d.day.month) == (2027, 1)]
    assert 1.0 < sum(d.light_mj_m2 for d in january) / 31 < 8.0
    dark = sowing.darkness(site, 2026)
    spinach = crops.load().find("spinach")
    by_days = sowing.by_degree_days(spinach, dark, site.season, days)
    assert by_days is not None
    by_light = sowing.by_day_length(spinach, dark, site.season)
    assert abs((by_days.best - by_light.best).days) <= 14


def test_a_weather_file_that_is_none_is_refused(run: Run, tmp_path: Path) -> None:
    """A file that holds no weather: exit code 2 and the reader's own sentence."""
    bad = tmp_path / "w.epw"
    bad.write_text("no weather\n")
    result = run("calendar", "spinach", "--weather", str(bad), code=2)
    assert "Nothing was changed." in result.output


@pytest.mark.parametrize(
    ("begins_h", "ends_h", "still", "words"),
    [
        (9.5, 15.0, False, "could be cut from 09:30 to 15:00"),
        (-14.0, -9.0, False, "could be cut from yesterday 10:00 to 15:00"),
        (-6.5, 3.5, False, "could be cut from yesterday 17:30 to today 03:30"),
        (10.0, 16.0, True, "thawed since 10:00"),
        (-8.0, 16.0, True, "thawed since yesterday 16:00"),
    ],
)
def test_pick_says_the_day_where_it_is_not_today(begins_h: float, ends_h: float, still: bool, words: str) -> None:
    """A window that ran over midnight, one of yesterday and one that goes on are told apart."""
    from datetime import UTC, datetime

    from sashkeeper.commands.pick import _window_words
    from sashkeeper.season.picking import PickingWindow

    midnight_s = datetime(2027, 1, 15, tzinfo=UTC).timestamp()
    window = PickingWindow(midnight_s + begins_h * 3600, midnight_s + ends_h * 3600, "")
    assert _window_words(window, midnight_s + 16 * 3600, UTC, still) == words
