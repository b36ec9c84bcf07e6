"""What the page keeps secret, in the store's secrets: passphrase, sessions, subscribed phones, push key.

Secrets stay out of ordinary backups. Of a session and of the first-start word only a digest is kept, so
that a copy of the store opens nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from ..notify import BROWSER_NOTE
from ..store import Store

PASSPHRASE, FIRST, SESSION, PHONE = "page-passphrase", "page-first", "page-session/", "page-phone/"
SESSION_S = 30 * 86_400  # a phone that is looked at once a month stays signed in (chosen)
TOUCH_S = 3600.0
LEAST_LETTERS, MOST_LETTERS = 10, 200
MOST_SESSIONS, MOST_PHONES = 40, 20

# Parameters of RFC 9106's second choice, for computers with little memory: 3 passes, 64 MiB, 4 lanes.
HASHER = PasswordHasher(time_cost=3, memory_cost=65_536, parallelism=4)
# Somebody who guesses before a passphrase is set must not find that out by the time it takes.
_NOTHING = ""


@dataclass(frozen=True)
class Session:
    """A signed-in browser: digest of its cookie, the token its forms must carry, and when it ends [s]."""

    digest: str
    csrf: str
    ends_s: float


def digest(text: str) -> str:
    """Return the digest under which a random word is kept."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def matches(stored: str, passphrase: str) -> bool:
    """Return whether a passphrase fits its hash. Takes a tenth of a second on purpose."""
    try:
        return HASHER.verify(stored, passphrase)
    except (Argon2Error, InvalidHashError, UnicodeError):
        return False


def passphrase_fault(passphrase: str) -> str:
    """Return what is wrong with a new passphrase in one sentence, or an empty text."""
    if len(passphrase) < LEAST_LETTERS:
        return f"The passphrase has {len(passphrase)} letters; use at least {LEAST_LETTERS}, such as four plain words."
    if len(passphrase) > MOST_LETTERS:
        return f"The passphrase is longer than {MOST_LETTERS} letters; a shorter one will do."
    if len(set(passphrase)) < 5:
        return "The passphrase repeats a few letters only; use four plain words."
    try:
        passphrase.encode("utf-8")
    except UnicodeError:
        return "The passphrase holds letters that cannot be kept; use ordinary ones."
    return ""


class Vault:
    """The page's secrets in one store."""

    def __init__(self, store: Store) -> None:
        self.store = store

    # -- small things ---------------------------------------------------------------------------

    def get(self, name: str) -> Any:
        """Return the JSON value kept under a name, or None."""
        found = self.store.row("SELECT value FROM secrets WHERE name = ?", (name,))
        return None if found is None else json.loads(bytes(found[0]))

    def put(self, name: str, value: Any) -> None:
        """Keep a JSON value under a name; None removes it."""
        with self.store.transaction(lasting=True) as db:
            if value is None:
                db.execute("DELETE FROM secrets WHERE name = ?", (name,))
            else:
                db.execute("INSERT OR REPLACE INTO secrets VALUES (?, ?)", (name, json.dumps(value).encode()))

    def all(self, prefix: str) -> Iterator[tuple[str, Any]]:
        """Yield (name, value) of everything whose name begins so."""
        found = self.store.rows(
            "SELECT name, value FROM secrets WHERE name >= ? AND name < ? ORDER BY name", (prefix, prefix + "~")
        )
        for name, value in found:
            yield str(name), json.loads(bytes(value))

    # -- passphrase -----------------------------------------------------------------------------

    @property
    def passphrase_hash(self) -> str:
        """The hash of the passphrase, or an empty text while none is set."""
        return self.get(PASSPHRASE) or _NOTHING

    def set_passphrase(self, hashed: str) -> None:
        """Set the passphrase; everybody is signed out."""
        with self.store.transaction(lasting=True):
            self.put(PASSPHRASE, hashed)
            self.put(FIRST, None)
            self.sign_out_all()

    def first_word(self) -> str:
        """Make a new word that allows the passphrase to be set once; only its digest is kept."""
        word = "-".join(secrets.token_hex(2) for _ in range(4))
        self.put(FIRST, digest(word))
        return word

    def first_word_fits(self, word: str) -> bool:
        """Return whether this is the word of the last start, and still needed."""
        kept = self.get(FIRST)
        return bool(kept) and not self.passphrase_hash and hmac.compare_digest(kept, digest(word))

    # -- sessions -------------------------------------------------------------------------------

    def sign_in(self, now_s: float) -> str:
        """Start a session and return the random word for its cookie."""
        word = secrets.token_urlsafe(32)
        with self.store.transaction(lasting=True):
            open_ones = sorted(self.all(SESSION), key=lambda item: float(item[1]["ends_s"]))
            over = [name for name, value in open_ones if value["ends_s"] <= now_s]
            for name in over + [name for name, _ in open_ones[: max(0, len(open_ones) - MOST_SESSIONS + 1)]]:
                self.put(name, None)
            self.put(SESSION + digest(word), {"csrf": secrets.token_urlsafe(24), "ends_s": now_s + SESSION_S})
        return word

    def session(self, word: str, now_s: float) -> Session | None:
        """Return the session of a cookie, or None. A session that is used goes on."""
        name = SESSION + digest(word)
        kept = self.get(name)
        if kept is None or kept["ends_s"] <= now_s:
            return None
        if kept["ends_s"] < now_s + SESSION_S - TOUCH_S:
            kept = {**kept, "ends_s": now_s + SESSION_S}
            self.put(name, kept)
        return Session(name.removeprefix(SESSION), kept["csrf"], kept["ends_s"])

    def sign_out(self, session: Session) -> None:
        """End one session."""
        self.put(SESSION + session.digest, None)

    def sign_out_all(self) -> None:
        """End all sessions."""
        with self.store.transaction(lasting=True):
            for name, _ in list(self.all(SESSION)):
                self.put(name, None)

    # -- phones ---------------------------------------------------------------------------------

    def phones(self) -> dict[str, dict[str, Any]]:
        """Return the subscriptions of phones by their id."""
        return {name.removeprefix(PHONE): value for name, value in self.all(PHONE)}

    def add_phone(self, subscription: dict[str, Any], now_s: float) -> str:
        """Keep a subscription (once for an endpoint; the oldest gives way to a 21st); return its id."""
        phone = digest(subscription["endpoint"])[:16]
        with self.store.transaction(lasting=True):
            self.put(PHONE + phone, {**subscription, "since_s": int(now_s)})
            oldest = sorted(self.phones().items(), key=lambda item: float(item[1]["since_s"]))
            for other, _ in oldest[: max(0, len(oldest) - MOST_PHONES)]:
                self.put(PHONE + other, None)
            self._count()
        return phone

    def drop_phone(self, phone: str) -> bool:
        """Forget a subscription; return whether there was one."""
        known = phone in self.phones()
        with self.store.transaction(lasting=True):
            self.put(PHONE + phone, None)
            self._count()
        return known

    def _count(self) -> None:
        # The notifier writes messages down for phones only while there are some.
        self.store.note_set(BROWSER_NOTE, len(self.phones()) or None)
