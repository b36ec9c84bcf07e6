"""A link on the desk, in virtual time: the clock of the loop jumps, and `Peer` plays the broker, packet by packet."""

from __future__ import annotations

import asyncio
import random
import selectors
from collections.abc import Callable
from typing import Any

from sash.link import Link

FITTINGS = {"frame": "north", "mqtt": {"host": "192.0.2.1", "port": 1883, "user": "north", "password": "invented"}}


class JumpingSelector(selectors.SelectSelector):
    """Nothing ever arrives from outside: instead of waiting, the clock is moved on."""

    now_s = 0.0

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise AssertionError("everything waits and no timer runs")
        self.now_s += max(timeout, 0)
        return super().select(0)


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps."""

    def __init__(self) -> None:
        self.jumping = JumpingSelector()
        super().__init__(self.jumping)

    def time(self) -> float:
        return self.jumping.now_s


class Memory:
    """Storage in memory."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}

    def names(self) -> list[str]:
        return list(self.files)

    def read(self, name: str) -> bytes | None:
        return self.files.get(name)

    def append(self, name: str, data: bytes) -> None:
        self.files[name] = self.files.get(name, b"") + data

    def remove(self, name: str) -> None:
        self.files.pop(name, None)


class FakeBoard:
    """What the link asks of a board."""

    def __init__(self, seed: int = 1) -> None:
        self.storage = Memory()
        self.network = 1
        self.clock_s = 1767225600
        self._rng = random.Random(seed)

    def network_up(self) -> int:
        return self.network

    def unix_s(self) -> int:
        return self.clock_s

    def random_bytes(self, count: int) -> bytes:
        return self._rng.randbytes(count)


class Peer:
    """The broker's end of one connection. `mute` names packet types that stay unanswered."""

    def __init__(self, mute: tuple[str, ...] = (), connack: bytes = b"\x20\x02\x00\x00", suback: int = 1) -> None:
        self.packets: list[tuple[float, int, bytes]] = []  # when, first byte, body
        self.closed = False
        self._mute, self._connack, self._suback = mute, connack, suback
        self._out: asyncio.Queue[bytes] = asyncio.Queue()

    # -- what the link calls ----------------------------------------------------------------

    async def read(self, _size: int) -> bytes:
        return await self._out.get()

    async def write(self, data: bytes) -> None:
        assert not self.closed
        if "write" in self._mute:
            await asyncio.Event().wait()
        while data:
            length, at, shift = 0, 1, 0
            while True:
                length |= (data[at] & 127) << shift
                shift, at = shift + 7, at + 1
                if data[at - 1] < 128:
                    break
            self._take(data[0], data[at : at + length])
            data = data[at + length :]

    def close(self) -> None:
        self.closed = True

    # -- answering --------------------------------------------------------------------------

    def _take(self, first: int, body: bytes) -> None:
        self.packets.append((asyncio.get_running_loop().time(), first, body))
        kind = first & 0xF0
        if kind == 0x10 and "connect" not in self._mute:
            self.say(self._connack)
        elif kind == 0x80 and "subscribe" not in self._mute:
            self.say(bytes((0x90, 4, body[0], body[1], self._suback, self._suback)))
        elif kind == 0x30 and first & 6 and "publish" not in self._mute:
            size = body[0] << 8 | body[1]
            self.say(b"\x40\x02" + body[2 + size : 4 + size])
        elif kind == 0xC0 and "ping" not in self._mute:
            self.say(b"\xd0\x00")

    def say(self, data: bytes) -> None:
        """Send bytes to the frame."""
        self._out.put_nowait(data)

    def publish(self, topic: str, payload: bytes, packet_id: int = 7) -> None:
        """Send a QoS 1 message to the frame."""
        head = bytes((0, len(topic))) + topic.encode() + bytes((packet_id >> 8, packet_id & 255))
        size = len(head) + len(payload)
        self.say(bytes((0x32, size & 127 | 128, size >> 7)) + head + payload)

    def published(self) -> list[tuple[str, bytes, int]]:
        """(suffix, payload, first byte) of all PUBLISH so far."""
        out = []
        for _, first, body in self.packets:
            if first & 0xF0 == 0x30:
                size = body[0] << 8 | body[1]
                at = 2 + size + (2 if first & 6 else 0)
                out.append((body[2 : 2 + size].decode().split("/", 2)[2], body[at:], first))
        return out

    def suffixes(self) -> list[str]:
        """Suffixes of all PUBLISH so far."""
        return [suffix for suffix, _, _ in self.published()]


class Line:
    """A link whose connections are made by the test: peers(n) gives the broker's end of the n-th connection, an
    exception that connecting raises, or None when it never ends."""

    def __init__(self, peers: Callable[[int], Any], seed: int, **fittings: Any) -> None:
        self.board = FakeBoard(seed)
        self.port = seed
        # The port tells which line is meant when several run at once.
        options = {**FITTINGS, "mqtt": {**FITTINGS["mqtt"], "port": seed}, **fittings}  # type: ignore[dict-item]
        self.link = Link(options, self.board)
        self.attempts_s: list[float] = []
        self.peers: list[Peer] = []
        self._make = peers

    async def open(self) -> Peer:
        """One connection."""
        self.attempts_s.append(asyncio.get_running_loop().time())
        peer = self._make(len(self.attempts_s))
        if isinstance(peer, BaseException):
            raise peer
        if peer is None:
            await asyncio.Event().wait()
        self.peers.append(peer)
        return peer

    @property
    def peer(self) -> Peer:
        """The newest connection."""
        return self.peers[-1]

    def packets(self, kind: int) -> list[float]:
        """When packets of a type came in on the newest connection."""
        return [at_s for at_s, first, _ in self.peer.packets if first & 0xF0 == kind]


def line(peers: Callable[[int], Any] = lambda _: Peer(), seed: int = 1, **fittings: Any) -> Line:
    """A line to a broker that answers everything, unless told otherwise."""
    return Line(peers, seed, **fittings)
