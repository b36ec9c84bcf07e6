"""From bytes to rows: decodes messages, stores them in batches, says what is new.

Nothing is believed before it is checked and nothing is passed on before it is
stored. What is refused is counted by reason, never silently lost.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import StoreBusy
from ..store import Event, Reading, Store
from . import messages
from .messages import FROM_HOST, Refused, decode_event, decode_readings, split_topic

BATCH = 500


@dataclass(slots=True)
class Heard:
    """A message that is stored: what came, from whom, when [s]; retained = the broker had kept it."""

    frame: str
    suffix: str
    message: Any  # Reading, Event or the checked dict
    received_s: float
    retained: bool

    @property
    def said_s(self) -> float:
        """When it was said [s]: arrival, or for what the broker had kept the frame's own time, 0 when unknown."""
        if not self.retained:
            return self.received_s
        return float(self.message.get("time_s") or 0) if isinstance(self.message, dict) else 0.0


class Inbox:
    """Takes messages one by one and stores them together.

    rows: store readings and events; off where ingesters of their own do it (`serve --only alarms`).
    in_order: a frame's messages all come through here, as they were sent; not so for one ingester of several.
    """

    def __init__(self, store: Store, *, rows: bool = True, in_order: bool = True) -> None:
        self.store = store
        self.rows, self.in_order = rows, in_order
        self._waited = False
        self.refused: Counter[str] = Counter()
        self.last_refused: dict[str, str] = {}
        self.stored: Counter[str] = Counter()
        self._topics: dict[str, tuple[str, str]] = {}
        self._waiting: list[Heard] = []
        self._unsaved: Counter[str] = Counter()

    def __len__(self) -> int:
        return len(self._waiting)

    def take(self, topic: str, payload: bytes, received_s: float, retained: bool = False) -> None:
        """Check a message and put it aside for the next `flush`. Never raises for what a frame sent."""
        try:
            known = self._topics.get(topic)
            if known is None:
                known = split_topic(topic)
                if len(self._topics) > 50_000:  # only a sender of odd topics gets us here
                    self._topics.clear()
                self._topics[topic] = known
            frame, suffix = known
            if suffix in FROM_HOST:
                return  # our own words, coming back
            if not self.store.has_frame(frame):
                raise Refused("unknown-frame", frame)
            message: Any
            if suffix == "readings":
                message = decode_readings(frame, payload, received_s)
            elif suffix == "events":
                message = decode_event(frame, payload, received_s)
            elif suffix in messages.OBJECTS:
                message = messages.OBJECTS[suffix](payload)
            else:
                raise Refused("topic", topic[:80])
        except Refused as why:
            if not self.rows and topic.endswith(("/readings", "/events")):
                return  # the ingester that got it counts it
            self.count_refusal(why.reason, f"{topic[:80]}: {why}")
            return
        self._waiting.append(Heard(frame, suffix, message, received_s, retained))

    def count_refusal(self, reason: str, what: str, times: int = 1) -> None:
        """Count something that was not let in. By reason and not by frame: a flood of odd topics fills no memory."""
        self.refused[reason] += times
        self._unsaved[reason] += times
        self.last_refused[reason] = what[:300]

    def flush(self) -> list[Heard]:
        """Store all that waits, in one transaction, and return it in the order it came.

        When this raises (no space, disk gone) nothing was stored and everything still waits.
        """
        try:
            return self._store_all()
        except KeyError:
            # A frame was removed while its messages waited: let go of those, keep the rest.
            self.store.forget_numbers()
            self._waiting = [h for h in self._waiting if self.store.has_frame(h.frame)]
            return self._store_all()

    def _store_all(self) -> list[Heard]:
        waiting = self._waiting
        if not waiting:
            return []
        with self.store.transaction():
            readings = [h.message for h in waiting if h.suffix == "readings"]
            events = [h.message for h in waiting if h.suffix == "events"]
            new = self.store.add_readings(readings) if self.rows else 0
            new_events = self.store.add_events(events) if events and self.rows else 0
            if not self.in_order and new < len(readings):
                self._mind_restart(readings)
            if len(readings) + len(events) < len(waiting):
                for heard in waiting:
                    keep = _KEEP.get(heard.suffix)
                    if keep is not None:
                        keep(self.store, heard)
        self._waiting = []
        self._waited = False
        if self.rows:
            self.stored["readings"] += new
            self.stored["events"] += new_events
            self.stored["again"] += len(readings) + len(events) - new - new_events
        return waiting

    def _mind_restart(self, readings: list[Reading]) -> None:
        """Wait once when a number is taken by another moment: a wiped board counts anew, its presence is on its way.

        Raises StoreBusy, so that nothing is acknowledged and the batch is tried again after a pause.
        """
        taken = self.store.numbers_taken(readings)
        if not taken:
            return
        if not self._waited:
            self._waited = True
            self.store.forget_numbers()
            raise StoreBusy(f"{taken} readings bear numbers of earlier ones; waiting for word of a fresh start.")
        self.refused["number-taken"] += taken
        self._unsaved["number-taken"] += taken

    def save_counts(self) -> None:
        """Add the refusals since the last call to the store's notes (read by `status`)."""
        if not self._unsaved:
            return
        with self.store.transaction():  # other ingesters add to the same note
            old: Mapping[str, Any] = self.store.note("refused", {})
            self.store.note_set(
                "refused",
                {
                    "totals": Counter(old.get("totals", {})) + self._unsaved,
                    "last": {**old.get("last", {}), **self.last_refused},
                },
            )
        self._unsaved.clear()


def _presence(store: Store, heard: Heard) -> None:
    if heard.message["here"] and not heard.retained:
        store.saw_boot(heard.frame, heard.message["boot"])
    _latest("presence", store, heard)


def _latest(what: str, store: Store, heard: Heard) -> None:
    """Keep the newest of a sort; a retained repeat of what is known costs no write."""
    if heard.retained:
        known = store.get_latest(heard.frame, what)
        if known is not None and known.body == heard.message:
            return
    at_s = heard.message.get("time_s") or heard.said_s
    store.save_latest(heard.frame, what, heard.message, at_s, heard.said_s)


def _report(store: Store, heard: Heard) -> None:
    if heard.retained:
        known = store.report(heard.frame)
        if known is not None and known.body == heard.message:
            return
    store.save_report(heard.frame, heard.message, heard.message.get("time_s") or heard.received_s, heard.said_s)


def _actual(store: Store, heard: Heard) -> None:
    known = store.actual(heard.frame)
    if known is None or known.body != heard.message or not heard.retained:
        store.save_actual(heard.frame, heard.message, heard.received_s)


def _answer(store: Store, heard: Heard) -> None:
    m = heard.message
    store.order_answered(heard.frame, m["n"], m["done"], m["why"], heard.received_s)


_KEEP: dict[str, Callable[[Store, Heard], None]] = {
    "presence": _presence,
    "report": _report,
    "settings/actual": _actual,
    "orders/answer": _answer,
}


__all__ = ["BATCH", "Event", "Heard", "Inbox", "Reading"]
