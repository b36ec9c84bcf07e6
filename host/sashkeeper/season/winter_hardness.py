"""What a simulated winter does to the hardness of the crops in it.

A warm frame softens its plants; the next frost then finds them soft. Two figures
say how much: the frost resistance lost in warm spells, and the hours of frost below
what the leaves stood on that very day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise

from sashkeeper.season.crops import Crop
from sashkeeper.season.hardening import DayTemps, trace


@dataclass(frozen=True)
class WinterHardness:
    """Of one crop over one winter."""

    lost_k: float  # sum of all days' losses of frost resistance [K]
    frost_h: float  # hours with the leaf (hourly mean) below what it stood that day


def winter_hardness(
    crop: Crop, end_s: Sequence[float], leaf_degc: Sequence[float], utc_offset_h: float
) -> WinterHardness:
    """Follow a crop through hourly leaf temperatures (ends of the hours, Unix [s]); it starts unhardened."""
    shift = timedelta(hours=utc_offset_h)
    # Half an hour back: the hour that ends at midnight belongs to the day before.
    stamped = [
        ((datetime.fromtimestamp(t - 1800.0, UTC) + shift).date(), float(leaf))
        for t, leaf in zip(end_s, leaf_degc, strict=True)
    ]
    hours = {day: [leaf for _, leaf in rows] for day, rows in groupby(stamped, key=lambda row: row[0])}
    days = [DayTemps(day, min(v), sum(v) / len(v), max(v)) for day, v in hours.items()]
    states = [crop.unhardened_degc, *(state for _, state in trace(crop, days))]
    lost = sum(max(0.0, later - before) for before, later in pairwise(states))
    # Tonight's frost meets what the days before have made of the plant.
    frost = sum(leaf < state for state, day in zip(states, days, strict=False) for leaf in hours[day.day])
    return WinterHardness(lost, float(frost))
