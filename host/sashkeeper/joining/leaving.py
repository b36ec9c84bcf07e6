"""A frame that is sold or given away: nothing of it stays here, and that is looked up, not assumed.

Forgetting goes from the outside in, so that a run that was cut off can be repeated: 1 what the broker keeps
for the frame, 2 rows of the store, 3 words in notes, 4 freed pages of the file, 5 old copies of the store, if that
is wanted, each in one step, 6 the search.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from ..errors import BrokerError, JobError
from ..frames import mqtt_password
from ..store import Frame, Store
from ..store.migrations import APPLICATION_ID
from ..wire.bus import Address, Bus
from ..wire.messages import topic_of

# Kept by the broker: by whom it was written decides who may clear it.
KEPT_FROM_FRAME = ("presence", "report", "settings/actual")
KEPT_FROM_HOST = ("settings/wanted",)
SKIPPED = {".log", ".png", ".svg"}
FOLDERS = 10  # of backups, that are kept in mind; chosen
QUIET_S, LOOK_S = 1.0, 10.0  # a broker that says nothing more for so long has said all; never longer than; chosen


def clear_broker(frame: Frame, host: Address) -> bool:
    """Clear what the broker keeps under a frame's name; return False when the broker is not there.

    The frame's own account clears what the frame wrote: nobody else may.
    """
    own = Address(host.host, host.port, frame.id, mqtt_password(frame), host.tls, host.ca_file)
    try:
        for account, suffixes in ((own, KEPT_FROM_FRAME), (host, KEPT_FROM_HOST)):
            _publish_empty(account, frame.id, suffixes)
    except BrokerError:
        return False
    return True


def _publish_empty(account: Address, frame: str, suffixes: tuple[str, ...]) -> None:
    bus = Bus(account, f"forget-{frame}"[:23], clean=True, topics=(topic_of(frame, "orders"),))
    try:
        bus.connect()
        for suffix in suffixes:
            bus.publish(topic_of(frame, suffix), b"", retain=True)
        if not bus.pump(bus.sent_all, 5.0):
            raise BrokerError("The broker did not acknowledge.")
    finally:
        bus.close()


def kept_by_broker(frame: str, host: Address) -> list[str]:
    """Return the topics of a frame for which the broker still keeps a message. Raises BrokerError."""
    found: set[str] = set()

    class Ear:
        """Listens for what is retained."""

        heard_s = 0.0

        def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
            """Take a message."""
            self.heard_s = time.monotonic()
            if retained and payload and topic.startswith(topic_of(frame, "")):
                found.add(topic)

        def flush(self) -> int:
            """Nothing to store."""
            return 0

        def tick(self) -> None:
            """Nothing to do."""

        def on_connect(self) -> None:
            """Nothing to do."""

        def link(self, connected: bool) -> None:
            """Nothing to do."""

    bus = Bus(host, "forget-look", clean=True, topics=(topic_of(frame, "#"),))
    try:
        bus.connect()
        ear = Ear()
        ear.heard_s = time.monotonic()
        bus.pump(lambda: time.monotonic() - ear.heard_s > QUIET_S, LOOK_S, ear)
    finally:
        bus.close()
    return sorted(found)


def clear_store(store: Store, frame: str) -> None:
    """Remove all rows about a frame, words about it in notes, and what freed pages still hold."""
    store.db.execute("PRAGMA secure_delete = ON")
    name = store.frame(frame).name
    with store.transaction(lasting=True):
        store.frame_remove(frame)
        # Messages about several frames at once, such as the daily sign of life.
        for number, text, data in store.rows("SELECT id, text, data FROM deliveries"):
            if frame in _words(text + data) or name in text:
                store.db.execute("DELETE FROM deliveries WHERE id = ?", (number,))
        for key, text in store.rows("SELECT key, value FROM notes"):
            if frame in _words(key):
                store.note_set(key, None)
                continue
            value = json.loads(text)
            cleaned = _without(value, frame)
            if cleaned != value:
                store.note_set(key, cleaned)
        if not store.frames():
            # No frame is left that a phone could hear about.
            store.db.execute("DELETE FROM secrets WHERE name GLOB 'page-phone/*'")
            store.db.execute("DELETE FROM deliveries WHERE alarm IS NULL")
    store.db.execute("VACUUM")
    store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _without(value: Any, frame: str) -> Any:
    """Return a value without members and texts that name the frame."""
    if isinstance(value, dict):
        return {k: _without(v, frame) for k, v in value.items() if frame not in _words(k) and not _names(v, frame)}
    if isinstance(value, list):
        return [_without(v, frame) for v in value if not _names(v, frame)]
    return value


def _names(value: Any, frame: str) -> bool:
    return isinstance(value, str) and frame in _words(value)


def _words(text: str) -> set[str]:
    """Words of a text as ids are written: "frames/north/report: topic" -> frames, north, report, topic."""
    plain = "".join(c if c.isalnum() or c == "-" else " " for c in text.lower())
    return set(plain.split())


def search(home: Path, store: Store, frame: Frame) -> list[str]:
    """Return every place in the home folder where the frame's id or key is still found."""
    places = list(_in_store(store, frame.id))
    needles = [n for n in (frame.key, frame.key.hex().encode()) if n]
    for path in sorted(home.rglob("*")):
        if not path.is_file() or path.suffix in SKIPPED:
            continue
        data = path.read_bytes()
        if any(needle in data for needle in needles):
            places.append(f"key in {path.relative_to(home)}")
        elif path.name in ("passwords", "access") and frame.id in _words(data.decode(errors="replace")):
            places.append(f"account in {path.relative_to(home)}")
    known = {place.removeprefix("key in ") for place in places}
    for path in copies(home, store, frame.id):
        shown = _shown(path, home)
        if shown not in known:
            has_key = any(needle in path.read_bytes() for needle in needles)
            places.append(f"{'key' if has_key else 'rows'} in {shown}")
    return places


def _in_store(store: Store, frame: str) -> Iterator[str]:
    for (table,) in store.rows("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"):
        columns = [row[1] for row in store.rows(f"PRAGMA table_info({table})") if "TEXT" in row[2].upper()]
        for column in columns:
            for (text,) in store.rows(f"SELECT {column} FROM {table} WHERE instr({column}, ?)", (frame,)):
                if frame in _words(str(text)) and not (table == "diary" and column == "text"):
                    yield f"{table}.{column}"
                    break


def copies(home: Path, store: Store, frame: str) -> list[Path]:
    """Return copies of the store that know a frame: in the home folder, and in folders where backups were written."""
    folders = [Path(text) for text in (store.note("backup", {}) or {}).get("folders", [])]
    candidates = set(home.rglob("*")) | {path for folder in folders if folder.is_dir() for path in folder.iterdir()}
    used = {store.path.resolve()}
    return sorted(path for path in candidates if path.resolve() not in used and _knows(path, frame))


def _shown(path: Path, home: Path) -> str:
    return str(path.relative_to(home)) if path.is_relative_to(home) else str(path)


def _knows(path: Path, frame: str) -> bool:
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            if file.read(15) != b"SQLite format 3":
                return False
        # Nobody writes to a copy: without "immutable" looking would leave side files beside it.
        with closing(sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)) as db:
            ours = db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
            return bool(ours and db.execute("SELECT 1 FROM frames WHERE id = ?", (frame,)).fetchone())
    except (OSError, sqlite3.Error):
        return False


def clean_copy(path: Path, frame: str) -> None:
    """Remove a frame from a copy of the store: in a copy of the copy, which then takes its place in one step.

    Raises JobError, StoreError; the copy is then as before.
    """
    part = path.with_name(path.name + ".clean")
    try:
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_WRONLY, 0o600))
        shutil.copyfile(path, part)
        with Store(part, create=False) as store:
            clear_store(store, frame)
            faults = store.integrity()
            store.db.execute("PRAGMA journal_mode = DELETE")
        if faults:
            raise JobError(f"{path} is damaged ({faults[0]}) and was not changed. Delete it.")
        os.replace(part, path)
    except (OSError, sqlite3.Error) as fault:
        raise JobError(f"{path} could not be changed ({fault}). It is as before: delete it yourself.") from fault
    finally:
        for side in ("", "-wal", "-shm", "-journal"):
            part.with_name(part.name + side).unlink(missing_ok=True)


def remember_folder(store: Store, folder: Path, now_s: float) -> None:
    """Keep in mind when and into which folders backups were written, so that forgetting finds them."""
    had = (store.note("backup", {}) or {}).get("folders", [])
    here = str(folder.resolve())
    store.note_set("backup", {"time_s": now_s, "folders": [*(f for f in had if f != here), here][-FOLDERS:]})
