"""Looking up the broker's name: one small question over UDP, never a blocking call."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sash import names, net

# Source of the packet form: RFC 1035, sections 4.1.1-4.1.4. The example is invented; 192.0.2.0/24 is for documentation.
QUERY = names.question("broker.example", 0x1234)


def reply(number: int = 0x1234, flags: bytes = b"\x81\x80", answers: bytes = b"", count: int = 0) -> bytes:
    """A reply to QUERY."""
    head = bytes((number >> 8, number & 255)) + flags + b"\x00\x01" + bytes((0, count)) + b"\x00\x00\x00\x00"
    return head + QUERY[12:] + answers


ADDRESS = b"\xc0\x0c\x00\x01\x00\x01\x00\x00\x00\x3c\x00\x04\xc0\x00\x02\x07"
ALIAS = b"\xc0\x0c\x00\x05\x00\x01\x00\x00\x00\x3c\x00\x06\x03box\xc0\x13"


def test_question_is_the_bytes_of_rfc_1035() -> None:
    """The query must ask for one A record, recursion desired."""
    assert bytes.fromhex("123401000001000000000000") + b"\x06broker\x07example\x00\x00\x01\x00\x01" == QUERY


@pytest.mark.parametrize("name", ["", ".", "a..b", "x" * 64])
def test_no_host_name_is_refused(name: str) -> None:
    """What cannot be a host name must be refused in words."""
    with pytest.raises(ValueError, match="host name"):
        names.question(name, 1)


def test_address_is_found_behind_an_alias() -> None:
    """The first A record counts, also after a CNAME."""
    assert names.answer(reply(answers=ADDRESS, count=1), 0x1234) == "192.0.2.7"
    assert names.answer(reply(answers=ALIAS + ADDRESS, count=2), 0x1234) == "192.0.2.7"
    assert names.answer(reply(0, answers=ADDRESS, count=1), 0x1234) == "192.0.2.7"  # multicast answers carry 0


def test_foreign_failed_and_cut_replies_are_none() -> None:
    """Another number, an error code, no answer and a packet cut at any byte must give None."""
    whole = reply(answers=ADDRESS, count=1)
    assert names.answer(reply(0x1235, answers=ADDRESS, count=1), 0x1234) is None
    assert names.answer(reply(flags=b"\x81\x83"), 0x1234) is None
    assert names.answer(reply(), 0x1234) is None
    assert names.answer(QUERY, 0x1234) is None
    assert all(names.answer(whole[:size], 0x1234) is None for size in range(len(whole)))


@given(st.binary(max_size=80))
def test_any_bytes_give_an_address_or_none(data: bytes) -> None:
    """Whatever arrives, nothing may be raised."""
    found = names.answer(data, 5)
    assert found is None or net.is_numeric(found)


class Server(threading.Thread):
    """A name server on loopback that leaves the first `deaf` questions unanswered."""

    def __init__(self, deaf: int) -> None:
        super().__init__(daemon=True)
        self.asked = 0
        self._deaf = deaf
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self.address = self._socket.getsockname()

    def run(self) -> None:
        while True:
            try:
                query, peer = self._socket.recvfrom(512)
            except OSError:
                return
            if not query:
                return
            self.asked += 1
            if self.asked > self._deaf:
                number = query[0] << 8 | query[1]
                self._socket.sendto(b"junk", peer)
                self._socket.sendto(reply(number ^ 1, answers=ADDRESS, count=1), peer)
                self._socket.sendto(reply(number, answers=ADDRESS, count=1), peer)

    def close(self) -> None:
        """Stop it."""
        self._socket.sendto(b"", self.address)
        self.join(5)
        self._socket.close()


@pytest.fixture
def server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """A running name server."""
    started = Server(request.param)
    started.start()
    yield started
    started.close()


def random_bytes(count: int) -> bytes:
    """Invented noise."""
    return bytes(range(7, 7 + count))


@pytest.mark.system
@pytest.mark.parametrize("server", [0, 1], indirect=True)
def test_look_up_over_udp(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """The address must be found, after a lost question too, while other tasks keep running."""
    monkeypatch.setattr(names, "WAIT_MS", 200)
    ticks = 0

    async def tick() -> None:
        nonlocal ticks
        while True:
            await asyncio.sleep(0.005)
            ticks += 1

    async def go() -> str:
        ticking = asyncio.create_task(tick())
        try:
            return await names.look_up("broker.example", server.address, random_bytes)
        finally:
            ticking.cancel()

    assert asyncio.run(go()) == "192.0.2.7"
    assert ticks >= 1  # none, if it waited without letting others run


@pytest.mark.system
@pytest.mark.parametrize("server", [99], indirect=True)
def test_silent_name_server_is_bounded(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an answer the look-up must end after its tries, in words."""
    monkeypatch.setattr(names, "WAIT_MS", 100)
    with pytest.raises(OSError, match=r"broker\.example"):
        asyncio.run(names.look_up("broker.example", server.address, random_bytes))
    assert server.asked == names.TRIES


@pytest.mark.parametrize(
    ("host", "numeric"),
    [
        ("127.0.0.1", True),
        ("192.0.2.255", True),
        ("256.0.0.1", False),
        ("1.2.3", False),
        ("a.b.c.d", False),
        ("", False),
    ],
)
def test_numeric_addresses_are_told_from_names(host: str, numeric: bool) -> None:
    """Only four numbers below 256 are an address that needs no look-up."""
    assert net.is_numeric(host) is numeric
