"""The heat balance of a cold frame, solved step by step. Temperatures [degC], flows [W], capacities [J/K].

What is balanced, node by node:

    air        C dT/dt = convection from soil, walls, lid, leaves + air exchange + rim
    soil       C dT/dt = light - convection - evaporation + long wave + conduction (a column on a held base)
    walls      C dT/dt = light - convection + long wave + conduction (five nodes each) + outdoors
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
Work = Array

GAMMA = 1.0 - math.sqrt(0.5)
FORWARD = (1.0 - GAMMA) / GAMMA

# A step in which the air moves more than this is taken again in quarters, down to the smallest. Chosen
# so that halving the step moves hourly means by well under 0.05 K.
AIR_LIMIT_K = 4.0
SMALLEST_S = 2.0
# After a lid move worth this much flow (m2 of wind area, at 1 m/s about 12 W/K) the first step is short at once.
MOVE_AREA_M2 = 0.01
STACK_AS_WIND = 0.2  # [s/m] weight of the stack coefficient beside the wind area: 0.2 m/s of pull
AFTER_MOVE_S = 4.0

# Tangents serve until a temperature has drifted this far from where they touch. Chosen: the error of a
# tangent grows with the square of the drift and stays near 0.1 W/m2 here.
DRIFT_K = 1.0

FILM_MAX_KG_M2 = 0.10  # what hangs on a lid before it drips; chosen

NS, NW, WALLS = at.N_SOIL, at.N_WALL, at.WALLS
N = at.N_SURFACE
SOIL, LID, AIR, LEAF = at.SOIL, at.LID, at.AIR, at.LEAF


# The scratch array: tangents first, then matrix, right side, two forcings, two stages.
_w = at._Counter()
_w.take(tan.N_TANGENTS)
W_M = _w.take(N * N)
W_B = _w.take(N)
W_F1 = _w.take(at.N_DRIVERS)
W_F2 = _w.take(at.N_DRIVERS)
W_Y1 = _w.take(at.N_STATE)
W_Y2 = _w.take(at.N_STATE)
N_WORK = _w.next


def new_work() -> Work:
    """Scratch array for one thread."""
    return np.zeros(N_WORK)


@kernel_jit
def forcing(rows: Array, place: float, f: Array) -> None:
    """Driver values between two rows, into f."""
    _force(rows, place, f, 0)


@kernel_jit
def _force(rows: Array, place: float, c: Array, f: int) -> None:
    """Driver values between two rows, to place f of c."""
    place = min(max(place, 0.0), rows.shape[0] - 1.000001)
    k = int(place)
    share = place - k
    for j in range(at.N_DRIVERS):
        c[f + j] = rows[k, j] + share * (rows[k + 1, j] - rows[k, j])
    c[f + at.D_BASE] = rows[k, at.D_BASE]


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
def _fill_matrix(p: Array, h: float, c: Array) -> None:
    """The matrix of surfaces and air: long wave couples surface with surface, convection surface with air."""
    air = c[tan.C_AIR_C] / h + c[tan.C_EX_G] + p[at.P_RIM]
    for i in range(N):
        for j in range(N):
            c[W_M + i * N + j] = -p[at.P_EXCHANGE + i * N + j] * c[tan.C_RAD_G + j]
    for i in range(N):
        g = c[tan.C_CONV_G + i]
        air += g
        c[W_M + AIR * N + i] = -g
        c[W_M + i * N + AIR] = -g
        c[W_M + i * N + i] = g + p[at.P_SEEN + i] * c[tan.C_RAD_G + i]
    c[W_M + AIR * N + AIR] = air
    for w in range(WALLS):
        c[W_M + (1 + w) * N + 1 + w] += c[tan.C_WALL_INV + w]
    c[W_M + SOIL * N + SOIL] += c[tan.C_SOIL_DIAG]
    c[W_M + LID * N + LID] += c[tan.C_GAP] * c[tan.C_OUT_H + 4] * c[tan.C_BOTH]
    # Without leaves their row says nothing: it must still have a diagonal.
    c[W_M + LEAF * N + LEAF] += p[at.P_LEAF_C] / h + (1.0 - p[at.P_LEAF_ON])
    if p[at.P_MOIST] > 0.0:
        _vapour_into_matrix(h, c)


@kernel_jit
def _vapour_into_matrix(h: float, c: Array) -> None:
    """Eliminate the vapour: wet surfaces then feel each other through the humidity of the air."""
    vapour = c[tan.C_AIR_M] / h + c[tan.C_EX_M]
    for k in range(3):
        vapour += c[tan.C_WET + k]
    c[tan.C_VAPOUR_INV] = 1.0 / vapour
    for k in range(3):
        i = tan.WET_SURFACES[k]
        c[W_M + i * N + i] += LATENT_HEAT * c[tan.C_WET + k] * c[tan.C_WET_G + k]
        heat = LATENT_HEAT * c[tan.C_WET + k] * c[tan.C_VAPOUR_INV]
        for q in range(3):
            c[W_M + i * N + tan.WET_SURFACES[q]] -= heat * c[tan.C_WET + q] * c[tan.C_WET_G + q]


@kernel_jit
def _factor_matrix(c: Array) -> None:
    """LU in place, rows not exchanged: the matrix leads on its diagonal, which is left inverted."""
    for k in range(N):
        inverse = 1.0 / c[W_M + k * N + k]
        c[W_M + k * N + k] = inverse
        for i in range(k + 1, N):
            factor = c[W_M + i * N + k] * inverse
            c[W_M + i * N + k] = factor
            for j in range(k + 1, N):
                c[W_M + i * N + j] -= factor * c[W_M + k * N + j]


@kernel_jit
def _solve_matrix(c: Array) -> None:
    """Forward and back through the factored matrix, column by column: the right side becomes the answer."""
    for k in range(N):
        known = c[W_B + k]
        for i in range(k + 1, N):
            c[W_B + i] -= c[W_M + i * N + k] * known
    for k in range(N - 1, -1, -1):
        known = c[W_B + k] * c[W_M + k * N + k]
        c[W_B + k] = known
        for i in range(k):
            c[W_B + i] -= c[W_M + i * N + k] * known


# ---- the straight system: right side and answer --------------------------------------------------------


@kernel_jit
def _stage(p: Array, f: int, base: Array, o: int, c: Array, y: int) -> None:
    """Solve C (y - base)/h = balance(y) for y (h as prepared), with tangents, factors and forcing in c.

    base stands at o in its array, y at y in c, the forcing of the stage's time at f; base and y may be the same.
    """
    light = c[tan.C_LIGHT]
    tan.sources(p, f, c)
    _down_the_chains(p, f, base, o, c, y)
    for i in range(N):
        c[W_B + i] = c[tan.C_RHS + i]
    c[W_B + SOIL] += c[y + at.Y_SOIL] + light * c[f + at.D_SOIL]
    for w in range(WALLS):
        c[W_B + 1 + w] += c[y + at.Y_SURFACE + 1 + w] + light * c[f + at.D_WALL_IN + w]
    on_outer = light * c[f + at.D_LID_OUTER] + c[tan.C_ON_COVER] * c[f + at.D_LID_LIGHT] + c[tan.C_SOURCE + 4]
    c[W_B + LID] += light * c[f + at.D_LID_INNER] + c[tan.C_GAP] * c[tan.C_BOTH] * on_outer
    c[W_B + AIR] += c[tan.C_AIR_C] * c[tan.C_H_INV] * base[o + at.Y_AIR]
    c[W_B + AIR] += (c[tan.C_EX_G] + p[at.P_RIM]) * c[f + at.D_OUT]
    c[W_B + LEAF] += light * c[f + at.D_LEAF] + p[at.P_LEAF_C] * c[tan.C_H_INV] * base[o + at.Y_LEAF]
    vapour = 0.0
    if p[at.P_MOIST] > 0.0:
        vapour = c[tan.C_AIR_M] * c[tan.C_H_INV] * base[o + at.Y_HUMID] + c[tan.C_EX_M] * c[f + at.D_HUMID]
        for k in range(3):
            vapour += c[tan.C_WET + k] * c[tan.C_WET_0 + k]
        humid = vapour * c[tan.C_VAPOUR_INV]
        for k in range(3):
            c[W_B + tan.WET_SURFACES[k]] -= LATENT_HEAT * c[tan.C_WET + k] * (c[tan.C_WET_0 + k] - humid)
    _solve_matrix(c)
    if p[at.P_LEAF_ON] <= 0.0:
        c[W_B + LEAF] = c[W_B + AIR]
    for i in range(N):
        c[y + at.Y_SURFACE + i] = c[W_B + i]
    c[y + at.Y_LID_OUT] = c[tan.C_BOTH] * (on_outer + c[tan.C_GAP] * c[W_B + LID])
    if p[at.P_MOIST] > 0.0:
        for k in range(3):
            vapour += c[tan.C_WET + k] * c[tan.C_WET_G + k] * c[W_B + tan.WET_SURFACES[k]]
        c[y + at.Y_HUMID] = vapour * c[tan.C_VAPOUR_INV]
    else:
        c[y + at.Y_HUMID] = c[f + at.D_HUMID]
    _up_the_chains(c, y)


@kernel_jit
def _down_the_chains(p: Array, f: int, base: Array, o: int, c: Array, y: int) -> None:
    """Right sides of soil (base to surface) and walls (outside to inner face), kept in y while they are built."""
    r = c[tan.C_SOIL_CH + NS - 1] * base[o + at.Y_DEEP + NS - 2] + p[at.P_SOIL_K + NS - 1] * c[f + at.D_BASE]
    c[y + at.Y_DEEP + NS - 2] = r
    for k in range(NS - 2, 0, -1):
        r = c[tan.C_SOIL_CH + k] * base[o + at.Y_DEEP + k - 1] + c[tan.C_SOIL_UP + k] * r
        c[y + at.Y_DEEP + k - 1] = r
    c[y + at.Y_SOIL] = c[tan.C_SOIL_CH] * base[o + at.Y_SOIL] + c[tan.C_SOIL_UP] * r
    last = (NW - 1) * WALLS
    for w in range(WALLS):
        r = c[tan.C_WALL_CH + last + w] * base[o + at.Y_OUT + w] + c[tan.C_SOURCE + w]
        r += c[f + at.D_WALL_OUT + w] * c[tan.C_OUT_LIGHT + w]
        c[y + at.Y_OUT + w] = r
        for node in range(NW - 2, 0, -1):
            k = node * WALLS + w
            inner = at.Y_IN_WALL + k - WALLS
            r = c[tan.C_WALL_CH + k] * base[o + inner] + c[tan.C_WALL_UP + k] * r
            c[y + inner] = r
        face = at.Y_SURFACE + 1 + w
        c[y + face] = c[tan.C_WALL_CH + w] * base[o + face] + c[tan.C_WALL_UP + w] * r


@kernel_jit
def _up_the_chains(c: Array, y: int) -> None:
    """From the surfaces, now known, back into soil and walls."""
    t = c[y + at.Y_SOIL]
    for k in range(1, NS):
        t = c[tan.C_SOIL_INV + k] * c[y + at.Y_DEEP + k - 1] + c[tan.C_SOIL_UP + k - 1] * t
        c[y + at.Y_DEEP + k - 1] = t
    last = (NW - 1) * WALLS
    for w in range(WALLS):
        t = c[y + at.Y_SURFACE + 1 + w]
        for node in range(1, NW - 1):
            k = node * WALLS + w
            inner = at.Y_IN_WALL + k - WALLS
            t = c[tan.C_WALL_INV + k] * c[y + inner] + c[tan.C_WALL_UP + k - WALLS] * t
            c[y + inner] = t
        t = c[tan.C_WALL_INV + last + w] * c[y + at.Y_OUT + w] + c[tan.C_WALL_UP + last + w - WALLS] * t
        c[y + at.Y_OUT + w] = t


# ---- one step and its account ------------------------------------------------------------------------


@kernel_jit
def _prepare(
    p: Array, y: Array, rows: Array, place: float, h: float, wind_area: float, stack: float, cover: float, work: Work
) -> None:
    """Draw the tangents and factor the straight system, for the rest of this driver row."""
    c = work
    _force(rows, place + 0.5 * (math.floor(place) + 1.0 - place), c, W_F1)
    tan.draw(p, y, W_F1, wind_area, stack, cover, c)
    _factor_soil(p, h, c)
    _factor_walls(p, c)
    _fill_matrix(p, h, c)
    _factor_matrix(c)
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
    return bool(drift < DRIFT_K)


@kernel_jit
def forget(work: Work) -> None:
    """Drop tangents and factors: another frame, or another start, comes next."""
    work[tan.C_STEP] = -1.0
    work[tan.C_ROW] = -1e9


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
    c = work
    h = GAMMA * dt
    if not _still_good(y, place, h, wind_area, stack, cover, c):
        _prepare(p, y, rows, place, h, wind_area, stack, cover, work)
    _force(rows, place + h / at.ROW_S, c, W_F1)
    _stage(p, W_F1, y, 0, c, W_Y1)
    for i in range(5):
        c[tan.C_SOURCE_1 + i] = c[tan.C_SOURCE + i]
    for k in range(at.N_STATE):
        c[W_Y2 + k] = y[k] + FORWARD * (c[W_Y1 + k] - y[k])
    _force(rows, place + dt / at.ROW_S, c, W_F2)
    _stage(p, W_F2, c, W_Y2, c, W_Y2)
    if abs(c[W_Y2 + at.Y_AIR] - y[at.Y_AIR]) > limit:
        return False
    sums[at.S_STORED] += c[tan.C_AIR_C] * (c[W_Y2 + at.Y_AIR] - y[at.Y_AIR])
    # The flows are straight in state and forcing: taken once, at the scheme's own mean of both stages.
    film = y[at.Y_FILM]
    for k in range(at.N_STATE):
        y[k] = c[W_Y2 + k]
        c[W_Y1 + k] += GAMMA * (c[W_Y2 + k] - c[W_Y1 + k])
    for k in range(at.N_DRIVERS):
        c[W_F1 + k] += GAMMA * (c[W_F2 + k] - c[W_F1 + k])
    for i in range(5):
        c[tan.C_SOURCE + i] = c[tan.C_SOURCE_1 + i] + GAMMA * (c[tan.C_SOURCE + i] - c[tan.C_SOURCE_1 + i])
    film += _add_flows(p, W_F1, W_Y1, c, dt, sums)
    sums[at.S_COVER] += dt * cover
    # Water that hangs on the lid; more than the sheet can hold drips back to the bed.
    y[at.Y_FILM] = min(max(film, 0.0), FILM_MAX_KG_M2 * p[at.P_AREA + LID])
    return True


@kernel_jit
def _add_flows(p: Array, f: int, y: int, c: Array, dt: float, sums: Array) -> float:
    """Add the step's mean flows times its length [s]; give the water that settled on the lid [kg]."""
    light = c[tan.C_LIGHT]
    solar = light * (c[f + at.D_SOIL] + c[f + at.D_LID_OUTER] + c[f + at.D_LID_INNER] + c[f + at.D_LEAF])
    solar += c[tan.C_ON_COVER] * c[f + at.D_LID_LIGHT]
    walls = 0.0
    for w in range(WALLS):
        solar += light * c[f + at.D_WALL_IN + w] + c[f + at.D_WALL_OUT + w] * c[tan.C_OUT_LIGHT + w]
        walls += c[tan.C_SOURCE + w] - c[tan.C_OUT_H + w] * c[y + at.Y_OUT + w]
    sums[at.S_SOLAR] += dt * solar
    sums[at.S_WALLS] += dt * walls
    sums[at.S_LID] += dt * (c[tan.C_SOURCE + 4] - c[tan.C_OUT_H + 4] * c[y + at.Y_LID_OUT])
    sums[at.S_AIR] += dt * (c[tan.C_EX_0] + (c[tan.C_EX_G] + p[at.P_RIM]) * (c[f + at.D_OUT] - c[y + at.Y_AIR]))
    sums[at.S_GROUND] += dt * p[at.P_SOIL_K + NS - 1] * (c[f + at.D_BASE] - c[y + at.Y_DEEP + NS - 2])
    settled = 0.0
    if p[at.P_MOIST] > 0.0:
        for k in range(3):
            t = c[y + at.Y_SURFACE + tan.WET_SURFACES[k]]
            mass = c[tan.C_WET + k] * (c[tan.C_WET_0 + k] + c[tan.C_WET_G + k] * t - c[y + at.Y_HUMID])
            sums[at.S_LATENT] -= dt * LATENT_HEAT * mass
            settled = -dt * mass
    sums[at.S_TIME] += dt
    sums[at.S_T_AIR] += dt * c[y + at.Y_AIR]
    sums[at.S_T_SOIL] += dt * c[y + at.Y_SOIL]
    k = int(p[at.P_TABLE_NODE])
    share = p[at.P_TABLE_SHARE]
    sums[at.S_T_SOIL10] += dt * (c[y + at.Y_DEEP + k] + share * (c[y + at.Y_DEEP + k + 1] - c[y + at.Y_DEEP + k]))
    sums[at.S_T_LID] += dt * c[y + at.Y_LID_IN]
    sums[at.S_T_LEAF] += dt * c[y + at.Y_LEAF]
    sums[at.S_HUMID] += dt * c[y + at.Y_HUMID]
    sums[at.S_THROUGH] += dt * light * c[f + at.D_LID_THROUGH]
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
    move = abs(wind_area - work[tan.C_WIND_AREA]) + STACK_AS_WIND * abs(stack - work[tan.C_STACK])
    if move > MOVE_AREA_M2:
        piece = AFTER_MOVE_S
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
