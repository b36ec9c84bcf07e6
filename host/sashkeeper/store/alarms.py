"""Alarms, their history, and the messages that went out about them.

The store knows no alarm states: the engine hands in its own words. An alarm
whose `closed_s` is set is over and never changes its state again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..errors import InputError
from .core import StoreCore


@dataclass(slots=True, frozen=True)
class Alarm:
    """One incident. frame None = the whole installation. data: evidence and whatever the engine remembers."""

    id: int
    frame: str | None
    kind: str
    priority: str
    state: str
    opened_s: int
    changed_s: int
    closed_s: int | None
    text: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True, frozen=True)
class AlarmStep:
    """One change of state of an alarm, and why."""

    id: int
    alarm: int
    time_s: int
    from_state: str
    to_state: str
    why: str


@dataclass(slots=True, frozen=True)
class Delivery:
    """One message to one channel. channel: its name, never its URL (that holds secrets).

    state: the notifier's word ("waiting", "sent", "failed" ...). next_s: when to try next.
    """

    id: int
    alarm: int | None
    channel: str
    text: str
    made_s: int
    state: str
    tries: int
    next_s: int | None
    done_s: int | None
    result: str
    data: dict[str, Any] = field(default_factory=dict)


_ALARM = "SELECT id, frame, kind, priority, state, opened_s, changed_s, closed_s, text, data FROM alarms "
_DELIVERY = "SELECT id, alarm, channel, text, made_s, state, tries, next_s, done_s, result, data FROM deliveries "


class AlarmsPart(StoreCore):
    """The part of the store that holds alarms and deliveries."""

    def alarm_open(
        self,
        frame: str | None,
        kind: str,
        priority: str,
        state: str,
        opened_s: float,
        text: str,
        data: Mapping[str, Any] | None = None,
        why: str = "",
    ) -> int:
        """Record a new incident and its first log line; return its number."""
        with self.transaction(lasting=True) as db:
            done = db.execute(
                "INSERT INTO alarms (frame, kind, priority, state, opened_s, changed_s, text, data) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (frame, kind, priority, state, int(opened_s), int(opened_s), text, json.dumps(dict(data or {}))),
            )
            alarm = int(done.lastrowid or 0)
            db.execute(
                "INSERT INTO alarm_log (alarm, time_s, from_state, to_state, why) VALUES (?, ?, '', ?, ?)",
                (alarm, int(opened_s), state, why),
            )
        return alarm

    def alarm_update(
        self,
        alarm: int,
        time_s: float,
        *,
        state: str | None = None,
        text: str | None = None,
        priority: str | None = None,
        data: Mapping[str, Any] | None = None,
        closed: bool = False,
        why: str = "",
    ) -> None:
        """Change what is given; a new state (or closing) also writes a log line with `why`.

        Raises InputError when there is no such alarm.
        """
        old = self.alarm_get(alarm)
        with self.transaction(lasting=True) as db:
            db.execute(
                "UPDATE alarms SET state = ?, text = ?, priority = ?, data = ?, changed_s = ?, closed_s = ? "
                "WHERE id = ?",
                (
                    old.state if state is None else state,
                    old.text if text is None else text,
                    old.priority if priority is None else priority,
                    json.dumps(dict(old.data if data is None else data)),
                    int(time_s),
                    int(time_s) if closed and old.closed_s is None else old.closed_s,
                    alarm,
                ),
            )
            if closed or (state is not None and state != old.state):
                db.execute(
                    "INSERT INTO alarm_log (alarm, time_s, from_state, to_state, why) VALUES (?, ?, ?, ?, ?)",
                    (alarm, int(time_s), old.state, old.state if state is None else state, why),
                )

    def alarm_get(self, alarm: int) -> Alarm:
        """Return one alarm. Raises InputError when there is none of that number."""
        found = self.row(_ALARM + "WHERE id = ?", (alarm,))
        if found is None:
            raise InputError(f'There is no alarm number {alarm}. "sashkeeper alarms list" shows them.')
        return _alarm(found)

    def alarm_list(
        self,
        *,
        open_only: bool = False,
        frame: str | None = None,
        kind: str | None = None,
        start_s: float = 0,
        end_s: float = 1e12,
        limit: int = -1,
    ) -> list[Alarm]:
        """Return alarms opened in start <= time < end, newest first."""
        found = self.rows(
            _ALARM + "WHERE (?1 = 0 OR closed_s IS NULL) AND (?2 IS NULL OR frame = ?2) AND (?3 IS NULL OR kind = ?3) "
            "AND opened_s >= ?4 AND opened_s < ?5 ORDER BY opened_s DESC, id DESC LIMIT ?6",
            (int(open_only), frame, kind, int(start_s), int(end_s), limit),
        )
        return [_alarm(r) for r in found]

    def alarm_log(self, alarm: int | None = None, start_s: float = 0, end_s: float = 1e12) -> list[AlarmStep]:
        """Return changes of state, of one alarm or all, oldest first."""
        found = self.rows(
            "SELECT id, alarm, time_s, from_state, to_state, why FROM alarm_log "
            "WHERE (?1 IS NULL OR alarm = ?1) AND time_s >= ?2 AND time_s < ?3 ORDER BY id",
            (alarm, int(start_s), int(end_s)),
        )
        return [AlarmStep(*r) for r in found]

    def alarm_ended_s(self, alarm: int) -> int | None:
        """Return when an alarm last ceased to stand [s]; it may be closed later, when somebody has said that they know.

        None while it stands, or when it never stood.
        """
        found = self.row(
            "SELECT to_state, time_s FROM alarm_log WHERE alarm = ? "
            "AND (to_state IN ('unacknowledged', 'acknowledged') OR from_state IN ('unacknowledged', 'acknowledged')) "
            "ORDER BY id DESC LIMIT 1",
            (alarm,),
        )
        return None if found is None or found[0] in ("unacknowledged", "acknowledged") else int(found[1])

    # -- deliveries --------------------------------------------------------------------------

    def delivery_add(
        self,
        channel: str,
        text: str,
        made_s: float,
        *,
        alarm: int | None = None,
        state: str = "waiting",
        next_s: float | None = None,
        data: Mapping[str, Any] | None = None,
    ) -> int:
        """Record a message that has to go out; return its number."""
        with self.transaction(lasting=True) as db:
            done = db.execute(
                "INSERT INTO deliveries (alarm, channel, text, made_s, state, next_s, data) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    alarm,
                    channel,
                    text,
                    int(made_s),
                    state,
                    None if next_s is None else int(next_s),
                    json.dumps(dict(data or {})),
                ),
            )
            return int(done.lastrowid or 0)

    def delivery_update(
        self,
        delivery: int,
        *,
        state: str,
        tries: int | None = None,
        next_s: float | None = None,
        done_s: float | None = None,
        result: str | None = None,
        data: Mapping[str, Any] | None = None,
    ) -> None:
        """Record what became of a message. next_s and done_s are set as given (None clears them)."""
        with self.transaction(lasting=True) as db:
            db.execute(
                "UPDATE deliveries SET state = ?, tries = coalesce(?, tries), next_s = ?, done_s = ?, "
                "result = coalesce(?, result), data = coalesce(?, data) WHERE id = ?",
                (
                    state,
                    tries,
                    None if next_s is None else int(next_s),
                    None if done_s is None else int(done_s),
                    result,
                    None if data is None else json.dumps(dict(data)),
                    delivery,
                ),
            )

    def delivery_list(
        self,
        *,
        state: str | None = None,
        alarm: int | None = None,
        channel: str | None = None,
        due_s: float | None = None,
        start_s: float = 0,
        limit: int = -1,
    ) -> list[Delivery]:
        """Return deliveries made since a time, oldest first; due_s keeps those whose next try is due by then."""
        found = self.rows(
            _DELIVERY + "WHERE (?1 IS NULL OR state = ?1) AND (?2 IS NULL OR alarm = ?2) "
            "AND (?3 IS NULL OR channel = ?3) "
            "AND (?4 IS NULL OR next_s <= ?4) AND made_s >= ?5 ORDER BY id LIMIT ?6",
            (state, alarm, channel, None if due_s is None else int(due_s), int(start_s), limit),
        )
        return [_delivery(r) for r in found]


def _alarm(row: Any) -> Alarm:
    *plain, data = row
    return Alarm(*(*plain, json.loads(data)))


def _delivery(row: Any) -> Delivery:
    *plain, data = row
    return Delivery(*(*plain, json.loads(data)))
