"""What to change next year: plain rules over the season's figures, each naming the figure it rests on."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

from sashkeeper.season.hardening import FROST_URGENT_DEGC_H

if TYPE_CHECKING:
    from sashkeeper.report import SeasonReport

# All chosen: from here on a figure is worth a sentence.
HEAT_KH, MOVES_A_DAY, READINGS_SHARE, PICKING_SHARE = 20.0, 14.0, 0.95, 0.4
STUCK = ("stuck-shut", "stuck-open", "stuck-part")


def advice(season: SeasonReport) -> list[str]:
    """Return sentences, the weightiest first; one that says so when there is nothing to change."""
    found = [*_frost(season), *_heat(season), *_lid(season), *_readings(season), *_picking(season)]
    return found or ["Nothing stands out: do the same again, and look whether the crops agree."]


def _frost(season: SeasonReport) -> list[str]:
    hurt = [c for c in season.crops if c.frost >= FROST_URGENT_DEGC_H]
    if not hurt:
        return []
    names = ", ".join(
        f"{c.crop.name.lower()} ({c.frost:.0f} degree-hours, estimate {c.frost_low:.0f} to {c.frost_high:.0f})"
        for c in hurt
    )
    coldest = min(season.days, key=lambda d: d.low)
    return [
        f"Frost went below the damage point of {names}; the coldest night was {coldest.day} with {coldest.low:.1f} °C. "
        "Lay a cover on such nights, bank earth or straw against the walls, or grow hardier kinds there."
    ]


def _heat(season: SeasonReport) -> list[str]:
    hot = [c for c in season.crops if c.heat >= HEAT_KH]
    if not hot:
        return []
    warmest = max(season.days, key=lambda d: d.high)
    names = ", ".join(f"{c.crop.name.lower()} ({c.heat:.0f} degree-hours)" for c in hot)
    return [
        f"Leaves were too warm for {names}; the warmest day was {warmest.day} with {warmest.high:.1f} °C. Open sooner "
        f'or wider: "sashkeeper tune {season.frame}" finds settings for it.'
    ]


def _lid(season: SeasonReport) -> list[str]:
    found = []
    moves = season.total("moves") / max(1, len(season.days))
    if moves >= MOVES_A_DAY:
        found.append(
            f"The lid moved {moves:.0f} times a day. A longer pause or wider stages spare drive and battery: "
            f'"sashkeeper tune {season.frame}".'
        )
    stuck: dict[str, list[date]] = {}
    for event in season.faults:
        kind = str(event.body.get("fault", ""))
        stuck.setdefault(kind, []).append(datetime.fromtimestamp(event.time_s, season.zone).date())
    jams = [d for kind in STUCK for d in stuck.get(kind, [])]
    if jams:
        found.append(
            f"The lid stuck on {_days(len(set(jams)))}, first on {min(jams)}. Clean and wax seal and hinges in autumn, "
            "and look for what lay in its way."
        )
    probes = sorted(kind for kind in stuck if kind.startswith("probe"))
    if probes:
        found.append(f"Probes failed ({', '.join(probes)}): replace them before the next season, and keep a spare.")
    if any(kind.startswith("battery") for kind in stuck):
        found.append('The battery ran low: check it and the panel ("sashkeeper size power" works out both).')
    return found


def _readings(season: SeasonReport) -> list[str]:
    share = season.hours / max(1, season.hours_wanted)
    if share >= READINGS_SHARE:
        return []
    return [
        f"Readings are there for {share:.0%} of the hours. The frame goes on without its radio link, but what is not "
        "recorded cannot be judged: look at the reception, or at the days on which this host was off."
    ]


def _picking(season: SeasonReport) -> list[str]:
    grown = season.leaves_from
    winter = [d for d in season.days if d.day.month in (12, 1, 2) and (grown is None or d.day >= grown)]
    if len(winter) < 30:
        return []
    share = sum(1 for d in winter if d.window is not None) / len(winter)
    if share >= PICKING_SHARE:
        return []
    return [
        f"From December to February leaves could be cut on {share:.0%} of the days only. A night cover, or a spot with "
        'more sun ("sashkeeper site show"), brings more of them.'
    ]


def _days(count: int) -> str:
    return "one day" if count == 1 else f"{count} days"
