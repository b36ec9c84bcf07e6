"""Frames, what grows in them, and the grower's diary."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..errors import InputError, unknown_frame
from .core import StoreCore


@dataclass(slots=True, frozen=True)
class Frame:
    """A registered frame: id as on the wire, the grower's name for it, its secret key, when it was added [s]."""

    id: str
    name: str
    key: bytes = field(repr=False)
    added_s: int
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True, frozen=True)
class Planting:
    """A crop that stands in a frame from a day to a day (ISO dates; until None = still there).

    share_permille: part of the bed. data: whatever the planner wants to remember (stage, variety ...).
    """

    id: int
    frame: str
    crop: str
    since_day: str
    until_day: str | None
    share_permille: int
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True, frozen=True)
class DiaryEntry:
    """Something the grower did or saw; frame None means the whole garden."""

    id: int
    frame: str | None
    time_s: int
    kind: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)


class FramesPart(StoreCore):
    """The part of the store that holds frames, plantings and the diary."""

    _numbers: dict[str, tuple[int, int]]

    def forget_numbers(self) -> None:
        """Look frames up afresh, in case another program added, renamed or removed one."""
        self._numbers.clear()

    def frame_add(
        self, frame: str, key: bytes, added_s: float, name: str = "", data: Mapping[str, Any] | None = None
    ) -> None:
        """Register a frame. Raises InputError when the id is taken."""
        with self.transaction(lasting=True) as db:
            if db.execute("SELECT 1 FROM frames WHERE id = ?", (frame,)).fetchone():
                raise InputError(
                    f'There is a frame called "{frame}" already. Nothing was changed. Choose another name.'
                )
            db.execute(
                "INSERT INTO frames (id, name, key, added_s, data) VALUES (?, ?, ?, ?, ?)",
                (frame, name or frame, key, int(added_s), json.dumps(dict(data or {}))),
            )

    def frames(self) -> list[Frame]:
        """Return all registered frames by id."""
        return [
            Frame(r[0], r[1], bytes(r[2]), r[3], json.loads(r[4]))
            for r in self.rows("SELECT id, name, key, added_s, data FROM frames ORDER BY id")
        ]

    def frame(self, frame: str) -> Frame:
        """Return one frame. Raises UnknownFrame with the nearest name."""
        r = self.row("SELECT id, name, key, added_s, data FROM frames WHERE id = ?", (frame,))
        if r is None:
            raise unknown_frame(frame, [f[0] for f in self.rows("SELECT id FROM frames")])
        return Frame(r[0], r[1], bytes(r[2]), r[3], json.loads(r[4]))

    def has_frame(self, frame: str) -> bool:
        """Return whether a frame is registered."""
        if frame in self._numbers:
            return True
        return self.row("SELECT 1 FROM frames WHERE id = ?", (frame,)) is not None

    def frame_change(
        self, frame: str, *, name: str | None = None, key: bytes | None = None, data: Mapping[str, Any] | None = None
    ) -> None:
        """Change the shown name, the key or the remembered details of a frame."""
        old = self.frame(frame)
        with self.transaction(lasting=True) as db:
            db.execute(
                "UPDATE frames SET name = ?, key = ?, data = ? WHERE id = ?",
                (name or old.name, key or old.key, json.dumps(dict(old.data if data is None else data)), frame),
            )

    def frame_remove(self, frame: str) -> None:
        """Remove a frame and everything that was stored about it."""
        self.frame(frame)
        with self.transaction(lasting=True) as db:
            num = db.execute("SELECT num FROM frames WHERE id = ?", (frame,)).fetchone()[0]
            for table in (
                "readings",
                "rollups",
                "rollups_due",
                "copies_due",
                "events",
                "latest",
                "report_changes",
                "settings_sent",
                "orders_sent",
            ):
                db.execute(f"DELETE FROM {table} WHERE frame = ?", (num,))
            db.execute("DELETE FROM deliveries WHERE alarm IN (SELECT id FROM alarms WHERE frame = ?)", (frame,))
            db.execute("DELETE FROM alarms WHERE frame = ?", (frame,))
            db.execute("DELETE FROM frames WHERE id = ?", (frame,))
        self._numbers.clear()

    def saw_boot(self, frame: str, boot: int) -> bool:
        """Take note of a fresh start of a board; return True when its boot counter went back.

        A board whose memory was wiped counts from 1 again. Its packs then get a new era, so that they are
        not taken for duplicates of the old ones.
        """
        last = self.row("SELECT last_boot FROM frames WHERE id = ?", (frame,))[0]
        if boot == last:
            return False
        with self.transaction(lasting=True) as db:
            db.execute("UPDATE frames SET era = era + (? < last_boot), last_boot = ? WHERE id = ?", (boot, boot, frame))
        self._numbers.clear()
        return bool(boot < last)

    # -- plantings ---------------------------------------------------------------------------

    def planting_add(
        self,
        frame: str,
        crop: str,
        since_day: str,
        *,
        until_day: str | None = None,
        share_permille: int = 1000,
        data: Mapping[str, Any] | None = None,
    ) -> int:
        """Record that a crop stands in a frame since an ISO day; return the planting's number."""
        self.frame(frame)
        with self.transaction(lasting=True) as db:
            done = db.execute(
                "INSERT INTO plantings (frame, crop, since_day, until_day, share_permille, data) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (frame, crop, since_day, until_day, share_permille, json.dumps(dict(data or {}))),
            )
            return int(done.lastrowid or 0)

    def planting_change(
        self,
        planting: int,
        *,
        until_day: str | None = None,
        share_permille: int | None = None,
        data: Mapping[str, Any] | None = None,
    ) -> None:
        """Change what is given of a planting; the rest stays."""
        with self.transaction(lasting=True) as db:
            done = db.execute(
                "UPDATE plantings SET until_day = coalesce(?, until_day), "
                "share_permille = coalesce(?, share_permille), data = coalesce(?, data) WHERE id = ?",
                (until_day, share_permille, None if data is None else json.dumps(dict(data)), planting),
            )
            if not done.rowcount:
                raise InputError(f"There is no planting number {planting}. Nothing was changed.")

    def planting_remove(self, planting: int) -> None:
        """Remove a planting that was entered by mistake."""
        with self.transaction(lasting=True) as db:
            if not db.execute("DELETE FROM plantings WHERE id = ?", (planting,)).rowcount:
                raise InputError(f"There is no planting number {planting}. Nothing was changed.")

    def plantings(self, frame: str | None = None, on_day: str | None = None) -> list[Planting]:
        """Return plantings, of one frame or all, all or only those standing on an ISO day (until excluded)."""
        found = self.rows(
            "SELECT id, frame, crop, since_day, until_day, share_permille, data FROM plantings "
            "WHERE (?1 IS NULL OR frame = ?1) "
            "AND (?2 IS NULL OR (since_day <= ?2 AND (until_day IS NULL OR until_day > ?2))) "
            "ORDER BY frame, since_day, id",
            (frame, on_day),
        )
        return [Planting(*(*plain, json.loads(data))) for *plain, data in found]

    # -- diary -------------------------------------------------------------------------------

    def diary_add(
        self, time_s: float, kind: str, text: str, *, frame: str | None = None, data: Mapping[str, Any] | None = None
    ) -> int:
        """Write down what the grower did or saw (kind: sown, picked, covered, watered, snow, note ...)."""
        if frame is not None:
            self.frame(frame)
        with self.transaction(lasting=True) as db:
            done = db.execute(
                "INSERT INTO diary (frame, time_s, kind, text, data) VALUES (?, ?, ?, ?, ?)",
                (frame, int(time_s), kind, text, json.dumps(dict(data or {}))),
            )
            return int(done.lastrowid or 0)

    def diary(
        self, frame: str | None = None, start_s: float = 0, end_s: float = 1e12, kind: str | None = None
    ) -> list[DiaryEntry]:
        """Return diary entries of start <= time < end, oldest first; frame given: its own and the garden's."""
        found = self.rows(
            "SELECT id, frame, time_s, kind, text, data FROM diary WHERE (?1 IS NULL OR frame IS NULL OR frame = ?1) "
            "AND time_s >= ?2 AND time_s < ?3 AND (?4 IS NULL OR kind = ?4) ORDER BY time_s, id",
            (frame, int(start_s), int(end_s), kind),
        )
        return [DiaryEntry(*(*plain, json.loads(data))) for *plain, data in found]
