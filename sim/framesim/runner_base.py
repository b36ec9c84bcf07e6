"""What every way of running a frame has in common: virtual time, happenings, power, and what is recorded.

A runner owns one virtual frame and its controller. `run_until` lets time pass step by step:
physics first, then the controller's turn with what it would read. The controller asks for the
length of the next step, as on a real board.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from framesim.faults import Fault
from framesim.scenario import Scenario, Sight
from framesim.virtual_frame import VirtualFrame
from sash import settings as limits
from sash.reading import NONE, STOP

OFF_STEP_MS = 5000  # step while the controller has no power
BROWN_OUT_V = 9.0  # the board's regulator gives up (chosen)
BACK_V = 11.0  # and comes back

OnMessage = Callable[[str, str, bytes], None]


@dataclass(frozen=True)
class Command:
    """The motor was told something else than before."""

    time_ms: int  # Unix
    motor: int  # SHUT_DIRECTION, STOP, OPEN_DIRECTION of sash.reading, a reversed motor turned back
    lid_permille: int  # where the lid really was


@dataclass
class Hooks:
    """What a caller wants to hear of. All optional.

    on_message   (frame, topic suffix, payload): in process only; in lockstep messages go over the real broker
    on_step      after every step, for recording
    on_outage    (part, down) when a scenario's broker or link outage begins or ends
    on_happening (fault, begins) whenever a scenario's entry begins or ends
    on_power     False when the controller loses power, True when it has started again
    """

    on_message: OnMessage | None = None
    on_step: Callable[[Runner], None] | None = None
    on_outage: Callable[[str, bool], None] | None = None
    on_happening: Callable[[Fault, bool], None] | None = None
    on_power: Callable[[bool], None] | None = None


@dataclass
class Turn:
    """What the controller answered."""

    motor: int = STOP
    duty_permille: int = 0
    siren: int = 0
    lamp: int = 0
    next_ms: int = OFF_STEP_MS


@dataclass
class Record:
    """What happened, physically."""

    commands: list[Command] = field(default_factory=list)
    power_cuts: int = 0
    steps: int = 0

    def moves(self) -> list[tuple[int, int]]:
        """(Unix s, direction) of every start of the motor."""
        return [(command.time_ms // 1000, command.motor) for command in self.commands if command.motor != STOP]


def first_settings(changes: Mapping[str, int]) -> dict[str, Any]:
    """The stored record of settings that a board begins with: defaults with these changes, number 1.

    ValueError names every setting that the board would refuse.
    """
    merge: Any = limits.merge
    check: Any = limits.check
    defaults: Any = limits.defaults
    settings = merge(defaults(), dict(changes))
    faults = check(settings)
    if faults:
        raise ValueError("; ".join(f"{name}: {why}" for name, why in faults))
    return {"n": 1, "settings": settings}


class Runner:
    """Base of InProcess and Lockstep; they say how the controller starts, takes its turn and dies."""

    def __init__(
        self,
        frame_id: str,
        frame: VirtualFrame,
        start_s: float,
        scenario: Scenario | None = None,
        hooks: Hooks | None = None,
    ) -> None:
        self.frame_id = frame_id
        self.frame = frame
        self.scenario = scenario or Scenario()
        self.hooks = hooks or Hooks()
        self.time_ms = round(start_s * 1000)
        self.turn = Turn()
        self.record = Record()
        self.powered = False
        self._down: set[str] = set()
        self._motor_before = STOP
        self._hung = False
        frame.reset(start_s)

    def __repr__(self) -> str:
        return f"<{type(self).__name__} {self.frame_id} at {self.time_s} s, {self.frame!r}>"

    @property
    def time_s(self) -> int:
        """Virtual Unix time, whole seconds."""
        return self.time_ms // 1000

    @property
    def link_out(self) -> bool:
        """True while a scenario's link or broker outage holds."""
        return bool(self._down)

    def board_unix_s(self) -> int:
        """The time a board with a good clock has; NONE while a scenario says the clock is lost."""
        unix_s = float(self.time_s)
        for fault in self.frame.faults.of("clock"):
            if fault.kind == "lost":
                return NONE
            if fault.kind == "wrong":
                unix_s += fault.number("by_s")
            else:
                since_s = fault.memory.setdefault("since_s", float(self.time_s))
                unix_s += (self.time_s - since_s) * (fault.number("share") - 1.0)
        return int(unix_s)

    def run_until(self, time_s: float) -> None:
        """Let time pass; stops at the first step that reaches `time_s`."""
        until_ms = round(time_s * 1000)
        while self.time_ms < until_ms:
            self.step()

    def step(self) -> None:
        """One step: time passes, then the controller has its turn."""
        self._happen()
        self._mind_power()
        dt_ms = self._step_ms()
        self.frame.advance(dt_ms, self.turn.motor, self.turn.duty_permille)
        self.time_ms += dt_ms
        self.record.steps += 1
        if self.powered:
            self._take_turn(dt_ms)
        if self.hooks.on_step:
            self.hooks.on_step(self)

    def close(self) -> None:
        """Stop the controller for good."""
        if self.powered:
            self._stop_controller(cut=False)
            self.powered = False

    # --- for the two kinds of runner ---------------------------------------------------------

    def _start_controller(self) -> None:
        raise NotImplementedError

    def _controller_turn(self, dt_ms: int) -> Turn:
        raise NotImplementedError

    def _stop_controller(self, cut: bool) -> None:
        raise NotImplementedError

    # --- inside --------------------------------------------------------------------------------

    def _step_ms(self) -> int:
        """What the controller asked for, or less: a pressed switch wakes a real board too."""
        if not self.scenario.happenings:
            return self.turn.next_ms
        due_ms = self.scenario.next_wake_ms()
        left_ms = self.turn.next_ms if due_ms is None else due_ms - self.time_ms
        return min(self.turn.next_ms, left_ms) if left_ms > 0 else self.turn.next_ms

    def _take_turn(self, dt_ms: int) -> None:
        if self._hangs():
            return
        before = self.turn.motor
        self.turn = self._controller_turn(dt_ms)
        if self.turn.motor != before:
            self._note_command()

    def _hangs(self) -> bool:
        """True while the program stands still; its end is the watchdog's restart."""
        hangs = self.frame.faults.find("board", "hangs") is not None
        if self._hung and not hangs:
            self._stop_controller(cut=True)
            if self.turn.motor != STOP:
                self.turn = Turn()
                self._note_command()
            self.turn = Turn()
            self._start_controller()
        self._hung = hangs
        return hangs

    def _note_command(self) -> None:
        lid = round(self.frame.lid.lid_permille)
        self.record.commands.append(Command(self.time_ms, self.frame.direction(self.turn.motor), lid))

    def _happen(self) -> None:
        """Let the scenario begin and end things, and tell the hooks about outages."""
        direction = self.frame.direction(self.turn.motor)
        sight = Sight(self.frame, direction, self._motor_before)
        self._motor_before = direction
        if not self.scenario.happenings:
            return
        seen = len(self.scenario.log)
        self.scenario.tick(self.time_ms, sight, self.frame.faults)
        for _, what, fault in self.scenario.log[seen:]:
            self._mind_outage(fault, what == "begins")
            if self.hooks.on_happening:
                self.hooks.on_happening(fault, what == "begins")

    def _mind_outage(self, fault: Fault, down: bool) -> None:
        if fault.part not in ("link", "broker"):
            return
        if down:
            self._down.add(fault.part)
        elif not self.frame.faults.of(fault.part):
            self._down.discard(fault.part)
        if self.hooks.on_outage:
            self.hooks.on_outage(fault.part, down)

    def _mind_power(self) -> None:
        """Start or cut the controller as the supply says."""
        enough_v = BROWN_OUT_V if self.powered else BACK_V
        supplied = self.frame.parts.mains or self.frame.battery.volts >= enough_v
        has_power = supplied and not self.frame.faults.of("power")
        if has_power == self.powered:
            return
        if has_power:
            self._start_controller()
        else:
            self._stop_controller(cut=True)
            self.record.power_cuts += 1
            if self.turn.motor != STOP:
                self.turn = Turn()
                self._note_command()
        self.turn = Turn()
        self.powered = self.frame.battery.board_on = has_power
        if self.hooks.on_power:
            self.hooks.on_power(has_power)
