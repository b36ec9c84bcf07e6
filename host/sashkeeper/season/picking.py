"""When leaves can be cut: after they have thawed, not before.

Hardy leaves freeze at night and are whole again once they have thawed; cut or
touched while frozen they turn to slime. So the window opens when the canopy
has been clearly above freezing for a while and the soil surface has thawed,
and closes when it cools again in the evening. All figures are common
practice, no source, except where said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

THAWED_DEGC = 2.0  # canopy above this ...
HOLD_S = 90 * 60  # ... for this long; 60 to 120 min
SOIL_THAWED_DEGC = 0.0
# A leaf is taken as frozen from here on; sap freezes a little below zero, so zero is cautious.
FROZEN_DEGC = 0.0
# After a night below this wait longer. Source: a farm's note (-4.4 degC, wait until well above freezing).
HARD_FROST_DEGC = -4.4
HARD_HOLD_S = 120 * 60
HARD_THAWED_DEGC = 4.0
LONGEST_GAP_S = 30 * 60  # without readings this long nothing is promised
LEAF_UNDER_AIR_DEGC = 2.0  # under a clear lid at night leaves are 1-3 degC colder than the air (from memory)


@dataclass(frozen=True)
class LeafRow:
    """Leaf temperature [degC] at a time [s since 1970], and the soil surface [degC] where it is known."""

    time_s: float
    leaf_degc: float
    soil_degc: float | None = None


@dataclass(frozen=True)
class PickingWindow:
    """When leaves can be cut on one day: from and until [s since 1970], and why."""

    from_s: float
    until_s: float
    why: str


def windows(rows: Sequence[LeafRow]) -> list[PickingWindow]:
    """Return the picking windows in a run of rows, oldest first.

    Begins unsure: leaves count as frozen until rows have shown otherwise for the hold time.
    """
    result: list[PickingWindow] = []
    lowest = float("inf")  # of the frost that leaves have to come out of
    warm_since: float | None = None
    open_since: float | None = None
    why = ""
    last: LeafRow | None = None
    for row in sorted(rows, key=lambda r: r.time_s):
        if last is not None and row.time_s - last.time_s > LONGEST_GAP_S:
            result += _shut(open_since, last.time_s, why)
            warm_since = open_since = None
        if row.leaf_degc < THAWED_DEGC:
            lowest = min(lowest, row.leaf_degc)
        level, hold = _gate(lowest)
        thawed = row.leaf_degc >= level if open_since is None else row.leaf_degc >= THAWED_DEGC
        if row.soil_degc is not None and row.soil_degc < SOIL_THAWED_DEGC:
            thawed = False
        if not thawed:
            result += _shut(open_since, row.time_s, why)
            warm_since = open_since = None
        elif warm_since is None:
            warm_since = row.time_s
        elif open_since is None and row.time_s - warm_since >= hold:
            open_since, why = row.time_s, _why(lowest, hold)
            lowest = float("inf")
        last = row
    if last is not None:
        result += _shut(open_since, last.time_s, why)
    return result


def _gate(lowest_degc: float) -> tuple[float, float]:
    if lowest_degc < HARD_FROST_DEGC:
        return HARD_THAWED_DEGC, HARD_HOLD_S
    return THAWED_DEGC, HOLD_S


def _why(lowest_degc: float, hold_s: float) -> str:
    if lowest_degc == float("inf"):
        return f"leaves stayed thawed, above {THAWED_DEGC:g} °C for {hold_s / 60:.0f} min"
    if lowest_degc < FROZEN_DEGC:
        level = HARD_THAWED_DEGC if lowest_degc < HARD_FROST_DEGC else THAWED_DEGC
        return f"leaves froze to {lowest_degc:.1f} °C and have been above {level:g} °C for {hold_s / 60:.0f} min"
    return f"leaves cooled to {lowest_degc:.1f} °C and have been warmer for {hold_s / 60:.0f} min"


def _shut(open_since: float | None, until_s: float, why: str) -> list[PickingWindow]:
    if open_since is None or until_s <= open_since:
        return []
    return [PickingWindow(open_since, until_s, why)]


@dataclass(frozen=True)
class PickNow:
    """Whether leaves can be cut now, and the reason."""

    yes: bool
    why: str


def now(rows: Sequence[LeafRow], now_s: float) -> PickNow:
    """Return whether leaves can be cut now, from the rows until now. Never yes on old or frozen readings."""
    known = [r for r in sorted(rows, key=lambda r: r.time_s) if r.time_s <= now_s]
    if not known or now_s - known[-1].time_s > LONGEST_GAP_S:
        return PickNow(False, "no fresh readings: look at the leaves, and do not touch them while they are stiff")
    newest = known[-1]
    found = windows(known)
    if found and found[-1].until_s >= newest.time_s and newest.leaf_degc >= THAWED_DEGC:
        return PickNow(True, found[-1].why)
    if newest.leaf_degc < FROZEN_DEGC:
        return PickNow(False, f"leaves are frozen ({newest.leaf_degc:.1f} °C): do not cut or touch them")
    if newest.soil_degc is not None and newest.soil_degc < SOIL_THAWED_DEGC:
        return PickNow(False, "the soil is still frozen at the surface")
    if newest.leaf_degc < THAWED_DEGC:
        return PickNow(False, f"leaves are at {newest.leaf_degc:.1f} °C, not clearly thawed")
    return PickNow(False, "leaves are thawing: give them time to take the water back in")


def leaf_rows(
    air: Sequence[tuple[float, float]], soil: Sequence[tuple[float, float]] = (), by_day: Sequence[bool] = ()
) -> list[LeafRow]:
    """Return leaf rows from probe series of (time [s], degC).

    The leaf is taken 2 degC colder than the air (at air temperature where
    `by_day` says so), and the soil probe's last value goes along.
    """
    marks = list(by_day) or [False] * len(air)
    ground = sorted(soil)
    result: list[LeafRow] = []
    n = -1
    for (time_s, degc), day in zip(sorted(air), marks, strict=True):
        while n + 1 < len(ground) and ground[n + 1][0] <= time_s:
            n += 1
        value = ground[n][1] if n >= 0 and time_s - ground[n][0] <= LONGEST_GAP_S else None
        result.append(LeafRow(time_s, degc if day else degc - LEAF_UNDER_AIR_DEGC, value))
    return result
