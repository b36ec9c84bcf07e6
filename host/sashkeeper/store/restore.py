"""Putting a backup in the place of the store."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from ..errors import JobError
from . import Store


def restore(backup: Path, target: Path) -> tuple[Path | None, list[str]]:
    """Replace the store by a backup; return (where the old one now is, frames without a key).

    The backup is checked first, and takes the place of the store in one step. A backup without keys
    takes over the keys and secrets of the store that it replaces. Nobody else may have the store open.
    Raises NotOurStore or JobError; the store is then as before.
    """
    part = target.with_name(target.name + ".new")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600))
        shutil.copyfile(backup, part)
        keyless = _prepare(part, target)
        old = None
        if target.exists():
            # Everything out of the side files into the old store first, so that it is whole on its own.
            with Store(target, create=False) as store:
                store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            old = _free_name(target)
            os.link(target, old)
        for side in ("-wal", "-shm"):
            target.with_name(target.name + side).unlink(missing_ok=True)
        os.replace(part, target)
    except OSError as fault:
        raise JobError(f"{backup} could not be restored: {fault.strerror}. The store is as before.") from fault
    finally:
        for side in ("", "-wal", "-shm"):
            part.with_name(part.name + side).unlink(missing_ok=True)
    return old, keyless


def _prepare(part: Path, target: Path) -> list[str]:
    """Check the copy, bring it up to date, give it the keys of the store it replaces."""
    with Store(part, create=False) as new:
        faults = new.integrity()
        if faults:
            raise JobError(f"The backup is damaged ({faults[0]}). The store is as before. Use another backup.")
        keys: dict[str, bytes] = {}
        secrets: list[tuple[str, bytes]] = []
        folders: list[str] = []
        if target.exists() and target.stat().st_size:
            with Store(target, create=False) as old:
                keys = {f.id: f.key for f in old.frames()}
                secrets = old.rows("SELECT name, value FROM secrets")
                folders = (old.note("backup", {}) or {}).get("folders", [])
        with new.transaction(lasting=True) as db:
            for frame in new.frames():
                if not frame.key and keys.get(frame.id):
                    db.execute("UPDATE frames SET key = ? WHERE id = ?", (keys[frame.id], frame.id))
            db.executemany("INSERT OR IGNORE INTO secrets VALUES (?, ?)", secrets)
            made = new.note("backup", {}) or {}
            if folders:  # where backups are is known later than the backup itself
                new.note_set("backup", {**made, "folders": list(dict.fromkeys([*made.get("folders", []), *folders]))})
        new.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return [f.id for f in new.frames() if not f.key]


def _free_name(target: Path) -> Path:
    n = 1
    while (old := target.with_name(f"{target.name}.before-{n}")).exists():
        n += 1
    return old
