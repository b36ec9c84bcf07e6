"""The whole stack for system tests: simulated frame, real firmware in the real interpreter, real broker, real host."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sashkeeper.context import STORE_NAME
from sashkeeper.rehearsal import BrokerWire, DirectWire, Household, Rehearsal
from sashkeeper.wire import mosquitto
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import EmbeddedBroker, free_port, host_password
from sashkeeper.wire.bus import Address

PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}
ZONE = ZoneInfo("Europe/Ljubljana")
PLACE: dict[str, Any] = {"name": "invented", "lat_deg": 45.9, "lon_deg": 14.8, "timezone": "Europe/Ljubljana"}
CROPS = (("spinach", "2026-09-10", 0.6), ("leaf lettuce", "2026-09-05", 0.4))
QUICK_LINK_MS = [20, 200]


def local_s(day: date, hour: int = 0, minute: int = 0) -> float:
    """Unix time of a local clock time."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE).timestamp()


def invented(first: date, last: date, days: list[str], seed: int = 4, warmth_k: float = 8.0) -> Any:
    """Invented weather at the invented place."""
    from framesim.invented import invent

    return invent(PLACE["lat_deg"], PLACE["lon_deg"], first, last, seed=seed, days=days, warmth_k=warmth_k)


def virtual_frame(weather: Any, fittings: dict[str, Any], seed: int = 1) -> Any:
    """A garden frame under this weather."""
    from framesim.frame import load
    from framesim.model import FrameModel
    from framesim.virtual_frame import Parts, VirtualFrame

    return VirtualFrame(FrameModel(load("garden-frame"), weather), Parts.for_fittings(fittings), seed=seed)


class Town:
    """A broker that can be stopped and started, of either kind, with the household's accounts."""

    def __init__(self, kind: str, house: Household) -> None:
        self.kind, self.port = kind, free_port()
        self._house = house
        self._broker: Any = None
        self.account = Address("127.0.0.1", self.port, HOST_USER, host_password(house.store))

    def start(self) -> None:
        """Start (again) on the same port."""
        if self.kind == "embedded":
            self._broker = EmbeddedBroker(self._house.home / STORE_NAME, port=self.port)
        else:
            folder = self._house.home / "broker"
            mosquitto.write(self._house.store, folder, port=self.port, overwrite=True)
            self._broker = mosquitto.Mosquitto(folder, self.port)
        self._broker.start()

    def stop(self) -> None:
        """Stop at once."""
        if self._broker is not None:
            self._broker.stop()
        self._broker = None


class Stack:
    """One frame over a real broker. `crops`: (crop, sown, share)."""

    def __init__(
        self,
        home: Path,
        kind: str,
        weather: Any,
        start_s: float,
        place: dict[str, Any] | None = None,
        crops: tuple[tuple[str, str, float], ...] = CROPS,
        scenario: Any = None,
        **lockstep: Any,
    ) -> None:
        from framesim.runner import Hooks, Lockstep

        self.house = Household(home, start_s, place or PLACE, (), {"sign_of_life": "off"})
        self.frame = self.house.add_frame("North")
        for crop, since, share in crops:
            self.house.plant(self.frame, crop, since, share)
        self.town = Town(kind, self.house)
        self.town.start()
        fittings = self.house.fittings(
            self.frame, "127.0.0.1", self.town.port, probes=PROBES, link_retry_ms=QUICK_LINK_MS
        )
        self.runner: Any = Lockstep(
            virtual_frame(weather, fittings), fittings, start_s, home / "board", "127.0.0.1", self.town.port,
            scenario=scenario, hooks=Hooks(on_outage=self._outage), **lockstep,
        )  # fmt: skip
        self.wire = BrokerWire(self.house, self.town.account, keep_messages=True)
        self.rehearsal = Rehearsal(self.house, self.wire)
        self.rehearsal.add(self.runner)

    def _outage(self, part: str, down: bool) -> None:
        if part != "broker":
            return
        if down:
            self.wire.broker_gone()
            self.town.stop()
        else:
            self.town.start()
            self.wire.broker_back()

    def send_setpoints(self, **changes: int) -> bool:
        """Send what the crops ask for; whether the frame confirmed within five minutes."""
        number = self.house.outbox.publish_wanted(self.frame, {**self.house.suggested(self.frame), **changes})
        end_s = self.rehearsal.now_s + 300
        while self.rehearsal.now_s < end_s and not self.rehearsal.confirmed(self.frame, number):
            self.rehearsal.step()
        return self.rehearsal.confirmed(self.frame, number)

    def close(self) -> None:
        """Stop everything."""
        with contextlib.suppress(Exception):
            self.rehearsal.close()
        self.town.stop()


@contextlib.contextmanager
def stack(home: Path, kind: str, *args: Any, **kwargs: Any) -> Iterator[Stack]:
    """A Stack that is closed at the end."""
    if kind == "mosquitto":
        assert shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    one = Stack(home, kind, *args, **kwargs)
    try:
        yield one
    finally:
        one.close()


def direct(home: Path, weather: Any, start_s: float, place: dict[str, Any] | None = None, **runner: Any) -> Rehearsal:
    """One frame in this process, without a broker."""
    from framesim.runner import InProcess

    house = Household(home, start_s, place or PLACE, (), {"sign_of_life": "off"})
    frame = house.add_frame("North")
    house.plant(frame, "spinach", "2026-09-10", 1.0)
    fittings = house.fittings(frame, probes=PROBES)
    one = Rehearsal(house, DirectWire(house))
    one.add(InProcess(virtual_frame(weather, fittings), fittings, start_s, settings=house.suggested(frame), **runner))
    return one
