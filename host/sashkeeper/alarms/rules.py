"""The engine's rules, and the household's wishes from which some follow: the [alarms] table of sashkeeper.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from ..errors import InputError
from .catalogue import HIGH, LOW, MEDIUM, URGENT

DAY_S = 86_400.0

NAMES = ("quiet_from", "quiet_to", "sign_of_life", "evening_advice", "page_url")
_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)\Z")


@dataclass(frozen=True)
class Rules:
    """The household's wishes and our limits. Times of day are minutes after local midnight."""

    quiet_from_min: int = 21 * 60 + 30
    quiet_to_min: int = 6 * 60 + 30
    life_at_min: int | None = 7 * 60 + 30  # daily sign of life; None: none
    second_channel: bool = True  # whether there is one
    local_offset_s: float = 0.0  # local time minus UTC, kept right by the desk
    # Unacknowledged: when the second channel is used, then the pauses of reminders (all chosen).
    second_after_s: Mapping[str, float] = field(default_factory=lambda: {URGENT: 600.0, HIGH: 1800.0})
    reminders_s: Mapping[str, tuple[float, ...]] = field(
        default_factory=lambda: {
            URGENT: (1800.0, 3600.0, 7200.0, 14_400.0),
            HIGH: (7200.0,),
            MEDIUM: (DAY_S,),
            LOW: (),
        }
    )
    still_after_ack_s: float = 7200.0  # an urgent alarm that was acknowledged and still stands is named once more
    again_s: float = 600.0  # least time between two alerts of one incident
    new_after_s: float = 4 * 3600.0  # back after so long it is a new incident, and told anew
    forget_s: float = 12 * 3600.0  # returned and unacknowledged for so long: taken as read
    # Frost on the next night, and no worse than before, is the same spell: kept, shown, but not told again.
    spell_s: float = DAY_S
    worse_k: float = 2.0
    linger_s: float = 900.0  # a cover goes on for this long after it ends, so that its echo does not ring
    # Storm: at most 10 messages in any 10 min: 6 single ones, then grouped ones at least 150 s apart.
    storm_window_s: float = 600.0
    storm_singles: int = 6
    storm_total: int = 10
    group_gap_s: float = 150.0
    group_from: int = 4  # that many at once are one message


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
