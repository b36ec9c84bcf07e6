"""How fast messages get from the broker into the store, against bare parts, in one run.

    python tests/bench/ingest.py [--messages 40000] [--frames 1] [--alarms] [--json]

Mosquitto holds the messages in kept sessions before anything is measured, so that no publisher takes
processor time. Then, in turn, three rounds of each, medians taken: a bare paho client that only counts; bare
SQLite inserts of the same values (one row a value, natural key, batches of 500); and the host's own
connection, checks and store.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sqlite3
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from sashkeeper import alarms, config, frames
from sashkeeper.clock import SystemClock
from sashkeeper.service import Service
from sashkeeper.store import Store
from sashkeeper.wire import access, mosquitto
from sashkeeper.wire.broker import free_port, host_password
from sashkeeper.wire.bus import Address, Bus

VALUES = {"air": ("Cel", 12.4), "air2": ("Cel", 12.5), "soil": ("Cel", 8.1), "outside": ("Cel", 3.2),
          "lid": ("/", 0.1), "target": ("/", 0.1), "battery": ("V", 12.6), "current": ("A", 0)}  # fmt: skip
ROUNDS = 3


def pack(frame: str, seq: int, time_s: int) -> bytes:
    """A pack of eight values, as a well fitted frame sends it."""
    first = {"bn": f"{frame}/", "bt": time_s, "n": "seq", "u": "count", "v": seq}
    rest = [{"n": n, "u": u, "v": v} for n, (u, v) in VALUES.items()]
    return json.dumps([first, {"n": "boot", "u": "count", "v": 1}, *rest], separators=(",", ":")).encode()


def client(port: int, user: str, password: str, client_id: str) -> mqtt.Client:
    one = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
    one.username_pw_set(user, password)
    one.max_queued_messages_set(0)
    one.connect("127.0.0.1", port)
    return one


def fill(port: int, store: Store, sessions: list[str], count: int, names: list[str]) -> None:
    """Put the messages into kept sessions of the host's account, then publish them once."""
    for session in sessions:
        one = client(port, access.HOST_USER, host_password(store), session)
        ready = threading.Event()
        one.on_connect = lambda c, *_: c.subscribe("frames/+/#", 1)
        one.on_subscribe = lambda *_, done=ready: done.set()
        one.loop_start()
        ready.wait(5)
        one.disconnect()
        one.loop_stop()
    start = int(time.time()) - count * 60 // len(names)
    for f, name in enumerate(names):
        board = client(port, name, frames.mqtt_password(store.frame(name)), name)
        board.loop_start()
        last = None
        for seq in range(count // len(names)):
            last = board.publish(f"frames/{name}/readings", pack(name, seq, start + 60 * seq), 1)
            if seq % 2000 == 1999:
                last.wait_for_publish(60)
        if last is not None:
            last.wait_for_publish(60)
        board.disconnect()
        board.loop_stop()
        if f % 500 == 499:
            print(f"  {f + 1} frames", flush=True)


def bare_paho(port: int, store: Store, session: str, count: int) -> float:
    """Messages per second of a client that only counts."""
    got = 0

    def on_message(c: mqtt.Client, _u: Any, _m: Any) -> None:
        nonlocal got
        got += 1
        if got == count:
            c.disconnect()

    start = time.perf_counter()
    one = client(port, access.HOST_USER, host_password(store), session)
    one.on_message = on_message
    one.loop_forever()
    return count / (time.perf_counter() - start)


def bare_sqlite(folder: Path, count: int) -> float:
    """Messages per second of plain inserts of their values."""
    db = sqlite3.connect(folder / "bare.db", isolation_level=None)
    db.executescript(
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; CREATE TABLE r (frame INTEGER, metric INTEGER, "
        "time_s INTEGER, value REAL, PRIMARY KEY (frame, metric, time_s)) WITHOUT ROWID"
    )
    start = time.perf_counter()
    for first in range(0, count, 500):
        rows = [(1, m, n, v) for n in range(first, first + 500) for m, (_, v) in enumerate(VALUES.values())]
        db.execute("BEGIN")
        db.executemany("INSERT OR IGNORE INTO r VALUES (?, ?, ?, ?)", rows)
        db.execute("COMMIT")
    rate = count / (time.perf_counter() - start)
    db.close()
    (folder / "bare.db").unlink()
    return rate


def stored(port: int, store: Store, path: Path, session: str, count: int, with_alarms: bool) -> float:
    """Messages per second through the host's own connection, checks and store."""
    stop = threading.Event()
    with Store(path) as own:
        for table in ("readings", "rollups", "rollups_due"):
            own.db.execute(f"DELETE FROM {table}")
        clock = SystemClock()
        desk = alarms.build(own, config.Config(), clock, path.parent) if with_alarms else None
        service = Service(own, None, clock, desk)
        flush = service.flush

        def counted() -> int:
            done = flush()
            if service.inbox.stored["readings"] >= count:
                stop.set()
            return done

        service.flush = counted  # type: ignore[method-assign]
        bus = Bus(Address("127.0.0.1", port, access.HOST_USER, host_password(store)), session)
        start = time.perf_counter()
        bus.run(service, stop)
        rate = count / (time.perf_counter() - start)
        bus.close()
        assert own.reading_count() == count
    return rate


def main() -> None:
    """Run and print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--messages", type=int, default=40_000)
    options.add_argument("--frames", type=int, default=1)
    options.add_argument("--alarms", action="store_true", help="with the alarm engine judging every message")
    options.add_argument("--json", action="store_true")
    given = options.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="sashkeeper-bench-"))
    try:
        print(json.dumps(measure(folder, given), indent=None if given.json else 2))
    finally:
        shutil.rmtree(folder)


def measure(folder: Path, given: argparse.Namespace) -> dict[str, Any]:
    """Return the figures, all in messages per second."""
    path, port = folder / "sashkeeper.db", free_port()
    with Store(path) as store:
        names = [frames.add(store, f"f{n}", time.time()).id for n in range(given.frames)]
        count = given.messages // given.frames * given.frames
        mosquitto.write(store, folder / "broker", port=port)
        conf = folder / "broker" / "mosquitto.conf"
        conf.write_text(conf.read_text().replace("max_queued_messages 100000", "max_queued_messages 0"))
        with mosquitto.Mosquitto(folder / "broker", port):
            bare = [f"bare{n}" for n in range(ROUNDS)]
            own = [f"own{n}" for n in range(ROUNDS)]
            fill(port, store, bare + own, count, names)
            # In turn, so that a machine that slows down slows all three alike.
            rounds = [
                (bare_paho(port, store, a, count), bare_sqlite(folder, count),
                 stored(port, store, path, b, count, given.alarms))
                for a, b in zip(bare, own, strict=True)
            ]  # fmt: skip
    paho_rate, sqlite_rate, own_rate = (statistics.median(column) for column in zip(*rounds, strict=True))
    shares = sorted(own / min(paho, sqlite) for paho, sqlite, own in rounds)
    return {
        "messages": count, "frames": given.frames, "alarms": given.alarms,
        "bare_paho_per_s": round(paho_rate), "bare_sqlite_per_s": round(sqlite_rate), "stored_per_s": round(own_rate),
        "of_bare_paho": round(own_rate / paho_rate, 2), "of_slower": round(statistics.median(shares), 2),
        "of_slower_from_to": [round(shares[0], 2), round(shares[-1], 2)],
        "store_bytes_per_message": round(path.stat().st_size / count, 1),
    }  # fmt: skip


if __name__ == "__main__":
    main()
