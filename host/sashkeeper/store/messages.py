"""What frames report besides readings, and what was sent to them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .core import StoreCore
from .readings import ERA


@dataclass(slots=True, frozen=True)
class Event:
    """Something that happened in a frame; body is the whole message."""

    frame: str
    boot: int
    seq: int
    time_s: float
    kind: str
    body: dict[str, Any]


@dataclass(slots=True, frozen=True)
class Latest:
    """The last message of a sort: what it says [body], the frame's time [s], when it arrived [s]."""

    time_s: float
    received_s: float
    body: dict[str, Any]


@dataclass(slots=True, frozen=True)
class Sent:
    """Settings that were sent: outcome is "" (no answer yet), "taken" or the frame's reason for refusing."""

    frame: str
    n: int
    sent_s: int
    settings: dict[str, int]
    why: str
    outcome: str
    outcome_s: int | None


@dataclass(slots=True, frozen=True)
class OrderSent:
    """An order that was sent, and the frame's answer (done None = none yet)."""

    frame: str
    n: int
    sent_s: int
    body: dict[str, Any]
    done: bool | None
    why: str | None
    answered_s: int | None


# A change in any of these is worth a row in the report's history; uptime and memory are not.
_TELLING = ("boot", "lid", "reason", "lockouts", "faults", "mode", "settings_n", "firmware")


class MessagesPart(StoreCore):
    """The part of the store that holds events, reports, settings and orders."""

    def _number(self, frame: str) -> tuple[int, int]:
        raise NotImplementedError

    def add_events(self, events: Sequence[Event]) -> int:
        """Store events in one transaction; return how many were new (known by frame, boot and seq)."""
        rows = []
        for e in events:
            num, era = self._number(e.frame)
            rows.append((num, era * ERA + e.boot, e.seq, int(e.time_s), e.kind, json.dumps(e.body)))
        with self.transaction() as db:
            before = db.total_changes
            db.executemany("INSERT OR IGNORE INTO events VALUES (?, ?, ?, ?, ?, ?)", rows)
            return db.total_changes - before

    def add_event(self, event: Event) -> bool:
        """Store one event; return False when it was known already."""
        return self.add_events([event]) == 1

    def events(
        self,
        frame: str | None = None,
        start_s: float = 0,
        end_s: float = 1e12,
        kind: str | None = None,
        limit: int = -1,
        newest_first: bool = False,
    ) -> list[Event]:
        """Return events of start <= time < end, oldest first unless told otherwise."""
        order = "DESC" if newest_first else "ASC"
        num = None if frame is None else self._number(frame)[0]
        found = self.rows(
            "SELECT f.id, e.boot, e.seq, e.time_s, e.kind, e.body FROM events e JOIN frames f ON f.num = e.frame "
            "WHERE (?1 IS NULL OR e.frame = ?1) AND e.time_s >= ?2 AND e.time_s < ?3 AND (?4 IS NULL OR e.kind = ?4) "
            f"ORDER BY e.time_s {order}, e.boot {order}, e.seq {order} LIMIT ?5",
            (num, int(start_s), int(end_s), kind, limit),
        )
        return [Event(r[0], r[1] % ERA, r[2], r[3], r[4], json.loads(r[5])) for r in found]

    # -- the last of each sort ---------------------------------------------------------------

    def save_latest(
        self, frame: str, what: str, body: Mapping[str, Any], time_s: float, received_s: float, lasting: bool = False
    ) -> None:
        """Keep the newest message of a sort (report, presence, actual ...)."""
        with self.transaction(lasting=lasting) as db:
            db.execute(
                "INSERT OR REPLACE INTO latest VALUES (?, ?, ?, ?, ?)",
                (self._number(frame)[0], what, int(time_s), int(received_s), json.dumps(body)),
            )

    def get_latest(self, frame: str, what: str) -> Latest | None:
        """Return the newest message of a sort, or None."""
        found = self.row(
            "SELECT time_s, received_s, body FROM latest WHERE frame = ? AND what = ?", (self._number(frame)[0], what)
        )
        return None if found is None else Latest(found[0], found[1], json.loads(found[2]))

    def save_report(self, frame: str, body: Mapping[str, Any], time_s: float, received_s: float) -> bool:
        """Keep a report; return True when it differs in what matters from the one before (history gets a row)."""
        with self.transaction() as db:
            before = self.get_latest(frame, "report")
            changed = before is None or any(before.body.get(k) != body.get(k) for k in _TELLING)
            if changed:
                db.execute(
                    "INSERT INTO report_changes (frame, time_s, body) VALUES (?, ?, ?)",
                    (self._number(frame)[0], int(time_s), json.dumps(body)),
                )
            self.save_latest(frame, "report", body, time_s, received_s)
        return changed

    def report(self, frame: str) -> Latest | None:
        """Return the last report of a frame, or None."""
        return self.get_latest(frame, "report")

    def report_changes(self, frame: str, start_s: float = 0, end_s: float = 1e12) -> list[Latest]:
        """Return the reports that brought something new, start <= time < end, oldest first."""
        found = self.rows(
            "SELECT time_s, body FROM report_changes WHERE frame = ? AND time_s >= ? AND time_s < ? "
            "ORDER BY time_s, id",
            (self._number(frame)[0], int(start_s), int(end_s)),
        )
        return [Latest(r[0], r[0], json.loads(r[1])) for r in found]

    # -- settings ----------------------------------------------------------------------------

    def save_actual(self, frame: str, body: Mapping[str, Any], received_s: float) -> None:
        """Keep the settings that a frame says are in force, and mark what was sent as taken or refused."""
        num = self._number(frame)[0]
        refused = body.get("refused") or {}
        with self.transaction(lasting=True) as db:
            self.save_latest(frame, "actual", body, received_s, received_s)
            db.execute(
                "UPDATE settings_sent SET outcome = 'taken', outcome_s = ? WHERE frame = ? AND n = ? AND outcome = ''",
                (int(received_s), num, body.get("n")),
            )
            if refused:
                db.execute(
                    "UPDATE settings_sent SET outcome = ?, outcome_s = ? WHERE frame = ? AND n = ? AND outcome = ''",
                    (str(refused.get("why", "refused")), int(received_s), num, refused.get("n")),
                )

    def actual(self, frame: str) -> Latest | None:
        """Return the settings in force: body = {"v", "n", "settings", "refused"}, or None."""
        return self.get_latest(frame, "actual")

    def settings_next(self, frame: str, settings: Mapping[str, int], why: str, sent_s: float) -> int:
        """Take the next rising number for settings to be sent, and record them; return the number."""
        num = self._number(frame)[0]
        with self.transaction(lasting=True) as db:
            top = db.execute("SELECT coalesce(max(n), 0) FROM settings_sent WHERE frame = ?", (num,)).fetchone()[0]
            actual = self.get_latest(frame, "actual")
            # A store restored from an older backup may lag behind what the frame has accepted.
            n = 1 + max(int(top), int(actual.body.get("n", 0)) if actual else 0)
            db.execute(
                "INSERT INTO settings_sent (frame, n, sent_s, settings, why) VALUES (?, ?, ?, ?, ?)",
                (num, n, int(sent_s), json.dumps(dict(settings)), why),
            )
        return n

    def settings_sent(self, frame: str, limit: int = 20) -> list[Sent]:
        """Return the settings sent to a frame, newest first."""
        found = self.rows(
            "SELECT n, sent_s, settings, why, outcome, outcome_s FROM settings_sent WHERE frame = ? "
            "ORDER BY n DESC LIMIT ?",
            (self._number(frame)[0], limit),
        )
        return [Sent(frame, r[0], r[1], json.loads(r[2]), r[3], r[4], r[5]) for r in found]

    # -- orders ------------------------------------------------------------------------------

    def order_next(self, frame: str, body: Mapping[str, Any], sent_s: float) -> int:
        """Take the next rising number for an order and record it; return the number."""
        num = self._number(frame)[0]
        with self.transaction(lasting=True) as db:
            top = db.execute("SELECT coalesce(max(n), 0) FROM orders_sent WHERE frame = ?", (num,)).fetchone()[0]
            # Never below the clock in seconds: a store restored from an old backup then still rises.
            n = max(int(top) + 1, int(sent_s) - 1_700_000_000)
            db.execute(
                "INSERT INTO orders_sent (frame, n, sent_s, body) VALUES (?, ?, ?, ?)",
                (num, n, int(sent_s), json.dumps({**body, "n": n})),
            )
        return n

    def order_answered(self, frame: str, n: int, done: bool, why: str, time_s: float) -> None:
        """Record a frame's answer to an order."""
        with self.transaction(lasting=True) as db:
            db.execute(
                "UPDATE orders_sent SET done = ?, why = ?, answered_s = ? WHERE frame = ? AND n = ? AND done IS NULL",
                (int(done), why, int(time_s), self._number(frame)[0], n),
            )

    def orders(self, frame: str, limit: int = 20) -> list[OrderSent]:
        """Return the orders sent to a frame with their answers, newest first."""
        found = self.rows(
            "SELECT n, sent_s, body, done, why, answered_s FROM orders_sent WHERE frame = ? ORDER BY n DESC LIMIT ?",
            (self._number(frame)[0], limit),
        )
        return [
            OrderSent(frame, r[0], r[1], json.loads(r[2]), None if r[3] is None else bool(r[3]), r[4], r[5])
            for r in found
        ]
