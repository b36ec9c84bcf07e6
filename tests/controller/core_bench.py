"""A whole frame around a FrameCore: lid, probes, battery and clock, with the shell's storage.

The air is what the test says it is; it does not follow the lid.
"""

from __future__ import annotations

import copy
import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import jsonschema

from sash import probes, signing
from sash.frame_core import FrameCore
from sash.reading import NONE, Inputs

KEY = "5a" * 32
NOON_S = 1_773_316_800  # 2026-03-12T12:00:00Z
SCHEMAS = Path(__file__).parents[2] / "docs" / "protocol" / "schemas"
SCHEMA_OF = {
    "readings": "readings",
    "report": "report",
    "events": "event",
    "settings/actual": "settings-actual",
    "orders/answer": "order-answer",
}


@lru_cache
def validator(suffix: str) -> Any:
    """The schema of a topic."""
    schema = json.loads((SCHEMAS / f"{SCHEMA_OF[suffix]}.json").read_text())
    return jsonschema.Draft202012Validator(schema)


def pad(mdegc: int) -> bytes:
    """A good scratchpad of a temperature."""
    raw = round(mdegc * 16 / 1000) & 0xFFFF
    body = bytes([raw & 255, raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    return body + bytes([probes.crc8(body)])


class CoreBench:
    """One frame at 45 N at noon in March, 8 C outside; inside 12 C, or with the lid open what keeps it there.

    inputs       what the board reads; change it at any time
    at           where the lid really is, permille
    blocked      directions that stall
    messages     all messages so far as (suffix, content)
    saved        the shell's storage
    """

    def __init__(self, at: float = 0, settings: dict[str, int] | None = None, unix_s: int = NOON_S, **fittings: Any):
        self.fittings = {
            "frame": "north", "key": KEY, "travel_ms": 40_000, "stall_ma": 3_000, "boot_wait_s": 60,
            "probes": {"air": "1", "air2": "2", "soil": "3", "outside": "4"}, **fittings,
        }  # fmt: skip
        self.at = at
        self.blocked: set[int] = set()
        self.slips = False
        self.unix_s = unix_s
        self.ms = 0
        self.boot = 0
        # Wide stages are easy to tell apart, and wide enough for the warmth to answer.
        place = {"lat_mdeg": 45_000, "lon_mdeg": 0, "report_s": 600, "crack_permille": 100, "stage_permille": 300}
        self.saved: dict[str, Any] = {"settings": {"n": 1, "settings": {**place, **(settings or {})}}}
        self.saved["state"] = {"position": round(at), "moving": 0}
        self.inputs = Inputs()
        self.inputs.battery_mv = 12_600
        self.temperatures: dict[str, int | None] = {"air": 12_000, "soil": 9_000, "outside": 8_000}
        self.raw: dict[str, bytes | None] = {}
        self.messages: list[tuple[str, Any]] = []
        self.numbers = 100
        self.wobble = 0
        if at > 0:
            # An air at which the law leaves an open lid as it is.
            self.temperatures["air"] = 18_000 if at > 700 else 14_000
        self.start()

    def start(self, cause: str = "power-on") -> CoreBench:
        """Power on: a new core from what was stored."""
        self.boot += 1
        state = copy.deepcopy(self.saved.get("state"))
        self.core = FrameCore(self.fittings, copy.deepcopy(self.saved.get("settings", {})), state, self.boot, cause)
        self.motor, self.duty, self.next_ms = 0, 0, 0
        return self

    def _advance(self, dt_ms: int) -> int:
        """Move the lid; returns the motor current."""
        if self.motor == 0:
            return 0
        if self.motor in self.blocked:
            return 3_300
        if not self.slips:
            self.at += self.motor * dt_ms * self.duty / 1000 / 40
        ended = self.at <= 0 if self.motor < 0 else self.at >= 1000
        self.at = 0 if self.at <= 3 else 1000 if self.at >= 997 else self.at
        return 0 if ended else 300

    def step(self, *inbox: tuple[str, bytes], dt_ms: int | None = None) -> Any:
        """One cycle of the loop; messages are checked against their schemas and kept."""
        dt_ms = self.next_ms if dt_ms is None else dt_ms
        inputs = self.inputs
        inputs.motor_ma = self._advance(dt_ms)
        self.ms += dt_ms
        inputs.at_shut = int(self.at <= 3)
        inputs.at_open = int(self.at >= 997)
        # Real probes never repeat the same bits for hours; a sixteenth up and down keeps these from it.
        self.wobble ^= 63
        air2 = self.temperatures.get("air2", self.temperatures["air"])
        places = {**self.temperatures, "air2": air2}
        inputs.probes = {place: None if t is None else pad(t + self.wobble) for place, t in places.items()}
        inputs.probes.update(self.raw)
        now = NONE if self.unix_s == NONE else self.unix_s + self.ms // 1000
        actions = self.core.step(dt_ms, now, inputs, list(inbox), 1)
        self.motor, self.duty, self.next_ms = actions.motor, actions.duty_permille, actions.next_ms
        if actions.clock_s != NONE:
            self.unix_s = actions.clock_s - self.ms // 1000
        for name, value in actions.saves:
            self.saved[name] = json.loads(json.dumps(value))
        for suffix, content, qos, retain in actions.messages:
            content = json.loads(json.dumps(content))
            if suffix == "report":
                content["board"], content["interpreter"] = "virtual", "cpython 3.11"
            validator(suffix).validate(content)
            assert qos == 1
            assert retain == (1 if suffix in ("report", "settings/actual") else 0)
            self.messages.append((suffix, content))
        self.actions = actions
        return actions

    def run(self, seconds: float) -> CoreBench:
        """Cycles for some time."""
        until = self.ms + seconds * 1000
        while self.ms < until:
            self.step()
        return self

    # --- asking and looking ---------------------------------------------------------
    def order(self, order: str, arg: Any = None, n: int | None = None, exp: int | None = None) -> str:
        """Send a signed order; returns why it was refused, or nothing."""
        if n is None:
            self.numbers += 1
            n = self.numbers
        now = 0 if self.unix_s == NONE else self.unix_s + self.ms // 1000
        body = {"n": n, "exp": now + 60 if exp is None else exp, "order": order, "arg": arg}
        self.step(("orders", signing.seal(bytes.fromhex(KEY), "frames/north/orders", body)))
        answers = [content for suffix, content in self.messages if suffix == "orders/answer" and content["n"] == n]
        return answers[-1]["why"] if answers else "no answer"

    def want(self, n: int, **values: Any) -> None:
        """Send signed settings."""
        body = {"n": n, "settings": values}
        self.step(("settings/wanted", signing.seal(bytes.fromhex(KEY), "frames/north/settings/wanted", body)))

    def events(self, kind: str) -> list[Any]:
        """All events of a kind."""
        return [content for suffix, content in self.messages if suffix == "events" and content["kind"] == kind]

    def last(self, suffix: str) -> Any:
        """The last message of a topic."""
        return [content for name, content in self.messages if name == suffix][-1]

    @property
    def faults(self) -> list[str]:
        """Fault words now."""
        return self.core.faults.words()
