"""The household's wishes: the [alarms] table of sashkeeper.toml, checked and turned into engine rules."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from ..errors import InputError
from .engine import Rules

NAMES = ("quiet_from", "quiet_to", "sign_of_life", "evening_advice", "page_url")
_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)\Z")


@dataclass(frozen=True)
class Wishes:
    """quiet_from_min, quiet_to_min, life_at_min: minutes after local midnight; page_url: for links in messages.

    advice_at_min: when the evening's advice to cover goes out (evening.py), None for never.
    """

    quiet_from_min: int = 21 * 60 + 30
    quiet_to_min: int = 6 * 60 + 30
    life_at_min: int | None = 7 * 60 + 30
    page_url: str = ""
    advice_at_min: int | None = 16 * 60

    def rules(self, local_offset_s: float = 0.0, second_channel: bool = True) -> Rules:
        """Return the engine's rules."""
        return Rules(
            quiet_from_min=self.quiet_from_min,
            quiet_to_min=self.quiet_to_min,
            life_at_min=self.life_at_min,
            local_offset_s=local_offset_s,
            second_channel=second_channel,
        )


def read(table: Mapping[str, Any]) -> Wishes:
    """Read the [alarms] table. Raises InputError naming all faults."""
    faults = [f"alarms.{name} is not a setting we know" for name in table if name not in NAMES]
    quiet_from = _minutes(table, "quiet_from", "21:30", faults)
    quiet_to = _minutes(table, "quiet_to", "6:30", faults)
    life = None if table.get("sign_of_life") == "off" else _minutes(table, "sign_of_life", "7:30", faults)
    advice = None if table.get("evening_advice") == "off" else _minutes(table, "evening_advice", "16:00", faults)
    url = table.get("page_url", "")
    if not isinstance(url, str) or (url and not re.match(r"https?://[^\s]+\Z", url)):
        faults.append("alarms.page_url should be the address of the page, like http://192.168.1.20:8080")
        url = ""
    if faults:
        raise InputError(f"The settings of the alarms have faults: {'; '.join(faults)}. Nothing was changed.")
    return Wishes(quiet_from, quiet_to, life, url.rstrip("/"), advice)


def offset_s(zone: str, now_s: float) -> float:
    """Return local time minus UTC [s] at a moment."""
    shift = datetime.fromtimestamp(now_s, UTC).astimezone(ZoneInfo(zone)).utcoffset()
    return 0.0 if shift is None else shift.total_seconds()


def _minutes(table: Mapping[str, Any], name: str, default: str, faults: list[str]) -> int:
    text = table.get(name, default)
    match = _TIME.match(text) if isinstance(text, str) else None
    if match is None:
        extra = ' or "off"' if name in ("sign_of_life", "evening_advice") else ""
        faults.append(f'alarms.{name} should be a time of day like "{default}"{extra} (it is {text!r})')
        return 0
    return int(match[1]) * 60 + int(match[2])
