"""Data out as CSV or Parquet, and a hand-kept log in."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator, Sequence
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any

from ..errors import InputError, JobError
from ..spans import moment
from . import METRICS, Store
from .history import header, local

Table = tuple[str, list[str], Iterator[Sequence[Any]]]


def export_all(
    store: Store, folder: Path, start_s: float, end_s: float, *, parquet: bool = False
) -> list[tuple[Path, int]]:
    """Write one file a table into a folder; return (path, rows) of each.

    Times are UTC; temperatures degC. Keys and secrets are not exported.
    Raises InputError when a file is there already (nothing is written then), JobError.
    """
    tables = list(_tables(store, start_s, end_s))
    ending = "parquet" if parquet else "csv"
    paths = [folder / f"{name}.{ending}" for name, _, _ in tables]
    there = [str(p) for p in paths if p.exists()]
    if there:
        raise InputError(f"{there[0]} is there already. Nothing was written. Choose an empty folder.")
    write = _write_parquet if parquet else _write_csv
    done = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, (_, heads, rows) in zip(paths, tables, strict=True):
            part = path.with_name(path.name + ".part")
            count = write(part, heads, rows)
            os.replace(part, path)
            done.append((path, count))
    except OSError as fault:
        for path in paths:
            path.with_name(path.name + ".part").unlink(missing_ok=True)
        raise JobError(f"{folder} cannot be written: {fault.strerror}.") from fault
    return done


def _tables(store: Store, start_s: float, end_s: float) -> Iterator[Table]:
    yield (
        "readings",
        ["frame", "time", "boot", "seq", *(header(m, False) for m in METRICS)],
        _readings(store, start_s, end_s),
    )
    yield (
        "events",
        ["frame", "time", "kind", "boot", "seq", "body"],
        (
            (e.frame, local(e.time_s, UTC), e.kind, e.boot, e.seq, str(e.body))
            for e in store.events(None, start_s, end_s)
        ),
    )
    yield (
        "plantings",
        ["frame", "crop", "since", "until", "share"],
        ((p.frame, p.crop, p.since_day, p.until_day or "", p.share_permille / 1000) for p in store.plantings()),
    )
    yield (
        "diary",
        ["time", "frame", "kind", "text"],
        ((local(d.time_s, UTC), d.frame or "", d.kind, d.text) for d in store.diary(None, start_s, end_s)),
    )
    yield "alarms", ["number", "frame", "alarm", "priority", "state", "opened", "closed", "text"], (
        (a.id, a.frame or "", a.kind, a.priority, a.state, local(a.opened_s, UTC),
         "" if a.closed_s is None else local(a.closed_s, UTC), a.text)
        for a in store.alarm_list(start_s=start_s, end_s=end_s)
    )  # fmt: skip


def _readings(store: Store, start_s: float, end_s: float) -> Iterator[Sequence[Any]]:
    day = 86_400.0
    for frame in store.frames():
        first = store.row("SELECT min(time_s) FROM readings JOIN frames ON num = frame WHERE id = ?", (frame.id,))[0]
        if first is None:
            continue
        # A day at a time: a winter does not have to fit into the memory.
        at = max(start_s, float(first))
        while at < end_s:
            for r in store.readings(frame.id, at, min(at + day, end_s)):
                yield (frame.id, local(r.time_s, UTC), r.boot, r.seq, *(r.values.get(m) for m in METRICS))
            at += day


def _write_csv(path: Path, heads: list[str], rows: Iterator[Sequence[Any]]) -> int:
    count = 0
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(heads)
        for row in rows:
            writer.writerow(["" if v is None else v for v in row])
            count += 1
    return count


def _write_parquet(path: Path, heads: list[str], rows: Iterator[Sequence[Any]]) -> int:
    import pyarrow
    import pyarrow.parquet

    held = list(rows)
    columns = list(zip(*held, strict=True)) if held else [() for _ in heads]
    table = pyarrow.table({head: list(column) for head, column in zip(heads, columns, strict=True)})
    pyarrow.parquet.write_table(table, path)
    return len(held)


def import_diary(store: Store, path: Path, zone: tzinfo, frame: str | None = None) -> tuple[int, int]:
    """Read a CSV log (time, kind, text, perhaps frame) into the diary; return (new, known already).

    All faults of the file are named at once, and then nothing is taken. Raises InputError.
    """
    if frame is not None:
        store.frame(frame)
    try:
        with path.open(newline="", encoding="utf-8-sig") as source:
            lines = list(csv.DictReader(source, restval=""))
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise InputError(f"{path} cannot be read as CSV: {fault}. Nothing was changed.") from fault
    missing = [c for c in ("time", "kind", "text") if not lines or c not in lines[0]]
    if missing:
        raise InputError(f"{path} has no column {', '.join(missing)}. Nothing was changed. The first line names them.")
    known_frames = {f.id for f in store.frames()}
    faults: list[str] = []
    entries = []
    for number, line in enumerate(lines, 2):
        where = (line.get("frame") or "").strip() or frame
        if where is not None and where not in known_frames:
            faults.append(f'line {number}: no frame called "{where}"')
        if not line["kind"].strip():
            faults.append(f"line {number}: the kind is missing")
        try:
            entries.append((int(moment(line["time"], zone, 0.0)), line["kind"].strip(), line["text"].strip(), where))
        except InputError:
            faults.append(f'line {number}: "{line["time"]}" is not a time')
    if faults:
        more = f" and {len(faults) - 5} more" if len(faults) > 5 else ""
        raise InputError(f"{path} has faults: {'; '.join(faults[:5])}{more}. Nothing was changed.")
    have = {(d.time_s, d.kind, d.text, d.frame) for d in store.diary()}
    new = [e for e in dict.fromkeys(entries) if e not in have]
    with store.transaction(lasting=True):
        for time_s, kind, text, where in new:
            store.diary_add(time_s, kind, text, frame=where)
    return len(new), len(entries) - len(new)
