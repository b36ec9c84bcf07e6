"""Random walks over the lid's drive and the whole core: the invariants that no sequence of events may break.

The walks are long on purpose: between them they take more than a million steps in `make verify`, and some tens of
thousands here. Every broken invariant prints the seed and the step.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from sash import lid_current, lid_law, lid_motion, lid_table
from sash.reading import NONE

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import CoreBench
from lid_bench import LidBench


class Watched(LidBench):
    """A lid bench that checks the invariants after every step."""

    def __init__(self, **changes: Any) -> None:
        super().__init__(**changes)
        self.last_quiet_ms = NONE  # when hold, fault or power-up last asked for a minute
        self.stalled_steps = 0
        self.last_way = 0
        self.rest_ms = 10_000
        self.back_ms = 0

    def step(self, want: int, dt_ms: int | None = None) -> Watched:
        """One step, then all checks."""
        motion = self.motion
        was_held, was_latched, was_motor = self.hold, motion.latched, motion.motor
        if dt_ms is None:
            dt_ms = 200 if motion.moving else 500 if motion.siren else 5_000
        super().step(want, dt_ms)
        motor = motion.motor
        if self.hold:
            assert motor == 0, "never drives under hold"
            assert motion.state == lid_table.HELD
        if was_held:
            self.last_quiet_ms = self.clock_ms
        back = motion._releases  # driving back from a stall: announced by nothing, short, and never under hold
        if back:
            self.back_ms += dt_ms
            assert self.back_ms <= lid_motion.RELEASE_MS + 2 * dt_ms, "back only for a moment"
            assert motor in (0, 1), "and only in the opening direction"
        else:
            self.back_ms = 0
        if motor and not was_motor and not back:
            assert not was_latched, "a latched fault lets nothing start"
            assert self.last_quiet_ms == NONE or self.clock_ms - self.last_quiet_ms >= lid_motion.QUIET_MS - dt_ms
            if motor != self.last_way:
                assert self.rest_ms + dt_ms >= lid_motion.TURN_MS, "turning round means standing still"
        assert not (was_motor and motor and was_motor != motor), "never reverses without a stop"
        stalled = motor in self.blocked and motor != 0 and not self.no_sensor and not self.dead
        self.stalled_steps = self.stalled_steps + 1 if stalled else 0
        assert self.stalled_steps <= 1 + lid_current.BLANK_MS // 200 + 1, "stops within two steps of a stall"
        if motor and back:
            self.last_way, self.rest_ms = motor, 0
            assert motion.state == lid_table.STUCK
        elif motor:
            self.last_way, self.rest_ms = motor, 0
            assert motion.state in (lid_table.OPENING, lid_table.SHUTTING)
            assert 0 < motion.duty_permille <= 1000
            # The lid's own time limit: a gentle search for an end has less power, so it takes longer.
            limit = self.fittings["travel_ms"] * 1.25 * 1000 / (lid_current.GENTLE if motion._gentle else 1000)
            assert motion._drive_ms <= limit + 1_000 + dt_ms
        else:
            self.rest_ms += dt_ms
            assert motion.duty_permille == 0
            assert motion.state not in (lid_table.OPENING, lid_table.SHUTTING)
        assert motion.position_permille == NONE or 0 <= motion.position_permille <= 1000
        assert 0 <= motion.state < len(lid_table.STATES)
        assert not (motion.latched and motion.fault == lid_table.WELL)
        return self


def disturb(bench: Watched, dice: random.Random) -> None:
    """Let something happen to the lid."""
    what = dice.randrange(40)
    if what == 0:
        bench.hold = 1 - bench.hold
    elif what == 1:
        bench.blocked = {dice.choice((-1, 1))} if not bench.blocked else set()
    elif what == 2:
        bench.dead = not bench.dead and dice.random() < 0.5
    elif what == 3:
        bench.slips = not bench.slips and dice.random() < 0.5
    elif what == 4:
        bench.shut_reads = dice.choice((NONE, NONE, 0, 1))
    elif what == 5:
        bench.open_reads = dice.choice((NONE, NONE, 0, 1))
    elif what == 6:
        bench.at = float(dice.choice((0, 1000, dice.randrange(1001))))
    elif what == 7:
        bench.no_sensor = not bench.no_sensor
    elif what == 8:
        bench.speed = dice.choice((0.3, 0.8, 1.0, 1.0, 1.3))
    elif what == 9:
        before = bench.motion.fault or bench.motion.doubt
        bench.motion.clear()
        if before:
            bench.last_quiet_ms = bench.clock_ms
    elif what == 10:
        bench.motion.icy = dice.randrange(2)
    elif what == 11:
        bench.stray_ma = dice.choice((0, 0, 200, 7_000))


def walk_lid(seed: int, steps: int) -> set[str]:
    """A random life of a lid; returns the states and faults it met."""
    dice = random.Random(seed)
    bench = Watched(
        at=dice.choice((0, 1000, 400)), moving=dice.randrange(2), warn_ms=dice.choice((0, 5_000)),
        pot=dice.choice((0, 0, 1)), end_switches=dice.choice((1, 1, 1, 0)), reverse=0,
    )  # fmt: skip
    want, met = 0, set()
    for step in range(steps):
        if dice.random() < 0.02:
            want = dice.choice((NONE, 0, 0, 100, 400, 700, 1000, dice.randrange(1001)))
        if dice.random() < 0.05:
            disturb(bench, dice)
        try:
            bench.step(want)
        except AssertionError as error:
            raise AssertionError(f"seed {seed}, step {step}, {bench.motion}: {error}") from error
        met.add(bench.state)
        met.add(bench.fault)
    return met


def test_random_lives_of_a_lid_keep_the_invariants() -> None:
    """Never under hold, never latched, never at once the other way, never longer than allowed; and all states met."""
    met: set[str] = set()
    for seed in range(60):
        met |= walk_lid(seed, 1_000)
    assert set(lid_table.STATES) <= met
    assert set(lid_table.FAULTS) <= met


@pytest.mark.slow
def test_a_million_steps_of_lids_keep_the_invariants() -> None:
    """The same for more than a million steps."""
    for seed in range(1_000, 2_050):
        walk_lid(seed, 1_000)


class LidMachine(RuleBasedStateMachine):
    """The same lid under hypothesis, which looks for the shortest way to break it."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Watched(at=0, warn_ms=1_000)
        self.want = 0

    @rule(want=st.sampled_from([NONE, 0, 100, 400, 1000]))
    def wish(self, want: int) -> None:
        """The law changes its mind."""
        self.want = want

    @rule(seconds=st.integers(1, 120))
    def time_passes(self, seconds: int) -> None:
        """Steps for a while."""
        until = self.bench.clock_ms + seconds * 1000
        while self.bench.clock_ms < until:
            self.bench.step(self.want)

    @rule()
    def hands(self) -> None:
        """The hold switch is turned."""
        self.bench.hold = 1 - self.bench.hold

    @rule(ways=st.sets(st.sampled_from([-1, 1])))
    def block(self, ways: set[int]) -> None:
        """Something is in the way, or no longer."""
        self.bench.blocked = ways

    @rule(at=st.integers(0, 1000))
    def lifted(self, at: int) -> None:
        """Wind or a person moves the lid."""
        self.bench.at = float(at)

    @rule(shut=st.sampled_from([NONE, 0, 1]), opened=st.sampled_from([NONE, 0, 1]))
    def switches(self, shut: int, opened: int) -> None:
        """Switches break and are mended."""
        self.bench.shut_reads, self.bench.open_reads = shut, opened

    @precondition(lambda self: self.bench.motion.fault or self.bench.motion.doubt)
    @rule()
    def person_clears(self) -> None:
        """A person says: mended."""
        self.bench.motion.clear()
        self.bench.last_quiet_ms = self.bench.clock_ms

    @invariant()
    def sound(self) -> None:
        """Between steps, too, a held or latched lid has no motor."""
        motion = self.bench.motion
        assert motion.motor in (-1, 0, 1)
        assert not (motion.state == lid_table.HELD and motion.motor)


TestLidMachine = LidMachine.TestCase
TestLidMachine.settings = settings(
    max_examples=60, stateful_step_count=30, deadline=None, suppress_health_check=list(HealthCheck)
)


class WatchedCore(CoreBench):
    """A core bench that checks the invariants of the whole frame after every step."""

    def start(self, cause: str = "power-on") -> WatchedCore:
        """Power on: the quiet minute begins."""
        super().start(cause)
        self.quiet_from_ms = self.ms
        self.frost_s = self.hot_s = 0.0
        return self

    def step(self, *inbox: tuple[str, bytes], dt_ms: int | None = None) -> Any:
        """One step, then all checks."""
        was = self.motor
        before_ms = self.ms
        safe_before = self.core.mode == "safe"
        actions = super().step(*inbox, dt_ms=dt_ms)
        core, passed_s = self.core, (self.ms - before_ms) / 1000
        if self.inputs.hold or core.mode == "safe" or core._cells.values[1]:
            self.quiet_from_ms = self.ms
            assert actions.motor == 0, "never moves under hold, switched or ordered, or in safe mode"
        if safe_before:
            self.quiet_from_ms = self.ms
        if actions.motor and not was:
            # An order back to automatic does not end a drive that it finds running: that one was announced, and nobody
            # held it. If it stalls in the next minute, the arm still lets go of what it presses on.
            quiet = self.ms - self.quiet_from_ms < 60_000 - 5_000
            assert not quiet or core.motion._releases, "nothing moves in the quiet minute"
            assert self.saved["state"]["moving"] == 1, "stored before it moves"
        assert 0 <= core.target_permille <= 1000
        assert core.reason in lid_law.REASONS
        assert actions.next_ms in (200, 500, 5_000)
        self._witness(passed_s)
        return actions

    def _witness(self, passed_s: float) -> None:
        """Open in frost, or scorching and not open, must be told within its time."""
        core, values = self.core, self.core.law_settings
        air, position = core.air_mdegc, core.position_permille
        self.frost_s = self.frost_s + passed_s if lid_law.open_in_frost(air, position, values) else 0
        if self.frost_s > 130:
            assert "open-in-frost" in self.faults
        self.hot_s = self.hot_s + passed_s if lid_law.hot_though_open(air, position, values) else 0
        if self.hot_s > 1_215:
            assert "hot-though-open" in self.faults


def walk_core(seed: int, steps: int) -> set[str]:
    """A random life of a whole frame; returns the faults, reasons and modes it met."""
    dice = random.Random(seed)
    bench = WatchedCore(at=dice.choice((0, 1000, 400)))
    met: set[str] = set()
    for step in range(steps):
        try:
            happen(bench, dice)
            bench.step()
        except AssertionError as error:
            raise AssertionError(f"seed {seed}, step {step}, {bench.core!r}, {bench.core.motion!r}: {error}") from error
        met |= {*bench.faults, bench.core.reason, bench.core.mode}
        if len(bench.messages) > 1_000:
            bench.messages.clear()
    return met


def happen(bench: WatchedCore, dice: random.Random) -> None:
    """Let something happen to the frame."""
    what = dice.randrange(600)
    inputs, places = bench.inputs, bench.temperatures
    if what < 60:
        air = places["air"] or 12_000
        places["air"] = max(-9_000, min(45_000, air + dice.randrange(-1_500, 1_501)))
    elif what < 64:
        places[dice.choice(("outside", "soil"))] = dice.choice((None, -4_000, 3_000, 9_000, 16_000))
    elif what == 64:
        places["air"] = dice.choice((-2_000, 12_000, 20_000, 36_000))
    elif what == 65:
        bench.raw = dice.choice(({}, {}, {"air": None}, {"air": None, "air2": None}, {"air": bytes(9)}))
    elif what == 66:
        inputs.hold = 1 - inputs.hold
    elif what == 67:
        inputs.wind_mms = dice.choice((NONE, 0, 5_000, 9_000, 14_000))
    elif what == 68:
        inputs.battery_mv = dice.choice((NONE, 12_600, 12_600, 11_700, 11_000))
    elif what in (69, 81, 82, 83):
        if not bench.blocked:
            bench.blocked = dice.choice(({1}, {-1}))
        elif dice.random() < 0.2:
            bench.blocked = set()
    elif what == 70:
        bench.at = float(dice.choice((0, 1000, 500)))
    elif what == 71:
        bench.slips = not bench.slips
    elif what < 76:
        order = dice.choice(("open", "shut", "hold", "release", "auto", "locate", "resend"))
        if bench.order(order) == "" and order in ("release", "auto"):
            bench.quiet_from_ms = bench.ms
    elif what == 76:
        bench.want(bench.core.settings_n + 1, open_mdegc=dice.choice((9_000, 15_000, 22_000)), close_mdegc=6_000)
    elif what == 77:
        bench.start(dice.choice(("power-on", "watchdog")))
    elif what == 78:
        bench.ms += dice.randrange(8) * 3_600_000
    elif what == 79 and dice.random() < 0.2:
        bench.core._cells._values[dice.randrange(3)] ^= 1
    elif what == 80:
        bench.step(("orders", bytes(dice.randrange(256) for _ in range(dice.randrange(200)))))


def test_random_lives_of_a_frame_keep_the_invariants() -> None:
    """The whole core under everything at once; most faults, reasons and all modes but the bench must have been met."""
    met: set[str] = set()
    for seed in range(20):
        met |= walk_core(seed, 1_500)
    assert {"auto", "hold", "safe"} <= met
    words = {"stuck-shut", "probe-air", "battery-low", "battery-empty", "open-in-frost", "self-check", "moved-alone"}
    assert words <= met
    assert {"scorch", "warm", "cool", "evening", "wind-shut", "frost", "dwell", "hold"} <= met


@pytest.mark.slow
@pytest.mark.timeout(1_500)
@pytest.mark.parametrize("part", range(4))
def test_long_random_lives_of_frames_keep_the_invariants(part: int) -> None:
    """The same for a million steps, a quarter in each part."""
    met: set[str] = set()
    for seed in range(5_000 + part, 5_200, 4):
        met |= walk_core(seed, 5_000)
    assert {"lid-fault", "heat-ahead", "hot-though-open"} <= met
