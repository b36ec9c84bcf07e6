"""What stands between the bed and the sun: house, hedge, trees, hills.

A skyline is the height angle of what hides the sun, by compass bearing, as
seen from the bed, with the share of the beam that still comes through (bare
crowns). It is entered as bearing and height pairs, or as obstacles with a
distance and a height. Bearings clockwise from north, angles in degrees.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sashkeeper.errors import InputError

# Share of the direct sun that passes a crown.
# Bare: 0.65, 0.5-0.75 by density, worked out from a chapter in The Forest-Atmosphere Interaction (1985),
# which measured a cut of 30-34 % behind bare maples and planes; in leaf 65-75 % cut, so 0.30.
# Evergreen: 0.05-0.2, from memory.
THROUGH_BARE = 0.65
THROUGH_LEAF = 0.30
THROUGH_EVERGREEN = 0.10
KINDS = ("solid", "evergreen", "deciduous")
# Months in which broad-leaved trees stand bare, northern hemisphere (chosen); shifted by six in the south.
BARE_MONTHS = (11, 12, 1, 2, 3, 4)


@dataclass(frozen=True)
class Obstacle:
    """A straight piece of wall, hedge or tree row, from one end to the other as seen from the bed."""

    name: str
    kind: str
    from_bearing_deg: float
    from_distance_m: float
    to_bearing_deg: float
    to_distance_m: float
    height_m: float  # above the bed

    def top_deg(self, bearing_deg: float) -> float:
        """Return the height angle of its top at a bearing; 0 where it does not stand."""
        width = (self.to_bearing_deg - self.from_bearing_deg) % 360.0
        along = (bearing_deg - self.from_bearing_deg) % 360.0
        if along > width:
            return 0.0
        return math.degrees(math.atan2(self.height_m, self._distance_m(along, width)))

    def _distance_m(self, along_deg: float, width_deg: float) -> float:
        # Where the line of sight meets the straight line between both ends.
        near, far = self.from_distance_m, self.to_distance_m
        if width_deg < 1e-9:
            return near
        a, w = math.radians(along_deg), math.radians(width_deg)
        return near * far * math.sin(w) / (near * math.sin(a) + far * math.sin(w - a))


@dataclass(frozen=True)
class Skyline:
    """Pairs of (bearing, height), bearings rising, and obstacles. Empty means a level horizon."""

    pairs: tuple[tuple[float, float], ...] = ()
    obstacles: tuple[Obstacle, ...] = ()

    def height_deg(self, bearing_deg: float) -> float:
        """Return the height angle under which at least part of the sun is hidden at a bearing."""
        return max([self._pair_height(bearing_deg), *(o.top_deg(bearing_deg) for o in self.obstacles)])

    def through(self, sun_height_deg: float, bearing_deg: float, bare: bool) -> float:
        """Return the share of the direct sun that reaches the bed, 0 to 1.

        bare: whether broad-leaved trees stand without leaves.
        """
        if sun_height_deg <= max(0.0, self._pair_height(bearing_deg)):
            return 0.0
        share = 1.0
        for obstacle in self.obstacles:
            if sun_height_deg <= obstacle.top_deg(bearing_deg):
                share *= _through(obstacle.kind, bare)
        return share

    def sky_share(self, bare: bool) -> float:
        """Return the share of an evenly bright sky that a level bed sees over the skyline, 0 to 1."""
        total = 0.0
        steps = 72
        for n in range(steps):
            bearing = (n + 0.5) * 360.0 / steps
            solid = max([self._pair_height(bearing),
                         *(o.top_deg(bearing) for o in self.obstacles if o.kind == "solid")])
            seen = math.cos(math.radians(solid)) ** 2
            for o in self.obstacles:
                if o.kind != "solid" and o.top_deg(bearing) > solid:
                    behind = seen - math.cos(math.radians(o.top_deg(bearing))) ** 2
                    seen -= max(0.0, behind) * (1.0 - _through(o.kind, bare))
            total += seen
        return total / steps

    def _pair_height(self, bearing_deg: float) -> float:
        if not self.pairs:
            return 0.0
        first = self.pairs[0][0]
        along = (bearing_deg - first) % 360.0
        before = None
        for bearing, height in self.pairs:
            here = bearing - first
            if here >= along:
                if before is None or here == along:
                    return height
                b0, h0 = before
                return h0 + (height - h0) * (along - b0) / (here - b0)
            before = (here, height)
        return 0.0  # level outside the part that was entered


def _through(kind: str, bare: bool) -> float:
    if kind == "solid":
        return 0.0
    if kind == "evergreen":
        return THROUGH_EVERGREEN
    return THROUGH_BARE if bare else THROUGH_LEAF


def is_bare(day: date, lat_deg: float) -> bool:
    """Return whether broad-leaved trees are taken as bare on a day."""
    month = day.month if lat_deg >= 0 else (day.month + 5) % 12 + 1
    return month in BARE_MONTHS


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def read_pairs(rows: Sequence[Any], where: str = "skyline") -> tuple[tuple[float, float], ...]:
    """Return checked (bearing, height) pairs; raises InputError.

    Bearings go clockwise, once round at most; two heights at one bearing are a
    step (the edge of a house), a third one or a step back means that the line
    crosses itself.
    """
    pairs: list[tuple[float, float]] = []
    for n, row in enumerate(rows, 1):
        if not isinstance(row, list | tuple) or len(row) != 2 or not all(_number(v) for v in row):
            raise InputError(f"{where}: point {n} has to be [bearing, height] in degrees, like [135, 12], not {row!r}.")
        bearing, height = float(row[0]), float(row[1])
        if not 0.0 <= bearing <= 360.0:
            raise InputError(f"{where}: point {n} has a bearing of {bearing:g}°; give 0 (north) to 360, clockwise.")
        if not 0.0 <= height < 90.0:
            raise InputError(f"{where}: point {n} has a height of {height:g}°; give 0 (level) to less than 90.")
        pairs.append((bearing, height))
    return _clockwise(pairs, where)


def _clockwise(pairs: list[tuple[float, float]], where: str) -> tuple[tuple[float, float], ...]:
    turned: list[tuple[float, float]] = []
    for n, (bearing, height) in enumerate(pairs, 1):
        if turned:
            last = turned[-1][0]
            # One passage through north is allowed: 350, 10 goes on clockwise.
            step = bearing - last % 360.0
            if step < -180.0:
                step += 360.0
            bearing = last + step
            same = len(turned) > 1 and bearing == last == turned[-2][0]
            if step < 0 or same or bearing - turned[0][0] > 360.0:
                raise InputError(
                    f"{where} crosses itself: point {n} at {pairs[n - 1][0]:g}° lies behind point {n - 1} at "
                    f"{pairs[n - 2][0]:g}°. List the points clockwise, each bearing once (twice for a step)."
                )
        turned.append((bearing, height))
    return tuple(turned)


def read_obstacles(rows: Sequence[Mapping[str, Any]], where: str = "obstacles") -> tuple[Obstacle, ...]:
    """Return checked obstacles; raises InputError.

    Each row: name, kind (solid, evergreen, deciduous), from = [bearing, distance_m],
    to = [bearing, distance_m] (clockwise), height_m above the bed.
    """
    return tuple(_obstacle(row, f"{where} {n}") for n, row in enumerate(rows, 1))


def _obstacle(row: Mapping[str, Any], where: str) -> Obstacle:
    name = str(row.get("name", where))
    where = f'{where} "{name}"'
    unknown = sorted(set(row) - {"name", "kind", "from", "to", "height_m"})
    if unknown:
        raise InputError(f"{where}: {unknown[0]} is not a value of an obstacle (name, kind, from, to, height_m).")
    kind = row.get("kind", "solid")
    if kind not in KINDS:
        raise InputError(f'{where}: kind "{kind}" has to be {", ".join(KINDS)}.')
    ends = []
    for end in ("from", "to"):
        value = row.get(end)
        good = isinstance(value, list | tuple) and len(value) == 2 and all(_number(v) for v in value)
        if not good or not 0 <= value[0] <= 360 or value[1] <= 0:  # type: ignore[index]
            raise InputError(f"{where}: {end} has to be [bearing in degrees, distance in metres], like [170, 8].")
        ends.append((float(value[0]), float(value[1])))  # type: ignore[index]
    height = row.get("height_m")
    if not _number(height) or not 0 < height <= 500:  # type: ignore[operator]
        raise InputError(f"{where}: height_m has to be its height above the bed in metres, above 0 and up to 500.")
    (b0, d0), (b1, d1) = ends
    if not 0.0 <= (b1 - b0) % 360.0 < 180.0:
        raise InputError(
            f"{where} reaches from {b0:g}° to {b1:g}°: go clockwise and under half a turn, or enter it in two pieces."
        )
    return Obstacle(name, kind, b0, d0, b1, d1, float(height))  # type: ignore[arg-type]
