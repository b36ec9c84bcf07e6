"""The drive at its limits: readings given step by step, each limit met exactly and missed by one.

Times and limits are our own (marked "chosen" in controller/sash/lid_motion.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_current, lid_motion, lid_place, lid_table
from sash.lid_motion import NONE, Motion

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench
from lid_hand import Hand


def test_quiet_and_pauses_end_on_the_millisecond() -> None:
    """Waits end exactly when their time is over, not a step later or earlier."""
    hand = Hand(boot_wait_s=60)
    hand.motion.warn_ms = 0
    assert hand.step(1000, 59_999, 0).motion.motor == 0
    assert hand.step(1000, 1, 0).motion.motor == 1
    for pause in lid_motion.PAUSES_MS:
        hand.drive(1000, 300)
        hand.step(1000, 1, 3_000)
        assert hand.fault == "stuck-shut"
        assert hand.step(1000, pause - 1, 0).motion.motor == 0
        assert hand.step(1000, 1, 0).motion.motor == 1
    hand.drive(1000, 300)
    assert hand.step(1000, 1, 3_000).motion.latched == 1


def test_hold_and_clearing_ask_for_exactly_a_minute() -> None:
    """60,000 ms after the hold, not 59,999."""
    hand = Hand()
    hand.motion.step(5_000, 0, 1, 0, 0, NONE, 1)
    hand.motion.step(1_000, 1000, 1, 0, 0, NONE, 0)
    assert hand.motion.quiet_ms == 60_000
    assert hand.step(1000, 59_999, 0).motion.motor == 0
    assert hand.step(1000, 1, 0).motion.motor == 1


def test_standstill_between_directions_is_half_a_second() -> None:
    """Turning round waits 500 ms after the stop, going on in the same direction does not."""
    hand = Hand(at=500).begin(900).drive(900, 2_000)
    assert hand.step(100, 100).motion.motor == 0
    assert hand.step(100, 499, 0).motion.motor == 0
    assert hand.step(100, 1, 0).motion.motor == -1
    hand = Hand(at=500).begin(900).drive(900, 2_000)
    hand.step(NONE, 100)
    assert hand.step(900, 1, 0).motion.motor == 1


def test_moving_is_the_motor() -> None:
    """`moving` is 1 exactly while the motor is driven, peak and duration are those of this drive."""
    hand = Hand()
    assert (hand.motion.moving, hand.motion.took_ms, hand.motion.current.peak_ma) == (0, 0, 0)
    hand.begin(1000)
    hand.shut = 0
    hand.drive(1000, 1_000, 700).drive(1000, 500)
    assert hand.motion.moving == 1
    hand.step(NONE, 100)
    assert (hand.motion.moving, hand.motion.took_ms, hand.motion.current.peak_ma) == (0, 1_600, 700)
    hand.begin(1000)
    assert hand.motion.current.peak_ma == 0


@pytest.mark.parametrize(("want", "state", "fault"), [(1000, "open", ""), (0, "stuck", "stuck-part")])
def test_stall_near_an_end_with_switches(want: int, state: str, fault: str) -> None:
    """Near the open end a stall with a silent switch is the end; near the shut end it may be a finger: stuck."""
    hand = Hand(at=500).begin(want).drive(want, 1_000)
    hand.motion.place.at_ms = 38_400 if want else 1_600
    hand.step(want, 200, 3_000)
    assert (hand.state, hand.fault) == (state, fault)
    assert hand.doubt == ("lost-position" if want else "")


def test_stall_near_the_open_end_with_the_shut_switch_made_is_stuck() -> None:
    """Time says open, the shut switch says shut: the switch wins."""
    hand = Hand().begin(1000).drive(1000, 1_000)
    hand.motion.place.at_ms = 39_000
    hand.step(1000, 200, 3_000)
    assert (hand.state, hand.fault, hand.motion.position_permille) == ("stuck", "stuck-shut", 0)


def test_crack_is_stuck_exactly_a_tenth_after_its_goal() -> None:
    """Shut switch still made: the drive goes on to a tenth of the travel past the crack, then it is stuck."""
    hand = Hand().begin(100).drive(100, 400)
    hand.motion.duty_permille = 0
    hand.motion.place.at_ms = 4_000
    hand.motion.place.work_ms = 7_999
    assert hand.step(100, 100).motion.motor == 1
    hand.motion.duty_permille = 0
    hand.motion.place.at_ms = 4_000
    hand.motion.place.work_ms = 8_000
    assert hand.step(100, 100).fault == "stuck-shut"


def test_proof_of_movement_waits_for_the_pause_between_the_ends() -> None:
    """A lid stuck between is freed by an end switch only after the pause; at an end by its switch at once."""
    hand = Hand(at=500).begin(1000).drive(1000, 1_000)
    hand.step(1000, 100, 3_000)
    assert hand.fault == "stuck-part"
    hand.opened = 1
    hand.step(NONE, 59_999, 0)
    assert hand.fault == "stuck-part"
    hand.step(NONE, 1, 0)
    assert (hand.fault, hand.state) == ("", "open")
    hand = Hand(at=1000).begin(0).drive(0, 400)
    hand.step(0, 100, 3_000)
    assert hand.fault == "stuck-open"
    while hand.motion.moving:  # back a little, first
        hand.step(0, 100, 0)
    hand.step(0, 100, 0)
    hand.opened = 0
    hand.step(0, 100, 0)
    assert hand.fault == ""


def test_full_ends_count_as_ends_only_with_their_switch() -> None:
    """With switches a saved 0 or 1000 needs proof; without, it is believed."""
    for at in (0, 1000):
        hand = Hand(at=at)
        hand.shut = hand.opened = 0
        assert hand.step(NONE, 5_000, 0).state == "unknown"
        assert Hand(at=at, end_switches=0).step(NONE, 5_000, 0).state == "part"


def test_wishes_beyond_the_ends_mean_the_ends() -> None:
    """0 and less is shut, 1000 and more is open; 1 permille is an opening."""
    assert Hand(at=1000).step(-1, 5_000, 0).motion.motor == 0
    assert Hand().step(1_001, 5_000, 0).motion.motor == 1
    assert Hand(at=500).step(1, 5_000, 0).motion.motor == -1


def test_alone_counts_readings_in_a_row() -> None:
    """One contradicting reading, one right, one contradicting: nobody moved it."""
    hand = Hand().step(0, 5_000, 0)
    for _ in range(4):
        hand.shut = 0
        hand.step(0, 5_000, 0)
        hand.shut = 1
        hand.step(0, 5_000, 0)
    assert hand.doubt == ""


def test_warning_starts_anew_after_each_drive() -> None:
    """Each closing is announced for its full time, whatever was announced before."""
    bench = LidBench(at=1000, warn_ms=3_000)
    bench.run(1000, 10)
    for _ in range(2):
        began = bench.clock_ms
        while not bench.motion.motor:
            bench.step(300, dt_ms=500)
        assert bench.clock_ms - began >= 3_000
        bench.until_rest(300)
        bench.run(1000, 60)


def test_lost_lid_goes_on_to_the_end_it_looks_for() -> None:
    """Looking for an end, the wish for an opening between does not stop the lid half way."""
    for want, way in ((300, -1), (700, 1)):
        hand = Hand(at=500)
        hand.motion.place.at_ms = NONE
        hand.begin(want)
        assert (hand.motion.motor, hand.motion._goal) == (way, 1000 if way > 0 else 0)
        assert hand.drive(want, 20_000).motion.motor == way
        hand.shut, hand.opened = (0, 1) if way > 0 else (1, 0)
        hand.step(want, 100)
        assert (hand.state, hand.motion.position_permille) == (("open", 1000) if way > 0 else ("shut", 0))


def test_clearing_gives_all_tries_back() -> None:
    """After a person cleared the fault the lid has its short tries again, the first after a minute."""
    hand = Hand().begin(1000).drive(1000, 300)
    hand.step(1000, 1, 3_000)
    hand.motion.clear()
    assert (hand.motion.tries, hand.motion.pause_ms, hand.motion.latched) == (0, 0, 0)


def test_built_in_fittings() -> None:
    """Without figures in the fittings: 40 s of travel, 3 A, switches, no potentiometer, a minute of quiet."""
    motion = Motion({}, NONE, 0, 0)
    assert (motion.place.travel_ms, motion.place.has_pot) == (40_000, 0)
    assert (motion.current.stall_ma, motion.switches) == (3_000, 1)
    assert (motion.quiet_ms, motion.forward) == (60_000, 1)


def test_drive_back_takes_exactly_its_time() -> None:
    """From the first step of it 400 ms, at full power, and a stall in its last 100 ms ends it."""
    def stalled() -> Hand:
        hand = Hand(at=600).begin(0).drive(0, 1_000)
        hand.step(0, 100, 3_000)
        assert hand.motion.moving
        assert hand.motion.motor == 0
        return hand.step(0, 100, 0)

    hand = stalled()
    assert (hand.motion.motor, hand.motion.duty_permille) == (1, 1000)
    for _ in range(3):
        assert hand.step(0, 100, 0).motion.motor == 1
    assert hand.step(0, 100, 0).motion.motor == 0
    hand = stalled()
    hand.step(0, 300, 3_000)
    assert hand.motion.motor == 1
    assert hand.step(0, 50, 2_999).motion.motor == 1
    hand = stalled()
    hand.step(0, 300, 0)
    assert hand.step(0, 50, 3_000).motion.motor == 0


def test_the_page_gives_the_figures_that_run() -> None:
    """Pauses, shares and limits in the page on the drive are those of the program."""
    page = " ".join((Path(__file__).parents[2] / "docs" / "decisions" / "lid-drive.md").read_text().split())
    m, p = lid_motion, lid_place
    first, second, third = (ms // 1000 for ms in m.PAUSES_MS)
    assert (first * 1000, second * 1000, third * 1000) == m.PAUSES_MS
    assert f"after {first}, {second} and {third} s" in page
    assert m.ICY_PAUSE_MS == 900_000
    assert "waits 900 s between tries" in page
    assert f"back for {m.RELEASE_MS / 1000} s, once" in page
    assert f"only {lid_current.SHUT_SHARE / 10:.0f} % of the current limit" in page
    assert f"within {p.LEARN_LOW / 10:.0f} to {p.LEARN_HIGH / 10:.0f} % of the fitted time" in page
    assert f"less than {p.EARLY / 10:.0f} % of the expected way" in page
    assert f"at least {p.EARLY_LEAST} permille of the whole travel are missing, and {p.EARLY_A_DRIVE} more" in page
    assert f"up to {p.EARLY_MOST}." in page
    assert (lid_current.GENTLE, m.NO_WAY_MS, p.NOT_AT_END) == (800, 2_000, 30)


def test_drive_back_ends_to_the_millisecond_and_at_the_open_switch() -> None:
    """399 ms: still running; 400: off. The open switch ends it at once."""
    def running() -> Hand:
        hand = Hand(at=600).begin(0).drive(0, 1_000)
        hand.step(0, 100, 3_000)
        return hand.step(0, 100, 0)

    hand = running()
    assert hand.step(0, 399, 0).motion.motor == 1
    assert hand.step(0, 1, 0).motion.motor == 0
    assert hand.motion.done == 0
    hand = running()
    hand.opened = 1
    assert hand.step(0, 100, 0).motion.motor == 0


def test_a_lifted_lid_is_looked_for_after_growing_pauses() -> None:
    """60, 300, 900 and again 900 s, as long as it is away; back at the rim nothing of that is left."""
    hand = Hand()
    hand.step(NONE, 5_000, 0)
    hand.shut = 0
    hand.step(NONE, 5_000, 0)
    hand.step(NONE, 5_000, 0)
    motion = hand.motion
    assert motion.doubt == lid_table.LIFTED
    motion.quiet_ms = 0
    for pause in (60_000, 300_000, 900_000, 900_000):
        motion.pause_ms = 0
        hand.begin(0)
        for _ in range(16):
            hand.step(0, 100, 0)
        assert (motion.motor, hand.state, hand.fault) == (0, "unknown", "")
        assert motion.pause_ms == pause
    hand.shut = 1
    hand.step(0, 100, 0)
    assert (hand.state, hand.doubt, motion.pause_ms, motion.tries) == ("shut", "", 0, 0)
