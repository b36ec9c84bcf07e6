"""The frame's line to the broker: a task of its own that can never hold up the law.

Every await has a bound, every queue has an end, and what is lost is counted.
One message waits for its acknowledgement at a time: first the few states and
answers in memory (a newer retained one replaces an older), then the journal,
oldest first. Sessions are clean: an order must not wait at the broker for a
frame that is away.

A session ends in one of six ways: 1 network gone, 2 connect failed or too
slow, 3 refused by the broker, 4 protocol broken or peer silent, 5 peer closed,
6 asked to stop. All but 6 lead to a pause that grows and is partly random, so
that many frames do not come back in the same second.
"""

import asyncio
import json

from . import dating
from .clock import NONE, ticks_diff, ticks_ms
from .journal import Journal
from .mqtt_core import MqttCore, ProtocolError
from .net import is_numeric, open_stream, sleep_ms, tls_context, wait_for_ms

# chosen: bounds of the waits
CONNECT_MS = 4_000
WRITE_MS = 5_000
ACK_MS = 10_000
CLOCK_MS = 30_000
RETRY_MS = (1_000, 300_000)
SETTLE = 3  # times the first retry pause
FORGET_AFTER = 5  # failed connections after which the address of a name is looked up again
READ_BYTES = 512
OUTBOX = 12
INBOX = 8
_JOURNALED = ("readings", "events")


class Link:
    """Queue and task.

    up           1 while messages can be handed over
    sent got     messages acknowledged by the broker / taken in, since start
    refused      incoming messages left out: too long, unknown topic, inbox full
    dropped      outgoing messages lost because the outbox was full (the journal counts its own)
    sessions     connections that were accepted
    last_error   one sentence about the last end of a session, "" when none
    boot uptime_s position_permille   told by app.py
    updates      1 when the frame takes firmware over this line; set by app.py before `run`
    """

    def __init__(self, fittings, board):
        options = fittings["mqtt"]
        self._host, self._port = options["host"], options.get("port", 1883)
        self._address = self._host if is_numeric(self._host) else None
        self._prefix = "frames/{}/".format(fittings["frame"])
        self._retry = fittings.get("link_retry_ms", RETRY_MS)
        # Stored records wait a little after connecting: a broker that has just restarted may be there
        # before the host has subscribed again, and would acknowledge what nobody hears.
        self._settle_ms = SETTLE * self._retry[0]
        self._ack_ms = fittings.get("link_ack_ms", ACK_MS)
        self._board = board
        self._tls = None
        self._tls_name = options.get("name", self._host)
        if options.get("ca"):
            self._tls = tls_context(options["ca"])
        self._core = MqttCore(
            options.get("client", fittings["frame"]),
            keep_alive_s=options.get("keep_alive_s", 60),
            clean=1,
            user=options.get("user"),
            password=options.get("password"),
        )
        self.journal = Journal(board.storage)
        self._outbox = []  # [suffix, payload, qos, retain]
        self._flying = None  # (packet id, journal record or None)
        self._flying_ms = self._up_ms = 0
        self._inbox = []
        self._wake = asyncio.Event()
        self._stopping = self._failures = 0
        self._unsubscribed = 0
        self.up = self.sent = self.got = self.refused = self.dropped = self.sessions = 0
        self.updates = 0
        self.last_error = ""
        self.boot = self.uptime_s = 0
        self.position_permille = 0
        self.held_off_ms = 0  # app.py: first connect not before this, after repeated crashes

    # -- called by the shell, never waits -------------------------------------------------

    @property
    def waiting(self):
        """Return how many messages are not handed over yet."""
        return len(self._outbox) + self.journal.waiting + len(self._core.unacknowledged())

    def send(self, suffix, payload, qos, retain):
        """Take a message for `frames/<frame>/<suffix>`; payload is JSON in bytes."""
        if suffix in _JOURNALED:
            if self._board.unix_s() == NONE:
                payload = dating.mark(payload, self.boot, self.uptime_s)
            self.journal.add(suffix, payload, self.up)
        else:
            self._enqueue([suffix, payload, qos, retain])
        self._wake.set()

    def take(self):
        """Return what has come in since the last call: list of (suffix, payload)."""
        taken, self._inbox = self._inbox, []
        return taken

    def _enqueue(self, item):
        if item[3]:
            self._outbox = [other for other in self._outbox if other[0] != item[0]]
        while len(self._outbox) >= OUTBOX:
            oldest = [index for index in range(len(self._outbox)) if not self._outbox[index][3]]
            self._outbox.pop(oldest[0] if oldest else 0)
            self.dropped += 1
        self._outbox.append(item)

    async def stop(self):
        """Say here:false and leave, within a bounded time; then `run` returns."""
        self._stopping = 1
        if self.up:
            self._enqueue(["presence", self._presence(False), 1, 1])
            self._wake.set()
            for _ in range(WRITE_MS // 20):
                if not self.up:
                    break
                await sleep_ms(20)
        self.journal.spill()

    # -- the task ------------------------------------------------------------------------

    async def run(self):
        """Connect, serve, pause, again; until `stop`."""
        if self.held_off_ms:
            await sleep_ms(self.held_off_ms)
        pause = self._retry[0]
        while not self._stopping:
            before = self.sessions
            self._failures += 1
            if self._board.network_up():
                try:
                    await self._session()
                    self.last_error = ""
                except Exception as error:  # nothing that happens on the line may end this task
                    self.last_error = "{}: {}".format(type(error).__name__, error)
            if self._stopping:
                return
            if self.sessions != before:
                pause = self._retry[0]
                self._failures = 0
            await sleep_ms(self._random_ms(pause))
            pause = min(pause * 2, self._retry[1])

    def _random_ms(self, pause):
        """Return between half and one and a half of `pause`."""
        noise = self._board.random_bytes(2)
        return pause // 2 + pause * (noise[0] << 8 | noise[1]) // 65_536

    async def _find_address(self):
        """Return the numeric address; a name is looked up once, and again after several failures."""
        if self._address is None or (self._failures >= FORGET_AFTER and not is_numeric(self._host)):
            from .names import look_up

            self._address = await look_up(self._host, self._board.name_server(), self._board.random_bytes)
            self._failures = 0
        return self._address

    def _presence(self, here):
        unix_s = self._board.unix_s()
        return json.dumps({
            "v": 1,
            "here": here,
            "boot": self.boot,
            "time_s": None if unix_s == NONE else unix_s,
            "position_permille": self.position_permille,
        }, separators=(",", ":")).encode()

    async def _session(self):
        core = self._core
        core.reset()
        core.will = (self._prefix + "presence", self._presence(False), 1, 1)
        address = await self._find_address()
        stream = await wait_for_ms(open_stream(address, self._port, self._tls, self._tls_name), CONNECT_MS)
        reader = None
        try:
            await wait_for_ms(stream.write(core.connect(ticks_ms())), WRITE_MS)
            await wait_for_ms(self._await_answer(stream), CONNECT_MS)
            now = ticks_ms()
            self._flying_ms = self._up_ms = now
            filters = [(self._prefix + "settings/wanted", 1), (self._prefix + "orders", 1)]
            if self.updates:
                filters.append((self._prefix + "update", 1))
            packet = core.subscribe(filters, now)[1]
            self._unsubscribed = 1
            await wait_for_ms(stream.write(packet + core.resend(now)), WRITE_MS)
            self._outbox = [item for item in self._outbox if item[0] != "presence"]
            self._outbox.insert(0, ["presence", self._presence(True), 1, 1])
            self.sessions += 1
            self.up = 1
            self._reader_error = None
            reader = asyncio.create_task(self._read(stream))
            await self._write(stream)
        finally:
            self.up = 0
            core.connected = 0
            if reader is not None:
                reader.cancel()
            stream.close()
            self.journal.spill()

    async def _await_answer(self, stream):
        while not self._core.connected:
            data = await stream.read(READ_BYTES)
            if not data:
                raise OSError("the broker closed the connection")
            self._handle(self._core.feed(data))

    async def _read(self, stream):
        """Take bytes in until the connection ends; the reason is left in `_reader_error`."""
        try:
            while True:
                data = await stream.read(READ_BYTES)
                if not data:
                    raise OSError("the broker closed the connection")
                full = self._handle(self._core.feed(data))
                self._wake.set()
                # A flood is slowed down at its source: unread bytes fill the peer's window.
                await sleep_ms(50 if full else 0)
        except Exception as error:
            self._reader_error = error
            self._wake.set()

    def _handle(self, events):
        """Act on the core's events; 1 when the inbox overflowed."""
        full = 0
        for event in events:
            if event[0] == "puback":
                self.sent += 1
                if self._flying is not None and self._flying[0] == event[1]:
                    if self._flying[1] is not None:
                        self.journal.done(self._flying[1])
                    self._flying = None
            elif event[0] == "message":
                full |= self._take_message(event[1], event[2])
            elif event[0] == "oversized":
                self.refused += 1
            elif event[0] == "suback":
                self._unsubscribed = 0
                # The third is for updates, which a broker with older rules may keep from us.
                if 0x80 in event[2][:2]:
                    raise ProtocolError("the broker does not let this frame read its settings and orders")
        return full

    def _take_message(self, topic, payload):
        if not topic.startswith(self._prefix):
            self.refused += 1
            return 0
        suffix = topic[len(self._prefix) :]
        if suffix == "settings/wanted":  # only the newest counts
            self._inbox = [item for item in self._inbox if item[0] != suffix]
        elif suffix != "orders" and not (suffix == "update" and self.updates):
            self.refused += 1
            return 0
        if len(self._inbox) >= INBOX:
            self.refused += 1
            return 1
        self.got += 1
        self._inbox.append((suffix, bytes(payload)))
        return 0

    async def _write(self, stream):
        """Send what is owed, due and waiting, until the connection ends or `stop` is done."""
        core = self._core
        while True:
            if self._reader_error is not None:
                raise self._reader_error
            now = ticks_ms()
            out = core.owed(now) + core.tick(now)
            if not core.unacknowledged():
                out += self._next(now)
                if not out and self._stopping:
                    await wait_for_ms(stream.write(core.disconnect()), WRITE_MS)
                    return
            if ticks_diff(now, self._flying_ms) > self._ack_ms and (core.unacknowledged() or self._unsubscribed):
                raise ProtocolError("the broker does not acknowledge")
            if out:
                await wait_for_ms(stream.write(out), WRITE_MS)
                continue
            self._wake.clear()
            try:
                await wait_for_ms(self._wake.wait(), 500)
            except asyncio.TimeoutError:
                pass

    def _waits_for_clock(self, payload, now):
        """Say whether to hold an undated record back: the host sets the clock soon after presence."""
        if self._board.unix_s() != NONE or not dating.is_open(payload, self.boot):
            return 0
        return ticks_diff(now, self._up_ms) < CLOCK_MS

    def _next(self, now):
        """Return the next PUBLISH, b"" when nothing waits."""
        record = None
        if self._outbox:
            suffix, payload, qos, retain = self._outbox.pop(0)
        else:
            if self._stopping or ticks_diff(now, self._up_ms) < self._settle_ms:
                return b""
            record = self.journal.peek()
            if record is None or self._waits_for_clock(record[1], now):
                return b""
            payload = dating.date(record[1], self.boot, self.uptime_s, self._board.unix_s())
            suffix, qos, retain = record[0], 1, 0
        packet_id, packet = self._core.publish(self._prefix + suffix, payload, qos, retain, now)
        if packet_id:
            self._flying = (packet_id, record)
            self._flying_ms = now
        else:
            self.sent += 1
        return packet
