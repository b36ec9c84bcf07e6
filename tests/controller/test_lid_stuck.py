"""The lid's drive where something is wrong: stalls, dead wires, lying switches, a lid that moves by itself.

Times and limits are our own (marked "chosen" in controller/sash/lid_motion.py), except travel time + 25 % and both
switches active, which follow the fault list after IEC 60730-1 Annex H (class B) as read in makers' notes.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import pytest

from sash import lid_current, lid_table
from sash.lid_motion import NONE

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench

TRAVEL_S = 40
LIMIT_S = TRAVEL_S * 1.25


@pytest.mark.parametrize(
    ("at", "want", "way", "word"),
    [(0, 1000, 1, "stuck-shut"), (1000, 0, -1, "stuck-open"), (500, 1000, 1, "stuck-part"), (500, 0, -1, "stuck-part")],
)
def test_stall_stops_at_once(at: int, want: int, way: int, word: str) -> None:
    """A current above the limit after the starting surge stops the motor in the same step, with its word."""
    bench = LidBench(at=at)
    bench.step(want).step(want)
    assert bench.motion.motor == way
    bench.blocked = {way}
    started = bench.clock_ms
    while bench.motion.motor:
        bench.step(want)
    assert bench.clock_ms - started <= lid_current.BLANK_MS + 2 * 200
    assert (bench.state, bench.fault) == ("stuck", word)


def test_starting_surge_is_no_stall() -> None:
    """In the first 300 ms a high current is the motor starting; one twice the limit is a short."""
    motion = LidBench().motion
    motion.step(5_000, 1000, 1, 0, 0, NONE, 0)
    motion.step(200, 1000, 1, 0, 3_300, NONE, 0)
    assert motion.motor == 1
    motion.step(100, 1000, 1, 0, 3_300, NONE, 0)
    assert motion.motor == 1
    motion.step(1, 1000, 1, 0, 3_000, NONE, 0)
    assert motion.motor == 0
    motion = LidBench().motion
    motion.step(5_000, 1000, 1, 0, 0, NONE, 0)
    motion.step(200, 1000, 1, 0, 6_000, NONE, 0)
    assert (motion.motor, lid_table.FAULTS[motion.fault], motion.latched) == (0, "over-current", 1)


def test_current_just_below_the_limit_is_no_stall() -> None:
    """The limit itself stalls, one less does not."""
    motion = LidBench(at=500).motion
    motion.step(5_000, 1000, 0, 0, 0, NONE, 0)
    for _ in range(10):
        motion.step(200, 1000, 0, 0, 2_999, NONE, 0)
    assert motion.motor == 1
    assert motion.step(200, 1000, 0, 0, 3_000, NONE, 0) is None
    assert motion.motor == 0


def test_tries_again_after_growing_pauses_then_latches() -> None:
    """One short try after 60, 300 and 900 s; then nothing moves until a person or a switch says so."""
    bench = LidBench()
    bench.blocked = {1}
    starts = []
    while bench.clock_ms < 3_000_000:
        bench.step(1000)
        if bench.motion.started:
            starts.append(bench.clock_ms)
    assert len(starts) == 4
    pauses = [round((later - sooner) / 1000) for sooner, later in itertools.pairwise(starts)]
    assert pauses == [pytest.approx(60, abs=6), pytest.approx(300, abs=6), pytest.approx(900, abs=6)]
    assert (bench.motion.latched, bench.state, bench.fault) == (1, "stuck", "stuck-shut")


def test_free_again_after_a_pause_goes_on_by_itself() -> None:
    """When the block is gone by the next try, the lid opens and the fault ends."""
    bench = LidBench()
    bench.blocked = {1}
    bench.run(1000, 30)
    assert bench.fault == "stuck-shut"
    bench.blocked = set()
    bench.run(1000, 120)
    assert (bench.state, bench.fault, bench.motion.tries) == ("open", "", 0)


def test_running_motor_that_leaves_the_shut_switch_made() -> None:
    """Normal current, shut switch still made: stuck-shut by travel time + 25 %."""
    bench = LidBench()
    bench.slips = True
    bench.until_rest(1000)
    assert (bench.fault, bench.state) == ("stuck-shut", "stuck")
    assert bench.motion.took_ms <= LIMIT_S * 1000 + 200


def test_crack_that_leaves_the_shut_switch_made() -> None:
    """A crack takes four seconds: the switch must have opened by twice that, or the lid is stuck."""
    bench = LidBench()
    bench.slips = True
    bench.until_rest(100)
    assert bench.fault == "stuck-shut"
    assert bench.motion.took_ms < 10_000
    assert bench.motion.position_permille == 0


def test_new_try_is_short_when_the_switch_stays_made() -> None:
    """A new try runs a tenth of the travel time, and goes on only if the switch opens."""
    bench = LidBench()
    bench.slips = True
    bench.run(1000, 55)
    assert bench.motion.tries == 1
    bench.run(1000, 80)
    assert bench.motion.tries == 2
    assert bench.motion.took_ms == pytest.approx(4_000, abs=200)


@pytest.mark.parametrize(("at", "want", "word"), [(0, 1000, "stuck-part"), (1000, 0, "stuck-part")])
def test_travel_over_between_the_ends(at: int, want: int, word: str) -> None:
    """Left one end, never came to the other: stuck between, by travel time + 25 %, and the place is unknown."""
    bench = LidBench(at=at)
    bench.speed = 0.5
    bench.until_rest(want)
    assert (bench.fault, bench.motion.position_permille) == (word, NONE)
    assert bench.motion.took_ms <= LIMIT_S * 1000 + 200


def test_dead_motor() -> None:
    """Driven but no current and no movement: motor-dead within two seconds, without hurry to burn it."""
    bench = LidBench()
    bench.dead = True
    bench.until_rest(1000)
    assert (bench.fault, bench.state) == ("motor-dead", "stuck")
    assert bench.motion.took_ms <= 2_000


def test_dead_current_sensor_is_not_a_dead_motor() -> None:
    """No current, but the shut switch opens: the lid moves, so the reading is false and the drive goes on."""
    motion = LidBench().motion
    motion.step(5_000, 1000, 1, 0, 0, NONE, 0)
    for _ in range(150):
        motion.step(200, 1000, 0, 0, 0, NONE, 0)
    assert motion.motor == 1
    for _ in range(60):
        motion.step(200, 1000, 0, 1, 0, NONE, 0)
    assert lid_table.STATES[motion.state] == "open"


def test_open_switch_that_never_makes() -> None:
    """The drive's own end stop cuts the current where the open end should be: open, but the switch is doubted."""
    bench = LidBench()
    bench.open_reads = 0
    bench.until_rest(1000)
    assert (bench.state, bench.fault, bench.motion.latched) == ("open", "lost-position", 0)
    bench.run(1000, 60)
    assert bench.state == "open"
    bench.open_reads = NONE
    bench.run(0, 60)
    assert (bench.state, bench.fault) == ("shut", "")


def test_shut_switch_that_never_makes() -> None:
    """Shut by the drive's own end stop: shut, but the switch is doubted."""
    bench = LidBench(at=1000)
    bench.shut_reads = 0
    bench.until_rest(0)
    assert (bench.state, bench.fault) == ("shut", "lost-position")


def test_switch_that_makes_far_too_early() -> None:
    """Open after a tenth of the time: believed, since a switch is the better witness, but reported."""
    motion = LidBench().motion
    motion.step(5_000, 1000, 1, 0, 0, NONE, 0)
    for _ in range(20):
        motion.step(200, 1000, 0, 0, 300, NONE, 0)
    motion.step(200, 1000, 0, 1, 300, NONE, 0)
    assert lid_table.STATES[motion.state] == "open"
    assert lid_table.FAULTS[motion.doubt] == "lost-position"


@pytest.mark.parametrize(("speed", "word"), [(1.6, ""), (2.2, "lost-position")])
def test_a_fast_drive_is_not_doubted_too_soon(speed: float, word: str) -> None:
    """A fresh battery may be a third faster; more than that is no lid."""
    bench = LidBench()
    bench.speed = speed
    bench.until_rest(1000)
    assert (bench.state, bench.fault) == ("open", word)


def test_both_switches_made_stop_and_are_reported() -> None:
    """Both ends at once cannot be: stop, fault, nothing moves; a minute after one lets go it may."""
    bench = LidBench(at=500)
    bench.step(1000).step(1000)
    bench.shut_reads = bench.open_reads = 1
    bench.step(1000)
    assert (bench.motion.motor, bench.state, bench.fault) == (0, "stuck", "switches-both")
    bench.run(1000, 300)
    assert bench.motion.motor == 0
    bench.shut_reads = bench.open_reads = NONE
    bench.step(1000)
    assert bench.fault == ""
    assert bench.run(1000, 55).motion.motor == 0
    bench.run(1000, 120)
    assert bench.state == "open"


def test_wired_the_wrong_way_round() -> None:
    """Told to open, and the shut switch makes: stop and lost-position."""
    motion = LidBench(at=500).motion
    motion.step(5_000, 1000, 0, 0, 0, NONE, 0)
    motion.step(5_000, 1000, 0, 0, 0, NONE, 0)
    for _ in range(30):
        motion.step(200, 1000, 0, 0, 300, NONE, 0)
    motion.step(200, 1000, 1, 0, 300, NONE, 0)
    assert (motion.motor, lid_table.FAULTS[motion.fault]) == (0, "lost-position")
    assert motion.position_permille == 0


def test_current_without_command() -> None:
    """Current while the motor is off: two readings and two seconds, then over-current, latched."""
    motion = LidBench(at=500).motion
    motion.step(5_000, 500, 0, 0, 100, NONE, 0)
    assert motion.fault == lid_table.WELL
    motion.step(5_000, 500, 0, 0, 100, NONE, 0)
    assert (lid_table.FAULTS[motion.fault], motion.latched) == ("over-current", 1)
    motion = LidBench(at=500).motion
    for _ in range(5):
        motion.step(5_000, 500, 0, 0, 100, NONE, 0)
        motion.step(5_000, 500, 0, 0, 99, NONE, 0)
        motion.current._stray = 0
    assert motion.fault == lid_table.WELL


@pytest.mark.parametrize(("at", "to"), [(0, 300), (1000, 300), (500, 1000), (500, 0), (0, 1000)])
def test_lid_that_moves_by_itself(at: int, to: int) -> None:
    """Two readings that contradict the state: moved-alone; nothing answers for a minute."""
    bench = LidBench(at=at)
    bench.run(at, 20)
    bench.at = to
    bench.step(at)
    assert bench.fault == ""
    bench.step(at)
    assert bench.fault == "moved-alone"
    assert bench.run(at, 55).motion.motor == 0
    bench.run(at, 120)
    assert abs(bench.at - at) <= 12
    assert bench.fault == ""


def test_lid_put_back_by_hand_ends_the_report() -> None:
    """A grower who lifted the shut lid and lets it down again leaves no fault behind."""
    bench = LidBench()
    bench.run(0, 20)
    bench.at = 500
    bench.run(0, 20)
    assert bench.fault == "moved-alone"
    bench.at = 0
    bench.run(0, 10)
    assert (bench.fault, bench.state) == ("", "shut")
