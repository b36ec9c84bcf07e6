"""The lid's drive: where it stops, and when it may move again.

Times and limits are our own (marked "chosen" in controller/sash/lid_motion.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_current, lid_motion, lid_table
from sash.lid_motion import NONE

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench

TRAVEL_S = 40
LIMIT_S = TRAVEL_S * 1.25


# -- ordinary drives -------------------------------------------------------------------------------------
@pytest.mark.parametrize("reverse", [0, 1])
def test_drives_to_each_opening(reverse: int) -> None:
    """Crack, half, open and shut are reached within a hundredth, with either wiring."""
    bench = LidBench(reverse=reverse)
    for want, state in ((100, "part"), (500, "part"), (1000, "open"), (300, "part"), (0, "shut"), (1000, "open")):
        bench.run(want, 60)
        assert bench.state == state
        assert abs(bench.at - want) <= 12
        assert abs(bench.motion.position_permille - want) <= 12
        assert bench.fault == ""


def test_done_and_started_are_told_for_one_step() -> None:
    """The core hears of each beginning and end once, with duration and peak current."""
    bench = LidBench()
    bench.step(1000)
    assert (bench.motion.started, bench.motion.done, bench.motion.from_permille) == (1, 0, 0)
    starts, ends = 1, 0
    while bench.motion.motor:
        bench.step(1000)
        starts += bench.motion.started
        ends += bench.motion.done
    assert (starts, ends) == (1, 1)
    assert 39_000 < bench.motion.took_ms < 42_000
    assert bench.motion.current.peak_ma == 300
    bench.step(1000)
    assert bench.motion.done == 0


def test_soft_start_and_full_power() -> None:
    """Power rises from three tenths to full within a second, and is 0 at rest."""
    bench = LidBench()
    duties = [bench.step(1000).motion.duty_permille for _ in range(8)]
    assert duties == [300, 440, 580, 720, 860, 1000, 1000, 1000]
    bench.until_rest(1000)
    assert bench.motion.duty_permille == 0


def test_no_move_for_a_hundredth() -> None:
    """A lid that stands within a hundredth of what is wanted is left alone."""
    bench = LidBench(at=400)
    assert bench.step(410).step(410).motion.motor == 0
    assert bench.step(389).motion.motor != 0


def test_new_wish_ahead_is_taken_over() -> None:
    """While opening to the crack it may be told to go on; the motor does not stop between."""
    bench = LidBench().step(100)
    for _ in range(10):
        assert bench.step(100).motion.motor == 1
    bench.until_rest(400)
    assert abs(bench.at - 400) <= 12
    assert [word for _, word in bench.log] == ["opening", "part"]


def test_new_wish_behind_stops_first_and_turns_after_a_pause() -> None:
    """Turning round means standing still for half a second at least."""
    bench = LidBench(at=500)
    for _ in range(20):
        bench.step(1000)
    assert bench.motion.motor == 1
    assert bench.step(0).motion.motor == 0
    assert bench.step(0, dt_ms=200).motion.motor == 0
    assert bench.step(0, dt_ms=200).motion.motor == 0
    assert bench.step(0, dt_ms=200).motion.motor == -1


def test_withdrawn_wish_stops_the_drive() -> None:
    """No wish, no movement: the lid stays where it is."""
    bench = LidBench()
    for _ in range(20):
        bench.step(1000)
    assert bench.step(NONE).motion.motor == 0
    assert bench.state == "part"
    at = bench.at
    assert bench.run(NONE, 600).at == at


def test_closing_is_announced_opening_is_not() -> None:
    """Before shutting the siren sounds for the set time; a withdrawn wish ends it."""
    bench = LidBench(at=1000, warn_ms=5_000)
    bench.run(1000, 10)
    bench.motion._announce = 0
    sounded = 0
    while not bench.motion.motor:
        bench.step(0, dt_ms=500)
        sounded += bench.motion.siren
    assert sounded == 10
    assert bench.motion.siren == 0
    bench.until_rest(0)
    bench.step(400)
    assert (bench.motion.siren, bench.motion.motor) == (0, 1)
    bench.until_rest(400)
    bench.step(0)
    assert bench.motion.siren == 1
    bench.step(400)
    assert bench.motion.siren == 0


def test_first_drive_after_power_up_is_announced_too() -> None:
    """After a quiet minute even opening is announced: somebody may have got used to a still lid."""
    bench = LidBench(warn_ms=5_000)
    bench.step(1000)
    assert (bench.motion.siren, bench.motion.motor) == (1, 0)
    bench.run(1000, 6)
    assert bench.motion.motor == 1


# -- without switches, with a potentiometer, power-up ----------------------------------------------------
def test_without_switches_current_or_time_ends_the_drive() -> None:
    """A drive with end stops of its own cuts its current at the end: that is the end, not a dead motor."""
    bench = LidBench(end_switches=0)
    bench.run(1000, 60)
    assert (bench.state, bench.fault, bench.at) == ("open", "", 1000)
    bench.run(0, 60)
    assert (bench.state, bench.fault, bench.at) == ("shut", "", 0)
    bench.no_sensor = True
    bench.run(1000, 80)
    assert (bench.state, bench.fault) == ("open", "")
    assert bench.motion.took_ms == pytest.approx(LIMIT_S * 1000, abs=400)


def test_without_switches_a_stall_near_the_end_is_the_end() -> None:
    """No end stops: the motor stalls at the end of its travel."""
    bench = LidBench(end_switches=0)
    bench.step(1000)
    while bench.at < 985:
        bench.step(1000)
    bench.blocked = {1}
    bench.until_rest(1000)
    assert (bench.state, bench.fault) == ("open", "")


def test_potentiometer_outranks_time() -> None:
    """With a potentiometer a slow motor still stops at the right place."""
    bench = LidBench(pot=1)
    bench.speed = 0.5
    bench.run(400, 80)
    assert abs(bench.at - 400) <= 12


def test_switch_and_potentiometer_that_contradict_each_other() -> None:
    """A shut switch that is made while the potentiometer says half open is reported, and no drive is left running."""
    bench = LidBench(at=500, pot=1)
    bench.shut_reads = 1
    bench.run(300, 60)
    assert bench.motion.motor == 0
    assert bench.fault in ("lost-position", "stuck-shut")
    motion = LidBench(pot=1).motion
    motion.step(5_000, 0, 1, 0, 0, 0, 0)
    motion.step(5_000, 300, 1, 0, 0, 700, 0)
    assert (motion.motor, lid_table.STATES[motion.state]) == (0, "shut")
    assert lid_table.FAULTS[motion.doubt] == "lost-position"


@pytest.mark.parametrize(("want", "end"), [(0, "shut"), (499, "part"), (500, "part"), (1000, "open")])
def test_lost_lid_looks_for_an_end_gently(want: int, end: str) -> None:
    """Caught moving by a power cut: towards shut, or towards open when much opening is wanted, with less power."""
    bench = LidBench(at=600, moving=1)
    assert (bench.motion.position_permille, bench.state) == (NONE, "unknown")
    bench.step(want)
    assert bench.motion.motor == (1 if want >= 500 else -1)
    for _ in range(10):
        bench.step(want)
    assert bench.motion.duty_permille == lid_current.GENTLE
    bench.run(want, 150)
    assert (bench.state, bench.fault) == (end, "")
    assert abs(bench.at - want) <= 12


def test_lid_at_rest_is_believed_after_a_power_cut() -> None:
    """A lid that stood part open when the power went is not driven to an end first."""
    bench = LidBench(at=400)
    bench.step(400)
    assert (bench.state, bench.motion.position_permille, bench.motion.motor) == ("part", 400, 0)


def test_saved_end_needs_its_switch() -> None:
    """Saved as shut, but the shut switch is open: nobody knows where the lid is."""
    bench = LidBench(at=300, saved=0)
    bench.step(NONE)
    assert bench.state == "unknown"


@pytest.mark.parametrize("saved", [-1, 1001, -500])
def test_senseless_saved_position_is_unknown(saved: int) -> None:
    """What storage says is not trusted beyond its range."""
    assert LidBench(at=300, saved=saved).motion.position_permille == NONE


# -- hold, clearing, quiet -------------------------------------------------------------------------------
def test_hold_stops_at_once_and_a_minute_follows() -> None:
    """Hands in the frame: motor off in the same step; a minute of quiet after the release."""
    bench = LidBench(at=500)
    for _ in range(10):
        bench.step(1000)
    assert bench.motion.motor == 1
    bench.hold = 1
    assert bench.step(1000).motion.motor == 0
    assert bench.state == "held"
    assert bench.run(1000, 900).motion.motor == 0
    bench.hold = 0
    bench.step(1000)
    assert bench.state == "part"
    assert bench.run(1000, 54).motion.motor == 0
    assert bench.run(1000, 60).state == "open"


def test_hold_does_not_clear_a_latched_fault() -> None:
    """Switching hold on and off is no proof that the ice is gone."""
    bench = LidBench()
    bench.blocked = {1}
    bench.run(1000, 2_000)
    bench.hold = 1
    bench.run(1000, 10)
    bench.hold = 0
    bench.run(1000, 600)
    assert (bench.motion.latched, bench.fault, bench.motion.motor) == (1, "stuck-shut", 0)


def test_clearing_waits_a_minute() -> None:
    """After a person cleared the fault nothing moves for a minute."""
    bench = LidBench()
    bench.blocked = {1}
    bench.run(1000, 2_000)
    bench.blocked = set()
    bench.motion.clear()
    assert bench.fault == ""
    assert bench.run(1000, 55).motion.motor == 0
    assert bench.run(1000, 100).state == "open"


def test_clearing_nothing_changes_nothing() -> None:
    """Without a fault there is nothing to clear and no minute to wait."""
    bench = LidBench(at=500)
    bench.step(500)
    bench.motion.clear()
    assert bench.motion.quiet_ms == 0


def test_clearing_in_the_middle_of_a_try_stops_it() -> None:
    """Nothing may be moving in the minute after a clearing, a running try included."""
    bench = LidBench()
    bench.blocked = {1}
    bench.run(1000, 30)
    bench.blocked = set()
    while not bench.motion.motor:
        bench.step(1000)
    bench.motion.clear()
    assert bench.motion.motor == 0
    assert bench.run(1000, 55).motion.motor == 0


def test_switch_that_proves_movement_clears_a_latched_fault() -> None:
    """A latched stuck-shut ends when the lid is lifted by hand, after the usual minute."""
    bench = LidBench()
    bench.blocked = {1}
    bench.run(1000, 2_000)
    assert bench.motion.latched == 1
    bench.blocked = set()
    bench.at = 400
    bench.step(1000)
    assert bench.motion.latched == 0
    assert bench.run(1000, 50).motion.motor == 0
    assert bench.run(1000, 150).state == "open"


def test_stuck_fault_stays_when_it_is_not_wanted_open_any_more() -> None:
    """Evening does not free a frozen lid: no all-clear without proof."""
    bench = LidBench()
    bench.blocked = {1}
    bench.run(1000, 30)
    bench.run(0, 600)
    assert bench.fault == "stuck-shut"


def test_power_up_waits() -> None:
    """After power-up nothing moves for the set time."""
    bench = LidBench(boot_wait_s=60)
    assert bench.run(1000, 55).motion.motor == 0
    assert bench.run(1000, 10).motion.motor == 1


def test_latched_fault_survives_a_power_cut() -> None:
    """Power coming back is no proof either."""
    bench = LidBench()
    bench.motion.restore("stuck-shut")
    bench.run(1000, 600)
    assert (bench.motion.motor, bench.fault, bench.state) == (0, "stuck-shut", "stuck")
    other = LidBench()
    other.motion.restore("no such word")
    other.motion.restore("")
    other.motion.restore(None)
    assert other.motion.latched == 0


def test_icy_lid_gets_less_force_and_waits_longer() -> None:
    """A seal that may be frozen: three quarters of the current limit, then a quarter of an hour of waiting."""
    bench = LidBench()
    bench.motion.icy = 1
    motion = bench.motion
    motion.step(5_000, 1000, 1, 0, 0, NONE, 0)
    for _ in range(2):
        motion.step(200, 1000, 1, 0, 2_250, NONE, 0)
    assert (motion.motor, lid_table.FAULTS[motion.fault]) == (0, "stuck-shut")
    assert motion.pause_ms == lid_motion.ICY_PAUSE_MS


def test_repr_says_what_matters() -> None:
    """One line for logs and tests."""
    bench = LidBench(at=400).step(400)
    assert repr(bench.motion) == "<Motion part 400 permille>"
    bench.motion.restore("stuck-part")
    assert repr(bench.motion) == "<Motion stuck 400 permille stuck-part latched>"
