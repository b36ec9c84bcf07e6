"""A board without a board: the desktop MicroPython behind a pseudo-terminal, with a power switch and a cable.

mpremote opens `port`. A thread carries bytes between it and the interpreter, which works in `root`. The
desktop build ends on a soft reset, so it is started again and told to go to the raw console, as boards do.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import shutil
import signal
import subprocess
import threading
import tty
from pathlib import Path

CTRL_A, CTRL_D = b"\x01", b"\x04"


class PtyBoard:
    """cut_after: power goes when this many bytes have come from the host; None never.

    pull_after: the cable is pulled at that point instead, the board lives on.
    """

    def __init__(self, root: Path, cut_after: int | None = None, pull_after: int | None = None) -> None:
        self.root = root
        self.received = 0  # bytes from the host so far
        self._cut_after, self._pull_after = cut_after, pull_after
        self._host_master, self._host_slave = pty.openpty()
        tty.setraw(self._host_slave)
        self.port = os.ttyname(self._host_slave)
        self._child: subprocess.Popen[bytes] | None = None
        self._child_master = -1
        self._stop_read, self._stop_write = os.pipe()
        self.dead = False
        self._start()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def __enter__(self) -> PtyBoard:
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._stop_write, b"x")
        self._thread.join(10)
        self._kill()
        for handle in (self._stop_read, self._stop_write, self._host_master, self._host_slave):
            with contextlib.suppress(OSError):
                os.close(handle)

    def _start(self) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        interpreter = shutil.which("micropython")
        assert interpreter is not None
        env = {**os.environ, "MICROPYPATH": ":.frozen", "TERM": "dumb"}
        self._child = subprocess.Popen(
            [interpreter, "-X", "heapsize=512K"], cwd=self.root, env=env, stdin=slave, stdout=slave, stderr=slave,
            start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self._child_master = master

    def _kill(self) -> None:
        if self._child is not None:
            with contextlib.suppress(ProcessLookupError):
                self._child.send_signal(signal.SIGKILL)
            self._child.wait(10)
            self._child = None
            os.close(self._child_master)

    def _carry(self) -> None:
        while True:
            sources = [self._stop_read, self._host_master]
            if self._child is not None:
                sources.append(self._child_master)
            ready, _, _ = select.select(sources, [], [])
            if self._stop_read in ready:
                return
            if self._host_master in ready and not self._from_host():
                return
            if self._child is not None and self._child_master in ready:
                self._from_board()

    def _from_host(self) -> bool:
        try:
            data = os.read(self._host_master, 4096)
        except OSError:
            return False
        for limit, end in ((self._cut_after, self._power_cut), (self._pull_after, self._pull)):
            if limit is not None and self.received + len(data) > limit:
                # What came before still arrives.
                self._to_board(data[: limit - self.received])
                end()
                return False
        self.received += len(data)
        self._to_board(data)
        return True

    def _to_board(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            if data and self._child is not None:
                os.write(self._child_master, data)

    def _power_cut(self) -> None:
        self._kill()
        self._pull()

    def _pull(self) -> None:
        self.dead = True
        # Closing both ends is what a pulled plug looks like to the program that holds the port.
        os.close(self._host_master)
        os.close(self._host_slave)

    def _from_board(self) -> None:
        try:
            data = os.read(self._child_master, 4096)
        except OSError:
            data = b""
        if data:
            with contextlib.suppress(OSError):
                os.write(self._host_master, data)
            return
        self._kill()  # it ended on a soft reset
        self._start()
        os.write(self._host_master, b"soft reboot\r\n")
        os.write(self._child_master, CTRL_A)
