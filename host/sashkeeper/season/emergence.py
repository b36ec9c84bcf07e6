"""How long seed takes to come up at a soil temperature, and how much of it does.

Source of the table rows: Harrington and Minges 1954, as reprinted in Knott's
Handbook for Vegetable Growers 1997 (seed 13 mm deep). Between its columns the
rate (1/days) is read off a straight line; outside them nothing is promised.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from sashkeeper.season.crops import Crop

# For crops without a row in the table: like cabbage, rounded (chosen, not measured).
PLAIN_BASE_DEGC = 3.0
PLAIN_DEGC_DAYS = 110.0


@dataclass(frozen=True)
class Emergence:
    """Days from sowing to emergence (None: it does not come up), percent normal seedlings, and the basis."""

    days: float | None
    percent: float | None
    basis: str
    caution: str


def emergence_days(crop: Crop, soil_degc: float) -> Emergence:
    """Return the days a sowing needs at a mean soil temperature [degC]."""
    caution = soil_caution(crop, soil_degc)
    percent = _percent(crop, soil_degc)
    if soil_degc > crop.soil_max_degc:
        return Emergence(None, percent, "warmer than the highest soil temperature it comes up at", caution)
    table = crop.emergence_days
    if table and table[0][0] <= soil_degc <= table[-1][0]:
        return Emergence(_between(table, soil_degc), percent, "table", caution)
    if soil_degc < crop.soil_min_degc:
        return Emergence(None, percent, "colder than the lowest soil temperature it comes up at", caution)
    base, need = crop.emergence_base_degc, crop.emergence_degc_days
    basis = "line through the table"
    if base is None or need is None:
        base, need, basis = PLAIN_BASE_DEGC, PLAIN_DEGC_DAYS, "guess: like cabbage, no table row"
    # The line holds on the rising side only; above the best temperature the days stop falling.
    warmth = min(soil_degc, crop.soil_best_degc, 25.0)
    return Emergence(need / max(warmth - base, 0.5), percent, basis, caution)


def _between(table: tuple[tuple[float, float], ...], soil_degc: float) -> float:
    for (t0, d0), (t1, d1) in pairwise(table):
        if t0 <= soil_degc <= t1:
            part = (soil_degc - t0) / (t1 - t0)
            return 1.0 / ((1 - part) / d0 + part / d1)
    return table[-1][1]


def _percent(crop: Crop, soil_degc: float) -> float | None:
    rows = crop.data["germination"].get("percent_normal_at_degc", {})
    table = sorted((float(t), float(p)) for t, p in rows.items())
    for (t0, p0), (t1, p1) in pairwise(table):
        if t0 <= soil_degc <= t1:
            return p0 + (p1 - p0) * (soil_degc - t0) / (t1 - t0)
    return None


@dataclass(frozen=True)
class Progress:
    """How far a sowing is: share of the way up (1 = up), the day it came up, and how many days were measured."""

    share: float
    up_on: date | None
    measured_days: int


def progress(crop: Crop, sown: date, today: date, soil: Mapping[date, float], guess_degc: float) -> Progress:
    """Return how far a sowing has come by the soil temperature of each day [degC].

    Each day adds its share of the days needed at its own temperature. Days that no
    probe has measured are taken at `guess_degc`.
    """
    share, measured, day = 0.0, 0, sown
    while day < today:
        degc = soil.get(day)
        measured += degc is not None
        wait = emergence_days(crop, guess_degc if degc is None else degc).days
        share += 0.0 if wait is None else 1.0 / wait
        day += timedelta(days=1)
        if share >= 1.0 - 1e-9:
            return Progress(1.0, day, measured)
    return Progress(share, None, measured)


def soil_caution(crop: Crop, soil_degc: float) -> str:
    """Return a sentence when the soil is too warm or too cold to sow, or nothing."""
    name = crop.name
    if soil_degc > crop.soil_max_degc:
        return f"{name} does not come up above {crop.soil_max_degc:g} °C soil: wait, or shade and water the bed."
    if crop.soil_warn_degc is not None and soil_degc > crop.soil_warn_degc:
        return f"{name} comes up poorly above {crop.soil_warn_degc:g} °C soil: shade the bed or wait for cooler days."
    if soil_degc < crop.soil_min_degc:
        return f"{name} does not come up below {crop.soil_min_degc:g} °C soil."
    return ""
