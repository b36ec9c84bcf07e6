"""Where the lid is thought to be, by time and potentiometer, and what it learns of its speed.

Times and limits are our own (marked "chosen" in controller/sash/lid_place.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_table
from sash.lid_motion import NONE

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench
from lid_hand import Hand


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


def test_learned_times_are_believed_only_together() -> None:
    """One impossible time makes the other unbelieved, too."""
    for open_ms, shut_ms, taken in ((44_000, 36_000, 1), (44_000, 1, 0), (1, 36_000, 0), (0, 0, 0)):
        motion = Hand().motion
        motion.place.restore_times(open_ms, shut_ms)
        assert (motion.place.open_ms, motion.place.shut_ms) == ((open_ms, shut_ms) if taken else (40_000, 40_000))


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


@pytest.mark.parametrize(("at", "direction", "thought"), [(5, 1, 5), (5, -1, 30), (995, 1, 970), (995, -1, 970)])
def test_only_a_lid_that_would_not_shut_is_thought_a_little_open(at: int, direction: int, thought: int) -> None:
    """A lid that failed to open is not lifted in thought; neither is thought fully open."""
    motion = Hand(at=500).motion
    motion.place.start_ms, motion.place.at_ms = 20_000, at * 40
    assert motion.place.where_stuck(direction, 0, 0, motion._drive_ms) == lid_table.STUCK_PART
    assert motion.position_permille == thought


def test_stuck_on_the_rim_it_is_thought_at_most_thirty_permille_open() -> None:
    """The time pressed went into wood and screw."""
    for at, thought in ((10, 10), (30, 30), (31, 30), (100, 30)):
        motion = Hand().motion
        motion.place.start_ms, motion.place.at_ms = 0, at * 40
        assert motion.place.where_stuck(1, 0, 0, motion._drive_ms) == lid_table.STUCK_SHUT
        assert motion.position_permille == thought


@pytest.mark.parametrize(
    ("state", "learned"), [({}, 39_600), ({"_gentle": 1}, 40_000), ({"tries": 1}, 40_000), ({"switches": 0}, 40_000)]
)
def test_only_a_drive_on_purpose_at_full_power_teaches(state: dict[str, int], learned: int) -> None:
    """A search, a new try and a lid without switches teach nothing about how fast the lid goes."""
    hand = Hand().begin(1000)
    hand.shut = 0
    hand.drive(1000, 2_000)
    for name, value in state.items():
        setattr(hand.motion, name, value)
    hand.motion.place.work_ms, hand.opened = 39_200, 1
    hand.motion.duty_permille = 0
    hand.step(1000, 100)
    assert hand.state == "open"
    assert hand.motion.place.open_ms == learned


def test_a_lid_that_falls_faster_than_it_rises_is_learned() -> None:
    """Shutting a fifth faster: after a few days of cracks the position at a wide opening is right within 2 %."""
    bench = LidBench()
    bench.shut_speed = 1.25
    for _ in range(8):
        bench.until_rest(400).until_rest(0)
        assert bench.fault == ""
    assert 31_000 <= bench.motion.place.shut_ms <= 33_500
    bench.until_rest(700).until_rest(200)
    assert bench.at == pytest.approx(200, abs=20)
    assert bench.motion.position_permille == pytest.approx(bench.at, abs=20)


def test_learning_stays_within_half_of_the_fitted_time() -> None:
    """A lid three times as fast as fitted is not learned beyond half the fitted time."""
    bench = LidBench()
    bench.speed = 3.0
    for _ in range(12):
        bench.until_rest(1000).until_rest(0)
    assert bench.motion.place.open_ms >= 20_000
    assert bench.motion.place.shut_ms >= 20_000


def test_small_errors_of_dead_reckoning_are_no_lost_position() -> None:
    """Cracks back and forth between the ends, a fifth faster down, and then shut: no doubt is reported."""
    bench = LidBench()
    bench.shut_speed = 1.2
    bench.until_rest(400)
    for _ in range(3):
        bench.until_rest(100).until_rest(400)
    bench.until_rest(0)
    assert bench.state == "shut"
    assert bench.fault == ""


@pytest.mark.parametrize("wanted", [100, 400, 1000])
def test_shut_switch_that_makes_at_once_is_doubted(wanted: int) -> None:
    """The shut switch makes as soon as the lid leaves its opening: the position is called doubtful."""
    bench = LidBench().until_rest(wanted)
    bench.step(0)
    bench.run(0, 0.4)
    bench.shut_reads = 1
    bench.until_rest(0)
    assert bench.fault == "lost-position"
