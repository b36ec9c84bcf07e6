"""What is known right now about each frame, with the age of everything."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .store import Event, Reading, Store


@dataclass(slots=True)
class Live:
    """The present picture of one frame. Times are the host's clock [s]; None = never.

    heard_s       last message that was not merely kept by the broker
    here          whether the frame's connection stands, by its presence or last will
    reading       newest reading by the frame's own time; reading_s when it arrived
    clock_off_s   frame's clock minus ours, at the last message that told; None while its clock is unset
    """

    frame: str
    heard_s: float | None = None
    here: bool | None = None
    here_s: float | None = None
    boot: int | None = None
    position_permille: int | None = None
    reading: Reading | None = None
    reading_s: float | None = None
    report: dict[str, Any] | None = None
    report_s: float | None = None
    actual: dict[str, Any] | None = None
    actual_s: float | None = None
    last_event: Event | None = None
    clock_off_s: float | None = None

    def __repr__(self) -> str:
        lid = (self.report or {}).get("lid", {})
        air = self.reading.values.get("air") if self.reading else None
        return f"<Live {self.frame} here={self.here} lid={lid.get('state')} air={air}>"


def load(store: Store, frame: str) -> Live:
    """Return the picture of a frame as the store knows it (after a start of the host)."""
    live = Live(frame)
    heard: list[float] = []
    live.reading = store.latest(frame)
    if live.reading is not None:
        live.reading_s = live.reading.time_s
        heard.append(live.reading.time_s)
    if found := store.get_latest(frame, "presence"):
        live.here, live.here_s = bool(found.body["here"]), found.received_s or None
        live.boot, live.position_permille = found.body["boot"], found.body.get("position_permille")
        heard.append(found.received_s)
    if found := store.report(frame):
        live.report, live.report_s = found.body, found.received_s or None
        heard.append(found.received_s)
    if found := store.actual(frame):
        live.actual, live.actual_s = found.body, found.received_s or None
    events = store.events(frame, limit=1, newest_first=True)
    live.last_event = events[0] if events else None
    live.heard_s = max(heard, default=0.0) or None
    return live
