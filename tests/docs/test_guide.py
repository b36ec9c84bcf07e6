"""The guide, typed line by line as a new user would, with a simulated lid in the place of a real one."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import click
import pytest

from framesim.probe_parts import scratchpad
from framesim.virtual_board import FirmwareProcess
from sash import reading
from sashkeeper.broker import free_port
from sashkeeper.cli import main
from tests.host.pty_board import PtyBoard

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "docs" / "guide.md"
BLOCK = re.compile(r"```(sh|toml)\n(.*?)```", re.S)

# What the guide says needs a real board or is done before a test can run; everything else is typed.
NOT_HERE = {
    "make setup": "the test runs inside what it makes",
    ". .venv/bin/activate": "the same",
    "sashkeeper board runtime MICROPYTHON_FILE": "erases a real chip",
    "sashkeeper board probes north": "asks for a warm hand",
    "sashkeeper board check north": "moves a real lid",
}


def steps() -> list[tuple[str, str]]:
    """("sh", command) and ("toml", text) in the order of the guide."""
    found: list[tuple[str, str]] = []
    for kind, body in BLOCK.findall(GUIDE.read_text(encoding="utf-8")):
        found += [("toml", body)] if kind == "toml" else [("sh", line) for line in body.splitlines() if line.strip()]
    return found


def commands_of(group: click.Group, context: click.Context, words: list[str]) -> click.Command | None:
    """The click command that some words lead to."""
    found: click.Command | None = group
    for word in words:
        if not isinstance(found, click.Group) or word.startswith("-"):
            break
        found = found.get_command(context, word)
    return found


def test_every_command_of_the_guide_exists() -> None:
    """Each command line, those in the table at the end too, parses: command, options and arguments are real."""
    text = GUIDE.read_text(encoding="utf-8")
    lines = [line for kind, line in steps() if kind == "sh"] + re.findall(r"`(sashkeeper [^`]+)`", text)
    assert len(lines) > 30
    context = click.Context(main)
    for line in lines:
        words = shlex.split(line)
        if words[0] != "sashkeeper" or words[1].startswith("-"):
            continue
        command = commands_of(main, context, words[1:])
        assert command is not None, line
        depth = 2 if isinstance(main.get_command(context, words[1]), click.Group) and len(words) > 2 else 1
        if isinstance(command, click.Group):
            continue  # a mention of the whole group
        options = {name for p in command.params if isinstance(p, click.Option) for name in (*p.opts, *p.secondary_opts)}
        for word in words[1 + depth :]:
            assert not word.startswith("--") or word in options, f"{line}: {word}"


def test_what_is_left_out_is_in_the_guide() -> None:
    """The list of untyped lines holds nothing that the guide no longer says."""
    lines = {line for kind, line in steps() if kind == "sh"}
    assert set(NOT_HERE) <= lines


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


class Garden(threading.Thread):
    """A frame in the sun whose motor can be unplugged; the firmware is the one that lies in `root`."""

    def __init__(self, root: Path, port: int, interpreter: str) -> None:
        super().__init__(daemon=True)
        self.root, self.port, self.interpreter = root, port, interpreter
        self.air_degc, self.plugged, self.at = 9.0, True, 0.0
        self.over = threading.Event()
        self.fault: BaseException | None = None

    def run(self) -> None:
        process = FirmwareProcess(self.root, "127.0.0.1", self.port, "lockstep", self.interpreter)
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
    """Types commands in a fresh home, in a folder of its own."""

    def __init__(self, tmp_path: Path, board: PtyBoard, phone: Phone, interpreter: str) -> None:
        self.home, self.desk = tmp_path / "home", tmp_path / "desk"
        self.desk.mkdir()
        self.board, self.phone, self.interpreter = board, phone, interpreter
        self.port, self.page_port = free_port(), free_port()
        self.environment = {
            **os.environ,
            "SASHKEEPER_HOME": str(self.home),
            "XDG_CONFIG_HOME": str(tmp_path / "config"),
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}:/usr/sbin",
        }
        self.running: dict[str, subprocess.Popen[str]] = {}
        self.garden: Garden | None = None
        self.said: dict[str, str] = {}
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
        if start == "join certificates":
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
        words = self.adapted(line)
        if words[0] == "mosquitto" or words[1] == "serve":
            self.start(words)
            return
        done = subprocess.run(words, cwd=self.desk, env=self.environment, capture_output=True, text=True, timeout=120,
                              input="secret network\n", check=False)  # fmt: skip
        self.said[line] = done.stdout + done.stderr
        assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
        if line.startswith("sashkeeper join certificates"):
            text = self.toml.read_text().replace('listen = "0.0.0.0"', 'listen = "127.0.0.1"')
            self.toml.write_text(text.replace("[page]\n", f"[page]\nport = {self.page_port}\n"))

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
        fittings["mqtt"]["ca"] = str(self.board.root / "ca.der")
        fittings.update(bench=0, boot_wait_s=5, link_retry_ms=[50, 500], probes={"air": "1", "outside": "2"})
        path.write_text(json.dumps(fittings))
        # The board's firmware folder holds no file for a desk: run the same firmware from the tree.
        for folder in ("a", "b"):
            (self.board.root / folder / "manifest.json").unlink(missing_ok=True)
        self.garden = Garden(self.board.root, self.port, self.interpreter)
        self.garden.start()
        self.wait(lambda: bool(self.see("status")["frames"][0]["here"]), "the frame to come up")

    def close(self) -> None:
        try:
            if self.garden is not None:
                self.garden.close()
        finally:
            for name in list(self.running):
                self.stop(name)


@pytest.mark.system
def test_the_guide_from_box_to_first_alert(
    tmp_path: Path, micropython: str, mosquitto: str, record_property: Callable[[str, object], None]
) -> None:
    """Every command of the guide works in its order in a fresh home, over TLS, with both brokers; unplugging the motor
    reaches the phone; the frame goes on over the change of broker. Prints time and number of steps."""
    began = time.monotonic()
    phone, root = Phone(), tmp_path / "board"
    root.mkdir()
    with PtyBoard(root) as board:
        user = NewUser(tmp_path, board, phone, micropython)
        try:
            for kind, text in steps():
                if kind == "toml":
                    if text.startswith("[broker]"):
                        user.stop("sashkeeper")
                    user.write(text)
                    if text.startswith("[broker]"):
                        user.typed += 1
                        user.start(["sashkeeper", "serve"])
                    continue
                if text in NOT_HERE:
                    continue
                before(user, text)
                user.type(text)
                after(user, text)
            # Over the change of broker: readings still arrive.
            count = user.see("frames", "show", "north")["readings"]
            user.wait(lambda: user.see("frames", "show", "north")["readings"] > count, "readings over Mosquitto")
        finally:
            user.close()
            phone.close()
    took_s = time.monotonic() - began
    record_property("guide_steps", user.typed)
    record_property("guide_seconds", round(took_s, 1))
    print(f"guide: {user.typed} commands typed, {len(NOT_HERE)} left out, {took_s:.0f} s")
    assert user.typed >= 25


def before(user: NewUser, line: str) -> None:
    """What hands do before a line."""
    if line.startswith("sashkeeper status north"):
        user.plug_in()
    if line == "sashkeeper alarms list":
        unplug(user)
    if line.startswith("sashkeeper service install"):
        user.stop("sashkeeper")
    if line == "sashkeeper doctor":
        # Started here as the service would have been.
        user.start(["sashkeeper", "serve"])
        assert user.garden is not None
        user.wait(lambda: bool(user.see("status")["frames"][0]["here"]), "the frame to come back")
        subprocess.run(["sashkeeper", "service", "backup", "backups"], cwd=user.desk, env=user.environment, check=True,
                       capture_output=True, timeout=60)  # fmt: skip
    if line.startswith("mosquitto"):
        user.stop("sashkeeper")


def after(user: NewUser, line: str) -> None:
    """What must have come of it."""
    if line == "sashkeeper alarms test":
        assert len(user.phone.heard) == 1
    if line.startswith("sashkeeper size"):
        assert "do NOT build" not in user.said[line]
    if line == "sashkeeper alarms list":
        assert "north" in user.said[line]
    if line == "sashkeeper order north auto":
        assert user.garden is not None
        garden = user.garden
        user.wait(lambda: garden.at > 50, "the lid to open after all", lambda: user.see("status"))
    if line == "sashkeeper broker show":
        assert "it answers" in user.said[line]
        assert "TLS" in user.said[line]


def unplug(user: NewUser) -> None:
    """Noon comes, the lid wants to open, the motor is unplugged; after the alert it is plugged in again."""
    assert user.garden is not None
    user.garden.plugged = False
    user.garden.air_degc = 14.0
    user.wait(lambda: user.see("status")["frames"][0]["values"]["air"] > 13.5, "the frame to get warmer")
    user.garden.air_degc = 24.0
    user.wait(lambda: any("told to open and did not" in text for text in user.phone.heard), "the alert",
              lambda: (user.phone.heard, user.see("status")), 90.0)  # fmt: skip
    user.garden.plugged = True
