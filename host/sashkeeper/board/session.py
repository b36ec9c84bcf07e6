"""A quiet board: one whose firmware, and with it its watchdog, is not running.

The watchdog of a board cannot be switched off once it runs, and it would cut
every longer piece of work after eight seconds. So the board is asked to stay
idle for one start, and restarted.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator

from sashkeeper.board.wire import BoardGone, BoardWire
from sashkeeper.errors import JobError

BACK_S = 30.0  # chosen: how long a board may take to come back on its port
TRIES = 3


def firmware_runs(wire: BoardWire) -> bool:
    """Return whether the firmware was started since the last restart (then its watchdog ticks)."""
    wire.run("import sys", "start")
    return bool(wire.ask("'sash.app' in sys.modules and sys.platform != 'linux'", "say what runs"))


@contextlib.contextmanager
def quiet(
    port: str,
    told: Callable[[str], None] = lambda _: None,
    sleep: Callable[[float], None] = time.sleep,
    runs: Callable[[BoardWire], bool] = firmware_runs,
) -> Iterator[BoardWire]:
    """Give a wire to a board whose firmware stays idle. Raises BoardGone, JobError."""
    for _ in range(TRIES):
        wire = _back(port, sleep)
        try:
            busy = _rest(wire, runs, told)
        except BoardGone:
            # A console that was still going down when we opened it.
            wire.close()
            sleep(1.0)
            continue
        if busy:
            sleep(1.0)  # until the old console is surely gone
            continue
        try:
            yield wire
        finally:
            wire.__exit__(None, None, None)
        return
    raise JobError(
        f"The board on {port} starts its firmware again each time it is asked not to. "
        "Pull its power, wait five seconds, plug it in and run the command again."
    )


def _rest(wire: BoardWire, runs: Callable[[BoardWire], bool], told: Callable[[str], None]) -> bool:
    """Return False when the board is quiet; else ask it to be so at its next start, restart it, return True."""
    if not runs(wire):
        return False
    told("The firmware was running; the board restarts into service.")
    wire.write("service", b"")
    wire.leave_and_reset()
    return True


def _back(port: str, sleep: Callable[[float], None]) -> BoardWire:
    """Open the port, which may be gone for a moment after a restart."""
    waited = 0.0
    while True:
        try:
            return BoardWire(port).__enter__()
        except BoardGone:
            if waited >= BACK_S:
                raise
            sleep(1.0)
            waited += 1.0
