"""The core: readings in, actions out. Every message is checked against its published schema."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law
from sash.reading import NONE

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import CoreBench

SCORCHING = 34_000


# -- control ---------------------------------------------------------------------------------------------
def test_opens_when_it_is_warm_and_tells_it() -> None:
    """First hour: one warm noon, and the lid opens its crack, with move, moved and a report that say why."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = 16_000
    bench.run(60)
    assert 90 <= bench.at <= 112
    move, moved = bench.events("move")[0], bench.events("moved")[0]
    assert (move["from_permille"], move["to_permille"], move["reason"]) == (0, 100, "warm")
    assert moved["took_ms"] > 3_000
    assert moved["peak_ma"] == 300
    report = bench.last("report")
    assert (report["lid"]["state"], report["reason"], report["mode"]) == ("part", "warm", "auto")


def test_one_air_probe_is_enough() -> None:
    """A frame with a single probe and nothing else must open and shut."""
    bench = CoreBench(probes={"air": "1"})
    bench.inputs.battery_mv = NONE
    bench.temperatures = {"air": SCORCHING}
    bench.run(120)
    assert bench.at == 1000
    bench.temperatures = {"air": 5_000}
    bench.run(900)
    assert bench.at == 0
    assert bench.faults == []


@pytest.mark.parametrize("cause", ["power-up", "hold", "order", "fault"])
def test_nothing_moves_for_a_minute(cause: str) -> None:
    """After power-up, release of either hold, or a cleared fault: one minute without movement."""
    bench = CoreBench()
    bench.temperatures["air"] = SCORCHING
    if cause == "hold":
        bench.inputs.hold = 1
        bench.run(300)
        bench.inputs.hold = 0
    elif cause == "order":
        bench.order("hold")
        bench.run(300)
        assert bench.order("release") == ""
    elif cause == "fault":
        bench.blocked = {1}
        bench.run(2_500)
        assert bench.core.motion.latched
        bench.blocked = set()
        assert bench.order("release") == ""
    began = bench.ms
    bench.step()
    while bench.motor == 0:
        bench.step()
        assert bench.ms - began < 120_000
    assert bench.ms - began >= 59_000


def test_saves_before_it_moves_and_after() -> None:
    """The stored state says moving before the motor starts, and where the lid is when it has stopped."""
    bench = CoreBench()
    bench.temperatures["air"] = SCORCHING
    while not bench.motor:
        bench.step()
    assert bench.saved["state"]["moving"] == 1
    bench.run(60)
    assert bench.saved["state"] == {
        "position": 1000, "moving": 0, "hold": 0, "latched": "", "orders_n": 0, "day": 71, "used": 1000,
        "open_ms": bench.core.motion.place.open_ms, "shut_ms": 40_000,
    }  # fmt: skip


def test_a_drive_back_from_a_stall_is_stored_as_a_move_and_ends() -> None:
    """While the lid is driven back from something under it the store says moving, afterwards not."""
    bench = CoreBench(at=1000)
    bench.temperatures["air"] = 5_000
    while bench.motor != -1:
        bench.step()
    bench.run(10)
    bench.blocked = {-1}
    while bench.motor != 1:
        bench.step()
    assert bench.saved["state"]["moving"] == 1
    bench.run(5)
    assert bench.motor == 0
    assert bench.saved["state"]["moving"] == 0


@pytest.mark.parametrize("how", ["hold switch", "hold order", "memory"])
def test_no_drive_back_under_hold_or_in_safe_mode(how: str) -> None:
    """Hands in the frame, by switch or by order, and disturbed memory end the drive back before it begins."""
    bench = CoreBench(at=1000)
    bench.temperatures["air"] = 5_000
    while bench.motor != -1:
        bench.step()
    bench.run(10)
    bench.blocked = {-1}
    while not bench.core.motion._releases:
        bench.step()
    if how == "hold switch":
        bench.inputs.hold = 1
    elif how == "hold order":
        assert bench.order("hold") == ""
    else:
        bench.core._cells._values[3] ^= 4
    for _ in range(20):
        bench.step()
        assert bench.motor == 0


def test_learned_times_survive_a_power_cut() -> None:
    """Travel times learned are stored and believed after a restart; impossible ones are not."""
    bench = CoreBench()
    bench.saved["state"].update(open_ms=44_000, shut_ms=30_000)
    motion = bench.start().core.motion
    assert (motion.place.open_ms, motion.place.shut_ms) == (44_000, 30_000)
    for open_ms, shut_ms in ((10_000, 30_000), (44_000, 70_000), (True, 30_000), ("x", 1)):
        bench.saved["state"].update(open_ms=open_ms, shut_ms=shut_ms)
        motion = bench.start().core.motion
        assert (motion.place.open_ms, motion.place.shut_ms) == (40_000, 40_000)


def test_law_is_asked_in_whole_seconds() -> None:
    """While the lid moves the steps are short; the law must still see time pass as it does."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(30)
    since = bench.core.law_state[lid_law.SINCE_MOVE]
    bench.run(600)
    assert bench.core.law_state[lid_law.SINCE_MOVE] - since == pytest.approx(600, abs=6)


def test_pace_follows_the_lid() -> None:
    """Fast while it moves, half a second while it sounds, slow at rest, as slow as the fittings say."""
    bench = CoreBench(rest_ms=10_000).run(20)
    assert bench.next_ms == 10_000
    bench.temperatures["air"] = SCORCHING
    paces = set()
    for _ in range(400):
        bench.step()
        paces.add((bench.actions.siren, bench.motor, bench.next_ms))
    assert (0, 1, 200) in paces
    assert (1, 0, 500) in paces
    assert (0, 0, 10_000) in paces


# -- witnesses -------------------------------------------------------------------------------------------
def test_stuck_shut_on_a_sunny_day_is_told_at_once() -> None:
    """Told to open, blocked: its fault within travel time + 25 %, the lamp, and the siren when it scorches."""
    bench = CoreBench().run(70)
    bench.blocked = {1}
    bench.temperatures["air"] = SCORCHING
    began = bench.ms
    while "stuck-shut" not in bench.faults:
        bench.step()
    assert bench.ms - began < 50_000
    assert bench.events("fault")[-1]["fault"] == "stuck-shut"
    assert bench.actions.lamp == 1
    sounds = 0
    for _ in range(300):
        bench.step()
        sounds += bench.actions.siren
    assert sounds > 5


def test_silence_button_stops_the_siren_not_the_fault() -> None:
    """The button on the frame silences for an hour; the fault stays and is still reported."""
    bench = CoreBench().run(70)
    bench.blocked = {1}
    bench.temperatures["air"] = SCORCHING
    bench.run(300)
    bench.inputs.ack = 1
    bench.step()
    bench.inputs.ack = 0
    sounds = 0
    while bench.ms < 3_500_000:
        bench.step()
        sounds += bench.actions.siren
    assert sounds == 0
    assert "stuck-shut" in bench.faults
    for _ in range(400):
        bench.step()
        sounds += bench.actions.siren
    assert sounds > 0


def test_no_drop_reveals_a_latch_that_was_left_on() -> None:
    """Switches and current say open, the air goes on rising: told between 8 and 12 minutes after the opening."""
    bench = CoreBench(at=100).run(70)
    bench.temperatures["air"] = 20_000
    while not bench.motor:
        bench.step()
    bench.run(30)
    began = bench.ms
    while "no-drop" not in bench.faults:
        bench.temperatures["air"] += 4
        bench.step()
    assert 420_000 <= bench.ms - began <= 720_000
    bench.temperatures["air"] = 12_500
    bench.run(30)
    assert "no-drop" not in bench.faults


@pytest.mark.parametrize("why", ["air falls", "night", "no warmer than outside", "small step"])
def test_no_drop_is_not_cried_falsely(why: str) -> None:
    """An opening that cools, one at night, one with little to lose, and one small step are no evidence."""
    bench = CoreBench(at=700 if why == "small step" else 100).run(70)
    bench.temperatures["air"] = 20_000
    while not bench.motor:
        bench.step()
    if why == "air falls":
        bench.run(60)
        bench.temperatures["air"] = 18_900
    elif why == "night":
        bench.want(2, lat_mdeg=45_000, lon_mdeg=180_000)
    elif why == "no warmer than outside":
        bench.temperatures["outside"] = 15_500
    bench.run(900)
    assert "no-drop" not in bench.faults


def test_open_in_frost_is_told_when_the_lid_will_not_shut() -> None:
    """A lid that stands open below the frost value for two minutes is one of the two worst alarms."""
    bench = CoreBench(at=1000).run(70)
    bench.blocked = {-1}
    bench.temperatures["air"] = 500
    bench.run(110)
    assert "open-in-frost" not in bench.faults
    bench.run(30)
    assert {"open-in-frost", "stuck-open"} <= set(bench.faults)


def test_hot_though_open_is_told_after_twenty_minutes() -> None:
    """Wide open and still scorching: the grower should lift the lid off."""
    bench = CoreBench(at=1000).run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(1_190)
    assert "hot-though-open" not in bench.faults
    bench.run(30)
    assert "hot-though-open" in bench.faults
    bench.temperatures["air"] = 20_000
    bench.run(90)
    assert "hot-though-open" not in bench.faults


# -- probes ----------------------------------------------------------------------------------------------
@pytest.mark.parametrize("raw", [None, bytes(9), b"\xff" * 9])
def test_lost_air_probe_is_told_and_the_second_takes_over(raw: bytes | None) -> None:
    """Within three samples and 60 s the probe is out, told, and the second one steers."""
    bench = CoreBench().run(70)
    bench.raw["air"] = raw
    bench.temperatures["air2"] = SCORCHING
    bench.run(20)
    assert "probe-air" in bench.faults
    assert bench.core.air_mdegc == pytest.approx(SCORCHING, abs=100)
    bench.run(60)
    assert bench.at == 1000
    del bench.raw["air"]
    bench.run(30)
    assert "probe-air" not in bench.faults


def test_both_air_probes_lost_is_blind_and_told() -> None:
    """Without any air the lid goes to the blind position, with a blind reason and both faults."""
    bench = CoreBench().run(70)
    bench.raw = {"air": None, "air2": None}
    bench.run(120)
    assert {"probe-air", "probe-air2"} <= set(bench.faults)
    assert bench.core.reason == "blind-crack"
    assert "blind" in bench.core.lockouts
    assert 90 <= bench.at <= 112


def test_contradicting_air_probes_are_told() -> None:
    """Ten minutes apart by more than 5 K: a fault, and by day the warmer one steers."""
    bench = CoreBench().run(70)
    bench.temperatures["air2"] = 18_000
    bench.run(700)
    assert "probe-air" in bench.faults
    assert bench.events("fault")[-1]["detail"] == "air and air2 differ"
    assert bench.core.air_mdegc > 17_000
