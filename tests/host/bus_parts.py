"""What tests on real brokers share: a frame as the broker sees it, and the host in a thread."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from sashkeeper.clock import SystemClock
from sashkeeper.context import STORE_NAME
from sashkeeper.service import Service
from sashkeeper.store import Store
from sashkeeper.wire import access
from sashkeeper.wire.broker import host_password
from sashkeeper.wire.bus import Address, Bus
from sashkeeper.wire.outbox import Outbox


def until(holds: Callable[[], bool], wait_s: float = 10.0) -> None:
    """Wait for other threads and programs; fails when they do not get there."""
    end = time.monotonic() + wait_s
    while not holds():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


class Board:
    """A frame as the broker sees it: a plain MQTT client with the frame's account and last will."""

    def __init__(self, port: int, frame: str, password: str, client_id: str = "") -> None:
        self.frame = frame
        self.heard: list[tuple[str, bytes, bool]] = []
        self.acknowledged: list[int] = []
        self.answer = ""
        self.granted: list[int] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id or frame, clean_session=False)
        self.client.username_pw_set(frame, password)
        self.client.will_set(f"frames/{frame}/presence", self.presence(False), 1, True)
        self.client.on_connect = self._connected
        self.client.on_subscribe = self._subscribed
        self.client.on_message = lambda _c, _u, m: self.heard.append((m.topic, m.payload, bool(m.retain)))
        self.client.on_publish = lambda _c, _u, mid, *_: self.acknowledged.append(mid)
        self.client.connect("127.0.0.1", port, keepalive=10)
        self.client.loop_start()
        until(lambda: bool(self.answer))

    @staticmethod
    def presence(here: bool) -> str:
        return json.dumps({"v": 1, "here": here, "boot": 1, "time_s": int(time.time()), "position_permille": 0})

    def _connected(self, client: mqtt.Client, _u: Any, _f: Any, code: Any, _p: Any) -> None:
        self.answer = str(code)
        if not code.is_failure:
            client.subscribe([(f"frames/{self.frame}/settings/wanted", 1), (f"frames/{self.frame}/orders", 1)])

    def _subscribed(self, _c: Any, _u: Any, _m: Any, codes: Any, _p: Any) -> None:
        self.granted += [code.value for code in codes]

    def say(self, suffix: str, body: Any, retain: bool = False) -> mqtt.MQTTMessageInfo:
        """Publish. What is said on a broken line goes out later; then ask `acknowledged`: the answer only raises."""
        payload = body if isinstance(body, bytes | str) else json.dumps(body)
        return self.client.publish(f"frames/{self.frame}/{suffix}", payload, 1, retain)

    def vanish(self) -> None:
        """Lose the connection without a word."""
        sock: Any = self.client.socket()
        self.client.loop_stop()
        sock.close()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Host:
    """Service and connection in a thread, with a store of its own, as `serve` has them."""

    def __init__(self, path: Path, port: int, password: str) -> None:
        self.bus = Bus(Address("127.0.0.1", port, access.HOST_USER, password))
        self.stop = threading.Event()
        self.service: Any = None
        self._path = path
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        until(lambda: self.service is not None)

    def _run(self) -> None:
        with Store(self._path) as store:
            clock = SystemClock()
            service = Service(store, Outbox(store, clock, self.bus.publish), clock)
            service.pictures()  # a store serves its own thread alone: other threads look at what is loaded here
            self.service = service
            self.bus.run(service, self.stop, tick_s=0.05)

    def close(self) -> None:
        self.stop.set()
        self._thread.join(10)
        self.bus.close()


@contextmanager
def running(home: Path, port: int, store: Store) -> Iterator[Host]:
    host = Host(home / STORE_NAME, port, host_password(store))
    try:
        until(lambda: host.bus.connected)
        yield host
    finally:
        host.close()
