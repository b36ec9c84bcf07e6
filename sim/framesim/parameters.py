"""From a `Frame` to the kernel's flat parameter array: everything that can be worked out before the first step."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from framesim import layout as at
from framesim.convection import (
    LEEWARD_A,
    LEEWARD_B,
    ROUGHNESS,
    WINDWARD_A,
    WINDWARD_B,
    iso_15099_factor,
    stable_factor,
    unstable_factor,
    wind_profile_ratio,
)
from framesim.frame import Frame
from framesim.glazing import TABLE, lid_optics, sheet_from_normal
from framesim.longwave import (
    area_view_factors,
    box_areas,
    box_view_factors,
    outside_shares,
    parallel_plates_factor,
    script_f,
)
from framesim.sky import DIFFUSE_MODELS
from framesim.walls import chain, even_nodes, graded_nodes

Array = NDArray[np.float64]

FIRST_SOIL_NODE_M = 0.005  # chosen: what heat crosses in a minute in moist soil
RIM_FILMS_R = 0.10 + 0.04  # [m2 K/W] inside (heat upward) and outside; ISO 6946 table 7
RIM_ABSORPTANCE = 0.6  # of the rim's inner face, as the walls'
VERTICAL = math.pi / 2
# Depth of the "10 cm" column of the season table: that of the reference's soil node.
TABLE_SOIL_M = 0.096


def parameters_of(frame: Frame) -> Array:
    """Fill every block of layout.py from the frame's figures."""
    p = np.zeros(at.N_PARAMETERS)
    view, areas = _view_factors(frame)
    _light(p, frame, view, areas)
    _air(p, frame)
    _inside(p, frame, view, areas)
    _outside(p, frame)
    _lid(p, frame)
    _soil_and_walls(p, frame, areas)
    _moisture(p, frame)
    return p


def _view_factors(frame: Frame) -> tuple[Array, Array]:
    """View factors between soil, four walls, glazing and rim (last), and their areas."""
    areas = box_areas(frame.width_m, frame.depth_m, frame.front_m, frame.back_m)
    rim = frame.rim_m2
    glazed = np.append(areas, rim)
    glazed[at.LID] -= rim
    if rim <= 0.0:
        areas_used, sees = areas, ~np.eye(6, dtype=bool)
    else:
        # Rim and glazing lie in one plane: they do not see each other.
        areas_used, sees = glazed, ~np.eye(7, dtype=bool)
        sees[5, 6] = sees[6, 5] = False
    if frame.view_factors == "area":
        return area_view_factors(areas_used, sees), areas_used
    box = box_view_factors(frame.width_m, frame.depth_m, frame.front_m, frame.back_m)
    if rim <= 0.0:
        return box, areas
    share = rim / areas[at.LID]
    view = np.zeros((7, 7))
    view[:6, :6] = box
    view[:5, 6] = share * box[:5, 5]
    view[:5, 5] *= 1.0 - share
    view[6, :5] = box[5, :5]
    return view, glazed


def _light(p: Array, frame: Frame, view: Array, areas: Array) -> None:
    sheet = sheet_from_normal(frame.pane_tau, frame.pane_rho)
    optics = lid_optics(sheet, frame.panes, frame.polarisation == "kept")
    glazed = frame.lid_m2 - frame.rim_m2
    p[at.P_TILT], p[at.P_FACING] = frame.tilt, math.radians(frame.facing_deg)
    p[at.P_WIDTH], p[at.P_DEPTH] = frame.width_m, frame.depth_m
    p[at.P_FRONT_M], p[at.P_BACK_M] = frame.front_m, frame.back_m
    p[at.P_GLAZED] = glazed
    p[at.P_SKY_MODEL] = DIFFUSE_MODELS.index(frame.sky_diffuse)
    p[at.P_CIRCUMSOLAR_BEAM] = float(frame.circumsolar == "beam")
    p[at.P_ALBEDO] = frame.albedo
    for start, table in ((at.P_THROUGH, optics.through), (at.P_OUTER, optics.outer), (at.P_INNER, optics.inner)):
        p[start : start + TABLE] = table
    p[at.P_THROUGH_D], p[at.P_OUTER_D], p[at.P_INNER_D] = (
        optics.through_diffuse,
        optics.outer_diffuse,
        optics.inner_diffuse,
    )
    soil_plane, leaf_share = _soil_plane(frame)
    absorb = np.array([soil_plane] + [frame.wall_absorptance_in] * at.WALLS)
    p[at.P_ABSORB : at.P_ABSORB + 5] = absorb
    p[at.P_LEAF_SHARE] = leaf_share
    p[at.P_FROM_LID : at.P_FROM_LID + 5] = view[at.LID, :5] / view[at.LID, :5].sum()
    # What the surfaces throw back fills the box evenly; each takes its absorptance times area of it,
    # the lid lets some out again. Source: the usual integrating-box assumption of building simulators.
    back = glazed * np.array([optics.outer_back, optics.inner_back, optics.through_back])
    takers = absorb * areas[:5]
    total = takers.sum() + back.sum() + frame.rim_m2 * RIM_ABSORPTANCE
    p[at.P_POOL : at.P_POOL + 5] = takers / total
    p[at.P_POOL_OUTER], p[at.P_POOL_INNER] = back[0] / total, back[1] / total
    outside = areas[1:5] * frame.wall_absorptance_out
    if frame.heated_back_wall:
        outside[0] = 0.0
    p[at.P_OUTSIDE_ABSORB : at.P_OUTSIDE_ABSORB + 4] = outside


def _soil_plane(frame: Frame) -> tuple[float, float]:
    """(absorptance of the soil plane, share of it that the leaves take)."""
    if not frame.leaf_layer:
        return frame.soil_absorptance, 0.0
    leaves = frame.leaf_cover * frame.leaf_absorptance
    soil = (1.0 - frame.leaf_cover) * frame.soil_absorptance
    return leaves + soil, leaves / (leaves + soil)


def _air(p: Array, frame: Frame) -> None:
    p[at.P_VOLUME] = frame.volume_m3
    p[at.P_LEAK] = frame.closed_ach * frame.volume_m3 / 3600.0
    p[at.P_WIND_RATIO] = _wind_ratio(frame, frame.middle_m)
    p[at.P_RIM] = frame.rim_m2 / (RIM_FILMS_R + frame.rim_thickness_m / frame.rim_k)
    p[at.P_OPEN_MODEL] = float(frame.opening == "angle")
    p[at.P_OPEN_AREA] = frame.opening_m2 * frame.driven_panels / frame.lid_panels
    p[at.P_CW], p[at.P_CD], p[at.P_RISE] = frame.opening_cw, frame.opening_cd, frame.opening_rise_m
    p[at.P_LID_DEPTH] = math.hypot(frame.depth_m, frame.back_m - frame.front_m)
    p[at.P_LID_WIDTH] = frame.width_m * frame.driven_panels / frame.lid_panels
    p[at.P_LID_ANGLE] = math.radians(frame.lid_full_angle_deg)


def _wind_ratio(frame: Frame, height_m: float) -> float:
    return wind_profile_ratio(
        height_m, frame.wind_exponent, frame.wind_layer_m, frame.station_exponent, frame.station_layer_m
    )


def _inside(p: Array, frame: Frame, view: Array, areas: Array) -> None:
    leaf = frame.leaf_cover if frame.leaf_layer else 0.0
    # Leaves meet the air on both sides and hide their share of the soil from it only in part.
    p[at.P_AREA : at.P_AREA + 6] = areas[:6]
    p[at.P_AREA + at.LEAF] = 2.0 * leaf * areas[at.SOIL]
    up, down = unstable_factor(0.0), stable_factor(0.0)
    lid_up, lid_down = unstable_factor(frame.tilt), stable_factor(frame.tilt)
    if frame.lid_convection == "iso-15099":
        lid_up, p[at.P_LID_BY_DENSITY] = iso_15099_factor(), 1.0
    wall = unstable_factor(VERTICAL)
    # Warm soil lifts its air; a warm lid lies over layered air; a cold lid stirs it.
    p[at.P_WARM : at.P_WARM + 8] = [up, wall, wall, wall, wall, lid_down, 0.0, up]
    p[at.P_COLD : at.P_COLD + 8] = [down, wall, wall, wall, wall, lid_up, 0.0, down]
    emissivity = np.array(
        [frame.soil_emissivity] + [frame.wall_emissivity_in] * 4 + [frame.pane_emissivity] + [0.9] * (len(areas) - 6)
    )
    grey = script_f(view, areas, emissivity)
    exchange = np.zeros((at.N_SURFACE, at.N_SURFACE))
    exchange[:6, :6] = grey[:6, :6]  # soil, walls, lid; the air's row stays empty
    if len(areas) == 7:
        # The rim is small and close to the lid in temperature: its share of the exchange is given to the lid.
        exchange[:5, at.LID] += grey[:5, 6]
        exchange[at.LID, :5] += grey[6, :5]
    if leaf > 0.0:
        exchange[at.LEAF, :6] = leaf * exchange[at.SOIL, :6]
        exchange[:6, at.LEAF] = exchange[at.LEAF, :6]
        exchange[at.SOIL, :6] *= 1.0 - leaf
        exchange[:6, at.SOIL] *= 1.0 - leaf
        under = leaf * areas[at.SOIL] * parallel_plates_factor(frame.soil_emissivity, 0.95)
        exchange[at.SOIL, at.LEAF] = exchange[at.LEAF, at.SOIL] = under
    p[at.P_EXCHANGE : at.P_EXCHANGE + at.N_SURFACE**2] = exchange.ravel()
    p[at.P_SEEN : at.P_SEEN + at.N_SURFACE] = exchange.sum(axis=1)


def _outside(p: Array, frame: Frame) -> None:
    wall_areas = box_areas(frame.width_m, frame.depth_m, frame.front_m, frame.back_m)[1:5]
    # Conduction is one-dimensional: a wall's outer face has the area of its inner one.
    area = np.append(wall_areas, frame.lid_m2 - frame.rim_m2)
    lid_height = 0.5 * (frame.front_m + frame.back_m)
    heights = [frame.back_m / 2, frame.front_m / 2, frame.middle_m, frame.middle_m, lid_height]
    ratio = np.array([_wind_ratio(frame, h) for h in heights])
    wall = unstable_factor(VERTICAL)
    p[at.P_OUT_AREA : at.P_OUT_AREA + 5] = area
    p[at.P_OUT_WARM : at.P_OUT_WARM + 5] = [wall] * 4 + [unstable_factor(frame.tilt)]
    p[at.P_OUT_COLD : at.P_OUT_COLD + 5] = [wall] * 4 + [stable_factor(frame.tilt)]
    p[at.P_OUT_ROUGH : at.P_OUT_ROUGH + 5] = [ROUGHNESS[frame.wall_roughness]] * 4 + [1.0]
    # Weather tables say nothing of where the wind comes from: mean of windward and leeward.
    p[at.P_OUT_WINDWARD : at.P_OUT_WINDWARD + 5] = 0.5 * WINDWARD_A * ratio**WINDWARD_B
    p[at.P_OUT_LEEWARD : at.P_OUT_LEEWARD + 5] = 0.5 * LEEWARD_A * ratio**LEEWARD_B
    p[at.P_OUT_EMISSIVITY : at.P_OUT_EMISSIVITY + 5] = [frame.wall_emissivity_out] * 4 + [frame.pane_emissivity]
    p[at.P_OUT_SKY : at.P_OUT_SKY + 5] = [outside_shares(VERTICAL)[0]] * 4 + [outside_shares(frame.tilt)[0]]
    if frame.straw_bales:
        p[at.P_OUT_R : at.P_OUT_R + 4] = frame.straw_bale_r
    p[at.P_BACK_HELD] = float(frame.heated_back_wall)
    p[at.P_BACK_DEGC] = frame.heated_back_wall_degc


def _lid(p: Array, frame: Frame) -> None:
    p[at.P_GAP_NU_D] = frame.gap_nusselt / frame.pane_gap_m if frame.panes == 2 else 0.0
    p[at.P_GAP_F] = parallel_plates_factor(frame.pane_emissivity, frame.pane_emissivity)
    p[at.P_SHEET_R] = frame.panes * frame.pane_sheet_m / frame.pane_k
    p[at.P_COVER_R] = frame.cover_r
    p[at.P_COVER_EMISSIVITY] = frame.cover_emissivity
    p[at.P_COVER_ABSORB] = 1.0 - frame.cover_reflectance
    p[at.P_COVER_NIGHT] = float(frame.night_cover)
    p[at.P_SNOW_SHARE] = frame.snow_on_lid


def _soil_and_walls(p: Array, frame: Frame, areas: Array) -> None:
    nodes = graded_nodes(frame.soil_depth_m, FIRST_SOIL_NODE_M, at.N_SOIL)
    heat, conduct = chain(frame.soil_layers(), np.append(nodes, frame.soil_depth_m))
    p[at.P_SOIL_Z : at.P_SOIL_Z + at.N_SOIL] = nodes
    p[at.P_SOIL_C : at.P_SOIL_C + at.N_SOIL] = areas[at.SOIL] * heat[:-1]
    p[at.P_SOIL_K : at.P_SOIL_K + at.N_SOIL] = areas[at.SOIL] * conduct
    below = int(np.searchsorted(nodes, TABLE_SOIL_M))
    p[at.P_TABLE_NODE] = below - 2  # deep nodes leave the surface out
    p[at.P_TABLE_SHARE] = (TABLE_SOIL_M - nodes[below - 1]) / (nodes[below] - nodes[below - 1])
    layers = frame.wall_layers()
    heat, conduct = chain(layers, even_nodes(layers, at.N_WALL))
    p[at.P_WALL_C : at.P_WALL_C + at.N_WALL * at.WALLS] = (heat[:, None] * areas[None, 1:5]).ravel()
    p[at.P_WALL_K : at.P_WALL_K + (at.N_WALL - 1) * at.WALLS] = (conduct[:, None] * areas[None, 1:5]).ravel()
    p[at.P_GROUND : at.P_GROUND + 12] = frame.ground_degc


def _moisture(p: Array, frame: Frame) -> None:
    leaf = frame.leaf_cover if frame.leaf_layer else 0.0
    soil_m2 = frame.width_m * frame.depth_m
    p[at.P_MOIST] = float(frame.evaporation)
    p[at.P_WET_SOIL] = frame.soil_wetness * (1.0 - leaf)
    p[at.P_LEAF_ON] = float(leaf > 0.0)
    p[at.P_LEAF_C] = frame.leaf_heat_j_m2_k * leaf * soil_m2
    p[at.P_LEAF_DAY_R], p[at.P_LEAF_NIGHT_R] = frame.leaf_day_r_s_m, frame.leaf_night_r_s_m
