"""The store's file: opening it, transactions, secrets, backup and health.

One connection belongs to one thread. Programs and threads that need the store
at the same time each open their own; SQLite's write-ahead log lets readers go
on while one writes.
"""

from __future__ import annotations

import json
import os
import secrets as random_secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from ..errors import InputError, NotOurStore, StoreBusy, StoreError, StoreFull
from .migrations import APPLICATION_ID, NEWEST, migrate

BUSY_WAIT_S = 15.0
CACHE_KIB = 32_768

_FULL_CODES = {sqlite3.SQLITE_FULL}
_FULL_WORDS = ("database or disk is full",)
_IO_WORDS = ("disk i/o error", "readonly database", "unable to open database file")


def say_fault(path: Path, fault: sqlite3.Error) -> StoreError | None:
    """Turn an SQLite fault into our sentence, or None when it is a mistake in our own SQL."""
    words = str(fault).lower()
    code = getattr(fault, "sqlite_errorcode", None)
    if code in _FULL_CODES or any(w in words for w in _FULL_WORDS):
        return StoreFull(
            f"No space is left for the store {path}: the last rows were not written, what was stored before is kept. "
            "Free some space or move the store."
        )
    if "not a database" in words or "malformed" in words:
        return NotOurStore(
            f"{path} is not a store that can be read (SQLite says: {fault}). "
            "Nothing was changed. Move the file away or restore a backup."
        )
    if "locked" in words or "busy" in words:
        return StoreBusy(f"The store {path} has been in use by another program for {BUSY_WAIT_S:.0f} s. Try again.")
    if any(w in words for w in _IO_WORDS):
        return StoreError(
            f"The store {path} cannot be written ({fault}). Check the disk, its free space and who may write there."
        )
    return None


class StoreCore:
    """Owns the connection; see `Store` for what is kept."""

    path: Path
    db: sqlite3.Connection

    def __init__(self, path: str | Path, *, create: bool = True) -> None:
        """Open (and make or upgrade) the store.

        path: file; ":memory:" keeps everything in memory, for tests.
        Raises NotOurStore for a foreign file, StoreError when it cannot be opened.
        """
        self.path = Path(path)
        self._depth = 0
        self._turn: int | None = None
        self._afterwards: list[Callable[[], None]] = []
        in_memory = str(path) == ":memory:"
        if not in_memory:
            self._check_file(create)
        try:
            self.db = sqlite3.connect(str(path), timeout=BUSY_WAIT_S, isolation_level=None, cached_statements=256)
        except sqlite3.Error as fault:
            raise say_fault(self.path, fault) or fault from fault
        try:
            self._prepare()
        except BaseException:
            self.db.close()
            raise

    def _check_file(self, create: bool) -> None:
        if self.path.is_dir():
            raise NotOurStore(f"{self.path} is a folder, not a store. Nothing was changed. Name a file.")
        if self.path.exists() and self.path.stat().st_size > 0:
            return
        if not create:
            raise StoreError(f'There is no store at {self.path}. Add a frame first: "sashkeeper frames add NAME".')
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            # Keys live in here: nobody else on the machine may read them.
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
        except OSError as fault:
            raise StoreError(f"The store {self.path} cannot be made: {fault.strerror}. Nothing was changed.") from fault

    def _prepare(self) -> None:
        try:
            ours = int(self.db.execute("PRAGMA application_id").fetchone()[0])
            version = int(self.db.execute("PRAGMA user_version").fetchone()[0])
            tables = int(self.db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
            if ours != APPLICATION_ID and (ours or version or tables):
                raise NotOurStore(
                    f"{self.path} is a database of another program, not a Sashkeeper store. "
                    "Nothing was changed. Choose another file or folder."
                )
            if version > NEWEST:
                raise StoreError(
                    f"The store {self.path} was written by a newer Sashkeeper (version {version}, this one knows "
                    f"{NEWEST}). Nothing was changed. Update Sashkeeper."
                )
            self.db.execute("PRAGMA journal_mode = WAL")
            self.db.execute("PRAGMA synchronous = NORMAL")
            self.db.execute("PRAGMA foreign_keys = ON")
            self.db.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            migrate(self.db)
        except sqlite3.Error as fault:
            raise say_fault(self.path, fault) or fault from fault

    def close(self) -> None:
        """Close the file; the store cannot be used afterwards."""
        self.db.close()
        if self._turn is not None:
            os.close(self._turn)
            self._turn = None

    def __enter__(self) -> Any:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def transaction(self, *, lasting: bool = False) -> Iterator[sqlite3.Connection]:
        """All or nothing; may be nested (the outermost one decides).

        lasting: the rows are on the disk, not only in its cache, when this returns (settings, orders,
        alarms). Readings do without: a frame sends again what was not acknowledged.
        """
        if self._depth:
            yield self.db
            return
        self._await_turn()
        try:
            if lasting:
                self.db.execute("PRAGMA synchronous = FULL")
            self.db.execute("BEGIN IMMEDIATE")
            self._depth = 1
            try:
                yield self.db
                self.db.execute("COMMIT")
            except BaseException:
                self._afterwards.clear()
                # SQLite itself has already rolled back after a full disk.
                if self.db.in_transaction:
                    self.db.execute("ROLLBACK")
                raise
            finally:
                self._depth = 0
                if lasting:
                    self.db.execute("PRAGMA synchronous = NORMAL")
        except sqlite3.Error as fault:
            raise say_fault(self.path, fault) or fault from fault
        finally:
            self._end_turn()
        afterwards, self._afterwards = self._afterwards, []
        for call in afterwards:
            call()

    def take_turns(self) -> None:
        """From now on write by turns with other programs that do so too: a lock that wakes the next one at once.

        SQLite itself looks again after pauses of up to 0.1 s, which halves the rate of two busy writers.
        """
        path = self.path.with_name(self.path.name + ".turn")
        self._turn = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)

    def _await_turn(self) -> None:
        if self._turn is not None:
            import fcntl

            fcntl.flock(self._turn, fcntl.LOCK_EX)

    def _end_turn(self) -> None:
        if self._turn is not None:
            import fcntl

            fcntl.flock(self._turn, fcntl.LOCK_UN)

    def after_commit(self, call: Callable[[], None]) -> None:
        """Call something once what is being written can be read by others; now, outside of a transaction.

        Nothing is called when the transaction fails.
        """
        if self._depth:
            self._afterwards.append(call)
        else:
            call()

    def rows(self, sql: str, args: tuple[Any, ...] = ()) -> list[Any]:
        """Run a query and return all rows as tuples."""
        try:
            return self.db.execute(sql, args).fetchall()
        except sqlite3.Error as fault:
            raise say_fault(self.path, fault) or fault from fault

    def row(self, sql: str, args: tuple[Any, ...] = ()) -> Any:
        """Run a query and return its first row, or None."""
        try:
            return self.db.execute(sql, args).fetchone()
        except sqlite3.Error as fault:
            raise say_fault(self.path, fault) or fault from fault

    # -- small things with a name ------------------------------------------------------------

    def note(self, key: str, default: Any = None) -> Any:
        """Return the JSON value kept under a key (counters, when the last sign of life went out ...)."""
        found = self.row("SELECT value FROM notes WHERE key = ?", (key,))
        return default if found is None else json.loads(found[0])

    def note_set(self, key: str, value: Any) -> None:
        """Keep a JSON value under a key; None removes it."""
        with self.transaction() as db:
            if value is None:
                db.execute("DELETE FROM notes WHERE key = ?", (key,))
            else:
                db.execute("INSERT OR REPLACE INTO notes VALUES (?, ?)", (key, json.dumps(value)))

    def secret(self, name: str, size: int = 32) -> bytes:
        """Return this installation's own random secret of that name, made at first use."""
        found = self.row("SELECT value FROM secrets WHERE name = ?", (name,))
        if found is None:
            with self.transaction(lasting=True) as db:
                db.execute("INSERT OR IGNORE INTO secrets VALUES (?, ?)", (name, random_secrets.token_bytes(size)))
            found = self.row("SELECT value FROM secrets WHERE name = ?", (name,))
        return bytes(found[0])

    # -- health ------------------------------------------------------------------------------

    def integrity(self) -> list[str]:
        """Return what is wrong with the file, one sentence each; an empty list means it is sound."""
        try:
            faults = [str(r[0]) for r in self.db.execute("PRAGMA integrity_check(20)") if r[0] != "ok"]
            faults += [
                f"table {r[0]} row {r[1]} points to nothing in {r[2]}"
                for r in self.db.execute("PRAGMA foreign_key_check")
            ]
        except sqlite3.DatabaseError as fault:
            return [str(fault)]
        return faults

    def size_bytes(self) -> int:
        """Return the size of the store file [bytes]."""
        pages = self.row("PRAGMA page_count")[0]
        return int(pages) * int(self.row("PRAGMA page_size")[0])

    def backup(self, target: str | Path, *, with_keys: bool = False) -> Path:
        """Copy the store while it is in use; the copy appears whole or not at all.

        with_keys: also copy the frames' keys and this installation's secrets. Without them a restored
        store keeps the keys that it finds at the place of restoring.
        """
        target = Path(target)
        if target.exists():
            raise InputError(f"{target} is there already. Nothing was written. Choose another name.")
        part = target.with_name(target.name + ".part")
        try:
            part.unlink(missing_ok=True)
            target.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(part, os.O_CREAT | os.O_RDWR, 0o600))
            with closing(sqlite3.connect(str(part), isolation_level=None)) as copy:
                self.db.backup(copy, pages=2048, sleep=0.01)
                if not with_keys:
                    # Freed pages would still hold the keys: overwrite while deleting.
                    copy.execute("PRAGMA secure_delete = ON")
                    copy.execute("UPDATE frames SET key = zeroblob(0)")
                    copy.execute("DELETE FROM secrets")
                    copy.execute("VACUUM")
                copy.execute("PRAGMA journal_mode = DELETE")
            os.replace(part, target)
        except (OSError, sqlite3.Error) as fault:
            raise StoreError(f"The backup {target} could not be written ({fault}). The store is untouched.") from fault
        finally:
            part.unlink(missing_ok=True)
        return target
