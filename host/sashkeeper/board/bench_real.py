"""The bench check on a real board, over its serial console."""

from __future__ import annotations

import json
from typing import Any

from sashkeeper.board.bench_parts import Driven, Look
from sashkeeper.board.wire import PATIENCE_S, BoardFault, BoardWire
from sashkeeper.errors import JobError

_START = """
import json, loader
loader.use()
fittings = json.loads({fittings!r})
fittings["watchdog"] = 0
from sash.boards.{family} import Board
from sash.boards.bench import Bench
bench = Bench(Board(fittings))
"""


class RealBench:
    """Speaks to sash/boards/bench.py on the board. Needs firmware there, idle."""

    def __init__(self, wire: BoardWire, fittings: dict[str, Any], family: str) -> None:
        self._wire = wire
        try:
            wire.run(_START.format(fittings=json.dumps(fittings), family=family), "start the bench")
        except BoardFault as fault:
            raise JobError(f'{fault.sentence} Install the firmware first: "sashkeeper board install".') from fault

    def look(self) -> Look:
        """Read everything."""
        seen = self._wire.ask("bench.look()", "look at its inputs")
        pads = {place: None if pad is None else bytes.fromhex(pad) for place, pad in seen.pop("probes").items()}
        return Look(pads, **seen)

    def found(self) -> list[str]:
        """Return the ROM codes on the probe bus."""
        return [str(code) for code in self._wire.ask("bench.found()", "look for probes")]

    def wait(self, ms: int) -> None:
        """Let time pass on the board."""
        self._wire.run(f"bench.wait({int(ms)})", "wait", ms / 1000 + PATIENCE_S)

    def drive(self, direction: int, permille: int, ms: int, limit_ma: int, past_end: bool = False) -> Driven:
        """Drive; the board ends it by itself, whatever happens to the line."""
        call = f"bench.drive({int(direction)}, {int(permille)}, {int(ms)}, {int(limit_ma)}, {int(past_end)})"
        return Driven(**self._wire.ask(call, "move the lid", ms / 1000 + PATIENCE_S))

    def siren(self, on: bool) -> None:
        """Switch the siren."""
        self._wire.run(f"bench.siren({int(on)})", "switch the siren")

    def radio(self) -> bool:
        """Return whether the network is joined."""
        return bool(self._wire.ask("bench.radio()", "reach the network"))
