"""The firmware as a process of its own, in virtual time (lockstep) or in real time.

Lockstep: each step is one exchange of lines, so a day takes seconds, while the link to
the broker runs in real time. So that messages keep up with virtual time, the runner waits after a
step until the firmware has handed over what it has to say.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from framesim.runner_base import Hooks, Runner, Turn, first_settings
from framesim.scenario import Scenario
from framesim.virtual_board import Answer, BoardError, FirmwareProcess
from framesim.virtual_frame import VirtualFrame
from sash import slots
from sash.storage import FileStorage

RESET_EXIT = 3  # the firmware restarts itself
OFF_STEP_REAL_MS = 200  # real mode without power
MANY_RESETS = 5  # in a row, without a step between them that worked


class BarrierTimeout(RuntimeError):
    """Messages did not arrive in time; says how many were sent and received."""


class Lockstep(Runner):
    """Runs controller/main_virtual.py under MicroPython (or CPython).

    folder        storage of the board; fittings.json is written into it
    settings      changes to the built-in settings, stored before the first start (None: none stored)
    host, port    the broker; host "-": none
    mode          "lockstep" or "real" (the firmware paces itself, `run_until` then takes as long as it says)
    drain_at      wait for hand-over once so many messages are waiting: 1 is exact in virtual time, more is faster
    patience_s    how long (real) to wait for hand-over or for the link before time goes on without
    """

    def __init__(
        self,
        frame: VirtualFrame,
        fittings: Mapping[str, Any],
        start_s: float,
        folder: str | Path,
        host: str = "-",
        port: int = 1883,
        *,
        scenario: Scenario | None = None,
        hooks: Hooks | None = None,
        settings: Mapping[str, int] | None = None,
        mode: str = "lockstep",
        interpreter: str | None = None,
        heap: str | None = None,
        drain_at: int = 1,
        patience_s: float = 10.0,
        timeout_s: float = 30.0,
    ) -> None:
        super().__init__(str(fittings["frame"]), frame, start_s, scenario, hooks)
        self.folder = Path(folder).resolve()  # the firmware runs elsewhere
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "fittings.json").write_text(json.dumps(dict(fittings)))
        if settings is not None:
            slots_on: Any = slots.Slots  # the controller's code carries no types
            storage: Any = FileStorage
            slots_on(storage(str(self.folder))).save("settings", first_settings(settings))
        self.process: FirmwareProcess | None = None
        self.answer = Answer()
        self.resets = 0  # restarts the firmware asked for itself
        self.slow_hand_overs = 0  # times patience ran out
        self._network = host != "-"
        self._start_process = partial(FirmwareProcess, self.folder, host, port, mode, interpreter, heap, timeout_s)
        self._mode, self._drain_at = mode, drain_at
        self._patience_s, self._timeout_s = patience_s, timeout_s
        self._sent_before = 0  # by earlier processes
        self._gave_up = False
        self._resets_in_row = 0

    @property
    def sent(self) -> int:
        """Messages acknowledged by the broker, over all restarts (those of a process's last moment may be missing)."""
        return self._sent_before + self.answer.sent

    def drain(self) -> bool:
        """Poll until nothing waits in the firmware; False when patience ran out or the link is down."""
        give_up = time.monotonic() + self._patience_s
        while self.process is not None:
            if self.answer.link_up and not self.answer.waiting:
                return True
            if time.monotonic() > give_up:
                self.slow_hand_overs += 1
                return False
            self.answer = self.process.poll()
        return False

    def barrier(self, received: Callable[[], int], timeout_s: float = 10.0) -> None:
        """Return once everything the firmware sent has been received by the caller.

        received: how many messages of this frame the caller has taken in since the start. BarrierTimeout otherwise.
        """
        give_up = time.monotonic() + timeout_s
        while True:
            if self.process is not None:
                self.answer = self.process.poll()
            waiting = self.answer.waiting if self.process is not None else 0
            if waiting == 0 and received() >= self.sent:
                return
            if time.monotonic() > give_up:
                raise BarrierTimeout(
                    f"{self.frame_id}: after {timeout_s:g} s {waiting} messages still wait in the firmware, "
                    f"{self.sent} were sent and {received()} received."
                )
            if self.process is None:
                time.sleep(0.002)  # nothing to poll: the caller's client works in a thread

    # --- controller ------------------------------------------------------------------------

    def _start_controller(self) -> None:
        self.process = self._start_process()
        self.answer = Answer()
        self._gave_up = False

    def _controller_turn(self, dt_ms: int) -> Turn:
        assert self.process is not None
        try:
            self.answer = self.process.step(dt_ms, self.board_unix_s(), self.frame.inputs())
            self._resets_in_row = 0
        except BoardError:
            if self.process.exit_code() != RESET_EXIT or self._resets_in_row >= MANY_RESETS:
                raise
            return self._restart()
        if self._network and self._mode == "lockstep":
            self._keep_up()
        answer = self.answer
        return Turn(answer.motor, answer.duty_permille, answer.siren, answer.lamp, answer.next_ms)

    def _keep_up(self) -> None:
        """Let the link catch up with virtual time."""
        if self.link_out:
            self._gave_up = False
            return
        if self.answer.link_up:
            self._gave_up = False
            if self.answer.waiting >= self._drain_at:
                self.drain()
        elif not self._gave_up:
            self._gave_up = not self.drain()

    def _restart(self) -> Turn:
        self.resets += 1
        self._resets_in_row += 1
        self._forget_process()
        self._start_controller()
        return Turn()

    def _stop_controller(self, cut: bool) -> None:
        if self.process is None:
            return
        if cut:
            self._forget_process()
            return
        if self._network and self._mode == "lockstep" and not self.link_out and self.answer.link_up:
            self.drain()
        self.process.quit()
        self._forget_process()

    def _forget_process(self) -> None:
        assert self.process is not None
        self.process.kill()
        self._sent_before += self.answer.sent
        self.answer = Answer()
        self.process = None

    # --- real time -------------------------------------------------------------------------

    def step(self) -> None:
        """One step; in real mode its length is what the firmware says has passed."""
        if self._mode == "lockstep":
            super().step()
            return
        self._happen()
        self._mind_power()
        if self.process is None:
            time.sleep(OFF_STEP_REAL_MS / 1000)
            elapsed_ms = OFF_STEP_REAL_MS
        else:
            asked = self.process.wanted(self._timeout_s)
            if asked is None:
                raise BoardError(f"{self.frame_id}: the firmware asked for nothing within {self._timeout_s:g} s.")
            elapsed_ms = asked
        if elapsed_ms:
            self.frame.advance(elapsed_ms, self.turn.motor, self.turn.duty_permille)
            self.time_ms += elapsed_ms
        self.record.steps += 1
        if self.process is not None:
            self._take_turn(elapsed_ms)
        if self.hooks.on_step:
            self.hooks.on_step(self)
