"""Everything the host remembers, in one SQLite file.

`Store` is put together from parts, one file each; read those for the details:

* `core`      opening, transactions, notes, secrets, backup, integrity
* `frames`    frames, plantings, diary
* `readings`  readings and roll-ups
* `messages`  events, reports, settings, orders
* `alarms`    alarms and deliveries

Times are seconds since 1970 UTC; values have the units of the wire. Methods
raise the sentences of `errors`; a frame that is not registered is a KeyError
in the fast paths and UnknownFrame where a grower typed the name.
"""

from __future__ import annotations

from pathlib import Path

from .alarms import Alarm, AlarmsPart, AlarmStep, Delivery
from .frames import DiaryEntry, Frame, FramesPart, Planting
from .messages import Event, Latest, MessagesPart, OrderSent, Sent
from .readings import METRICS, STEPS_S, Reading, ReadingsPart, Roll

__all__ = [
    "METRICS",
    "STEPS_S",
    "Alarm",
    "AlarmStep",
    "Delivery",
    "DiaryEntry",
    "Event",
    "Frame",
    "Latest",
    "OrderSent",
    "Planting",
    "Reading",
    "Roll",
    "Sent",
    "Store",
]


class Store(ReadingsPart, MessagesPart, FramesPart, AlarmsPart):
    """The host's memory. Belongs to one thread; open another one for another thread."""

    def __init__(self, path: str | Path, *, create: bool = True) -> None:
        """Open, make or upgrade the store file; ":memory:" for tests."""
        self._numbers = {}
        super().__init__(path, create=create)
