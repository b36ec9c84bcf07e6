"""The catalogue of alarms: what each means, how urgent it is, and when it may ring.

The records are in catalogue.toml; this file reads and checks them. A grower may keep an own copy beside
the settings with changed delays; a faulty copy is refused with every fault named at once.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any

URGENT, HIGH, MEDIUM, LOW = "urgent", "high", "medium", "low"
PRIORITIES = (URGENT, HIGH, MEDIUM, LOW)

HARMS = ("grave", "severe", "moderate", "minor")
TIMES = ("within-30-min", "within-3-h", "within-24-h", "later")
KINDS = ("heat", "frost", "other")
MODES = ("hold", "storage", "cover-advised")  # named modes that may silence an alarm by design

# Priority by harm (rows) and time to respond (columns). The method - one matrix for all alarms - is that
# of ISA-18.2-2016; the entries are chosen for a household, not for a control room.
MATRIX: Mapping[str, tuple[str, str, str, str]] = {
    #            30 min  3 h     24 h    later
    "grave": (URGENT, URGENT, HIGH, MEDIUM),
    "severe": (URGENT, HIGH, MEDIUM, LOW),
    "moderate": (HIGH, MEDIUM, LOW, LOW),
    "minor": (MEDIUM, LOW, LOW, LOW),
}


def priority_for(harm: str, time_to_respond: str) -> str:
    """Return the priority that the matrix gives."""
    return MATRIX[harm][TIMES.index(time_to_respond)]


@dataclass(frozen=True)
class Alarm:
    """One record; field names as explained at the top of catalogue.toml."""

    id: str
    cause: str
    consequence: str
    response: str
    harm: str
    time_to_respond: str
    priority: str
    limit: str
    limit_reason: str
    on_delay_s: float
    off_delay_s: float
    deadband_k: float
    quiet_in: tuple[str, ...]
    covered_by: tuple[str, ...]
    kind: str
    ends_by_itself: bool


class CatalogueError(ValueError):
    """The catalogue cannot be used; the text names every fault."""


class Catalogue:
    """All alarms by id, in the order of the file."""

    def __init__(self, alarms: Mapping[str, Alarm]) -> None:
        self._alarms = dict(alarms)

    def __getitem__(self, alarm_id: str) -> Alarm:
        return self._alarms[alarm_id]

    def __contains__(self, alarm_id: object) -> bool:
        return alarm_id in self._alarms

    def __iter__(self) -> Any:
        return iter(self._alarms.values())

    def __len__(self) -> int:
        return len(self._alarms)

    def ids(self) -> tuple[str, ...]:
        """Return all alarm ids."""
        return tuple(self._alarms)


def read(text: str, where: str = "catalogue.toml") -> Catalogue:
    """Read and check a catalogue; raises CatalogueError naming all faults."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"{where} cannot be read: {error}. Correct that line and try again.") from None
    faults: list[str] = []
    alarms: dict[str, Alarm] = {}
    table = raw.get("alarm", {})
    for alarm_id, record in table.items():
        found = _faults(alarm_id, record, set(table))
        faults += found
        if not found:
            alarms[alarm_id] = _alarm(alarm_id, record)
    if not table:
        faults.append("there is no [alarm.<name>] in it")
    if faults:
        raise CatalogueError(f"{where}: " + "; ".join(faults) + ". The alarms were not changed.")
    return Catalogue(alarms)


@cache
def default() -> Catalogue:
    """Return the catalogue that comes with the program."""
    return read(files("sashkeeper.alarms").joinpath("catalogue.toml").read_text(encoding="utf-8"))


def _alarm(alarm_id: str, record: Mapping[str, Any]) -> Alarm:
    values = dict(record)
    for name in ("quiet_in", "covered_by"):
        values[name] = tuple(values[name])
    return Alarm(id=alarm_id, **values)


_NUMBERS = ("on_delay_s", "off_delay_s", "deadband_k")
_LISTS = ("quiet_in", "covered_by")
_WORDS: Mapping[str, tuple[str, ...]] = {
    "harm": HARMS,
    "time_to_respond": TIMES,
    "priority": PRIORITIES,
    "kind": KINDS,
}


def _faults(alarm_id: str, record: Mapping[str, Any], all_ids: set[str]) -> list[str]:
    """Return a sentence part for each thing wrong with one record."""
    wanted = {field.name for field in fields(Alarm)} - {"id"}
    faults = [f"{alarm_id} has no {name}" for name in sorted(wanted - set(record))]
    faults += [f"{alarm_id} has an unknown line {name}" for name in sorted(set(record) - wanted)]
    if faults:
        return faults
    for name, value in record.items():
        faults += _line_faults(alarm_id, name, value, all_ids)
    if not faults and record["priority"] != priority_for(record["harm"], record["time_to_respond"]):
        right = priority_for(record["harm"], record["time_to_respond"])
        faults.append(f"{alarm_id}: harm and time to respond give priority {right}, not {record['priority']}")
    return faults


def _line_faults(alarm_id: str, name: str, value: Any, all_ids: set[str]) -> list[str]:
    if name in _NUMBERS:
        good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 86_400
        return [] if good else [f"{alarm_id}: {name} must be a number from 0 to 86400"]
    if name == "ends_by_itself":
        return [] if isinstance(value, bool) else [f"{alarm_id}: {name} must be true or false"]
    if name in _LISTS:
        known = MODES if name == "quiet_in" else tuple(all_ids - {alarm_id})
        strange = [str(word) for word in value if word not in known] if isinstance(value, list) else [str(value)]
        return [f"{alarm_id}: {name} does not know {word!r}" for word in strange]
    if name in _WORDS:
        return [] if value in _WORDS[name] else [f"{alarm_id}: {name} must be one of {', '.join(_WORDS[name])}"]
    return [] if isinstance(value, str) and value.strip() else [f"{alarm_id}: {name} is empty"]
