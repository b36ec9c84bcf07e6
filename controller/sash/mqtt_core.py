"""MQTT 3.1.1, the client's side, without a socket: bytes in, events out; calls in, bytes out.

Everything strict is here: a packet that the standard forbids raises
`ProtocolError`, and the owner closes the connection. Numbers in brackets are
the statements of OASIS MQTT 3.1.1 that a line keeps.

One object outlives its connections: what was sent at QoS 1 and not
acknowledged is sent again, in order, with the same packet id and DUP set.
"""

from .clock import ticks_diff

CONNACK, PUBLISH, PUBACK, SUBACK, PINGRESP = 0x20, 0x30, 0x40, 0x90, 0xD0

REFUSALS = (
    "",
    "the broker does not speak MQTT 3.1.1",
    "the broker refuses this client id",
    "the broker is not ready",
    "the broker refuses this user name or password",
    "the broker does not allow this client",
)
PONG_MS = 10_000  # chosen: a PINGRESP later than this means the link is dead


class ProtocolError(Exception):
    """The peer broke the protocol, refused us, or fell silent: close the connection."""


def remaining_length(value):
    """Return `value` as 1 to 4 bytes (table 2.4 of the standard)."""
    if not 0 <= value <= 268_435_455:
        raise ValueError("a packet is at most 268435455 bytes long")
    out = bytearray()
    while True:
        value, digit = value >> 7, value & 0x7F
        if not value:
            out.append(digit)
            return bytes(out)
        out.append(digit | 0x80)


def text_bytes(text):
    """Return `text` with its two-byte length in front. ValueError when MQTT cannot carry it."""
    data = text.encode()
    if len(data) > 65_535:
        raise ValueError("text is longer than 65535 bytes")
    _check_text(data, ValueError)
    return bytes((len(data) >> 8, len(data) & 0xFF)) + data


def _check_text(data, error):
    """Decode strict UTF-8 without U+0000 [1.5.3-1, -2].

    Done by hand: MicroPython's own decoder lets surrogates and overlong forms pass.
    """
    at, size = 0, len(data)
    while at < size:
        byte = data[at]
        more, code, least = 0, byte, 1
        if byte >= 0x80:
            if 0xC2 <= byte < 0xE0:
                more, code, least = 1, byte & 0x1F, 0x80
            elif 0xE0 <= byte < 0xF0:
                more, code, least = 2, byte & 0x0F, 0x800
            elif 0xF0 <= byte < 0xF5:
                more, code, least = 3, byte & 0x07, 0x10000
            else:
                raise error("text is not UTF-8")
        if at + more >= size:
            raise error("text is not UTF-8")
        for _ in range(more):
            at += 1
            if data[at] & 0xC0 != 0x80:
                raise error("text is not UTF-8")
            code = code << 6 | data[at] & 0x3F
        if code < least or code > 0x10FFFF or 0xD800 <= code <= 0xDFFF:
            raise error("text is not UTF-8 or holds U+0000")
        at += 1
    return bytes(data).decode()


def _topic_name(topic):
    """Refuse what cannot be published to [3.3.2-2, 4.7.3-1]."""
    if not topic or "#" in topic or "+" in topic:
        raise ValueError("a topic name is not empty and holds no wildcard")
    return text_bytes(topic)


class MqttCore:
    """State of one client.

    max_packet     largest message taken in; longer ones are skipped, answered and counted
    hard_limit     a packet that announces more than this closes the connection
    connected      1 between CONNACK and close
    oversized      messages skipped since start
    """

    def __init__(self, client_id, keep_alive_s=60, clean=0, user=None, password=None, will=None,
                 max_packet=2560, hard_limit=65_536):
        if not client_id and not clean:
            raise ValueError("an empty client id needs a clean session")  # [3.1.3-7]
        if password is not None and user is None:
            raise ValueError("a password needs a user name")  # [3.1.2-22]
        self._client_id = client_id
        self._keep_alive_s = keep_alive_s
        self._clean = clean
        self._user, self._password = user, password
        self.will = will  # None or (topic, payload bytes, qos, retain)
        self._max_packet, self._hard_limit = max_packet, hard_limit
        self._last_id = 0
        self._flight = []  # [packet id, packet (bytearray)], oldest first
        self._asked = {}  # packet id of a SUBSCRIBE -> list of QoS asked
        self.oversized = 0
        self.reset()

    def reset(self):
        """Forget the connection, keep what is in flight. Call before each connect."""
        self.connected = 0
        self._phase = "idle"  # idle, waiting (for CONNACK), connected, closed
        self._input = b""
        self._skip = 0  # bytes of an oversized packet still to come
        self._owed = bytearray()
        self._asked = {}
        self._last_sent_ms = 0
        self._ping_ms = None  # when the unanswered PINGREQ went out

    # -- out -----------------------------------------------------------------------------

    def connect(self, now_ms):
        """Return CONNECT; once per connection [3.1.0-2]."""
        if self._phase != "idle":
            raise ProtocolError("CONNECT goes out once per connection")
        flags = 0x02 if self._clean else 0
        body = text_bytes(self._client_id)
        if self.will is not None:
            topic, payload, qos, retain = self.will
            flags |= 0x04 | qos << 3 | (0x20 if retain else 0)
            body += _topic_name(topic) + bytes((len(payload) >> 8, len(payload) & 0xFF)) + payload
        if self._user is not None:
            flags |= 0x80
            body += text_bytes(self._user)
        if self._password is not None:
            flags |= 0x40
            secret = self._password.encode()
            body += bytes((len(secret) >> 8, len(secret) & 0xFF)) + secret
        keep = self._keep_alive_s
        self._phase = "waiting"
        self._last_sent_ms = now_ms
        return _packet(0x10, b"\x00\x04MQTT\x04" + bytes((flags, keep >> 8, keep & 0xFF)) + body)

    def publish(self, topic, payload, qos, retain, now_ms):
        """Return (packet id or 0, PUBLISH). QoS 0 or 1."""
        if qos not in (0, 1):
            raise ValueError("QoS is 0 or 1")
        self._need_connection()
        head = _topic_name(topic)
        packet_id = 0
        if qos:
            packet_id = self._next_id()
            head += bytes((packet_id >> 8, packet_id & 0xFF))
        packet = _packet(PUBLISH | qos << 1 | (1 if retain else 0), head + payload)
        if qos:
            self._flight.append([packet_id, bytearray(packet)])
        self._last_sent_ms = now_ms
        return packet_id, packet

    def resend(self, now_ms):
        """Return all unacknowledged PUBLISH packets, oldest first, DUP set [4.4.0-1, 4.6.0-1]."""
        self._need_connection()
        out = b""
        for entry in self._flight:
            entry[1][0] |= 0x08
            out += bytes(entry[1])
        if out:
            self._last_sent_ms = now_ms
        return out

    def subscribe(self, filters, now_ms):
        """Return (packet id, SUBSCRIBE) for a list of (filter, QoS)."""
        if not filters:
            raise ValueError("SUBSCRIBE needs a filter")  # [3.8.3-3]
        self._need_connection()
        packet_id = self._next_id()
        body = bytes((packet_id >> 8, packet_id & 0xFF))
        for name, qos in filters:
            if not name:
                raise ValueError("a filter is not empty")
            body += text_bytes(name) + bytes((qos,))
        self._asked[packet_id] = [qos for _, qos in filters]
        self._last_sent_ms = now_ms
        return packet_id, _packet(0x82, body)

    def disconnect(self):
        """Return DISCONNECT; after it nothing more may go out [3.14.4-2]."""
        self._need_connection()
        self._phase = "closed"
        self.connected = 0
        return b"\xe0\x00"

    def owed(self, now_ms):
        """Return the acknowledgements that `feed` has run up, and forget them."""
        out = bytes(self._owed)
        if out:
            self._owed = bytearray()
            self._last_sent_ms = now_ms
        return out

    def tick(self, now_ms):
        """Return PINGREQ when one is due, else b"". ProtocolError when the last one stayed unanswered."""
        if self._phase != "connected" or not self._keep_alive_s:
            return b""
        if self._ping_ms is not None:
            if ticks_diff(now_ms, self._ping_ms) >= PONG_MS:
                raise ProtocolError("the broker does not answer any more")
            return b""
        # A quarter of the time is left for the way [3.1.2-23].
        if ticks_diff(now_ms, self._last_sent_ms) < self._keep_alive_s * 750:
            return b""
        self._ping_ms = self._last_sent_ms = now_ms
        return b"\xc0\x00"

    def unacknowledged(self):
        """Return the packet ids in flight, oldest first."""
        return [entry[0] for entry in self._flight]

    def _need_connection(self):
        if self._phase != "connected":
            raise ProtocolError("there is no connection")

    def _next_id(self):
        """Return the next free packet id [2.3.1-1, -2]."""
        while True:
            self._last_id = self._last_id % 65_535 + 1
            if self._last_id not in self._asked and self._last_id not in self.unacknowledged():
                return self._last_id

    # -- in ------------------------------------------------------------------------------

    def feed(self, data):
        """Take received bytes; return a list of events.

        ("connected", session present 0/1)   ("message", topic, payload, qos, retain, dup)
        ("puback", packet id)   ("suback", packet id, tuple of codes)   ("pong",)
        ("oversized", topic)    a message longer than max_packet was skipped
        """
        if self._phase not in ("waiting", "connected"):
            raise ProtocolError("bytes without a connection")
        events = []
        if self._skip:
            drop = min(self._skip, len(data))
            self._skip -= drop
            data = data[drop:]
        self._input = self._input + data if self._input else bytes(data)
        while True:
            used = self._one(events)
            if not used:
                return events
            self._input = self._input[used:]

    def _one(self, events):
        """Handle the first packet of the input; return the bytes used, 0 when it is not whole yet."""
        data = self._input
        length, at = 0, 1
        while True:
            if len(data) <= at:
                return 0
            digit = data[at]
            length |= (digit & 0x7F) << 7 * (at - 1)
            at += 1
            if digit < 0x80:
                break
            if at == 5:
                raise ProtocolError("remaining length is malformed")
        if length > self._hard_limit:
            raise ProtocolError("a packet of {} bytes is too long".format(length))
        self._check_first(data[0])
        if length > self._max_packet:
            return self._skip_message(data, at, length, events)
        if len(data) < at + length:
            return 0
        self._packet(data[0], data[at : at + length], events)
        return at + length

    def _check_first(self, first):
        """Refuse wrong kinds and flag bits as soon as the first byte is known [2.2.2-2]."""
        kind = first & 0xF0
        if kind not in (CONNACK, PUBLISH, PUBACK, SUBACK, PINGRESP):
            raise ProtocolError("packet type {} is not for a client".format(kind >> 4))
        if kind != PUBLISH and first & 0x0F:
            raise ProtocolError("flag bits are wrong")
        if (kind == CONNACK) != (self._phase == "waiting"):
            raise ProtocolError("CONNACK comes first, and once")  # [3.2.0-1]

    def _packet(self, first, body, events):
        kind = first & 0xF0
        if kind == PUBLISH:
            self._take_message(first, body, events)
        elif kind == PUBACK:
            self._take_puback(body, events)
        elif kind == CONNACK:
            self._take_connack(body, events)
        elif kind == SUBACK:
            self._take_suback(body, events)
        else:
            if body:
                raise ProtocolError("PINGRESP has no body")
            self._ping_ms = None
            events.append(("pong",))

    def _take_connack(self, body, events):
        if len(body) != 2 or body[0] > 1 or body[1] > 5 or (body[1] and body[0]):  # [3.2.2-4]
            raise ProtocolError("CONNACK is malformed")
        if body[1]:
            raise ProtocolError(REFUSALS[body[1]])
        if body[0] and self._clean:
            raise ProtocolError("a clean session cannot be present")  # [3.2.2-1]
        self._phase = "connected"
        self.connected = 1
        events.append(("connected", body[0]))

    def _take_puback(self, body, events):
        if len(body) != 2:
            raise ProtocolError("PUBACK is malformed")
        packet_id = body[0] << 8 | body[1]
        for index in range(len(self._flight)):
            if self._flight[index][0] == packet_id:
                self._flight.pop(index)
                events.append(("puback", packet_id))
                return
        # A second PUBACK follows a redelivery: no error.

    def _take_suback(self, body, events):
        if len(body) < 3:
            raise ProtocolError("SUBACK is malformed")
        packet_id = body[0] << 8 | body[1]
        asked = self._asked.pop(packet_id, None)
        codes = tuple(body[2:])
        if asked is None or len(codes) != len(asked):
            raise ProtocolError("SUBACK does not fit what was asked")
        for index in range(len(codes)):
            if codes[index] != 0x80 and codes[index] > asked[index]:  # [3.9.3-2]
                raise ProtocolError("SUBACK does not fit what was asked")
        events.append(("suback", packet_id, codes))

    def _take_message(self, first, body, events):
        qos, topic, packet_id, at = self._message_head(first, body)
        if qos:
            self._owed += bytes((PUBACK, 2, packet_id >> 8, packet_id & 0xFF))  # [4.3.2-2, 4.5.0-2]
        events.append(("message", topic, body[at:], qos, first & 1, first >> 3 & 1))

    def _skip_message(self, data, at, length, events):
        """Leave out a message that is too long to hold, but answer it so that it does not come back."""
        if data[0] & 0xF0 != PUBLISH:
            raise ProtocolError("a packet of {} bytes is too long".format(length))
        have = data[at : at + length]
        if len(have) < 2 or len(have) < (have[0] << 8 | have[1]) + 4:
            if len(have) > self._max_packet:
                raise ProtocolError("a topic name is too long")
            return 0
        qos, topic, packet_id, _ = self._message_head(data[0], have)
        if qos:
            self._owed += bytes((PUBACK, 2, packet_id >> 8, packet_id & 0xFF))
        self.oversized += 1
        self._skip = length - len(have)
        events.append(("oversized", topic))
        return at + len(have)

    def _message_head(self, first, body):
        """Return (qos, topic, packet id or 0, where the payload begins)."""
        qos = first >> 1 & 3
        if qos > 1 or (qos == 0 and first & 0x08):  # [3.3.1-4, -2]; we never ask for QoS 2
            raise ProtocolError("PUBLISH flags are wrong")
        if len(body) < 2:
            raise ProtocolError("PUBLISH is malformed")
        at = (body[0] << 8 | body[1]) + 2
        if len(body) < at + 2 * qos:
            raise ProtocolError("PUBLISH is malformed")
        topic = _check_text(body[2:at], ProtocolError)
        if not topic or "#" in topic or "+" in topic:
            raise ProtocolError("a topic name is not empty and holds no wildcard")
        packet_id = 0
        if qos:
            packet_id = body[at] << 8 | body[at + 1]
            if not packet_id:
                raise ProtocolError("packet id 0 is not allowed")  # [2.3.1-1]
            at += 2
        return qos, topic, packet_id, at


def _packet(first, body):
    return bytes((first,)) + remaining_length(len(body)) + body
