"""Heat between a surface and air. All coefficients in [W/m2 K], temperature differences in [K], wind in [m/s].

Inside (and the still-air part outside): Walton 1983, Thermal Analysis Research Program
Reference Manual, NBSIR 83-2655 (TARP). Outside: Yazdanian and Klems 1994, ASHRAE
Transactions 100(1) (MoWiTT field measurements) in the DOE-2 form. Equations from memory.
"""

from __future__ import annotations

import math

import numpy as np

from framesim.jit import kernel_jit

# h = factor * |dT|^(1/3). A vertical surface has one factor; a tilted one has one for heat
# flowing up off it or into it from below (unstable), one for layered air (stable).
VERTICAL_FACTOR = 1.31

# Smoothing of |dT|^(1/3) near zero: keeps the slope finite. Chosen; 0.2 K is far below what matters.
SMOOTH_K = 0.2

# MoWiTT: h = a * V^b, V the local wind in m/s.
WINDWARD_A, WINDWARD_B = 3.26, 0.89
LEEWARD_A, LEEWARD_B = 3.55, 0.617

# DOE-2 roughness multipliers of the forced part.
ROUGHNESS = {
    "very-smooth": 1.00,
    "smooth": 1.11,
    "medium-smooth": 1.13,
    "medium-rough": 1.52,
    "rough": 1.67,
    "very-rough": 2.17,
}


def unstable_factor(tilt: float) -> float:
    """Factor where air rises from (or falls onto) a tilted surface [rad]; Walton 1983."""
    cosine = abs(math.cos(tilt))
    return VERTICAL_FACTOR if cosine < 1e-6 else 9.482 / (7.283 - cosine)


def stable_factor(tilt: float) -> float:
    """Factor where the air lies layered at a tilted surface [rad]; Walton 1983."""
    cosine = abs(math.cos(tilt))
    return VERTICAL_FACTOR if cosine < 1e-6 else 1.810 / (1.382 + cosine)


def iso_15099_factor(kelvin: float = 283.15, pressure: float = 101325.0) -> float:
    """Factor of |dT|^(1/3) under a cold roof pane sloped less than 15 deg; ISO 15099 (2003) section 8.3.2.2.

    Nu = 0.13 Ra^(1/3), from memory; the length falls out. Air properties at the given temperature; the
    kernel scales with (p/p0)^(2/3). Window programs use this for glazing and Walton's form for the rest.
    """
    conductivity = 2.873e-3 + 7.76e-5 * kelvin
    viscosity = 3.723e-6 + 4.94e-8 * kelvin
    heat = 1002.737 + 1.2324e-2 * kelvin
    density = pressure / (287.0 * kelvin)
    return float(0.13 * conductivity * (density**2 * 9.81 * heat / (kelvin * viscosity * conductivity)) ** (1.0 / 3.0))


# (d^2 + SMOOTH^2)^(1/6) over |d|, by table: the kernel asks for it a dozen times a step.
ROOT_STEP_K = 0.125
_GRID = ROOT_STEP_K * np.arange(1601)
ROOTS = (_GRID**2 + SMOOTH_K**2) ** (1.0 / 6.0)


@kernel_jit
def root_and_slope(difference: float) -> tuple[float, float]:
    """(|d|^(1/3) smoothed at zero, its slope over |d|) of a temperature difference [K] up to 200 K."""
    place = abs(difference) * (1.0 / ROOT_STEP_K)
    k = min(int(place), 1599)
    rise = ROOTS[k + 1] - ROOTS[k]
    return float(ROOTS[k] + (place - k) * rise), float(rise * (1.0 / ROOT_STEP_K))


@kernel_jit
def natural(factor_warm: float, factor_cold: float, surface_minus_air: float) -> float:
    """h of still air [W/m2 K]; the two factors are for a surface warmer and colder than the air."""
    factor = factor_warm if surface_minus_air > 0.0 else factor_cold
    return factor * root_and_slope(surface_minus_air)[0]


def forced_mowitt(wind_m_s: float, windward: bool) -> float:
    """Forced part of the outside coefficient [W/m2 K] on a smooth surface."""
    if windward:
        return float(WINDWARD_A * wind_m_s**WINDWARD_B)
    return float(LEEWARD_A * wind_m_s**LEEWARD_B)


@kernel_jit
def outside_doe2(still: float, forced: float, roughness: float) -> float:
    """Outside h [W/m2 K] from its still-air and forced part; DOE-2: rough surfaces add to the forced part only."""
    smooth = math.sqrt(still * still + forced * forced)
    return still + roughness * (smooth - still)


def wind_profile_ratio(
    height_m: float,
    exponent: float = 0.22,
    layer_m: float = 370.0,
    station_exponent: float = 0.14,
    station_layer_m: float = 270.0,
    station_height_m: float = 10.0,
) -> float:
    """Local wind over station wind [-] at a height; power law of two boundary layers.

    Source: ASHRAE Handbook of Fundamentals, airflow around buildings (from memory); defaults: suburb, open station.
    """
    return float((station_layer_m / station_height_m) ** station_exponent * (height_m / layer_m) ** exponent)


def mcadams(wind_m_s: float) -> float:
    """5.7 + 3.8 V [W/m2 K]; McAdams 1954 after Jurges, as in Duffie and Beckman ch. 3 (not used by the kernel)."""
    return 5.7 + 3.8 * wind_m_s


def watmuff(wind_m_s: float) -> float:
    """2.8 + 3.0 V [W/m2 K]; Watmuff et al. 1977 (not used by the kernel)."""
    return 2.8 + 3.0 * wind_m_s


def iso_6946(wind_m_s: float) -> float:
    """4 + 4 V [W/m2 K]; ISO 6946 annex (not used by the kernel)."""
    return 4.0 + 4.0 * wind_m_s
