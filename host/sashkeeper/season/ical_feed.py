"""A plan as an iCalendar feed that calendar programs can follow.

Source of the form: RFC 5545 (iCalendar), sections 3.1 (lines and folding), 3.3.11
(text), 3.6.1 (events), 3.8.7.4 (sequence).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sashkeeper.season.calendar import Entry

PRODUCT = "-//Sashkeeper//Growing year//EN"
LINE_BYTES = 75
MEMORY_NOTE = "calendar-feed"


@dataclass(frozen=True)
class Edition:
    """How often an entry has changed, when it last did [s since 1970], and what it said."""

    sequence: int
    changed_s: int
    digest: str


def escape(text: str) -> str:
    r"""Return a text value with ``\ ; ,`` and line breaks escaped."""
    plain = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return plain.replace("\r\n", "\\n").replace("\n", "\\n").replace("\r", "\\n")


def fold(line: str) -> str:
    """Return a content line folded at 75 bytes without cutting a character."""
    parts: list[str] = []
    part, size, room = "", 0, LINE_BYTES
    for letter in line:
        width = len(letter.encode("utf-8"))
        if size + width > room:
            parts.append(part)
            part, size, room = "", 0, LINE_BYTES - 1  # the leading space counts
        part += letter
        size += width
    parts.append(part)
    return "\r\n ".join(parts)


def editions(entries: Sequence[Entry], before: Mapping[str, Edition], now_s: float) -> dict[str, Edition]:
    """Return the edition of each entry by key: unchanged ones keep theirs, changed ones count up."""
    result: dict[str, Edition] = {}
    for e in entries:
        digest = hashlib.sha256(json.dumps([e.day.isoformat(), e.days, e.title, e.text]).encode()).hexdigest()[:16]
        old = before.get(e.key)
        if old is not None and old.digest == digest:
            result[e.key] = old
        else:
            result[e.key] = Edition(0 if old is None else old.sequence + 1, int(now_s), digest)
    return result


def feed(entries: Sequence[Entry], known: Mapping[str, Edition], name: str) -> str:
    """Return the feed as text with CRLF line ends; `known` holds the edition of every entry."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{PRODUCT}", "CALSCALE:GREGORIAN", "METHOD:PUBLISH",
             f"X-WR-CALNAME:{escape(name)}"]  # fmt: skip
    for e in entries:
        edition = known[e.key]
        stamp = datetime.fromtimestamp(edition.changed_s, UTC).strftime("%Y%m%dT%H%M%SZ")
        end = e.day + timedelta(days=max(1, e.days))
        lines += [
            "BEGIN:VEVENT",
            f"UID:{e.key}@sashkeeper",
            f"DTSTAMP:{stamp}",
            f"SEQUENCE:{edition.sequence}",
            f"DTSTART;VALUE=DATE:{e.day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{end:%Y%m%d}",
            f"SUMMARY:{escape(e.title)}",
            f"DESCRIPTION:{escape(e.text)}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "\r\n".join(fold(line) for line in lines) + "\r\n"


def remember(known: Mapping[str, Edition]) -> str:
    """Return editions as text for the store."""
    return json.dumps({k: [e.sequence, e.changed_s, e.digest] for k, e in known.items()})


def recall(text: str | None) -> dict[str, Edition]:
    """Return editions from the store's text; nothing there means a first feed."""
    if not text:
        return {}
    return {k: Edition(int(v[0]), int(v[1]), str(v[2])) for k, v in json.loads(text).items()}
