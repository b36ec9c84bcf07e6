"""The curved laws of the frame, as straight lines through the state at a step's start.

Natural convection, long wave, flow through the lid, wind and sky outside, the lid's gap,
saturation: each gives coefficients in one array c, from which heat_balance.py builds and
solves the straight system of the step. c is the kernel's whole scratch: forcing (at f), matrix and
stages stand behind the coefficients, because one array is handed on at less cost than seven.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.convection import outside_doe2, root_and_slope
from framesim.jit import kernel_jit
from framesim.longwave import STEFAN_BOLTZMANN
from framesim.moist_air import (
    CP_DRY_AIR,
    CP_VAPOUR,
    GAS_DRY_AIR,
    MASS_RATIO,
    ZERO_K,
    magnus_pressure,
    magnus_slope,
)

Array = NDArray[np.float64]

NS, NW, WALLS = at.N_SOIL, at.N_WALL, at.WALLS
N = at.N_SURFACE

_c = at._Counter()
C_AIR_C = _c.take()  # [J/K] of the air
C_AIR_M = _c.take()  # [kg] of dry air
C_EX_G = _c.take()  # air exchange: q = EX_0 + EX_G (To - Ta)
C_EX_0 = _c.take()
C_EX_M = _c.take()  # [kg/s] dry air exchanged
C_VENT = _c.take()  # [m3/s] through the lid at the density of the frame air
C_CONV_G = _c.take(N)  # surface to air: q = CONV_0 + CONV_G (Ts - Ta)
C_CONV_0 = _c.take(N)
C_RAD_G = _c.take(N)  # emission: e = RAD_0 + RAD_G Ts
C_RAD_0 = _c.take(N)
C_RHS = _c.take(N)  # what of these is constant, on the right side
C_OUT_H = _c.take(5)  # outdoors into an outer face (walls, lid): q = SOURCE - OUT_H Ts
C_OUT_HC = _c.take(5)
C_OUT_E = _c.take(5)
C_OUT_0 = _c.take(5)
C_OUT_LIGHT = _c.take(5)  # share of the light on the outside that reaches the face through bales
C_SOURCE = _c.take(5)
C_GAP = _c.take()  # [W/K] outer to inner face of the lid
C_BOTH = _c.take()  # 1/(GAP + OUT_H of the lid)
C_LIGHT = _c.take()  # share of the lid's light left by cover and snow
C_ON_COVER = _c.take()  # share of the light stopped by cover or snow that warms the lid
C_WET = _c.take(3)  # [kg/s] a unit of humidity ratio: soil, leaf, lid
C_WET_0 = _c.take(3)  # saturation: w = WET_0 + WET_G T
C_WET_G = _c.take(3)
C_VAPOUR_INV = _c.take()
C_SOURCE_1 = _c.take(5)  # of the first stage
# Where and for what these were drawn (heat_balance.py)
C_DRAWN_AT = _c.take(N)
C_DRAWN_LID = _c.take()
C_ROW = _c.take()
C_WIND_AREA = _c.take()
C_STACK = _c.take()
C_COVER = _c.take()
# Factors of the chains (heat_balance.py)
C_STEP = _c.take()  # h the factors belong to
C_H_INV = _c.take()
C_SOIL_CH = _c.take(NS)  # capacity over step
C_SOIL_INV = _c.take(NS)
C_SOIL_UP = _c.take(NS)  # conductance times inverse: what one node hands to the next
C_SOIL_DIAG = _c.take()
C_WALL_CH = _c.take(NW * WALLS)
C_WALL_INV = _c.take(NW * WALLS)
C_WALL_UP = _c.take(NW * WALLS)
N_TANGENTS = _c.next

WET_SURFACES = (at.SOIL, at.LEAF, at.LID)

SNOW_K = 0.15  # [W/m K] settled snow of about 200 kg/m3; Sturm et al. 1997 (from memory)
SNOW_EXTINCTION = 30.0  # [1/m] broadband, settled snow (from memory)
SNOW_COVERED_M = 0.02  # depth at which snow hides the lid; chosen
SNOW_REFLECTANCE = 0.75  # (from memory)


@kernel_jit
def draw(p: Array, y: Array, f: int, wind_area: float, stack: float, cover: float, c: Array) -> None:
    """All coefficients of one step, from the state y at its start and the forcing that stands at f in c."""
    _air_exchange(p, y, f, wind_area, stack, c)
    _inside(p, y, f, c)
    _outside(p, y, f, cover, c)
    _gap(p, y, c)
    if p[at.P_MOIST] > 0.0:
        _moisture(p, y, f, c)


@kernel_jit
def _air_exchange(p: Array, y: Array, f: int, wind_area: float, stack: float, c: Array) -> None:
    """Leakage and flow through the lid; heat and vapour ride on the same mass of air."""
    outside, inside = c[f + at.D_OUT], y[at.Y_AIR]
    outside_k, inside_k = outside + ZERO_K, inside + ZERO_K
    pressure, humid = c[f + at.D_PRESSURE], c[f + at.D_HUMID]
    rho_out = pressure / (GAS_DRY_AIR * outside_k * (1.0 + humid / MASS_RATIO))  # dry air in a m3
    rho_in = pressure / (GAS_DRY_AIR * inside_k * (1.0 + y[at.Y_HUMID] / MASS_RATIO))
    cp = CP_DRY_AIR + CP_VAPOUR * humid
    difference = outside - inside
    flow = slope = 0.0
    if wind_area > 0.0 or stack > 0.0:
        wind = wind_area * c[f + at.D_WIND] * p[at.P_WIND_RATIO]
        pull = stack * stack / inside_k
        flow = math.sqrt(wind * wind + pull * math.sqrt(difference * difference + 1e-4) + 1e-10)
        # d(flow)/d|dT| times |dT|: what the tangent of flow * dT has beyond the flow itself.
        slope = 0.5 * pull * abs(difference) / flow
    leak = p[at.P_LEAK]
    c[C_EX_M] = rho_out * (leak + flow)
    c[C_EX_G] = rho_out * cp * (leak + flow + slope)
    c[C_EX_0] = -rho_out * cp * slope * difference
    c[C_VENT] = flow * rho_out / rho_in
    c[C_AIR_M] = rho_in * p[at.P_VOLUME]
    c[C_AIR_C] = c[C_AIR_M] * (CP_DRY_AIR + CP_VAPOUR * y[at.Y_HUMID])


@kernel_jit
def _inside(p: Array, y: Array, f: int, c: Array) -> None:
    """Convection to the air (Walton) and long-wave emission of each inner surface."""
    air = y[at.Y_AIR]
    thin = 1.0
    if p[at.P_LID_BY_DENSITY] > 0.0:
        # (p/p0)^(2/3), to second order: within 0.1 % down to 0.7 of sea-level pressure.
        d = c[f + at.D_PRESSURE] / 101325.0 - 1.0
        thin = 1.0 + d * (2.0 / 3.0 - d / 9.0)
    for i in range(N):
        t = y[at.Y_SURFACE + i]
        difference = t - air
        factor = p[at.P_AREA + i] * (p[at.P_WARM + i] if difference > 0.0 else p[at.P_COLD + i])
        root, slope = root_and_slope(difference)
        c[C_CONV_G + i] = factor * (root + slope * abs(difference))
        c[C_CONV_0 + i] = factor * root * difference
        kelvin = t + ZERO_K
        cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin
        c[C_RAD_G + i] = 4.0 * cube
        c[C_RAD_0 + i] = cube * (kelvin - 4.0 * t)
    c[C_CONV_G + at.LID] *= thin
    c[C_CONV_0 + at.LID] *= thin
    to_air = c[C_EX_0]
    for i in range(N):
        c[C_CONV_0 + i] -= c[C_CONV_G + i] * (y[at.Y_SURFACE + i] - air)
        to_air += c[C_CONV_0 + i]
        seen = -p[at.P_SEEN + i] * c[C_RAD_0 + i]
        for j in range(N):
            seen += p[at.P_EXCHANGE + i * N + j] * c[C_RAD_0 + j]
        c[C_RHS + i] = seen - c[C_CONV_0 + i]
    c[C_RHS + at.AIR] = to_air


@kernel_jit
def _outside(p: Array, y: Array, f: int, cover: float, c: Array) -> None:
    """Wind (DOE-2), sky and ground at the outer faces; bales, cover and snow lie in series with the film."""
    outside = c[f + at.D_OUT]
    windward, leeward = c[f + at.D_WINDWARD], c[f + at.D_LEEWARD]
    for i in range(5):
        area = p[at.P_OUT_AREA + i]
        layer = p[at.P_OUT_R + i]
        t = y[at.Y_OUT + i]
        # Behind a layer the face that meets the air is the layer's, and near outdoor temperature.
        t = outside if layer > 0.0 else t
        total, still = _film(p, i, t, outside, windward, leeward, p[at.P_OUT_EMISSIVITY + i])
        share = 1.0 / (1.0 + total * layer)
        _store_outside(p, i, t, total, still, share * area, p[at.P_OUT_EMISSIVITY + i], c)
        c[C_OUT_LIGHT + i] = share
    snow = p[at.P_SNOW_SHARE] * c[f + at.D_SNOW]
    c[C_LIGHT], c[C_ON_COVER] = 1.0, 0.0
    if cover > 0.0 or snow > 0.0:
        _covered_lid(p, f, snow, cover, c)
    if p[at.P_BACK_HELD] > 0.0:
        # The house wall behind: a still film of 0.13 m2 K/W (ISO 6946) to a held temperature.
        h = p[at.P_OUT_AREA] / 0.13
        c[C_OUT_H], c[C_OUT_HC], c[C_OUT_E], c[C_OUT_0] = h, 0.0, 0.0, -h * p[at.P_BACK_DEGC]


@kernel_jit
def _film(
    p: Array, i: int, t: float, outside: float, windward: float, leeward: float, emissivity: float
) -> tuple[float, float]:
    """(convection and long wave, convection alone) of an outer face at t [W/m2 K]."""
    difference = t - outside
    forced = p[at.P_OUT_WINDWARD + i] * windward + p[at.P_OUT_LEEWARD + i] * leeward
    factor = p[at.P_OUT_WARM + i] if difference > 0.0 else p[at.P_OUT_COLD + i]
    still = factor * root_and_slope(difference)[0]
    h = outside_doe2(still, forced, p[at.P_OUT_ROUGH + i])
    kelvin = t + ZERO_K
    return h + emissivity * 4.0 * STEFAN_BOLTZMANN * kelvin * kelvin * kelvin, h


@kernel_jit
def _store_outside(
    p: Array, i: int, t: float, total: float, h: float, weight: float, emissivity: float, c: Array
) -> None:
    kelvin = t + ZERO_K
    c[C_OUT_H + i] = weight * total
    c[C_OUT_HC + i] = weight * h
    c[C_OUT_E + i] = weight * emissivity
    c[C_OUT_0 + i] = weight * emissivity * STEFAN_BOLTZMANN * kelvin * kelvin * kelvin * (kelvin - 4.0 * t)


@kernel_jit
def _covered_lid(p: Array, f: int, snow: float, cover: float, c: Array) -> None:
    """Lid under a night cover (its share of the area) and snow: less light, another film, more resistance."""
    outside = c[f + at.D_OUT]
    emissivity = p[at.P_OUT_EMISSIVITY + 4]
    emissivity += cover * (p[at.P_COVER_EMISSIVITY] - emissivity)
    total, h = _film(p, 4, outside, outside, c[f + at.D_WINDWARD], c[f + at.D_LEEWARD], emissivity)
    layer = snow / SNOW_K
    share = (1.0 - cover) / (1.0 + total * layer) + cover / (1.0 + total * (layer + p[at.P_COVER_R]))
    _store_outside(p, 4, outside, total, h, share * p[at.P_OUT_AREA + 4], emissivity, c)
    through_snow = 1.0
    if snow > 0.0:
        hidden = min(1.0, snow / SNOW_COVERED_M)
        through_snow -= hidden * (1.0 - (1.0 - SNOW_REFLECTANCE) * math.exp(-SNOW_EXTINCTION * snow))
    c[C_LIGHT] = (1.0 - cover) * through_snow
    absorbed = cover * p[at.P_COVER_ABSORB] + (1.0 - cover) * (1.0 - through_snow) * (1.0 - SNOW_REFLECTANCE)
    c[C_ON_COVER] = absorbed * share


@kernel_jit
def sources(p: Array, f: int, c: Array) -> None:
    """Constant part of what outdoors gives the outer faces [W]; their own emission and loss stand in OUT_H."""
    air_k = c[f + at.D_OUT] + ZERO_K
    emission = STEFAN_BOLTZMANN * air_k * air_k * air_k * air_k
    for i in range(5):
        surroundings = emission + p[at.P_OUT_SKY + i] * (c[f + at.D_SKY] - emission)
        c[C_SOURCE + i] = c[C_OUT_HC + i] * c[f + at.D_OUT] + c[C_OUT_E + i] * surroundings - c[C_OUT_0 + i]


@kernel_jit
def _gap(p: Array, y: Array, c: Array) -> None:
    """Heat between the lid's two faces: still air and long wave in the gap, and the sheets."""
    resistance = p[at.P_SHEET_R]
    if p[at.P_GAP_NU_D] > 0.0:
        kelvin = 0.5 * (y[at.Y_LID_IN] + y[at.Y_LID_OUT]) + ZERO_K
        air = (2.873e-3 + 7.76e-5 * kelvin) * p[at.P_GAP_NU_D]
        resistance += 1.0 / (air + 4.0 * STEFAN_BOLTZMANN * kelvin * kelvin * kelvin * p[at.P_GAP_F])
    c[C_GAP] = p[at.P_OUT_AREA + 4] / resistance
    c[C_BOTH] = 1.0 / (c[C_GAP] + c[C_OUT_H + 4])


@kernel_jit
def _moisture(p: Array, y: Array, f: int, c: Array) -> None:
    """Vapour from soil and leaves, onto and off the lid; same film as for heat (Lewis number one)."""
    pressure = c[f + at.D_PRESSURE]
    for k in range(3):
        i = WET_SURFACES[k]
        t = y[at.Y_SURFACE + i]
        vapour = magnus_pressure(t)
        slope = magnus_slope(t, vapour)
        saturated = MASS_RATIO * vapour / (pressure - vapour)
        c[C_WET_G + k] = saturated * pressure / (pressure - vapour) * slope / vapour
        c[C_WET_0 + k] = saturated - c[C_WET_G + k] * t
        film = 0.75 * c[C_CONV_G + i] / CP_DRY_AIR  # [kg/s]; the tangent is 4/3 of h
        wet = 0.0
        if i == at.SOIL:
            wet = film * p[at.P_WET_SOIL]
        elif i == at.LID:
            wet = film if y[at.Y_FILM] > 0.0 or y[at.Y_HUMID] > saturated else 0.0
        elif p[at.P_LEAF_ON] > 0.0:
            stomata = p[at.P_LEAF_DAY_R] if c[f + at.D_GHI] > 20.0 else p[at.P_LEAF_NIGHT_R]
            dry = pressure / (GAS_DRY_AIR * (t + ZERO_K))
            wet = 1.0 / (1.0 / film + stomata / (dry * p[at.P_AREA + i]))
        c[C_WET + k] = wet

