"""Which faults a simulated frame can have, and which of them hold right now.

A fault is a part, a kind and a few options. `CATALOGUE` lists every one with what it
does; the parts look up theirs by name. Nothing here acts on anything.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field

Option = float | str | bool


class FaultError(ValueError):
    """A fault that cannot be meant as written, in one sentence."""


@dataclass(frozen=True)
class Kind:
    """One way a part fails: what it does, and its options with their defaults."""

    does: str
    options: Mapping[str, Option] = field(default_factory=dict)


NOWHERE = -1.0  # at_permille: where the lid happens to be when the fault begins

_SWITCH = {
    "stuck-on": Kind("reads made all the time"),
    "stuck-off": Kind("reads not made all the time (water in the plug, broken wire)"),
}
_PROBE = {
    "power-on": Kind("answers the power-on value of 85 C, with a good check sum"),
    "minus-127": Kind("answers -127 C with a good check sum"),
    "no-answer": Kind("does not answer"),
    "bad-crc": Kind("answers with a wrong check sum", {"share": 1.0}),
    "stuck": Kind("repeats the last value for ever"),
    "bus-low": Kind("nine zero bytes: data wire shorted to ground; its check sum is right"),
    "all-ones": Kind("nine bytes of FF: data wire open"),
    "swapped": Kind("plugged where another probe belongs", {"with": "soil"}),
    "drift": Kind("drifts away", {"k_per_hour": 0.5}),
    "offset": Kind("reads wrong by a fixed step", {"k": 3.0}),
    "in-sun": Kind("its shade is gone: sun heats it", {"k_per_1000w": 20.0}),
    "in-soil": Kind("has fallen into the wet soil and shows that"),
    "noisy": Kind("jumps about", {"k": 2.0}),
    "slow": Kind("sits in a lump of putty: much slower", {"lag_s": 1800.0}),
}

CATALOGUE: dict[str, dict[str, Kind]] = {
    "lid": {
        "blocked": Kind(
            "cannot pass a position; direction open: from below, shut: from above, both: neither way",
            {"at_permille": NOWHERE, "direction": "both"},
        ),
        "weight": Kind("a weight lies on it", {"kg": 40.0}),
        "ice": Kind(
            "is frozen to the rim until the bond breaks or thaws",
            {"bond_n": 1200.0, "thaws_degc": 1.0},
        ),
        "latch": Kind("its latch or tie was left on", {"slack_permille": 0.0}),
        "arm-off": Kind("the arm is off its bracket: motor runs, lid falls shut"),
        "wind-lift": Kind("is loose, and wind lifts it", {"wind_m_s": 8.0, "to_permille": 600.0}),
        "lifted": Kind("was unhooked and lifted by hand", {"to_permille": 1000.0}),
        "stiff": Kind("hinge and screw are stiff: more force, less speed", {"extra_n": 400.0}),
    },
    "motor": {
        "broken-wire": Kind("no current, no movement"),
        "wrong-way": Kind("wired the wrong way round"),
        "relay-stuck": Kind("runs on in its last direction although told to stop"),
        "weak": Kind("has lost most of its force", {"share": 0.2}),
        "short": Kind("winding shorted: high current, no movement", {"ma": 8000.0}),
    },
    "switch-shut": _SWITCH,
    "switch-open": _SWITCH,
    "pot": {
        "stuck": Kind("repeats the last value"),
        "open": Kind("wiper lost: reads full scale"),
    },
    "current-sensor": {
        "dead": Kind("reads zero"),
        "missing": Kind("gives no reading"),
    },
    "battery": {
        "flat": Kind("is down to a small charge", {"charge": 0.05}),
        "old": Kind("has lost capacity and gained resistance", {"share": 0.4}),
        "panel-covered": Kind("the solar panel is under snow or leaves"),
    },
    "probe-air": _PROBE,
    "probe-air2": _PROBE,
    "probe-soil": _PROBE,
    "probe-outside": _PROBE,
    "weather": {
        "gale": Kind("gusts at the frame", {"m_s": 14.0}),
        "rain": Kind("it rains on the frame"),
    },
    "cover": {"on": Kind("the night cover lies on the frame")},
    "hold": {"pressed": Kind("hold switch: hands in the frame")},
    "ack": {"pressed": Kind("silence button pressed")},
    "power": {"cut": Kind("supply off; the controller starts again when it ends")},
    "link": {"down": Kind("no network")},
    "broker": {"down": Kind("broker stopped; the caller's hook does it")},
    "clock": {
        "lost": Kind("the board's clock is not set"),
        "wrong": Kind("the board's clock is off", {"by_s": 40_000.0}),
        "drifts": Kind("the board's clock runs too fast (or, below 1, too slow)", {"share": 1.05}),
    },
    "board": {"hangs": Kind("the program stands still, outputs as they were; the watchdog restarts it when this ends")},
    "memory": {
        "flipped": Kind(
            "one bit of a stored number changes; the caller's hook does it (cell: hold, lid, settings)", {"cell": "lid"}
        ),
    },
    "flash": {
        "read-only": Kind("nothing can be stored; the caller's hook does it"),
        "damaged": Kind("the stored records cannot be read; the caller's hook does it"),
    },
    "message": {
        "forged": Kind("orders under a wrong key; the caller's hook sends them"),
        "replayed": Kind("an old order is sent again; the caller's hook sends it"),
        "late": Kind("an order comes after it has expired; the caller's hook sends it"),
        "broken": Kind("truncated and oversized messages; the caller's hook sends them"),
        "bad-settings": Kind("well signed settings that break a hard limit; the caller's hook sends them"),
        "order": Kind("a well signed order; the caller's hook sends it", {"order": "open"}),
    },
}


@dataclass(eq=False)
class Fault:
    """One fault as scheduled. `memory` is for the part that carries it (what it read first, and so on)."""

    part: str
    kind: str
    options: dict[str, Option] = field(default_factory=dict)
    memory: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        known = CATALOGUE.get(self.part)
        if known is None:
            raise FaultError(f'No part called "{self.part}".{_nearest(self.part, CATALOGUE)}')
        kind = known.get(self.kind)
        if kind is None:
            raise FaultError(f'"{self.part}" cannot fail as "{self.kind}".{_nearest(self.kind, known)}')
        for name, value in self.options.items():
            if name not in kind.options:
                allowed = ", ".join(kind.options) or "none"
                raise FaultError(f'"{self.part}" "{self.kind}" has no option "{name}" (it has: {allowed}).')
            default = kind.options[name]
            if isinstance(default, str) != isinstance(value, str) or isinstance(value, bool):
                wanted = "a word" if isinstance(default, str) else "a number"
                raise FaultError(f'"{name}" of "{self.part}" "{self.kind}" has to be {wanted}, not {value!r}.')
        self.options = {**kind.options, **self.options}

    def number(self, name: str) -> float:
        """A numeric option."""
        return float(self.options[name])

    def word(self, name: str) -> str:
        """A text option."""
        return str(self.options[name])

    def __repr__(self) -> str:
        return f"<Fault {self.part} {self.kind}>"


class Faults:
    """The faults that hold right now."""

    def __init__(self) -> None:
        self.active: list[Fault] = []

    def start(self, fault: Fault) -> None:
        """Let a fault begin."""
        if fault not in self.active:
            self.active.append(fault)

    def end(self, fault: Fault) -> None:
        """Repair it; nothing happens if it is not there."""
        if fault in self.active:
            self.active.remove(fault)

    def of(self, part: str) -> list[Fault]:
        """All faults of a part, oldest first."""
        return [fault for fault in self.active if fault.part == part] if self.active else []

    def find(self, part: str, kind: str) -> Fault | None:
        """The first active fault of that kind."""
        for fault in self.active:
            if fault.part == part and fault.kind == kind:
                return fault
        return None


def _nearest(word: str, known: Mapping[str, object]) -> str:
    close = difflib.get_close_matches(word, known, 1)
    return f' Did you mean "{close[0]}"?' if close else f" Known: {', '.join(known)}."
