"""Where the drive sits, and what that makes of its force and speed.

Seen from the side: the hinge is the origin, x runs towards the front edge, y
up. The drive runs from a fixed pivot (usually inside, below the hinge) to a
point on the lid. Angles of the lid are from the horizontal; a shut lid that
falls towards the front has a negative angle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

STEPS = 60  # angles looked at over the travel
HOUSING_M = 0.10  # chosen: a drive pulled in is longer than its stroke by at least this much


@dataclass(frozen=True)
class Place:
    """Where the drive is fixed, all in metres from the hinge."""

    attach_m: float  # along the lid
    pivot_x_m: float  # towards the front
    pivot_y_m: float  # up; below the hinge is negative


def length_m(place: Place, angle_deg: float) -> float:
    """Distance [m] between the two ends of the drive."""
    x, y = _attached(place, angle_deg)
    return math.hypot(x - place.pivot_x_m, y - place.pivot_y_m)


def arm_m(place: Place, angle_deg: float) -> float:
    """Arm [m] of the drive's force about the hinge, positive while pushing opens the lid.

    (Bx Py - By Px) / length with the sign turned so that opening is positive. Source: statics.
    """
    x, y = _attached(place, angle_deg)
    return (y * place.pivot_x_m - x * place.pivot_y_m) / length_m(place, angle_deg)


def _attached(place: Place, angle_deg: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return place.attach_m * math.cos(angle), place.attach_m * math.sin(angle)


def travel(shut_deg: float, open_deg: float) -> list[float]:
    """Angles [deg] over the travel, both ends included."""
    return [shut_deg + (open_deg - shut_deg) * step / STEPS for step in range(STEPS + 1)]


@dataclass(frozen=True)
class Fit:
    """What a place makes of the travel."""

    stroke_m: float
    shut_m: float  # length of the drive with the lid shut
    least_arm_m: float
    greatest_arm_m: float

    @property
    def dead_centre(self) -> bool:
        """The drive's line passes (nearly) through the hinge somewhere: it could not move the lid there."""
        return self.least_arm_m < 0.03

    @property
    def housed(self) -> bool:
        """An ordinary drive, pulled in, is short enough for the shut lid."""
        return self.shut_m >= self.stroke_m + HOUSING_M


def fit(place: Place, shut_deg: float, open_deg: float) -> Fit:
    """Stroke, shut length and arms of a place."""
    arms = [arm_m(place, angle) for angle in travel(shut_deg, open_deg)]
    shut = length_m(place, shut_deg)
    return Fit(length_m(place, open_deg) - shut, shut, min(arms), max(arms))


def edge_speed_mm_s(place: Place, angle_deg: float, drive_mm_s: float, depth_m: float) -> float:
    """Speed of the closing edge [mm/s] when the drive runs at drive_mm_s: the lid turns by v / arm."""
    return drive_mm_s * depth_m / abs(arm_m(place, angle_deg))


def best_place(depth_m: float, wall_m: float, shut_deg: float, open_deg: float) -> Place | None:
    """The place with the longest least arm among those that fit an ordinary drive; None when none does.

    Looks at a grid: fixed pivot inside the frame and no lower than its back wall, drive fixed to the
    inner two thirds of the lid. A long arm means little force, but a long stroke, too.
    """
    best: tuple[float, Place] | None = None
    for attach in _grid(0.15, depth_m * 0.7, 16):
        for x in _grid(0.02, depth_m * 0.5, 12):
            for y in _grid(-max(wall_m - 0.03, 0.10), -0.08, 10):
                place = Place(attach, x, y)
                found = fit(place, shut_deg, open_deg)
                # Inside, the drive must not run into the lid itself.
                if found.dead_centre or not found.housed or found.stroke_m <= 0.0:
                    continue
                if best is None or found.least_arm_m > best[0]:
                    best = (found.least_arm_m, place)
    return best[1] if best else None


def _grid(low: float, high: float, count: int) -> list[float]:
    return [round(low + (high - low) * n / (count - 1), 3) for n in range(count)]
