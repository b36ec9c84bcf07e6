"""What the host tells frames: wanted settings and orders, numbered, recorded, signed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from sash import settings as frame_settings
from sash import signing

from ..clock import Clock
from ..errors import InputError
from ..store import Store
from .messages import topic_of

ORDERS = ("open", "shut", "hold", "release", "locate", "clock", "auto", "resend")
ORDER_LIFE_S = 120.0


class Publish(Protocol):
    """Hands a message to the broker."""

    def __call__(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish at QoS 1."""
        ...


class Outbox:
    """Numbers, records and signs what goes out; `publish` carries it."""

    def __init__(self, store: Store, clock: Clock, publish: Publish) -> None:
        self.store = store
        self.clock = clock
        self._publish = publish

    def publish_wanted(self, frame: str, changes: Mapping[str, int], why: str = "") -> int:
        """Send settings that the frame shall take (any subset); return their number.

        Checked against the frame's own rules together with what it has in force, so that a set that
        would be refused is never sent. Raises UnknownFrame, and InputError with every fault.
        """
        self.store.frame(frame)
        actual = self.store.actual(frame)
        have = dict(frame_settings.defaults() if actual is None else actual.body["settings"])
        faults = frame_settings.check({**have, **changes})
        if faults:
            said = "; ".join(f"{name}: {sentence}" for name, sentence in faults)
            raise InputError(f'These settings cannot be sent to "{frame}": {said}. Nothing was changed.')
        n = self.store.settings_next(frame, changes, why, self.clock.now_s())
        self._send_wanted(frame, n, changes)
        return n

    def repeat_wanted(self, frame: str) -> bool:
        """Publish the newest settings again when the frame has not answered; return whether that was needed.

        A broker that keeps retained messages in memory only has lost them when it starts again.
        """
        sent = self.store.settings_sent(frame, 1)
        if not sent or sent[0].outcome:
            return False
        self._send_wanted(frame, sent[0].n, sent[0].settings)
        return True

    def _send_wanted(self, frame: str, n: int, changes: Mapping[str, int]) -> None:
        topic = topic_of(frame, "settings/wanted")
        key = self.store.frame(frame).key
        self._publish(topic, signing.seal(key, topic, {"n": n, "settings": dict(changes)}), retain=True)

    def publish_order(self, frame: str, order: str, arg: Any = None, life_s: float = ORDER_LIFE_S) -> int:
        """Send an order that expires after `life_s`; return its number. Raises UnknownFrame, InputError."""
        if order not in ORDERS:
            raise InputError(f'There is no order "{order}". Orders are: {", ".join(ORDERS)}. Nothing was sent.')
        key = self.store.frame(frame).key
        now_s = self.clock.now_s()
        body: dict[str, Any] = {"exp": int(now_s + life_s), "order": order}
        if arg is not None:
            body["arg"] = arg
        n = self.store.order_next(frame, body, now_s)
        topic = topic_of(frame, "orders")
        self._publish(topic, signing.seal(key, topic, {"n": n, **body}), retain=False)
        return n
