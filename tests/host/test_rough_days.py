"""Broker restarts, an hour without the time-series server, a clock set back: nothing lost uncounted, nothing twice."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from sashkeeper import alarms, config, frames, influx
from sashkeeper.clock import SetClock
from sashkeeper.config import Channel, Influx
from sashkeeper.context import STORE_NAME
from sashkeeper.notify import PAUSES_S, SENT, WAITING, Notifier
from sashkeeper.service import Service
from sashkeeper.store import Reading, Store
from sashkeeper.wire import mosquitto
from sashkeeper.wire.broker import free_port
from sashkeeper.wire.inbox import BATCH
from tests.host.bus_parts import Board, running, until
from tests.host.test_influx import export, server

T0 = 1_770_724_800
Pack = Callable[..., bytes]
HOUR_S = 3600.0


# -- the broker ------------------------------------------------------------------------------------


@contextmanager
def restless(home: Path, store: Store) -> Iterator[tuple[mosquitto.Mosquitto, int]]:
    """A Mosquitto that the test restarts."""
    port = free_port()
    mosquitto.write(store, home / "broker", port=port)
    broker = mosquitto.Mosquitto(home / "broker", port)
    broker.start()
    yield broker, port
    broker.stop()


@pytest.mark.system
@pytest.mark.parametrize("kill", [False, True], ids=["stopped", "killed"])
def test_broker_restarts_under_load(
    store: Store, home: Path, pack: Pack, kill: bool, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    """Eight restarts while messages pour in. Stopped: all rows are there. Killed: what is missing is counted."""
    request.getfixturevalue("mosquitto")
    monkeypatch.setattr("sashkeeper.wire.bus.RETRY_S", (0.05, 0.2))
    with restless(home, store) as (broker, port), running(home, port, store):
        board = Board(port, "north", frames.mqtt_password(store.frame("north")))
        board.client.reconnect_delay_set(1, 1)
        board.say("readings", pack("north", 1, 0, T0, air=1))
        until(lambda: store.reading_count() == 1)
        for part in range(9):
            for n in range(part * 250, (part + 1) * 250):
                board.say("readings", pack("north", 1, n + 1, T0 + n + 1, air=1))
            if part < 8:
                time.sleep(0.02 * part)  # a real broker goes away at a real moment
                broker.stop(kill=kill)
                broker.start()
        until(lambda: len(board.acknowledged) == 2251, 60)
        # What a killed broker lost last, while the host was away too, the next reading that arrives makes known.
        said = 2251
        while store.reading_count() + store.missing("north", 0) < said:
            assert said < 2350, (store.reading_count(), store.missing("north", 0))
            board.say("readings", pack("north", 1, said, T0 + said, air=1))
            said += 1
            time.sleep(0.2)
        board.close()
    assert store.reading_count() + store.missing("north", 0) == said
    if not kill:
        assert store.missing("north", 0) == 0
    assert store.integrity() == []


# -- the time-series server ------------------------------------------------------------------------


@pytest.mark.system
def test_an_hour_without_the_time_series_server(
    store: Store, home: Path, victoria_metrics: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worker copies; the server goes away for an hour of 20 frames; back again, it has each reading once."""
    monkeypatch.setattr(influx, "PAUSE_S", (0.05, 0.3))
    monkeypatch.setattr(influx, "TIMEOUT_MS", 2000)
    names = ["north", *(f"f{n}" for n in range(19))]
    for n, name in enumerate(names[1:]):
        store.frame_add(name, bytes([n]) * 32, T0)
    store.copying = True

    def hour(first: int) -> None:
        store.add_readings([Reading(name, 1, n, T0 + 60 * n, {"air": n / 16}) for n in range(first, first + 60)
                            for name in names])  # fmt: skip

    port = free_port()
    worker = influx.CopyWorker(lambda: Store(home / STORE_NAME), Influx(url=f"http://127.0.0.1:{port}"))
    with server(victoria_metrics, tmp_path / "vm", port):
        worker.start()
        hour(0)
        until(lambda: store.copies_count() == 0, 20)
    hour(60)
    assert store.copies_count() == 1200
    with server(victoria_metrics, tmp_path / "vm", port):
        hour(120)
        until(lambda: store.copies_count() == 0, 30)
        got = export(port)["reading_air"]
    worker.stop()
    assert got == {T0 + 60 * n: pytest.approx(n / 16, abs=0.0006) for n in range(180)}
    assert store.integrity() == []


# -- the clock -------------------------------------------------------------------------------------


class House:
    """Service, alarms and a phone in one thread, on a clock that the test sets."""

    def __init__(self, store: Store, home: Path, clock: SetClock) -> None:
        self.store, self.clock = store, clock
        self.told: list[str] = []
        self.refuse = False
        channels = [Channel(name="phone", url="json://127.0.0.1:1/")]
        self.notifier = Notifier(store, channels, clock, sender=self._send)
        desk = alarms.build(store, config.Config(channels=channels), clock, home, self.notifier)
        self.service = Service(store, None, clock, desk, self.notifier)
        self.seq = 0

    def _send(self, _url: str, title: str, _body: str) -> str:
        if self.refuse:
            return "nothing answers at that address"
        self.told.append(title)
        return ""

    def minute(self, pack: Pack, stuck: bool) -> None:
        """A minute passes: the frame, whose clock is right, reports; the host looks."""
        self.clock.advance(60)
        self.seq += 1
        self.service.on_message("frames/north/readings", pack("north", 1, self.seq, None, air=24.0, lid=0.0))
        kind = "fault" if stuck else "cleared"
        event = f'{{"v":1,"boot":1,"seq":{self.seq},"time_s":null,"kind":"{kind}","fault":"stuck-shut","detail":""}}'
        self.service.on_message("frames/north/events", event.encode())
        self.service.tick()


@pytest.fixture
def house(store: Store, home: Path, clock: SetClock) -> House:
    """A household whose lid is stuck, and whose phone was told."""
    return House(store, home, clock)


def test_a_fault_in_a_backlog_is_told_although_serve_dies_before_it_judges(
    house: House, store: Store, home: Path, clock: SetClock, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Full batches are acknowledged before they are judged: what such a kill leaves behind rings after the start."""
    monkeypatch.setattr("sashkeeper.service.JUDGE_AGAIN_S", 1e9)
    fault = b'{"v":1,"boot":1,"seq":0,"time_s":null,"kind":"fault","fault":"stuck-shut","detail":""}'
    for batch in range(3):
        for n in range(BATCH):
            if (batch, n) == (1, BATCH // 2):
                house.service.take("frames/north/events", fault)
            else:
                house.service.take("frames/north/readings", pack("north", 1, BATCH * batch + n, None, air=24.0))
        house.service.flush()
    assert house.told == []
    again = House(store, home, clock)
    again.service.tick()
    assert again.told == ["Urgent: North frame: lid stuck, bed heating"]


@pytest.mark.parametrize("back_s", [600.0, 2 * HOUR_S, 400 * 86_400.0])
def test_a_clock_set_back_loses_no_row_and_repeats_no_alert(
    house: House, store: Store, clock: SetClock, pack: Pack, back_s: float
) -> None:
    """Rows go on being stored, each once; the standing alarm is not told anew; its end is told."""
    for _ in range(5):
        house.minute(pack, stuck=True)
    alerts = [t for t in house.told if "stuck" in t]
    assert len(alerts) == 1
    clock.advance(-back_s)
    for _ in range(8):
        house.minute(pack, stuck=True)
    assert store.reading_count() == house.seq
    assert [t for t in house.told if "stuck" in t] == alerts
    assert len(store.alarm_list(kind="stuck-shut")) == 1
    for _ in range(20):
        house.minute(pack, stuck=False)
    assert store.alarm_list(kind="stuck-shut")[0].state == "returned-unacknowledged"
    assert len([t for t in house.told if t.startswith("All clear")]) == 1, house.told
    assert store.reading_count() == house.seq
    assert store.integrity() == []


@pytest.mark.parametrize("tries", [0, 3])
def test_a_message_does_not_wait_for_the_clock_to_catch_up(
    house: House, store: Store, clock: SetClock, tries: int
) -> None:
    """A message written before the clock was set back goes out at once, or after its own pause, not hours later."""
    house.refuse = True
    house.notifier.put("Urgent: lid stuck", "Lift it.", ["phone"])
    for n in range(tries):
        house.notifier.run_due()
        clock.advance(PAUSES_S[n] if n < tries - 1 else 0)
    house.refuse = False
    clock.advance(-2 * HOUR_S)
    if tries:
        assert store.delivery_list(state=WAITING)[0].tries == tries
    house.notifier.run_due()
    assert [d.state for d in store.delivery_list()] == [SENT]


# -- missing numbers -------------------------------------------------------------------------------


def test_missing_numbers_are_counted_and_shown(store: Store, clock: SetClock, run: Callable[..., Any]) -> None:
    """Numbers skipped within a start of a frame are readings that are not here; a new start is no gap."""
    now_s = int(clock.now_s())
    seqs = [(1, n) for n in range(5)] + [(2, n) for n in (0, 1, 4, 5, 9)]
    store.add_readings([Reading("north", boot, n, now_s - 600 + 60 * boot + n, {"air": 1.0}) for boot, n in seqs])
    assert store.missing("north", 0) == 5
    assert store.missing("north", now_s + 1) == 0
    assert "5 readings of the last week are missing" in run("status").output
    store.add_readings([Reading("north", 2, n, now_s - 480 + n, {"air": 1.0}) for n in (2, 3, 6, 7, 8)])
    assert store.missing("north", 0) == 0
    assert "missing" not in run("status").output
