"""Air through the opened lid: how large the opening is, and how much wind and warmth push through it.

Flow Q [m3/s] = sqrt( (wind_area * v)^2 + stack^2 * |Ti - To| / Ti ), quadrature of wind and
stack as in the ASHRAE Handbook of Fundamentals, ventilation chapter. Both coefficients
depend on the opening only, so the kernel forms them when the lid moves.
"""

from __future__ import annotations

import math

from framesim.jit import kernel_jit

GRAVITY = 9.80665  # [m/s2]
FULL_AREA, LID_ANGLE = 0, 1  # the two opening models


@kernel_jit
def stack_flow(cd: float, area: float, rise: float, inside_k: float, outside_k: float) -> float:
    """Stack flow [m3/s] = Cd A sqrt(2 g dH (Ti - To)/Ti); ASHRAE Handbook of Fundamentals."""
    return cd * area * math.sqrt(2.0 * GRAVITY * rise * abs(inside_k - outside_k) / inside_k)


@kernel_jit
def wind_flow(cv: float, area: float, wind: float) -> float:
    """Wind flow [m3/s] = Cv A U; ASHRAE Handbook of Fundamentals."""
    return cv * area * wind


@kernel_jit
def combined_flow(stack: float, wind: float) -> float:
    """Both in quadrature [m3/s]."""
    return math.sqrt(stack * stack + wind * wind)


@kernel_jit
def mixing_discharge_coefficient(difference_k: float) -> float:
    """Discharge coefficient of an opening with two-way flow: 0.40 + 0.0045 |dT|; ASHRAE Handbook of Fundamentals."""
    return 0.40 + 0.0045 * abs(difference_k)


@kernel_jit
def single_opening_stack(cd: float, area: float, height: float, difference_k: float, mean_k: float) -> float:
    """Two-way flow through one opening [m3/s]: Cd A/3 sqrt(g H dT/T); Warren and Parkins 1984.

    Derived for a vertical opening; for a lifted lid take it as good to +/-50 %.
    """
    return cd * area / 3.0 * math.sqrt(GRAVITY * height * abs(difference_k) / mean_k)


@kernel_jit
def single_opening_wind(area: float, wind: float) -> float:
    """Wind-driven flow through one opening [m3/s]: 0.025 A U; Warren and Parkins 1984."""
    return 0.025 * area * wind


@kernel_jit
def de_gids_phaff(area: float, wind_10m: float, height: float, difference_k: float) -> float:
    """Single-sided flow [m3/s]: A/2 sqrt(0.001 U2 + 0.0035 H dT + 0.01); de Gids and Phaff 1982.

    Its constant never lets the flow fall below 0.05 m3/s a m2: too much for a sheltered
    frame, so the kernel does not use it.
    """
    return area / 2.0 * math.sqrt(0.001 * wind_10m**2 + 0.0035 * height * abs(difference_k) + 0.01)


@kernel_jit
def lid_opening(depth: float, width: float, angle: float) -> tuple[float, float, float]:
    """Opening of a hinged lid at an angle [rad]: (geometric area [m2], equivalent area [m2], rise [m]).

    Front gap W * 2 L sin(a/2) plus two cheek triangles L^2 sin(a)/2; in series with the
    frame's own mouth W L: 1/Ae^2 = 1/(W L)^2 + 1/Ag^2. Own derivation.
    """
    geometric = width * 2.0 * depth * math.sin(angle / 2.0) + depth * depth * math.sin(angle)
    mouth = width * depth
    equivalent = mouth * geometric / math.sqrt(mouth * mouth + geometric * geometric)
    return geometric, equivalent, depth * math.sin(angle)


@kernel_jit
def opening_coefficients(
    model: int,
    open_share: float,
    area: float,
    cw: float,
    cd: float,
    rise: float,
    depth: float,
    width: float,
    full_angle: float,
) -> tuple[float, float]:
    """Give (wind_area [m2], stack [m3/s]) of the formula at the top of this file for an opening share 0..1.

    Model 0: share of a given full area, stack over a given rise. Model 1: a hinged lid of
    depth and width lifted to the share of full_angle [rad].
    """
    if open_share <= 0.0:
        return 0.0, 0.0
    if model == 0:
        return cw * area * open_share, cd * area * open_share * math.sqrt(2.0 * GRAVITY * rise)
    _, equivalent, lift = lid_opening(depth, width, open_share * full_angle)
    return cw * equivalent, cd * equivalent / 3.0 * math.sqrt(GRAVITY * lift)
