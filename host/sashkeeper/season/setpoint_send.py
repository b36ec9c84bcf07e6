"""Waiting until a frame says what became of settings that were sent to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sashkeeper.errors import BrokerError
from sashkeeper.store import Store
from sashkeeper.wire.bus import Bus, Ingest

WAIT_S = 30.0
HAND_OVER_S = 5.0  # for the broker to take a message, when the frame has not answered


@dataclass(frozen=True)
class Outcome:
    """What became of settings that were sent: "taken", "refused" or "no answer"; `settings` = really in force."""

    n: int
    result: str
    why: str
    settings: Mapping[str, int]


def wait(store: Store, bus: Bus, service: Ingest, frame: str, n: int, wait_s: float = WAIT_S) -> Outcome:
    """Wait for a frame's answer to settings number `n`, which were just published on `bus`.

    No answer in time is an outcome, not an error: the settings wait at the broker
    and are taken when the frame comes back. Raises BrokerError when not even the broker took them.
    """

    def answered() -> bool:
        return outcome(store, frame, n).result != "no answer"

    if not bus.pump(answered, wait_s, service) and not bus.pump(bus.sent_all, HAND_OVER_S, service):
        raise BrokerError(
            f"The broker has not taken settings number {n} for {frame}: they were not sent. Try again when it answers."
        )
    return outcome(store, frame, n)


def outcome(store: Store, frame: str, n: int) -> Outcome:
    """Return what is known about settings number `n` of a frame."""
    actual = store.actual(frame)
    settings = dict(actual.body["settings"]) if actual else {}
    said = next((s.outcome for s in store.settings_sent(frame, 50) if s.n == n), "")
    if said == "taken":
        return Outcome(n, "taken", "", settings)
    return Outcome(n, "refused" if said else "no answer", said, settings)
