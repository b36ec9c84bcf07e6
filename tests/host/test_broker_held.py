"""The broker that comes along: retained messages go to who asked and may hear; acknowledged means stored."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sashkeeper import frames
from sashkeeper.clock import SystemClock
from sashkeeper.context import STORE_NAME
from sashkeeper.errors import StoreFull
from sashkeeper.store import Store
from sashkeeper.wire import access
from sashkeeper.wire.broker import EmbeddedBroker, host_password
from sashkeeper.wire.outbox import Outbox
from tests.host.bus_parts import Board, running, until

T0 = 1_770_724_800
Pack = Callable[..., bytes]
NAMES = tuple(f"f{n}" for n in range(8))


class Ear:
    """A client that subscribes to some filters and notes what it hears."""

    def __init__(self, port: int, user: str, password: str, client_id: str, filters: list[str]) -> None:
        self.heard: list[tuple[str, bool]] = []
        self.ready = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self.client.username_pw_set(user, password)
        self.client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bool(m.retain)))
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_connect = lambda c, *_: self._connected(c, filters)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self.ready.wait(10)

    def _connected(self, client: mqtt.Client, filters: list[str]) -> None:
        if filters:
            client.subscribe([(one, 1) for one in filters])
        else:
            self.ready.set()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def club(store: Store, home: Path) -> Iterator[tuple[int, dict[str, str]]]:
    """A running broker with eight frames that each left three retained messages: port and passwords."""
    passwords = {name: frames.mqtt_password(frames.add(store, name, T0)) for name in NAMES}
    passwords[access.HOST_USER] = host_password(store)
    with EmbeddedBroker(home / STORE_NAME, port=0) as broker:
        watcher = Ear(broker.port, access.HOST_USER, passwords[access.HOST_USER], "watcher", ["frames/+/#"])
        for name in NAMES:
            board = Ear(broker.port, name, passwords[name], name, [f"frames/{name}/orders"])
            for suffix in ("presence", "report", "settings/actual"):
                board.client.publish(f"frames/{name}/{suffix}", "{}", 1, True).wait_for_publish(5)
            board.close()
        yield broker.port, passwords
        watcher.close()


def test_a_log_in_brings_nothing(club: tuple[int, dict[str, str]]) -> None:
    """While the host hears all frames, another frame that logs in hears nothing that it did not subscribe to."""
    port, passwords = club
    for filters in ([], ["frames/f1/settings/wanted", "frames/f1/orders"], ["frames/f1/#"]):
        ear = Ear(port, "f1", passwords["f1"], "f1", filters)
        ear.client.publish("frames/f1/presence", "{}", 1).wait_for_publish(5)  # what came before it has arrived
        time.sleep(0.1)
        assert ear.heard == []
        ear.close()


@pytest.mark.parametrize("seed", range(2))
def test_everybody_hears_what_fits_and_nothing_else(club: tuple[int, dict[str, str]], seed: int) -> None:
    """Host programs with random filters, all at once: each hears the retained messages of its filters, no others."""
    port, passwords = club
    rng, password = random.Random(seed), passwords[access.HOST_USER]
    asked = [rng.choice([*(f"frames/{n}/#" for n in NAMES), "frames/+/report", "frames/f2/settings/+", "frames/#"])
             for _ in range(12)]  # fmt: skip
    ears: list[Ear] = []

    def listen(n: int, a_filter: str) -> None:
        ears.append(Ear(port, access.HOST_USER, password, f"program{n}", [a_filter]))
        ears[-1].client.user_data_set(a_filter)

    threads = [threading.Thread(target=listen, args=one) for one in enumerate(asked)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(20)
    topics = [f"frames/{n}/{s}" for n in NAMES for s in ("presence", "report", "settings/actual")]
    for ear in ears:
        a_filter: Any = ear.client.user_data_get()
        want = sorted((t, True) for t in topics if mqtt.topic_matches_sub(a_filter, t))
        until(lambda ear=ear, want=want: len(ear.heard) >= len(want))  # type: ignore[misc]
    time.sleep(0.1)  # real time for what should not come
    for ear in ears:
        a_filter = ear.client.user_data_get()
        assert sorted(ear.heard) == sorted((t, True) for t in topics if mqtt.topic_matches_sub(a_filter, t)), a_filter
        ear.close()


def test_nobody_misses_a_message_while_others_subscribe(club: tuple[int, dict[str, str]]) -> None:
    """Subscriptions that come and go while messages pass cost no listener a message."""
    port, passwords = club
    password = passwords[access.HOST_USER]
    ear = Ear(port, access.HOST_USER, password, "steady", ["frames/f0/readings"])
    stop = threading.Event()

    def come_and_go(n: int) -> None:
        k = 0
        while not stop.is_set():
            k += 1
            Ear(port, access.HOST_USER, password, f"guest{n}-{k}", [f"frames/f{n}/x{k}", f"frames/x{n}/{k}"]).close()

    guests = [threading.Thread(target=come_and_go, args=(n,)) for n in range(3)]
    for one in guests:
        one.start()
    board = Ear(port, "f0", passwords["f0"], "f0", [])
    last = None
    for _ in range(1500):
        last = board.client.publish("frames/f0/readings", "x", 1)
    assert last is not None
    last.wait_for_publish(30)
    stop.set()
    for one in guests:
        one.join(20)
    until(lambda: len(ear.heard) >= 1500)
    assert ear.heard == [("frames/f0/readings", False)] * 1500
    board.close()
    ear.close()


def test_acknowledged_means_stored(
    store: Store, home: Path, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a host that cannot store, a frame gets no acknowledgement; once it can, the row is there, once."""
    monkeypatch.setattr("sashkeeper.wire.bus.STORE_RETRY_S", 0.05)
    full, refusals = threading.Event(), []
    full.set()
    real = Store.add_readings

    def add(self: Store, batch: Any) -> int:
        if full.is_set() and batch:
            refusals.append(len(batch))
            raise StoreFull("No space is left.")
        return real(self, batch)

    monkeypatch.setattr(Store, "add_readings", add)
    with EmbeddedBroker(home / STORE_NAME, port=0, wait_for_host=True) as broker, running(home, broker.port, store):
        broker.host_is_here(True)
        board = Board(broker.port, "north", frames.mqtt_password(store.frame("north")))
        sent = board.say("readings", pack("north", 1, 0, T0, air=1))
        until(lambda: len(refusals) > 3)
        assert sent.mid not in board.acknowledged
        assert store.reading_count() == 0
        full.clear()
        until(lambda: sent.mid in board.acknowledged)
        assert store.reading_count() == 1
        # What a frame may not say is not stored, and does not hold up what it may.
        board.client.publish("frames/other/readings", pack("north", 1, 1, T0, air=1), 1).wait_for_publish(5)
        board.say("readings", pack("north", 1, 2, T0 + 60, air=1)).wait_for_publish(5)
        assert store.reading_count() == 2
        board.close()


def test_without_a_host_a_frame_keeps_what_it_has(store: Store, home: Path, pack: Pack) -> None:
    """The host goes away under a connected frame: no acknowledgement, the line is closed; back again, all is there."""
    with EmbeddedBroker(home / STORE_NAME, port=0, wait_for_host=True) as broker:
        with running(home, broker.port, store):
            broker.host_is_here(True)
            board = Board(broker.port, "north", frames.mqtt_password(store.frame("north")))
            board.say("readings", pack("north", 1, 0, T0, air=1)).wait_for_publish(5)
        broker.host_is_here(False)
        # The line may be down before, among or after these; the frame cannot know, and neither does the test.
        sent = {board.say("readings", pack("north", 1, n, T0 + n, air=1)).mid for n in range(1, 30)}
        until(lambda: not board.client.is_connected())
        assert not sent.intersection(board.acknowledged)
        with running(home, broker.port, store):
            broker.host_is_here(True)
            until(lambda: sent.issubset(board.acknowledged), 20)
            assert store.reading_count() == 30
        board.close()


def test_last_will_orders_and_retained_settings_pass_as_ever(store: Store, home: Path) -> None:
    """With acknowledgements held back: a vanished frame's will arrives, and what the host sends reaches the frame."""
    with EmbeddedBroker(home / STORE_NAME, port=0, wait_for_host=True) as broker:
        with running(home, broker.port, store) as host:
            broker.host_is_here(True)
            password = frames.mqtt_password(store.frame("north"))
            board = Board(broker.port, "north", password)
            board.say("presence", board.presence(True), retain=True).wait_for_publish(5)
            until(lambda: host.service.live("north").here is True)
            outbox = Outbox(store, SystemClock(), host.bus.publish)
            outbox.publish_order("north", "locate")
            outbox.publish_wanted("north", {"open_mdegc": 16000}, "test")
            until(lambda: len(board.heard) == 2)
            assert sorted(t for t, _, _ in board.heard) == ["frames/north/orders", "frames/north/settings/wanted"]
            board.vanish()
            until(lambda: host.service.live("north").here is False)
            again = Board(broker.port, "north", password)
            until(lambda: bool(again.heard))
            assert [(t, kept) for t, _, kept in again.heard] == [("frames/north/settings/wanted", True)]
            again.close()
        with running(home, broker.port, store) as host:
            until(lambda: host.service.live("north").here is False)
