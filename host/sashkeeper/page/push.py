"""Messages to phones that subscribed on the page: Web Push (RFC 8030), enciphered (8291), signed (8292).

The notifier writes each message down once for the channel "browser"; the courier here carries it to every
subscribed phone. A push service that answers 404 or 410 has forgotten the phone, so we do too.
"""

from __future__ import annotations

import base64
import json
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from ..alarms import catalogue
from ..clock import Clock
from ..notify import BROWSER, FAILED, PAUSES_S, SENT, WAITING, is_due
from ..store import Delivery, Store
from .vault import Vault

log = logging.getLogger("sashkeeper.page.push")

KEY = "page-push-key"
# How long a push service may keep a message: never longer than the time in which it is of use.
KEEP_S: Mapping[str, int] = {"within-30-min": 1800, "within-3-h": 3 * 3600, "within-24-h": 86_400, "later": 86_400}
URGENCY: Mapping[str, str] = {"urgent": "high", "high": "high", "medium": "normal", "low": "low"}
TOKEN_LIFE_S = 12 * 3600  # RFC 8292 allows at most 24 h
MOST_LETTERS = 1800  # keeps the enciphered body under the 4096 bytes that every push service takes
ANSWER_S = 10.0
NOBODY = "mailto:nobody@example.org"


@dataclass(frozen=True)
class Parcel:
    """One message as it is pushed."""

    payload: bytes
    keep_s: int
    urgency: str
    topic: str


class PushKey:
    """The key that tells push services that all messages come from one sender (VAPID)."""

    def __init__(self, vault: Vault) -> None:
        kept = vault.get(KEY)
        if kept is None:
            secret = ec.generate_private_key(ec.SECP256R1())
            kept = format(secret.private_numbers().private_value, "064x")
            vault.put(KEY, kept)
        self.secret = ec.derive_private_key(int(kept, 16), ec.SECP256R1())

    @property
    def public(self) -> str:
        """The public point, base64url without padding, as a browser takes it."""
        raw = self.secret.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def parcel_of(delivery: Delivery, kind: str, priority: str, time_to_respond: str) -> Parcel:
    """Return a message ready to be pushed. kind: the alarm's, empty for messages about no single alarm."""
    about = f"alarm-{delivery.alarm}" if delivery.alarm is not None else delivery.data.get("kind") or "news"
    # The signed link is for mail; a notification opens the alarm itself.
    text = delivery.text.split("\nI know about it: ")[0]
    body = text[:MOST_LETTERS]
    told = {
        "title": str(delivery.data.get("title", "Sashkeeper"))[:200],
        "body": body,
        "tag": about,
        "path": f"/alarms/{delivery.alarm}" if delivery.alarm is not None else "/",
        "urgent": priority == "urgent",
    }
    keep_s = KEEP_S.get(time_to_respond, 86_400)
    payload = json.dumps(told, ensure_ascii=False).encode()
    while len(payload) > 3800:  # letters of several bytes
        body = body[: len(body) * 3 // 4]
        told["body"] = body
        payload = json.dumps(told, ensure_ascii=False).encode()
    topic = "".join(c for c in about if c.isalnum() or c in "-_")[:32]
    return Parcel(payload, keep_s, URGENCY.get(priority, "normal"), topic)


def send(subscription: Mapping[str, Any], parcel: Parcel, key: PushKey, contact: str, now_s: float) -> tuple[int, str]:
    """Push one message to one phone; return (HTTP status or 0, why not in words without secrets)."""
    import requests
    from py_vapid import Vapid02
    from pywebpush import WebPushException, webpush

    parts = urlsplit(str(subscription["endpoint"]))
    claims = {"aud": f"{parts.scheme}://{parts.netloc}", "exp": int(now_s + TOKEN_LIFE_S), "sub": contact}
    vapid = Vapid02()
    vapid.private_key = key.secret
    session = requests.Session()
    session.trust_env = False  # no proxy or password file of the machine
    session.max_redirects = 0  # a redirect would carry our signed token to somebody else
    try:
        answer = webpush(
            {"endpoint": subscription["endpoint"], "keys": subscription["keys"]}, parcel.payload,
            vapid_private_key=vapid, vapid_claims=claims, ttl=parcel.keep_s, content_encoding="aes128gcm",
            headers={"Urgency": parcel.urgency, "Topic": parcel.topic}, timeout=ANSWER_S, requests_session=session,
        )  # fmt: skip
    except WebPushException as fault:
        status = 0 if fault.response is None else int(fault.response.status_code)
        why = f"the push service answered with error {status}" if status else "the message cannot be enciphered"
        return status, why
    except requests.RequestException as fault:
        return 0, f"the push service could not be reached ({type(fault).__name__})"
    except Exception as fault:  # a subscription whose key is no key
        return 400, f"the subscription cannot be used ({type(fault).__name__})"
    finally:
        session.close()
    return int(answer.status_code), ""


class Courier:
    """Carries messages that wait for the channel "browser"."""

    def __init__(self, store: Store, clock: Clock, contact: str = NOBODY) -> None:
        self.store, self.clock, self.contact = store, clock, contact
        self.vault = Vault(store)
        self.key = PushKey(self.vault)
        self._book = catalogue.default()

    def run_due(self) -> int:
        """Try everything that is due, each once; return how many messages that was."""
        waiting, now_s = self.store.delivery_list(state=WAITING, channel=BROWSER), self.clock.now_s()
        due = [row for row in waiting if is_due(row, now_s)][:50]
        for row in due:
            self._carry(row)
        return len(due)

    def _carry(self, row: Delivery) -> None:
        now_s, parcel = self.clock.now_s(), self._parcel(row)
        phones = self.vault.phones()
        done = set(row.data.get("phones_done", []))
        why, waits = "", False
        for phone, subscription in phones.items():
            if phone in done:
                continue
            status, fault = send(subscription, parcel, self.key, self.contact, now_s)
            if not fault:
                done.add(phone)
            elif status in (404, 410):
                self.vault.drop_phone(phone)
                log.info("a phone is no longer subscribed and was forgotten")
            else:
                why = fault
                # What the service will never take (too long, wrong key) is not tried again.
                waits = waits or status in (0, 408, 429) or status >= 500
        self._record(row, parcel, sorted(done), why, waits, bool(self.vault.phones()))

    def _record(self, row: Delivery, parcel: Parcel, done: list[str], why: str, waits: bool, any_left: bool) -> None:
        now_s, tries = self.clock.now_s(), row.tries + 1
        data = {**row.data, "phones_done": done}
        next_s = now_s + PAUSES_S[min(tries, len(PAUSES_S)) - 1]
        if waits and tries <= len(PAUSES_S) and next_s < row.made_s + parcel.keep_s:
            self.store.delivery_update(row.id, state=WAITING, tries=tries, next_s=next_s, result=why, data=data)
            return
        if done or (not why and not any_left):
            result = "accepted" if done else "no phone is subscribed any more"
            self.store.delivery_update(row.id, state=SENT, tries=tries, done_s=now_s, result=result, data=data)
            return
        self.store.delivery_update(row.id, state=FAILED, tries=tries, done_s=now_s, result=why or "no phone", data=data)

    def _parcel(self, row: Delivery) -> Parcel:
        kind = priority = respond = ""
        if row.alarm is not None:
            alarm = self.store.alarm_get(row.alarm)
            kind, priority = alarm.kind, alarm.priority
            respond = self._book[kind].time_to_respond if kind in self._book else ""
        return parcel_of(row, kind, priority, respond)


class CourierThread:
    """A thread for the courier; it opens its own store, as each thread must."""

    def __init__(self, open_store: Callable[[], Store], clock: Clock, contact: str, pause_s: float = 0.5) -> None:
        self._open, self._clock, self._contact, self._pause_s = open_store, clock, contact, pause_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="push", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the message in hand and end."""
        self._stop.set()
        self._thread.join(ANSWER_S + 5)

    def _run(self) -> None:
        with self._open() as store:
            courier = Courier(store, self._clock, self._contact)
            while not self._stop.is_set():
                try:
                    courier.run_due()
                except Exception as fault:  # a full disk or a busy store: try again in the next round
                    log.warning("a push waits: %s", type(fault).__name__)
                self._stop.wait(self._pause_s)
