"""What the drive believes, and what it asks for before it does: step by step, each limit met and missed by one.

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


def test_a_fresh_drive_stands_still_and_knows_nothing_else() -> None:
    """After the start every count is at zero, no flag is set but the announcement, and the place is as stored."""
    motion = Motion({}, NONE, 0, 0)
    place = vars(motion.place)
    fresh = {name: value for name, value in vars(motion).items() if name not in ("place", "current")}
    assert {name: value for name, value in fresh.items() if value not in (0, NONE)} == {
        "switches": 1, "forward": 1, "shut_power": 1000,
        "quiet_ms": 60_000, "_rest_ms": lid_motion.TURN_MS, "_announce": 1,
    }  # fmt: skip
    assert {name for name, value in fresh.items() if value == NONE} == {"_goal", "_pot_from"}
    current = {"stall_ma": 3_000, "peak_ma": 0, "blind": 0, "_dead_ms": 0, "_stray": 0, "_stray_ms": 0}
    assert vars(motion.current) == current
    assert place == {
        "travel_ms": 40_000, "open_ms": 40_000, "shut_ms": 40_000, "has_pot": 0, "at_ms": NONE, "start_ms": NONE,
        "work_ms": 0, "drives": 0,
    }  # fmt: skip
    assert vars(Motion({"reverse": 1}, 300, 0, 7_000))["forward"] == -1
    assert Motion({}, 300, 0, 7_000).warn_ms == 7_000
    assert Motion({}, 300, 0, 0).position_permille == 300
    assert Motion({}, 300, 1, 0).position_permille == NONE


def test_figures_of_the_page() -> None:
    """What the page says of proofs is what runs."""
    page = " ".join((Path(__file__).parents[2] / "docs" / "decisions" / "lid-drive.md").read_text().split())
    m = lid_motion
    assert f"below half of its limit for {lid_current.PROOF_MS / 1000} s at full power" in page
    assert f"goes on for up to {lid_current.LONG_PROOF_MS // 1000} s" in page
    assert f"at most {lid_place.NOT_AT_END} permille open" in page
    assert f"stalls within {m.NO_WAY_MS // 1000} s" in page


def stuck_at(at: int, way: int) -> Hand:
    """Stuck between the ends, having failed in direction `way`; the pause is over."""
    hand = Hand(at=500)
    hand.step(500, 5_000, 0)
    want = 1000 if way > 0 else 0
    hand.begin(want).drive(want, 400)
    hand.motion.place.at_ms = at * 40
    hand.step(want, 100, 3_000)
    while hand.motion.moving:
        hand.step(NONE, 100, 0)
    assert hand.fault == "stuck-part"
    hand.motion.place.at_ms = at * 40
    hand.motion.pause_ms = 0
    return hand


@pytest.mark.parametrize(("way", "want", "goes"), [(1, 500, 1), (1, 490, 1), (1, 510, 1), (-1, 500, -1), (1, 489, -1),
                                                   (-1, 511, 1)])  # fmt: skip
def test_stuck_where_it_is_wanted_it_tries_the_way_that_failed(way: int, want: int, goes: int) -> None:
    """Within a hundredth of the wish the failed way is tried; further off the wish says the way."""
    hand = stuck_at(500, way)
    hand.step(want, 5_000, 0)
    hand.step(want, 500, 0)
    assert hand.motion.motor == goes


def test_with_a_potentiometer_a_lid_that_stands_where_it_is_wanted_is_left_there() -> None:
    """Its place is measured; nothing has to be tried, and the fault stays."""
    hand = Hand(at=500, pot=1)
    hand.step(500, 5_000, 0)
    hand.begin(1000).drive(1000, 400)
    hand.step(1000, 100, 3_000)
    hand.motion.pause_ms = 0
    assert hand.step(505, 5_000, 0).motion.motor == 0
    assert hand.fault == "stuck-part"


@pytest.mark.parametrize(("moved", "fault"), [(15, "stuck-part"), (16, "")])
def test_a_potentiometer_has_to_show_sixteen_permille(moved: int, fault: str) -> None:
    """A new try that ends at its goal by potentiometer ends the fault only if the lid moved more than 15."""
    hand = Hand(at=500, pot=1)
    hand.step(500, 5_000, 0)
    hand.begin(1000).drive(1000, 400)
    hand.step(1000, 100, 3_000)
    hand.motion.pause_ms = 0
    want = 500 + 11
    hand.step(want, 5_000, 0)
    assert hand.motion.motor == 1
    hand.pot = 500 + moved
    hand.step(want, 100, 300)
    assert (hand.state, hand.fault) == ("part", fault)


@pytest.mark.parametrize(("way", "want", "fault"), [(1, 600, ""), (1, 400, "stuck-part"), (-1, 400, ""),
                                                    (-1, 600, "stuck-part")])  # fmt: skip
def test_only_the_way_that_failed_frees_between_the_ends(way: int, want: int, fault: str) -> None:
    """Reached by time and proved by current: the failed way ends the fault, the other does not."""
    hand = stuck_at(500, way)
    hand.step(want, 5_000, 0)
    hand.step(want, 500, 0)
    while hand.motion.motor:
        hand.step(want, 100)
    assert (hand.state, hand.fault) == ("part", fault)
    assert hand.motion.tries == (1 if fault else 0)


@pytest.mark.parametrize(("stuck", "switch"), [("stuck-shut", "shut"), ("stuck-open", "opened")])
def test_the_switch_of_the_stuck_end_proves_only_what_was_seen_at_rest(stuck: str, switch: str) -> None:
    """Open from the start: nothing. Made at rest and then open: moved. A drive in between: nothing again."""
    def latched() -> Hand:
        hand = Hand(at=0 if stuck == "stuck-shut" else 1000)
        hand.motion.restore(stuck)
        setattr(hand, switch, 0)
        return hand

    hand = latched()
    for _ in range(5):
        hand.step(NONE, 5_000, 0)
    assert hand.fault == stuck
    setattr(hand, switch, 1)
    hand.step(NONE, 5_000, 0)
    assert hand.fault == stuck
    setattr(hand, switch, 0)
    hand.step(NONE, 5_000, 0)
    assert hand.fault == ""
    hand = latched()
    setattr(hand, switch, 1)
    hand.step(NONE, 5_000, 0)
    hand.motion.latched = 0
    want = 1000 if stuck == "stuck-shut" else 0
    hand.begin(want)
    hand.step(NONE, 100, 300)
    assert hand.motion.motor == 0
    setattr(hand, switch, 0)
    hand.step(NONE, 5_000, 0)
    assert hand.fault == stuck
    setattr(hand, switch, NONE)
    hand.step(NONE, 5_000, 0)
    assert hand.fault == stuck


@pytest.mark.parametrize(("word", "way"), [("stuck-shut", 1), ("stuck-open", -1), ("stuck-part", 0)])
def test_a_restored_fault_knows_its_way(word: str, way: int) -> None:
    """What was stuck at an end did not leave it; between the ends nobody knows."""
    motion = Hand(at=500).motion
    motion.restore(word)
    assert (motion._stuck_way, motion.latched, motion.state) == (way, 1, lid_table.STUCK)


@pytest.mark.parametrize(("driven", "state"), [(1_900, "stuck"), (1_901, "open")])
def test_without_switches_a_new_try_that_stalls_at_once_is_no_arrival(driven: int, state: str) -> None:
    """Near the end by time and stuck there before: two seconds of way are asked for, the step of the stall included."""
    hand = Hand(at=800, end_switches=0).begin(1000)
    motion = hand.motion
    motion.tries, motion.fault, motion._stuck_way = 1, lid_table.STUCK_PART, 1
    motion._drive_ms, motion.place.at_ms = driven, 39_000
    hand.step(1000, 100, 3_000)
    assert hand.state == state
    assert hand.fault == ("stuck-part" if state == "stuck" else "")


@pytest.mark.parametrize("word", [lid_table.MOTOR_DEAD, lid_table.TOO_MUCH_CURRENT])
def test_an_end_switch_at_rest_ends_no_fault_of_the_motor(word: int) -> None:
    """That the lid was put down by hand says nothing of wire or winding."""
    hand = Hand(at=500)
    hand.step(500, 5_000, 0)
    hand.motion.fault, hand.motion.state, hand.motion.pause_ms = word, lid_table.STUCK, 0
    hand.shut = 1
    hand.step(NONE, 5_000, 0)
    hand.step(NONE, 5_000, 0)
    assert hand.motion.fault == word


@pytest.mark.parametrize(
    ("at", "word", "want", "state"), [(0, "stuck-shut", 0, "shut"), (1000, "stuck-open", 1000, "open")]
)
def test_an_end_that_is_there_already_is_not_driven_against(at: int, word: str, want: int, state: str) -> None:
    """Stuck at an end and wanted there: its switch is made, so not even one step is driven; the fault stays."""
    hand = Hand(at=at)
    hand.motion.restore(word)
    hand.motion.latched = 0
    for _ in range(4):
        assert hand.step(want, 5_000, 0).motion.motor == 0
    assert (hand.state, hand.fault) == (state, word)


def test_both_switches_latch_until_one_opens() -> None:
    """Both ends at once is latched at once, without tries."""
    hand = Hand(at=500).step(500, 5_000, 0)
    hand.shut = hand.opened = 1
    hand.step(500, 5_000, 0)
    assert (hand.fault, hand.motion.latched, hand.motion.tries) == ("switches-both", 1, 0)


def test_the_first_opening_after_a_hold_is_announced() -> None:
    """Hands were in the frame a minute ago: even an opening sounds first, once; the next one does not."""
    hand = Hand()
    hand.motion.warn_ms = 5_000
    hand.motion._announce = 0
    hand.motion.step(5_000, 0, 1, 0, 0, NONE, 1)
    hand.step(1000, 5_000, 0)
    hand.step(1000, 60_000, 0)
    assert (hand.motion.motor, hand.motion.siren) == (0, 1)
    hand.step(1000, 5_000, 0)
    assert (hand.motion.motor, hand.motion.siren) == (1, 0)
    hand.step(NONE, 200, 300)
    hand.step(1000, 5_000, 0)
    assert (hand.motion.motor, hand.motion.siren) == (1, 0)


def test_bench_agrees_with_the_hand() -> None:
    """The same crack on the desk bench: reached within a hundredth, no fault."""
    bench = LidBench().until_rest(50)
    assert (bench.state, bench.fault) == ("part", "")
    assert abs(bench.at - 50) <= 10
