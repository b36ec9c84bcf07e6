"""The household's own certificates and key changes with real firmware in real MicroPython."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from framesim.virtual_board import FirmwareProcess
from sash import reading
from sashkeeper import frames as registry
from sashkeeper.cli import main
from sashkeeper.clock import SystemClock
from sashkeeper.context import STORE_NAME, App
from sashkeeper.joining import authority
from sashkeeper.joining.files import HOST_NAME
from sashkeeper.service import Service
from sashkeeper.store import Store
from sashkeeper.wire import mosquitto
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import EmbeddedBroker, free_port, host_password
from sashkeeper.wire.bus import Address, Bus
from tests.host.pty_board import PtyBoard

pytestmark = pytest.mark.system
START_S = 1_800_000_000
DAY_S = 86_400


def fittings(home: Path, store: Store, port: int, **mqtt: Any) -> dict[str, Any]:
    """Fittings of a frame on a desk."""
    made = registry.fittings(store.frame("north"), "127.0.0.1", port)
    made["mqtt"].update(mqtt)
    return {**made, "probes": {"air": "28"}, "link_retry_ms": [50, 200], "rest_ms": 5000}


def comes_up(folder: Path, port: int, interpreter: str, wait_s: float) -> bool:
    """Whether the firmware gets a connection within some time; the law must go on in any case."""
    process = FirmwareProcess(folder, "127.0.0.1", port, "lockstep", interpreter)
    try:
        answer = process.step(5000, START_S, reading.Inputs())
        end = time.monotonic() + wait_s
        while time.monotonic() < end and not (answer.link_up and answer.sent):
            answer = process.poll()
        assert process.step(5000, START_S + 5, reading.Inputs()).next_ms > 0
        return bool(answer.link_up and answer.sent)
    finally:
        process.kill()


@pytest.fixture
def home(tmp_path: Path) -> Iterator[tuple[Path, Store]]:
    """A home folder with a frame."""
    folder = tmp_path / "home"
    folder.mkdir()
    with Store(folder / STORE_NAME) as store:
        registry.add(store, "north", START_S)
        yield folder, store


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
@pytest.mark.parametrize("case", ["good", "expired", "foreign", "other name"])
def test_boards_trust_this_household_only(
    request: pytest.FixtureRequest, home: tuple[Path, Store], tmp_path: Path, micropython: str, kind: str, case: str
) -> None:
    """With ca.der and the host's name a board connects; to an expired, a foreign or a misnamed certificate not."""
    if kind == "mosquitto":
        request.getfixturevalue("mosquitto")
    folder, store = home
    port = free_port()
    # The broker's certificate; the board always gets the household's own authority.
    where = folder if case != "foreign" else tmp_path / "stranger"
    made = authority.make(where, [], time.time() if case != "expired" else time.time() - 6 * 365 * DAY_S)
    ours = made if case != "foreign" else authority.make(folder, [], time.time())
    if kind == "embedded":
        broker: Any = EmbeddedBroker(folder / STORE_NAME, port=port, cert_file=str(made.cert), key_file=str(made.key))
    else:
        mosquitto.write(store, folder / "m", port=port, cert_file=str(made.cert), key_file=str(made.key))
        broker = mosquitto.Mosquitto(folder / "m", port)
    board = tmp_path / "board"
    board.mkdir()
    name = "elsewhere" if case == "other name" else HOST_NAME
    (board / "fittings.json").write_text(json.dumps(fittings(folder, store, port, ca=str(ours.ca_der), name=name)))
    broker.start()
    try:
        assert comes_up(board, port, micropython, 10.0 if case == "good" else 1.5) is (case == "good")
    finally:
        broker.stop()


def run(home: Path, *words: str) -> str:
    """A command that must succeed."""
    app = App(home, clock=SystemClock())
    try:
        done = CliRunner().invoke(main, list(words), obj=app)
    finally:
        app.close()
    assert done.exit_code == 0, done.output
    return done.output


class Life:
    """A firmware that runs on a folder for some virtual time."""

    def __init__(self, folder: Path, port: int, interpreter: str) -> None:
        self.folder, self.port, self.interpreter = folder, port, interpreter
        self.time_s = START_S

    def run(
        self, minutes: int, done: Callable[[], bool] = lambda: True, pump: Callable[[], None] | None = None
    ) -> None:
        """Live so long, then until `done`; then stop cleanly."""
        process = FirmwareProcess(self.folder, "127.0.0.1", self.port, "lockstep", self.interpreter)
        try:
            until = self.time_s + minutes * 60
            end = time.monotonic() + 40
            while (self.time_s < until or not done()) and time.monotonic() < end:
                if self.time_s < until:
                    self.time_s += 5
                    process.step(5000, self.time_s, reading.Inputs())
                process.poll()
                if pump:
                    pump()
            assert done(), list(process.log)
        finally:
            process.quit()


def test_changing_the_key_loses_no_sample(home: tuple[Path, Store], tmp_path: Path, micropython: str) -> None:
    """Readings before the change, those taken while the board was locked out, and those after it are all stored,
    each once; the old key's password is refused (SEC-2)."""
    folder, store = home
    port = free_port()
    (folder / "sashkeeper.toml").write_text(f"[broker]\nport = {port}\n")
    board = tmp_path / "board"
    board.mkdir()
    (board / "fittings.json").write_text(json.dumps(fittings(folder, store, port)))
    old_password = registry.mqtt_password(store.frame("north"))
    life = Life(board, port, micropython)
    with EmbeddedBroker(folder / STORE_NAME, port=port):
        service = Service(store, None, SystemClock())
        bus = Bus(Address("127.0.0.1", port, HOST_USER, host_password(store)))
        bus.connect()

        def pump() -> None:
            bus.pump(lambda: False, 0.002, service)

        life.run(10, lambda: store.reading_count("north") >= 10, pump)
        with PtyBoard(board) as cable:
            run(folder, "board", "key", "north", "--port", cable.port)
        fresh = json.loads((board / "fittings.json").read_text())
        # The board keeps measuring with the old file while nobody lets it in.
        (board / "fittings.json").write_text(json.dumps({**fresh, "mqtt": {**fresh["mqtt"], "password": old_password}}))
        before = store.reading_count("north")
        life.run(10, pump=pump)
        assert store.reading_count("north") == before
        (board / "fittings.json").write_text(json.dumps(fresh))
        life.run(5, lambda: store.reading_count("north") >= before + 14, pump)
        bus.close()
    rows = store.readings("north", 0, 4e9)
    by_boot: dict[int, list[int]] = {}
    for row in rows:
        by_boot.setdefault(row.boot, []).append(row.seq)
    assert len(by_boot) == 3
    for boot, numbers in by_boot.items():
        assert sorted(numbers) == list(range(1, len(numbers) + 1)), boot
    assert len(rows) >= 25


def test_nothing_listens_on_the_board(home: tuple[Path, Store], tmp_path: Path, micropython: str) -> None:
    """The firmware opens no listening port of its own (SEC-11)."""
    folder, store = home
    port = free_port()
    board = tmp_path / "board"
    board.mkdir()
    (board / "fittings.json").write_text(json.dumps(fittings(folder, store, port)))
    with EmbeddedBroker(folder / STORE_NAME, port=port):
        process = FirmwareProcess(board, "127.0.0.1", port, "lockstep", micropython)
        try:
            answer = process.step(5000, START_S, reading.Inputs())
            end = time.monotonic() + 10
            while time.monotonic() < end and not answer.link_up:
                answer = process.poll()
            assert answer.link_up
            sockets = {str(p.readlink()) for p in Path(f"/proc/{process.pid}/fd").iterdir() if p.is_symlink()}
            mine = {s.removeprefix("socket:[").rstrip("]") for s in sockets if s.startswith("socket:")}
            assert mine
            listening = set()
            for table in ("tcp", "tcp6"):
                for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
                    words = line.split()
                    if words[3] == "0A":  # LISTEN. Source: Linux, include/net/tcp_states.h, TCP_LISTEN = 10
                        listening.add(words[9])
            assert not mine & listening
        finally:
            process.kill()


def test_openssl_agrees(home: tuple[Path, Store]) -> None:
    """An independent program finds chain, name and purpose of the certificates in order."""
    import shutil

    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    made = authority.make(home[0], ["192.168.1.20"], time.time())
    done = subprocess.run(
        ["openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-verify_hostname", HOST_NAME, "-CAfile",
         str(made.ca_pem), str(made.cert)], capture_output=True, text=True, timeout=20,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
