"""Weight, wind, snow and ice on a hinged lid.

Moments are about the hinge, forces at the front edge unless said otherwise.
The lid is a flat plate, evenly heavy, hinged along one whole side.
"""

from __future__ import annotations

import math

GRAVITY_M_S2 = 9.80665  # Source: standard gravity, ISO 80000-3.
WIND_PA_PER_M2_S2 = 0.613  # Source: ASCE 7 velocity pressure in SI units, all site factors 1.
ICE_KG_M3 = 917.0  # Source: density of ice at 0 degC, CRC Handbook of Chemistry and Physics; typed from memory.
SOFTWOOD_KG_M3 = 450.0  # Common practice, no source: air-dry spruce or pine.


def lid_mass_kg(
    depth_m: float,
    width_m: float,
    sheet_kg_m2: float,
    rail_mm: float = 45.0,
    bars: int = 1,
    timber_kg_m3: float = SOFTWOOD_KG_M3,
) -> float:
    """Mass [kg] of a glazed lid: the sheet, four square rails and `bars` bars from hinge to front."""
    rails_m = 2.0 * (depth_m + width_m) + bars * depth_m
    return sheet_kg_m2 * depth_m * width_m + rails_m * (rail_mm / 1000.0) ** 2 * timber_kg_m3


def weight_moment_nm(mass_kg: float, depth_m: float, angle_deg: float) -> float:
    """Moment of the lid's own weight [N m] at `angle_deg` from the horizontal: m g (L/2) cos a. Source: statics."""
    return mass_kg * GRAVITY_M_S2 * depth_m / 2.0 * math.cos(math.radians(angle_deg))


def pressure_moment_nm(pressure_pa: float, width_m: float, depth_m: float) -> float:
    """Moment [N m] of an even pressure across the plate: p W L^2 / 2. Source: statics."""
    return pressure_pa * width_m * depth_m**2 / 2.0


def wind_pressure_pa(speed_m_s: float) -> float:
    """Velocity pressure [Pa] of a gust: q = 0.613 V^2. Source: ASCE 7 (SI form), all site factors 1."""
    return WIND_PA_PER_M2_S2 * speed_m_s**2


def snow_moment_nm(snow_kpa: float, width_m: float, depth_m: float, angle_deg: float) -> float:
    """Moment [N m] of snow, its load per ground area `snow_kpa`, on a lid at `angle_deg`.

    The ground area of a sloping lid and the arm both shrink with cos a.
    """
    return pressure_moment_nm(snow_kpa * 1000.0, width_m, depth_m) * math.cos(math.radians(angle_deg)) ** 2


def snow_density_kn_m3(ground_kpa: float) -> float:
    """Weight of lying snow [kN/m3] under a ground load: 0.426 p + 2.2, at most 4.7.

    Source: ASCE 7-05/-10/-16 equation 7.7-1, SI form.
    """
    return min(0.426 * ground_kpa + 2.2, 4.7)


def snow_depth_m(ground_kpa: float) -> float:
    """Depth [m] of snow that gives this ground load. Source: as snow_density_kn_m3."""
    return ground_kpa / snow_density_kn_m3(ground_kpa)


def ice_kpa(thickness_mm: float) -> float:
    """Load [kPa] of a coat of clear ice."""
    return ICE_KG_M3 * GRAVITY_M_S2 * thickness_mm / 1e6
