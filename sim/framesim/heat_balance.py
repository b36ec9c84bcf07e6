"""The heat balance of a cold frame, solved step by step. Temperatures [degC], flows [W], capacities [J/K].

What is balanced, node by node:

    air        C dT/dt = convection from soil, walls, lid, leaves + air exchange + rim
    soil       C dT/dt = light - convection - evaporation + long wave + conduction (a column on a held base)
    walls      C dT/dt = light - convection + long wave + conduction (six nodes each) + outdoors
    leaves     C dT/dt = light - convection - transpiration + long wave
    lid        0       = light in the sheets - convection + long wave + gap + outdoors (no heat capacity)
    vapour     M dW/dt = evaporation - condensation + air exchange

Each step draws the tangent to every curved law at the step's start (natural convection, long
wave, flow through the lid, saturation) and solves the straight system twice with one
factored matrix: the two-stage, stiffly accurate, L-stable scheme of second order with
gamma = 1 - 1/sqrt(2) (Alexander 1977, SIAM J. Numer. Anal. 14:1006-1021). Walls and soil are chains
and are eliminated by hand; what is left is a 9 x 9 system of surfaces, air and vapour.
All flows are summed as they are used, so the balance closes to rounding.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.convection import SMOOTH_K, natural, outside_doe2
from framesim.jit import kernel_jit
from framesim.longwave import STEFAN_BOLTZMANN
from framesim.moist_air import (
    CP_DRY_AIR,
    CP_VAPOUR,
    GAS_DRY_AIR,
    LATENT_HEAT,
    MASS_RATIO,
    ZERO_K,
    magnus_pressure,
    magnus_slope,
)

Array = NDArray[np.float64]
Work = tuple[Array, Array, Array, Array, Array, Array, Array]

GAMMA = 1.0 - math.sqrt(0.5)

NS, NW, WALLS = at.N_SOIL, at.N_WALL, at.WALLS
LAST_WALL = (NW - 1) * WALLS

# Unknowns of the dense system: vapour, leaf, air, back, front, east, west wall, lid, soil surface.
U_HUMID, U_LEAF, U_AIR, U_WALL, U_LID, U_SOIL = 0, 1, 2, 3, 7, 8
UNKNOWNS = 9
# Which unknown each inner surface is (order of layout.SURFACES).
OF_SURFACE = (U_SOIL, 3, 4, 5, 6, U_LID, U_LEAF)
STATE_OF_SURFACE = (
    at.Y_SOIL,
    at.Y_WALL,
    at.Y_WALL + 1,
    at.Y_WALL + 2,
    at.Y_WALL + 3,
    at.Y_LID_IN,
    at.Y_LEAF,
)

# Coefficients of one step (the tangents), slots of one array.
_c = at._Counter()
C_AIR_C = _c.take()  # [J/K] of the air
C_AIR_M = _c.take()  # [kg] of dry air
C_EX_G = _c.take()  # air exchange: q = EX_0 + EX_G (To - Ta)
C_EX_0 = _c.take()
C_EX_M = _c.take()  # [kg/s] dry air exchanged
C_VENT = _c.take()  # [m3/s] through the lid at the density of the frame air
C_CONV_G = _c.take(7)  # surface to air: q = CONV_0 + CONV_G (Ts - Ta)
C_CONV_0 = _c.take(7)
C_RAD_G = _c.take(7)  # emission: e = RAD_0 + RAD_G Ts
C_RAD_0 = _c.take(7)
C_OUT_H = _c.take(5)  # outdoors into outer face: q = HC To + E (sky..) - 0 - H Ts
C_OUT_HC = _c.take(5)
C_OUT_E = _c.take(5)
C_OUT_0 = _c.take(5)
C_GAP = _c.take()  # [W/K] outer to inner face of the lid
C_LIGHT = _c.take()  # share of the lid's light left by cover and snow
C_ON_COVER = _c.take()  # share of the light stopped by cover or snow that warms the lid
C_WET = _c.take(3)  # [kg/s] a unit of humidity ratio: soil, leaf, lid
C_WET_0 = _c.take(3)  # saturation: w = WET_0 + WET_G T
C_WET_G = _c.take(3)
C_SOIL_STEP = _c.take()  # step the soil factors belong to
C_SOIL_CH = _c.take(NS)  # capacity over step
C_SOIL_INV = _c.take(NS)
C_SOIL_DIAG = _c.take()
C_WALL_CH = _c.take(NW * WALLS)
C_WALL_INV = _c.take(NW * WALLS)
N_COEFFICIENTS = _c.next

WET_SURFACES = (0, 6, 5)  # soil, leaf, lid

SNOW_K = 0.15  # [W/m K] settled snow of about 200 kg/m3; Sturm et al. 1997 (from memory)
SNOW_EXTINCTION = 30.0  # [1/m] broadband, settled snow (from memory)
SNOW_COVERED_M = 0.02  # depth at which snow hides the lid; chosen
SNOW_REFLECTANCE = 0.75  # (from memory)
# A step in which the air moves more than this is taken again in quarters, down to the smallest. Chosen
# so that halving the step moves hourly means by well under 0.05 K.
AIR_LIMIT_K = 2.0
SMALLEST_S = 2.0

FILM_MAX_KG_M2 = 0.10  # what hangs on a lid before it drips; chosen


def new_work() -> Work:
    """Scratch arrays for one thread: coefficients, matrix, right side, two forcings, two stages."""
    return (
        np.zeros(N_COEFFICIENTS),
        np.zeros((UNKNOWNS, UNKNOWNS)),
        np.zeros(UNKNOWNS),
        np.zeros(at.N_DRIVERS),
        np.zeros(at.N_DRIVERS),
        np.zeros(at.N_STATE),
        np.zeros(at.N_STATE),
    )


@kernel_jit
def forcing(rows: Array, place: float, f: Array) -> None:
    """Driver values between two rows, into f."""
    place = min(max(place, 0.0), rows.shape[0] - 1.000001)
    k = int(place)
    share = place - k
    for j in range(at.N_DRIVERS):
        f[j] = rows[k, j] + share * (rows[k + 1, j] - rows[k, j])
    f[at.D_BASE] = rows[k, at.D_BASE]


# ---- tangents ------------------------------------------------------------------------------------


@kernel_jit
def _air_exchange(p: Array, y: Array, f: Array, wind_area: float, stack: float, c: Array) -> None:
    """Leakage and flow through the lid; heat and vapour ride on the same mass of air."""
    outside, inside = f[at.D_OUT], y[at.Y_AIR]
    outside_k, inside_k = outside + ZERO_K, inside + ZERO_K
    pressure, humid = f[at.D_PRESSURE], f[at.D_HUMID]
    rho_out = pressure / (GAS_DRY_AIR * outside_k * (1.0 + humid / MASS_RATIO))  # dry air in a m3
    rho_in = pressure / (GAS_DRY_AIR * inside_k * (1.0 + y[at.Y_HUMID] / MASS_RATIO))
    cp = CP_DRY_AIR + CP_VAPOUR * humid
    difference = outside - inside
    flow = slope = 0.0
    if wind_area > 0.0 or stack > 0.0:
        wind = wind_area * f[at.D_WIND] * p[at.P_WIND_RATIO]
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
def _inside(p: Array, y: Array, c: Array) -> None:
    """Convection to the air (Walton) and long-wave emission of each inner surface."""
    air = y[at.Y_AIR]
    for i in range(at.N_SURFACE):
        t = y[STATE_OF_SURFACE[i]]
        difference = t - air
        h = p[at.P_AREA + i] * natural(p[at.P_WARM + i], p[at.P_COLD + i], difference)
        bend = h * difference * difference / (3.0 * (difference * difference + SMOOTH_K * SMOOTH_K))
        c[C_CONV_G + i] = h + bend
        c[C_CONV_0 + i] = -bend * difference
        kelvin = t + ZERO_K
        cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin
        c[C_RAD_G + i] = 4.0 * cube
        c[C_RAD_0 + i] = cube * (kelvin - 4.0 * t)


@kernel_jit
def _outside(p: Array, y: Array, f: Array, cover: float, c: Array) -> None:
    """Wind (DOE-2), sky and ground at the outer faces; bales, cover and snow lie in series with the film."""
    outside = f[at.D_OUT]
    windward, leeward = f[at.D_WINDWARD], f[at.D_LEEWARD]
    snow = p[at.P_SNOW_SHARE] * f[at.D_SNOW]
    for i in range(5):
        t = y[at.Y_LID_OUT] if i == 4 else y[at.Y_WALL + LAST_WALL + i]
        emissivity = p[at.P_OUT_EMISSIVITY + i]
        layer = p[at.P_OUT_R + i]
        if i == 4:
            emissivity += cover * (p[at.P_COVER_EMISSIVITY] - emissivity)
            layer = snow / SNOW_K
        if layer > 0.0 or (i == 4 and cover > 0.5):
            t = outside  # the face that meets the air is the cover's; it is near outdoor temperature
        forced = p[at.P_OUT_WINDWARD + i] * windward + p[at.P_OUT_LEEWARD + i] * leeward
        still = natural(p[at.P_OUT_WARM + i], p[at.P_OUT_COLD + i], t - outside)
        h = outside_doe2(still, forced, p[at.P_OUT_ROUGH + i])
        kelvin = t + ZERO_K
        cube = STEFAN_BOLTZMANN * kelvin * kelvin * kelvin
        total = h + emissivity * 4.0 * cube
        share = 1.0 / (1.0 + total * layer)
        if i == 4 and cover > 0.0:
            share = (1.0 - cover) * share + cover / (1.0 + total * (layer + p[at.P_COVER_R]))
        weight = share * p[at.P_OUT_AREA + i]
        c[C_OUT_H + i] = weight * total
        c[C_OUT_HC + i] = weight * h
        c[C_OUT_E + i] = weight * emissivity
        c[C_OUT_0 + i] = weight * emissivity * cube * (kelvin - 4.0 * t)
        if i == 4:
            _lid_light(p, snow, cover, share, c)
    if p[at.P_BACK_HELD] > 0.0:
        # The house wall behind: a still film of 0.13 m2 K/W (ISO 6946) to a held temperature.
        h = p[at.P_OUT_AREA] / 0.13
        c[C_OUT_H], c[C_OUT_HC], c[C_OUT_E], c[C_OUT_0] = h, 0.0, 0.0, -h * p[at.P_BACK_DEGC]


@kernel_jit
def _lid_light(p: Array, snow: float, cover: float, share: float, c: Array) -> None:
    """How much light cover and snow leave, and how much of what they stop warms the lid below."""
    left = 1.0 - cover
    if snow > 0.0:
        hidden = min(1.0, snow / SNOW_COVERED_M)
        left *= 1.0 - hidden * (1.0 - (1.0 - SNOW_REFLECTANCE) * math.exp(-SNOW_EXTINCTION * snow))
    c[C_LIGHT] = left
    absorbing = cover * p[at.P_COVER_ABSORB] + (1.0 - cover - left) * (1.0 - SNOW_REFLECTANCE) * (1.0 - cover)
    c[C_ON_COVER] = absorbing * share


@kernel_jit
def _gap(p: Array, y: Array, c: Array) -> None:
    """Heat between the lid's two faces: still air and long wave in the gap, and the sheets."""
    resistance = p[at.P_SHEET_R]
    if p[at.P_GAP_NU_D] > 0.0:
        kelvin = 0.5 * (y[at.Y_LID_IN] + y[at.Y_LID_OUT]) + ZERO_K
        air = (2.873e-3 + 7.76e-5 * kelvin) * p[at.P_GAP_NU_D]
        resistance += 1.0 / (air + 4.0 * STEFAN_BOLTZMANN * kelvin**3 * p[at.P_GAP_F])
    c[C_GAP] = p[at.P_OUT_AREA + 4] / resistance


@kernel_jit
def _moisture(p: Array, y: Array, f: Array, c: Array) -> None:
    """Vapour from soil and leaves, onto and off the lid; same film as for heat (Lewis number one)."""
    pressure = f[at.D_PRESSURE]
    for k in range(3):
        i = WET_SURFACES[k]
        t = y[STATE_OF_SURFACE[i]]
        vapour = magnus_pressure(t)
        slope = magnus_slope(t, vapour)
        saturated = MASS_RATIO * vapour / (pressure - vapour)
        c[C_WET_G + k] = saturated * pressure / (pressure - vapour) * slope / vapour
        c[C_WET_0 + k] = saturated - c[C_WET_G + k] * t
        film = c[C_CONV_G + i] / (CP_DRY_AIR * 4.0 / 3.0)  # [kg/s]; the tangent is 4/3 of h
        if i == 0:
            c[C_WET + k] = film * p[at.P_WET_SOIL]
        elif i == 6:
            c[C_WET + k] = 0.0
            if p[at.P_LEAF_ON] > 0.0:
                stomata = p[at.P_LEAF_DAY_R] if f[at.D_GHI] > 20.0 else p[at.P_LEAF_NIGHT_R]
                dry = pressure / (GAS_DRY_AIR * (t + ZERO_K))
                c[C_WET + k] = 1.0 / (1.0 / film + stomata / (dry * p[at.P_AREA + i]))
        else:
            wet = y[at.Y_FILM] > 0.0 or y[at.Y_HUMID] > saturated
            c[C_WET + k] = film if wet else 0.0


@kernel_jit
def tangents(
    p: Array, y: Array, f: Array, wind_area: float, stack: float, cover: float, c: Array
) -> None:
    """All coefficients of one step, from the state at its start."""
    _air_exchange(p, y, f, wind_area, stack, c)
    _inside(p, y, c)
    _outside(p, y, f, cover, c)
    _gap(p, y, c)
    if p[at.P_MOIST] > 0.0:
        _moisture(p, y, f, c)


# ---- the straight system --------------------------------------------------------------------------


@kernel_jit
def _factor_soil(p: Array, h: float, c: Array) -> None:
    """Eliminate the soil column from the base upwards; kept as long as the step stays the same."""
    if c[C_SOIL_STEP] == h:
        return
    c[C_SOIL_STEP] = h
    for k in range(NS):
        c[C_SOIL_CH + k] = p[at.P_SOIL_C + k] / h
    for k in range(NW * WALLS):
        c[C_WALL_CH + k] = p[at.P_WALL_C + k] / h
    below = c[C_SOIL_CH + NS - 1] + p[at.P_SOIL_K + NS - 1] + p[at.P_SOIL_K + NS - 2]
    c[C_SOIL_INV + NS - 1] = 1.0 / below
    for k in range(NS - 2, 0, -1):
        down = p[at.P_SOIL_K + k]
        diagonal = c[C_SOIL_CH + k] + down + p[at.P_SOIL_K + k - 1] - down * down * c[C_SOIL_INV + k + 1]
        c[C_SOIL_INV + k] = 1.0 / diagonal
    down = p[at.P_SOIL_K]
    c[C_SOIL_DIAG] = c[C_SOIL_CH] + down - down * down * c[C_SOIL_INV + 1]


@kernel_jit
def _factor_chains(p: Array, h: float, c: Array) -> None:
    """Eliminate the soil upwards and the walls from the outside inwards; WALL_INV of the inner face holds its diagonal."""
    _factor_soil(p, h, c)
    for w in range(WALLS):
        k = LAST_WALL + w
        c[C_WALL_INV + k] = 1.0 / (c[C_WALL_CH + k] + p[at.P_WALL_K + k - WALLS] + c[C_OUT_H + w])
    for node in range(NW - 2, 0, -1):
        for w in range(WALLS):
            k = node * WALLS + w
            out = p[at.P_WALL_K + k]
            diagonal = c[C_WALL_CH + k] + out + p[at.P_WALL_K + k - WALLS] - out * out * c[C_WALL_INV + k + WALLS]
            c[C_WALL_INV + k] = 1.0 / diagonal
    for w in range(WALLS):
        out = p[at.P_WALL_K + w]
        c[C_WALL_INV + w] = c[C_WALL_CH + w] + out - out * out * c[C_WALL_INV + w + WALLS]


@kernel_jit
def _fill_matrix(p: Array, h: float, c: Array, m: Array) -> None:
    """The 9 x 9 matrix of vapour, leaf, air, walls, lid and soil surface."""
    m[:, :] = 0.0
    air = c[C_AIR_C] / h + c[C_EX_G] + p[at.P_RIM]
    for i in range(at.N_SURFACE):
        u = OF_SURFACE[i]
        g = c[C_CONV_G + i]
        air += g
        m[U_AIR, u] = -g
        m[u, U_AIR] = -g
        seen = 0.0
        for j in range(at.N_SURFACE):
            exchange = p[at.P_EXCHANGE + i * at.N_SURFACE + j]
            seen += exchange
            if j != i:
                m[u, OF_SURFACE[j]] = -exchange * c[C_RAD_G + j]
        m[u, u] = g + seen * c[C_RAD_G + i]
    m[U_AIR, U_AIR] = air
    for w in range(WALLS):
        m[U_WALL + w, U_WALL + w] += c[C_WALL_INV + w]
    m[U_SOIL, U_SOIL] += c[C_SOIL_DIAG]
    m[U_LID, U_LID] += c[C_GAP] * c[C_OUT_H + 4] / (c[C_GAP] + c[C_OUT_H + 4])
    m[U_LEAF, U_LEAF] += p[at.P_LEAF_C] / h
    if p[at.P_LEAF_ON] <= 0.0:
        m[U_LEAF, U_LEAF] = 1.0
    m[U_HUMID, U_HUMID] = 1.0
    if p[at.P_MOIST] > 0.0:
        vapour = c[C_AIR_M] / h + c[C_EX_M]
        for k in range(3):
            u = OF_SURFACE[WET_SURFACES[k]]
            wet, slope = c[C_WET + k], c[C_WET_G + k]
            vapour += wet
            m[U_HUMID, u] = -wet * slope
            m[u, u] += LATENT_HEAT * wet * slope
            m[u, U_HUMID] = -LATENT_HEAT * wet
        m[U_HUMID, U_HUMID] = vapour


@kernel_jit
def _factor_matrix(m: Array, first: int) -> None:
    """LU in place without exchanging rows: the matrix leads on its diagonal. Diagonal is left inverted."""
    for k in range(first, UNKNOWNS):
        inverse = 1.0 / m[k, k]
        m[k, k] = inverse
        for i in range(k + 1, UNKNOWNS):
            if m[i, k] != 0.0:
                factor = m[i, k] * inverse
                m[i, k] = factor
                for j in range(k + 1, UNKNOWNS):
                    m[i, j] -= factor * m[k, j]


@kernel_jit
def _solve_matrix(m: Array, b: Array, first: int) -> None:
    for k in range(first, UNKNOWNS):
        total = b[k]
        for j in range(first, k):
            total -= m[k, j] * b[j]
        b[k] = total
    for k in range(UNKNOWNS - 1, first - 1, -1):
        total = b[k]
        for j in range(k + 1, UNKNOWNS):
            total -= m[k, j] * b[j]
        b[k] = total * m[k, k]


@kernel_jit
def _from_outdoors(p: Array, f: Array, i: int, c: Array) -> float:
    """Constant part of what outdoors gives an outer face [W]; its own emission and loss stand in OUT_H."""
    air_k = f[at.D_OUT] + ZERO_K
    emission = STEFAN_BOLTZMANN * air_k * air_k * air_k * air_k
    sky = p[at.P_OUT_SKY + i]
    surroundings = sky * f[at.D_SKY] + (1.0 - sky) * emission
    return float(c[C_OUT_HC + i] * f[at.D_OUT] + c[C_OUT_E + i] * surroundings - c[C_OUT_0 + i])


@kernel_jit
def _stage(p: Array, h: float, f: Array, base: Array, c: Array, m: Array, b: Array, y: Array, first: int) -> None:
    """Solve C (y - base)/h = balance(y) for y, with the tangents in c and the factored matrix in m."""
    light = c[C_LIGHT]
    # Right sides of the chains, kept in y while they are built.
    r = c[C_SOIL_CH + NS - 1] * base[at.Y_SOIL + NS - 1] + p[at.P_SOIL_K + NS - 1] * f[at.D_BASE]
    y[at.Y_SOIL + NS - 1] = r
    for k in range(NS - 2, -1, -1):
        r = c[C_SOIL_CH + k] * base[at.Y_SOIL + k] + p[at.P_SOIL_K + k] * c[C_SOIL_INV + k + 1] * r
        y[at.Y_SOIL + k] = r
    for w in range(WALLS):
        k = LAST_WALL + w
        y[at.Y_WALL + k] = (
            c[C_WALL_CH + k] * base[at.Y_WALL + k] + _from_outdoors(p, f, w, c) + f[at.D_WALL_OUT + w] * _bare(c, p, w)
        )
    for node in range(NW - 2, -1, -1):
        for w in range(WALLS):
            k = node * WALLS + w
            y[at.Y_WALL + k] = (
                c[C_WALL_CH + k] * base[at.Y_WALL + k]
                + p[at.P_WALL_K + k] * c[C_WALL_INV + k + WALLS] * y[at.Y_WALL + k + WALLS]
            )
    # Surfaces: light, the constant parts of convection, long wave and evaporation.
    air = c[C_AIR_C] / h * base[at.Y_AIR] + c[C_EX_0] + (c[C_EX_G] + p[at.P_RIM]) * f[at.D_OUT]
    for i in range(at.N_SURFACE):
        rhs = -c[C_CONV_0 + i]
        air += c[C_CONV_0 + i]
        for j in range(at.N_SURFACE):
            rhs += p[at.P_EXCHANGE + i * at.N_SURFACE + j] * (c[C_RAD_0 + j] - c[C_RAD_0 + i])
        b[OF_SURFACE[i]] = rhs
    b[U_AIR] = air
    b[U_SOIL] += y[at.Y_SOIL] + light * f[at.D_SOIL]
    for w in range(WALLS):
        b[U_WALL + w] += y[at.Y_WALL + w] + light * f[at.D_WALL_IN + w]
    on_outer = light * f[at.D_LID_OUTER] + c[C_ON_COVER] * f[at.D_LID_LIGHT] + _from_outdoors(p, f, 4, c)
    both = 1.0 / (c[C_GAP] + c[C_OUT_H + 4])
    b[U_LID] += light * f[at.D_LID_INNER] + c[C_GAP] * both * on_outer
    b[U_LEAF] += light * f[at.D_LEAF] + p[at.P_LEAF_C] / h * base[at.Y_LEAF]
    if p[at.P_MOIST] > 0.0:
        vapour = c[C_AIR_M] / h * base[at.Y_HUMID] + c[C_EX_M] * f[at.D_HUMID]
        for k in range(3):
            given = c[C_WET + k] * c[C_WET_0 + k]
            vapour += given
            b[OF_SURFACE[WET_SURFACES[k]]] -= LATENT_HEAT * given
        b[U_HUMID] = vapour
    if p[at.P_LEAF_ON] <= 0.0:
        b[U_LEAF] = 0.0
    _solve_matrix(m, b, first)
    # Back into the chains.
    y[at.Y_AIR] = b[U_AIR]
    y[at.Y_LID_IN] = b[U_LID]
    y[at.Y_LID_OUT] = both * (on_outer + c[C_GAP] * b[U_LID])
    y[at.Y_LEAF] = b[U_LEAF] if p[at.P_LEAF_ON] > 0.0 else b[U_AIR]
    y[at.Y_HUMID] = max(1e-6, b[U_HUMID]) if p[at.P_MOIST] > 0.0 else f[at.D_HUMID]
    y[at.Y_SOIL] = b[U_SOIL]
    for k in range(1, NS):
        y[at.Y_SOIL + k] = c[C_SOIL_INV + k] * (y[at.Y_SOIL + k] + p[at.P_SOIL_K + k - 1] * y[at.Y_SOIL + k - 1])
    for w in range(WALLS):
        y[at.Y_WALL + w] = b[U_WALL + w]
    for k in range(WALLS, NW * WALLS):
        y[at.Y_WALL + k] = c[C_WALL_INV + k] * (
            y[at.Y_WALL + k] + p[at.P_WALL_K + k - WALLS] * y[at.Y_WALL + k - WALLS]
        )


@kernel_jit
def _bare(c: Array, p: Array, w: int) -> float:
    """Share of the light on a wall's outside that reaches the wall through bales: the film's share of the resistance."""
    if p[at.P_OUT_R + w] <= 0.0:
        return 1.0
    # OUT_H = A total/(1 + total R), so 1 - OUT_H R / A = 1/(1 + total R).
    return float(1.0 - c[C_OUT_H + w] * p[at.P_OUT_R + w] / p[at.P_OUT_AREA + w])


# ---- one step and its account ------------------------------------------------------------------------


@kernel_jit
def _add_flows(p: Array, f: Array, y: Array, c: Array, weight: float, sums: Array) -> float:
    """Add one stage's flows times its share of the step [s]; give the water that settled on the lid [kg]."""
    settled = 0.0
    light = c[C_LIGHT]
    solar = light * (f[at.D_SOIL] + f[at.D_LID_OUTER] + f[at.D_LID_INNER] + f[at.D_LEAF])
    solar += c[C_ON_COVER] * f[at.D_LID_LIGHT]
    walls = 0.0
    for w in range(WALLS):
        solar += light * f[at.D_WALL_IN + w] + f[at.D_WALL_OUT + w] * _bare(c, p, w)
        walls += _from_outdoors(p, f, w, c) - c[C_OUT_H + w] * y[at.Y_WALL + LAST_WALL + w]
    out_in = f[at.D_OUT] - y[at.Y_AIR]
    sums[at.S_SOLAR] += weight * solar
    sums[at.S_WALLS] += weight * walls
    sums[at.S_LID] += weight * (_from_outdoors(p, f, 4, c) - c[C_OUT_H + 4] * y[at.Y_LID_OUT])
    sums[at.S_AIR] += weight * (c[C_EX_0] + (c[C_EX_G] + p[at.P_RIM]) * out_in)
    sums[at.S_GROUND] += weight * p[at.P_SOIL_K + NS - 1] * (f[at.D_BASE] - y[at.Y_SOIL + NS - 1])
    if p[at.P_MOIST] > 0.0:
        for k in range(3):
            t = y[STATE_OF_SURFACE[WET_SURFACES[k]]]
            mass = c[C_WET + k] * (c[C_WET_0 + k] + c[C_WET_G + k] * t - y[at.Y_HUMID])
            sums[at.S_LATENT] -= weight * LATENT_HEAT * mass
            if k == 2:
                settled = -weight * mass
    sums[at.S_T_AIR] += weight * y[at.Y_AIR]
    sums[at.S_T_SOIL] += weight * y[at.Y_SOIL]
    sums[at.S_T_SOIL10] += weight * soil_at(p, y, 0.096)
    sums[at.S_T_LID] += weight * y[at.Y_LID_IN]
    sums[at.S_T_LEAF] += weight * y[at.Y_LEAF]
    sums[at.S_HUMID] += weight * y[at.Y_HUMID]
    sums[at.S_THROUGH] += weight * light * f[at.D_LID_THROUGH]
    sums[at.S_VENT] += weight * c[C_VENT]
    return settled


@kernel_jit
def soil_at(p: Array, y: Array, depth: float) -> float:
    """Soil temperature [degC] at a depth [m], linear between nodes."""
    k = 1
    while k < NS - 1 and p[at.P_SOIL_Z + k] < depth:
        k += 1
    above, below = p[at.P_SOIL_Z + k - 1], p[at.P_SOIL_Z + k]
    share = (depth - above) / (below - above)
    return float((1.0 - share) * y[at.Y_SOIL + k - 1] + share * y[at.Y_SOIL + k])


@kernel_jit
def step(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    wind_area: float,
    stack: float,
    cover: float,
    limit: float,
    work: Work,
    sums: Array,
) -> bool:
    """Carry y over dt [s] from `place` (in driver rows). False, and y untouched, when the air moved more than limit [K].

    wind_area [m2] and stack [m3/s] describe the opening (ventilation.opening_coefficients).
    """
    c, m, b, f1, f2, y1, y2 = work
    h = GAMMA * dt
    forcing(rows, place + h / at.ROW_S, f1)
    tangents(p, y, f1, wind_area, stack, cover, c)
    _factor_chains(p, h, c)
    _fill_matrix(p, h, c, m)
    first = U_HUMID if p[at.P_MOIST] > 0.0 else (U_LEAF if p[at.P_LEAF_ON] > 0.0 else U_AIR)
    _factor_matrix(m, first)
    _stage(p, h, f1, y, c, m, b, y1, first)
    forward = (1.0 - GAMMA) / GAMMA
    for k in range(at.N_STATE):
        y2[k] = y[k] + forward * (y1[k] - y[k])
    forcing(rows, place + dt / at.ROW_S, f2)
    _stage(p, h, f2, y2, c, m, b, y2, first)
    if abs(y2[at.Y_AIR] - y[at.Y_AIR]) > limit:
        return False
    film = y[at.Y_FILM]
    film += _add_flows(p, f1, y1, c, (1.0 - GAMMA) * dt, sums)
    film += _add_flows(p, f2, y2, c, GAMMA * dt, sums)
    sums[at.S_STORED] += _stored(p, y, y2, c)
    sums[at.S_TIME] += dt
    sums[at.S_COVER] += dt * cover
    for k in range(at.N_STATE):
        y[k] = y2[k]
    # Water that hangs on the lid; more than the sheet can hold drips back to the bed.
    y[at.Y_FILM] = min(max(film, 0.0), FILM_MAX_KG_M2 * p[at.P_AREA + at.LID])
    return True


@kernel_jit
def _stored(p: Array, before: Array, after: Array, c: Array) -> float:
    """Heat taken up by air, leaves, soil and walls over the step [J]."""
    heat = c[C_AIR_C] * (after[at.Y_AIR] - before[at.Y_AIR])
    heat += p[at.P_LEAF_C] * (after[at.Y_LEAF] - before[at.Y_LEAF])
    for k in range(NS):
        heat += p[at.P_SOIL_C + k] * (after[at.Y_SOIL + k] - before[at.Y_SOIL + k])
    for k in range(NW * WALLS):
        heat += p[at.P_WALL_C + k] * (after[at.Y_WALL + k] - before[at.Y_WALL + k])
    return float(heat)


@kernel_jit
def advance(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    dt: float,
    wind_area: float,
    stack: float,
    cover: float,
    work: Work,
    sums: Array,
) -> None:
    """Carry y over dt [s], in smaller steps where the air moves fast (a lid move, the sun coming out)."""
    done = 0.0
    piece = dt
    while done < dt - 1e-9:
        piece = min(piece, dt - done)
        limit = AIR_LIMIT_K if piece > SMALLEST_S else 1e9
        if step(p, y, rows, place + done / at.ROW_S, piece, wind_area, stack, cover, limit, work, sums):
            done += piece
            piece *= 2.0
        else:
            piece *= 0.25


@kernel_jit
def settle_start(p: Array, y: Array, row: Array) -> None:
    """A first state: air and walls at outdoor temperature, soil from there to its base."""
    outside, base = row[at.D_OUT], row[at.D_BASE]
    y[:] = outside
    y[at.Y_HUMID] = row[at.D_HUMID]
    y[at.Y_FILM] = 0.0
    depth = p[at.P_SOIL_Z + NS - 1]
    for k in range(NS):
        y[at.Y_SOIL + k] = outside + (base - outside) * math.sqrt(p[at.P_SOIL_Z + k] / depth)
