"""The host's connection to the broker.

One loop reads as much as has arrived, hands it to the service, lets it be
stored, and only then acknowledges: a message that was acknowledged is in the
store, one that was not comes again. The connection is kept as a session, so
the broker holds what arrives while the host is away.
"""

from __future__ import annotations

import contextlib
import logging
import os
import select
import socket
import ssl
import struct
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ..errors import BrokerError, StoreError
from .inbox import BATCH
from .lean_client import Arrived, LeanClient
from .messages import TOPIC_ROOT

# PUBACK: type and flags, remaining length, packet id. Source: OASIS MQTT 3.1.1, section 3.4.
_PUBACK = struct.Struct("!BBH")

log = logging.getLogger("sashkeeper.wire.bus")

CLIENT_ID = "sashkeeper-host"
CONNECT_WAIT_S = 5.0
RETRY_S = (1.0, 30.0)
STORE_RETRY_S = 5.0
KEEPALIVE_S = 30
# While one message waits for more to share its transaction, so long at most [s].
LINGER_S = 0.0003
# Name of the subscription that several ingesters share, and how long the broker keeps an absent one's part [s].
SHARE = "ingest"
SHARED_SESSION_S = 14 * 86_400


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and who we are. tls: check its certificate (against ca_file when given)."""

    host: str = "127.0.0.1"
    port: int = 1883
    user: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False
    ca_file: str = ""

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class Ingest(Protocol):
    """What the loop feeds; `service.Service` is one."""

    def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        """Check a message and put it aside."""
        ...

    def flush(self) -> int:
        """Store what was put aside, or raise StoreError."""
        ...

    def tick(self) -> None:
        """Let time pass."""
        ...

    def on_connect(self) -> None:
        """Connection stands (again)."""
        ...

    def link(self, connected: bool) -> None:
        """Told when the connection stands, and again and again while it does not."""
        ...


class Bus:
    """A connection that stores before it acknowledges."""

    def __init__(
        self,
        address: Address,
        client_id: str = CLIENT_ID,
        *,
        clean: bool = False,
        topics: tuple[str, ...] = (f"{TOPIC_ROOT}/+/#",),
        manual_ack: bool = True,
        shared: bool = False,
    ) -> None:
        """clean: keep no session (short-lived commands). topics: what to subscribe to.

        shared: each message goes to one of all clients that share the subscription; speaks MQTT 5.
        """
        self.address = address
        # Source: OASIS MQTT 5.0, section 4.8.2.
        self.topics = tuple(f"$share/{SHARE}/{topic}" for topic in topics) if shared else topics
        self._shared = shared
        self.connected = False
        self.connections = 0
        self._refusal = ""
        self._arrived: deque[Arrived] = deque()
        self._unacked: list[tuple[int, int]] = []  # (packet id, QoS), in the order they came
        self._outside: deque[tuple[str, bytes, bool]] = deque()
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_r, False)
        os.set_blocking(self._wake_w, False)
        self._thread: int | None = None
        self._client = LeanClient(
            self._arrived.append,
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if shared else clean,
            protocol=mqtt.MQTTv5 if shared else mqtt.MQTTv311,
            manual_ack=manual_ack,
        )
        self._client.connect_timeout = CONNECT_WAIT_S
        self._client.max_inflight_messages_set(200)
        self._client.max_queued_messages_set(10_000)
        if address.user:
            self._client.username_pw_set(address.user, address.password)
        if address.tls:
            self._client.tls_set(ca_certs=address.ca_file or None, tls_version=ssl.PROTOCOL_TLS_CLIENT)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    def __repr__(self) -> str:
        return f"<Bus {self.address} {'up' if self.connected else 'down'}, {len(self._unacked)} to acknowledge>"

    # -- paho's calls ------------------------------------------------------------------------

    def _on_connect(self, client: mqtt.Client, _u: Any, flags: Any, code: Any, _props: Any = None) -> None:
        if code.is_failure:
            self._refusal = str(code)
            return
        # A kept session may still hold messages of before; unacknowledged ones come again.
        self._unacked.clear()
        # What came over the old line is stored, but not acknowledged on this one: a broker that has lost the
        # session gives the same packet ids to other messages.
        kept = [(topic, payload, mid, 0, retained) for topic, payload, mid, _, retained in self._arrived]
        self._arrived.clear()
        self._arrived.extend(kept)
        self.connections += 1
        # A kept session is subscribed already, and what it held comes before any answer to us.
        self.connected = bool(flags.session_present)
        if self._shared:
            client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in self.topics])
        else:
            client.subscribe([(topic, 1) for topic in self.topics])

    def _on_subscribe(self, _c: mqtt.Client, _u: Any, _mid: int, _codes: Any, _props: Any = None) -> None:
        # Only now does the broker keep messages for us: before that, one that nobody hears is lost.
        self.connected = True

    def _on_disconnect(self, _c: mqtt.Client, _u: Any, _flags: Any, code: Any, _props: Any = None) -> None:
        self.connected = False
        log.info("connection to the broker %s ended: %s", self.address, code)

    def _on_message(self, _c: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""  # refused and counted like any other wrong topic
        self._arrived.append((topic, bytes(message.payload), message.mid, message.qos, bool(message.retain)))

    # -- connecting --------------------------------------------------------------------------

    def connect(self, wait_s: float = CONNECT_WAIT_S) -> None:
        """Connect and subscribe. Raises BrokerError with what to do about it."""
        end = time.monotonic() + wait_s
        self._refusal = ""
        try:
            self._dial()
        except (OSError, ssl.SSLError, ValueError) as fault:
            raise BrokerError(self._unreachable(str(fault))) from fault
        while not self.connected and not self._refusal and time.monotonic() < end:
            if self._turn(min(0.1, wait_s)) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
        if self.connected:
            return
        self._client.disconnect()
        if self._refusal:
            raise BrokerError(
                f"The broker at {self.address} refused us ({self._refusal}). "
                "Check user and password of the broker in sashkeeper.toml."
            )
        raise BrokerError(self._unreachable("no answer"))

    def _dial(self) -> None:
        host, port = self.address.host, self.address.port
        if not self._shared:
            self._client.connect(host, port, keepalive=KEEPALIVE_S)
            return
        wish: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        wish.SessionExpiryInterval = SHARED_SESSION_S
        self._client.connect(host, port, keepalive=KEEPALIVE_S, clean_start=False, properties=wish)

    def _unreachable(self, why: str) -> str:
        return (
            f"The broker at {self.address} cannot be reached ({why}). Nothing was sent. "
            'Start "sashkeeper serve" or check host and port of the broker in sashkeeper.toml.'
        )

    def close(self) -> None:
        """Leave politely; a kept session stays at the broker."""
        with contextlib.suppress(OSError, ValueError):
            self._client.disconnect()
            self._flush_out(1.0)
        self.connected = False
        for fd in (self._wake_r, self._wake_w):
            with contextlib.suppress(OSError):
                os.close(fd)

    # -- sending -----------------------------------------------------------------------------

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send at QoS 1; from any thread. Kept until the broker has it, also over a reconnect."""
        if self._thread not in (None, threading.get_ident()):
            self._outside.append((topic, payload, retain))
            with contextlib.suppress(BlockingIOError):
                os.write(self._wake_w, b"!")
            return
        self._client.publish(topic, payload, qos=1, retain=retain)

    def pump(self, until: Callable[[], bool], wait_s: float, service: Ingest | None = None) -> bool:
        """Run the connection until something holds; return whether it did within the time."""
        end = time.monotonic() + wait_s
        while not until():
            left = end - time.monotonic()
            if left <= 0 or not self._client.socket():
                return until()
            self._turn(min(left, 0.1))
            self._hand_over(service)
        return True

    def sent_all(self) -> bool:
        """Return whether the broker has acknowledged everything that we sent."""
        return not self._client._out_messages and not self._client.want_write()

    # -- the loop ----------------------------------------------------------------------------

    def run(self, service: Ingest, stop: threading.Event, tick_s: float = 0.25) -> None:
        """Feed a service until told to stop; reconnects by itself with growing pauses."""
        self._thread = threading.get_ident()
        pause_s = RETRY_S[0]
        seen = 0
        while not stop.is_set():
            if not self.connected:
                try:
                    self.connect()
                    pause_s = RETRY_S[0]
                except BrokerError as fault:
                    log.warning("%s", fault.sentence)
                    self._rest(service, stop, pause_s, tick_s)
                    pause_s = min(2 * pause_s, RETRY_S[1])
                    continue
            if self.connections != seen:
                seen = self.connections
                service.on_connect()
            self._run_connected(service, stop, tick_s)
        self._thread = None

    def _rest(self, service: Ingest, stop: threading.Event, pause_s: float, tick_s: float) -> None:
        end = time.monotonic() + pause_s
        while not stop.is_set() and time.monotonic() < end:
            service.link(False)
            service.tick()
            stop.wait(min(tick_s, max(0.0, end - time.monotonic())))

    def _run_connected(self, service: Ingest, stop: threading.Event, tick_s: float) -> None:
        ticked = time.monotonic()
        service.link(True)
        service.tick()
        while self.connected and not stop.is_set():
            self._turn(max(0.0, min(tick_s, ticked + tick_s - time.monotonic())))
            while self._outside:
                topic, payload, retain = self._outside.popleft()
                self._client.publish(topic, payload, qos=1, retain=retain)
            if not self._hand_over(service):
                stop.wait(STORE_RETRY_S)
            now = time.monotonic()
            if now - ticked >= tick_s:
                ticked = now
                service.tick()
                self._client.loop_misc()

    def _turn(self, wait_s: float) -> MQTTErrorCode:
        """Wait for the socket, read what has come (up to a batch), write what waits."""
        client = self._client
        sock: Any = client.socket()
        if sock is None:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        writers = [sock] if client.want_write() else []
        # TLS may hold decrypted bytes that select cannot see.
        pending = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        readable, writable, _ = select.select([sock, self._wake_r], writers, [], 0 if pending else wait_s)
        if self._wake_r in readable:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_r, 4096)
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        if writable:
            code = client.loop_write()
        if pending or sock in readable:
            code = self._read_batch(sock)
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS:
            code = client.loop_misc() if not readable else code
        return code

    def _read_batch(self, sock: Any) -> MQTTErrorCode:
        client = self._client
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        while len(self._arrived) < BATCH:
            before = len(self._arrived)
            code = client.loop_read()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or client.socket() is not sock:
                return code
            # Asking the system only when a read came back empty saves a call for each message.
            if len(self._arrived) == before and not self._more(sock, LINGER_S):
                break
        return code

    @staticmethod
    def _more(sock: Any, wait_s: float) -> bool:
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            return True
        return bool(select.select([sock], [], [], wait_s)[0])

    def _hand_over(self, service: Ingest | None) -> bool:
        """Store what arrived, then acknowledge it; False when it could not be stored (it then still waits)."""
        arrived = self._arrived
        if service is not None:
            while arrived:
                topic, payload, mid, qos, retained = arrived.popleft()
                self._unacked.append((mid, qos))
                service.take(topic, payload, None, retained)
        else:
            self._unacked.extend((mid, qos) for _, _, mid, qos, _ in arrived)
            arrived.clear()
        if not self._unacked:
            return True
        if service is not None:
            try:
                service.flush()
            except StoreError as fault:
                log.error("%s", fault.sentence)
                return False
        self._acknowledge()
        return True

    def _acknowledge(self) -> None:
        """Acknowledge all that is stored, in the order it came, in as few sends as possible."""
        sock: Any = self._client.socket()
        mids = [mid for mid, qos in self._unacked if qos == 1]
        if len(mids) == len(self._unacked) and sock is not None and not self._client.want_write():
            # One write for the whole batch; packet by packet it takes a fifth of the time of a message.
            packets = b"".join(_PUBACK.pack(0x40, 2, mid) for mid in mids)
            try:
                while packets:
                    select.select([], [sock], [], CONNECT_WAIT_S)
                    packets = packets[sock.send(packets) :]
            except OSError as fault:
                log.info("acknowledging ended: %s", fault)
        else:
            for mid, qos in self._unacked:
                if qos:
                    self._client.ack(mid, qos)
        self._unacked.clear()

    def _flush_out(self, wait_s: float) -> None:
        end = time.monotonic() + wait_s
        while self._client.socket() and self._client.want_write() and time.monotonic() < end:
            self._client.loop_write()

    @property
    def sock(self) -> socket.socket | None:
        """The socket in use, for tests."""
        sock = self._client.socket()
        return sock if isinstance(sock, socket.socket) else None
