"""The drive at its limits: readings given step by step, each limit met exactly and missed by one.

The limits are our own (marked "chosen" in controller/sash/lid_motion.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_current, lid_motion, lid_place, lid_table
from sash.lid_motion import NONE, Motion

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench


class Hand:
    """A Motion whose every reading is given by hand; power is full from the second second on."""

    def __init__(self, at: int = 0, **fittings: int) -> None:
        fittings = {"travel_ms": 40_000, "boot_wait_s": 0, **fittings}
        self.pot = at if fittings.get("pot") else NONE
        self.switches = fittings.get("end_switches", 1)
        self.motion = Motion(fittings, at, 0, 0)
        self.shut, self.opened = (int(at == 0), int(at == 1000)) if self.switches else (NONE, NONE)

    def step(self, want: int, dt_ms: int = 200, ma: int = 300) -> Hand:
        """One step."""
        self.motion.step(dt_ms, want, self.shut, self.opened, ma, self.pot, 0)
        return self

    def begin(self, want: int) -> Hand:
        """Start a drive from rest; asserts that it runs."""
        self.step(want, 5_000, 0)
        assert self.motion.motor != 0
        return self

    def drive(self, want: int, ms: int, ma: int = 300) -> Hand:
        """Drive for some time in steps of 100 ms."""
        for _ in range(ms // 100):
            self.step(want, 100, ma)
        return self

    @property
    def fault(self) -> str:
        """Word of the fault."""
        return lid_table.FAULTS[self.motion.fault]

    @property
    def doubt(self) -> str:
        """Word of the doubt."""
        return lid_table.FAULTS[self.motion.doubt]

    @property
    def state(self) -> str:
        """Word of the state."""
        return lid_table.STATES[self.motion.state]


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


@pytest.mark.parametrize(("at", "want", "way"), [(0, 1000, 1), (1000, 0, -1)])
def test_end_by_time_begins_a_twentieth_before_the_end(at: int, want: int, way: int) -> None:
    """A drive without switches that loses its current is at the end from 950 permille of the way on, not before."""
    for gone, state, fault in ((949, "stuck", "motor-dead"), (950, "open" if way > 0 else "shut", "")):
        hand = Hand(at=at, end_switches=0).begin(want)
        hand.motion.place.at_ms = (gone if way > 0 else 1000 - gone) * 40
        hand.motion.place.work_ms = gone * 40
        hand.motion.current.peak_ma = 30  # it did draw current before
        hand.motion.duty_permille = 0  # the time to notice adds no way
        hand.step(want, 100, 0)
        hand.motion.duty_permille = 0
        hand.step(want, 1_500, 0)
        assert (hand.state, hand.fault) == (state, fault)


def test_lost_lid_is_at_the_end_after_the_travel_by_time() -> None:
    """Without a known position the way driven counts: 950 permille of the travel is the end, less a doubtful one."""
    for work, doubt in ((37_999, "lost-position"), (38_000, "")):
        hand = Hand(end_switches=0)
        hand.motion.place.at_ms = NONE
        hand.begin(0)
        hand.motion.place.work_ms = work
        hand.motion.current.peak_ma = 30
        hand.motion.duty_permille = 0
        hand.step(0, 100, 0)
        hand.motion.duty_permille = 0
        hand.step(0, 1_500, 0)
        assert (hand.state, hand.fault, hand.doubt) == ("shut", "", doubt)


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


@pytest.mark.parametrize(
    ("start", "want", "at", "word"),
    [
        (0, 1000, 100, "stuck-shut"), (0, 1000, 101, "stuck-part"), (30, 1000, 100, "stuck-shut"),
        (31, 1000, 90, "stuck-part"), (1000, 0, 900, "stuck-open"), (1000, 0, 899, "stuck-part"),
        (970, 0, 900, "stuck-open"), (969, 0, 930, "stuck-part"), (500, 1000, 90, "stuck-part"),
    ],
)  # fmt: skip
def test_without_switches_the_start_tells_where_it_is_stuck(start: int, want: int, at: int, word: str) -> None:
    """Stalled within a tenth of an end that it began at: stuck there; else between."""
    hand = Hand(at=start, end_switches=0).begin(want)
    hand.drive(want, 400)
    hand.motion.place.at_ms = at * 40
    hand.motion.duty_permille = 0
    hand.step(want, 200, 3_000)
    assert hand.fault == word


def test_place_is_lost_after_a_whole_travel_without_an_end() -> None:
    """A drive that ran for the whole travel time and stalls between the ends no longer knows where it is."""
    for driven, known in ((39_900, True), (40_000, False)):
        hand = Hand(at=500).begin(1000).drive(1000, 1_000)
        hand.motion._drive_ms = driven - 100
        hand.motion.place.at_ms = 20_000
        hand.step(1000, 100, 3_000)
        assert hand.fault == "stuck-part"
        assert (hand.motion.position_permille != NONE) is known


def test_end_in_six_tenths_of_its_time_is_not_doubted() -> None:
    """The end may come after six tenths of the expected work, one millisecond less is doubted."""
    for work, doubt in ((24_000, ""), (23_999, "lost-position")):
        hand = Hand().begin(1000)
        hand.shut = 0
        hand.drive(1000, 400)
        hand.motion.duty_permille = 0
        hand.motion.place.work_ms = work
        hand.opened = 1
        hand.step(1000, 100)
        assert (hand.state, hand.doubt) == ("open", doubt)


def test_short_ways_are_not_timed() -> None:
    """Within seventy permille of the travel the time to the end says nothing."""
    for at, doubt in ((70, ""), (72, "lost-position")):
        hand = Hand(at=at)
        hand.step(at, 5_000, 0)
        hand.begin(0)
        hand.shut = 1
        hand.step(0, 100)
        assert (hand.state, hand.doubt) == ("shut", doubt)


@pytest.mark.parametrize(("start", "wrong"), [(50, False), (51, True), (949, True), (950, False)])
def test_wrong_end_counts_only_for_drives_from_between(start: int, wrong: bool) -> None:
    """A drive that began near an end may still see that end's switch; one from between has run the wrong way."""
    opening = start > 500
    hand = Hand(at=start)
    hand.step(start, 5_000, 0)
    hand.begin(0 if opening else 1000).drive(0 if opening else 1000, 200)
    hand.shut, hand.opened = (0, 1) if opening else (1, 0)
    hand.step(0 if opening else 1000, 100)
    assert (hand.fault == "lost-position") is wrong
    if wrong:
        assert hand.motion.position_permille == (1000 if opening else 0)


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


def test_potentiometer_shows_movement_from_sixteen_permille_on() -> None:
    """A dead current reading is believed while the potentiometer moved 15 permille, not when it moved 16."""
    for moved, running in ((15, False), (16, True)):
        hand = Hand(at=500, pot=1).begin(1000)
        hand.pot = 500 + moved
        hand.step(1000, 100, 0)
        hand.step(1000, 1_500, 0)
        assert (hand.motion.motor == 1) is running


def test_potentiometer_is_cut_to_its_range_and_may_be_silent() -> None:
    """Readings beyond the range count as the ends; a silent potentiometer keeps the last place."""
    hand = Hand(at=500, pot=1)
    for pot, position in ((1_200, 1000), (-50, 0), (640, 640), (NONE, 640)):
        hand.pot = pot
        hand.step(NONE, 5_000, 0)
        assert hand.motion.position_permille == position


def test_new_wish_at_the_present_place_stops() -> None:
    """A wish that is just where the lid is now lies not ahead: stop."""
    for want, at in ((1000, 500), (0, 500)):
        hand = Hand(at=at).begin(want).drive(want, 2_000)
        here = hand.motion.position_permille
        hand.motion.duty_permille = 0
        assert hand.step(here, 100).motion.motor == 0


def test_goal_is_reached_exactly() -> None:
    """The drive ends in the step in which the goal is reached by time, in either direction."""
    for at, want in ((500, 800), (800, 500)):
        hand = Hand(at=at)
        hand.step(at, 5_000, 0)
        hand.begin(want).drive(want, 1_000)
        hand.motion.duty_permille = 0
        hand.motion.place.at_ms = want * 40 + (-1 if want > at else 1)
        assert hand.step(want, 100).motion.motor != 0
        hand.motion.duty_permille = 0
        hand.motion.place.at_ms = want * 40
        assert hand.step(want, 100).motion.motor == 0
        assert hand.state == "part"


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


@pytest.mark.parametrize("pot", [0, 1])
def test_place_is_unknown_after_a_lift_or_stray_current_unless_measured(pot: int) -> None:
    """Whoever moved it, time knows nothing of it; a potentiometer does."""
    hand = Hand(at=500, pot=pot).step(500, 5_000, 0)
    hand.step(500, 5_000, 200).step(500, 5_000, 200)
    assert hand.motion.position_permille == (500 if pot else NONE)
    hand = Hand(pot=pot).step(0, 5_000, 0)
    hand.shut, hand.pot = 0, 300 if pot else NONE
    hand.step(0, 5_000, 0).step(0, 5_000, 0)
    assert hand.motion.position_permille == (300 if pot else NONE)
    assert hand.doubt == "moved-alone"


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


@pytest.mark.parametrize(("drives", "allowed"), [(1, 70), (2, 90), (7, 190), (8, 200), (9, 200)])
def test_each_drive_between_the_ends_widens_the_doubt(drives: int, allowed: int) -> None:
    """70 permille may be missing after one drive, 20 more for each further one, 200 at most."""
    for missing, early in ((allowed, 0), (allowed + 1, 1)):
        motion = Hand(at=1000).motion
        motion.place.drives, motion.place.work_ms = drives, 0
        assert motion.place.too_early(missing * 40) == early
        motion.place.work_ms = missing * 40 * 600 // 1000 + 1
        assert motion.place.too_early(missing * 40) == 0


def test_what_may_teach_the_travel_time() -> None:
    """Only sure beginnings teach: not with a potentiometer, not from too near, not after drives between; by half."""
    def learned(direction: int, expected: int, work: int, **state: int) -> tuple[int, int]:
        motion = Hand(at=0).motion
        motion.place.start_ms, motion.place.drives, motion.place.work_ms = 0, 1, work
        for name, value in state.items():
            setattr(motion.place, name, value)
        motion.place.learn(direction, expected)
        return motion.place.open_ms, motion.place.shut_ms

    assert learned(1, 40_000, 36_000) == (38_000, 40_000)
    assert learned(-1, 40_000, 36_000) == (40_000, 38_000)
    assert learned(-1, 2_400, 2_160, drives=2) == (40_000, 38_000)
    assert learned(-1, 2_399, 2_160, drives=2) == (40_000, 40_000)
    assert learned(-1, 4_000, 3_600, drives=3) == (40_000, 40_000)
    assert learned(1, 40_000, 36_000, drives=2) == (40_000, 40_000)
    for state in ({"has_pot": 1}, {"start_ms": NONE}):
        assert learned(1, 40_000, 36_000, **state) == (40_000, 40_000)
    assert learned(1, 40_000, 0) == (20_000, 40_000)
    assert learned(1, 40_000, 0, open_ms=39_998) == (39_998, 40_000)
    assert learned(1, 40_000, 80_000) == (60_000, 40_000)
    assert learned(1, 40_000, 80_004) == (40_000, 40_000)


@pytest.mark.parametrize(("at", "shut", "opened", "thought"), [(5, 0, 0, 30), (995, 0, 0, 970), (400, 0, 0, 400)])
def test_stuck_between_is_never_at_an_end(at: int, shut: int, opened: int, thought: int) -> None:
    """A stuck lid without its end's switch is thought at least 30 permille away from that end."""
    hand = Hand(at=500).begin(0)
    hand.motion.place.at_ms = at * 40
    hand.shut, hand.opened = shut, opened
    assert hand.motion.place.where_stuck(-1, shut, opened, 0) == lid_table.STUCK_PART
    assert hand.motion.position_permille == thought


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


def test_learned_times_are_believed_only_together() -> None:
    """One impossible time makes the other unbelieved, too."""
    for open_ms, shut_ms, taken in ((44_000, 36_000, 1), (44_000, 1, 0), (1, 36_000, 0), (0, 0, 0)):
        motion = Hand().motion
        motion.place.restore_times(open_ms, shut_ms)
        assert (motion.place.open_ms, motion.place.shut_ms) == ((open_ms, shut_ms) if taken else (40_000, 40_000))


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


@pytest.mark.parametrize(("driven", "kept"), [(1_900, 1), (1_901, 0)])
def test_a_new_try_that_stalls_within_two_seconds_has_gained_nothing(driven: int, kept: int) -> None:
    """The step in which it stalls included."""
    hand = Hand(at=600).begin(0)
    motion = hand.motion
    motion.tries, motion._drive_ms, motion.place.at_ms = 1, driven, 20_000
    hand.step(0, 100, 3_000)
    assert hand.fault == "stuck-part"
    assert (motion.place.at_ms == motion.place.start_ms) is bool(kept)


def test_a_first_stall_keeps_the_way_it_came() -> None:
    """Only new tries press on something: the first drive has really moved. With a potentiometer it is what counts."""
    hand = Hand(at=600).begin(0).drive(0, 1_000)
    before = hand.motion.place.at_ms
    hand.step(0, 100, 3_000)
    assert hand.motion.place.at_ms <= before < hand.motion.place.start_ms


def test_drive_back_counts_as_way_only_after_the_first_stall() -> None:
    """Later ones undo what the try has wound up."""
    for tries, way in ((0, 400), (1, 0)):
        hand = Hand(at=600).begin(0).drive(0, 3_000)
        hand.motion.tries = tries
        hand.step(0, 100, 3_000)
        hand.step(0, 100, 0)
        at = hand.motion.place.at_ms
        for _ in range(4):
            hand.step(0, 100, 0)
        assert hand.motion.motor == 0
        assert hand.motion.place.at_ms - at == way


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
