"""A board at the end of a serial line.

The only module that uses mpremote, of which no stable interface is promised:
written against 1.29. Every fault becomes a sentence.
"""

from __future__ import annotations

import ast
import contextlib
import io
import os
import struct
from collections.abc import Iterator
from types import TracebackType
from typing import Any

from sashkeeper.errors import JobError

CHUNK = 512  # bytes for one line of the serial conversation
ENTER_S = 10
PATIENCE_S = 10.0  # longest silence of a board that is not told to take its time


class BoardGone(JobError):
    """The line broke: cable out, power gone, or somebody else holds the port."""


class BoardFault(JobError):
    """The board answered with an error."""


@contextlib.contextmanager
def _told(doing: str) -> Iterator[None]:
    """Turn whatever the serial work raises into one of our faults."""
    from mpremote.transport import TransportError, TransportExecError

    try:
        yield
    except TransportExecError as error:
        last = (str(error.error_output).strip().splitlines() or ["no reason given"])[-1]
        raise BoardFault(f"The board could not {doing}: {last}.") from error
    except (TransportError, OSError, EOFError, ValueError, SyntaxError, struct.error) as error:
        # pyserial's faults are OSErrors, too; half an answer cannot be taken apart (the rest).
        # A file that is missing on the board comes as one with a number.
        if isinstance(error, FileNotFoundError):
            raise
        raise BoardGone(
            f"The line to the board broke while we wanted to {doing}. Look at cable and power, then run the command "
            "again: the board starts with what it had."
        ) from error


class BoardWire:
    """Raw conversation with MicroPython on a board. Use as a context manager.

    Paths are relative to the root of the board's files.
    """

    def __init__(self, port: str) -> None:
        self.port = port
        self._line: Any = None

    def __enter__(self) -> BoardWire:
        from mpremote.transport_serial import SerialTransport

        with _told(f"open {self.port}"):
            # A read that gives up, so that a dead line cannot hold us for ever.
            self._line = SerialTransport(self.port, timeout=ENTER_S)
        try:
            self.enter()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            with contextlib.suppress(BoardGone, BoardFault), _told("leave the console"):
                self._line.exit_raw_repl()
        self.close()

    def enter(self) -> None:
        """Stop what runs on the board and take its console, without a restart."""
        # mpremote prints what it did not understand; our sentence says it better.
        with _told("take the console"), contextlib.redirect_stdout(io.StringIO()):
            self._line.enter_raw_repl(soft_reset=False, timeout_overall=ENTER_S)

    def restart(self) -> None:
        """Restart the interpreter, boot.py included but not main.py, and take the console again."""
        with _told("restart"):
            self._line.enter_raw_repl(soft_reset=True, timeout_overall=ENTER_S)

    def close(self) -> None:
        """Let go of the line."""
        if self._line is not None:
            with contextlib.suppress(Exception):
                self._line.close()

    def run(self, code: str, doing: str = "run a command", patience_s: float = PATIENCE_S) -> str:
        """Run code on the board; return what it printed. patience_s: longest silence."""
        from mpremote.transport import TransportExecError

        with _told(doing):
            out, fault = self._line.exec_raw(code, timeout=patience_s)
            if fault:
                raise TransportExecError(out, fault.decode(errors="replace"))
            return str(out.decode(errors="replace"))

    def ask(self, expression: str, doing: str = "answer", patience_s: float = PATIENCE_S) -> Any:
        """Return the value of an expression of plain data."""
        said = self.run(f"print(repr({expression}))", doing, patience_s)
        with _told(doing):
            return ast.literal_eval(said.strip())

    def read(self, path: str) -> bytes | None:
        """Return a file's bytes, None when there is none."""
        try:
            with _told(f"read {path}"):
                return bytes(self._line.fs_readfile(path, chunk_size=CHUNK))
        except FileNotFoundError:
            return None

    def write(self, path: str, data: bytes) -> None:
        """Write a file; it is there once this returns."""
        with _told(f"write {path}"):
            self._line.fs_writefile(path, data, chunk_size=CHUNK)

    def replace(self, path: str, data: bytes) -> None:
        """Write a file beside its place, then put it there in one move: old or new, never half."""
        self.write(path + ".new", data)
        if self.read(path + ".new") != data:
            raise BoardFault(f"What was written to {path} does not read back the same. Nothing was replaced.")
        self.run(f"import os\nos.rename({path + '.new'!r}, {path!r})", f"put {path} in place")

    def remove(self, path: str) -> None:
        """Remove a file; missing is fine."""
        self.run(f"import os\ntry:\n os.remove({path!r})\nexcept OSError:\n pass", f"remove {path}")

    def make_folder(self, path: str) -> None:
        """Make a folder; there already is fine."""
        self.run(f"import os\ntry:\n os.mkdir({path!r})\nexcept OSError:\n pass", f"make {path}")

    def names(self, folder: str = "") -> list[str]:
        """Return the names in a folder, [] when there is none."""
        try:
            with _told(f"list {folder or 'its files'}"):
                return sorted(entry.name for entry in self._line.fs_listdir(folder))
        except OSError:
            return []

    def sha256(self, path: str) -> bytes | None:
        """Return the SHA-256 of a file, worked out on the board; None when there is none."""
        try:
            with _told(f"read {path}"):
                return bytes(self._line.fs_hashfile(path, "sha256", chunk_size=CHUNK))
        except FileNotFoundError:
            return None

    def leave_and_reset(self) -> None:
        """Restart the chip; the line is gone afterwards."""
        with contextlib.suppress(Exception):
            self._line.exec_raw_no_follow("import machine\nmachine.reset()")
        self.close()


def ports() -> list[tuple[str, str]]:
    """Return (port, what the system says about it) of all serial ports, likely boards first."""
    from serial.tools import list_ports

    found = [(info.device, info.description or "", info.vid is not None) for info in list_ports.comports()]
    # A port with a USB number is a board far more often than one soldered to the computer.
    return [(device, text) for device, text, usb in sorted(found, key=lambda item: (not item[2], item[0]))]


def exists(port: str) -> bool:
    """Return whether a port is there at all."""
    return os.path.exists(port) or any(port == device for device, _ in ports())
