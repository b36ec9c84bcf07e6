"""Killed at any moment, the store is whole and has everything that it had said it has."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sashkeeper import config, frames, mosquitto
from sashkeeper.broker import free_port
from sashkeeper.context import STORE_NAME
from sashkeeper.store import Store

T0 = 1_770_724_800
BATCH = 40

# Writes batches for ever and says after each what is now committed.
WRITER = f"""
import sys
from sashkeeper.store import Reading, Event, Store
store = Store(sys.argv[1])
boot = int(sys.argv[2])
n = 0
while True:
    rows = [Reading("north", boot, n + i, {T0} + 60 * (n + i), {{"air": (n + i) / 10}}) for i in range({BATCH})]
    with store.transaction():
        store.add_readings(rows)
        store.add_events([Event("north", boot, n, {T0} + n, "move", {{}})])
    n += {BATCH}
    sent = store.settings_next("north", {{"open_mdegc": 16000}}, "x", n)
    store.roll_up({T0} + 60 * n - 900)
    print(n, sent, flush=True)
"""


def kill_writer(path: Path, boot: int, after_s: float) -> tuple[int, int]:
    """Start the writer, kill it after a while, return the last (rows, settings number) that it reported."""
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(path), str(boot)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(after_s)  # a real program is killed at a real moment
    child.send_signal(signal.SIGKILL)
    lines = (first + child.stdout.read()).splitlines()
    child.stdout.close()
    child.wait()
    whole = [line for line in lines if len(line.split()) == 2]
    rows, sent = whole[-1].split()
    return int(rows), int(sent)


def crash_often(home: Path, times: int) -> None:
    rng = random.Random(times)
    path = home / STORE_NAME
    with Store(path) as store:
        store.frame_add("north", bytes(32), T0)
    for boot in range(1, times + 1):
        said, sent = kill_writer(path, boot, rng.random() * 0.06)
        with Store(path) as store:
            assert store.integrity() == []
            found = store.row("SELECT count(*) FROM readings WHERE boot = ?", (boot,))[0]
            events = store.row("SELECT count(*) FROM events WHERE boot = ?", (boot,))[0]
            # What was reported is there; at most one more batch, and that one whole.
            assert found in (said, said + BATCH)
            assert events == found // BATCH
            assert store.settings_sent("north", 1)[0].n in (sent, sent + 1)
            rolled = store.rolls("north", ["air"], 0, 1e12, 600)["air"]
            total = store.row("SELECT count(*) FROM readings")[0]
            assert sum(r.n for r in rolled) == total


def test_a_writer_killed_30_times(home: Path) -> None:
    """After each of 30 kills at random moments: integrity ok, reported rows there, no half batch, roll-ups right."""
    crash_often(home, 30)


@pytest.mark.slow
def test_a_writer_killed_200_times(home: Path) -> None:
    """The same 200 times."""
    crash_often(home, 200)


def serve_under_fire(home: Path, times: int, messages: int, pack: Callable[..., bytes]) -> None:
    """Publish through a real broker while `serve` is killed again and again; all rows must be there once."""
    port = free_port()
    with Store(home / STORE_NAME) as store:
        frame = frames.add(store, "north", T0)
        mosquitto.write(store, home / "broker", port=port)
        password = frames.mqtt_password(frame)
    config.change(home, {"broker": {"kind": "external", "port": port}})
    command = [sys.executable, "-m", "sashkeeper", "--home", str(home), "serve"]
    rng = random.Random(messages)
    with mosquitto.Mosquitto(home / "broker", port):
        serve = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        wait_for_start(serve)
        board = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="north", clean_session=False)
        board.username_pw_set("north", password)
        board.max_queued_messages_set(0)
        board.connect("127.0.0.1", port)
        board.loop_start()
        last = None
        for part in range(times + 1):
            for n in range(part * messages, (part + 1) * messages):
                last = board.publish("frames/north/readings", pack("north", 1, n, T0 + n, air=n % 40), 1)
            if part == times:
                break
            time.sleep(rng.random() * 0.3)  # a real program is killed at a real moment
            serve.send_signal(signal.SIGKILL)
            serve.wait()
            assert serve.stdout is not None
            serve.stdout.close()
            serve = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            wait_for_start(serve)
        assert last is not None
        last.wait_for_publish(30)
        want = (times + 1) * messages
        with Store(home / STORE_NAME) as store:
            end = time.monotonic() + 30
            while store.reading_count() < want and time.monotonic() < end:
                time.sleep(0.05)
            missing = set(range(want)) - {seq for (seq,) in store.rows("SELECT seq FROM readings")}
            assert missing == set()
            assert store.reading_count() == want
            assert store.integrity() == []
        serve.send_signal(signal.SIGTERM)
        assert serve.wait(15) == 0
        assert serve.stdout is not None
        serve.stdout.close()
        board.disconnect()
        board.loop_stop()


def wait_for_start(serve: subprocess.Popen[str]) -> None:
    assert serve.stdout is not None
    for line in serve.stdout:
        if "keeping" in line:
            return
    pytest.fail("serve ended before it began")


@pytest.mark.system
def test_serve_killed_under_load(home: Path, pack: Callable[..., bytes], request: pytest.FixtureRequest) -> None:
    """Three kills of `serve` while messages pour in: rows stored = rows published, none twice."""
    request.getfixturevalue("mosquitto")
    serve_under_fire(home, 3, 1000, pack)


@pytest.mark.slow
@pytest.mark.system
def test_serve_killed_often_under_load(home: Path, pack: Callable[..., bytes], request: pytest.FixtureRequest) -> None:
    """The same with 40 kills."""
    request.getfixturevalue("mosquitto")
    serve_under_fire(home, 40, 1000, pack)


@pytest.mark.system
def test_serve_stops_cleanly_and_runs_once(home: Path) -> None:
    """SIGTERM ends `serve` with code 0 and a whole store; a second one for the same home is refused meanwhile."""
    with Store(home / STORE_NAME) as store:
        frames.add(store, "north", T0)
    config.change(home, {"broker": {"port": free_port()}})
    command = [sys.executable, "-m", "sashkeeper", "--home", str(home), "serve"]
    serve = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    wait_for_start(serve)
    second = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert second.returncode == 1
    assert "runs already" in second.stderr
    status = subprocess.run([*command[:-1], "broker", "show", "--json"], capture_output=True, text=True, timeout=30)
    assert json.loads(status.stdout)["answers"] is True
    serve.send_signal(signal.SIGTERM)
    out, err = serve.communicate(timeout=20)
    assert serve.returncode == 0
    assert "stopped" in out
    assert "Traceback" not in err
    assert os.listdir(home)
    with Store(home / STORE_NAME) as store:
        assert store.integrity() == []
