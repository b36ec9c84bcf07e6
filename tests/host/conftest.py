"""What the host's tests share: a home folder, a store, commands with a clock that is set, messages."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from sashkeeper.cli import main
from sashkeeper.clock import SetClock
from sashkeeper.context import STORE_NAME, App
from sashkeeper.store import Store
from sashkeeper.wire import mosquitto
from sashkeeper.wire.broker import EmbeddedBroker, free_port

# A winter noon, invented: 2026-02-10 12:00 UTC.
NOON_S = 1_770_724_800
KEY = bytes(range(32))

UNITS = {"air": "Cel", "air2": "Cel", "soil": "Cel", "outside": "Cel", "lid": "/", "target": "/", "battery": "V",
         "current": "A", "light": "lx", "wind": "m/s", "humidity": "%RH"}  # fmt: skip


def make_pack(frame: str, boot: int, seq: int, time_s: int | None, **values: float) -> bytes:
    """A SenML pack as a frame sends it."""
    first: dict[str, Any] = {"bn": f"{frame}/"}
    if time_s is not None:
        first["bt"] = time_s
    records = [{**first, "n": "seq", "u": "count", "v": seq}, {"n": "boot", "u": "count", "v": boot}]
    records += [{"n": n, "u": UNITS.get(n, "count"), "v": v} for n, v in values.items()]
    return json.dumps(records, separators=(",", ":")).encode()


def make_report(**changes: Any) -> dict[str, Any]:
    """A report as a frame sends it."""
    body: dict[str, Any] = {
        "v": 1, "boot": 1, "time_s": NOON_S, "uptime_s": 60,
        "lid": {"state": "shut", "position_permille": 0, "target_permille": 0},
        "reason": "in-band", "lockouts": [], "faults": [], "mode": "auto", "settings_n": 0, "firmware": "0.1.0",
        "board": "virtual", "interpreter": "micropython 1.29", "drops": {"journal": 0, "refused": 0},
        "free_bytes": 12345, "journal_waiting": 0,
    }  # fmt: skip
    return {**body, **changes}


@pytest.fixture
def pack() -> Callable[..., bytes]:
    """Makes SenML packs: pack(frame, boot, seq, time_s or None, air=..., ...)."""
    return make_pack


@pytest.fixture
def report() -> Callable[..., dict[str, Any]]:
    """Makes reports: report(reason=..., ...)."""
    return make_report


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """An empty home folder."""
    folder = tmp_path / "home"
    folder.mkdir()
    return folder


@pytest.fixture
def clock() -> SetClock:
    """A clock that stands at noon."""
    return SetClock(NOON_S)


@pytest.fixture
def store(home: Path) -> Iterator[Store]:
    """A store on disk with one frame called north."""
    with Store(home / STORE_NAME) as one:
        one.frame_add("north", KEY, NOON_S, "North frame")
        yield one


@pytest.fixture(params=["embedded", "mosquitto"])
def any_broker(request: pytest.FixtureRequest, store: Store, home: Path) -> Iterator[int]:
    """Port of a running broker that knows the store's frames; once with each kind of broker."""
    if request.param == "embedded":
        with EmbeddedBroker(home / STORE_NAME, port=0) as one:
            yield one.port
        return
    request.getfixturevalue("mosquitto")  # skips where it is not installed
    number = free_port()
    mosquitto.write(store, home / "broker", port=number)
    with mosquitto.Mosquitto(home / "broker", number):
        yield number


Run = Callable[..., Result]


@pytest.fixture
def run(home: Path, clock: SetClock) -> Run:
    """Run a command in the home folder; expected faults must never be a traceback."""

    def call(*args: str, code: int = 0, **kw: Any) -> Result:
        app = App(home, clock=clock)
        try:
            result = CliRunner().invoke(main, list(args), obj=app, **kw)
        finally:
            app.close()
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == code, result.output
        return result

    return call
