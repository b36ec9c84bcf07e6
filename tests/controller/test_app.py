"""The firmware's loop: order, saving first, feeding the watchdog only when all is well, and what a crash leaves."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from itertools import permutations
from types import SimpleNamespace
from typing import Any

import pytest

from sash import app, reading
from sash.board import Stopped
from sash.slots import Slots

FITTINGS = {"frame": "north"}


class Memory:
    """Storage in memory that can refuse to write."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.broken = False

    def read(self, name: str) -> bytes | None:
        return self.files.get(name)

    def write(self, name: str, data: bytes) -> None:
        if self.broken:
            raise OSError(28, "no space left")
        self.files[name] = data


class Reset(BaseException):
    """The board restarts."""


class FakeBoard:
    """A board that notes what happens to it, in order, and stops after some steps."""

    name = "fake"

    def __init__(self, steps: int = 3, storage: Memory | None = None) -> None:
        self.log: list[Any] = []
        self.steps = steps
        self.storage = storage or Memory()
        self.time_s = reading.NONE
        self.motor = None
        self.inputs: Callable[[], Any] = reading.Inputs
        write = self.storage.write

        def noted(name: str, data: bytes) -> None:
            self.log.append("write " + name[:-2])
            write(name, data)

        self.storage.write = noted  # type: ignore[method-assign]

    async def wait(self, next_ms: int) -> int:
        self.log.append(("wait", next_ms))
        if not self.steps:
            raise Stopped
        self.steps -= 1
        return next_ms

    def read(self) -> Any:
        self.log.append("read")
        return self.inputs()

    def apply(self, actions: Any) -> None:
        self.log.append("apply")
        self.motor = actions.motor

    def feed(self) -> None:
        self.log.append("feed")

    def unix_s(self) -> int:
        return self.time_s

    def set_unix_s(self, unix_s: int) -> None:
        self.time_s = unix_s

    def reset_cause(self) -> str:
        return "power-on"

    def reset(self) -> None:
        self.log.append("reset")
        raise Reset


class FakeLink:
    """A link that keeps what it is given."""

    def __init__(self, board: FakeBoard, inbox: tuple[Any, ...] = ()) -> None:
        self._board = board
        self.inbox = list(inbox)
        self.sent: list[Any] = []
        self.up = 1
        self.refused = 4
        self.dropped = 2
        self.boot = self.position_permille = self.held_off_ms = self.uptime_s = 0
        self.journal = SimpleNamespace(dropped=3, waiting=2, spill=lambda: board.log.append("spill"))

    async def run(self) -> None:
        await asyncio.sleep(0)

    def take(self) -> list[Any]:
        taken, self.inbox = self.inbox, []
        return taken

    def send(self, suffix: str, payload: bytes, qos: int, retain: int) -> None:
        self._board.log.append("send " + suffix)
        self.sent.append((suffix, json.loads(payload), qos, retain))

    async def stop(self) -> None:
        self._board.log.append("link stop")


class TinyCore:
    """A core that does what a test tells it to."""

    def __init__(self, *started: Any, step: Callable[..., None] | None = None) -> None:
        self.started = started
        self.calls: list[Any] = []
        self._step = step

    def step(self, *given: Any) -> Any:
        self.calls.append(given)
        actions = reading.Actions()
        actions.motor = reading.OPEN_DIRECTION
        if self._step:
            self._step(actions, len(self.calls))
        return actions


def run(board: FakeBoard, link: Any = None, step: Callable[..., None] | None = None) -> tuple[Any, TinyCore]:
    """Run the firmware until the board stops it."""
    made: list[TinyCore] = []

    def make(*started: Any) -> TinyCore:
        made.append(TinyCore(*started, step=step))
        return made[0]

    return asyncio.run(app.run(board, FITTINGS, link, make)), made[0]


def test_one_cycle_saves_before_it_moves_and_feeds_last() -> None:
    """The order must be wait, read, save, apply, send, feed."""
    board = FakeBoard(steps=1)

    def step(actions: Any, _: int) -> None:
        actions.saves = [("state", {"n": 1}), ("settings", {"n": 2})]
        actions.messages = [("events", {"v": 1}, 1, 0)]
        actions.next_ms = 200

    run(board, FakeLink(board), step)
    assert board.log[board.log.index(("wait", 0)) :] == [
        ("wait", 0),
        "read",
        "write state",
        "write settings",
        "apply",
        "send events",
        "feed",
        ("wait", 200),
        "apply",
        "link stop",
    ]
    assert board.motor == reading.STOP


def test_every_other_order_of_stages_starves_the_watchdog() -> None:
    """Skipped, repeated or swapped stages must never complete a cycle, nor any cycle after that."""
    stages = tuple(range(6))
    wrong = [order for order in permutations(stages) if order != stages]
    wrong += [stages[:at] + stages[at + 1 :] for at in stages]
    wrong += [stages[: at + 1] + stages[at:] for at in stages]
    for order in wrong:
        marks = app.Stages()
        for stage in order:
            marks.mark(stage)
        assert not marks.complete(), order
        for stage in stages:
            marks.mark(stage)
        assert not marks.complete(), order


def test_whole_cycles_feed_each_time() -> None:
    """Cycle after cycle in order must count as complete each time."""
    marks = app.Stages()
    for _ in range(5):
        for stage in range(6):
            marks.mark(stage)
        assert marks.complete()


def test_hanging_stage_never_feeds() -> None:
    """While a stage hangs, the watchdog must not be fed by anything."""
    board = FakeBoard()

    async def hang(_: int) -> int:
        await asyncio.sleep(3600)
        return 0

    board.wait = hang  # type: ignore[method-assign]

    async def bounded() -> None:
        with pytest.raises(asyncio.TimeoutError):
            await asyncio.wait_for(app.run(board, FITTINGS, FakeLink(board), TinyCore), 0.02)

    asyncio.run(bounded())
    assert "feed" not in board.log


def test_boot_counter_rises_over_restarts() -> None:
    """Each start must have the next number, kept through a power cut."""
    storage = Memory()
    for expected in (1, 2, 3):
        _, core = run(FakeBoard(1, storage))
        assert core.started[3:] == (expected, "power-on")


def test_core_gets_time_inputs_inbox_and_link() -> None:
    """The core must see the ms that passed, the clock, what came in (once), and whether the link is up."""
    board = FakeBoard(steps=2)
    link = FakeLink(board, (("orders", b"x"),))
    _, core = run(board, link)
    (first, second) = core.calls
    assert (first[0], first[1], first[3], first[4]) == (0, reading.NONE, [("orders", b"x")], 1)
    assert isinstance(first[2], reading.Inputs)
    assert (second[0], second[3]) == (5000, [])
    assert link.boot == 1


def test_stored_settings_and_state_reach_the_core() -> None:
    """What was saved in one run must be handed to the core of the next."""
    storage = Memory()

    def step(actions: Any, _: int) -> None:
        actions.saves = [("settings", {"open_mdegc": 15000}), ("state", {"hold": 1})]

    run(FakeBoard(1, storage), step=step)
    _, core = run(FakeBoard(1, storage))
    assert core.started[:3] == (FITTINGS, {"open_mdegc": 15000}, {"hold": 1})


def test_damaged_records_start_with_defaults() -> None:
    """With every record damaged the firmware must start with nothing saved, not fail."""
    storage = Memory()
    run(FakeBoard(1, storage), step=lambda actions, _: actions.saves.append(("state", {"hold": 1})))
    storage.files = {name: data[:-1] for name, data in storage.files.items()}
    _, core = run(FakeBoard(1, storage))
    assert core.started[1:4] == ({}, None, 1)


def test_clock_order_sets_the_board() -> None:
    """A clock time from the core must be set on the board at once."""
    board = FakeBoard(steps=2)
    _, core = run(board, step=lambda actions, n: setattr(actions, "clock_s", 1767225600 if n == 1 else reading.NONE))
    assert core.calls[1][1] == 1767225600


def test_report_is_completed_by_the_shell() -> None:
    """Counters, memory, board and interpreter must be filled in, and the lid's position told to the link."""
    board = FakeBoard(steps=1)
    link = FakeLink(board)
    report = {"v": 1, "lid": {"position_permille": 300}, "drops": {"journal": 0, "refused": 5}}
    run(board, link, lambda actions, _: actions.messages.append(("report", report, 1, 1)))
    sent = link.sent[0][1]
    assert sent["drops"] == {"journal": 5, "refused": 9}
    assert (sent["journal_waiting"], sent["board"]) == (2, "fake")
    assert sent["interpreter"].startswith("cpython 3.")
    assert sent["free_bytes"] is None
    assert sent["free_block_bytes"] is None
    assert link.position_permille == 300


def test_without_a_link_messages_go_nowhere() -> None:
    """A frame without a network must run all the same."""
    board = FakeBoard(steps=3)
    shell, _ = run(board, step=lambda actions, _: actions.messages.append(("events", {}, 1, 0)))
    assert shell.cycles == 3
    assert board.log.count("feed") == 3


def test_dead_flash_does_not_stop_the_lid() -> None:
    """When nothing can be saved the lid must still move, and saving must be tried again later."""
    board = FakeBoard(steps=20)
    board.storage.broken = True

    def step(actions: Any, n: int) -> None:
        if n == 1:
            actions.saves = [("state", {"n": 7})]
        if n == 10:
            board.storage.broken = False

    shell, _ = run(board, step=step)
    assert board.log.count("apply") == 21
    assert board.log.count("feed") == 20
    assert shell.failed_saves >= 2
    assert Slots(board.storage).load("state") == {"n": 7}


@pytest.mark.parametrize("stage", ["read", "step", "apply", "send"])
def test_exception_in_any_stage_stops_the_motor_and_restarts(stage: str) -> None:
    """Whatever stage fails: motor off, what happened is written down, then restart; no feed after it."""
    board = FakeBoard(steps=5)
    link = FakeLink(board)
    broken = {"on": True}

    def fail(*_: Any) -> Any:
        if broken["on"]:
            broken["on"] = False
            raise ZeroDivisionError("invented fault")
        return None

    def step(actions: Any, _: int) -> None:
        actions.messages = [("events", {}, 1, 0)]
        if stage == "step":
            fail()

    if stage == "read":
        board.inputs = fail
    elif stage == "apply":
        keep = board.apply
        board.apply = lambda actions: fail() or keep(actions)  # type: ignore[method-assign]
    elif stage == "send":
        link.send = fail  # type: ignore[method-assign]
    with pytest.raises(Reset):
        run(board, link, step)
    assert board.motor == reading.STOP
    assert "feed" not in board.log
    assert board.log[-1] == "reset"
    assert "spill" in board.log
    note = Slots(board.storage).load("crash")
    assert note is not None
    assert note["error"] == "ZeroDivisionError: invented fault"
    assert (note["cause"], note["before"]) == ("power-on", [])
    _, core = run(FakeBoard(1, board.storage))
    assert core.started[3:] == (2, "crash")
    assert core.crash_text == "ZeroDivisionError: invented fault"


def test_the_crash_log_keeps_the_last_four_with_their_causes() -> None:
    """Six crashes: the last four are kept, the newest on top, each with its start's number and cause."""
    board = FakeBoard(1)
    for number in range(1, 7):
        shell = app.Shell(board, FITTINGS, None, lambda *started: TinyCore(*started))
        with pytest.raises(Reset):
            shell.crash(ValueError(f"number {number}"))
    note = Slots(board.storage).load("crash")
    assert note is not None
    kept = [note, *note["before"]]
    assert [entry["error"] for entry in kept] == [f"ValueError: number {n}" for n in (6, 5, 4, 3)]
    assert [entry["boot"] for entry in kept] == [6, 5, 4, 3]
    assert {entry["cause"] for entry in kept} == {"crash"}


def test_crash_in_a_row_holds_the_link_off_but_not_the_law() -> None:
    """After three crashes in a row the link must start late, so that a bad message cannot keep the law from running."""
    storage = Memory()
    for _ in range(3):
        with pytest.raises(Reset):
            run(FakeBoard(1, storage), step=lambda actions, _: 1 // 0)
    board = FakeBoard(steps=121, storage=storage)
    link = FakeLink(board)
    shell, _ = run(board, link)
    assert link.held_off_ms == app.LINK_HOLD_OFF_MS
    assert shell.cycles == 121  # 600 s of steady running: the count starts anew
    board = FakeBoard(1, storage)
    link = FakeLink(board)
    run(board, link)
    assert link.held_off_ms == 0


def test_crash_while_the_flash_is_dead_still_restarts() -> None:
    """If not even the crash can be written down, the motor must stop and the board restart all the same."""
    board = FakeBoard(steps=1)
    board.storage.broken = True
    with pytest.raises(Reset):
        run(board, step=lambda actions, _: 1 // 0)
    assert board.motor == reading.STOP


def test_stored_data_that_breaks_the_core_is_left_out() -> None:
    """If the core cannot start with what is stored, it must start without it and say that it crashed."""
    storage = Memory()
    run(FakeBoard(1, storage), step=lambda actions, _: actions.saves.append(("settings", {"poison": 1})))
    made = []

    def make(*started: Any) -> TinyCore:
        if started[1]:
            raise KeyError("poison")
        made.append(started)
        return TinyCore()

    asyncio.run(app.run(FakeBoard(1, storage), FITTINGS, None, make))
    assert made == [(FITTINGS, {}, None, 2, "crash")]


def test_messages_go_out_as_compact_json() -> None:
    """What goes out must be compact JSON in UTF-8."""
    assert app.encode({"a": [1, "\u00e9"]}).decode() in ('{"a":[1,"\u00e9"]}', '{"a":[1,"\\u00e9"]}')
