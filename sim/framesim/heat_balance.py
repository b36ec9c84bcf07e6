"""The heat balance of a cold frame, solved step by step. Temperatures [degC], flows [W], capacities [J/K].

What is balanced, node by node:

    air        C dT/dt = convection from soil, walls, lid, leaves + air exchange + rim
    soil       C dT/dt = light - convection - evaporation + long wave + conduction (a column on a held base)
    walls      C dT/dt = light - convection + long wave + conduction (six nodes each) + outdoors
    leaves     C dT/dt = light - convection - transpiration + long wave
    lid        0       = light in the sheets - convection + long wave + gap + outdoors (no heat capacity)
    vapour     M dW/dt = evaporation - condensation + air exchange

Every curved law is replaced by its tangent (tangents.py), and the straight system is solved twice a
step with one factored matrix: the two-stage, stiffly accurate, L-stable scheme of second
order with gamma = 1 - 1/sqrt(2) (Alexander 1977, SIAM J. Numer. Anal. 14:1006-1021). Walls,
soil and vapour are eliminated by hand; what is left is an 8 x 8 system of surfaces and air.
Tangents and factors serve until the lid moves, a temperature drifts by DRIFT_K, or the driver row
(five minutes) ends. All flows are summed as they are used, so the balance closes to rounding.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim import tangents as tan
from framesim.jit import kernel_jit
from framesim.moist_air import LATENT_HEAT

Array = NDArray[np.float64]
Work = tuple[Array, Array, Array, Array, Array, Array, Array]

GAMMA = 1.0 - math.sqrt(0.5)
FORWARD = (1.0 - GAMMA) / GAMMA

# A step in which the air moves more than this is taken again in quarters, down to the smallest. Chosen
# so that halving the step moves hourly means by well under 0.05 K.
AIR_LIMIT_K = 2.0
SMALLEST_S = 2.0

# Tangents serve until a temperature has drifted this far from where they touch. Chosen: the error of a
# tangent grows with the square of the drift and is below 0.1 W/m2 here.
DRIFT_K = 0.5

FILM_MAX_KG_M2 = 0.10  # what hangs on a lid before it drips; chosen

NS, NW, WALLS = at.N_SOIL, at.N_WALL, at.WALLS
N = at.N_SURFACE
SOIL, LID, AIR, LEAF = at.SOIL, at.LID, at.AIR, at.LEAF


def new_work() -> Work:
    """Scratch arrays for one thread: tangents, matrix, right side, two forcings, two stages."""
    return (
        np.zeros(tan.N_TANGENTS),
        np.zeros((N, N)),
        np.zeros(N),
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


# ---- the straight system: left side ---------------------------------------------------------------


@kernel_jit
def _factor_soil(p: Array, h: float, c: Array) -> None:
    """Eliminate the soil column from the base upwards; kept as long as the step stays the same."""
    if c[tan.C_STEP] == h:
        return
    c[tan.C_STEP] = h
    c[tan.C_H_INV] = 1.0 / h
    for k in range(NS):
        c[tan.C_SOIL_CH + k] = p[at.P_SOIL_C + k] / h
    for k in range(NW * WALLS):
        c[tan.C_WALL_CH + k] = p[at.P_WALL_C + k] / h
    c[tan.C_SOIL_INV + NS - 1] = 1.0 / (
        c[tan.C_SOIL_CH + NS - 1] + p[at.P_SOIL_K + NS - 1] + p[at.P_SOIL_K + NS - 2]
    )
    for k in range(NS - 2, 0, -1):
        down = p[at.P_SOIL_K + k]
        diagonal = c[tan.C_SOIL_CH + k] + down + p[at.P_SOIL_K + k - 1] - down * down * c[tan.C_SOIL_INV + k + 1]
        c[tan.C_SOIL_INV + k] = 1.0 / diagonal
    for k in range(NS - 1):
        c[tan.C_SOIL_UP + k] = p[at.P_SOIL_K + k] * c[tan.C_SOIL_INV + k + 1]
    down = p[at.P_SOIL_K]
    c[tan.C_SOIL_DIAG] = c[tan.C_SOIL_CH] + down - down * down * c[tan.C_SOIL_INV + 1]


@kernel_jit
def _factor_walls(p: Array, c: Array) -> None:
    """Eliminate the walls from the outside inwards; the innermost entry holds the inner face's diagonal."""
    last = (NW - 1) * WALLS
    for w in range(WALLS):
        k = last + w
        c[tan.C_WALL_INV + k] = 1.0 / (c[tan.C_WALL_CH + k] + p[at.P_WALL_K + k - WALLS] + c[tan.C_OUT_H + w])
    for node in range(NW - 2, 0, -1):
        for w in range(WALLS):
            k = node * WALLS + w
            out = p[at.P_WALL_K + k]
            diagonal = c[tan.C_WALL_CH + k] + out + p[at.P_WALL_K + k - WALLS]
            c[tan.C_WALL_INV + k] = 1.0 / (diagonal - out * out * c[tan.C_WALL_INV + k + WALLS])
    for k in range((NW - 1) * WALLS):
        c[tan.C_WALL_UP + k] = p[at.P_WALL_K + k] * c[tan.C_WALL_INV + k + WALLS]
    for w in range(WALLS):
        out = p[at.P_WALL_K + w]
        c[tan.C_WALL_INV + w] = c[tan.C_WALL_CH + w] + out - out * out * c[tan.C_WALL_INV + w + WALLS]


@kernel_jit
def _fill_matrix(p: Array, h: float, c: Array, m: Array) -> None:
    """The matrix of surfaces and air: long wave couples surface with surface, convection surface with air."""
    air = c[tan.C_AIR_C] / h + c[tan.C_EX_G] + p[at.P_RIM]
    for i in range(N):
        for j in range(N):
            m[i, j] = -p[at.P_EXCHANGE + i * N + j] * c[tan.C_RAD_G + j]
    for i in range(N):
        g = c[tan.C_CONV_G + i]
        air += g
        m[AIR, i] = -g
        m[i, AIR] = -g
        m[i, i] = g + p[at.P_SEEN + i] * c[tan.C_RAD_G + i]
    m[AIR, AIR] = air
    for w in range(WALLS):
        m[1 + w, 1 + w] += c[tan.C_WALL_INV + w]
    m[SOIL, SOIL] += c[tan.C_SOIL_DIAG]
    m[LID, LID] += c[tan.C_GAP] * c[tan.C_OUT_H + 4] * c[tan.C_BOTH]
    # Without leaves their row says nothing: it must still have a diagonal.
    m[LEAF, LEAF] += p[at.P_LEAF_C] / h + (1.0 - p[at.P_LEAF_ON])
    if p[at.P_MOIST] > 0.0:
        _vapour_into_matrix(h, c, m)


@kernel_jit
def _vapour_into_matrix(h: float, c: Array, m: Array) -> None:
    """Eliminate the vapour: wet surfaces then feel each other through the humidity of the air."""
    vapour = c[tan.C_AIR_M] / h + c[tan.C_EX_M]
    for k in range(3):
        vapour += c[tan.C_WET + k]
    c[tan.C_VAPOUR_INV] = 1.0 / vapour
    for k in range(3):
        i = tan.WET_SURFACES[k]
        m[i, i] += LATENT_HEAT * c[tan.C_WET + k] * c[tan.C_WET_G + k]
        heat = LATENT_HEAT * c[tan.C_WET + k] * c[tan.C_VAPOUR_INV]
        for q in range(3):
            m[i, tan.WET_SURFACES[q]] -= heat * c[tan.C_WET + q] * c[tan.C_WET_G + q]


@kernel_jit
def _factor_matrix(m: Array) -> None:
    """LU in place, rows not exchanged: the matrix leads on its diagonal, which is left inverted."""
    for k in range(N):
        inverse = 1.0 / m[k, k]
        m[k, k] = inverse
        for i in range(k + 1, N):
            factor = m[i, k] * inverse
            m[i, k] = factor
            for j in range(k + 1, N):
                m[i, j] -= factor * m[k, j]


@kernel_jit
def _solve_matrix(m: Array, b: Array) -> None:
    """Forward and back through the factored matrix, written out: each line waits only for the one before."""
    b0 = b[0]
    b1 = b[1] - m[1, 0] * b0
    b2 = b[2] - m[2, 0] * b0 - m[2, 1] * b1
    b3 = b[3] - m[3, 0] * b0 - m[3, 1] * b1 - m[3, 2] * b2
    b4 = b[4] - m[4, 0] * b0 - m[4, 1] * b1 - m[4, 2] * b2 - m[4, 3] * b3
    b5 = b[5] - m[5, 0] * b0 - m[5, 1] * b1 - m[5, 2] * b2 - m[5, 3] * b3 - m[5, 4] * b4
    b6 = b[6] - m[6, 0] * b0 - m[6, 1] * b1 - m[6, 2] * b2 - m[6, 3] * b3 - m[6, 4] * b4 - m[6, 5] * b5
    b7 = b[7] - m[7, 0] * b0 - m[7, 1] * b1 - m[7, 2] * b2 - m[7, 3] * b3 - m[7, 4] * b4 - m[7, 5] * b5 - m[7, 6] * b6
    b7 *= m[7, 7]
    b6 = (b6 - m[6, 7] * b7) * m[6, 6]
    b5 = (b5 - m[5, 7] * b7 - m[5, 6] * b6) * m[5, 5]
    b4 = (b4 - m[4, 7] * b7 - m[4, 6] * b6 - m[4, 5] * b5) * m[4, 4]
    b3 = (b3 - m[3, 7] * b7 - m[3, 6] * b6 - m[3, 5] * b5 - m[3, 4] * b4) * m[3, 3]
    b2 = (b2 - m[2, 7] * b7 - m[2, 6] * b6 - m[2, 5] * b5 - m[2, 4] * b4 - m[2, 3] * b3) * m[2, 2]
    b1 = (b1 - m[1, 7] * b7 - m[1, 6] * b6 - m[1, 5] * b5 - m[1, 4] * b4 - m[1, 3] * b3 - m[1, 2] * b2) * m[1, 1]
    b0 -= m[0, 7] * b7 + m[0, 6] * b6 + m[0, 5] * b5 + m[0, 4] * b4 + m[0, 3] * b3 + m[0, 2] * b2 + m[0, 1] * b1
    b[0], b[1], b[2], b[3] = b0 * m[0, 0], b1, b2, b3
    b[4], b[5], b[6], b[7] = b4, b5, b6, b7


# ---- the straight system: right side and answer --------------------------------------------------------


@kernel_jit
def _stage(p: Array, f: Array, base: Array, c: Array, m: Array, b: Array, y: Array) -> None:
    """Solve C (y - base)/h = balance(y) for y (h as prepared), with the tangents in c and the factored matrix in m.

    base and y may be the same array. f is the forcing at the stage's time.
    """
    light = c[tan.C_LIGHT]
    tan.sources(p, f, c)
    _down_the_chains(p, f, base, c, y)
    for i in range(N):
        b[i] = c[tan.C_RHS + i]
    b[SOIL] += y[at.Y_SOIL] + light * f[at.D_SOIL]
    for w in range(WALLS):
        b[1 + w] += y[at.Y_SURFACE + 1 + w] + light * f[at.D_WALL_IN + w]
    on_outer = light * f[at.D_LID_OUTER] + c[tan.C_ON_COVER] * f[at.D_LID_LIGHT] + c[tan.C_SOURCE + 4]
    b[LID] += light * f[at.D_LID_INNER] + c[tan.C_GAP] * c[tan.C_BOTH] * on_outer
    b[AIR] += c[tan.C_AIR_C] * c[tan.C_H_INV] * base[at.Y_AIR] + (c[tan.C_EX_G] + p[at.P_RIM]) * f[at.D_OUT]
    b[LEAF] += light * f[at.D_LEAF] + p[at.P_LEAF_C] * c[tan.C_H_INV] * base[at.Y_LEAF]
    vapour = 0.0
    if p[at.P_MOIST] > 0.0:
        vapour = c[tan.C_AIR_M] * c[tan.C_H_INV] * base[at.Y_HUMID] + c[tan.C_EX_M] * f[at.D_HUMID]
        for k in range(3):
            vapour += c[tan.C_WET + k] * c[tan.C_WET_0 + k]
        humid = vapour * c[tan.C_VAPOUR_INV]
        for k in range(3):
            b[tan.WET_SURFACES[k]] -= LATENT_HEAT * c[tan.C_WET + k] * (c[tan.C_WET_0 + k] - humid)
    _solve_matrix(m, b)
    if p[at.P_LEAF_ON] <= 0.0:
        b[LEAF] = b[AIR]
    for i in range(N):
        y[at.Y_SURFACE + i] = b[i]
    y[at.Y_LID_OUT] = c[tan.C_BOTH] * (on_outer + c[tan.C_GAP] * b[LID])
    if p[at.P_MOIST] > 0.0:
        for k in range(3):
            vapour += c[tan.C_WET + k] * c[tan.C_WET_G + k] * b[tan.WET_SURFACES[k]]
        y[at.Y_HUMID] = vapour * c[tan.C_VAPOUR_INV]
    else:
        y[at.Y_HUMID] = f[at.D_HUMID]
    _up_the_chains(p, c, y)


@kernel_jit
def _down_the_chains(p: Array, f: Array, base: Array, c: Array, y: Array) -> None:
    """Right sides of soil (base to surface) and walls (outside to inner face), kept in y while they are built."""
    r = c[tan.C_SOIL_CH + NS - 1] * base[at.Y_DEEP + NS - 2] + p[at.P_SOIL_K + NS - 1] * f[at.D_BASE]
    y[at.Y_DEEP + NS - 2] = r
    for k in range(NS - 2, 0, -1):
        r = c[tan.C_SOIL_CH + k] * base[at.Y_DEEP + k - 1] + c[tan.C_SOIL_UP + k] * r
        y[at.Y_DEEP + k - 1] = r
    y[at.Y_SOIL] = c[tan.C_SOIL_CH] * base[at.Y_SOIL] + c[tan.C_SOIL_UP] * r
    last = (NW - 1) * WALLS
    for w in range(WALLS):
        r = c[tan.C_WALL_CH + last + w] * base[at.Y_OUT + w] + c[tan.C_SOURCE + w]
        r += f[at.D_WALL_OUT + w] * c[tan.C_OUT_LIGHT + w]
        y[at.Y_OUT + w] = r
        for node in range(NW - 2, 0, -1):
            k = node * WALLS + w
            inner = at.Y_IN_WALL + k - WALLS
            r = c[tan.C_WALL_CH + k] * base[inner] + c[tan.C_WALL_UP + k] * r
            y[inner] = r
        face = at.Y_SURFACE + 1 + w
        y[face] = c[tan.C_WALL_CH + w] * base[face] + c[tan.C_WALL_UP + w] * r


@kernel_jit
def _up_the_chains(p: Array, c: Array, y: Array) -> None:
    """From the surfaces, now known, back into soil and walls."""
    t = y[at.Y_SOIL]
    for k in range(1, NS):
        t = c[tan.C_SOIL_INV + k] * y[at.Y_DEEP + k - 1] + c[tan.C_SOIL_UP + k - 1] * t
        y[at.Y_DEEP + k - 1] = t
    last = (NW - 1) * WALLS
    for w in range(WALLS):
        t = y[at.Y_SURFACE + 1 + w]
        for node in range(1, NW - 1):
            k = node * WALLS + w
            inner = at.Y_IN_WALL + k - WALLS
            t = c[tan.C_WALL_INV + k] * y[inner] + c[tan.C_WALL_UP + k - WALLS] * t
            y[inner] = t
        t = c[tan.C_WALL_INV + last + w] * y[at.Y_OUT + w] + c[tan.C_WALL_UP + last + w - WALLS] * t
        y[at.Y_OUT + w] = t


# ---- one step and its account ------------------------------------------------------------------------


@kernel_jit
def _prepare(
    p: Array, y: Array, rows: Array, place: float, h: float, wind_area: float, stack: float, cover: float, work: Work
) -> None:
    """Draw the tangents and factor the straight system, for the rest of this driver row."""
    c, m, _b, f, _f2, _y1, _y2 = work
    forcing(rows, place + 0.5 * (math.floor(place) + 1.0 - place), f)
    tan.draw(p, y, f, wind_area, stack, cover, c)
    _factor_soil(p, h, c)
    _factor_walls(p, c)
    _fill_matrix(p, h, c, m)
    _factor_matrix(m)
    c[tan.C_ROW], c[tan.C_WIND_AREA], c[tan.C_STACK], c[tan.C_COVER] = math.floor(place), wind_area, stack, cover
    for i in range(N):
        c[tan.C_DRAWN_AT + i] = y[at.Y_SURFACE + i]
    c[tan.C_DRAWN_LID] = y[at.Y_LID_OUT]


@kernel_jit
def _still_good(y: Array, place: float, h: float, wind_area: float, stack: float, cover: float, c: Array) -> bool:
    """Whether the tangents may serve again: same step, row, opening and cover, and nothing has drifted far."""
    if c[tan.C_STEP] != h or c[tan.C_ROW] != math.floor(place):
        return False
    if c[tan.C_WIND_AREA] != wind_area or c[tan.C_STACK] != stack or c[tan.C_COVER] != cover:
        return False
    drift = abs(y[at.Y_LID_OUT] - c[tan.C_DRAWN_LID])
    for i in range(N):
        drift = max(drift, abs(y[at.Y_SURFACE + i] - c[tan.C_DRAWN_AT + i]))
    return drift < DRIFT_K


@kernel_jit
def forget(work: Work) -> None:
    """Drop tangents and factors: another frame, or another start, comes next."""
    c = work[0]
    c[tan.C_STEP] = -1.0
    c[tan.C_ROW] = -1e9


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
    """Carry y over dt [s] from `place` (in driver rows); False, and y as it was, if the air moved more than limit [K].

    wind_area [m2] and stack [m3/s] describe the opening (ventilation.opening_coefficients).
    """
    c, m, b, f1, f2, y1, y2 = work
    h = GAMMA * dt
    if not _still_good(y, place, h, wind_area, stack, cover, c):
        _prepare(p, y, rows, place, h, wind_area, stack, cover, work)
    forcing(rows, place + h / at.ROW_S, f1)
    _stage(p, f1, y, c, m, b, y1)
    for i in range(5):
        c[tan.C_SOURCE_1 + i] = c[tan.C_SOURCE + i]
    for k in range(at.N_STATE):
        y2[k] = y[k] + FORWARD * (y1[k] - y[k])
    forcing(rows, place + dt / at.ROW_S, f2)
    _stage(p, f2, y2, c, m, b, y2)
    if abs(y2[at.Y_AIR] - y[at.Y_AIR]) > limit:
        return False
    sums[at.S_STORED] += c[tan.C_AIR_C] * (y2[at.Y_AIR] - y[at.Y_AIR])
    # The flows are straight in state and forcing: taken once, at the scheme's own mean of both stages.
    film = y[at.Y_FILM]
    for k in range(at.N_STATE):
        y[k] = y2[k]
        y1[k] += GAMMA * (y2[k] - y1[k])
    for k in range(at.N_DRIVERS):
        f1[k] += GAMMA * (f2[k] - f1[k])
    for i in range(5):
        c[tan.C_SOURCE + i] = c[tan.C_SOURCE_1 + i] + GAMMA * (c[tan.C_SOURCE + i] - c[tan.C_SOURCE_1 + i])
    film += _add_flows(p, f1, y1, c, dt, sums)
    sums[at.S_COVER] += dt * cover
    # Water that hangs on the lid; more than the sheet can hold drips back to the bed.
    y[at.Y_FILM] = min(max(film, 0.0), FILM_MAX_KG_M2 * p[at.P_AREA + LID])
    return True


@kernel_jit
def _add_flows(p: Array, f: Array, y: Array, c: Array, dt: float, sums: Array) -> float:
    """Add the step's mean flows times its length [s]; give the water that settled on the lid [kg]."""
    light = c[tan.C_LIGHT]
    solar = light * (f[at.D_SOIL] + f[at.D_LID_OUTER] + f[at.D_LID_INNER] + f[at.D_LEAF])
    solar += c[tan.C_ON_COVER] * f[at.D_LID_LIGHT]
    walls = 0.0
    for w in range(WALLS):
        solar += light * f[at.D_WALL_IN + w] + f[at.D_WALL_OUT + w] * c[tan.C_OUT_LIGHT + w]
        walls += c[tan.C_SOURCE + w] - c[tan.C_OUT_H + w] * y[at.Y_OUT + w]
    sums[at.S_SOLAR] += dt * solar
    sums[at.S_WALLS] += dt * walls
    sums[at.S_LID] += dt * (c[tan.C_SOURCE + 4] - c[tan.C_OUT_H + 4] * y[at.Y_LID_OUT])
    sums[at.S_AIR] += dt * (c[tan.C_EX_0] + (c[tan.C_EX_G] + p[at.P_RIM]) * (f[at.D_OUT] - y[at.Y_AIR]))
    sums[at.S_GROUND] += dt * p[at.P_SOIL_K + NS - 1] * (f[at.D_BASE] - y[at.Y_DEEP + NS - 2])
    settled = 0.0
    if p[at.P_MOIST] > 0.0:
        for k in range(3):
            t = y[at.Y_SURFACE + tan.WET_SURFACES[k]]
            mass = c[tan.C_WET + k] * (c[tan.C_WET_0 + k] + c[tan.C_WET_G + k] * t - y[at.Y_HUMID])
            sums[at.S_LATENT] -= dt * LATENT_HEAT * mass
            settled = -dt * mass
    sums[at.S_TIME] += dt
    sums[at.S_T_AIR] += dt * y[at.Y_AIR]
    sums[at.S_T_SOIL] += dt * y[at.Y_SOIL]
    k = int(p[at.P_TABLE_NODE])
    share = p[at.P_TABLE_SHARE]
    sums[at.S_T_SOIL10] += dt * (y[at.Y_DEEP + k] + share * (y[at.Y_DEEP + k + 1] - y[at.Y_DEEP + k]))
    sums[at.S_T_LID] += dt * y[at.Y_LID_IN]
    sums[at.S_T_LEAF] += dt * y[at.Y_LEAF]
    sums[at.S_HUMID] += dt * y[at.Y_HUMID]
    sums[at.S_THROUGH] += dt * light * f[at.D_LID_THROUGH]
    sums[at.S_VENT] += dt * c[tan.C_VENT]
    return settled


@kernel_jit
def heat_content(p: Array, y: Array) -> float:
    """Heat held by leaves, soil and walls above 0 degC [J]; the air's part is summed step by step in S_STORED."""
    heat = p[at.P_LEAF_C] * y[at.Y_LEAF] + p[at.P_SOIL_C] * y[at.Y_SOIL]
    for k in range(NS - 1):
        heat += p[at.P_SOIL_C + 1 + k] * y[at.Y_DEEP + k]
    for w in range(WALLS):
        heat += p[at.P_WALL_C + w] * y[at.Y_SURFACE + 1 + w]
    # Inner nodes and outer faces of the walls stand one behind the other, as their capacities do.
    for k in range((NW - 1) * WALLS):
        heat += p[at.P_WALL_C + WALLS + k] * y[at.Y_IN_WALL + k]
    return float(heat)


@kernel_jit
def soil_at(p: Array, y: Array, depth: float) -> float:
    """Soil temperature [degC] at a depth [m], linear between nodes."""
    k = 1
    while k < NS - 1 and p[at.P_SOIL_Z + k] < depth:
        k += 1
    above, below = p[at.P_SOIL_Z + k - 1], p[at.P_SOIL_Z + k]
    upper = y[at.Y_SOIL] if k == 1 else y[at.Y_DEEP + k - 2]
    share = (depth - above) / (below - above)
    return float((1.0 - share) * upper + share * y[at.Y_DEEP + k - 1])


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
    for k in range(1, NS):
        y[at.Y_DEEP + k - 1] = outside + (base - outside) * math.sqrt(p[at.P_SOIL_Z + k] / depth)
