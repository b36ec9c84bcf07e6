"""Firmware over the air to real firmware in real MicroPython, over both brokers."""

from __future__ import annotations

import functools
import json
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from framesim.probe_parts import scratchpad
from framesim.virtual_board import BoardError, FirmwareProcess
from sash import reading
from sashkeeper import frames as registry
from sashkeeper.board import image
from sashkeeper.board.image import Image
from sashkeeper.board.pack import Sender
from sashkeeper.board.send import BusLine, Update
from sashkeeper.context import STORE_NAME
from sashkeeper.errors import JobError
from sashkeeper.store import Store
from sashkeeper.wire import mosquitto
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import EmbeddedBroker, free_port, host_password
from sashkeeper.wire.bus import Address, Bus
from tests.reference.schemas import fault_of

pytestmark = pytest.mark.system
TOPIC = "frames/north/update"
PROBES = {"air": "invented-1", "outside": "invented-2"}
INTERPRETER_HEAP = "512K"


def firmware(version: str) -> Image:
    """The firmware of this tree under a version of its own."""
    files = dict(base().files)
    name = "sash/messages.mpy"
    assert files[name].count(b"0.1.0") == 1
    files[name] = files[name].replace(b"0.1.0", version.encode())
    return Image(files, {}, version)


@functools.cache
def base() -> Image:
    """The firmware of this tree, compiled, for the desk."""
    return image.build("virtual")


def put(made: Image, folder: Path, number: int) -> None:
    """Lay a firmware into a folder as a cable would have done."""
    for name, data in made.files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    (folder / "manifest.json").write_bytes(made.manifest(number))


class Board(threading.Thread):
    """A board on a desk that is stepped all the time and started again when it restarts itself.

    air_degc, outside_degc, hold: what it senses from now on; motor_ran: whether the motor was ever driven.
    """

    def __init__(self, folder: Path, port: int, interpreter: str) -> None:
        super().__init__(daemon=True)
        self.folder, self.port, self.interpreter = folder, port, interpreter
        self.air_degc: float | None = 8.0
        self.outside_degc: float | None = 6.0
        self.unix_s = 1_800_000_000
        self.starts = 0
        self.motor_ran = False
        self.kill_after: int | None = None  # messages taken in, after which power goes once
        self.over = threading.Event()
        self.fault: BaseException | None = None

    def run(self) -> None:
        try:
            while not self.over.is_set():
                self.one_life()
        except BaseException as fault:
            self.fault = fault

    def one_life(self) -> None:
        self.starts += 1
        process = FirmwareProcess(self.folder, "127.0.0.1", self.port, "lockstep", self.interpreter, INTERPRETER_HEAP)
        next_ms = 1000
        try:
            while not self.over.is_set():
                inputs = reading.Inputs()
                inputs.at_shut, inputs.at_open, inputs.battery_mv = 1, 0, 12_600
                inputs.probes = {
                    "air": None if self.air_degc is None else scratchpad(self.air_degc),
                    "outside": None if self.outside_degc is None else scratchpad(self.outside_degc),
                }
                self.unix_s += max(1, next_ms // 1000)
                answer = process.step(next_ms, self.unix_s, inputs)
                for _ in range(3):
                    answer = process.poll()
                self.motor_ran |= bool(answer.motor)
                next_ms = answer.next_ms
                if self.kill_after is not None and answer.got >= self.kill_after:
                    self.kill_after = None
                    return
        except BoardError:
            if process._process.wait(10) != 3:  # what the board says when it restarts itself
                raise
        finally:
            process.kill()

    def close(self) -> None:
        self.over.set()
        self.join(20)
        if self.fault is not None:
            raise self.fault


class Place:
    """Store, broker, board and line of one trial."""

    def __init__(self, tmp_path: Path, kind: str, interpreter: str) -> None:
        self.home = tmp_path / "home"
        self.home.mkdir()
        self.store = Store(self.home / STORE_NAME)
        self.frame = registry.add(self.store, "north", 1_800_000_000)
        self.port = free_port()
        if kind == "embedded":
            self.broker: Any = EmbeddedBroker(self.home / STORE_NAME, port=self.port)
        else:
            mosquitto.write(self.store, self.home / "broker", port=self.port)
            self.broker = mosquitto.Mosquitto(self.home / "broker", self.port)
        self.broker.start()
        folder = tmp_path / "board"
        put(firmware("0.1.0"), folder / "a", 3)
        fittings = registry.fittings(self.frame, "127.0.0.1", self.port)
        fittings.update(probes=PROBES, link_retry_ms=[20, 200], rest_ms=5000)
        (folder / "fittings.json").write_text(json.dumps(fittings))
        self.board = Board(folder, self.port, interpreter)
        self.board.start()
        account = Address("127.0.0.1", self.port, HOST_USER, host_password(self.store))
        self.seen: list[tuple[str, bytes]] = []
        self.bus = Bus(account, "trial", clean=True, topics=("frames/north/#",))
        self.bus.connect()
        self.line = Listening(self.bus, self.seen)

    def update(self, made: Image, key: bytes | None = None, n: int = 10, patience_s: float = 0.0) -> Update:
        """An update that does not wait long."""
        return Update(
            self.line, made, TOPIC, key or self.frame.key, n, patience_s=patience_s, answer_s=3.0,
            now_s=lambda: self.board.unix_s, sleep=lambda _: time.sleep(0.05),
        )  # fmt: skip

    def report(self, version: str, wait_s: float = 20.0) -> dict[str, Any]:
        """Wait for a report of that firmware."""

        def there() -> dict[str, Any] | None:
            for topic, payload in reversed(self.seen):
                if topic.endswith("/report") and json.loads(payload)["firmware"] == version:
                    return dict(json.loads(payload))
            return None

        assert self.bus.pump(lambda: there() is not None, wait_s, self.line), self.seen[-3:]
        return there() or {}

    def close(self) -> None:
        self.bus.close()
        try:
            self.board.close()
        finally:
            self.broker.stop()
            self.store.close()


class Listening(BusLine):
    """A line that also keeps everything it hears."""

    def __init__(self, bus: Bus, seen: list[tuple[str, bytes]]) -> None:
        super().__init__(bus, TOPIC)
        self.seen = seen

    def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        self.seen.append((topic, payload))
        super().take(topic, payload, received_s, retained)


@pytest.fixture(params=["embedded", "mosquitto"])
def place(request: pytest.FixtureRequest, tmp_path: Path, micropython: str) -> Iterator[Place]:
    """Everything running, over both brokers."""
    if request.param == "mosquitto":
        request.getfixturevalue("mosquitto")
    one = Place(tmp_path, request.param, micropython)
    try:
        yield one
    finally:
        one.close()


# The embedded broker's library leaves the socket of a client whose power was cut to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_new_firmware_goes_on_and_starts(place: Place) -> None:
    """The board takes the pack, restarts by itself, reports the new version; with power cut on the way, too. Every
    message fits the published schemas, and sending again says that it is there already."""
    place.report("0.1.0")
    place.board.kill_after = 40
    done = place.update(firmware("0.2.0")).run()
    assert not done.had_it
    assert place.report("0.2.0")["mode"] == "auto"
    assert place.board.starts == 3  # first, after the cut, into the new firmware
    assert not place.board.motor_ran
    faults = {topic: fault_of(topic, payload) for topic, payload in place.seen}
    assert "frames/north/update/answer" in faults
    assert not {topic: fault for topic, fault in faults.items() if fault}
    assert place.update(firmware("0.2.0"), n=11).run().had_it
    with pytest.raises(JobError, match="newer than ours"):
        place.update(firmware("0.1.9"), n=12).run()


def test_wrong_key_and_bad_weather_are_refused(place: Place) -> None:
    """A foreign key gets nothing in; in frost, or blind, the new firmware waits, and goes on once it is milder."""
    place.report("0.1.0")
    with pytest.raises(JobError, match="does not know our key"):
        place.update(firmware("0.2.0"), key=bytes(32)).run()
    place.board.air_degc = 1.0
    with pytest.raises(JobError, match="near freezing"):
        place.update(firmware("0.2.0")).run()
    place.board.air_degc = place.board.outside_degc = None
    deadline = place.board.unix_s + 600  # until the last good values are too old to believe
    assert place.bus.pump(lambda: place.board.unix_s > deadline, 30, place.line)
    with pytest.raises(JobError, match="near freezing"):
        place.update(firmware("0.2.0"), n=11).run()
    assert place.board.starts == 1
    place.board.air_degc, place.board.outside_degc = 8.0, 6.0
    place.update(firmware("0.2.0"), n=12, patience_s=20.0).run()
    place.report("0.2.0")


@pytest.mark.parametrize("count", [60, pytest.param(1000, marks=pytest.mark.slow)])
def test_changed_messages_move_nothing(place: Place, count: int) -> None:
    """60 (slow: 1,000) messages with one changed bit, an older version and a foreign key are all refused by the running
    firmware; it neither restarts nor drives its motor, and answers the right message right away afterwards."""
    place.report("0.1.0")
    good = Sender(firmware("0.2.0"), 4, TOPIC, place.frame.key, 10)
    slices = [good.begin(), good.commit(place.board.unix_s + 100_000)]
    older = Sender(firmware("0.0.9"), 4, TOPIC, place.frame.key, 10).begin()
    noise = random.Random(8)
    words: list[str] = []
    for number in range(count + 2):
        bad = bytearray(noise.choice(slices))
        bit = noise.randrange(len(bad) * 8)
        bad[bit // 8] ^= 1 << bit % 8
        message = older if number == count else Sender(
            firmware_small(), 4, TOPIC, bytes(32), 10
        ).begin() if number == count + 1 else bytes(bad)  # fmt: skip
        place.line.send(message)
        answer = place.line.answer(10.0)
        assert answer is not None, number
        words.append(json.loads(answer)["refused"])
    assert set(words[:count]) <= {"mac", "json", "form"}
    assert words[count:] == ["older", "mac"]
    assert place.board.starts == 1
    assert not place.board.motor_ran
    place.line.send(good.begin())
    answer = place.line.answer(10.0)
    assert answer is not None
    assert json.loads(answer)["want"] == 0


def firmware_small() -> Image:
    """A firmware of one module; contents invented."""
    return Image({"sash/app.py": b"x = 1\n"}, {}, "0.3.0")
