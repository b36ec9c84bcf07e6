"""Wire and fuse for a few ampere of extra-low voltage."""

from __future__ import annotations

import math

COPPER_OHM_MM2_M = 1.0 / 58.0  # Source: IEC 60028, resistivity of annealed copper at 20 degC.

# Copper cross sections and the largest fuse that protects them in a bundle outdoors.
# Common practice, no source, except 1.5 mm2 with at most 10 A: crop guides of extension services. Local codes win.
SECTIONS: tuple[tuple[float, float], ...] = (
    (0.5, 3.0), (0.75, 5.0), (1.0, 7.5), (1.5, 10.0), (2.5, 15.0), (4.0, 20.0), (6.0, 30.0),
)  # fmt: skip
FUSES_A = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)  # Source: ISO 8820-3 blade fuse ratings; from memory.
FUSE_MARGIN = 1.5  # chosen: the fuse stays above the working current by this factor, or it ages
DROP_SHARE = 0.05  # chosen: at most this share of the supply is lost in the cable at the working current


def drop_v(length_m: float, area_mm2: float, current_a: float) -> float:
    """Voltage lost [V] along there and back: 2 L rho I / A. Source: Ohm's law."""
    return 2.0 * length_m * COPPER_OHM_MM2_M * current_a / area_mm2


def awg_mm2(gauge: int) -> float:
    """Cross section [mm2] of an AWG size: diameter 0.127 mm x 92^((36-n)/39). Source: ASTM B258."""
    return math.pi / 4.0 * (0.127 * math.pow(92.0, (36 - gauge) / 39.0)) ** 2


def fuse_a(working_a: float) -> float | None:
    """Smallest blade fuse [A] that stands the working current; None beyond 30 A."""
    return next((rating for rating in FUSES_A if rating >= FUSE_MARGIN * working_a), None)


def section_mm2(length_m: float, working_a: float, supply_v: float) -> float | None:
    """Smallest cross section [mm2] that keeps the drop small and is protected by the fuse; None when none does."""
    fuse = fuse_a(working_a)
    if fuse is None:
        return None
    for area, largest in SECTIONS:
        if largest >= fuse and drop_v(length_m, area, working_a) <= DROP_SHARE * supply_v:
            return area
    return None
