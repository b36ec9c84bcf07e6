"""The supply fails at every byte the whole firmware writes; the next start never raises and finds old or new.

One day in small: settings come, somebody orders a hold and releases it, the lid opens and shuts, the link is away for a
while. Everything is the real shell, core, slots and journal; only board, broker and world are plain objects.
"""

from __future__ import annotations

import copy
import random
import sys
from pathlib import Path
from typing import Any

import pytest

from framesim.runner_in_process import PlainBoard, PlainLink, _finish
from sash import app, signing
from sash.reading import Inputs

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import KEY, NOON_S, pad
from test_slots import Flash, PowerCut

FITTINGS = {"frame": "north", "key": KEY, "travel_ms": 2_000, "boot_wait_s": 0, "probes": {"air": "1"}}


class Day:
    """A frame on a flash that may fail. `promised` is what was stored for certain, `asked` what was under way."""

    def __init__(self, flash: Flash) -> None:
        self.flash = flash
        self.at, self.air, self.s = 0.0, 12_000, 0
        self.promised: dict[str, Any] = {"settings_n": 0, "hold": 0}
        self.asked = dict(self.promised)
        self.start()

    def start(self) -> None:
        """Power on."""
        self.board = PlainBoard(self.flash, "power-on")  # type: ignore[arg-type]
        self.link = PlainLink("north", self.board, lambda *_: None)
        self.shell: Any = app.Shell(self.board, FITTINGS, self.link, app._frame_core)  # type: ignore[no-untyped-call]

    def cycle(self) -> None:
        """One cycle of the shell, as long as it asks for."""
        board = self.board
        board.dt_ms = board.turn.next_ms or 5_000
        if board.turn.motor:
            self.at = max(0.0, min(1000.0, self.at + board.turn.motor * board.turn.duty_permille * board.dt_ms / 2000))
        self.s += board.dt_ms // 1000
        board.given_s = NOON_S + self.s
        inputs = Inputs()  # type: ignore[no-untyped-call]
        inputs.at_shut, inputs.at_open = int(self.at <= 3), int(self.at >= 997)
        inputs.motor_ma, inputs.battery_mv = 300 if board.turn.motor else 0, 12_600
        inputs.probes = {"air": pad(self.air)}
        board.inputs = inputs
        _finish(self.shell.cycle())

    def cycles(self, count: int) -> None:
        """Several."""
        for _ in range(count):
            self.cycle()

    def tell(self, suffix: str, body: dict[str, Any], **asked: Any) -> None:
        """A signed message; when the cycle that takes it is over, what it asked for is promised."""
        self.asked.update(asked)
        topic = "frames/north/" + suffix
        self.link.receive(suffix, signing.seal(bytes.fromhex(KEY), topic, body))
        self.cycle()
        self.promised.update(asked)

    def live(self) -> None:
        """The day."""
        self.link.come_up()
        self.cycles(2)
        self.tell("settings/wanted", {"n": 2, "settings": {"warn_s": 0, "report_s": 10}}, settings_n=2)
        self.tell("orders", {"n": 1, "exp": NOON_S + 9_999, "order": "hold"}, hold=1)
        self.link.go_down()
        self.cycles(6)
        self.tell("orders", {"n": 2, "exp": NOON_S + 9_999, "order": "release"}, hold=0)
        self.air = 34_000
        self.cycles(60)
        self.tell("settings/wanted", {"n": 3, "settings": {"open_mdegc": 16_000}}, settings_n=3)
        self.link.journal.spill()
        self.link.come_up()
        self.air = 2_000
        self.cycles(60)


def written() -> int:
    """Bytes and removals of an undisturbed day."""
    flash = Flash()
    flash.budget = 10**9
    Day(flash).live()
    return 10**9 - flash.budget


def cut_day(style: str, budget: int) -> tuple[Flash, dict[str, Any], dict[str, Any], float]:
    """A day that ends at that byte: what is left, what was promised, what was under way, where the lid is."""
    flash = Flash(style)
    flash.budget = budget
    day = Day.__new__(Day)
    try:
        day.__init__(flash)  # type: ignore[misc]
        day.live()
    except PowerCut:
        pass
    flash.budget = None
    nothing = {"settings_n": 0, "hold": 0}
    return flash, getattr(day, "promised", nothing), getattr(day, "asked", nothing), getattr(day, "at", 0.0)


def look(flash: Flash, promised: dict[str, Any], asked: dict[str, Any], at: float) -> None:
    """Start again: nothing raises, each value is old or new, the lid is where it is thought to be or unknown."""
    after = Day.__new__(Day)
    after.flash, after.at, after.air, after.s = flash, at, 12_000, 5_000
    after.promised, after.asked = promised, asked
    after.start()
    core = after.shell.core
    assert core.settings_n in (promised["settings_n"], asked["settings_n"])
    assert core._cells.values[1] in (promised["hold"], asked["hold"])
    if core.position_permille >= 0:
        assert core.position_permille == pytest.approx(at, abs=60)
    after.link.come_up()
    after.cycles(8)
    assert after.shell.failed_saves == 0


@pytest.mark.parametrize("style", ["torn", "old", "blank"])
def test_start_after_a_cut_here_and_there(style: str) -> None:
    """Every 37th byte of the day, for all three ways a file can be left by a cut."""
    for budget in range(0, written(), 37):
        look(*cut_day(style, budget))


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("style", ["torn", "old", "blank"])
def test_start_after_a_cut_at_every_byte(style: str) -> None:
    """Every single byte of the day."""
    for budget in range(written()):
        look(*cut_day(style, budget))


def test_start_after_two_cuts() -> None:
    """Two cuts, the second while the first is being mended: 300 random pairs."""
    dice, total = random.Random(4), written()
    for _ in range(300):
        style = dice.choice(("torn", "old", "blank"))
        flash, promised, asked, at = cut_day(style, dice.randrange(total))
        left = copy.deepcopy(flash)
        left.budget = dice.randrange(400)
        second = Day.__new__(Day)
        second.flash, second.at, second.air, second.s = left, at, 12_000, 5_000
        second.promised, second.asked = promised, asked
        try:
            second.start()
            second.link.come_up()
            second.cycles(4)
        except PowerCut:
            pass
        left.budget = None
        look(left, promised, asked, second.at)
