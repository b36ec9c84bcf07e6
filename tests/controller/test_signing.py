"""Only who holds the frame's key may change settings or move the lid."""

from __future__ import annotations

import hashlib
import hmac
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sash import signing

KEY = bytes(range(32))
TOPIC = "frames/north/orders"
BODY = {"n": 13, "exp": 1767225600, "order": "open", "arg": 300}

# Source: RFC 4231 (Nystrom, "Identifiers and Test Vectors for HMAC-SHA-224, ... HMAC-SHA-512", December 2005),
# section 4, test cases 1-7; key, data, HMAC-SHA-256. Case 5 is truncated to 128 bits and tested as a prefix.
# Typed from memory; a slip of the pen would also break the comparison with the standard library below.
RFC_4231 = (
    ("0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    ("4a656665", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    ("aa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (bytes(range(1, 26)).hex(), b"\xcd" * 50, "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
    ("0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    (
        "aa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    (
        "aa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. "
        b"The key needs to be hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
)


@pytest.mark.parametrize(("key", "data", "expected"), RFC_4231)
def test_rfc_4231_hmac_sha_256(key: str, data: bytes, expected: str) -> None:
    """The code must equal the published vectors."""
    assert signing.hmac_sha256(bytes.fromhex(key), data).hex().startswith(expected)


@given(st.binary(max_size=200), st.binary(max_size=300))
def test_hmac_agrees_with_the_library(key: bytes, data: bytes) -> None:
    """For any key and message the board's construction must equal the standard library's."""
    assert signing.hmac_sha256(key, data) == hmac.new(key, data, hashlib.sha256).digest()


def test_sealed_body_opens_again() -> None:
    """What the host seals, the frame must be able to open, unchanged."""
    assert signing.open_envelope(KEY, TOPIC, signing.seal(KEY, TOPIC, BODY)) == BODY


@pytest.mark.parametrize(
    ("key", "topic"),
    [(bytes(32), TOPIC), (KEY, "frames/south/orders"), (KEY, "frames/north/settings/wanted"), (KEY, TOPIC + "\n")],
)
def test_other_key_or_topic_is_refused(key: bytes, topic: str) -> None:
    """An envelope for another frame, another kind or another key must be refused."""
    with pytest.raises(ValueError, match=r"^mac$"):
        signing.open_envelope(key, topic, signing.seal(KEY, TOPIC, BODY))


def test_every_changed_bit_is_refused() -> None:
    """No single flipped bit may leave an envelope that opens to something else."""
    sealed = signing.seal(KEY, TOPIC, BODY)
    for position in range(len(sealed) * 8):
        damaged = bytearray(sealed)
        damaged[position // 8] ^= 1 << position % 8
        with pytest.raises(ValueError, match=r"^(mac|json|form)$"):
            signing.open_envelope(KEY, TOPIC, bytes(damaged))


def envelope(**changes: object) -> bytes:
    """A sealed envelope with some members replaced."""
    return json.dumps({**json.loads(signing.seal(KEY, TOPIC, BODY)), **changes}).encode()


@pytest.mark.parametrize(
    ("payload", "word"),
    [
        (b"", "json"),
        (b"\xff\xfe", "json"),
        (b"{", "json"),
        (b"[" * 2000, "json"),
        (b"[]", "form"),
        (b"null", "form"),
        (b"{}", "form"),
        (envelope(v=2), "form"),
        (envelope(v=True), "form"),
        (envelope(v=1.0), "form"),
        (envelope(v="1"), "form"),
        (envelope(body=BODY), "form"),
        (envelope(mac=None), "form"),
        (envelope(extra=1), "form"),
        (envelope(body="\ud800"), "form"),
        (envelope(mac=""), "mac"),
        (envelope(mac="\u00e9" * 64), "mac"),
        (envelope(body="{}"), "mac"),
        (b" " * 2049, "size"),
    ],
)
def test_malformed_envelope_names_one_word(payload: bytes, word: str) -> None:
    """What is wrong with an envelope must be told by the agreed word."""
    with pytest.raises(ValueError, match=rf"^{word}$"):
        signing.open_envelope(KEY, TOPIC, payload)


def signed_text(body: str) -> bytes:
    """An envelope around any text, correctly signed."""
    mac = hmac.new(KEY, f"{TOPIC}\n{body}".encode(), hashlib.sha256).hexdigest()
    return json.dumps({"v": 1, "body": body, "mac": mac}).encode()


@pytest.mark.parametrize(("body", "word"), [("{", "json"), ("[1]", "form"), ("3", "form")])
def test_signed_nonsense_is_still_refused(body: str, word: str) -> None:
    """A right signature around something that is no JSON object must not pass."""
    with pytest.raises(ValueError, match=rf"^{word}$"):
        signing.open_envelope(KEY, TOPIC, signed_text(body))


def test_signature_covers_topic_line_feed_body() -> None:
    """The code must be HMAC-SHA-256 over topic, line feed, body, so that other programs can sign too."""
    assert signing.open_envelope(KEY, TOPIC, signed_text('{"n": 1, "order":"hold"}')) == {"n": 1, "order": "hold"}


@given(st.binary(max_size=2100))
def test_any_bytes_only_ever_raise_value_error(payload: bytes) -> None:
    """Whatever arrives, the answer must be a ValueError with an agreed word, never a crash."""
    with pytest.raises(ValueError, match=r"^(mac|json|size|form)$"):
        signing.open_envelope(KEY, TOPIC, payload)


def test_size_bound_holds_on_both_sides() -> None:
    """Host and frame must agree that 2048 bytes is the end."""
    room = 2048 - len(signing.seal(KEY, TOPIC, {"x": ""}))
    assert len(signing.seal(KEY, TOPIC, {"x": "y" * room})) == 2048
    with pytest.raises(ValueError, match=r"^size$"):
        signing.seal(KEY, TOPIC, {"x": "y" * (room + 1)})


def test_comparison_looks_at_every_byte() -> None:
    """Equal must mean equal length and every byte, whichever differs."""
    assert signing.same(b"abc", b"abc")
    assert not signing.same(b"abc", b"abcd")
    assert not any(signing.same(b"abc", bytes(x ^ (i == at) for i, x in enumerate(b"abc"))) for at in range(3))
