"""The host's side of a rehearsal: the real store, service, alarm desk and delivery on a clock that is set."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from .. import config as config_file
from .. import frames
from ..alarms import AlarmDesk, catalogue, rules
from ..alarms.around import StoreAround
from ..clock import SetClock
from ..context import STORE_NAME
from ..notify import Notifier
from ..season import planting, season_now
from ..season.crops import load as load_crops
from ..season.season_keeper import SeasonKeeper
from ..service import Service
from ..store import Store
from ..wire.outbox import Outbox

Publish = Callable[[str, bytes, bool], None]


class Household:
    """One grower's host in a folder of its own.

    place: the [place] table of sashkeeper.toml. phone_urls: where alarms go, in order; all first channels.
    follow_season: send setpoints anew as the season changes them, as ``serve`` does.
    """

    def __init__(
        self,
        home: Path,
        now_s: float,
        place: Mapping[str, Any] | None = None,
        phone_urls: tuple[str, ...] = (),
        alarms: Mapping[str, Any] | None = None,
        follow_season: bool = False,
    ) -> None:
        self.home = home
        home.mkdir(parents=True, exist_ok=True)
        channels = [{"name": f"phone{n or ''}", "url": url} for n, url in enumerate(phone_urls)]
        changes: dict[str, Any] = {"place": dict(place or {})}
        if channels:
            changes["channels"] = channels
        if alarms:
            changes["alarms"] = dict(alarms)
        self.config = config_file.change(home, changes)
        self.clock = SetClock(now_s)
        self.store = Store(home / STORE_NAME)
        self._publish: Publish | None = None
        self.outbox = Outbox(self.store, self.clock, self._send)
        self.notifier = Notifier(self.store, self.config.channels, self.clock)
        self.around = StoreAround(self.store, self.config, home)
        self.desk = AlarmDesk(
            self.store, catalogue.default(), self.notifier, self.clock,
            around=self.around, wishes=rules.read(self.config.alarms), zone=self.config.place.timezone,
        )  # fmt: skip
        season = SeasonKeeper(self.store, self.config, home, self.outbox) if follow_season else None
        self.service = Service(self.store, self.outbox, self.clock, self.desk, self.notifier, season)

    def connect(self, publish: Publish) -> None:
        """Say how messages to frames leave the house: publish(topic, payload, retain)."""
        self._publish = publish

    def add_frame(self, name: str) -> str:
        """Register a frame under a fresh key; return its id."""
        return frames.add(self.store, name, self.clock.now_s()).id

    def fittings(self, frame: str, host: str = "-", port: int = 1883, **own: Any) -> dict[str, Any]:
        """What goes onto this frame's board."""
        return frames.fittings(self.store.frame(frame), host, port, own)

    def plant(self, frame: str, crop: str, since: str, share: float) -> None:
        """Enter what stands in a frame."""
        day = planting.read_day(since, "The day of sowing")
        today = season_now.gather(self.store, self.config, self.home, frame, self.clock.now_s()).today
        planting.add(self.store, load_crops(self.home), frame, crop, day, today, share=share)
        self.around.forget(frame)

    def suggested(self, frame: str) -> dict[str, int]:
        """The setpoints that the crops ask for, and the place of the frame, as they go over the wire."""
        now = season_now.gather(self.store, self.config, self.home, frame, self.clock.now_s())
        place = self.config.place
        where: dict[str, int] = {}
        if place.lat_deg is not None and place.lon_deg is not None:
            where = {"lat_mdeg": round(place.lat_deg * 1000), "lon_mdeg": round(place.lon_deg * 1000)}
        return {**now.suggest().settings, **where}

    def close(self) -> None:
        """Close the store."""
        self.store.close()

    def _send(self, topic: str, payload: bytes, *, retain: bool) -> None:
        if self._publish is not None:
            self._publish(topic, payload, retain)


def interpreter_words() -> str:
    """Which program will run the firmware: MicroPython where there is one for this machine, else this Python."""
    import sys

    from framesim.virtual_board import micropython

    found = micropython()
    return found if found and os.access(found, os.X_OK) else sys.executable
