"""The host: ingest against its bare parts, several ingesters, thousands of frames, charts, size, time to an alert.

Real Mosquitto and real processes on loopback; frames are publishers without firmware.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from sashkeeper import alarms, config, frames
from sashkeeper.alarms.rules import Rules, Wishes
from sashkeeper.clock import SetClock, SystemClock
from sashkeeper.notify import Notifier, Worker, check_channels
from sashkeeper.service import Service
from sashkeeper.store import Reading, Store
from sashkeeper.wire import access, mosquitto
from sashkeeper.wire.broker import free_port, host_password
from sashkeeper.wire.bus import Address, Bus
from tests.bench import ingest, ingesters
from tests.bench.figure import Figure, Skipped
from tests.host.page_web import Web, set_passphrase

MESSAGES = 20_000
MEMBER_MESSAGES = 40_000  # enough that the start of the last program weighs little
MEMBERS, MEMBER_ROUNDS = (1, 2, 4), 3
CLUB_FRAMES, CLUB_MINUTES = 5_000, 1
INCIDENTS, EVERY_S, SETTLE_S = 1_000, 0.05, 5.0
SEASON_DAYS = 150


def figures() -> Iterator[Figure]:
    """Measure."""
    if shutil.which("mosquitto") is None and shutil.which("mosquitto", path="/usr/sbin") is None:
        raise Skipped("Mosquitto is not installed")
    for part in (_ingest, _members, _club, _season, _alerts):
        with tempfile.TemporaryDirectory(prefix="sashkeeper-bench-") as folder:
            yield from part(Path(folder))


def _ingest(folder: Path) -> Iterator[Figure]:
    for n, (with_alarms, count) in enumerate(((False, 1), (True, 1), (True, 50))):
        given = argparse.Namespace(messages=MESSAGES, frames=count, alarms=with_alarms)
        home = folder / str(n)
        home.mkdir()
        found = ingest.measure(home, given)
        slower = found["stored_per_s"] / found["of_slower"]
        what = f"ingest, {count} frames, alarms {'on' if with_alarms else 'off'}"
        low, high = found["of_slower_from_to"]
        note = (f"medians of {ingest.ROUNDS} rounds in turn, ratio {low} to {high}; bare paho "
                f"{found['bare_paho_per_s']}, bare sqlite {found['bare_sqlite_per_s']}")  # fmt: skip
        yield Figure(what, found["stored_per_s"], "messages/s", slower, at_least=0.7, note=note)


def _members(folder: Path) -> Iterator[Figure]:
    """Rounds of 1, 2 and 4 in turn; each is held against the single one of its own round."""
    rates: dict[int, list[float]] = {members: [] for members in MEMBERS}
    lost, faults = 0, []
    for n in range(MEMBER_ROUNDS):
        for members in MEMBERS:
            home = folder / f"{n}-{members}"
            home.mkdir()
            done = ingesters.backlog(home, members, 4, MEMBER_MESSAGES // 4)
            rates[members].append(done.published / done.took_s)
            lost, faults = lost + done.published - done.stored, faults + done.faults
    for members, found in rates.items():
        shares = sorted(a / b for a, b in zip(found, rates[1], strict=True))
        middle = statistics.median(found)
        note = f"{MEMBER_ROUNDS} rounds, ratio {shares[0]:.2f} to {shares[-1]:.2f}; lost {lost}, faults {faults}"
        yield Figure(f"ingesters: {members}", middle, "messages/s", middle / statistics.median(shares), note=note)


def _club(folder: Path) -> Iterator[Figure]:
    """5,000 frames at a reading a minute, paced over a minute, into a whole keeper (store, alarms, roll-ups)."""
    path, port = folder / "sashkeeper.db", free_port()
    with Store(path) as store:
        with store.transaction():
            names = [frames.add(store, f"f{n}", time.time()).id for n in range(CLUB_FRAMES)]
        with _broker(store, folder, port, publish_all=True):
            publisher = threading.Thread(target=_pace, args=(port, names))
            stop = threading.Event()
            service = Service(store, None, SystemClock(), alarms.build(store, config.Config(), SystemClock(), folder))
            bus = Bus(Address("127.0.0.1", port, access.HOST_USER, host_password(store)))
            want = CLUB_FRAMES * CLUB_MINUTES

            def count_down() -> None:
                publisher.join()
                end = time.monotonic() + 20
                while service.inbox.stored["readings"] < want and time.monotonic() < end:
                    time.sleep(0.05)
                stop.set()

            bus.connect()
            publisher.start()
            threading.Thread(target=count_down).start()
            began, cpu = time.perf_counter(), time.thread_time()
            bus.run(service, stop)
            took_s, busy_s = time.perf_counter() - began, time.thread_time() - cpu
            bus.close()
        lost = want - store.reading_count()
        yield Figure(f"{CLUB_FRAMES} frames, a reading a minute: share of one core", busy_s / took_s, "of a core",
                     at_most=0.8, note=f"{took_s:.0f} s, lost {lost}; first judging included")  # fmt: skip


def _pace(port: int, names: list[str]) -> None:
    board = ingest.client(port, "bench", "bench-only", "bench")
    board.loop_start()
    began, now_s, said = time.monotonic(), int(time.time()), []
    for minute in range(CLUB_MINUTES):
        for n, name in enumerate(names):
            due = 60 * (minute + n / len(names))
            if (ahead := due - (time.monotonic() - began)) > 0.02:
                time.sleep(ahead)
            said.append(board.publish(f"frames/{name}/readings", ingest.pack(name, minute, now_s + int(due)), 1))
    # Closing with acknowledgements unread resets the connection; the broker then gives up at its next
    # acknowledgement and never reads what came after it: a row that was never published, not a lost one.
    for one in said:
        one.wait_for_publish(30)
    board.disconnect()
    board.loop_stop()


def _broker(store: Store, folder: Path, port: int, publish_all: bool = False) -> mosquitto.Mosquitto:
    mosquitto.write(store, folder / "broker", port=port)
    if publish_all:  # one publisher for thousands of frames: an account that only this bench has
        with (folder / "broker" / "passwords").open("a") as out:
            out.write(mosquitto.password_line("bench", "bench-only") + "\n")
        with (folder / "broker" / "access").open("a") as out:
            out.write("\nuser bench\ntopic write frames/#\n")
    return mosquitto.Mosquitto(folder / "broker", port)


def _season(folder: Path) -> Iterator[Figure]:
    """A season of minute readings: size, and the data of its chart."""
    path, start = folder / "sashkeeper.db", 1_759_276_800  # 1 October, so that the growing year holds all of it
    values = [{"air": 10 + n % 97 / 10, "soil": 8 + n % 41 / 10, "outside": n % 83 / 10, "lid": n % 11 / 10,
               "target": n % 11 / 10, "battery": 12.6, "air2": 10 + n % 89 / 10, "current": 0.0}
              for n in range(9973)]  # fmt: skip
    total = SEASON_DAYS * 1440
    with Store(path) as store:
        name = frames.add(store, "north", start).id
        for first in range(0, total, 5000):
            store.add_readings([Reading(name, 1, n, start + 60 * n, values[n % 9973])
                                for n in range(first, min(total, first + 5000))])  # fmt: skip
        while store.roll_up(start + 60 * total + 7200, 100_000):
            pass
        store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        yield Figure("store, one frame-winter of minute readings", path.stat().st_size, "bytes",
                     note=f"{path.stat().st_size / total:.1f} bytes a pack of 8 values, roll-ups included")  # fmt: skip
    metrics = ("air", "soil", "outside", "lid")
    with Store(path) as store:
        times = []
        for _ in range(6):
            began = time.perf_counter()
            got = store.rolls(name, metrics, start, start + 60 * total, 3600)
            times.append(1000 * (time.perf_counter() - began))
        assert len(got["air"]) >= SEASON_DAYS * 24
    yield Figure("season chart data, first call", times[0], "ms")
    yield Figure("season chart data, later calls", statistics.median(times[1:]), "ms", at_most=100)
    yield from _season_page(folder, f"/frame/{name}/season", start + 60 * total)


def _season_page(folder: Path, path: str, now_s: int) -> Iterator[Figure]:
    """The whole page with the season's charts drawn, asked for as a browser does but without a network."""
    web = Web(folder, SetClock(now_s))
    set_passphrase(web)
    web.sign_in()
    times = []
    for _ in range(6):
        began = time.perf_counter()
        answer = web.get(path)
        times.append(1000 * (time.perf_counter() - began))
        assert answer.text.count("<svg") == 2
        assert re.search(rf"{SEASON_DAYS} days with readings", answer.text), answer.text[:2000]
    web.close()
    yield Figure("season page, first call", times[0], "ms")
    yield Figure("season page, later calls", statistics.median(times[1:]), "ms", at_most=100)


def _alerts(folder: Path) -> Iterator[Figure]:
    """From publishing the fault that completes the evidence to the message leaving, over a real broker."""
    path, port = folder / "sashkeeper.db", free_port()
    phone = _Phone()
    settings = config.Config(channels=[config.Channel(name="phone", url=f"json://127.0.0.1:{phone.server_port}/")])
    with Store(path) as store:
        with store.transaction():
            added = [frames.add(store, f"f{n}", time.time()) for n in range(INCIDENTS)]
        left = phone.left
        clock, stop = SystemClock(), threading.Event()
        sender = Worker(lambda: Store(path), settings.channels, clock)
        desk = alarms.build(store, settings, clock, folder, Notifier(store, settings.channels, clock, wake=sender.wake))
        desk.wishes = _NoStorm()
        check_channels(settings.channels)  # as serve does at its start; loads the sending library
        sender.start()
        service = Service(store, None, clock, desk)
        with _broker(store, folder, port, publish_all=True):
            bus = Bus(Address("127.0.0.1", port, access.HOST_USER, host_password(store)))
            bus.connect()
            said: dict[str, float] = {}
            worker = threading.Thread(target=_break, args=(port, [f.id for f in added], said, left, stop))
            worker.start()
            bus.run(service, stop, 0.5)
            worker.join()
            bus.close()
        sender.stop()
        phone.shutdown()
        phone.server_close()
        times = sorted(1000 * (left[f] - said[f]) for f in left)
        if len(times) < 100:
            raise Skipped(f"only {len(times)} of {INCIDENTS} incidents were told")
        middle = statistics.median(times)
        note = f"{len(times)} of {INCIDENTS}, p50 {middle:.0f} ms, no storm limit; up to the phone's service"
        yield Figure("alert, evidence complete to message, p99", times[int(0.99 * len(times))], "ms",
                     at_most=1000, note=note)  # fmt: skip


class _NoStorm(Wishes):
    """The limit on single messages lifted, which else would group all but six in ten minutes."""

    def rules(self, local_offset_s: float = 0.0, second_channel: bool = True) -> Rules:
        usual = super().rules(local_offset_s, second_channel)
        return replace(usual, storm_singles=10**6, storm_total=10**6, group_from=10**6)


class _Phone(ThreadingHTTPServer):
    """A service that takes messages and notes when the first about each frame came."""

    def __init__(self) -> None:
        self.left: dict[str, float] = {}
        left = self.left

        class Take(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                found = re.search(r"\bf\d+\b", body)
                if found:
                    left.setdefault(found[0], time.perf_counter())
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Silent."""

        super().__init__(("127.0.0.1", 0), Take)
        threading.Thread(target=self.serve_forever, daemon=True).start()


def _break(port: int, names: list[str], said: dict[str, float], left: dict[str, float], stop: threading.Event) -> None:
    board = ingest.client(port, "bench", "bench-only", "bench")
    board.loop_start()
    time.sleep(SETTLE_S)  # a keeper that runs has looked at all its frames
    now_s = int(time.time())
    for name in names:
        board.publish(f"frames/{name}/readings", json.dumps([
            {"bn": f"{name}/", "bt": now_s, "n": "seq", "u": "count", "v": 0}, {"n": "boot", "u": "count", "v": 1},
            {"n": "air", "u": "Cel", "v": 24.0}, {"n": "lid", "u": "/", "v": 0.0}]), 1)  # fmt: skip
        event = {"v": 1, "boot": 1, "seq": 0, "time_s": now_s, "kind": "fault", "fault": "stuck-shut", "detail": ""}
        said[name] = time.perf_counter()
        board.publish(f"frames/{name}/events", json.dumps(event), 1)
        time.sleep(EVERY_S)
    end = time.monotonic() + 10
    while len(left) < len(names) and time.monotonic() < end:
        time.sleep(0.01)
    board.disconnect()
    board.loop_stop()
    stop.set()
