"""The lid's drive: where it stops, how it gets stuck, and when it may move again.

Times and limits are our own (marked "chosen" in controller/sash/lid_motion.py), except travel time + 25 % and both
switches active, which follow the fault list after IEC 60730-1 Annex H (class B) as read in makers' notes.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import pytest

from sash import lid_current, lid_motion, lid_place, lid_table
from sash.lid_motion import NONE

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench

TRAVEL_S = 40
LIMIT_S = TRAVEL_S * 1.25


# --- the table -------------------------------------------------------------------------------------
def test_every_cell_of_the_table_holds_a_state() -> None:
    """There is an answer for every event in every state."""
    assert len(lid_table.NEXT) == len(lid_table.EVENTS)
    for row in lid_table.NEXT:
        assert len(row) == len(lid_table.STATES)
        assert set(row) <= set(range(len(lid_table.STATES)))


def test_the_page_shows_the_table_as_it_is() -> None:
    """What the page prints must be the table that runs."""
    page = (Path(__file__).parents[2] / "docs" / "decisions" / "lid-drive.md").read_text()
    for event, row in zip(lid_table.EVENTS, lid_table.NEXT, strict=True):
        cells = ["·" if after == before else lid_table.STATES[after] for before, after in enumerate(row)]
        assert f"| {event.replace('_', ' ')} | {' | '.join(cells)} |" in page


def test_the_page_explains_every_fault_word() -> None:
    """Each word that the drive can report is explained on the page."""
    page = (Path(__file__).parents[2] / "docs" / "decisions" / "lid-drive.md").read_text()
    assert all(f"`{word}`" in page for word in lid_table.FAULTS if word)


@pytest.mark.parametrize("state", range(len(lid_table.STATES)))
@pytest.mark.parametrize("event", range(len(lid_table.EVENTS)))
def test_each_cell_obeys_the_rules(event: int, state: int) -> None:
    """The rules that make the table safe, for each of its cells."""
    after = lid_table.after(state, event)
    if event == lid_table.HOLD_ON:
        assert after == lid_table.HELD
    if state == lid_table.HELD and event != lid_table.HOLD_OFF:
        assert after == lid_table.HELD, "only the end of the hold leaves it"
    moving = (lid_table.OPENING, lid_table.SHUTTING)
    if after in moving and state != after:
        assert event in (lid_table.TOLD_OPEN, lid_table.TOLD_SHUT), "only being told to starts a movement"
    if state in moving and after in moving:
        assert after == state, "no turning round without standing still"
    if event in (lid_table.OVER_CURRENT, lid_table.BOTH_SWITCHES) and state != lid_table.HELD:
        assert after == lid_table.STUCK
    if state == lid_table.STUCK and event == lid_table.REACHED_PART:
        assert after == lid_table.STUCK, "a stuck lid is not freed by a guess of where it is"


# --- ordinary drives -----------------------------------------------------------------------------------
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


# --- without switches, with a potentiometer, power-up -------------------------------------------------------
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


# --- stuck --------------------------------------------------------------------------------------------------
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


# --- hold, clearing, quiet ------------------------------------------------------------------------------------
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


# --- what the fault bench found ------------------------------------------------------------


def test_a_wire_that_breaks_in_mid_move_is_a_dead_motor() -> None:
    """Current flowed and stops flowing while the lid rises: motor-dead within two seconds, not a finished drive."""
    bench = LidBench()
    bench.run(400, 4)
    assert bench.motion.motor
    bench.dead = True
    bench.run(400, 2.2)
    assert bench.motion.motor == 0
    assert bench.fault == "motor-dead"


def test_a_sensor_that_never_showed_current_does_not_stop_the_lid() -> None:
    """The switch opened although no current was ever read: the sensor is dead, the drive goes on to its goal."""
    bench = LidBench()
    moves = bench._drive
    bench._drive = lambda dt_ms: moves(dt_ms) * 0
    bench.until_rest(400)
    assert bench.state == "part"
    assert bench.at == pytest.approx(400, abs=20)
    assert bench.fault == ""


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


def test_stall_while_shutting_drives_back_for_a_moment() -> None:
    """Something under the edge: stop, one step of standstill, less than half a second back, then nothing more."""
    bench = LidBench().until_rest(600)
    bench.run(0, 3)
    bench.blocked = {-1}
    while bench.motion.motor == -1:
        bench.step(0)
    stopped_ms, stopped_at = bench.clock_ms, bench.at
    assert bench.fault == "stuck-part"
    bench.step(0)
    assert bench.motion.motor == 1
    while bench.motion.moving:
        bench.step(0)
    assert bench.clock_ms - stopped_ms <= 200 + lid_motion.RELEASE_MS
    assert 6 <= bench.at - stopped_at <= 14
    assert bench.fault == "stuck-part"
    bench.run(0, 50)
    assert bench.motion.motor == 0


def test_stall_while_opening_drives_nowhere() -> None:
    """Only what is under a closing edge is let go."""
    bench = LidBench().until_rest(300)
    bench.blocked = {1}
    bench.until_rest(700)
    bench.run(700, 5)
    assert bench.motion.motor == 0
    assert bench.motion._last_direction == 1


def test_drive_back_ends_at_its_own_stall_at_the_open_end_and_under_hold() -> None:
    """Blocked both ways it gives up at once; at the open switch and under hold too."""
    for end in ("blocked", "open", "hold"):
        bench = LidBench().until_rest(600)
        bench.run(0, 3)
        bench.blocked = {-1}
        while bench.motion.motor == -1:
            bench.step(0)
        bench.step(0)
        assert bench.motion.motor == 1
        if end == "blocked":
            bench.blocked = {1, -1}
        elif end == "open":
            bench.open_reads = 1
        else:
            bench.hold = 1
        bench.step(0)
        bench.step(0)
        assert bench.motion.motor == 0


def test_tries_against_an_obstacle_do_not_talk_the_lid_shut() -> None:
    """Pressing is no way: after all tries the lid that lies on something is thought where it is, not nearly shut."""
    bench = LidBench().until_rest(100)
    bench.step(0)
    while bench.at > 60:
        bench.step(0)
    bench.blocked = {-1}
    bench.run(0, 2_000)
    assert bench.motion.latched
    assert bench.motion.position_permille == pytest.approx(60, abs=25)
    assert bench.motion.position_permille >= lid_place.NOT_AT_END


def test_lid_a_finger_from_shut_counts_as_open() -> None:
    """Stuck just above the rim with the shut switch not made: open enough for the frost alarm."""
    bench = LidBench().until_rest(400)
    bench.step(0)
    while bench.at > 8:
        bench.step(0)
    bench.blocked = {-1}
    bench.run(0, 3)
    assert bench.fault == "stuck-part"
    assert bench.motion.position_permille > 20


@pytest.mark.parametrize("opening", [30, 100])
def test_a_wire_broken_before_it_shuts_from_a_crack_is_a_dead_motor(opening: int) -> None:
    """A crack is near the shut end all the way, but a drive that never drew current has not come there."""
    bench = LidBench().until_rest(opening)
    bench.dead = True
    bench.step(0)
    bench.run(0, 2)
    assert bench.motion.motor == 0
    assert bench.fault == "motor-dead"
    assert bench.state == "stuck"


def test_dead_sensor_shuts_a_crack_all_the_way() -> None:
    """With the current sensor dead a lid shuts from a narrow crack until its switch makes."""
    bench = LidBench()
    moves = bench._drive
    bench._drive = lambda dt_ms: moves(dt_ms) * 0
    bench.speed = 0.8
    bench.until_rest(30).until_rest(0)
    assert bench.state == "shut"
    assert bench.at <= 3
    assert bench.fault == ""


def test_without_switches_a_lid_that_stands_at_its_end_is_found_there() -> None:
    """First start of a frame without end switches, lid shut at the drive's own stop: no dead motor, only a doubt."""
    bench = LidBench(saved=NONE, end_switches=0)
    bench.run(0, 20)
    assert bench.state == "shut"
    assert bench.motion.fault == 0
    assert bench.fault == "lost-position"
    bench.until_rest(400)
    assert bench.at == pytest.approx(400, abs=30)


def test_a_lid_that_wind_has_lifted_is_not_given_up() -> None:
    """Lifted off the shut end for two hours, the arm at its own stop: looked for again and again, never latched;
    once it is down again it opens."""
    bench = LidBench().run(0, 60)
    bench.dead = True  # the arm stands at its end and draws nothing
    bench.at = 500
    bench.run(0, 7_200)
    assert bench.motion.doubt == lid_table.LIFTED
    assert bench.motion.fault == 0
    assert not bench.motion.latched
    starts = [word for _, word in bench.log].count("shutting")
    assert 5 <= starts <= 12
    bench.at, bench.dead = 0, False
    bench.run(0, 10)
    assert bench.state == "shut"
    assert bench.fault == ""
    bench.until_rest(400)
    assert bench.state == "part"


def test_shutting_stops_at_less_than_half_the_current_that_opening_may_take() -> None:
    """The lid's weight helps it down, so a current that is still fine while opening is a hand while shutting."""
    limit_ma = 3_000 * lid_current.SHUT_SHARE // 1_000
    cases = ((400, 0, limit_ma, 0), (0, 600, limit_ma - 300, 1), (0, 600, limit_ma - 301, 0))
    for want, start, extra_ma, stops in cases:
        bench = LidBench()
        if start:
            bench.until_rest(start)
        bench.step(want)
        bench.run(want, 0.6)
        bench.stray_ma = extra_ma
        bench.step(want)
        assert (bench.motion.motor == 0) == bool(stops), (want, extra_ma)


@pytest.mark.parametrize("power", [300, 500, 867])
def test_shutting_keeps_to_the_power_that_the_fittings_allow(power: int) -> None:
    """Sizing slows a fast lid by less power while shutting; it opens with all, and arrives without a doubt."""
    bench = LidBench(shut_power_permille=power)
    bench.until_rest(1000)
    assert bench.state == "open"
    most = 0
    bench.step(0)
    while bench.motion.moving or bench.motion.siren:
        most = max(most, bench.motion.duty_permille)
        bench.step(0)
    assert most == power
    assert (bench.state, bench.fault) == ("shut", "")
