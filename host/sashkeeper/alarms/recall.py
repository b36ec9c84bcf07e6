"""The picture of a frame as the store knows it: where a started host goes on."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from ..store import Event, Store
from .picture import SERIES_S, LiveFrame

AHEAD_S = 120.0  # an event later than now by more was told by a wrong clock: what holds is in the report (chosen)
EVENTS = 200  # of each frame; a lid held open or driven hours ago is still among them (chosen)


def as_heard(event: Event) -> dict[str, Any]:
    """An event as a live frame takes it."""
    return {"boot": event.boot, "time_s": event.time_s, "kind": event.kind, **event.body}


def recall(store: Store, frame: str, now_s: float) -> LiveFrame:
    """Return the picture of a frame as the store knows it, after a start: what was heard, in the order of its times.

    Events count although the report says what holds: what came just before a kill may be stored and acknowledged,
    yet neither judged nor reported again.
    """
    live = LiveFrame(frame)
    told: list[tuple[float, int, Callable[[], None]]] = []
    newest, last = store.latest(frame), store.report(frame)
    if newest is not None:
        for one in store.readings(frame, newest.time_s - SERIES_S, newest.time_s + 1):
            told.append((one.time_s, 0, partial(live.hear_readings, one.time_s, one.values, one.time_s)))
    if last is not None:
        before = store.report_changes(frame, last.time_s - SERIES_S, last.time_s)
        for report in [*before, last]:
            told.append((report.time_s, 1, partial(live.hear_report, report.body, report.received_s)))
    for event in reversed(store.events(frame, end_s=now_s + AHEAD_S, limit=EVENTS, newest_first=True)):
        told.append((event.time_s, 2, partial(live.hear_event, as_heard(event), event.time_s)))
    for _, _, hear in sorted(told, key=lambda each: each[:2]):
        hear()
    if found := store.actual(frame):
        live.hear_actual(found.body, found.received_s)
    if found := store.get_latest(frame, "presence"):
        live.hear_presence(bool(found.body["here"]), found.received_s)
    return live
