"""What surrounds a frame: its name, its crops' limits and the sun, gathered from store, place and crop book."""

from __future__ import annotations

import math
from pathlib import Path

from ..config import Config
from ..errors import SashkeeperError
from ..season.daylight import sun_position
from ..season.season_now import gather
from ..store import Store
from .picture import Around, Limits

KEEP_S = 1800.0  # crops and hardening change by the day, so half an hour is fresh


class StoreAround:
    """Answers `(frame, now_s) -> Around`; crop limits are worked out at most every half hour a frame."""

    def __init__(self, store: Store, config: Config, home: Path | None = None) -> None:
        self._store, self._config, self._home = store, config, home
        self.keep_s = KEEP_S
        self._kept: dict[str, tuple[float, str, Limits, bool]] = {}
        self._sun: tuple[float, float | None] = (math.nan, None)  # the last moment that was asked for

    def __call__(self, frame: str, now_s: float) -> Around:
        """Return the surroundings of one frame; guide values stand in for what cannot be worked out."""
        kept = self._kept.get(frame)
        if kept is None or not 0 <= now_s - kept[0] < self.keep_s:
            kept = self._kept[frame] = self._gather(frame, now_s)
        if self._sun[0] != now_s:
            self._sun = now_s, self._sun_height(now_s)
        return Around(name=kept[1], limits=kept[2], sun_height_deg=self._sun[1], storage=kept[3])

    def forget(self, frame: str | None = None) -> None:
        """Work the limits out afresh next time, after a planting or a place has changed."""
        if frame is None:
            self._kept.clear()
            self._sun = (math.nan, None)
        else:
            self._kept.pop(frame, None)

    def _sun_height(self, now_s: float) -> float | None:
        place = self._config.place
        if place.lat_deg is None or place.lon_deg is None:
            return None
        return sun_position(now_s, place.lat_deg, place.lon_deg)[0]

    def _gather(self, frame: str, now_s: float) -> tuple[float, str, Limits, bool]:
        try:
            record = self._store.frame(frame)
        except SashkeeperError:
            return now_s, frame, Limits(), False
        storage = bool(record.data.get("storage", False))
        try:
            danger = gather(self._store, self._config, self._home, frame, now_s).danger()
        except SashkeeperError:  # a faulty crop file must not silence the heat alarm
            danger = None
        if danger is None:
            return now_s, record.name, Limits(), storage
        limits = Limits(
            heat_high_degc=danger.high_degc,
            heat_urgent_degc=danger.scorch_degc,
            frost_damage_degc=danger.frost_damage_degc,
            heat_crop=danger.heat_crop.lower(),
            frost_crop=danger.frost_crop.lower(),
            crops=tuple(dict.fromkeys(c.crop_name.lower() for c in danger.crops)),
        )
        return now_s, record.name, limits, storage
