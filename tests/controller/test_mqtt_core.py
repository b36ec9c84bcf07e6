"""The MQTT client's rules, byte by byte and without a socket.

Source of the statements in brackets: OASIS MQTT Version 3.1.1, 29 October 2014. Byte vectors were computed
from the standard; CONNECT, SUBSCRIBE, PUBLISH, PUBACK and PING were also sent to Mosquitto 2.0.11.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sash.mqtt_core import REFUSALS, MqttCore, ProtocolError, _check_text, remaining_length, text_bytes

CONNACK = bytes.fromhex("20020000")


def core(**options: Any) -> MqttCore:
    """A connected client with a clean session."""
    client = MqttCore("f1", **{"clean": 1, **options})
    client.connect(0)
    assert client.feed(CONNACK) == [("connected", 0)]
    return client


def hexed(data: bytes) -> str:
    """Bytes as the standard's tables print them."""
    return data.hex(" ").upper()


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0, "00"),
        (127, "7F"),
        (128, "80 01"),
        (321, "C1 02"),
        (16383, "FF 7F"),
        (16384, "80 80 01"),
        (2097151, "FF FF 7F"),
        (2097152, "80 80 80 01"),
        (268435455, "FF FF FF 7F"),
    ],
)
def test_remaining_length_table_2_4(value: int, expected: str) -> None:
    """Lengths must be written as table 2.4 of the standard says."""
    assert hexed(remaining_length(value)) == expected


@pytest.mark.parametrize("value", [-1, 268435456])
def test_remaining_length_out_of_range(value: int) -> None:
    """A length that four bytes cannot say must be refused."""
    with pytest.raises(ValueError, match="268435455"):
        remaining_length(value)


def test_string_of_section_1_5_3() -> None:
    """The standard's own example string must give its bytes (figure 1.2 of the standard)."""
    assert hexed(text_bytes("A\U0002a6d4")) == "00 05 41 F0 AA 9B 94"


@pytest.mark.parametrize("text", ["a\0b", "x" * 65536, "\ud800"])
def test_forbidden_text_is_not_sent(text: str) -> None:
    """U+0000, surrogates and over-long strings must never go out [1.5.3-1, -2]."""
    with pytest.raises(ValueError):
        text_bytes(text)


@given(st.binary(max_size=12) | st.text(st.characters(exclude_categories=("Cs",)), max_size=6).map(str.encode))
@settings(max_examples=500)
def test_text_check_agrees_with_the_strict_decoder(data: bytes) -> None:
    """Our own check must pass exactly what strict UTF-8 without U+0000 passes."""
    try:
        expected = data.decode()
    except ValueError:
        expected = "\0"
    if "\0" in expected:
        with pytest.raises(KeyError):
            _check_text(data, KeyError)
    else:
        assert _check_text(data, KeyError) == expected


def test_connect_vector() -> None:
    """CONNECT must be the computed bytes."""
    assert hexed(MqttCore("f1", clean=1).connect(0)) == "10 0E 00 04 4D 51 54 54 04 02 00 3C 00 02 66 31"


def test_connect_with_all_fields_in_order() -> None:
    """Flags must agree with the payload: client id, will topic, will message, user, password [3.1.3-1, 3.1.2-9]."""
    client = MqttCore("f1", clean=0, user="u", password="pw", will=("a/b", b"gone", 1, 1), keep_alive_s=258)
    packet = client.connect(0)
    assert packet[:12] == bytes.fromhex("1020") + b"\x00\x04MQTT\x04" + bytes((0x80 | 0x40 | 0x20 | 0x08 | 0x04, 1, 2))
    assert packet[12:] == b"\x00\x02f1" + b"\x00\x03a/b" + b"\x00\x04gone" + b"\x00\x01u" + b"\x00\x02pw"


def test_connect_goes_out_once() -> None:
    """A second CONNECT on one connection must be refused [3.1.0-2]; after a reset it is allowed."""
    client = core()
    with pytest.raises(ProtocolError):
        client.connect(0)
    client.reset()
    assert client.connect(0)[0] == 0x10


def test_impossible_clients_are_refused() -> None:
    """An empty id needs a clean session [3.1.3-7]; a password needs a user name [3.1.2-22]."""
    with pytest.raises(ValueError, match="clean session"):
        MqttCore("", clean=0)
    with pytest.raises(ValueError, match="user name"):
        MqttCore("f1", password="x")


def test_session_present_is_told() -> None:
    """CONNACK with session present must be reported for a kept session and refused for a clean one [3.2.2-1]."""
    kept = MqttCore("f1", clean=0)
    kept.connect(0)
    assert kept.feed(bytes.fromhex("20020100")) == [("connected", 1)]
    fresh = MqttCore("f1", clean=1)
    fresh.connect(0)
    with pytest.raises(ProtocolError, match="clean session"):
        fresh.feed(bytes.fromhex("20020100"))


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5])
def test_refusal_is_named(code: int) -> None:
    """Each refusal code must become its sentence."""
    client = MqttCore("f1", clean=1)
    client.connect(0)
    with pytest.raises(ProtocolError) as caught:
        client.feed(bytes((0x20, 2, 0, code)))
    assert str(caught.value) == REFUSALS[code]
    assert not client.connected


def test_publish_and_resend_vectors() -> None:
    """PUBLISH at QoS 1 must be the computed bytes, and the same with DUP when resent [3.3.1-1]."""
    client = core()
    client._last_id = 9
    assert client.publish("a/b", b"x", 1, 0, 0) == (10, bytes.fromhex("320800 03612F62 000A 78"))
    assert hexed(client.resend(0)) == "3A 08 00 03 61 2F 62 00 0A 78"
    assert client.feed(bytes.fromhex("4002000A")) == [("puback", 10)]
    assert client.resend(0) == b""


def test_publish_qos_0_and_retain() -> None:
    """QoS 0 has no packet id and is never resent; retain is bit 0."""
    client = core()
    assert client.publish("a/b", b"x", 0, 1, 0) == (0, bytes.fromhex("310600 03612F62 78"))
    assert client.unacknowledged() == []


def test_no_qos_2_and_no_wildcards() -> None:
    """QoS 2 is not spoken, and a topic name never holds a wildcard [3.3.2-2]."""
    client = core()
    with pytest.raises(ValueError, match="QoS"):
        client.publish("a", b"", 2, 0, 0)
    for topic in ("a/#", "+/b", ""):
        with pytest.raises(ValueError, match="topic"):
            client.publish(topic, b"", 0, 0, 0)


def test_subscribe_vector_and_refusal() -> None:
    """SUBSCRIBE must be the computed bytes; code 80 is a failure that the owner sees."""
    client = core()
    assert client.subscribe([("c/#", 1)], 0) == (1, bytes.fromhex("8208 0001 0003 632F23 01"))
    assert client.feed(bytes.fromhex("9003000180")) == [("suback", 1, (0x80,))]
    with pytest.raises(ValueError, match="filter"):
        client.subscribe([], 0)


@pytest.mark.parametrize(
    "packet",
    [
        "90 03 00 02 01",  # an id that was not asked
        "90 04 00 01 01 01",  # more codes than filters
        "90 02 00 01",  # no code
        "90 03 00 01 02",  # more than was asked
        "90 03 00 01 03",  # no such code
    ],
)
def test_suback_must_fit(packet: str) -> None:
    """SUBACK must answer what was asked, code by code [3.9.3-1, -2]."""
    client = core()
    client.subscribe([("c/#", 1)], 0)
    with pytest.raises(ProtocolError):
        client.feed(bytes.fromhex(packet))


def test_ping_and_disconnect_vectors() -> None:
    """PINGREQ and DISCONNECT must be the computed bytes; nothing goes out after DISCONNECT [3.14.4-2]."""
    client = core(keep_alive_s=60)
    assert client.tick(45_000) == bytes.fromhex("C000")
    assert client.feed(bytes.fromhex("D000")) == [("pong",)]
    assert client.disconnect() == bytes.fromhex("E000")
    for call in (client.disconnect, lambda: client.publish("a", b"", 0, 0, 0), lambda: client.feed(b"\xd0\x00")):
        with pytest.raises(ProtocolError):
            call()


def test_incoming_message_is_acknowledged() -> None:
    """Every QoS 1 message is acknowledged, with its id, in order [4.3.2-2, 4.5.0-2, 4.6.0-2]."""
    client = core()
    first = bytes.fromhex("320800 03612F62 000A 78")
    again = bytes.fromhex("3A0800 03612F62 0007 79")
    assert client.feed(first + again) == [("message", "a/b", b"x", 1, 0, 0), ("message", "a/b", b"y", 1, 0, 1)]
    assert client.owed(0) == bytes.fromhex("4002000A 40020007")
    assert client.owed(0) == b""
    assert client.feed(bytes.fromhex("310600 03612F62 78")) == [("message", "a/b", b"x", 0, 1, 0)]
    assert client.owed(0) == b""


@pytest.mark.parametrize("size", [1, 2, 3, 7])
def test_pieces_of_any_size(size: int) -> None:
    """How the network cuts the stream must not matter."""
    client = core()
    stream = bytes.fromhex("320800 03612F62 000A 78 D000 320800 03612F62 000B 79")
    events = []
    for at in range(0, len(stream), size):
        events += client.feed(stream[at : at + size])
    assert [event[0] for event in events] == ["message", "pong", "message"]


MALFORMED = {
    "length of five bytes": "30 FF FF FF FF 01",
    "length beyond the hard limit": "30 81 80 04",
    "type 0": "00 00",
    "CONNECT from a server": "10 00",
    "CONNACK twice": "20 02 00 00",
    "PUBREC": "50 02 00 01",
    "PUBREL": "62 02 00 01",
    "PUBCOMP": "70 02 00 01",
    "SUBSCRIBE from a server": "82 08 00 01 00 03 63 2F 23 01",
    "UNSUBACK never asked": "B0 02 00 01",
    "PINGREQ from a server": "C0 00",
    "DISCONNECT from a server": "E0 00",
    "type 15": "F0 00",
    "PUBACK flags": "41 02 00 0A",
    "PUBACK short": "40 01 00",
    "PUBACK long": "40 03 00 0A 00",
    "PINGRESP flags": "D1 00",
    "PINGRESP with a body": "D0 01 00",
    "SUBACK flags": "92 03 00 01 01",
    "PUBLISH QoS 3": "36 08 00 03 61 2F 62 00 0A 78",
    "PUBLISH QoS 2, never asked": "34 08 00 03 61 2F 62 00 0A 78",
    "PUBLISH QoS 0 with DUP": "38 06 00 03 61 2F 62 78",
    "PUBLISH id 0": "32 08 00 03 61 2F 62 00 00 78",
    "PUBLISH without a topic length": "30 01 00",
    "PUBLISH topic longer than the packet": "30 04 00 03 61 2F",
    "PUBLISH without room for the id": "32 05 00 03 61 2F 62",
    "PUBLISH empty topic": "30 03 00 00 78",
    "PUBLISH wildcard": "30 06 00 03 61 2F 23 78",
    "PUBLISH U+0000": "30 05 00 03 61 00 62",
    "PUBLISH not UTF-8": "30 05 00 03 61 FF 62",
    "PUBLISH overlong UTF-8": "30 04 00 02 C0 AF",
    "PUBLISH surrogate": "30 05 00 03 ED A0 80",
}


@pytest.mark.parametrize("name", sorted(MALFORMED))
def test_malformed_packet_closes(name: str) -> None:
    """Whatever the standard forbids must be refused, so that the owner closes [4.8.0-1, 2.2.2-2]."""
    with pytest.raises(ProtocolError):
        core().feed(bytes.fromhex(MALFORMED[name]))


@pytest.mark.parametrize("packet", ["30 06 00 03 61 2F 62 78", "20 01 00", "20 02 02 00", "20 02 00 06", "20 02 01 01"])
def test_connack_comes_first_and_whole(packet: str) -> None:
    """Before CONNACK nothing else may come, and its bits must make sense [3.2.0-1, 3.2.2-4]."""
    client = MqttCore("f1", clean=0)
    client.connect(0)
    with pytest.raises(ProtocolError):
        client.feed(bytes.fromhex(packet))


def test_bytes_before_connect_are_refused() -> None:
    """Nothing may come in before CONNECT went out."""
    with pytest.raises(ProtocolError):
        MqttCore("f1", clean=1).feed(CONNACK)


def test_packet_ids_skip_those_in_flight_and_never_are_zero() -> None:
    """Over 70,000 messages ids must stay in 1..65535 and never meet one that is in flight [2.3.1-1..-3]."""
    client = core()
    held, _ = client.publish("a", b"held", 1, 0, 0)
    asked, _ = client.subscribe([("b", 0)], 0)
    for _ in range(70_000):
        packet_id, _ = client.publish("a", b"", 1, 0, 0)
        assert 1 <= packet_id <= 65_535
        assert packet_id not in (held, asked)
        client.feed(bytes((0x40, 2, packet_id >> 8, packet_id & 255)))
    assert client.unacknowledged() == [held]


def test_resend_after_reconnect_in_order_with_same_ids() -> None:
    """Unacknowledged messages go out again, oldest first, same ids, DUP set, and only then [4.4.0-1, 4.6.0-1]."""
    client = core(clean=0)
    sent = [client.publish("a", bytes((n,)), 1, 0, 0) for n in range(3)]
    client.feed(bytes((0x40, 2, 0, sent[1][0])))
    client.reset()
    with pytest.raises(ProtocolError):
        client.resend(0)
    client.connect(0)
    client.feed(bytes.fromhex("20020100"))
    expected = b"".join(bytes((packet[0] | 8,)) + packet[1:] for _, packet in (sent[0], sent[2]))
    assert client.resend(0) == expected
    assert client.unacknowledged() == [sent[0][0], sent[2][0]]


def test_second_or_unknown_puback_is_no_error() -> None:
    """After a redelivery two acknowledgements may come; the second must change nothing."""
    client = core()
    packet_id, _ = client.publish("a", b"", 1, 0, 0)
    ack = bytes((0x40, 2, 0, packet_id))
    assert client.feed(ack + ack) == [("puback", packet_id)]


def test_never_silent_longer_than_keep_alive() -> None:
    """Stepping through ten minutes, packets must never lie more than keep-alive apart [3.1.2-23]."""
    client = core(keep_alive_s=60)
    last = 0
    for now in range(0, 600_000, 500):
        out = client.tick(now)
        if now == 100_000:
            out += client.publish("a", b"", 0, 0, now)[1]
        if out:
            assert now - last <= 60_000
            last = now
            client.feed(b"\xd0\x00")
    assert last > 540_000


def test_missing_pong_closes_and_ticks_may_wrap() -> None:
    """Ten seconds without PINGRESP end the connection, also across the wrap of the tick counter at 2^30."""
    client = MqttCore("f1", clean=1, keep_alive_s=60)
    start = (1 << 30) - 20_000
    client.connect(start)
    client.feed(CONNACK)
    assert client.tick(start + 19_999) == b""
    assert client.tick((start + 45_000) % (1 << 30)) == b"\xc0\x00"
    assert client.tick((start + 54_000) % (1 << 30)) == b""
    with pytest.raises(ProtocolError, match="answer"):
        client.tick((start + 55_000) % (1 << 30))


def test_keep_alive_zero_never_pings() -> None:
    """Keep-alive 0 switches the mechanism off."""
    assert core(keep_alive_s=0).tick(500_000_000) == b""


@pytest.mark.parametrize("piece", [1, 100, 100_000])
def test_oversized_message_is_skipped_answered_and_counted(piece: int) -> None:
    """A message beyond max_packet must cost no memory, be acknowledged so that it does not return, and be counted."""
    client = core(max_packet=200)
    stream = b"\x32" + remaining_length(5000) + b"\x00\x03a/b\x00\x0b" + b"z" * 4993 + b"\xd0\x00"
    events: list[Any] = []
    for at in range(0, len(stream), piece):
        events += client.feed(stream[at : at + piece])
        assert len(client._input) <= max(205, 0)
    assert events == [("oversized", "a/b"), ("pong",)]
    assert client.owed(0) == bytes.fromhex("4002000B")
    assert client.oversized == 1


def test_oversized_topic_and_oversized_other_packets_close() -> None:
    """Only a message may be skipped; a topic that does not fit or another long packet ends the connection."""
    with pytest.raises(ProtocolError):
        core(max_packet=200).feed(b"\x32" + remaining_length(5000) + b"\x10\x00" + b"a" * 1000)
    with pytest.raises(ProtocolError):
        core(max_packet=200).feed(b"\x90" + remaining_length(5000))


@given(st.binary(max_size=300))
@settings(max_examples=300)
def test_any_bytes_give_events_or_a_protocol_error(data: bytes) -> None:
    """Whatever a broker sends, the client must answer with events or ProtocolError and hold no more than its bound."""
    client = core(max_packet=64)
    try:
        client.feed(data)
    except ProtocolError:
        return
    assert len(client._input) <= 64 + 5


PACKETS = [
    bytes.fromhex(packet)
    for packet in ("320800 03612F62 000A 78", "4002000A", "9003000101", "D000", "310600 03612F62 78", "20020000")
]


@given(st.lists(st.sampled_from(PACKETS), min_size=1, max_size=4), st.integers(0, 2**32 - 1), st.integers(1, 9))
@settings(max_examples=300)
def test_mutated_packets(packets: list[bytes], flips: int, piece: int) -> None:
    """Good packets with a changed byte must be understood or refused, however they are cut."""
    run_mutated(b"".join(packets), flips, piece)


def run_mutated(stream: bytes, flips: int, piece: int) -> None:
    """Feed `stream` with one byte changed, cut into pieces."""
    damaged = bytearray(stream)
    damaged[flips % len(stream)] ^= flips >> 8 & 0xFF
    client = core(max_packet=64)
    client.subscribe([("c/#", 1)], 0)
    client._last_id = 9
    client.publish("a/b", b"x", 1, 0, 0)
    try:
        for at in range(0, len(damaged), piece):
            for event in client.feed(bytes(damaged[at : at + piece])):
                assert event[0] in ("message", "puback", "suback", "pong", "oversized")
    except ProtocolError:
        pass


@pytest.mark.slow
def test_a_million_mutated_streams() -> None:
    """A million damaged streams must give events or ProtocolError, nothing else."""
    import random

    rng = random.Random(311)
    for _ in range(1_000_000):
        stream = b"".join(rng.choices(PACKETS, k=rng.randint(1, 4)))
        run_mutated(stream, rng.getrandbits(32), rng.randint(1, 40))
