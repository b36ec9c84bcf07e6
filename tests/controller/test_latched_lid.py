"""A lid that cannot leave its end is never believed open, and its fault does not end by dead reckoning.

The lid is the simulator's: arm, play of the latch, give of the wood, current that grows with power. A latch or tie
with some play lets the lid rise until the shut switch opens; the arm is then held while the soft start still runs.
All limits are our own (marked "chosen" in controller/sash/lid_motion.py).
"""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

import pytest

from framesim.faults import Fault, Faults
from framesim.lid_mechanics import LidMechanics, LidParts, Surroundings
from sash import lid_current, lid_table
from sash.lid_motion import NONE, Motion

sys.path.insert(0, str(Path(__file__).parent))
from lid_words import Words

CRACKS = (40, 45, 50, 100, 300)
PLAYS = (2.0, 3.5, 5.0, 8.0, 12.0, 15.0)


class Frame(Words):
    """A Motion and the simulated lid it drives, in steps of 200 ms while it moves and 5 s at rest."""

    def __init__(self, at: int = 0, volts: float = 12.0, saved: dict[str, Any] | None = None, **fittings: int) -> None:
        self.fittings = {"travel_ms": 40_000, "boot_wait_s": 0, **fittings}
        self.faults = Faults()
        self.lid = LidMechanics(LidParts(travel_ms=float(self.fittings["travel_ms"])), self.faults)
        self.lid.arm_permille = self.lid.lid_permille = float(at)
        self.around = Surroundings(volts=volts)
        self.motion = Motion(self.fittings, at, 0, 0)
        self.clock_ms = 0
        self.starts = 0
        self.no_sensor = False
        self.words: list[str] = []  # each change of the fault's word

    def restart(self) -> None:
        """Power off and on: what the core stores is what is left."""
        old = self.motion
        self.motion = Motion(self.fittings, old.position_permille, old.moving, 0)
        self.motion.restore(lid_table.FAULTS[old.fault] if old.latched else "")

    def latch(self, play: float) -> Fault:
        """Leave the latch on; it can rise by `play` permille."""
        fault = Fault("lid", "latch", {"slack_permille": play})
        self.faults.start(fault)
        return fault

    def step(self, want: int) -> None:
        """One step."""
        motion = self.motion
        dt_ms = 200 if motion.moving else 5_000
        if motion.motor:
            self.lid.advance(dt_ms, motion.motor, motion.duty_permille, self.around)
        else:
            self.lid.motor_ma = 0.0
        self.clock_ms += dt_ms
        fitted = self.fittings.get("end_switches", 1)
        shut, opened = (self.lid.at_shut, self.lid.at_open) if fitted else (NONE, NONE)
        pot = round(self.lid.arm_permille) if self.fittings.get("pot") else NONE
        current = NONE if self.no_sensor else round(self.lid.motor_ma)
        motion.step(dt_ms, want, shut, opened, current, pot, 0)
        self.starts += motion.started
        word = lid_table.FAULTS[motion.fault]
        if not self.words or self.words[-1] != word:
            self.words.append(word)

    def run(self, want: int, seconds: float, held: bool = False) -> None:
        """Steps for some time; `held`: check after each that a lid held fast is not believed open."""
        until = self.clock_ms + seconds * 1000
        while self.clock_ms < until:
            self.step(want)
            if held and not self.motion.motor:
                self.check_held()

    def check_held(self) -> None:
        """Between drives: neither open nor part open, not thought far from the rim, and the fault stands."""
        assert self.state not in ("part", "open")
        assert self.motion.position_permille <= 30
        if self.starts:
            assert self.fault == "stuck-shut"


@pytest.mark.parametrize("volts", [11.5, 12.0, 12.8])
@pytest.mark.parametrize("play", PLAYS)
@pytest.mark.parametrize("crack", CRACKS)
def test_a_latched_lid_is_never_believed_open(crack: int, play: float, volts: float) -> None:
    """Whatever is wanted in 40 minutes: stuck-shut from the first stall on, without a break, until it latches."""
    frame = Frame(volts=volts)
    frame.latch(play)
    for want, seconds in ((crack, 500), (crack + 100, 300), (crack, 300), (1000, 300), (crack, 1_000)):
        frame.run(want, seconds, held=True)
    assert frame.words == ["", "stuck-shut"]
    assert frame.motion.latched
    assert frame.starts == 4


@pytest.mark.parametrize("play", PLAYS)
@pytest.mark.parametrize("crack", CRACKS)
def test_a_latch_taken_off_between_two_tries_lets_it_open(crack: int, play: float) -> None:
    """The next try opens it, and then the fault is over."""
    frame = Frame()
    latch = frame.latch(play)
    frame.run(crack, 30, held=True)
    frame.faults.end(latch)
    frame.run(crack, 90)
    assert (frame.state, frame.fault, frame.motion.tries) == ("part", "", 0)
    assert frame.lid.lid_permille == pytest.approx(crack, abs=25)
    assert frame.motion.position_permille == pytest.approx(crack, abs=25)


@pytest.mark.parametrize("play", PLAYS)
def test_shutting_does_not_free_a_latched_lid(play: float) -> None:
    """Evening presses it back on to the rim: its place is known, but nothing shows that it would open."""
    frame = Frame()
    frame.latch(play)
    frame.run(50, 30, held=True)
    frame.run(0, 120)
    assert (frame.state, frame.fault, frame.motion.position_permille) == ("shut", "stuck-shut", 0)
    frame.run(50, 60, held=True)
    frame.run(0, 400, held=True)
    assert frame.words == ["", "stuck-shut"]


def test_a_latched_fault_with_open_switch_survives_a_power_cut() -> None:
    """The drive itself has opened the switch: after the power cut that is still no proof."""
    frame = Frame()
    latch = frame.latch(8.0)
    frame.run(50, 2_000, held=True)
    assert frame.motion.latched
    frame.restart()
    frame.run(50, 2_000, held=True)
    assert frame.words == ["", "stuck-shut"]
    frame.faults.end(latch)
    frame.motion.clear()
    frame.run(50, 120)
    assert (frame.state, frame.fault) == ("part", "")


def test_a_power_cut_between_two_tries_finds_the_fault_again() -> None:
    """What is not latched is forgotten with the power; the next drive tells it again, by its right word."""
    frame = Frame()
    frame.latch(12.0)
    frame.run(50, 30, held=True)
    frame.restart()
    frame.run(50, 30)
    assert frame.fault == "stuck-shut"
    frame.run(50, 2_000, held=True)


def test_lifted_by_hand_from_the_rim_is_free() -> None:
    """Standing on the rim the switch was made; that it opens at rest is movement, unlike play that a drive took up."""
    frame = Frame()
    latch = frame.latch(2.0)
    frame.run(50, 2_000, held=True)
    assert frame.motion.latched
    frame.faults.end(latch)
    frame.lid.lid_permille = frame.lid.arm_permille = 400.0
    frame.step(50)
    assert frame.fault == ""


@pytest.mark.parametrize("play", [2.0, 8.0, 15.0])
def test_a_search_with_less_power_notices_the_stall_too(play: float) -> None:
    """Place unknown and much opening wanted: the gentle drive stalls at less current, within four seconds."""
    frame = Frame()
    frame.motion.place.at_ms = NONE
    frame.latch(play)
    while not frame.motion.motor:
        frame.step(1000)
        frame.motion.place.at_ms = NONE
    frame.run(1000, 4)
    assert not frame.motion.motor
    assert frame.fault.startswith("stuck-")


def test_without_switches_a_held_lid_is_not_searched_open() -> None:
    """No switches, place unknown: pressing against a latch for the travel time is not an arrival."""
    frame = Frame(end_switches=0)
    frame.motion.place.at_ms = NONE
    frame.latch(8.0)
    frame.run(1000, 2_500)
    assert frame.state == "stuck"
    assert frame.fault.startswith("stuck-")
    assert frame.motion.latched


@pytest.mark.parametrize("crack", CRACKS)
@pytest.mark.parametrize("play", PLAYS)
def test_without_switches_a_latched_lid_is_not_believed_open(crack: int, play: float) -> None:
    """Current alone tells it."""
    frame = Frame(end_switches=0)
    frame.latch(play)
    frame.run(crack, 2_500, held=True)
    assert frame.words == ["", "stuck-shut"]


@pytest.mark.parametrize("travel_ms", [12_000, 20_000, 60_000])
@pytest.mark.parametrize("crack", CRACKS)
def test_quick_and_slow_drives_with_a_latch(crack: int, travel_ms: int) -> None:
    """A quick drive is past the crack by time before the soft start is over: it must show full power first."""
    frame = Frame(travel_ms=travel_ms)
    frame.latch(8.0)
    for want in (crack, crack + 100, crack):
        frame.run(want, 800)
        assert frame.state == "stuck"
    assert frame.words in (["", "stuck-shut"], ["", "stuck-part"])
    assert frame.motion.latched


@pytest.mark.parametrize(("want", "way"), [(200, "the same"), (205, "a little back"), (195, "a little on")])
def test_stuck_between_is_not_freed_by_wishing_for_that_place(want: int, way: str) -> None:
    """Shutting, blocked at 200: a wish for about 200 is no proof, whichever way it lies."""
    frame = Frame(at=600)
    block = Fault("lid", "blocked", {"at_permille": 200.0, "direction": "shut"})
    frame.faults.start(block)
    frame.run(0, 25)
    assert frame.fault == "stuck-part"
    frame.run(want, 2_500)
    assert frame.fault == "stuck-part", way
    frame.faults.end(block)
    frame.motion.clear()
    frame.run(0, 200)
    assert (frame.state, frame.fault) == ("shut", "")


def test_stuck_between_is_free_where_it_goes_on_or_at_an_end() -> None:
    """Going back the other way proves nothing but at the end; going on does."""
    for want, seconds, fault in ((600, 60, "stuck-part"), (1000, 90, ""), (100, 90, "")):
        frame = Frame(at=600)
        block = Fault("lid", "blocked", {"at_permille": 300.0, "direction": "shut"})
        frame.faults.start(block)
        frame.run(0, 20)
        assert frame.fault == "stuck-part"
        frame.faults.end(block)
        frame.run(want, 60 + seconds)
        assert frame.fault == fault, want
        if want == 600:
            assert frame.state == "part"


def test_a_dead_motor_is_not_well_after_a_short_way() -> None:
    """A move that is over by time before a dead motor is noticed does not count as made, first or second."""
    frame = Frame(at=500)
    frame.faults.start(Fault("motor", "broken-wire"))
    frame.run(500, 10)
    frame.run(515, 600)
    assert frame.fault == "motor-dead"
    assert frame.state == "stuck"
    frame.faults.active.clear()
    frame.run(520, 1_000)
    assert (frame.state, frame.fault) == ("part", "")


def test_without_a_current_sensor_a_fault_does_not_end_by_time() -> None:
    """Stuck, then the sensor fails: what time says of the place frees nothing, an end switch does."""
    frame = Frame(at=600)
    block = Fault("lid", "blocked", {"at_permille": 300.0, "direction": "shut"})
    frame.faults.start(block)
    frame.run(0, 20)
    frame.no_sensor = True
    frame.run(200, 400)
    assert frame.fault == "stuck-part"
    frame.faults.end(block)
    frame.run(0, 400)
    assert (frame.state, frame.fault) == ("shut", "")


@pytest.mark.parametrize("stall", [3_000, 5_999])
def test_a_stall_on_the_rim_with_the_switch_made_is_an_arrival(stall: int) -> None:
    """A drive without end stops of its own stalls where it should: at the end."""
    motion = Motion({"travel_ms": 40_000, "boot_wait_s": 0}, 400, 0, 0)
    motion.step(5_000, 400, 0, 0, 0, NONE, 0)
    motion.step(5_000, 0, 0, 0, 0, NONE, 0)
    for _ in range(60):
        motion.step(200, 0, 0, 0, 300, NONE, 0)
    motion.step(200, 0, 1, 0, stall, NONE, 0)
    assert (motion.state, motion.fault) == (lid_table.SHUT, lid_table.WELL)
    motion.step(5_000, 0, 1, 0, 0, NONE, 0)
    motion.step(5_000, 1000, 1, 0, 0, NONE, 0)
    motion.step(200, 1000, 1, 1, 6_000, NONE, 0)
    assert motion.fault != lid_table.WELL


def walk(seed: int, steps: int) -> int:
    """A latched lid under random wishes, voltages and power cuts; returns how often it was tried."""
    dice = random.Random(seed)
    frame = Frame(volts=dice.uniform(11.4, 13.2))
    frame.latch(dice.uniform(0.0, 15.0))
    want = 0
    for step in range(steps):
        if dice.random() < 0.02:
            want = dice.choice((0, 40, 50, 60, 100, 150, 400, 1000, dice.randrange(40, 1000)))
            frame.around.volts = dice.uniform(11.4, 13.2)
        if dice.random() < 0.001:
            frame.restart()
        if frame.motion.latched and dice.random() < 0.01:
            frame.motion.clear()
        frame.step(want)
        motion = frame.motion
        if not motion.moving:
            place = motion.position_permille
            assert place <= 60, f"seed {seed}, step {step}: {motion} wanted {want}"
            assert frame.state != "open", f"seed {seed}, step {step}"
    return frame.starts


def test_random_wishes_do_not_talk_a_latched_lid_open() -> None:
    """Whatever is wished, restarted or cleared by a person: never thought open by more than a crack."""
    assert sum(walk(seed, 1_500) for seed in range(40)) > 400
    assert lid_current.PROOF_MS > 0
