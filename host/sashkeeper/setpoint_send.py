"""Sending setpoints to a frame and waiting until it says what it took."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from sashkeeper.clock import Clock
from sashkeeper.errors import BrokerError
from sashkeeper.inbox import Inbox
from sashkeeper.outbox import Outbox
from sashkeeper.store import Store

WAIT_S = 30.0
HAND_OVER_S = 5.0  # for the broker to take a message, when the frame has not answered


class Line(Protocol):
    """A connection to the broker; `bus.Bus` is one."""

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send a message."""
        ...

    def pump(self, until: Any, wait_s: float, service: Any = None) -> bool:
        """Run until something holds."""
        ...

    def sent_all(self) -> bool:
        """Return whether the broker has everything."""
        ...


class _Listen:
    """Takes what arrives meanwhile into the store, the same way as the service does."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._inbox = Inbox(store)
        self._clock = clock

    def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        self._inbox.take(topic, payload, self._clock.now_s() if received_s is None else received_s, retained)

    def flush(self) -> int:
        return len(self._inbox.flush())

    def tick(self) -> None:
        pass

    def on_connect(self) -> None:
        pass


@dataclass(frozen=True)
class Outcome:
    """What became of settings that were sent: "taken", "refused" or "no answer"; `settings` = really in force."""

    n: int
    result: str
    why: str
    settings: Mapping[str, int]


def send(
    store: Store, clock: Clock, line: Line, frame: str, changes: Mapping[str, int], why: str, wait_s: float = WAIT_S
) -> Outcome:
    """Send settings and wait for the frame's answer.

    Raises UnknownFrame, InputError when the frame would refuse them (nothing is
    sent then) and BrokerError. No answer in time is an outcome, not an error:
    the settings wait at the broker and are taken when the frame comes back.
    """
    n = Outbox(store, clock, line.publish).publish_wanted(frame, changes, why)

    def answered() -> bool:
        sent = store.settings_sent(frame, 1)
        return bool(sent) and sent[0].n == n and bool(sent[0].outcome)

    line.pump(answered, wait_s, _Listen(store, clock))
    if not answered() and not line.pump(line.sent_all, HAND_OVER_S):
        raise BrokerError(
            f"The broker has not taken settings number {n} for {frame}: they were not sent. Try again when it answers."
        )
    return outcome(store, frame, n)


def outcome(store: Store, frame: str, n: int) -> Outcome:
    """Return what is known about settings number `n` of a frame."""
    actual = store.actual(frame)
    settings = dict(actual.body["settings"]) if actual else {}
    sent = [s for s in store.settings_sent(frame, 50) if s.n == n]
    said = sent[0].outcome if sent else ""
    if said == "taken":
        return Outcome(n, "taken", "", settings)
    return Outcome(n, "refused" if said else "no answer", said, settings)
