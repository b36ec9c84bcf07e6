"""How the crops of a frame are: stage, frost tolerance, frost and heat they have had, picking.

Reads the store and asks the pure rules; what it returns is ready to be shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sashkeeper.season import hardening, picking
from sashkeeper.season.crop_limits import CropLimits, limits_of
from sashkeeper.season.daylight import HORIZON_DEG, sun_position
from sashkeeper.season.emergence import emergence_days, progress
from sashkeeper.season.hardening import DayTemps, Hardness, hardness
from sashkeeper.season.picking import LeafRow, PickingWindow, PickNow
from sashkeeper.season.place import Site
from sashkeeper.season.planting import SOIL_GUESS_DEGC
from sashkeeper.season.season_now import SeasonNow
from sashkeeper.store import Store

DOSE_DAYS = 7
SOIL_DAYS = 7  # the soil goes on as warm as in the last week


@dataclass(frozen=True)
class CropState:
    """One planting today. Doses [degC h] of the last seven days; the range is low to high end of the estimate."""

    limits: CropLimits
    frost_dose: float
    frost_range: tuple[float, float]
    frost_words: str
    heat_dose: float
    heat_over_degc: float
    up_in_days: float | None  # expected days until emergence, while germinating


def states(store: Store, now: SeasonNow, now_s: float, site: Site | None) -> list[CropState]:
    """Return the state of every planting that stands in a frame."""
    rows = leaf_rows(store, now.frame, now_s - DOSE_DAYS * 86_400, now_s, site)
    air = store.series(now.frame, "air", now_s - DOSE_DAYS * 86_400, now_s)
    result = []
    for planting in now.plantings:
        limits = limits_of(planting, now.book, now.today, now.days, now.conditions)
        low, middle, high = _frost(limits, now.days, rows, now)
        over = limits.wishes["high"].degc
        result.append(
            CropState(
                limits,
                middle,
                (low, high),
                hardening.frost_words(middle) if rows else "no readings to judge by",
                hardening.heat_dose(air, over),
                over,
                _up_in(limits, now),
            )
        )
    return result


def _frost(
    limits: CropLimits, days: Sequence[DayTemps], rows: Sequence[LeafRow], now: SeasonNow
) -> tuple[float, float, float]:
    # Each night is judged by how hard the plants were then, not by how hard they are now.
    doses = [0.0, 0.0, 0.0]
    if limits.stage.name == "germinating":
        return (0.0, 0.0, 0.0)
    since = limits.planting.since_day
    lived = [d for d in days if d.day.isoformat() >= since]
    first = now.today - timedelta(days=DOSE_DAYS)
    newest = max((r.time_s for r in rows), default=0.0)
    for n in range(DOSE_DAYS + 1):
        then: Hardness = hardness(limits.crop, lived, first + timedelta(days=n))
        start = newest - (DOSE_DAYS - n) * 86_400
        night = [(r.time_s, r.leaf_degc) for r in rows if start - 86_400 < r.time_s <= start]
        for k, level in enumerate((then.cold_degc, then.damage_degc, then.warm_degc)):
            doses[k] += hardening.frost_dose(night, level)
    return (doses[0], doses[1], doses[2])


def _up_in(limits: CropLimits, now: SeasonNow) -> float | None:
    if limits.stage.name != "germinating":
        return None
    since = date.fromisoformat(limits.planting.since_day)
    recent = [degc for day, degc in now.conditions.soil.items() if (now.today - day).days <= SOIL_DAYS]
    warmth = sum(recent) / len(recent) if recent else SOIL_GUESS_DEGC
    wait = emergence_days(limits.crop, warmth).days
    if wait is None:
        return None
    return (1.0 - progress(limits.crop, since, now.today, now.conditions.soil, SOIL_GUESS_DEGC).share) * wait


def leaf_rows(store: Store, frame: str, start_s: float, end_s: float, site: Site | None) -> list[LeafRow]:
    """Return leaf rows of a frame: 2 degC under the air at night, at air temperature by day.

    Without a place every hour counts as night, the cautious end for frost.
    """
    air = store.series(frame, "air", start_s, end_s)
    soil = store.series(frame, "soil", start_s, end_s)
    return picking.leaf_rows(air, soil, [_is_day(t, site) for t, _ in air])


def _is_day(time_s: float, site: Site | None) -> bool:
    return site is not None and sun_position(time_s, site.lat_deg, site.lon_deg)[0] > HORIZON_DEG


@dataclass(frozen=True)
class Picking:
    """Whether leaves of a frame can be cut now, and the windows of the last day."""

    now: PickNow
    windows: tuple[PickingWindow, ...]


def picking_of(store: Store, frame: str, now_s: float, site: Site | None) -> Picking:
    """Return whether leaves can be cut now, from the last day's readings."""
    rows = leaf_rows(store, frame, now_s - 86_400, now_s + 1, site)
    return Picking(picking.now(rows, now_s), tuple(picking.windows(rows)))
