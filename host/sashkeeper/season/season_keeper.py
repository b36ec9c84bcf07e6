"""Setpoints that follow the season: once a day, what the crops ask for now is compared with what is in force.

What differs is sent, with a line in the log that says why. Left alone: frames in which nothing stands, frames
that have not said yet what is in force, values that were set by hand or tuned, and whatever the controller
would refuse: its hard limits are checked before anything is sent.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Protocol

from sashkeeper.config import Config
from sashkeeper.errors import InputError
from sashkeeper.season import season_now
from sashkeeper.season.place import Site, site_of
from sashkeeper.season.setpoint_words import faults, word
from sashkeeper.store import Store

log = logging.getLogger("sashkeeper.season")

FROM_HOUR = 5  # local time: before the lid has to decide anything, after the night is known; chosen
LOOK_EVERY_S = 300.0  # a frame that comes back during the day need not wait for the next
OWN_WORDS = ("set by hand", "tuned")  # beginnings of reasons that mark a value as the grower's own


class Sender(Protocol):
    """Whoever sends settings (the outbox)."""

    def publish_wanted(self, frame: str, changes: dict[str, int], why: str = "") -> int:
        """Send settings; return their number."""
        ...


@dataclass
class SeasonKeeper:
    """Compares once a day; `say` is told each change in words."""

    store: Store
    config: Config
    home: Path | None
    outbox: Sender
    say: Callable[[str], None] = log.info
    _done: dict[str, date] = field(default_factory=dict)
    _looked_s: float | None = None

    def tick(self, now_s: float) -> list[str]:
        """Let time pass; return the frames to which something was sent. Raises StoreError."""
        if self._looked_s is not None and 0 <= now_s - self._looked_s < LOOK_EVERY_S:
            return []
        self._looked_s = now_s
        site = site_of(self.config)
        if not (site.season.follow_season if site is not None else self.config.season.get("follow_season", True)):
            return []
        today = season_now.today_at(site, now_s)
        if now_s < season_now.day_start_s(today, site) + FROM_HOUR * 3600:
            return []
        return [f.id for f in self.store.frames() if self._due(f.id, today) and self._mind(f.id, today, site, now_s)]

    def _due(self, frame: str, today: date) -> bool:
        return self._done.get(frame) != today

    def _mind(self, frame: str, today: date, site: Site | None, now_s: float) -> bool:
        actual = self.store.actual(frame)
        if actual is None:
            return False  # looked at again with every tick until the frame has spoken
        self._done[frame] = today
        try:
            now = season_now.gather(self.store, self.config, self.home, frame, now_s)
            if not now.plantings:
                return False
            in_force = dict(actual.body["settings"])
            own = own_values(self.store, frame)
            changes = {n: v for n, v in now.due(in_force).items() if n not in own}
            if site is not None:
                place = {"lat_mdeg": round(site.lat_deg * 1000), "lon_mdeg": round(site.lon_deg * 1000)}
                changes.update({n: v for n, v in place.items() if in_force.get(n) != v})
            if not changes or changes == waiting(self.store, frame):
                return False
            wrong = faults(changes, in_force)
            if wrong:
                clash = " ".join(wrong)
                self.say(f"{frame}: the season's setpoints do not go with your own: {clash} Nothing was sent.")
                return False
            why = ", ".join(dict.fromkeys(f"{c.crop.id} {c.stage.name}" for c in now.suggest().crops))
            self.outbox.publish_wanted(frame, changes, f"season: {why}")
        except InputError as fault:
            self.say(f"{frame}: the season was not followed: {fault.sentence}")
            return False
        said = ", ".join(f"{word(n)} {v / 1000:g} C" for n, v in changes.items() if n.endswith("_mdegc"))
        self.say(
            f"{frame}: setpoints follow the season ({why}): {said or 'the place'}. "
            'To keep your own, use "sashkeeper setpoints set", or set follow_season = false under [season].'
        )
        return True


def own_values(store: Store, frame: str) -> set[str]:
    """Return the settings whose newest value the grower chose, by hand or by tuning."""
    found: set[str] = set()
    seen: set[str] = set()
    for sent in store.settings_sent(frame, 200):  # newest first
        if sent.outcome not in ("", "taken"):
            continue
        if sent.why.startswith(OWN_WORDS):
            found |= sent.settings.keys() - seen
        seen |= sent.settings.keys()
    return found


def waiting(store: Store, frame: str) -> dict[str, int] | None:
    """Return the settings that were sent last, while the frame has not answered."""
    sent = store.settings_sent(frame, 1)
    return dict(sent[0].settings) if sent and not sent[0].outcome else None
