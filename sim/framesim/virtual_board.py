"""The harness side of the virtual board: firmware in a process of its own, spoken to in text lines.

One exchange per step. We send ``S <dt_ms> <unix_s> <at_shut> <at_open> <motor_ma> <battery_mv>
<pot_permille> <light_lx> <wind_mms> <rain> <humidity_permille> <hold> <ack> place=hex18 ...`` and get ``A <motor>
<duty_permille> <siren> <lamp> <next_ms> <link_up> <sent> <got> <waiting>``. ``P`` asks again without
time passing, ``Q`` ends. Lines from the firmware that begin with ``# `` are its log; in real mode it
says ``N <elapsed_ms>`` when it wants the next S.
"""

from __future__ import annotations

import os
import select
import shutil
import signal
import subprocess
import sys
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LOG_LINES = 200
_WORDS = (
    "at_shut",
    "at_open",
    "motor_ma",
    "battery_mv",
    "pot_permille",
    "light_lx",
    "wind_mms",
    "rain",
    "humidity_permille",
    "hold",
    "ack",
)


class BoardError(RuntimeError):
    """The firmware process died, hung or said what it should not; its last log lines are in the text."""


@dataclass(frozen=True)
class Answer:
    """One A line. sent: messages acknowledged by the broker; got: received; waiting: not yet handed over."""

    motor: int = 0
    duty_permille: int = 0
    siren: int = 0
    lamp: int = 0
    next_ms: int = 5000
    link_up: int = 0
    sent: int = 0
    got: int = 0
    waiting: int = 0


def sense_line(dt_ms: int, unix_s: int, inputs: Any) -> str:
    """The S line for what the board reads (sash.reading.Inputs)."""
    numbers = " ".join(str(getattr(inputs, word)) for word in _WORDS)
    probes = " ".join(f"{place}={'-' if raw is None else raw.hex()}" for place, raw in inputs.probes.items())
    return f"S {dt_ms} {unix_s} {numbers} {probes}\n"


def parse_answer(line: str) -> Answer:
    """An A line as numbers; ValueError when it is none."""
    words = line.split()
    if len(words) != 10 or words[0] != "A":
        raise ValueError(f"not an answer: {line!r}")
    return Answer(*map(int, words[1:]))


def firmware_path() -> Path:
    """Where main_virtual.py lies: in a checkout beside the package, in an installed one inside it."""
    import sash

    package = Path(sash.__file__).parent
    for path in (package.parent / "main_virtual.py", package / "root" / "main_virtual.py"):
        if path.is_file():
            return path
    raise BoardError("main_virtual.py was not found beside or inside the installed package sash. Install it again.")


def micropython() -> str | None:
    """The desktop MicroPython, or None where there is none for this machine."""
    beside = Path(sys.executable).parent / "micropython"
    return str(beside) if beside.exists() else shutil.which("micropython")


class FirmwareProcess:
    """One running firmware. Kill it any time; a new one on the same folder is a reboot."""

    def __init__(
        self,
        folder: Path,
        host: str,
        port: int,
        mode: str = "lockstep",
        interpreter: str | None = None,
        heap: str | None = None,
        timeout_s: float = 30.0,
    ) -> None:
        """interpreter: path of micropython or python; heap: such as "128K", MicroPython only."""
        self.log: deque[str] = deque(maxlen=LOG_LINES)
        self._timeout_s = timeout_s
        self._rest = b""
        self._lines: deque[bytes] = deque()
        chosen = interpreter or micropython() or sys.executable
        command = [chosen]
        if heap and "micropython" in Path(chosen).name:
            command += ["-X", "heapsize=" + heap]
        main = firmware_path()
        command += [str(main), str(folder), host, str(port), mode]
        environment = {**os.environ, "MICROPYPATH": os.pathsep.join((str(main.parent), ".frozen"))}
        self._error_file = open(folder / "firmware.err", "ab")  # noqa: SIM115 - closed with the process
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._error_file,
                cwd=main.parent,
                env=environment,
                bufsize=0,
            )
        except OSError as error:
            self._error_file.close()
            raise BoardError(f"{chosen} cannot be started ({error.strerror}). Name another interpreter.") from error
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._in, self._out = self._process.stdin, self._process.stdout
        self._errors = folder / "firmware.err"

    @property
    def pid(self) -> int:
        """Process number."""
        return self._process.pid

    def step(self, dt_ms: int, unix_s: int, inputs: Any) -> Answer:
        """One exchange."""
        self._write(sense_line(dt_ms, unix_s, inputs))
        return self._answer()

    def poll(self) -> Answer:
        """Give the link a turn; no time passes."""
        self._write("P\n")
        return self._answer()

    def wanted(self, timeout_s: float) -> int | None:
        """Real mode: ms the firmware says have passed since its last step, None when it has not asked yet."""
        line = self._line(timeout_s)
        if line is None:
            return None
        words = line.split()
        if len(words) != 2 or words[0] != "N":
            raise BoardError(self._tell(f"said {line!r} where N <elapsed_ms> was due"))
        return int(words[1])

    def exit_code(self) -> int | None:
        """How it ended, None while it runs (a process that has just closed its output gets a moment)."""
        try:
            return self._process.wait(2.0)
        except subprocess.TimeoutExpired:
            return None

    def quit(self) -> None:
        """Ask it to end; kill it when it does not within the timeout."""
        try:
            self._write("Q\n")
            self._process.wait(self._timeout_s)
        except (BoardError, subprocess.TimeoutExpired):
            pass
        self.kill()

    def kill(self) -> None:
        """A power cut: no warning, nothing is written any more."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        for stream in (self._in, self._out, self._error_file):
            stream.close()

    # --- inside ----------------------------------------------------------------------------

    def _write(self, text: str) -> None:
        try:
            self._in.write(text.encode())
        except (OSError, ValueError) as error:
            raise BoardError(self._tell("takes no more lines")) from error

    def _answer(self) -> Answer:
        line = self._line(self._timeout_s)
        if line is None:
            raise BoardError(self._tell(f"did not answer within {self._timeout_s:g} s"))
        try:
            return parse_answer(line)
        except ValueError as error:
            raise BoardError(self._tell(str(error))) from error

    def _line(self, timeout_s: float) -> str | None:
        """The next line that is not log, or None when the time is up."""
        give_up = time.monotonic() + timeout_s
        while True:
            while self._lines:
                line = self._lines.popleft().decode(errors="replace")
                if not line.startswith("#"):
                    return line
                self.log.append(line[1:].strip())
            left = give_up - time.monotonic()
            ready, _, _ = select.select([self._out], [], [], max(0.0, left))
            if not ready:
                return None
            self._take()

    def _take(self) -> None:
        chunk = self._out.read(65536)
        if not chunk:
            raise BoardError(self._tell("ended"))
        *lines, self._rest = (self._rest + chunk).split(b"\n")
        self._lines.extend(line for line in lines if line)

    def _tell(self, what: str) -> str:
        code = self._process.poll()
        tail = self._errors.read_bytes()[-2000:].decode(errors="replace").strip()
        last = "; ".join(list(self.log)[-5:])
        parts = [f"The firmware process {what}"]
        parts += [f"exit code {code}"] if code is not None else []
        parts += [f"errors: {tail}"] if tail else []
        parts += [f"log: {last}"] if last else []
        return ". ".join(parts) + "."
