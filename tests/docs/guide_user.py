"""The new user of the guide: a phone, a frame in the sun, a keyboard, in a checkout and a home of their own."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from framesim import virtual_board
from framesim.probe_parts import scratchpad
from sash import reading
from tests.conftest import free_port
from tests.host.pty_board import PtyBoard

ROOT = Path(__file__).resolve().parents[2]


def noon_longitude(now_s: float) -> float:
    """A longitude where it is late morning now [deg], so that the test finds the sun up at any hour it is run."""
    return round(min(179.0, max(-179.0, 15 * (11.5 - now_s % 86_400 / 3600))), 1)


class Phone:
    """A web hook on loopback."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        heard = self.heard

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                heard.append(self.rfile.read(int(self.headers["Content-Length"])).decode())
                self.send_response(204)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """Silent."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True)
        self.thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(5)


class InstalledFirmware(virtual_board.FirmwareProcess):
    """Firmware from a board's own folders, started by nothing but the start file beside them."""

    def __init__(self, root: Path, *rest: Any) -> None:
        was = virtual_board.firmware_path
        virtual_board.firmware_path = lambda: root / "main_virtual.py"
        try:
            super().__init__(root, *rest)
        finally:
            virtual_board.firmware_path = was


class Garden(threading.Thread):
    """A frame in the sun whose motor can be unplugged; the firmware is the one that lies in `root`."""

    def __init__(self, root: Path, port: int, interpreter: str) -> None:
        super().__init__(daemon=True)
        self.root, self.port, self.interpreter = root, port, interpreter
        self.air_degc, self.plugged, self.at, self.passed_s = 9.0, True, 0.0, 0.0
        self.over = threading.Event()
        self.fault: BaseException | None = None

    def run(self) -> None:
        process = InstalledFirmware(self.root, "127.0.0.1", self.port, "lockstep", self.interpreter)
        try:
            next_ms, motor = 1000, 0
            wobble = False
            while not self.over.is_set():
                inputs = reading.Inputs()
                if motor and self.plugged:
                    self.at = min(1000.0, max(0.0, self.at + motor * next_ms / 40))
                    inputs.motor_ma = 0 if self.at in (0.0, 1000.0) else 300
                else:
                    inputs.motor_ma = 0
                inputs.at_shut, inputs.at_open = int(self.at <= 3), int(self.at >= 997)
                inputs.battery_mv = 12_600
                wobble = not wobble
                inputs.probes = {"air": scratchpad(self.air_degc + 0.0625 * wobble), "outside": scratchpad(9.0)}
                self.passed_s += next_ms / 1000
                answer = process.step(next_ms, int(time.time()), inputs)
                time.sleep(0.02)  # the host, on a real clock, has to keep up
                answer = process.poll()
                motor, next_ms = answer.motor, answer.next_ms
        except BaseException as fault:
            self.fault = fault
        finally:
            process.kill()

    def close(self) -> None:
        self.over.set()
        self.join(20)
        if self.fault:
            raise self.fault


class NewUser:
    """Types commands in a fresh home.

    checkout    the folder of the program, in which a fresh user sits; None for this one, with a desk elsewhere
    """

    def __init__(
        self, tmp_path: Path, board: PtyBoard, phone: Phone, interpreter: str, checkout: Path | None = None
    ) -> None:
        self.home, self.desk = tmp_path / "home", checkout or tmp_path / "desk"
        self.desk.mkdir(exist_ok=True)
        self.source = checkout or ROOT
        self.board, self.phone, self.interpreter = board, phone, interpreter
        self.port, self.page_port = free_port(), free_port()
        self.environment = {
            **os.environ,
            "SASHKEEPER_HOME": str(self.home),
            "XDG_CONFIG_HOME": str(tmp_path / "config"),
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}:/usr/sbin",
        }
        if checkout:  # a new user has no environment yet, only Python
            for name in ("VIRTUAL_ENV", "PYTHONPATH"):
                self.environment.pop(name, None)
            kept = [p for p in os.environ["PATH"].split(":") if Path(p) != Path(sys.executable).parent]
            self.environment["PATH"] = ":".join([f"{sys.base_prefix}/bin", *kept, "/usr/sbin"])
        self.running: dict[str, subprocess.Popen[str]] = {}
        self.garden: Garden | None = None
        self.said: dict[str, str] = {}
        self.took_s: dict[str, float] = {}
        self.typed = 0

    @property
    def toml(self) -> Path:
        return self.home / "sashkeeper.toml"

    def write(self, text: str) -> None:
        """Write what the guide shows into the settings, with the address of this phone."""
        text = re.sub(r'url = "[^"]*"', f'url = "json://127.0.0.1:{self.phone.server.server_address[1]}/"', text)
        old = self.toml.read_text() if self.toml.exists() else ""
        if text.startswith("[broker]"):  # into the table that is there
            rest = text.removeprefix("[broker]\n")
            new = old.replace("[broker]\n", f'[broker]\nhost = "127.0.0.1"\n{rest}')
            assert new != old
        else:
            new = f"{old}\n{text}"
        self.home.mkdir(exist_ok=True)
        self.toml.write_text(new)
        self.toml.chmod(0o600)

    def adapted(self, line: str) -> list[str]:
        """The line with what is different here: ports, loopback, the make-believe cable."""
        words = shlex.split(line)
        start = " ".join(words[1:3])
        if start == "site set":
            words[words.index("--lon") + 1] = str(noon_longitude(time.time()))
            words += ["--timezone", "UTC"]  # it may be at sea
        elif start == "join certificates":
            words += ["--address", "127.0.0.1", "--port", str(self.port)]
        elif start in ("board install", "board look"):
            words += ["--port", self.board.port]
        elif start == "service install":
            words += ["--no-start"]  # no service manager in a test
        elif start == "broker mosquitto":
            words = [w.replace("0.0.0.0", "127.0.0.1").replace("8883", str(self.port)) for w in words]
        elif words[0] == "mosquitto" and os.geteuid() == 0:
            # Started by root it would change to a user who may not read the folder.
            conf = self.desk / "mosquitto" / "mosquitto.conf"
            conf.with_name("trial.conf").write_text("user root\n" + conf.read_text())
            words[-1] = "mosquitto/trial.conf"
        return words

    def type(self, line: str) -> None:
        """Type one line; it must succeed, or go on running."""
        self.typed += 1
        if line.startswith(". "):
            self.activate()
            return
        began = time.monotonic()
        words = self.adapted(line)
        if words[0] == "mosquitto" or words[1] == "serve":
            self.start(words)
            return
        patience_s = 1800 if words[0] == "make" else 120
        done = subprocess.run(words, cwd=self.desk, env=self.environment, capture_output=True, text=True,
                              timeout=patience_s, input="secret network\n", check=False)  # fmt: skip
        self.said[line], self.took_s[line] = done.stdout + done.stderr, time.monotonic() - began
        assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
        if line.startswith("sashkeeper join certificates"):
            text = self.toml.read_text().replace('listen = "0.0.0.0"', 'listen = "127.0.0.1"')
            self.toml.write_text(text.replace("[page]\n", f"[page]\nport = {self.page_port}\n"))

    def activate(self) -> None:
        """What `. .venv/bin/activate` does: the programs of the fresh environment come first."""
        programs = self.desk / ".venv" / "bin"
        assert (programs / "activate").exists()
        self.environment["PATH"] = f"{programs}:{self.environment['PATH']}"
        found = shutil.which("sashkeeper", path=self.environment["PATH"])
        assert found == str(programs / "sashkeeper")

    def start(self, words: list[str]) -> None:
        out = (self.desk / f"{words[0]}-{self.typed}.log").open("w")
        self.running[words[0]] = subprocess.Popen(words, cwd=self.desk, env=self.environment, stdout=out, stderr=out,
                                                  text=True)  # fmt: skip
        out.close()
        if words[0] == "sashkeeper":
            log = Path(out.name)
            self.wait(lambda: "connected" in log.read_text(), "serve to connect", log.read_text)

    def stop(self, name: str) -> None:
        process = self.running.pop(name, None)
        if process is not None:
            process.terminate()
            assert process.wait(20) is not None

    def wait(
        self, until: Callable[[], bool], what: str, more: Callable[[], object] = str, wait_s: float = 60.0
    ) -> None:
        """Wait until something holds; fail with more about it."""
        end = time.monotonic() + wait_s
        while not until():
            assert time.monotonic() < end, f"waited in vain for {what}: {more()}"
            time.sleep(0.05)

    def see(self, *words: str) -> Any:
        done = subprocess.run(["sashkeeper", *words, "--json"], cwd=self.desk, env=self.environment, text=True,
                              capture_output=True, timeout=60, check=False)  # fmt: skip
        return json.loads(done.stdout)

    def plug_in(self) -> None:
        """The board leaves the cable and stands in the frame; its bench check counts as passed by hand."""
        path = self.board.root / "fittings.json"
        fittings = json.loads(path.read_text())
        assert fittings["mqtt"]["name"] == "sashkeeper-host"
        assert fittings["mqtt"]["port"] == self.port
        assert fittings["wifi"] == {"ssid": "name of your network", "password": "secret network"}
        assert fittings["bench"] == 1
        fittings.update(boot_wait_s=5, link_retry_ms=[50, 500], probes={"air": "1", "outside": "2"})
        path.write_text(json.dumps(fittings))
        # In the place of boot.py and main.py, which want a chip, its like for a desk; the firmware itself is what
        # `board install` wrote, picked by the loader that it wrote, and there is no other in reach.
        shutil.copy(self.source / "controller" / "main_virtual.py", self.board.root)
        assert not (self.board.root / "sash").exists()
        assert (self.board.root / "a" / "sash" / "lid_law.mpy").exists()
        garden = self.power_up()
        garden.air_degc = 24.0
        until = garden.passed_s + 900
        self.wait(lambda: garden.passed_s > until, "a warm quarter of an hour before the bench check")
        assert garden.at == 0, "the lid moved before the bench check had passed"
        assert self.see("status")["frames"][0]["mode"] == "bench"
        garden.close()
        self.wait(lambda: not self.see("status")["frames"][0]["here"], "the frame to be missed")
        path.write_text(json.dumps({**fittings, "bench": 0}))  # what a passed check writes
        self.power_up()

    def power_up(self) -> Garden:
        """Power comes; wait until the host has the frame."""
        self.garden = Garden(self.board.root, self.port, self.interpreter)
        self.garden.start()
        self.wait(lambda: bool(self.see("status")["frames"][0]["here"]), "the frame to come up")
        return self.garden

    def close(self) -> None:
        try:
            if self.garden is not None:
                self.garden.close()
        finally:
            for name in list(self.running):
                self.stop(name)
