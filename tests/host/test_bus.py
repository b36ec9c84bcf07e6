"""A real connection to real brokers: stored before acknowledged, nothing lost, nothing twice, nobody else's topics."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sash import signing
from sash.settings import defaults
from sashkeeper import frames
from sashkeeper.clock import SystemClock
from sashkeeper.context import STORE_NAME
from sashkeeper.errors import BrokerError, JobError, StoreFull
from sashkeeper.store import Store
from sashkeeper.wire import access, mosquitto
from sashkeeper.wire.broker import EmbeddedBroker, free_port, host_password
from sashkeeper.wire.bus import Address, Bus
from sashkeeper.wire.lean_client import LeanClient
from sashkeeper.wire.outbox import Outbox
from tests.host.bus_parts import Board, running, until

T0 = 1_770_724_800
Pack = Callable[..., bytes]


@pytest.fixture
def board(any_broker: int, store: Store) -> Iterator[Board]:
    one = Board(any_broker, "north", frames.mqtt_password(store.frame("north")))
    yield one
    one.close()


def test_readings_presence_and_will_reach_the_store(
    any_broker: int, board: Board, store: Store, home: Path, pack: Pack
) -> None:
    """What a frame says is stored; when it vanishes, its last will says so."""
    assert board.answer == "Success"
    with running(home, any_broker, store) as host:
        board.say("presence", board.presence(True), retain=True)
        for n in range(200):
            board.say("readings", pack("north", 1, n, T0 + n, air=n / 10))
        until(lambda: store.reading_count() == 200)
        assert host.service.live("north").here is True
        board.vanish()
        until(lambda: host.service.live("north").here is False)


def test_signed_settings_go_out_retained_and_come_back_confirmed(
    any_broker: int, board: Board, store: Store, home: Path
) -> None:
    """Settings from another program reach the frame signed and retained, and its answer is in the store."""
    key = store.frame("north").key
    with running(home, any_broker, store):
        line = Bus(Address("127.0.0.1", any_broker, access.HOST_USER, host_password(store)), "cmd", clean=True)
        line.connect()
        n = Outbox(store, SystemClock(), line.publish).publish_wanted("north", {"open_mdegc": 16000}, "test")
        assert line.pump(line.sent_all, 5)
        line.close()
        until(lambda: bool(board.heard))
        topic, payload, _ = board.heard[0]
        assert signing.open_envelope(key, topic, payload) == {"n": n, "settings": {"open_mdegc": 16000}}
        taken = {**defaults(), "open_mdegc": 16000}
        board.say("settings/actual", {"v": 1, "n": n, "settings": taken, "refused": None}, retain=True)
        until(lambda: store.settings_sent("north")[0].outcome == "taken")
    late = Board(any_broker, "north", frames.mqtt_password(store.frame("north")), client_id="north-again")
    until(lambda: bool(late.heard))
    assert late.heard[0][1:] == (payload, True)
    late.close()


def test_nothing_is_acknowledged_before_it_is_stored(
    any_broker: int, board: Board, store: Store, home: Path, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the store refuses, messages stay at the broker or in hand; once it takes them they are there once."""
    monkeypatch.setattr("sashkeeper.wire.bus.STORE_RETRY_S", 0.05)
    full = threading.Event()
    full.set()
    refusals = []
    real = Store.add_readings

    def add(self: Store, batch: Any) -> int:
        if full.is_set() and batch:
            refusals.append(len(batch))
            raise StoreFull("No space is left.")
        return real(self, batch)

    monkeypatch.setattr(Store, "add_readings", add)
    with running(home, any_broker, store):
        for n in range(50):
            board.say("readings", pack("north", 1, n, T0 + n, air=1))
        until(lambda: len(refusals) > 2)
        assert store.reading_count() == 0
        full.clear()
        until(lambda: store.reading_count() == 50)


def test_a_disk_that_is_really_full_loses_nothing(
    any_broker: int, board: Board, store: Store, home: Path, pack: Pack, monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """SQLite's own "disk is full" holds acknowledgements back; with room again all rows are there once."""
    monkeypatch.setattr("sashkeeper.wire.bus.STORE_RETRY_S", 0.05)
    room = threading.Event()
    real = Store.add_readings

    def add(self: Store, batch: Any) -> int:
        pages = int(self.row("PRAGMA page_count")[0])
        self.row(f"PRAGMA max_page_count = {1_000_000 if room.is_set() else pages}")
        return real(self, batch)

    monkeypatch.setattr(Store, "add_readings", add)
    with running(home, any_broker, store):
        for n in range(2000):
            board.say("readings", pack("north", 1, n, T0 + n, air=1))
        until(lambda: caplog.text.count("No space is left") > 2)
        assert store.reading_count() < 2000
        room.set()
        until(lambda: store.reading_count() == 2000)
    assert store.integrity() == []


def test_a_host_that_dies_with_messages_in_hand_gets_them_again(
    store: Store, home: Path, pack: Pack, request: pytest.FixtureRequest
) -> None:
    """Messages that were received but not acknowledged come again to the next host of the same session."""
    request.getfixturevalue("mosquitto")
    port = free_port()
    mosquitto.write(store, home / "broker", port=port)
    with mosquitto.Mosquitto(home / "broker", port):
        address = Address("127.0.0.1", port, access.HOST_USER, host_password(store))
        first = Bus(address)
        first.connect()
        board = Board(port, "north", frames.mqtt_password(store.frame("north")))
        for n in range(30):
            board.say("readings", pack("north", 1, n, T0 + n, air=1)).wait_for_publish(5)
        until(lambda: (first._turn(0.05), len(first._arrived) >= 30)[1])
        sock = first.sock
        assert sock is not None
        sock.close()  # gone without a word and without an acknowledgement
        with running(home, port, store):
            until(lambda: store.reading_count() == 30)
        board.close()


def test_retained_messages_that_come_twice_make_one_row(
    any_broker: int, board: Board, store: Store, home: Path, report: Callable[..., dict[str, Any]]
) -> None:
    """However often a broker hands out what it kept, the history has it once."""
    board.say("report", report(), retain=True).wait_for_publish(5)
    for _ in range(3):
        with running(home, any_broker, store):
            until(lambda: store.report("north") is not None)
            time.sleep(0.1)  # real time for a second copy to arrive, if the broker sends one
    assert len(store.report_changes("north")) == 1


def test_a_wrong_password_is_refused(any_broker: int, store: Store) -> None:
    """Neither a stranger nor a frame with an old key gets in, and the host says why it did not."""
    bad = Board(any_broker, "north", "wrong")
    assert bad.answer in ("Not authorized", "Bad user name or password")
    bad.client.loop_stop()
    stranger = Board(any_broker, "south", "wrong")
    assert stranger.answer in ("Not authorized", "Bad user name or password")
    stranger.client.loop_stop()
    bus = Bus(Address("127.0.0.1", any_broker, access.HOST_USER, "wrong"))
    with pytest.raises(BrokerError, match="refused us"):
        bus.connect()
    bus.close()


def test_every_account_uses_only_its_own_topics(
    any_broker: int, board: Board, store: Store, home: Path, pack: Pack
) -> None:
    """The full matrix: a frame can neither speak nor hear for another one, nor give itself orders."""
    store.frame_add("south", bytes(32)[:31] + b"\1", T0)
    if (home / "broker").exists():
        pytest.skip("Mosquitto reads new accounts only when told; the rules are compared in the next test")
    south = Board(any_broker, "south", frames.mqtt_password(store.frame("south")))
    with running(home, any_broker, store) as host:
        south.client.publish("frames/north/readings", pack("north", 1, 1, T0, air=99), 1)
        south.client.publish("frames/north/orders", "{}", 1)
        south.client.publish("frames/south/orders", "{}", 1)
        south.client.subscribe([("frames/north/orders", 1), ("#", 1), ("frames/+/orders", 1)])
        until(lambda: len(south.granted) == 5)
        assert south.granted[2:] == [128, 128, 128]
        south.say("readings", pack("south", 1, 1, T0, air=5)).wait_for_publish(5)
        until(lambda: store.reading_count("south") == 1)
        Outbox(store, SystemClock(), host.bus.publish).publish_order("north", "locate")
        until(lambda: bool(board.heard))
    assert store.reading_count("north") == 0
    assert [t for t, _, _ in board.heard] == ["frames/north/orders"]
    assert south.heard == []
    south.close()


def test_mosquitto_keeps_the_same_rules(store: Store, home: Path, pack: Pack, request: pytest.FixtureRequest) -> None:
    """The generated access file does what the embedded broker's table does."""
    request.getfixturevalue("mosquitto")
    store.frame_add("south", bytes(31) + b"\1", T0)
    port = free_port()
    mosquitto.write(store, home / "broker", port=port)
    with mosquitto.Mosquitto(home / "broker", port), running(home, port, store) as host:
        north, south = (Board(port, f, frames.mqtt_password(store.frame(f))) for f in ("north", "south"))
        south.client.publish("frames/north/readings", pack("north", 1, 1, T0, air=99), 1)
        south.client.publish("frames/north/orders", "{}", 1)
        south.client.publish("frames/south/orders", "{}", 1)
        south.client.subscribe([("frames/north/#", 1), ("#", 1)])
        south.say("readings", pack("south", 1, 1, T0, air=5)).wait_for_publish(5)
        until(lambda: store.reading_count("south") == 1)
        Outbox(store, SystemClock(), host.bus.publish).publish_order("north", "locate")
        until(lambda: bool(north.heard))
        assert store.reading_count("north") == 0
        assert len(north.heard) == 1
        assert south.heard == []
        north.close()
        south.close()


@pytest.mark.parametrize(
    ("user", "topic", "speak", "hear"),
    [
        ("north", "frames/north/readings", True, False),
        ("north", "frames/north/settings/actual", True, False),
        ("north", "frames/north/settings/wanted", False, True),
        ("north", "frames/north/orders", False, True),
        ("north", "frames/south/readings", False, False),
        ("north", "frames/south/orders", False, False),
        ("north", "frames/north/other", False, False),
        ("north", "frames/north", False, False),
        ("north", "#", False, False),
        ("north", "frames/+/orders", False, False),
        ("", "frames/north/readings", False, False),
        (access.HOST_USER, "frames/north/orders", True, True),
        (access.HOST_USER, "frames/north/readings", False, True),
        (access.HOST_USER, "frames/+/#", False, True),
        (access.HOST_USER, "$SYS/#", False, False),
    ],
)
def test_the_table_of_rights(user: str, topic: str, speak: bool, hear: bool) -> None:
    """Who may say and hear what."""
    assert (access.may_publish(user, topic), access.may_hear(user, topic)) == (speak, hear)


def test_the_connection_comes_back_after_a_broker_restart(
    store: Store, home: Path, pack: Pack, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker that is killed and started again is found again, and the rows of both times are there."""
    request.getfixturevalue("mosquitto")
    monkeypatch.setattr("sashkeeper.wire.bus.RETRY_S", (0.05, 0.2))
    port = free_port()
    mosquitto.write(store, home / "broker", port=port)
    broker = mosquitto.Mosquitto(home / "broker", port)
    broker.start()
    with running(home, port, store) as host:
        for round_ in range(2):
            board = Board(port, "north", frames.mqtt_password(store.frame("north")))
            board.say("readings", pack("north", 1, round_, T0 + round_, air=1)).wait_for_publish(5)
            until(lambda seen=round_ + 1: store.reading_count() == seen)  # type: ignore[misc]
            board.close()
            broker.stop(kill=True)
            until(lambda: not host.bus.connected)
            broker.start()
            until(lambda: host.bus.connected)
    broker.stop()


def test_nobody_listens_is_said_in_one_sentence() -> None:
    """A port without a broker gives host, port and what to do."""
    port = free_port()
    bus = Bus(Address("127.0.0.1", port))
    with pytest.raises(BrokerError, match=f"127.0.0.1:{port} cannot be reached"):
        bus.connect()
    bus.close()


def test_a_port_in_use_is_said_in_one_sentence(store: Store, home: Path) -> None:
    """Two brokers cannot share a port, and the second one says so."""
    with EmbeddedBroker(home / STORE_NAME, port=0) as first:
        second = EmbeddedBroker(home / STORE_NAME, port=first.port)
        with pytest.raises(JobError, match=r"cannot listen on 127\.0\.0\.1:\d+"):
            second.start()


def test_password_lines_are_those_of_mosquitto(tmp_path: Path) -> None:
    """A line with a given salt is what PBKDF2 with SHA-512 gives; computed once with OpenSSL 3.

    Source: openssl kdf -keylen 64 -kdfopt digest:SHA512 -kdfopt pass:secret -kdfopt hexsalt:00..0b
    -kdfopt iter:101 PBKDF2, base64 of the output.
    """
    line = mosquitto.password_line("north", "secret", bytes(range(12)))
    assert line.startswith("north:$7$101$AAECAwQFBgcICQoL$")
    assert line.endswith(OPENSSL_LINE)


OPENSSL_LINE = "Xr99N9ym9ys8TWxis5ajETJq6EVYzmc6nb8t3pUYnPBbCAbICS4xejTltonXWCtJNBvA+By+TXUqU6qCblO00w=="


# The client library leaves its socket to the garbage collector when the handshake fails.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_is_checked_against_the_certificate(store: Store, home: Path, tmp_path: Path) -> None:
    """With a certificate the embedded broker speaks TLS, and a client without the right one does not go on."""
    cert, key = make_certificate(tmp_path)
    with EmbeddedBroker(home / STORE_NAME, port=0, cert_file=str(cert), key_file=str(key)) as broker:
        good = Bus(Address("127.0.0.1", broker.port, access.HOST_USER, host_password(store), True, str(cert)))
        good.connect()
        assert isinstance(good.sock, ssl.SSLSocket)
        good.close()
        bad = Bus(Address("127.0.0.1", broker.port, access.HOST_USER, host_password(store), True))
        with pytest.raises(BrokerError, match="certificate"):
            bad.connect()
        bad.close()


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1, good for this test only."""
    import datetime
    import ipaddress

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "127.0.0.1")])
    now = datetime.datetime.now(datetime.UTC)
    cert = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), True)
        .sign(key, hashes.SHA256())
    )
    cert_path, key_path = folder / "cert.pem", folder / "key.pem"
    cert_path.write_bytes(cert.public_bytes(serialization.Encoding.PEM))
    key_path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return cert_path, key_path


def test_frames_wait_until_the_host_listens(store: Store, home: Path, pack: Pack) -> None:
    """The broker that comes along lets nobody in before the host is subscribed, or first readings would be lost."""
    with EmbeddedBroker(home / STORE_NAME, port=0, wait_for_host=True) as broker:
        boards: list[Board] = []
        password = frames.mqtt_password(store.frame("north"))
        early = threading.Thread(target=lambda: boards.append(Board(broker.port, "north", password)))
        early.start()
        with running(home, broker.port, store):
            assert boards == []
            broker.host_is_here(True)
            early.join(5)
            boards[0].say("readings", pack("north", 1, 0, T0, air=1)).wait_for_publish(5)
            until(lambda: store.reading_count() == 1)
        boards[0].close()


# -- the short way for incoming messages -----------------------------------------------------------


def through_client(packet: bytes) -> tuple[list[Any], list[mqtt.MQTTMessage]]:
    """What a PUBLISH becomes: by the short way, and by the library's own."""
    short: list[Any] = []
    long: list[mqtt.MQTTMessage] = []
    client = LeanClient(short.append, CallbackAPIVersion.VERSION2, client_id="t", manual_ack=True)
    client.on_message = lambda _c, _u, message: long.append(message)
    client._in_packet = {**client._in_packet, "command": packet[0], "packet": bytearray(packet[2:])}
    client._handle_publish()
    return short, long


@pytest.mark.parametrize(
    ("packet", "retained"),
    [
        # PUBLISH QoS 1, topic a/b, id 10, payload x; then the same resent, and retained.
        # Source: OASIS MQTT 3.1.1, section 3.3; the first was also sent to Mosquitto 2.0.11.
        ("32080003612f62000a78", False),
        ("3a080003612f62000a78", False),
        ("33080003612f62000a78", True),
    ],
)
def test_a_publish_is_cut_up_as_the_standard_says(packet: str, retained: bool) -> None:
    """Topic, payload, packet id and the retain flag come out of the byte vectors."""
    assert through_client(bytes.fromhex(packet)) == ([("a/b", b"x", 10, 1, retained)], [])


def test_what_the_short_way_is_not_for_goes_the_usual_way() -> None:
    """QoS 0 reaches the usual callback; a topic that is no text is handed on as none."""
    short, long = through_client(bytes.fromhex("30060003612f6278"))
    assert short == []
    assert (long[0].topic, long[0].payload, long[0].qos) == ("a/b", b"x", 0)
    assert through_client(bytes.fromhex("32080003ff2f62000a78"))[0] == [("", b"x", 10, 1, False)]


@pytest.mark.parametrize("packet", ["3200", "320100", "32020003", "32040003612f", "32050003612f62", "32060003612f6200"])
def test_a_publish_that_is_cut_short_is_not_taken(packet: str) -> None:
    """A malformed packet is left to the library, which closes the connection for it."""
    with pytest.raises(Exception, match=r".*") as fault:
        through_client(bytes.fromhex(packet))
    assert type(fault.value).__name__ == "MalformedPacket"
