"""Readings and their roll-ups.

A pack of one moment is one row, recognised by (frame, boot, seq), so the same
pack may arrive any number of times. Charts of long spans read roll-ups of ten
minutes or an hour, which are recomputed from the rows themselves and so can
never drift away from them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from .core import StoreCore
from .migrations import METRICS_1

METRICS: tuple[str, ...] = METRICS_1
TEN_MINUTES_S = 600
HOUR_S = 3600
STEPS_S = (TEN_MINUTES_S, HOUR_S)
ERA = 1 << 24

_KNOWN = frozenset(METRICS)
_INSERT = (
    f"INSERT OR IGNORE INTO readings (frame, boot, seq, time_s, {', '.join(METRICS)}, other) "
    f"VALUES (?, ?, ?, ?, {', '.join(['CAST(round(? * 1000) AS INTEGER)'] * len(METRICS))}, ?)"
)
_ROLL = (
    "INSERT OR REPLACE INTO rollups SELECT ?1, ?2, ?3, "
    + ", ".join(f"count({m}), min({m}), max({m}), sum({m})" for m in METRICS)
    + " FROM readings WHERE frame = ?1 AND time_s >= ?3 AND time_s < ?3 + ?2 HAVING count(*) > 0"
)


@dataclass(slots=True)
class Reading:
    """What a frame measured at one moment.

    values: metric name -> value in the unit of the wire (Cel, ratio 0..1, V, A, lx, m/s, %RH).
    stamped: True when the host stamped the time because the frame's clock was not set.
    """

    frame: str
    boot: int
    seq: int
    time_s: float
    values: dict[str, float] = field(default_factory=dict)
    stamped: bool = False


class Roll(NamedTuple):
    """One metric over one span: start [s], length [s], count, least, greatest, mean."""

    start_s: int
    step_s: int
    n: int
    low: float
    high: float
    mean: float


class ReadingsPart(StoreCore):
    """The part of the store that holds readings."""

    _numbers: dict[str, tuple[int, int]]
    copying = False

    def _number(self, frame: str) -> tuple[int, int]:
        """Return (row number, era) of a frame; KeyError when it is not registered."""
        try:
            return self._numbers[frame]
        except KeyError:
            found = self.row("SELECT num, era FROM frames WHERE id = ?", (frame,))
            if found is None:
                raise
            self._numbers[frame] = (int(found[0]), int(found[1]))
            return self._numbers[frame]

    def add_readings(self, readings: Sequence[Reading]) -> int:
        """Store packs, all in one transaction; return how many were new.

        A pack that is stored already (same frame, boot and seq) changes nothing.
        Raises KeyError for a frame that is not registered, StoreFull and StoreError.
        """
        rows = []
        due: set[tuple[int, int, int]] = set()
        for one in readings:
            num, era = self._number(one.frame)
            at_s = int(one.time_s)
            other = None
            if not one.values.keys() <= _KNOWN:
                other = json.dumps({k: v for k, v in one.values.items() if k not in _KNOWN})
            rows.append((num, era * ERA + one.boot, one.seq, at_s, *map(one.values.get, METRICS), other))
            due.add((num, TEN_MINUTES_S, at_s - at_s % TEN_MINUTES_S))
            due.add((num, HOUR_S, at_s - at_s % HOUR_S))
        if not rows:
            return 0
        with self.transaction() as db:
            before = db.total_changes
            db.executemany(_INSERT, rows)
            new = db.total_changes - before
            if new:
                db.executemany("INSERT OR IGNORE INTO rollups_due VALUES (?, ?, ?)", due)
                if self.copying:
                    db.executemany("INSERT OR IGNORE INTO copies_due VALUES (?, ?, ?)", [r[:3] for r in rows])
        return new

    def numbers_taken(self, readings: Sequence[Reading]) -> int:
        """Return how many packs find their number (frame, boot, seq) taken by a pack of another moment.

        Packs that the host stamped do not count: they bear the time of arrival, another one each time they come.
        """
        taken = 0
        for one in readings:
            if one.stamped:
                continue
            num, era = self._number(one.frame)
            found = self.row(
                "SELECT time_s FROM readings WHERE frame = ? AND boot = ? AND seq = ?",
                (num, era * ERA + one.boot, one.seq),
            )
            taken += found is not None and found[0] != int(one.time_s)
        return taken

    def roll_up(self, before_s: float, limit: int = 2000) -> int:
        """Recompute roll-ups of spans that ended before a time [s]; return how many.

        Called by the service at each tick, so one span is computed about once. Spans still due
        are computed on the fly when somebody looks at them.
        """
        due = self.rows(
            "SELECT frame, step_s, start_s FROM rollups_due WHERE start_s + step_s <= ? LIMIT ?", (int(before_s), limit)
        )
        if due:
            with self.transaction() as db:
                db.executemany(_ROLL, [(num, step, start) for num, step, start in due])
                db.executemany("DELETE FROM rollups_due WHERE frame = ? AND step_s = ? AND start_s = ?", due)
        return len(due)

    def rolls_waiting(self) -> int:
        """Return how many spans wait for their roll-up."""
        return int(self.row("SELECT count(*) FROM rollups_due")[0])

    def latest(self, frame: str) -> Reading | None:
        """Return the newest reading of a frame by its own time, or None."""
        num, _ = self._number(frame)
        found = self.row(
            f"SELECT boot, seq, time_s, other, {', '.join(METRICS)} FROM readings "
            "WHERE frame = ? ORDER BY time_s DESC, boot DESC, seq DESC LIMIT 1",
            (num,),
        )
        return None if found is None else _reading(frame, found)

    def readings(self, frame: str, start_s: float, end_s: float, limit: int = -1) -> list[Reading]:
        """Return the whole readings of start <= time < end [s], oldest first."""
        num, _ = self._number(frame)
        found = self.rows(
            f"SELECT boot, seq, time_s, other, {', '.join(METRICS)} FROM readings "
            "WHERE frame = ? AND time_s >= ? AND time_s < ? ORDER BY time_s, boot, seq LIMIT ?",
            (num, int(start_s), int(end_s), limit),
        )
        return [_reading(frame, row) for row in found]

    def series(self, frame: str, metric: str, start_s: float, end_s: float) -> list[tuple[int, float]]:
        """Return (time [s], value) of one metric, start <= time < end, oldest first, at full detail."""
        num, _ = self._number(frame)
        if metric in _KNOWN:
            sql = f"SELECT time_s, {metric} / 1000.0 FROM readings WHERE {metric} IS NOT NULL AND "
            args: tuple[object, ...] = ()
        else:
            sql = "SELECT time_s, json_extract(other, ?) FROM readings WHERE other IS NOT NULL AND "
            args = (f'$."{metric}"',)
        sql += "frame = ? AND time_s >= ? AND time_s < ? ORDER BY time_s, boot, seq"
        found = self.rows(sql, (*args, num, int(start_s), int(end_s)))
        return [(t, v) for t, v in found if v is not None]

    def rolls(
        self, frame: str, metrics: Iterable[str], start_s: float, end_s: float, step_s: int = HOUR_S
    ) -> Mapping[str, list[Roll]]:
        """Return roll-ups per metric for spans that start in start <= t < end, oldest first.

        step_s: 600 or 3600. Always up to date: spans still due are computed from their rows here.
        """
        if step_s not in STEPS_S:
            raise ValueError(f"no roll-up of {step_s} s; there are {STEPS_S}")
        num, _ = self._number(frame)
        wanted = [m for m in metrics if m in _KNOWN]
        if not wanted:
            return {}
        span = (num, step_s, int(start_s), int(end_s))
        columns = ", ".join(f"{m}_n, {m}_min, {m}_max, {m}_sum" for m in wanted)
        live = ", ".join(f"count({m}), min({m}), max({m}), sum({m})" for m in wanted)
        found = self.rows(
            f"SELECT start_s, {columns} FROM rollups WHERE frame = ? AND step_s = ? AND start_s >= ? AND start_s < ? "
            "AND NOT EXISTS (SELECT 1 FROM rollups_due d WHERE d.frame = rollups.frame AND d.step_s = rollups.step_s "
            f"AND d.start_s = rollups.start_s) UNION ALL SELECT d.start_s, {live} FROM rollups_due d "
            "JOIN readings r ON r.frame = d.frame AND r.time_s >= d.start_s AND r.time_s < d.start_s + d.step_s "
            "WHERE d.frame = ? AND d.step_s = ? AND d.start_s >= ? AND d.start_s < ? GROUP BY d.start_s ORDER BY 1",
            span + span,
        )
        out: dict[str, list[Roll]] = {}
        for i, metric in enumerate(wanted):
            at = 1 + 4 * i
            out[metric] = [
                Roll(r[0], step_s, r[at], r[at + 1] / 1000, r[at + 2] / 1000, r[at + 3] / (1000 * r[at]))
                for r in found
                if r[at]
            ]
        return out

    def reading_count(self, frame: str | None = None) -> int:
        """Return how many packs are stored, of one frame or of all."""
        if frame is None:
            return int(self.row("SELECT count(*) FROM readings")[0])
        return int(self.row("SELECT count(*) FROM readings WHERE frame = ?", (self._number(frame)[0],))[0])

    def missing(self, frame: str, since_s: float) -> int:
        """Return how many packs since a time [s] are not here: numbers skipped within one start of the frame.

        Those that a frame still has in its journal count too, until they come.
        """
        num, _ = self._number(frame)
        found = self.row(
            "SELECT coalesce(sum(gap), 0) FROM (SELECT max(seq) - min(seq) + 1 - count(*) AS gap FROM readings "
            "WHERE frame = ? AND time_s >= ? GROUP BY boot)",
            (num, int(since_s)),
        )
        return int(found[0])

    # -- the copy for a time-series server -----------------------------------------------------

    def copies_count(self) -> int:
        """Return how many readings wait to be copied."""
        return int(self.row("SELECT count(*) FROM copies_due")[0])

    def copies_waiting(self, limit: int) -> list[tuple[tuple[int, int, int], Reading]]:
        """Return readings that wait to be copied, each with the key for `copies_done`."""
        found = self.rows(
            f"SELECT f.id, c.frame, c.boot, c.seq, r.boot, r.seq, r.time_s, r.other, "
            f"{', '.join('r.' + m for m in METRICS)} FROM (SELECT * FROM copies_due LIMIT ?) c "
            "JOIN frames f ON f.num = c.frame "
            "JOIN readings r ON r.frame = c.frame AND r.boot = c.boot AND r.seq = c.seq",
            (limit,),
        )
        return [((r[1], r[2], r[3]), _reading(r[0], r[4:])) for r in found]

    def copies_done(self, keys: Sequence[tuple[int, int, int]]) -> None:
        """Note that readings were copied."""
        with self.transaction() as db:
            db.executemany("DELETE FROM copies_due WHERE frame = ? AND boot = ? AND seq = ?", keys)

    def copy_all(self) -> int:
        """Mark every stored reading to be copied (for a server that starts empty); return how many wait."""
        with self.transaction() as db:
            db.execute("INSERT OR IGNORE INTO copies_due SELECT frame, boot, seq FROM readings")
        return self.copies_count()

    def prune_readings(self, before_s: float) -> int:
        """Remove full-detail rows older than a time [s]; roll-ups stay. Return how many went."""
        self.roll_up(before_s, limit=10_000_000)
        with self.transaction() as db:
            # Only whole hours go, so that no roll-up can ever be recomputed from half of its rows.
            whole = int(before_s) - int(before_s) % HOUR_S
            gone = db.execute("DELETE FROM readings WHERE time_s < ?", (whole,)).rowcount
            db.execute(
                "DELETE FROM copies_due WHERE NOT EXISTS (SELECT 1 FROM readings r WHERE r.frame = copies_due.frame "
                "AND r.boot = copies_due.boot AND r.seq = copies_due.seq)"
            )
            return gone


def _reading(frame: str, row: Sequence[object]) -> Reading:
    boot, seq, time_s, other = row[0], row[1], row[2], row[3]
    assert isinstance(boot, int)
    assert isinstance(seq, int)
    assert isinstance(time_s, int)
    values = {m: v / 1000 for m, v in zip(METRICS, row[4:], strict=True) if isinstance(v, int)}
    if isinstance(other, str):
        values.update(json.loads(other))
    return Reading(frame, boot % ERA, seq, float(time_s), values)
