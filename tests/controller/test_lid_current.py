"""What the motor's current is taken for: each limit met exactly and missed by one.

Times and limits are our own (marked "chosen" in controller/sash/lid_current.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_table
from sash.lid_motion import NONE

sys.path.insert(0, str(Path(__file__).parent))
from lid_hand import Hand


def test_no_current_counts_from_thirty_milliamperes_for_a_second_and_a_half() -> None:
    """30 mA is current; less for 1.5 s in a row is a dead motor; a moment of current starts the count anew."""
    hand = Hand(at=500).begin(1000)
    hand.drive(1000, 5_000, 30)
    assert hand.motion.motor == 1
    hand.step(1000, 100, 29)
    hand.step(1000, 1_499, 29)
    assert hand.motion.motor == 1
    hand.step(1000, 100, 30)
    hand.step(1000, 100, 29)
    hand.step(1000, 1_499, 29)
    assert hand.motion.motor == 1
    hand.step(1000, 1, 29)
    assert (hand.motion.motor, hand.fault) == (0, "motor-dead")


def test_stray_current_needs_two_seconds() -> None:
    """Two readings of stray current within 2 s are none; at 2 s they are."""
    hand = Hand(at=500).step(500, 5_000, 0)
    hand.step(500, 1_000, 100).step(500, 999, 100)
    assert hand.fault == ""
    hand.step(500, 1, 100)
    assert hand.fault == "over-current"
    hand = Hand(at=500).step(500, 5_000, 0)
    hand.step(500, 1_000, 100).step(500, 1_000, 99).step(500, 1_000, 100).step(500, 999, 100)
    assert hand.fault == ""


@pytest.mark.parametrize(("at", "want"), [(0, 1000), (1000, 0)])
def test_no_current_at_the_far_end_needs_proof_that_the_lid_left(at: int, want: int) -> None:
    """Time says far end; if the switch of the near end never opened, the motor is dead, else it is the end."""
    for left, fault in ((False, "motor-dead"), (True, "")):
        hand = Hand(at=at).begin(want)
        if left:
            hand.shut = hand.opened = 0
        hand.drive(want, 1_000)
        hand.motion.place.at_ms = 39_000 if want else 1_000
        hand.motion.duty_permille = 0
        hand.step(want, 100, 0)
        hand.motion.duty_permille = 0
        hand.step(want, 1_500, 0)
        assert hand.fault == fault
        if left:
            assert hand.motion.position_permille == want
            assert hand.doubt == "lost-position"


def test_a_drive_that_never_drew_current_is_at_no_end() -> None:
    """Exactly 30 mA seen earlier in the drive make the loss of current near the end an arrival, 29 mA do not."""
    for peak, fault in ((29, "motor-dead"), (30, "")):
        hand = Hand(at=1000, end_switches=0).begin(0)
        hand.motion.place.at_ms, hand.motion.place.work_ms, hand.motion.current.peak_ma = 0, 40_000, peak
        hand.motion.duty_permille = 0
        hand.step(0, 100, 0)
        hand.motion.duty_permille = 0
        hand.step(0, 1_500, 0)
        assert hand.fault == fault


def test_a_blind_sensor_is_believed_again_once_it_shows_current() -> None:
    """Proved blind, a drive without current goes on; one reading later the same silence is a dead motor."""
    hand = Hand().begin(1000)
    hand.shut = 0
    hand.step(1000, 100, 0)
    hand.drive(1000, 3_000, 0)
    assert hand.motion.motor == 1
    hand.step(1000, 100, 30)
    hand.drive(1000, 1_500, 0)
    assert hand.motion.motor == 1
    hand.step(1000, 100, 0)
    assert hand.fault == "motor-dead"


@pytest.mark.parametrize(("peak", "blind"), [(29, 1), (30, 0)])
def test_no_current_with_movement_means_a_blind_sensor_only_if_none_ever_flowed(peak: int, blind: int) -> None:
    """The switch opened: 29 mA at most is a blind sensor, 30 mA seen before is a wire that broke."""
    hand = Hand().begin(1000)
    hand.shut = 0
    hand.motion.current.peak_ma = peak
    hand.step(1000, 100, 0)
    assert hand.motion.current.blind == blind


def test_a_blind_drive_ends_a_tenth_after_its_goal() -> None:
    """With a blind sensor and a silent open switch the end is taken 100 permille late, not before."""
    for work, motor in ((43_999, 1), (44_000, 0)):
        hand = Hand().begin(1000)
        motion = hand.motion
        motion.current.blind, motion._freed, motion.current._dead_ms = 1, 1, 1
        motion.place.at_ms, motion.place.work_ms, motion._drive_ms = 40_000, work, 30_000
        motion.duty_permille = 0
        hand.shut = 0
        hand.step(1000, 100, 0)
        assert motion.motor == motor


def crack(ms: int, ma: int = 300, last_ma: int | None = None, **fittings: int) -> Hand:
    """A drive from shut to a crack that is passed by time at once; `ms` of real driving, the last step by `last_ma`."""
    hand = Hand(**fittings).begin(50)
    hand.shut = 0 if hand.switches else NONE
    motion = hand.motion
    motion.place.at_ms = motion.place.work_ms = 2_000
    while motion.motor and motion._drive_ms < ms - 100:
        motion.duty_permille = 0
        hand.step(50, 100, ma)
    motion.duty_permille = 0
    return hand.step(50, 100, ma if last_ma is None else last_ma)


@pytest.mark.parametrize(
    ("ms", "ma", "last_ma", "runs"),
    [
        (1_400, 300, 300, 1), (1_500, 300, 300, 0), (1_500, 300, 1_499, 0), (1_500, 300, 1_500, 1),
        (2_900, 1_500, 1_500, 1), (3_000, 1_500, 1_500, 0), (1_500, 300, 30, 0), (1_500, 300, 29, 1),
    ],
)  # fmt: skip
def test_a_crack_from_the_rim_is_reached_only_under_full_power(ms: int, ma: int, last_ma: int, runs: int) -> None:
    """Half a second of full power with little current, two with much; while no current flows it is not reached."""
    hand = crack(ms, ma, last_ma)
    assert hand.motion.motor == runs
    assert hand.state == ("opening" if runs else "part")


def test_without_a_sensor_or_with_a_potentiometer_the_time_or_place_alone_counts() -> None:
    """No current to wait for: the crack is reached at once, as before."""
    assert crack(200, NONE).state == "part"
    hand = Hand(pot=1).begin(50)
    hand.shut, hand.pot = 0, 50
    assert hand.step(50, 200, 300).state == "part"


def test_between_the_ends_without_a_fault_no_proof_is_asked() -> None:
    """A short move between the ends ends by time, whatever the soft start has reached."""
    hand = Hand(at=500).begin(520)
    hand.motion.place.at_ms = 20_800
    assert hand.step(520, 200, 300).state == "part"
    hand = Hand(at=500).begin(520)
    hand.motion.place.at_ms = 20_800
    assert hand.step(520, 200, 29).motion.motor == 1
    assert hand.step(520, 100, 30).state == "part"


def test_from_the_open_end_the_same_proof_is_asked() -> None:
    """Shutting to an opening from the open end: by time it is there, at full power it may still be held."""
    hand = Hand(at=1000).begin(980)
    hand.opened = 0
    hand.motion.place.at_ms = 39_200
    hand.motion.duty_permille = 0
    assert hand.step(980, 200, 300).motion.motor == -1


@pytest.mark.parametrize(("ma", "stops"), [(2_399, 0), (2_400, 1)])
def test_a_gentle_search_stalls_at_four_fifths(ma: int, stops: int) -> None:
    """Less power, less stall current: 800 permille of the limit."""
    hand = Hand(at=500)
    hand.motion.place.at_ms = NONE
    hand.begin(1000).drive(1000, 1_000)
    hand.step(1000, 100, ma)
    assert (hand.motion.motor == 0) is bool(stops)


@pytest.mark.parametrize(("peak", "fault"), [(29, "motor-dead"), (30, "")])
def test_without_switches_the_whole_travel_frees_only_if_current_flowed(peak: int, fault: str) -> None:
    """Time over at the far end: an arrival, but a fault ends by it only when the drive drew current."""
    hand = Hand(at=0, end_switches=0).begin(1000)
    motion = hand.motion
    motion.tries, motion.fault, motion.current.peak_ma = 1, lid_table.MOTOR_DEAD, peak
    motion.place.at_ms, motion.place.work_ms, motion._drive_ms = 40_000, 40_000, 49_900
    motion.duty_permille = 0
    hand.step(1000, 100, NONE)
    assert (hand.state, hand.fault) == ("open", fault)


@pytest.mark.parametrize(("ma", "state"), [(5_999, "shut"), (6_000, "stuck")])
def test_a_stall_at_the_wanted_switch_arrives_a_short_circuit_does_not(ma: int, state: str) -> None:
    """With the switch made a stall is where it should be; twice the limit is a short circuit even there."""
    hand = Hand(at=500).begin(0).drive(0, 1_000)
    hand.shut = 1
    assert hand.step(0, 100, ma).state == state


@pytest.mark.parametrize(("ma", "stops"), [(2_249, 0), (2_250, 1)])
def test_an_icy_lid_stalls_at_three_quarters(ma: int, stops: int) -> None:
    """Exactly 750 permille of the limit; one milliampere less goes on."""
    hand = Hand().begin(1000)
    hand.motion.icy = 1
    hand.drive(1000, 500)
    hand.step(1000, 100, ma)
    assert (hand.motion.motor == 0) is bool(stops)


def test_one_reading_of_stray_current_is_none_however_long_the_step() -> None:
    """Quiet, then a single reading in a step of 5 s: two readings are asked for."""
    hand = Hand(at=500).step(500, 5_000, 0)
    hand.step(500, 5_000, 100)
    assert hand.fault == ""
    hand.step(500, 5_000, 0).step(500, 5_000, 100)
    assert hand.fault == ""
    assert hand.step(500, 5_000, 100).fault == "over-current"
