"""What the core tells: readings, reports, events, faults of supply, wind and clock.

Every message is checked against its published schema.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law
from sash.reading import NONE

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import NOON_S, CoreBench

SCORCHING = 34_000


# -- supply, wind, clock ---------------------------------------------------------------------------------
def test_battery_is_read_at_rest() -> None:
    """The voltage dips while the motor runs; that is not an empty battery."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    while not bench.motor:
        bench.step()
    bench.inputs.battery_mv = 10_900
    while bench.motor:
        bench.step()
    bench.inputs.battery_mv = 12_500
    bench.run(100)
    assert bench.at == 1000
    assert bench.events("fault") == []
    bench.inputs.battery_mv = 11_000
    bench.run(60)
    assert "battery-empty" in bench.faults
    bench.inputs.battery_mv = 11_650
    bench.run(60)
    assert "battery-low" in bench.faults


def test_wind_shut_is_a_fault_only_while_it_holds_the_lid() -> None:
    """Wind may override comfort but must say so; a lid that is shut anyway is not held by wind."""
    bench = CoreBench(at=400).run(70)
    bench.inputs.wind_mms = 13_000
    bench.run(120)
    assert bench.at == 0
    bench.temperatures["air"] = 20_000
    bench.run(30)
    assert "wind-shut" in bench.faults
    bench.temperatures["air"] = 5_000
    bench.run(30)
    assert "wind-shut" not in bench.faults


def test_clock_lost_is_told_after_ten_minutes() -> None:
    """No clock for ten minutes is a fault; times in messages are null, readings carry no time."""
    bench = CoreBench(unix_s=NONE).run(590)
    assert "clock-lost" not in bench.faults
    bench.run(30)
    assert "clock-lost" in bench.faults
    assert bench.last("report")["time_s"] is None
    assert "bt" not in bench.last("readings")[0]


def test_place_never_set_uses_no_sun() -> None:
    """Latitude and longitude both zero mean that nobody has set the place: no sun height is made up."""
    bench = CoreBench(settings={"lat_mdeg": 0, "lon_mdeg": 0}).run(20)
    assert bench.core._sun_cdeg == lid_law.NO_SUN
    assert bench.core._day_of_year == 71
    placed = CoreBench().run(20)
    # Source: SPA gives 41.97 degrees at 45 N 0 E, 2026-03-12T12:00Z (pvlib 0.16, computed for this test).
    assert placed.core._sun_cdeg == pytest.approx(4_180, abs=40)


# -- telling ---------------------------------------------------------------------------------------------
def test_readings_carry_numbers_times_and_all_values() -> None:
    """Every report_s one pack with rising numbers, whole times, and what is fitted."""
    bench = CoreBench()
    bench.inputs.light_lx, bench.inputs.wind_mms, bench.inputs.humidity_permille = 20_000, 1_500, 805
    bench.run(1_300)
    packs = [content for suffix, content in bench.messages if suffix == "readings"]
    assert [pack[0]["v"] for pack in packs] == [1, 2, 3]
    assert [pack[0]["bt"] for pack in packs] == [NOON_S, NOON_S + 600, NOON_S + 1_200]
    values = {record["n"]: record["v"] for record in packs[-1]}
    assert values["boot"] == 1
    assert values["air"] == pytest.approx(12.0, abs=0.1)
    assert {"battery": 12.6, "light": 20_000, "wind": 1.5, "humidity": 80.5, "lid": 0.0, "target": 0.0}.items() <= (
        values.items()
    )


def test_missing_values_are_left_out() -> None:
    """What is not fitted or not answering has no record."""
    bench = CoreBench(probes={"air": "1", "soil": "2"})
    bench.raw["soil"] = None
    bench.inputs.battery_mv = NONE
    bench.run(700)
    assert {record["n"] for record in bench.last("readings")} == {"seq", "boot", "air", "lid", "target", "current"}


def test_report_goes_out_on_change_and_every_ten_minutes() -> None:
    """Nothing new: one report in ten minutes. A new reason alone: at most one a minute."""
    bench = CoreBench().run(300)
    bench.messages.clear()
    bench.run(6_000)
    assert sum(suffix == "report" for suffix, _ in bench.messages) == 10
    bench.messages.clear()
    for _ in range(60):
        bench.temperatures["air"] = 9_500 if bench.temperatures["air"] == 10_500 else 10_500
        bench.run(10)
    assert sum(suffix == "report" for suffix, _ in bench.messages) <= 12


def test_events_have_their_own_rising_numbers() -> None:
    """Events count from 1 at each start, without gaps, apart from the readings."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(100)
    numbers = [content["seq"] for suffix, content in bench.messages if suffix == "events"]
    assert numbers == list(range(1, len(numbers) + 1))
    bench.messages.clear()
    bench.start("watchdog").run(5)
    (reset,) = bench.events("reset")
    assert (reset["boot"], reset["seq"], reset["cause"]) == (2, 1, "watchdog")


def test_fault_and_cleared_come_in_pairs() -> None:
    """Each fault is told once when it begins and once when it ends."""
    bench = CoreBench().run(70)
    for _ in range(3):
        bench.raw["soil"] = None
        bench.run(60)
        bench.raw.clear()
        bench.run(60)
    told = [(e["kind"], e["fault"]) for _, e in bench.messages if e and isinstance(e, dict) and "fault" in e]
    assert told == [("fault", "probe-soil"), ("cleared", "probe-soil")] * 3


def test_locate_sounds_for_half_a_minute() -> None:
    """Siren and lamp for 30 s, then quiet."""
    bench = CoreBench().run(70)
    assert bench.order("locate") == ""
    bench.run(25)
    assert (bench.actions.siren, bench.actions.lamp) == (1, 1)
    bench.run(15)
    assert (bench.actions.siren, bench.actions.lamp) == (0, 0)


def test_bench_mode_moves_nothing_by_itself() -> None:
    """On the work bench the frame reads and reports but does not drive."""
    bench = CoreBench(bench=1)
    bench.temperatures["air"] = SCORCHING
    bench.run(300)
    assert (bench.at, bench.core.mode) == (0, "bench")


def test_wet_and_cold_lid_is_tried_gently() -> None:
    """After rain and near freezing the shut lid is driven with less force."""
    bench = CoreBench().run(70)
    bench.temperatures["outside"] = 500
    bench.inputs.rain = 1
    bench.run(10)
    assert bench.core.motion.icy == 1
    bench.inputs.rain = 0
    bench.run(12 * 3600 + 60)
    assert bench.core.motion.icy == 0


def test_repr_says_what_matters() -> None:
    """One line for logs and tests."""
    bench = CoreBench().run(20)
    assert repr(bench.core).startswith("<Frame north shut at 0 permille, told 0, in-band, air 12")


@pytest.mark.parametrize("why", ["hold", "safe"])
def test_a_stall_in_the_step_of_a_hold_drives_nothing_back(why: str) -> None:
    """The lid meets something in the very step in which a hold is ordered or safe mode begins: nothing moves then."""
    bench = CoreBench(at=1000)
    bench.temperatures["air"] = 4_000
    while not (bench.motor == -1 and bench.at < 800):
        bench.step()
    bench.blocked = {-1}
    if why == "hold":
        assert bench.order("hold") == ""
    else:
        bench.core.distrust("a test")
        bench.step()
    assert "stuck-part" in bench.faults, "the stall came in that step"
    at = bench.at
    for _ in range(20):
        assert bench.step(dt_ms=200).motor == 0
    assert bench.at == at


def test_after_a_crash_the_reset_says_what_the_program_stopped_with() -> None:
    """The first event after a crash carries its text, cut to what the schema allows; else there is no detail."""
    bench = CoreBench()
    bench.start("crash")
    bench.core.crash_text = "ValueError: " + "x" * 300
    bench.step()
    assert bench.events("reset")[-1]["cause"] == "crash"
    assert bench.events("reset")[-1]["detail"] == ("ValueError: " + "x" * 300)[:200]
    assert "detail" not in CoreBench().run(1).events("reset")[-1]
