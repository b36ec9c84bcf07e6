"""A second phone gets in by a code that is shown once, counts once and lasts ten minutes.

The page asks `use_code`; what it does with a yes (a session) is its own affair.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets

from ..store import Store

# No letters that look like figures or each other.
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
LENGTH = 10  # 31^10 is about 2^49; with ten minutes and five tries that cannot be guessed
LIFE_S = 600.0
TRIES = 5
_NAME = "join-code"


def make_code(store: Store, now_s: float) -> str:
    """Return a fresh code; an earlier one no longer counts. Only its digest is kept."""
    code = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
    _put(store, {"digest": _digest(code), "ends_s": now_s + LIFE_S, "tries": 0})
    return f"{code[:5]}-{code[5:]}"


def use_code(store: Store, given: str, now_s: float) -> bool:
    """Return whether a code counts, and use it up. Five wrong ones use it up as well."""
    with store.transaction(lasting=True):
        row = store.row("SELECT value FROM secrets WHERE name = ?", (_NAME,))
        kept = json.loads(bytes(row[0])) if row else None
        if kept is None:
            return False
        right = hmac.compare_digest(kept["digest"], _digest(given))
        alive = now_s < kept["ends_s"] <= now_s + LIFE_S  # the second half: a clock that went back
        tries = kept["tries"] + 1
        _put(store, None if right or not alive or tries >= TRIES else {**kept, "tries": tries})
        return bool(right and alive)


def _digest(code: str) -> str:
    plain = "".join(letter for letter in code.lower() if letter.isalnum())
    return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()


def _put(store: Store, value: object) -> None:
    with store.transaction(lasting=True) as db:
        if value is None:
            db.execute("DELETE FROM secrets WHERE name = ?", (_NAME,))
        else:
            db.execute("INSERT OR REPLACE INTO secrets VALUES (?, ?)", (_NAME, json.dumps(value).encode()))


def picture(text: str) -> str:
    """Return a QR code of a text for the terminal."""
    import io

    import segno

    out = io.StringIO()
    segno.make(text, error="m").terminal(out, compact=True)
    return out.getvalue()
