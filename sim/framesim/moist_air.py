"""Moist air: saturation, humidity ratio, dew point, density. Pressures in [Pa], humidity ratio in [kg/kg dry air]."""

from __future__ import annotations

import math

from framesim.jit import kernel_jit

ZERO_K = 273.15
GAS_DRY_AIR = 287.042  # [J/kg K]; ASHRAE 2017 ch. 1
MASS_RATIO = 0.621945  # water over dry air; ASHRAE 2017 ch. 1
CP_DRY_AIR = 1006.0  # [J/kg K]
CP_VAPOUR = 1860.0  # [J/kg K]
LATENT_HEAT = 2.501e6  # [J/kg] at 0 degC


@kernel_jit
def saturation_pressure(degc: float) -> float:
    """Saturation pressure [Pa] over ice below 0.01 degC, over water above; -100..200 degC.

    Source: ASHRAE Handbook of Fundamentals 2017 ch. 1 eqs 5 and 6 (Hyland and Wexler 1983).
    """
    t = degc + ZERO_K
    if degc <= 0.01:
        ln_p = (
            -5.6745359e3 / t
            + 6.3925247
            - 9.677843e-3 * t
            + 6.2215701e-7 * t**2
            + 2.0747825e-9 * t**3
            - 9.484024e-13 * t**4
            + 4.1635019 * math.log(t)
        )
    else:
        ln_p = (
            -5.8002206e3 / t
            + 1.3914993
            - 4.8640239e-2 * t
            + 4.1764768e-5 * t**2
            - 1.4452093e-8 * t**3
            + 6.5459673 * math.log(t)
        )
    return math.exp(ln_p)


@kernel_jit
def magnus_pressure(degc: float) -> float:
    """Saturation pressure [Pa], short form for the kernel: within 0.6 % of ASHRAE from -40 to 60 degC (measured).

    Magnus constants over water and ice; Sonntag 1990 as in the WMO guide (from memory).
    """
    if degc < 0.0:
        return 611.2 * math.exp(22.46 * degc / (272.62 + degc))
    return 611.2 * math.exp(17.62 * degc / (243.12 + degc))


@kernel_jit
def magnus_slope(degc: float, pressure: float) -> float:
    """Slope [Pa/K] of magnus_pressure where it has the given value."""
    if degc < 0.0:
        return pressure * 22.46 * 272.62 / (272.62 + degc) ** 2
    return pressure * 17.62 * 243.12 / (243.12 + degc) ** 2


@kernel_jit
def humidity_ratio(vapour: float, pressure: float) -> float:
    """Humidity ratio [kg/kg] from vapour pressure and total pressure [Pa]."""
    return MASS_RATIO * vapour / (pressure - vapour)


@kernel_jit
def vapour_pressure(ratio: float, pressure: float) -> float:
    """Vapour pressure [Pa] from humidity ratio and total pressure."""
    return pressure * ratio / (MASS_RATIO + ratio)


@kernel_jit
def dew_point(vapour: float) -> float:
    """Dew point (frost point below 0) [degC] from vapour pressure [Pa]: solves saturation_pressure by Newton steps."""
    t = 0.0
    log_wanted = math.log(max(vapour, 1e-3))
    for _ in range(50):
        p = saturation_pressure(t)
        slope = (math.log(saturation_pressure(t + 0.01)) - math.log(p)) / 0.01
        step = (log_wanted - math.log(p)) / slope
        step = min(20.0, max(-20.0, step))
        t += step
        if abs(step) < 1e-7:
            break
    return t


@kernel_jit
def magnus_dew_point(vapour: float) -> float:
    """Dew point over water [degC], Magnus 17.62/243.12: within 0.05 K of ASHRAE above 0 degC."""
    x = math.log(vapour / 611.2)
    return 243.12 * x / (17.62 - x)


@kernel_jit
def tetens_pressure(degc: float) -> float:
    """Saturation pressure [Pa] over water: 610.8 exp(17.27 T/(T + 237.3)); Tetens, as in FAO-56 eq. 11."""
    return 610.8 * math.exp(17.27 * degc / (degc + 237.3))


@kernel_jit
def density(degc: float, ratio: float, pressure: float) -> float:
    """Density of moist air [kg/m3] (water included)."""
    return pressure * (1.0 + ratio) / (GAS_DRY_AIR * (degc + ZERO_K) * (1.0 + ratio / MASS_RATIO))


@kernel_jit
def ratio_from_wet_bulb(dry_degc: float, wet_degc: float, pressure: float) -> float:
    """Humidity ratio [kg/kg] from dry and wet bulb, wet bulb above freezing; ASHRAE 2017 ch. 1 eq. 33."""
    saturated = humidity_ratio(saturation_pressure(wet_degc), pressure)
    return ((2501.0 - 2.326 * wet_degc) * saturated - 1.006 * (dry_degc - wet_degc)) / (
        2501.0 + 1.86 * dry_degc - 4.186 * wet_degc
    )


@kernel_jit
def enthalpy(degc: float, ratio: float) -> float:
    """Enthalpy of moist air [J/kg dry air]; ASHRAE 2017 ch. 1 eq. 30."""
    return (1.006 * degc + ratio * (2501.0 + 1.86 * degc)) * 1000.0


@kernel_jit
def specific_volume(degc: float, ratio: float, pressure: float) -> float:
    """Volume [m3/kg dry air]; ASHRAE 2017 ch. 1 eq. 26."""
    return GAS_DRY_AIR * (degc + ZERO_K) * (1.0 + ratio / MASS_RATIO) / pressure


@kernel_jit
def standard_pressure(elevation_m: float) -> float:
    """Pressure of the standard atmosphere [Pa]; ASHRAE 2017 ch. 1 eq. 3."""
    return float(101325.0 * (1.0 - 2.25577e-5 * elevation_m) ** 5.2559)
