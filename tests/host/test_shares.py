"""Several ingesters on one shared subscription and one store: nothing lost, nothing twice, whoever is killed."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from sashkeeper.context import STORE_NAME
from sashkeeper.errors import StoreBusy
from sashkeeper.store import Store
from sashkeeper.wire.inbox import Inbox
from tests.bench.ingesters import Club, backlog

T0 = 1_770_724_800


@pytest.mark.system
@pytest.mark.parametrize("members", [1, 2, 4])
def test_every_row_once(tmp_path: Path, members: int, mosquitto: object) -> None:
    """A backlog is stored by 1, 2 or 4 ingesters: rows stored = rows published, by sequence, none twice."""
    done = backlog(tmp_path, members, 4, 500)
    assert (done.stored, done.by_sequence, done.faults) == (2000, 0, [])


@pytest.mark.system
def test_one_of_two_killed(tmp_path: Path, mosquitto: object) -> None:
    """kill -9 of one ingester, three times surely while messages come: rows stored = rows published, none twice."""
    club, each, rounds, in_time = Club(tmp_path, 3), 500, 0, 0
    try:
        for name in ("a", "b"):
            club.start("ingest", name)
        with Store(tmp_path / STORE_NAME) as store:
            while in_time < 3:
                assert rounds < 12, "the kills came too late to prove anything"
                publisher = threading.Thread(target=club.publish, args=(each * rounds, each * (rounds + 1)))
                publisher.start()
                club.wait_for(3 * each * rounds + 100, store)
                club.stop("a", kill=True)
                rounds += 1
                in_time += store.reading_count() < 3 * each * rounds
                club.start("ingest", "a")
                publisher.join()
            club.wait_for(3 * each * rounds, store)
        done = club.judge(each * rounds, 0.0)
        assert (done.stored, done.by_sequence, done.faults) == (3 * each * rounds, 0, [])
    finally:
        club.close()


@pytest.mark.system
def test_alarms_alone_store_no_rows_but_the_latest(
    tmp_path: Path, pack: Callable[..., bytes], mosquitto: object
) -> None:
    """`--only alarms` leaves rows to the ingesters, keeps presence itself, and raises the alarm of a jam."""
    from tests.bench.ingest import client

    club = Club(tmp_path, 1)
    try:
        club.start("alarms")
        board = client(club.port, "f0", club.passwords["f0"], "f0")
        board.loop_start()
        now_s = int(time.time())
        board.publish("frames/f0/presence", f'{{"v":1,"here":true,"boot":1,"time_s":{now_s}}}', 1, retain=True)
        board.publish("frames/f0/readings", pack("f0", 1, 0, now_s, air=21), 1)
        event = f'{{"v":1,"boot":1,"seq":0,"time_s":{now_s},"kind":"fault","fault":"stuck-shut","detail":""}}'
        board.publish("frames/f0/events", event, 1).wait_for_publish(10)
        with Store(tmp_path / STORE_NAME) as store:
            end = time.monotonic() + 10
            while not store.alarm_list(kind="stuck-shut") and time.monotonic() < end:
                time.sleep(0.02)
            assert [a.frame for a in store.alarm_list(kind="stuck-shut")] == ["f0"]
            assert store.get_latest("f0", "presence") is not None
            assert store.reading_count() == 0
            assert store.events("f0") == []
            club.start("ingest", "late")
            board.publish("frames/f0/readings", pack("f0", 1, 1, now_s + 60, air=22), 1).wait_for_publish(10)
            club.wait_for(1, store)
            assert store.reading_count() == 1
        board.disconnect()
        board.loop_stop()
    finally:
        club.close()


@pytest.mark.system
def test_a_killed_watcher_tells_an_incident_once(tmp_path: Path, mosquitto: object) -> None:
    """kill -9 of the alarms process after it has told: started again, hearing the fault again, it is one alarm."""
    from tests.bench.ingest import client

    club = Club(tmp_path, 1)
    try:
        club.start("alarms")
        board = client(club.port, "f0", club.passwords["f0"], "f0")
        board.loop_start()
        now_s = int(time.time())
        event = f'{{"v":1,"boot":1,"seq":0,"time_s":{now_s},"kind":"fault","fault":"stuck-shut","detail":""}}'
        with Store(tmp_path / STORE_NAME) as store:
            for _ in range(3):
                board.publish("frames/f0/events", event, 1).wait_for_publish(10)
                end = time.monotonic() + 10
                while not store.alarm_list() and time.monotonic() < end:
                    time.sleep(0.02)
                club.stop("alarms", kill=True)
                club.start("alarms")
            board.publish("frames/f0/events", event, 1).wait_for_publish(10)
            time.sleep(0.7)  # a tick of the real process
            assert [(a.frame, a.kind) for a in store.alarm_list()] == [("f0", "stuck-shut")]
            assert store.integrity() == []
        board.disconnect()
        board.loop_stop()
    finally:
        club.close()


def test_a_wiped_board_loses_no_row(tmp_path: Path, pack: Callable[..., bytes]) -> None:
    """A board that counts from 1 again may outrun the word of its start: its readings wait and are all stored."""
    with Store(tmp_path / "s.db") as store, Store(tmp_path / "s.db") as other:
        store.frame_add("north", bytes(32), T0)
        store.saw_boot("north", 3)
        inbox = Inbox(store, in_order=False)
        inbox.take("frames/north/readings", pack("north", 1, 0, T0, air=1), T0)
        inbox.flush()
        inbox.take("frames/north/readings", pack("north", 1, 0, T0 + 9000, air=2), T0 + 9000)
        with pytest.raises(StoreBusy, match="fresh start"):
            inbox.flush()
        other.saw_boot("north", 1)  # what the watching process does on hearing the presence
        inbox.flush()
        assert store.reading_count() == 2


def test_a_number_that_stays_taken_is_counted(tmp_path: Path, pack: Callable[..., bytes]) -> None:
    """Without word of a fresh start the second row of a number is refused once, counted, and holds nobody up."""
    with Store(tmp_path / "s.db") as store:
        store.frame_add("north", bytes(32), T0)
        inbox = Inbox(store, in_order=False)
        for at_s in (T0, T0 + 60):
            inbox.take("frames/north/readings", pack("north", 1, 0, at_s, air=1), at_s)
        with pytest.raises(StoreBusy):
            inbox.flush()
        inbox.flush()
        assert store.reading_count() == 1
        assert inbox.refused["number-taken"] == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--only", "ingest"], "needs a broker of its own"),
        (["--only", "alarms"], "needs a broker of its own"),
        (["--only", "ingest", "--name", "A b"], "cannot name an ingester"),
    ],
)
def test_what_cannot_be_split_is_said(home: Path, words: list[str], says: str) -> None:
    """One clear sentence, code 2, nothing started."""
    command = [sys.executable, "-m", "sashkeeper", "--home", str(home), "serve", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
