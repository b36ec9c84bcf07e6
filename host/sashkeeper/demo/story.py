"""What happened on the demo's day, and whether it is the whole story."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from .day import iso, local
from .phone import Heard


@dataclass
class Story:
    """Times are virtual Unix seconds, None while it has not happened."""

    interpreter: str = ""
    broker: str = ""
    weather: str = ""
    settings: Mapping[str, int] = field(default_factory=dict)
    settings_confirmed: bool = False
    opened_s: float | None = None
    tied_s: float | None = None
    jammed_s: float | None = None
    raised_s: float | None = None
    freed_s: float | None = None
    reopened_s: float | None = None
    cleared_s: float | None = None
    closed_s: float | None = None
    peak_degc: float = -99.0
    moves: int = 0
    virtual_s: float = 0.0
    wall_s: float = 0.0
    heard: list[Heard] = field(default_factory=list)
    stored: int = 0
    refused: int = 0

    @property
    def alert(self) -> Heard | None:
        """The message about the stuck lid, as the phone received it."""
        if self.jammed_s is None:
            return None
        return next((h for h in self.heard if h.time_s >= self.jammed_s and "lid" in h.title.lower()), None)

    def gaps(self) -> list[str]:
        """What is missing from the whole story, in words; empty when all of it happened."""
        alert = self.alert
        wanted = {
            "the frame did not confirm the setpoints": self.settings_confirmed,
            "the lid did not open in the morning": self.opened_s is not None,
            "the lid did not jam": self.jammed_s is not None,
            "no alarm was raised": self.raised_s is not None,
            "no message about the lid reached the phone": alert is not None,
            "the lid did not open after it was freed": self.reopened_s is not None,
            "the alarm did not clear": self.cleared_s is not None,
            "the all-clear did not reach the phone": alert is not None
            and any(h.time_s > alert.time_s and "clear" in h.title.lower() for h in self.heard),
            "the lid was not shut in the evening": self.closed_s is not None,
            "readings were refused by the host": self.refused == 0,
        }
        return [words for words, happened in wanted.items() if not happened]

    def summary(self) -> dict[str, Any]:
        """Everything as it goes into summary.json."""
        alert = self.alert
        return {
            "scenario": "invented: place, people and weather do not exist",
            "interpreter": self.interpreter,
            "broker": self.broker,
            "weather": self.weather,
            "settings_confirmed": self.settings_confirmed,
            "settings": dict(self.settings),
            "opened_at": iso(self.opened_s),
            "jammed_at": iso(self.jammed_s),
            "alarm_raised_at": iso(self.raised_s),
            "alert_delivered_at": iso(alert.time_s) if alert else None,
            "alert_title": alert.title if alert else None,
            "alert_text": alert.text if alert else None,
            "freed_at": iso(self.freed_s),
            "cleared_at": iso(self.cleared_s),
            "closed_at": iso(self.closed_s),
            "peak_inside_degc": round(self.peak_degc, 1),
            "moves": self.moves,
            "messages_stored": self.stored,
            "virtual_seconds": round(self.virtual_s),
            "wall_seconds": round(self.wall_s, 1),
            "whole_story": not self.gaps(),
            "missing": self.gaps(),
        }

    def messages_text(self) -> str:
        """Every message as the phone received it, for a file."""
        head = "What reached the phone on an invented day, in the order of arrival.\n"
        return head + "".join(f"\n--- {local(h.time_s)}  {h.title}\n{h.text}\n" for h in self.heard)
