"""The firmware on CPython in this process, in virtual time: fastest, and easy to look into.

The same shell and core as on a board (sash.app.Shell, sash.frame_core.FrameCore) run on a
board of plain objects; messages go to a hook instead of a broker.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Coroutine, Mapping
from typing import Any

from framesim.runner_base import Hooks, OnMessage, Runner, Turn, first_settings
from framesim.scenario import Scenario
from framesim.virtual_frame import VirtualFrame
from sash import app, clock, journal, slots
from sash.reading import NONE

WILL_AFTER_MS = 90_000  # a broker speaks for a silent frame after 1.5 keep-alive times of 60 s (MQTT 3.1.1)

# The controller's code carries no types.
_Clock: Any = clock.Clock
_Journal: Any = journal.Journal
_Slots: Any = slots.Slots
_Shell: Any = app.Shell
_frame_core: Any = app._frame_core


class MemoryStorage:
    """The storage of sash.board in a dict; it outlives the controller, as flash does."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}

    def read(self, name: str) -> bytes | None:
        """A file's bytes."""
        return self.files.get(name)

    def write(self, name: str, data: bytes) -> None:
        """Replace a file."""
        self.files[name] = bytes(data)

    def append(self, name: str, data: bytes) -> None:
        """Add to a file."""
        self.files[name] = self.files.get(name, b"") + bytes(data)

    def remove(self, name: str) -> None:
        """Remove a file; missing is fine."""
        self.files.pop(name, None)

    def names(self) -> list[str]:
        """All files."""
        return list(self.files)


class ResetAsked(RuntimeError):
    """The firmware crashed and asked for a restart; its cause is chained."""


class PlainBoard:
    """A board (see sash.board) whose world is set from outside, step by step."""

    name = "virtual"

    def __init__(self, storage: MemoryStorage, cause: str) -> None:
        self.storage = storage
        self.inputs: Any = None
        self.turn = Turn()
        self.fed = 0
        self.dt_ms = 0
        self.given_s = NONE  # the harness's clock
        self._shift_s = 0
        self._clock = _Clock()
        self._cause = cause

    async def wait(self, next_ms: int) -> int:
        """Never waits: the runner has let the time pass already."""
        self._clock.advance(self.dt_ms)
        return self.dt_ms

    def read(self) -> Any:
        """What the runner has put here."""
        return self.inputs

    def apply(self, actions: Any) -> None:
        """Remember it for the runner."""
        self.turn = Turn(actions.motor, actions.duty_permille, actions.siren, actions.lamp, actions.next_ms)

    def unix_s(self) -> int:
        """Unix seconds or NONE."""
        return int(self._clock.unix_s()) if self.given_s == NONE else self.given_s + self._shift_s

    def set_unix_s(self, unix_s: int) -> None:
        """Set the clock."""
        self._clock.set_unix_s(unix_s)
        if self.given_s != NONE:
            self._shift_s = unix_s - self.given_s

    def feed(self) -> None:
        """Count."""
        self.fed += 1

    def reset_cause(self) -> str:
        """Why this run began."""
        return self._cause

    def reset(self) -> None:
        """The runner sees the crash anyway."""

    def random_bytes(self, count: int) -> bytes:
        """For retry pauses; none here."""
        return os.urandom(count)

    def network_up(self) -> int:
        """Always."""
        return 1


class PlainLink:
    """What sash.link.Link is to the shell, without a broker: hands messages to a hook at once while up."""

    def __init__(self, frame_id: str, board: PlainBoard, deliver: OnMessage) -> None:
        self.journal = _Journal(board.storage)
        self.up = self.sent = self.got = self.refused = self.dropped = self.sessions = 0
        self.boot = self.position_permille = self.held_off_ms = 0
        self.last_error = ""
        self._frame_id, self._board, self._deliver = frame_id, board, deliver
        self._kept: dict[str, bytes] = {}  # retained ones that wait for the link
        self._inbox: list[tuple[str, bytes]] = []
        self.will = b""

    @property
    def waiting(self) -> int:
        """Messages not handed over."""
        return int(self.journal.waiting) + len(self._kept)

    def send(self, suffix: str, payload: bytes, qos: int, retain: int) -> None:
        """Deliver, or keep as the real link does."""
        if self.up and not self.journal.waiting:
            self._hand_over(suffix, payload)
        elif suffix in ("readings", "events"):
            self.journal.add(suffix, payload, self.up)
        elif retain:
            self._kept[suffix] = payload
        else:
            self.dropped += 1

    def take(self) -> list[tuple[str, bytes]]:
        """What has come in."""
        taken, self._inbox = self._inbox, []
        return taken

    def receive(self, suffix: str, payload: bytes) -> None:
        """A message for the frame."""
        self.got += 1
        self._inbox.append((suffix, payload))

    def come_up(self) -> None:
        """Connect: presence, then what waited, oldest first."""
        self.up = 1
        self.sessions += 1
        self.will = self._presence(False)
        self._hand_over("presence", self._presence(True))
        for suffix, payload in self._kept.items():
            self._hand_over(suffix, payload)
        self._kept.clear()
        while (record := self.journal.peek()) is not None:
            self._hand_over(record[0], record[1])
            self.journal.done(record)

    def go_down(self) -> None:
        """Lose the connection."""
        self.up = 0

    def _hand_over(self, suffix: str, payload: bytes) -> None:
        self.sent += 1
        self._deliver(self._frame_id, suffix, payload)

    def _presence(self, here: bool) -> bytes:
        unix_s = self._board.unix_s()
        said = {"v": 1, "here": here, "boot": self.boot, "time_s": None if unix_s == NONE else unix_s}
        said["position_permille"] = self.position_permille
        return json.dumps(said, separators=(",", ":")).encode()


class InProcess(Runner):
    """Runs FrameCore in this process.

    fittings   as on the board
    settings   changes to the built-in settings, stored before the first start (None: none stored)
    storage    survives power cuts; give the same one again to go on later
    A crash of the firmware is raised as it is, never hidden by a restart.
    """

    def __init__(
        self,
        frame: VirtualFrame,
        fittings: Mapping[str, Any],
        start_s: float,
        *,
        scenario: Scenario | None = None,
        hooks: Hooks | None = None,
        settings: Mapping[str, int] | None = None,
        storage: MemoryStorage | None = None,
        make_core: Callable[..., Any] = _frame_core,
    ) -> None:
        super().__init__(str(fittings["frame"]), frame, start_s, scenario, hooks)
        self.fittings = dict(fittings)
        self.storage = storage or MemoryStorage()
        self.board: PlainBoard | None = None
        self.link: PlainLink | None = None
        self.shell: Any = None
        self._make_core = make_core
        self._retained: dict[str, bytes] = {}  # what the broker would keep for the frame
        self._will_ms: int | None = None
        self._will = b""
        if settings is not None:
            _Slots(self.storage).save("settings", first_settings(settings))

    @property
    def core(self) -> Any:
        """The running FrameCore."""
        return self.shell.core

    def send(self, suffix: str, payload: bytes, retain: bool = False) -> None:
        """Publish to the frame. While it is away only a retained message waits for it, as at a broker."""
        if retain:
            self._retained[suffix] = payload
        if self.link is not None and self.link.up:
            self.link.receive(suffix, payload)

    def _start_controller(self) -> None:
        # A program that hung was ended by its watchdog.
        self.board = PlainBoard(self.storage, "watchdog" if self._hung else "power-on")
        self.link = PlainLink(self.frame_id, self.board, self._deliver)
        self.board.given_s = self.board_unix_s()
        self.shell = _Shell(self.board, self.fittings, self.link, self._make_core)

    def _controller_turn(self, dt_ms: int) -> Turn:
        board = self.board
        assert board is not None
        self._mind_link()
        board.dt_ms, board.given_s, board.inputs = dt_ms, self.board_unix_s(), self.frame.inputs()
        _finish(self.shell.cycle())
        return board.turn

    def _stop_controller(self, cut: bool) -> None:
        if self.link is not None and self.link.up:
            self._will, self._will_ms = self.link.will, self.time_ms + (WILL_AFTER_MS if cut else 0)
        self.board = self.link = self.shell = None
        if not cut:
            self._speak_for_silent()

    def step(self) -> None:
        """One step, and the broker's word for a frame that fell silent."""
        super().step()
        if self._will_ms is not None:
            self._speak_for_silent()

    def _mind_link(self) -> None:
        link = self.link
        assert link is not None
        if link.up and self.link_out:
            if "broker" not in self._down:
                self._will, self._will_ms = link.will, self.time_ms + WILL_AFTER_MS
            link.go_down()
        elif not link.up and not self.link_out:
            self._will_ms = None
            link.come_up()
            for suffix, payload in self._retained.items():
                link.receive(suffix, payload)

    def _speak_for_silent(self) -> None:
        if self._will_ms is None or self.time_ms < self._will_ms:
            return
        self._will_ms = None
        if "broker" not in self._down:
            self._deliver(self.frame_id, "presence", self._will)

    def _deliver(self, frame_id: str, suffix: str, payload: bytes) -> None:
        if self.hooks.on_message:
            self.hooks.on_message(frame_id, suffix, payload)


def _finish(steps: Coroutine[Any, Any, Any]) -> None:
    """Run a coroutine that never really waits."""
    try:
        steps.send(None)
    except StopIteration:
        return
    raise RuntimeError("the firmware's cycle waited for something else than its board")
