"""Links in messages that acknowledge an alarm: signed, ending, good for one use.

A token is base64url(incident, expiry, nonce, HMAC-SHA256 over those). Mail programs open links to look at
them, so the page behind the link only shows the alarm and a button (`read`); pressing it is what counts
(`spend`). What was used is kept until it would have expired anyway.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import secrets
import struct
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

_HEAD = struct.Struct(">IQ12s")  # incident row, expiry (Unix s), nonce
_PURPOSE = b"sashkeeper acknowledge 1\n"  # keeps this key's signatures apart from any other use
GOOD_FOR_S = 3 * 86_400  # long enough for a weekend away (chosen)


@dataclass(frozen=True)
class Token:
    """What a good token says."""

    incident: int
    expires_s: int
    nonce: str


class LinkRefused(ValueError):
    """A link that does not count; the text is one sentence for the person who pressed it."""


def make(key: bytes, incident: int, now_s: float, good_for_s: float = GOOD_FOR_S) -> str:
    """Return a token for one incident."""
    head = _HEAD.pack(incident, int(now_s + good_for_s), secrets.token_bytes(12))
    return base64.urlsafe_b64encode(head + _sign(key, head)).rstrip(b"=").decode()


def read(key: bytes, token: str, now_s: float) -> Token:
    """Check signature and expiry without using the token up; raises LinkRefused."""
    try:
        raw = base64.urlsafe_b64decode(token.encode("ascii") + b"=" * (-len(token) % 4))
    except (binascii.Error, ValueError):
        raw = b""
    head, mac = raw[: _HEAD.size], raw[_HEAD.size :]
    # Re-encoding must give the same text: one token, one spelling.
    spelt = base64.urlsafe_b64encode(raw).rstrip(b"=").decode() == token
    if len(raw) != _HEAD.size + 32 or not spelt or not hmac.compare_digest(mac, _sign(key, head)):
        raise LinkRefused("This link is not ours, or a part of it is missing. Open the alarm on the page instead.")
    incident, expires_s, nonce = _HEAD.unpack(head)
    if now_s >= expires_s:
        raise LinkRefused("This link has run out. Open the alarm on the page instead.")
    return Token(incident, expires_s, nonce.hex())


def spend(key: bytes, token: str, now_s: float, first_use: Callable[[str, int], bool]) -> Token:
    """Use a token up; `first_use(nonce, expires_s)` records it and says whether it was new. Raises LinkRefused."""
    good = read(key, token, now_s)
    if not first_use(good.nonce, good.expires_s):
        raise LinkRefused("This link was used before. The alarm is already acknowledged.")
    return good


def _sign(key: bytes, head: bytes) -> bytes:
    return hmac.new(key, _PURPOSE + head, sha256).digest()
