"""The link's own rules, in virtual time: no socket, no waiting."""

from __future__ import annotations

import asyncio
import collections
import itertools
import json
import sys
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sash import link as link_module
from sash.clock import NONE
from sash.link import ACK_MS, CLOCK_MS, CONNECT_MS, INBOX, OUTBOX

sys.path.insert(0, str(Path(__file__).parent))
from link_bench import Line, Peer, VirtualLoop, line


@pytest.fixture
def virtual(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Runs a scene (coroutine function) with its lines connected, in virtual time."""
    loop = VirtualLoop()
    monkeypatch.setattr(link_module, "ticks_ms", lambda: int(loop.time() * 1000) & (2**30 - 1))

    def run(scene: Callable[..., Awaitable[None]], *lines: Line) -> None:
        by_port = {each.port: each for each in lines}

        async def open_stream(_address: str, port: int, *_: Any) -> Peer:
            return await by_port[port].open()

        async def go() -> None:
            tasks = [asyncio.create_task(each.link.run()) for each in lines]
            try:
                await scene(*lines)
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)

        monkeypatch.setattr(link_module, "open_stream", open_stream)
        loop.run_until_complete(go())

    yield run
    loop.close()


PACK = b'[{"bn":"north/","bt":1767225600,"n":"seq","u":"count","v":%d},{"n":"boot","u":"count","v":5}]'


def test_connects_subscribes_and_says_here(virtual: Callable[..., None]) -> None:
    """The order must be CONNECT with a will, SUBSCRIBE to exactly two filters, presence here:true retained."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(1)
        (_, first, connect), (_, _, subscribe) = one.peer.packets[:2]
        assert first == 0x10
        assert connect[7] == 0x80 | 0x40 | 0x20 | 0x08 | 0x04 | 0x02
        assert b"frames/north/presence" in connect
        assert b'"here":false' in connect
        assert b"\x00\x05north" in connect
        assert subscribe[2:] == b"\x00\x1cframes/north/settings/wanted\x01\x00\x13frames/north/orders\x01"
        suffix, payload, first = one.peer.published()[0]
        assert (suffix, json.loads(payload)["here"], first) == ("presence", True, 0x33)
        assert (one.link.up, one.link.sent, one.link.sessions) == (1, 1, 1)

    virtual(scene, line())


def test_one_message_at_a_time(virtual: Callable[..., None]) -> None:
    """While one message is unacknowledged no other may go out."""

    async def scene(one: Line) -> None:
        for n in range(5):
            one.link.send("orders/answer", b'{"n":%d}' % n, 1, 0)
        await asyncio.sleep(5)
        assert one.peer.suffixes() == ["presence"]

    virtual(scene, line(lambda _: Peer(mute=("publish",))))


def test_missing_acknowledgement_ends_the_session_and_resends(virtual: Callable[..., None]) -> None:
    """After the bound the link must reconnect and send the same bytes again with DUP, then go on in order."""

    async def scene(one: Line) -> None:
        one.link.send("orders/answer", b'{"n":1}', 1, 0)
        await asyncio.sleep(ACK_MS / 1000 - 1)
        assert len(one.peers) == 1
        await asyncio.sleep(5)
        assert len(one.peers) == 2
        assert one.peers[0].closed
        first, again = one.peers[0].packets[2], one.peers[1].packets[2]
        assert again[1] == first[1] | 0x08
        assert again[2] == first[2]
        assert one.peer.suffixes() == ["presence", "presence", "orders/answer"]

    virtual(scene, line(lambda n: Peer(mute=("publish",)) if n == 1 else Peer()))


@pytest.mark.parametrize("mute", ["connect", "subscribe", "write"])
def test_silence_at_any_stage_is_bounded(virtual: Callable[..., None], mute: str) -> None:
    """A broker that accepts the connection and then says nothing must be left within 15 s, its socket closed."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(15)
        assert len(one.peers) > 1
        assert one.peers[0].closed
        assert one.link.last_error

    virtual(scene, line(lambda _: Peer(mute=(mute,))))


def test_connecting_that_never_ends_is_bounded(virtual: Callable[..., None]) -> None:
    """A connect without an answer must be given up and tried again."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(CONNECT_MS / 1000 + 2)
        assert len(one.attempts_s) == 2

    virtual(scene, line(lambda _: None))


def test_quiet_line_is_pinged_within_keep_alive(virtual: Callable[..., None]) -> None:
    """On a quiet line PINGREQ must follow PINGREQ within keep-alive, and the session must last."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(300)
        times = [0.0, *one.packets(0xC0)]
        assert len(times) > 5
        assert max(later - earlier for earlier, later in itertools.pairwise(times)) <= 60
        assert len(one.peers) == 1

    virtual(scene, line())


def test_missing_ping_answer_ends_the_session(virtual: Callable[..., None]) -> None:
    """Ten seconds without PINGRESP must end the session, which is noticed within keep-alive and ten seconds."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(75)
        assert one.peers[0].closed
        assert len(one.peers) == 2

    virtual(scene, line(lambda _: Peer(mute=("ping",))))


def test_retained_states_replace_and_answers_are_bounded(virtual: Callable[..., None]) -> None:
    """While away only the newest of a retained topic is kept, answers are bounded, and losses are counted."""

    async def scene(one: Line) -> None:
        for n in range(50):
            one.link.send("report", b'{"n":%d}' % n, 1, 1)
            one.link.send("orders/answer", b'{"n":%d}' % n, 1, 0)
        assert one.link.dropped == 50 - (OUTBOX - 1)
        one.board.network = 1
        await asyncio.sleep(400)
        sent = [(suffix, payload) for suffix, payload, _ in one.peer.published()]
        assert sent[0][0] == "presence"
        assert [payload for suffix, payload in sent if suffix == "report"] == [b'{"n":49}']
        kept = [payload for suffix, payload in sent if suffix == "orders/answer"]
        assert kept == [b'{"n":%d}' % n for n in range(50 - len(kept), 50)]

    away = line()
    away.board.network = 0
    virtual(scene, away)


def test_never_connects_while_the_network_is_down(virtual: Callable[..., None]) -> None:
    """Without a network no connection and no look-up may be tried."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(3600)
        assert one.attempts_s == []
        assert one.link.up == 0

    away = line()
    away.board.network = 0
    virtual(scene, away)


def test_messages_reach_the_inbox_and_are_acknowledged(virtual: Callable[..., None]) -> None:
    """Orders arrive in order, of wanted settings only the newest, everything is acknowledged."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(1)
        one.peer.publish("frames/north/settings/wanted", b"old", 1)
        one.peer.publish("frames/north/orders", b"first", 2)
        one.peer.publish("frames/north/settings/wanted", b"new", 3)
        one.peer.publish("frames/north/orders", b"second", 4)
        await asyncio.sleep(1)
        assert one.link.take() == [("orders", b"first"), ("settings/wanted", b"new"), ("orders", b"second")]
        assert one.link.take() == []
        acked = [body for _, first, body in one.peer.packets if first == 0x40]
        assert acked == [b"\x00\x01", b"\x00\x02", b"\x00\x03", b"\x00\x04"]

    virtual(scene, line())


def test_foreign_oversized_and_surplus_messages_are_counted(virtual: Callable[..., None]) -> None:
    """Other topics, too long payloads and orders beyond the inbox must be left out, acknowledged and counted."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(1)
        one.peer.publish("frames/south/orders", b"x")
        one.peer.publish("frames/north/report", b"x")
        one.peer.publish("frames/north/orders", b"x" * 5000)
        await asyncio.sleep(1)
        assert (one.link.refused, one.link.take()) == (3, [])
        for n in range(INBOX + 5):
            one.peer.publish("frames/north/orders", b"%d" % n)
        await asyncio.sleep(2)
        assert one.link.refused == 8
        assert [payload for _, payload in one.link.take()] == [b"%d" % n for n in range(INBOX)]
        assert len(one.packets(0x40)) == 3 + INBOX + 5
        assert one.link.up == 1

    virtual(scene, line())


@pytest.mark.parametrize(
    ("peer", "words"),
    [
        (lambda: Peer(connack=b"\x20\x02\x00\x04"), "user name or password"),
        (lambda: Peer(suback=0x80), "does not let this frame read"),
        (lambda: OSError(111, "refused"), "refused"),
        (lambda: Peer(connack=b""), "closed"),
    ],
)
def test_end_of_a_session_is_told_in_words(virtual: Callable[..., None], peer: Callable[[], Any], words: str) -> None:
    """Why there is no link must be said in a sentence."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(0.4)
        assert words in one.link.last_error
        assert one.link.up == 0

    virtual(scene, line(lambda _: peer()))


def test_malformed_packet_closes_and_the_next_session_works(virtual: Callable[..., None]) -> None:
    """A broker that breaks the protocol must be left; a sound one afterwards must be used."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(1)
        one.peer.say(b"\xf0\x00")
        await asyncio.sleep(3)
        assert one.peers[0].closed
        assert one.link.sessions == 2
        assert one.link.up == 1

    virtual(scene, line())


def test_readings_wait_for_their_acknowledgement(virtual: Callable[..., None]) -> None:
    """Readings made while away go out in order after the reports, and leave the journal one by one."""

    async def scene(one: Line) -> None:
        for n in range(20):
            one.link.send("readings", PACK % n, 1, 0)
        one.link.send("report", b"{}", 1, 1)
        assert one.link.waiting == 21
        one.board.network = 1
        await asyncio.sleep(600)
        assert one.peer.suffixes() == ["presence", "report"] + ["readings"] * 20
        assert [payload for _, payload, _ in one.peer.published()[2:]] == [PACK % n for n in range(20)]
        assert one.link.waiting == 0
        assert not one.board.storage.files

    away = line()
    away.board.network = 0
    virtual(scene, away)


def test_stored_readings_wait_until_the_host_can_have_come_back(virtual: Callable[..., None]) -> None:
    """Within three first retry pauses after connecting no stored record may go out, states may."""

    async def scene(one: Line) -> None:
        one.link.send("readings", PACK % 1, 1, 0)
        one.link.send("report", b"{}", 1, 1)
        await asyncio.sleep(2.9)
        assert one.peer.suffixes() == ["presence", "report"]
        await asyncio.sleep(1)
        assert one.peer.suffixes() == ["presence", "report", "readings"]

    virtual(scene, line())


def test_undated_readings_wait_for_the_clock_but_not_for_ever(virtual: Callable[..., None]) -> None:
    """Without a clock readings are held for half a minute; then they go out without a time rather than never."""

    async def scene(one: Line) -> None:
        one.board.clock_s = NONE
        one.link.boot, one.link.uptime_s = 5, 40
        one.link.send("readings", b'[{"bn":"north/","n":"seq","u":"count","v":1}]', 1, 0)
        await asyncio.sleep(CLOCK_MS / 1000 - 2)
        assert one.peer.suffixes() == ["presence"]
        await asyncio.sleep(4)
        assert one.peer.published()[1][1] == b'[{"bn":"north/","n":"seq","u":"count","v":1}]'

    virtual(scene, line())


def test_undated_readings_are_dated_at_hand_over(virtual: Callable[..., None]) -> None:
    """Once the clock is set, what was noted before must go out with the time at which it was noted."""

    async def scene(one: Line) -> None:
        one.board.clock_s = NONE
        one.link.boot, one.link.uptime_s = 5, 40
        one.link.send("readings", b'[{"bn":"north/","n":"seq","u":"count","v":1}]', 1, 0)
        await asyncio.sleep(5)
        one.board.clock_s, one.link.uptime_s = 1767225600, 100
        await asyncio.sleep(2)
        assert json.loads(one.peer.published()[1][1])[0]["bt"] == 1767225600 - 60

    virtual(scene, line())


def test_clean_stop_says_gone_then_disconnects(virtual: Callable[..., None]) -> None:
    """A stop must publish here:false, wait for its acknowledgement, send DISCONNECT and nothing after it."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(5)
        await one.link.stop()
        await asyncio.sleep(0.1)
        suffix, payload, first = one.peer.published()[-1]
        assert (suffix, json.loads(payload)["here"], first & 1) == ("presence", False, 1)
        assert one.peer.packets[-1][1] == 0xE0
        assert one.peer.closed
        assert one.link.up == 0
        await asyncio.sleep(1000)
        assert len(one.attempts_s) == 1

    virtual(scene, line())


def test_stop_is_bounded_when_the_broker_is_frozen(virtual: Callable[..., None]) -> None:
    """A broker that does not answer must not hold up a stop for more than six seconds."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(1)
        before = asyncio.get_running_loop().time()
        await one.link.stop()
        assert asyncio.get_running_loop().time() - before < 6

    virtual(scene, line(lambda _: Peer(mute=("publish",))))


def test_pauses_grow_to_their_bound_and_start_anew_after_a_session(virtual: Callable[..., None]) -> None:
    """Pauses must double up to the bound, each between half and one and a half, and be short again after a session."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(40_000)
        times = one.attempts_s
        gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
        for number, gap in enumerate(gaps[:30]):
            wanted = min(2**number, 300)
            assert 0.5 * wanted - 0.01 <= gap <= 1.5 * wanted + 0.01
        assert len(set(gaps[10:30])) > 15
        assert gaps[31] < ACK_MS / 1000 + 2  # the session ends when its first message stays unanswered

    def peers(number: int) -> Any:
        return Peer(mute=("publish",)) if number == 32 else OSError(111, "refused")

    virtual(scene, line(peers))


def test_fifty_frames_do_not_come_back_in_the_same_second(virtual: Callable[..., None]) -> None:
    """When a broker dies under 50 frames, no second of the next five minutes may hold 20 % of all attempts."""

    async def scene(*lines: Line) -> None:
        await asyncio.sleep(5)
        assert all(each.link.up for each in lines)
        start_s = asyncio.get_running_loop().time()
        for each in lines:
            each.peer.say(b"")
        await asyncio.sleep(300)
        attempts = [at_s - start_s for each in lines for at_s in each.attempts_s if at_s > start_s]
        counts = collections.Counter(int(at_s) for at_s in attempts)
        assert len(attempts) > 300
        assert max(counts.values()) < 0.2 * len(attempts)

    def peers(number: int) -> Any:
        return Peer() if number == 1 else OSError(111, "refused")

    virtual(scene, *[line(peers, seed) for seed in range(1, 51)])


def test_held_off_link_starts_late(virtual: Callable[..., None]) -> None:
    """After repeated crashes the first connection must wait as long as the shell says."""

    async def scene(one: Line) -> None:
        await asyncio.sleep(899)
        assert one.attempts_s == []
        await asyncio.sleep(2)
        assert len(one.attempts_s) == 1

    late = line()
    late.link.held_off_ms = 900_000
    virtual(scene, late)


def test_ten_weeks_with_drops_lose_and_double_nothing(virtual: Callable[..., None]) -> None:
    """Over 70,000 acknowledged messages, packet ids wrapped and lines dropped: all arrive, once, in order."""
    total = 70_200

    class Dropping(Peer):
        """Drops the line after a thousand messages, before acknowledging the last."""

        def _take(self, first: int, body: bytes) -> None:
            if first & 0xF0 == 0x30 and len(self.packets) == 1000:
                self.packets.append((0, first, body))
                self.say(b"")
                return
            super()._take(first, body)

    async def scene(one: Line) -> None:
        await asyncio.sleep(5)
        n = 0
        while n < total:
            if one.link.waiting < 6:
                one.link.send("readings", PACK % n, 1, 0)
                n += 1
            else:
                await asyncio.sleep(0.01)
        await asyncio.sleep(60)
        heard = [
            payload for peer in one.peers for suffix, payload, _ in peer.published() if suffix == "readings"
        ]
        once = list(dict.fromkeys(heard))
        assert once == [PACK % n for n in range(total)]
        assert len(heard) - len(once) <= len(one.peers)
        assert one.link.journal.dropped == 0

    virtual(scene, line(lambda _: Dropping(), link_retry_ms=[10, 20]))
