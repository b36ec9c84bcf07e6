"""Sunlight in the box: how much passes the lid, and what sheets, soil, leaves and walls absorb of it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.glazing import TABLE
from framesim.jit import kernel_jit
from framesim.sky import diffuse_parts, ground_diffuse
from framesim.solar import cos_incidence, extraterrestrial_normal

Array = NDArray[np.float64]

P_TILT, P_FACING, P_GLAZED = at.P_TILT, at.P_FACING, at.P_GLAZED
P_THROUGH, P_OUTER, P_INNER = at.P_THROUGH, at.P_OUTER, at.P_INNER
GAUSS = ((0.112701665379258, 0.277777777777778), (0.5, 0.444444444444444), (0.887298334620742, 0.277777777777778))


@kernel_jit
def table_at(p: Array, start: int, cosine: float) -> float:
    """Value of a lid table at cos(angle), linear between entries."""
    place = cosine * (TABLE - 1)
    k = min(int(place), TABLE - 2)
    share = place - k
    return float((1.0 - share) * p[start + k] + share * p[start + k + 1])


@kernel_jit
def beam_shares(p: Array, sin_height: float, azimuth: float) -> tuple[float, float, float, float, float]:
    """Shares of the beam that has passed the lid which land on soil, back, front, east and west wall.

    Rays from a point (x, y) of the lid fall until they meet the soil or a wall. Across the width the
    share on a side wall is exact; along the depth three Gauss points serve on either side of
    the line that parts soil from wall. Sine of sun height [-], azimuth [rad].
    """
    width, depth, front = p[at.P_WIDTH], p[at.P_DEPTH], p[at.P_FRONT_M]
    rise = (p[at.P_BACK_M] - front) / depth
    cotangent = math.sqrt(max(0.0, 1.0 - sin_height * sin_height)) / max(sin_height, 1e-3)
    along = math.sin(azimuth - p[P_FACING]) * cotangent  # sideways travel per metre of fall, east positive
    inward = math.cos(azimuth - p[P_FACING]) * cotangent  # travel towards the back per metre of fall
    # The y from which a ray just reaches the foot of the wall it moves towards.
    if inward > 0.0:
        split = (depth - inward * front) / (1.0 + inward * rise)
    else:
        split = -inward * front / (1.0 + inward * rise) if 1.0 + inward * rise > 0.0 else depth
    split = min(depth, max(0.0, split))
    soil = back_or_front = side = 0.0
    for part in range(2):
        low, high = (0.0, split) if part == 0 else (split, depth)
        to_soil = (part == 0) == (inward > 0.0)
        for place, weight in GAUSS:
            y = low + (high - low) * place
            fall = front + rise * y
            if not to_soil:
                fall = (depth - y) / inward if inward > 0.0 else y / max(-inward, 1e-12)
            caught = min(1.0, abs(along) * fall / width)
            share = weight * (high - low) / depth
            side += share * caught
            if to_soil:
                soil += share * (1.0 - caught)
            else:
                back_or_front += share * (1.0 - caught)
    back, ahead = (back_or_front, 0.0) if inward > 0.0 else (0.0, back_or_front)
    east, west = (side, 0.0) if along > 0.0 else (0.0, side)
    return soil, back, ahead, east, west


@kernel_jit
def fill_light(
    p: Array, row: Array, time_s: float, sin_height: float, azimuth: float, dni: float, dhi: float, albedo: float
) -> None:
    """Fill the light columns of one driver row [W] from sun position and irradiance [W/m2]."""
    row[at.D_LID_LIGHT :] = 0.0
    ghi = dhi + dni * max(0.0, sin_height)
    row[at.D_GHI] = ghi
    if ghi <= 0.0:
        return
    if p[at.P_ALBEDO] >= 0.0:
        albedo = p[at.P_ALBEDO]
    model = int(p[at.P_SKY_MODEL])
    extra = extraterrestrial_normal(time_s)
    tilt, facing = p[P_TILT], p[P_FACING]
    cos_lid = cos_incidence(sin_height, azimuth, tilt, facing)
    dome, around_sun = diffuse_parts(model, dni, dhi, extra, sin_height, cos_lid, tilt)
    diffuse = dome + ground_diffuse(ghi, albedo, tilt)
    beam = dni * max(0.0, cos_lid) if sin_height > 0.0 else 0.0
    if p[at.P_CIRCUMSOLAR_BEAM] > 0.0:
        beam += around_sun
    else:
        diffuse += around_sun
    _light_inside(p, row, beam * p[P_GLAZED], diffuse * p[P_GLAZED], cos_lid, sin_height, azimuth)
    vertical = 0.5 * math.pi
    for k in range(4):
        # back, front, east, west wall outside
        turn = math.pi if k == 0 else (0.0 if k == 1 else (-0.5 * math.pi if k == 2 else 0.5 * math.pi))
        cos_wall = cos_incidence(sin_height, azimuth, vertical, facing + turn)
        dome, around_sun = diffuse_parts(model, dni, dhi, extra, sin_height, cos_wall, vertical)
        light = dome + around_sun + ground_diffuse(ghi, albedo, vertical)
        if sin_height > 0.0:
            light += dni * max(0.0, cos_wall)
        row[at.D_WALL_OUT + k] = light * p[at.P_OUTSIDE_ABSORB + k]


@kernel_jit
def _light_inside(
    p: Array, row: Array, beam: float, diffuse: float, cos_lid: float, sin_height: float, azimuth: float
) -> None:
    """Spread beam and diffuse light falling on the glazing [W] over sheets, soil plane and walls."""
    beam_in = beam * table_at(p, P_THROUGH, max(0.0, cos_lid)) if beam > 0.0 else 0.0
    diffuse_in = diffuse * p[at.P_THROUGH_D]
    outer = diffuse * p[at.P_OUTER_D]
    inner = diffuse * p[at.P_INNER_D]
    shares = (0.0, 0.0, 0.0, 0.0, 0.0)
    if beam > 0.0:
        outer += beam * table_at(p, P_OUTER, max(0.0, cos_lid))
        inner += beam * table_at(p, P_INNER, max(0.0, cos_lid))
        shares = beam_shares(p, sin_height, azimuth)
    # First landing: beam where the sun patch lies, diffuse by what the lid sees.
    thrown_back = 0.0
    soil_plane = 0.0
    for k in range(5):
        landing = beam_in * shares[k] + diffuse_in * p[at.P_FROM_LID + k]
        kept = landing * p[at.P_ABSORB + k]
        thrown_back += landing - kept
        if k == 0:
            soil_plane = kept
        else:
            row[at.D_WALL_IN + k - 1] = kept
    # Then whatever was thrown back fills the box evenly.
    soil_plane += thrown_back * p[at.P_POOL]
    for k in range(4):
        row[at.D_WALL_IN + k] += thrown_back * p[at.P_POOL + 1 + k]
    row[at.D_LID_LIGHT] = beam + diffuse
    row[at.D_LID_THROUGH] = beam_in + diffuse_in
    row[at.D_LID_OUTER] = outer + thrown_back * p[at.P_POOL_OUTER]
    row[at.D_LID_INNER] = inner + thrown_back * p[at.P_POOL_INNER]
    row[at.D_LEAF] = soil_plane * p[at.P_LEAF_SHARE]
    row[at.D_SOIL] = soil_plane * (1.0 - p[at.P_LEAF_SHARE])
