"""Signed envelopes: who may change settings or move the lid.

An envelope is JSON: {"v": 1, "body": "<JSON text>", "mac": "<64 hex digits>"}.
The code is HMAC-SHA-256 over topic, line feed, body, so that a message cannot
be replayed to another frame or as another kind. Freshness (rising numbers,
expiry) is the core's job, not this file's.

The board has no hmac module; the construction is RFC 2104, section 2.
"""

import binascii
import hashlib
import json

MAX_BYTES = 2048  # chosen: a full set of settings is about 600 bytes
_BLOCK_BYTES = 64  # SHA-256's block, FIPS 180-4


def hmac_sha256(key, message):
    """Return the 32-byte code of `message` (bytes) under `key` (bytes)."""
    if len(key) > _BLOCK_BYTES:
        key = hashlib.sha256(key).digest()
    key = key + bytes(_BLOCK_BYTES - len(key))
    inner = hashlib.sha256(bytes([byte ^ 0x36 for byte in key]))
    inner.update(message)
    outer = hashlib.sha256(bytes([byte ^ 0x5C for byte in key]))
    outer.update(inner.digest())
    return outer.digest()


def same(left, right):
    """Compare two byte strings in a time that does not tell where they differ."""
    if len(left) != len(right):
        return False
    differs = 0
    for position in range(len(left)):
        differs |= left[position] ^ right[position]
    return differs == 0


def _code(key, topic, body):
    return binascii.hexlify(hmac_sha256(key, topic.encode() + b"\n" + body.encode()))


def _object(text):
    """Parse `text` into a dict; ValueError "json" or "form"."""
    try:
        value = json.loads(text)
    except (ValueError, RuntimeError, SyntaxError):  # RuntimeError: nested too deep on CPython
        raise ValueError("json")
    if not isinstance(value, dict):
        raise ValueError("form")
    return value


def open_envelope(key, topic, payload):
    """Check `payload` (bytes) received on the full `topic`; return the body as a dict.

    ValueError carries one word: "size" too long, "json" not JSON, "form" not
    the agreed shape, "mac" not signed with this key for this topic.
    """
    if len(payload) > MAX_BYTES:
        raise ValueError("size")
    try:
        text = bytes(payload).decode()
    except ValueError:
        raise ValueError("json")
    envelope = _object(text)
    body, mac = envelope.get("body"), envelope.get("mac")
    if len(envelope) != 3 or not isinstance(body, str) or not isinstance(mac, str):
        raise ValueError("form")
    version = envelope.get("v")
    if version != 1 or not isinstance(version, int) or version is True:
        raise ValueError("form")
    try:
        expected, given = _code(key, topic, body), mac.encode()
    except ValueError:  # half a surrogate pair cannot be encoded
        raise ValueError("form")
    if not same(expected, given):
        raise ValueError("mac")
    return _object(body)


def seal(key, topic, body):
    """Return the signed envelope (bytes) of `body` (dict) for the full `topic`.

    ValueError "size" when it would be refused by `open_envelope`.
    """
    text = json.dumps(body, separators=(",", ":"))
    mac = _code(key, topic, text).decode()
    sealed = json.dumps({"v": 1, "body": text, "mac": mac}, separators=(",", ":")).encode()
    if len(sealed) > MAX_BYTES:
        raise ValueError("size")
    return sealed
