"""One frame under one weather, its household, and what happens to them in a scenario."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

from framesim import frame, invented, model, scenario
from framesim.faults import Fault, Faults
from framesim.runner_in_process import InProcess, MemoryStorage
from framesim.virtual_frame import DEFAULT_PROBES, Parts, ProbeParts, VirtualFrame
from sash import signing
from sash.settings import FIELDS
from sashkeeper.rehearsal.household import Household
from sashkeeper.rehearsal.rehearse import Rehearsal
from sashkeeper.rehearsal.wire import DirectWire

LAT, LON, OFFSET_H = 47.0, 8.0, 1.0
TRAVEL_S = 40
# Weather is invented. first day, warmth, hour of start, hours of running when nothing ends it earlier
WEATHERS = {
    "sun": (date(2027, 3, 20), 6.0, 7.75, 7.5),
    "frost": (date(2027, 2, 10), -1.0, 11.5, 11.0),
}
PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}


class Flash(MemoryStorage):
    """A storage that can be made read-only."""

    read_only = False

    def write(self, name: str, data: bytes) -> None:
        if self.read_only:
            raise OSError(30, "read-only")
        super().write(name, data)

    def append(self, name: str, data: bytes) -> None:
        if self.read_only:
            raise OSError(30, "read-only")
        super().append(name, data)


class Story:
    """A frame, its keeper and a phone that remembers, from the first step to the last."""

    def __init__(self, home: Path, weather: str, text: str, fit: tuple[str, ...] = (), seed: int = 3) -> None:
        first, warmth_k, hour, self.hours = WEATHERS[weather]
        record = invented.invent(LAT, LON, first, first + timedelta(days=1), seed=seed, days=["clear"],
                                 warmth_k=warmth_k, utc_offset_h=OFFSET_H)
        self.start_s = record.start_s + hour * 3600
        place = {"lat_deg": LAT, "lon_deg": LON, "timezone": "Europe/Berlin"}
        self.house = Household(home, self.start_s, place, ("json://127.0.0.1:9/",), {"sign_of_life": "off"})
        self.phone: list[tuple[float, str]] = []
        self.house.notifier._send = self._hear
        self.name = self.house.add_frame("North")
        for crop in ("spinach", "leaf lettuce"):
            self.house.plant(self.name, crop, f"{first.year - 1}-09-10", 0.5)
        fittings, parts = self._fitted(fit)
        thermal = model.FrameModel(frame.load("garden-frame"), record)
        self.scenario = scenario.parse(text, OFFSET_H)
        self.flash = Flash()
        self.runner = InProcess(VirtualFrame(thermal, parts, Faults(), seed), fittings, self.start_s,
                                scenario=self.scenario, settings=self._settings(fit), storage=self.flash)
        self.runner.hooks.on_happening = self._happen
        self.rehearsal = Rehearsal(self.house, DirectWire(self.house))
        self.rehearsal.add(self.runner)
        self.house.outbox.publish_wanted(self.name, self._settings(fit))  # retained by the broker from now on
        self.runner.hooks.on_outage = lambda part, down: self._mind_broker(part, down)
        self._replay: list[tuple[str, bytes]] = []

    def _hear(self, url: str, title: str, body: str) -> str:
        self.phone.append((self.house.clock.now_s(), title))
        return ""

    def _fitted(self, fit: tuple[str, ...]) -> tuple[dict[str, Any], Parts]:
        probes = dict(PROBES, **({"air2": "invented-4"} if "air2" in fit else {}))
        own: dict[str, Any] = {"probes": probes, "rest_ms": 10_000}
        if "pot" in fit:
            own["pot"] = 1
        if "no-switches" in fit:
            own["end_switches"] = 0
        fittings = self.house.fittings(self.name, **own)
        fitted = {place: DEFAULT_PROBES.get(place, ProbeParts()) for place in probes}
        sensors = {name: True for name in ("light", "wind", "rain", "humidity") if name in fit}
        return fittings, Parts.for_fittings(fittings, probes=fitted, **sensors)

    def _settings(self, fit: tuple[str, ...]) -> dict[str, int]:
        lowest = {name: low for name, _, low, *_ in FIELDS}["crack_permille"]
        crack = max(30, lowest) if "narrow" in fit else 100
        return {**self.house.suggested(self.name), "crack_permille": crack, "stage_permille": 300}

    def _mind_broker(self, part: str, down: bool) -> None:
        if part == "broker":
            self.house.desk.broker(not down)

    # --- what a scenario leaves to its caller --------------------------------------------------

    def _happen(self, fault: Fault, begins: bool) -> None:
        act = {"memory": self._flip, "flash": self._spoil, "message": self._say}.get(fault.part)
        if act is not None:
            act(fault, begins)

    def _flip(self, fault: Fault, begins: bool) -> None:
        if not begins:
            return
        core = self.runner.core
        cell = fault.word("cell")
        if cell == "settings":
            core._law_settings._values[0] ^= 1 << 10
        else:
            core._cells._values[{"hold": 1, "lid": 3}[cell]] ^= 1 << 6

    def _spoil(self, fault: Fault, begins: bool) -> None:
        if fault.kind == "read-only":
            self.flash.read_only = begins
        elif begins:
            for name, data in self.flash.files.items():
                self.flash.files[name] = bytes(byte ^ 0x55 for byte in data)

    def _say(self, fault: Fault, begins: bool) -> None:
        if not begins:
            return
        house, runner, name = self.house, self.runner, self.name
        topic, now_s = f"frames/{name}/orders", house.clock.now_s()
        key = house.store.frame(name).key
        if fault.kind == "order":
            house.outbox.publish_order(name, fault.word("order"))
        elif fault.kind == "forged":
            body = {"n": 900, "exp": int(now_s) + 60, "order": "open"}
            runner.send("orders", signing.seal(bytes(32), topic, body))
        elif fault.kind == "late":
            n = house.store.order_next(name, {"order": "open"}, now_s)
            runner.send("orders", signing.seal(key, topic, {"n": n, "exp": int(now_s) - 1, "order": "open"}))
        elif fault.kind == "replayed":
            n = house.store.order_next(name, {"order": "locate"}, now_s)
            old = signing.seal(key, topic, {"n": n, "exp": int(now_s) + 9_999, "order": "locate"})
            runner.send("orders", old)
            runner.send("orders", old)
        elif fault.kind == "bad-settings":
            # Our own host would not send these; somebody with the key might.
            wanted = f"frames/{name}/settings/wanted"
            body = {"n": 77, "settings": {"open_mdegc": 12_000, "close_mdegc": 30_000}}
            runner.send("settings/wanted", signing.seal(key, wanted, body), True)
        else:
            good = signing.seal(key, topic, {"n": 901, "exp": int(now_s) + 60, "order": "open"})
            for cut in (0, 1, len(good) // 2, len(good) - 1):
                runner.send("orders", good[:cut])
            runner.send("orders", b"x" * 100_000)

    def close(self) -> None:
        """Stop everything."""
        self.rehearsal.close()
