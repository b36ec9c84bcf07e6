"""Scenario files: what breaks, who presses which button, what fails around the frame, and when.

A TOML file with one table per happening::

    name = "Lid jams at its first opening"      # for reports
    says = "invented"                            # free text

    [[fault]]                                    # parts of the frame, see framesim.faults.CATALOGUE
    part = "lid"
    kind = "blocked"
    at = "2027-02-03T11:40"                      # local standard time of the frame's place
    until = "2027-02-03T13:00"                   # or  for_s = 4800 ; neither: for good
    at_permille = 300                            # options of that kind of fault

    [[fault]]
    part = "lid"
    kind = "latch"
    when = "opening"                             # a condition instead of a time
    nth = 2                                      # the second time it comes true (default 1)
    after_s = 5                                  # and then so much later (default 0)
    for_s = 3600

    [[outage]]                                   # power (kind "cut"), link, broker ("down"), clock, board, flash
    part = "broker"
    at = "2027-02-03T09:00"
    for_s = 21600

    [[press]]                                    # hold or ack (kind "pressed")
    part = "hold"
    when = "open"
    for_s = 600

    [[message]]                                  # something that comes in over the air, see the catalogue
    part = "message"
    kind = "forged"
    when = "open"

    [expect]                                     # what a bench asks of it (tests/faults); free for its use

`at` and `when` may stand together: the condition then counts only after that time.
Conditions: opening, shutting (motor starts), moving, stopped (after a move), open, shut (lid at its
end), sun-up, sun-down, and with `value`: air-above, air-below, outside-below (degC), wind-above (m/s),
lid-above, lid-below (permille).
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from framesim.faults import Fault, FaultError, Faults
from framesim.virtual_frame import VirtualFrame

SHIPPED = Path(__file__).parent / "scenarios"
HEADINGS: Mapping[str, tuple[str, ...]] = {
    "fault": (),  # every part that is in none of the others
    "outage": ("power", "link", "broker", "clock", "board", "flash"),
    "press": ("hold", "ack"),
    "message": ("message",),
}
WAKING = ("power", "hold", "ack")
_ONLY_KIND = {
    "power": "cut",
    "link": "down",
    "broker": "down",
    "clock": "lost",
    "board": "hangs",
    "hold": "pressed",
    "ack": "pressed",
}
_TIMING = ("part", "kind", "at", "until", "for_s", "when", "nth", "after_s", "value")


class ScenarioError(ValueError):
    """A scenario that cannot be run as written; names file and entry."""


@dataclass(frozen=True)
class Sight:
    """What conditions can see."""

    frame: VirtualFrame
    motor: int
    motor_before: int


Condition = Callable[[Sight, float], bool]

CONDITIONS: Mapping[str, Condition] = {
    "opening": lambda s, _: s.motor > 0 >= s.motor_before,
    "shutting": lambda s, _: s.motor < 0 <= s.motor_before,
    "moving": lambda s, _: s.motor != 0,
    "stopped": lambda s, _: s.motor == 0 and s.motor_before != 0,
    "open": lambda s, _: s.frame.lid.lid_permille >= 990,
    "shut": lambda s, _: s.frame.lid.lid_permille <= 5,
    "sun-up": lambda s, _: s.frame.model.sun_height_deg > 0,
    "sun-down": lambda s, _: s.frame.model.sun_height_deg <= 0,
    "air-above": lambda s, value: s.frame.model.air_degc > value,
    "air-below": lambda s, value: s.frame.model.air_degc < value,
    "outside-below": lambda s, value: s.frame.model.outside_degc < value,
    "wind-above": lambda s, value: s.frame.model.wind_local_m_s > value,
    "lid-above": lambda s, value: s.frame.lid.lid_permille > value,
    "lid-below": lambda s, value: s.frame.lid.lid_permille < value,
}
_NEED_VALUE = {"air-above", "air-below", "outside-below", "wind-above", "lid-above", "lid-below"}


@dataclass
class Happening:
    """One entry: a fault with the rule for its beginning and its end (times in Unix ms)."""

    fault: Fault
    at_ms: int | None = None
    when: str | None = None
    value: float = 0.0
    nth: int = 1
    after_ms: int = 0
    until_ms: int | None = None
    for_ms: int | None = None
    state: str = "waiting"  # waiting, due (condition seen, counting down), on, over
    begins_ms: int = 0  # once due or on
    ends_ms: int | None = None  # once on
    _times: int = 0
    _was_true: bool = False

    def look(self, now_ms: int, sight: Sight) -> None:
        """Bring `state` up to date."""
        if self.state == "waiting":
            self._wait(now_ms, sight)
        if self.state == "due" and now_ms >= self.begins_ms:
            self.state = "on"
            self.ends_ms = self.until_ms if self.for_ms is None else self.begins_ms + self.for_ms
        if self.state == "on" and self.ends_ms is not None and now_ms >= self.ends_ms:
            self.state = "over"

    def _wait(self, now_ms: int, sight: Sight) -> None:
        if self.at_ms is not None and now_ms < self.at_ms:
            return
        if self.when is None:
            self._due(self.at_ms if self.at_ms is not None else now_ms)
            return
        holds = CONDITIONS[self.when](sight, self.value)
        if holds and not self._was_true:
            self._times += 1
        self._was_true = holds
        if self._times >= self.nth:
            self._due(now_ms)

    def _due(self, from_ms: int) -> None:
        self.state, self.begins_ms = "due", from_ms + self.after_ms


@dataclass
class Scenario:
    """Everything that is going to happen to one frame. Used up as it runs: load anew for each run."""

    happenings: list[Happening] = field(default_factory=list)
    name: str = "nothing goes wrong"
    says: str = ""
    expect: dict[str, Any] = field(default_factory=dict)  # what a bench asks of it; not looked at here
    log: list[tuple[int, str, Fault]] = field(default_factory=list)  # (Unix ms, "begins"/"ends", fault)

    def tick(self, now_ms: int, sight: Sight, faults: Faults) -> None:
        """Start and end what is due."""
        for happening in self.happenings:
            before = happening.state
            if before == "over":
                continue
            happening.look(now_ms, sight)
            if happening.state != before:
                self._change(before, happening, now_ms, faults)

    def next_wake_ms(self) -> int | None:
        """When the next pressed button or power cut that is known by now begins or ends: these wake a real board."""
        known = []
        for happening in self.happenings:
            if happening.fault.part not in WAKING:
                continue
            if happening.state == "waiting" and happening.at_ms is not None and happening.when is None:
                known.append(happening.at_ms + happening.after_ms)
            elif happening.state == "due":
                known.append(happening.begins_ms)
            elif happening.state == "on" and happening.ends_ms is not None:
                known.append(happening.ends_ms)
        return min(known, default=None)

    def _change(self, before: str, happening: Happening, now_ms: int, faults: Faults) -> None:
        if happening.state == "on":
            faults.start(happening.fault)
            self.log.append((now_ms, "begins", happening.fault))
        elif happening.state == "over" and before == "on":
            faults.end(happening.fault)
            self.log.append((now_ms, "ends", happening.fault))


def shipped() -> list[str]:
    """Names of the scenarios that come along."""
    return sorted(path.stem for path in SHIPPED.glob("*.toml"))


def load(path: str | Path, utc_offset_h: float) -> Scenario:
    """Read a scenario file, or a shipped one by its name; ScenarioError says which entry is wrong and why."""
    if str(path) in shipped():
        path = SHIPPED / f"{path}.toml"
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ScenarioError(
            f"{path}: cannot be read ({error.strerror}). "
            f"Give the path of a scenario file or one of: {', '.join(shipped())}."
        ) from error
    return parse(text, utc_offset_h, str(path))


def parse(text: str, utc_offset_h: float, where: str = "scenario") -> Scenario:
    """The same from text. All entries are checked before anything is returned."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{where}: not valid TOML: {error}.") from error
    scenario = Scenario(name=str(content.pop("name", where)), says=str(content.pop("says", "")))
    scenario.expect = dict(content.pop("expect", {}))
    for heading, entries in content.items():
        if heading not in HEADINGS or not isinstance(entries, list):
            known = ", ".join(f"[[{name}]]" for name in HEADINGS)
            raise ScenarioError(f'{where}: "{heading}" is not known; use one of {known}.')
        for number, entry in enumerate(entries, 1):
            place = f"{where}, [[{heading}]] number {number}"
            scenario.happenings.append(_happening(heading, entry, utc_offset_h, place))
    return scenario


def _happening(heading: str, entry: dict[str, Any], utc_offset_h: float, place: str) -> Happening:
    part = str(entry.get("part", ""))
    parts = HEADINGS[heading]
    others = [name for name, names in HEADINGS.items() if part in names]
    if (parts and part not in parts) or (not parts and others):
        where = f"under [[{others[0]}]]" if others else f"not under [[{heading}]], which has: {', '.join(parts)}"
        raise ScenarioError(f'{place}: "{part}" belongs {where}.')
    options = {name: value for name, value in entry.items() if name not in _TIMING}
    if "value" in entry and entry.get("when") not in _NEED_VALUE:
        raise ScenarioError(f'{place}: "value" goes with one of the conditions {", ".join(sorted(_NEED_VALUE))}.')
    try:
        fault = Fault(part, str(entry.get("kind", _ONLY_KIND.get(part, ""))), options)
    except FaultError as error:
        raise ScenarioError(f"{place}: {error}") from error
    happening = Happening(fault)
    _set_timing(happening, entry, utc_offset_h, place)
    return happening


def _set_timing(happening: Happening, entry: dict[str, Any], utc_offset_h: float, place: str) -> None:
    if "at" not in entry and "when" not in entry:
        raise ScenarioError(f'{place}: says neither "at" (a time) nor "when" (a condition).')
    if "at" in entry:
        happening.at_ms = _time_ms(entry["at"], utc_offset_h, f"{place}, at")
    if "until" in entry:
        happening.until_ms = _time_ms(entry["until"], utc_offset_h, f"{place}, until")
        if "for_s" in entry:
            raise ScenarioError(f'{place}: has both "until" and "for_s"; keep one.')
        if happening.at_ms is not None and happening.until_ms <= happening.at_ms:
            raise ScenarioError(f'{place}: "until" is not after "at".')
    if "for_s" in entry:
        happening.for_ms = round(_number(entry, "for_s", place, 0.001) * 1000)
    happening.after_ms = round(_number(entry, "after_s", place, 0.0) * 1000) if "after_s" in entry else 0
    happening.nth = round(_number(entry, "nth", place, 1.0)) if "nth" in entry else 1
    if "when" in entry:
        happening.when = str(entry["when"])
        if happening.when not in CONDITIONS:
            raise ScenarioError(f'{place}: no condition "{happening.when}". Known: {", ".join(CONDITIONS)}.')
        if happening.when in _NEED_VALUE:
            happening.value = _number(entry, "value", place, None)


def _number(entry: dict[str, Any], name: str, place: str, least: float | None) -> float:
    value = entry.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or (least is not None and value < least):
        wanted = "a number" if least is None else f"a number of at least {least:g}"
        raise ScenarioError(f'{place}: "{name}" has to be {wanted}, not {value!r}.')
    return float(value)


def _time_ms(value: Any, utc_offset_h: float, place: str) -> int:
    """Local standard time as text or TOML date-time -> Unix ms."""
    try:
        moment = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError as error:
        raise ScenarioError(f'{place}: {value!r} is not a time such as "2027-02-03T11:40".') from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=timezone(timedelta(hours=utc_offset_h)))
    return round(moment.timestamp() * 1000)
