"""The real firmware process in lockstep does what the firmware in this process does, through cuts and broken lines."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from framesim.relay import Relay
from framesim.runner import BarrierTimeout, Hooks, InProcess, Lockstep
from framesim.scenario import Scenario, parse
from framesim.virtual_board import BoardError, FirmwareProcess, parse_answer, sense_line
from framesim.virtual_frame import Parts, VirtualFrame
from framesim.weather import Weather

HOUR_S = 3600
CUT = '[[outage]]\npart = "power"\nwhen = "opening"\nafter_s = 2\nfor_s = 900\n'
Frames = Callable[..., VirtualFrame]


@pytest.fixture
def story(sunny: Weather) -> Callable[[str], Scenario]:
    """A scenario from text, new for each run."""
    return lambda text: parse(text, sunny.utc_offset_h)


@pytest.fixture
def lockstep(
    tiny_frame: Frames, fittings: dict[str, Any], settings: dict[str, int], sunny: Weather, tmp_path: Path
) -> Iterator[Callable[..., Lockstep]]:
    """Makes lockstep runners and ends them."""
    made: list[Lockstep] = []

    def build(at_h: float = 0.0, **how: Any) -> Lockstep:
        own = {**fittings, "link_retry_ms": [20, 200], **how.pop("fittings", {})}
        frame = tiny_frame(Parts.for_fittings(own))
        how.setdefault("settings", settings)
        runner = Lockstep(frame, own, sunny.start_s + at_h * HOUR_S, tmp_path / "board", **how)
        made.append(runner)
        return runner

    yield build
    for runner in made:
        runner.close()


@pytest.fixture
def in_process(
    tiny_frame: Frames, fittings: dict[str, Any], settings: dict[str, int], sunny: Weather
) -> Callable[..., InProcess]:
    """Makes runners in this process."""

    def build(at_h: float = 0.0, **how: Any) -> InProcess:
        frame = tiny_frame(Parts.for_fittings(fittings))
        return InProcess(frame, fittings, sunny.start_s + at_h * HOUR_S, settings=settings, **how)

    return build


def test_a_day_on_micropython_moves_the_lid_exactly_as_in_process(
    micropython: str, lockstep: Callable[..., Lockstep], in_process: Callable[..., InProcess], sunny: Weather
) -> None:
    """Every motor command of a sunny day at the same millisecond with the lid at the same place."""
    real, plain = lockstep(interpreter=micropython), in_process()
    for runner in (real, plain):
        runner.run_until(sunny.start_s + 24 * HOUR_S)
    assert len(plain.record.commands) >= 6
    assert real.record.commands == plain.record.commands
    assert real.record.steps == plain.record.steps
    assert real.frame.model.air_degc == plain.frame.model.air_degc


def test_power_cut_in_the_middle_of_a_move_goes_the_same_way_in_both(
    micropython: str,
    lockstep: Callable[..., Lockstep],
    in_process: Callable[..., InProcess],
    story: Callable[[str], Scenario],
    sunny: Weather,
) -> None:
    """Killed while the lid moves and started again on the same storage: lid stands, then the same commands."""
    real = lockstep(8.0, interpreter=micropython, scenario=story(CUT))
    while real.record.power_cuts == 0:
        real.step()
    assert real.process is None
    at = real.frame.lid.lid_permille
    assert 0 < at < 100
    real.run_until(real.time_s + 890)
    assert real.frame.lid.lid_permille == at
    plain = in_process(8.0, scenario=story(CUT))
    for runner in (real, plain):
        runner.run_until(sunny.start_s + 13 * HOUR_S)
    assert real.record.power_cuts == plain.record.power_cuts == 1
    assert real.record.commands == plain.record.commands
    assert len(real.record.moves()) >= 2


def test_the_same_firmware_runs_on_cpython(
    lockstep: Callable[..., Lockstep], in_process: Callable[..., InProcess], sunny: Weather
) -> None:
    """Where there is no MicroPython the same file runs on CPython, with the same commands."""
    real, plain = lockstep(9.0, interpreter=sys.executable), in_process(9.0)
    for runner in (real, plain):
        runner.run_until(sunny.start_s + 10.5 * HOUR_S)
    assert real.record.commands == plain.record.commands
    assert real.record.commands


def test_a_firmware_that_resets_itself_is_started_again(
    micropython: str, lockstep: Callable[..., Lockstep], sunny: Weather
) -> None:
    """A crash inside the firmware ends its process; the runner starts it anew and goes on."""
    runner = lockstep(interpreter=micropython)
    runner.run_until(sunny.start_s + 60)
    inputs = runner.frame.inputs

    def nonsense() -> Any:
        facts = inputs()
        facts.motor_ma = "oops"
        return facts

    runner.frame.inputs = nonsense  # type: ignore[method-assign]
    runner.step()
    runner.frame.inputs = inputs  # type: ignore[method-assign]
    runner.run_until(sunny.start_s + 300)
    assert runner.resets == 1
    assert runner.powered
    note = json.loads((runner.folder / "crash.a").read_bytes()[8:-4])
    assert "oops" in note["error"] or "ValueError" in note["error"]


def test_a_hung_firmware_is_told(micropython: str, lockstep: Callable[..., Lockstep], sunny: Weather) -> None:
    """A stopped process does not hold up the run for ever."""
    runner = lockstep(interpreter=micropython, timeout_s=0.3)
    runner.run_until(sunny.start_s + 60)
    assert runner.process is not None
    os.kill(runner.process.pid, signal.SIGSTOP)
    with pytest.raises(BoardError, match=r"did not answer within 0\.3 s"):
        runner.step()


def test_a_firmware_that_will_not_start_says_why(micropython: str, tmp_path: Path) -> None:
    """Its own last words are in the message."""
    (tmp_path / "fittings.json").write_text("{broken")
    process = FirmwareProcess(tmp_path, "-", 0, interpreter=micropython)
    try:
        with pytest.raises(BoardError, match=r"ended.*fittings\.json cannot be read"):
            process.poll()
    finally:
        process.kill()


def test_a_missing_interpreter_is_named(tmp_path: Path) -> None:
    """The path that could not be run is in the message."""
    with pytest.raises(BoardError, match="no-such-python cannot be started"):
        FirmwareProcess(tmp_path, "-", 0, interpreter=str(tmp_path / "no-such-python"))


def test_lines_of_the_protocol(tiny_frame: Frames, sunny: Weather) -> None:
    """What is sent and what is understood, byte for byte."""
    frame = tiny_frame()
    frame.reset(sunny.start_s)
    facts = frame.inputs()
    facts.probes = {"air": bytes.fromhex("50054b467fff0c101c"), "soil": None}
    facts.battery_mv = 12_600
    assert sense_line(200, 7, facts) == "S 200 7 1 0 0 12600 -1 -1 -1 -1 -1 0 0 air=50054b467fff0c101c soil=-\n"
    answer = parse_answer("A -1 800 1 0 200 1 12 3 4")
    assert (answer.motor, answer.duty_permille, answer.next_ms, answer.sent, answer.waiting) == (-1, 800, 200, 12, 4)
    with pytest.raises(ValueError, match="not an answer"):
        parse_answer("A 1 2")


# --- with a real broker ----------------------------------------------------------------------------


class Ear:
    """Takes in everything a frame says, through a broker."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, Any]] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe("frames/#", qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(5)

    def _take(self, client: Any, data: Any, message: mqtt.MQTTMessage) -> None:
        self.heard.append((message.topic.removeprefix("frames/north/"), json.loads(message.payload)))

    def count(self) -> int:
        """Messages so far."""
        return len(self.heard)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(mosquitto: str, port: int, tmp_path: Path) -> Iterator[int]:
    """A Mosquitto on a free loopback port."""
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nlog_type error\n")
    process = subprocess.Popen([mosquitto, "-c", str(config)], stderr=subprocess.DEVNULL)
    give_up = time.monotonic() + 10
    while True:
        try:
            ear = Ear(port)
            break
        except ConnectionRefusedError:
            assert time.monotonic() < give_up
            time.sleep(0.02)
    ear.close()
    yield port
    process.terminate()
    process.wait(10)


@pytest.fixture
def ear(broker: int) -> Iterator[Ear]:
    """A listener at the broker."""
    listener = Ear(broker)
    yield listener
    listener.close()


@pytest.mark.system
def test_messages_over_a_broker_are_those_of_the_run_in_process(
    micropython: str,
    broker: int,
    ear: Ear,
    lockstep: Callable[..., Lockstep],
    in_process: Callable[..., InProcess],
    sunny: Weather,
) -> None:
    """Two hours in virtual time: every reading and event arrives, in order, equal to those of the run in process."""
    until = sunny.start_s + 10.5 * HOUR_S
    real = lockstep(8.5, host="127.0.0.1", port=broker, interpreter=micropython)
    real.run_until(until)
    real.barrier(ear.count)
    assert real.slow_hand_overs == 0
    plain_heard: list[tuple[str, Any]] = []
    hooks = Hooks(on_message=lambda frame, suffix, payload: plain_heard.append((suffix, json.loads(payload))))
    plain = in_process(8.5, hooks=hooks)
    plain.run_until(until)
    for kind in ("readings", "events"):
        theirs = [said for what, said in plain_heard if what == kind]
        assert [said for what, said in ear.heard if what == kind] == theirs
        assert len(theirs) >= 3


@pytest.mark.system
def test_a_pulled_cable_loses_no_reading(
    micropython: str,
    broker: int,
    ear: Ear,
    lockstep: Callable[..., Lockstep],
    story: Callable[[str], Scenario],
    sunny: Weather,
) -> None:
    """Half an hour without network: the broker says the frame is gone, later every reading is there in order."""
    relay = Relay("127.0.0.1", broker)
    text = '[[outage]]\npart = "link"\nat = "2027-03-01T00:30"\nfor_s = 1800\n'
    runner = lockstep(
        host="127.0.0.1",
        port=relay.port,
        interpreter=micropython,
        scenario=story(text),
        hooks=Hooks(on_outage=relay.on_outage),
    )
    runner.run_until(sunny.start_s + 5400)
    assert runner.drain()
    runner.barrier(ear.count)
    heard = list(ear.heard)
    relay.close()
    seq = [said[0]["v"] for what, said in heard if what == "readings"]
    assert seq == list(range(1, len(seq) + 1))
    assert len(seq) in (90, 91)
    assert [said["here"] for what, said in heard if what == "presence"] == [True, False, True]


@pytest.mark.system
def test_barrier_says_what_is_missing(
    micropython: str, broker: int, lockstep: Callable[..., Lockstep], sunny: Weather
) -> None:
    """A receiver that got nothing: the barrier gives up with both counts."""
    runner = lockstep(host="127.0.0.1", port=broker, interpreter=micropython)
    runner.run_until(sunny.start_s + 60)
    with pytest.raises(BarrierTimeout, match=r"\d+ were sent and 0 received"):
        runner.barrier(lambda: 0, timeout_s=0.2)


@pytest.mark.system
def test_real_time_takes_its_time(micropython: str, lockstep: Callable[..., Lockstep], sunny: Weather) -> None:
    """In real mode the firmware paces itself: a virtual second is a second."""
    runner = lockstep(interpreter=micropython, mode="real", fittings={"rest_ms": 300})
    began = time.monotonic()
    runner.run_until(sunny.start_s + 1.5)
    took = time.monotonic() - began
    passed = runner.time_ms / 1000 - sunny.start_s
    assert passed == pytest.approx(took, abs=0.5)
    assert runner.record.steps >= 5
