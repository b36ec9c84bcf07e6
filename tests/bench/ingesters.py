"""Several `serve --only ingest` processes on one shared subscription and one store, with Mosquitto; optional kills."""

from __future__ import annotations

import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client

from sashkeeper import config, frames
from sashkeeper.context import STORE_NAME
from sashkeeper.store import Store
from sashkeeper.wire import mosquitto
from sashkeeper.wire.broker import free_port
from tests.bench.ingest import client, pack

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Stored:
    """published and stored rows, wall time from the start of the ingesters to the last row [s], faults of the file.

    by_sequence: frames whose rows are not exactly the sequence numbers that were published.
    """

    published: int
    stored: int
    took_s: float
    faults: list[str]
    by_sequence: int


class Club:
    """A home with an outside broker, some frames, and processes on it."""

    def __init__(self, home: Path, frame_count: int) -> None:
        self.home, self.port = home, free_port()
        self.processes: dict[str, subprocess.Popen[str]] = {}
        with Store(home / STORE_NAME) as store:
            added = [frames.add(store, f"f{n}", time.time()) for n in range(frame_count)]
            mosquitto.write(store, home / "broker", port=self.port)
            self.passwords = {f.id: frames.mqtt_password(f) for f in added}
        conf = home / "broker" / "mosquitto.conf"
        conf.write_text(conf.read_text().replace("max_queued_messages 100000", "max_queued_messages 0"))
        config.change(home, {"broker": {"kind": "external", "port": self.port}})
        self.broker = mosquitto.Mosquitto(home / "broker", self.port)
        self.broker.start()

    def start(self, only: str, name: str = "1") -> None:
        """Start one process; returns once it hears the broker."""
        command = [sys.executable, "-m", "sashkeeper", "--home", str(self.home), "serve", "--only", only]
        command += ["--name", name] if only == "ingest" else []
        one = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.processes[name if only == "ingest" else only] = one
        assert one.stdout is not None
        for line in one.stdout:
            if "keeping" in line:
                return
        raise RuntimeError(f"{only} {name} ended before it began")

    def stop(self, name: str, kill: bool = False) -> None:
        """End one process, politely or not."""
        one = self.processes.pop(name)
        one.kill() if kill else one.terminate()
        one.wait(30)
        assert one.stdout is not None
        one.stdout.close()

    def publish(self, first: int, last: int) -> None:
        """Publish packs first <= seq < last of every frame; returns once the broker has them."""
        start = int(time.time()) - 60 * 100_000
        for name, password in self.passwords.items():
            board: Client = client(self.port, name, password, name)
            board.loop_start()
            sent: Any = None
            for seq in range(first, last):
                sent = board.publish(f"frames/{name}/readings", pack(name, seq, start + 60 * seq), 1)
            sent.wait_for_publish(PATIENCE_S)
            board.disconnect()
            board.loop_stop()

    def wait_for(self, want: int, store: Store) -> None:
        """Wait until so many rows are stored, or patience ends."""
        end = time.monotonic() + PATIENCE_S
        while store.reading_count() < want and time.monotonic() < end:
            time.sleep(0.02)

    def judge(self, each: int, took_s: float) -> Stored:
        """Compare the store with what was published."""
        with Store(self.home / STORE_NAME) as store:
            rows = Counter(store.rows("SELECT frame, seq FROM readings"))
            wrong = 0
            for (num,) in store.rows("SELECT num FROM frames"):
                wrong += {seq for frame, seq in rows if frame == num} != set(range(each))
            return Stored(each * len(self.passwords), sum(rows.values()), took_s, store.integrity(), wrong)

    def close(self) -> None:
        """End everything."""
        for name in list(self.processes):
            self.stop(name)
        self.broker.stop()


def backlog(home: Path, members: int, frame_count: int, each: int) -> Stored:
    """Let the broker hold a backlog in the members' kept sessions, then time how fast they store it together."""
    club = Club(home, frame_count)
    names = [str(n) for n in range(members)]
    try:
        for name in names:
            club.start("ingest", name)
        for name in names:
            club.stop(name)
        club.publish(0, each)
        with Store(home / STORE_NAME) as store:
            commands = [[sys.executable, "-m", "sashkeeper", "--home", str(home), "serve", "--only", "ingest",
                         "--name", name] for name in names]  # fmt: skip
            for name, command in zip(names, commands, strict=True):
                club.processes[name] = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            while not store.reading_count():  # programs need a second to start; that is not what is measured
                time.sleep(0.002)
            began, had = time.perf_counter(), store.reading_count()
            club.wait_for(each * frame_count, store)
            took_s = time.perf_counter() - began
        judged = club.judge(each, took_s)
        return Stored(judged.published, judged.stored, took_s * judged.published / max(1, judged.published - had),
                      judged.faults, judged.by_sequence)  # fmt: skip
    finally:
        club.close()
