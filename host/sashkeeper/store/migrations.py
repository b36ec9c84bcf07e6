"""How a store file grows from one version to the next.

Each step is one small function, runs in its own transaction together with its
version number, and is never changed once released: a new need is a new step.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

# The mark that says "this SQLite file is a Sashkeeper store" (ASCII "SASH").
APPLICATION_ID = 0x53415348

# Measured things a frame sends, in the order of their columns. Values are kept
# as whole thousandths (12.4 degC -> 12400): exact for everything the controller
# sends, since it counts in thousandths itself, and a third of the size of a float.
METRICS_1 = (
    "air",
    "air2",
    "soil",
    "outside",
    "lid",
    "target",
    "battery",
    "current",
    "light",
    "wind",
    "humidity",
)


def _frames(db: sqlite3.Connection) -> None:
    db.execute(
        """CREATE TABLE frames (
            num INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            name TEXT NOT NULL,
            key BLOB NOT NULL,
            added_s INTEGER NOT NULL,
            era INTEGER NOT NULL DEFAULT 0,
            last_boot INTEGER NOT NULL DEFAULT 0,
            data TEXT NOT NULL DEFAULT '{}')"""
    )
    db.execute(
        """CREATE TABLE plantings (
            id INTEGER PRIMARY KEY,
            frame TEXT NOT NULL REFERENCES frames(id) ON UPDATE CASCADE ON DELETE CASCADE,
            crop TEXT NOT NULL,
            since_day TEXT NOT NULL,
            until_day TEXT,
            share_permille INTEGER NOT NULL DEFAULT 1000,
            data TEXT NOT NULL DEFAULT '{}')"""
    )
    db.execute(
        """CREATE TABLE diary (
            id INTEGER PRIMARY KEY,
            frame TEXT REFERENCES frames(id) ON UPDATE CASCADE ON DELETE CASCADE,
            time_s INTEGER NOT NULL,
            kind TEXT NOT NULL,
            text TEXT NOT NULL,
            data TEXT NOT NULL DEFAULT '{}')"""
    )
    db.execute("CREATE INDEX diary_by_time ON diary(time_s)")
    db.execute("CREATE TABLE secrets (name TEXT PRIMARY KEY, value BLOB NOT NULL)")
    db.execute("CREATE TABLE notes (key TEXT PRIMARY KEY, value TEXT NOT NULL)")


def _readings(db: sqlite3.Connection) -> None:
    # One row a pack. `boot` is era * 2**24 + the board's own boot number: a board whose
    # memory was wiped counts its boots from 1 again and must not look like a duplicate.
    columns = ", ".join(f"{name} INTEGER" for name in METRICS_1)
    db.execute(
        f"""CREATE TABLE readings (
            frame INTEGER NOT NULL, boot INTEGER NOT NULL, seq INTEGER NOT NULL, time_s INTEGER NOT NULL,
            {columns}, other TEXT,
            PRIMARY KEY (frame, boot, seq)) WITHOUT ROWID"""
    )
    db.execute("CREATE INDEX readings_by_time ON readings(frame, time_s)")
    rolled = ", ".join(f"{m}_n INTEGER, {m}_min INTEGER, {m}_max INTEGER, {m}_sum INTEGER" for m in METRICS_1)
    db.execute(
        f"""CREATE TABLE rollups (
            frame INTEGER NOT NULL, step_s INTEGER NOT NULL, start_s INTEGER NOT NULL, {rolled},
            PRIMARY KEY (frame, step_s, start_s)) WITHOUT ROWID"""
    )
    # Spans whose roll-up is older than its rows. Written in the transaction that adds the rows,
    # removed in the one that recomputes: a crash between the two loses nothing.
    db.execute(
        """CREATE TABLE rollups_due (
            frame INTEGER NOT NULL, step_s INTEGER NOT NULL, start_s INTEGER NOT NULL,
            PRIMARY KEY (frame, step_s, start_s)) WITHOUT ROWID"""
    )


def _messages(db: sqlite3.Connection) -> None:
    db.execute(
        """CREATE TABLE events (
            frame INTEGER NOT NULL, boot INTEGER NOT NULL, seq INTEGER NOT NULL, time_s INTEGER NOT NULL,
            kind TEXT NOT NULL, body TEXT NOT NULL,
            PRIMARY KEY (frame, boot, seq)) WITHOUT ROWID"""
    )
    db.execute("CREATE INDEX events_by_time ON events(frame, time_s)")
    db.execute(
        """CREATE TABLE latest (
            frame INTEGER NOT NULL, what TEXT NOT NULL, time_s INTEGER NOT NULL, received_s INTEGER NOT NULL,
            body TEXT NOT NULL, PRIMARY KEY (frame, what)) WITHOUT ROWID"""
    )
    db.execute(
        """CREATE TABLE report_changes (
            id INTEGER PRIMARY KEY, frame INTEGER NOT NULL, time_s INTEGER NOT NULL, body TEXT NOT NULL)"""
    )
    db.execute("CREATE INDEX report_changes_by_time ON report_changes(frame, time_s)")


def _commands(db: sqlite3.Connection) -> None:
    db.execute(
        """CREATE TABLE settings_sent (
            frame INTEGER NOT NULL, n INTEGER NOT NULL, sent_s INTEGER NOT NULL, settings TEXT NOT NULL,
            why TEXT NOT NULL, outcome TEXT NOT NULL DEFAULT '', outcome_s INTEGER,
            PRIMARY KEY (frame, n)) WITHOUT ROWID"""
    )
    db.execute(
        """CREATE TABLE orders_sent (
            frame INTEGER NOT NULL, n INTEGER NOT NULL, sent_s INTEGER NOT NULL, body TEXT NOT NULL,
            done INTEGER, why TEXT, answered_s INTEGER,
            PRIMARY KEY (frame, n)) WITHOUT ROWID"""
    )


def _alarms(db: sqlite3.Connection) -> None:
    db.execute(
        """CREATE TABLE alarms (
            id INTEGER PRIMARY KEY, frame TEXT, kind TEXT NOT NULL, priority TEXT NOT NULL, state TEXT NOT NULL,
            opened_s INTEGER NOT NULL, changed_s INTEGER NOT NULL, closed_s INTEGER,
            text TEXT NOT NULL, data TEXT NOT NULL DEFAULT '{}')"""
    )
    db.execute("CREATE INDEX alarms_open ON alarms(closed_s, frame)")
    db.execute("CREATE INDEX alarms_by_time ON alarms(opened_s)")
    db.execute(
        """CREATE TABLE alarm_log (
            id INTEGER PRIMARY KEY, alarm INTEGER NOT NULL REFERENCES alarms(id) ON DELETE CASCADE,
            time_s INTEGER NOT NULL, from_state TEXT NOT NULL, to_state TEXT NOT NULL, why TEXT NOT NULL)"""
    )
    db.execute("CREATE INDEX alarm_log_by_alarm ON alarm_log(alarm, id)")
    db.execute(
        """CREATE TABLE deliveries (
            id INTEGER PRIMARY KEY, alarm INTEGER, channel TEXT NOT NULL, text TEXT NOT NULL,
            made_s INTEGER NOT NULL, state TEXT NOT NULL, tries INTEGER NOT NULL DEFAULT 0,
            next_s INTEGER, done_s INTEGER, result TEXT NOT NULL DEFAULT '', data TEXT NOT NULL DEFAULT '{}')"""
    )
    db.execute("CREATE INDEX deliveries_by_state ON deliveries(state, next_s)")
    db.execute("CREATE INDEX deliveries_by_alarm ON deliveries(alarm)")


def _copies(db: sqlite3.Connection) -> None:
    # Readings that a time-series server has not taken yet.
    db.execute(
        """CREATE TABLE copies_due (
            frame INTEGER NOT NULL, boot INTEGER NOT NULL, seq INTEGER NOT NULL,
            PRIMARY KEY (frame, boot, seq)) WITHOUT ROWID"""
    )


STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (_frames, _readings, _messages, _commands, _alarms, _copies)
NEWEST = len(STEPS)


def migrate(db: sqlite3.Connection, upto: int = NEWEST) -> int:
    """Bring an open store to version `upto`, one transaction a step; return how many steps ran.

    The connection must be in autocommit mode. Two programs that start at once
    are safe: the version is read again inside the write lock.
    """
    ran = 0
    while True:
        db.execute("BEGIN IMMEDIATE")
        try:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            if version >= upto:
                db.execute("ROLLBACK")
                return ran
            STEPS[version](db)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {version + 1}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        ran += 1
