"""Every account against every topic, on both brokers: who hears whom, live and retained."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sashkeeper import frames as registry
from sashkeeper.context import STORE_NAME
from sashkeeper.store import Store
from sashkeeper.wire import mosquitto
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import EmbeddedBroker, free_port, host_password

pytestmark = pytest.mark.system

# The agreed rule, written out here and not read from the code under test.
FROM_FRAME = ("presence", "readings", "report", "events", "settings/actual", "orders/answer", "update/answer")
FROM_HOST = ("settings/wanted", "orders", "update")
ODD = ("frames/north", "frames/north/else", "frames/north/orders/else", "frames/nobody/report", "north/orders", "else",
       "frames//orders", "frames/north/Orders", "frames/north/orders/", "frames/sashkeeper-host/report")  # fmt: skip
FILTERS = ("#", "frames/#", "frames/+/#", "+/+/#", "frames/+/orders", "frames/+/readings", "$SYS/#", "+", "/#")
FRAMES = ("north", "south")
TOPICS = tuple(f"frames/{f}/{s}" for f in FRAMES for s in FROM_FRAME + FROM_HOST) + ODD
WAIT_S = 20.0


def may(sender: str, receiver: str, topic: str) -> bool:
    """Whether a message of `sender` on `topic` may reach `receiver`."""
    parts = topic.split("/", 2)
    if len(parts) != 3 or parts[1] not in FRAMES:
        return False
    frame, suffix = parts[1], parts[2]
    spoken = suffix in FROM_HOST if sender == HOST_USER else sender == frame and suffix in FROM_FRAME
    heard = receiver == HOST_USER or (receiver == frame and suffix in FROM_HOST)
    return spoken and heard


class Account:
    """A client that asks for everything, topic by topic and by every filter, and keeps what it gets."""

    def __init__(self, user: str, password: str, port: int, client_id: str) -> None:
        self.user = user
        self.got: set[tuple[str, str, bool]] = set()  # (topic, sender named in the payload, retained)
        self.lock = threading.Lock()
        self.acked = self.granted = 0
        self.code: Any = None
        self.answered = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        if user:
            self.client.username_pw_set(user, password)
        self.client.on_connect = self._connected
        self.client.on_message = self._message
        self.client.on_publish = self._published
        self.client.on_subscribe = self._subscribed
        self.client.max_inflight_messages_set(1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self.answered.wait(5.0)

    def _connected(self, _c: Any, _u: Any, _f: Any, code: Any, _p: Any = None) -> None:
        self.code = code
        self.answered.set()

    def _message(self, _c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
        with self.lock:
            self.got.add((message.topic, message.payload.decode(), bool(message.retain)))

    def _published(self, *_: Any) -> None:
        self.acked += 1

    def _subscribed(self, *_: Any) -> None:
        self.granted += 1

    def listen(self) -> None:
        """Ask for each topic and each filter, one at a time so that one refusal hides no other; returns when the
        broker has answered all."""
        wanted = self.granted + len(TOPICS) + len(FILTERS)
        for topic in (*TOPICS, *FILTERS):
            self.client.subscribe(topic, 1)
        self._wait(lambda: self.granted >= wanted)

    def speak(self, retain: bool) -> None:
        """Publish to every topic, saying who we are; returns when the broker has answered all."""
        wanted = self.acked + len(TOPICS)
        for topic in TOPICS:
            self.client.publish(topic, self.user.encode(), 1, retain)
        self._wait(lambda: self.acked >= wanted)

    def _wait(self, answered: Callable[[], bool]) -> None:
        end = time.monotonic() + WAIT_S
        while not answered():
            assert self.client.is_connected(), f"{self.user}: the broker closed the connection"
            assert time.monotonic() < end, f"{self.user}: no answer from the broker"
            time.sleep(0.01)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Town:
    """A broker and the passwords of its accounts."""

    def __init__(self, home: Path, kind: str) -> None:
        self.store = Store(home / STORE_NAME)
        self.port = free_port()
        made = [registry.add(self.store, name, 1_800_000_000) for name in FRAMES]
        self.passwords = {HOST_USER: host_password(self.store), **{f.id: registry.mqtt_password(f) for f in made}}
        if kind == "embedded":
            self.broker: Any = EmbeddedBroker(home / STORE_NAME, port=self.port)
        else:
            mosquitto.write(self.store, home / "broker", port=self.port)
            self.broker = mosquitto.Mosquitto(home / "broker", self.port)
        self.broker.start()
        self.open: list[Account] = []

    def account(self, user: str, password: str | None = None, client_id: str = "") -> Account:
        given = self.passwords.get(user, "") if password is None else password
        one = Account(user, given, self.port, client_id or f"{user}-{len(self.open)}")
        self.open.append(one)
        return one

    def close(self) -> None:
        for one in self.open:
            one.close()
        self.broker.stop()
        self.store.close()


@pytest.fixture(params=["embedded", "mosquitto"])
def town(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Town]:
    """Both brokers, two frames."""
    if request.param == "mosquitto":
        request.getfixturevalue("mosquitto")
    one = Town(tmp_path, request.param)
    try:
        yield one
    finally:
        one.close()


Heard = set[tuple[str, str, str]]  # sender, receiver, topic


def settled(accounts: list[Account], wanted: Heard) -> Heard:
    """Return what was heard: wait for all that must come, then a little for what must not."""
    end = time.monotonic() + WAIT_S
    while not wanted <= heard(accounts) and time.monotonic() < end:
        time.sleep(0.02)
    time.sleep(0.4)
    return heard(accounts)


def heard(accounts: list[Account]) -> Heard:
    """Return what all accounts have heard by now."""
    found: Heard = set()
    for one in accounts:
        with one.lock:
            found |= {(sender, one.user, topic) for topic, sender, _ in one.got}
    return found


@pytest.mark.parametrize("retain", [False, True], ids=["live", "retained"])
def test_matrix(town: Town, retain: bool) -> None:
    """3 accounts publish to 30 topics and subscribe to those and 9 filters: exactly the agreed messages arrive.
    Retained ones are asked for afterwards by fresh clients, so that what a broker kept is tested, too."""
    allowed = {(s, r, t) for s in town.passwords for r in town.passwords for t in TOPICS if may(s, r, t)}
    assert len(allowed) == 14 + 6 + 6
    speakers = [town.account(user) for user in town.passwords]
    listeners = [] if retain else [town.account(user) for user in town.passwords]
    for one in listeners:
        one.listen()
    for one in speakers:
        one.speak(retain)
    if retain:
        listeners = [town.account(user) for user in town.passwords]
        for one in listeners:
            one.listen()
    found = settled(listeners, allowed)
    # Mosquitto's wildcard takes an empty name, too; no frame can have it, and only the host hears itself.
    found.discard((HOST_USER, HOST_USER, "frames//orders"))
    assert found - allowed == set(), "heard what must not be heard"
    assert allowed - found == set(), "did not hear what must be heard"


@pytest.mark.parametrize(
    ("user", "password"),
    [("", None), ("north", ""), ("north", "0" * 32), ("south", "of-north"), ("nobody", "x"), (HOST_USER, ""),
     (HOST_USER, "of-north"), ("NORTH", "of-north"), ("north ", "of-north"), ("north\x7f", "x")],
)  # fmt: skip
def test_strangers_get_nowhere(town: Town, user: str, password: str | None) -> None:
    """No name, a wrong or foreign password, an unknown name: turned away."""
    given = town.passwords["north"] if password == "of-north" else password
    try:
        one = town.account(user, given)
    except (OSError, AssertionError):
        return  # the connection was closed without an answer
    assert one.code.is_failure


def test_a_frame_removed_from_the_store_is_locked_out(tmp_path: Path) -> None:
    """With the embedded broker a forgotten frame cannot log in again; its old password opens nothing."""
    town = Town(tmp_path, "embedded")
    try:
        assert not town.account("north").code.is_failure
        town.store.frame_remove("north")
        assert town.account("north", client_id="again").code.is_failure
        assert not town.account("south").code.is_failure
    finally:
        town.close()
