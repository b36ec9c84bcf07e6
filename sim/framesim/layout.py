"""Where each number stands in the plain float64 arrays that the kernel works on.

Python code outside the kernel uses `Frame`, `FrameModel` and `SeasonResult`; nobody else
needs these indices. Every block below is one array.
"""

from __future__ import annotations

from framesim.glazing import TABLE

# Inner surfaces, in the order of every list of surfaces. East and west are those of a frame that
# faces south; for another facing they turn with it. The air stands among them: then one row of eight
# numbers holds every unknown of the dense system but the vapour. It has no area and radiates nothing.
SURFACES = ("soil", "back", "front", "east", "west", "lid", "air", "leaf")
SOIL, BACK, FRONT, EAST, WEST, LID, AIR, LEAF = range(8)
N_SURFACE = 8
WALLS = 4  # back, front, east, west
N_SOIL = 12  # soil nodes, the surface first; the base below the last one is held
N_WALL = 5  # nodes through each wall, the inner face first


class _Counter:
    def __init__(self) -> None:
        self.next = 0

    def take(self, count: int = 1) -> int:
        first = self.next
        self.next += count
        return first


# ---- parameters of a frame (Frame.parameters) -------------------------------------------------
_p = _Counter()
# The first block decides the light; two frames equal in it share one table of drivers.
P_TILT = _p.take()  # [rad] of the lid
P_FACING = _p.take()  # [rad] clockwise from north
P_WIDTH = _p.take()  # [m]
P_DEPTH = _p.take()
P_FRONT_M = _p.take()
P_BACK_M = _p.take()
P_GLAZED = _p.take()  # [m2]
P_SKY_MODEL = _p.take()
P_CIRCUMSOLAR_BEAM = _p.take()  # 1: circumsolar passes the lid like beam, 0: like diffuse
P_ALBEDO = _p.take()  # [-], negative: take the weather's
P_THROUGH = _p.take(TABLE)  # lid optics over cos(angle)
P_OUTER = _p.take(TABLE)
P_INNER = _p.take(TABLE)
P_THROUGH_D = _p.take()
P_OUTER_D = _p.take()
P_INNER_D = _p.take()
P_ABSORB = _p.take(5)  # solar absorptance of soil plane and walls inside
P_FROM_LID = _p.take(5)  # share of the diffuse light of the lid that first lands there
P_POOL = _p.take(5)  # share of the light reflected in the box that ends there
P_POOL_OUTER = _p.take()
P_POOL_INNER = _p.take()
P_LEAF_SHARE = _p.take()  # of what the soil plane absorbs
P_OUTSIDE_ABSORB = _p.take(WALLS)  # absorptance x area [m2] of the walls outside
P_LIGHT_END = _p.next
# Air
P_VOLUME = _p.take()  # [m3]
P_LEAK = _p.take()  # [m3/s] closed frame
P_WIND_RATIO = _p.take()  # local wind over 10 m wind
P_RIM = _p.take()  # [W/K] air to outdoors through the lid's opaque rim
P_OPEN_MODEL = _p.take()
P_OPEN_AREA = _p.take()
P_CW = _p.take()
P_CD = _p.take()
P_RISE = _p.take()
P_LID_DEPTH = _p.take()
P_LID_WIDTH = _p.take()
P_LID_ANGLE = _p.take()
# Inside surfaces
P_AREA = _p.take(N_SURFACE)  # area that meets the air
P_WARM = _p.take(N_SURFACE)  # natural convection factor when warmer than the air
P_COLD = _p.take(N_SURFACE)
P_EXCHANGE = _p.take(N_SURFACE * N_SURFACE)  # grey exchange conductances [m2]
P_SEEN = _p.take(N_SURFACE)  # their row sums
P_LID_BY_DENSITY = _p.take()  # 1: convection at the lid's inner face follows the density of the air
# Outside surfaces: back, front, east, west, lid
P_OUT_AREA = _p.take(5)
P_OUT_WARM = _p.take(5)
P_OUT_COLD = _p.take(5)
P_OUT_ROUGH = _p.take(5)
P_OUT_WINDWARD = _p.take(5)  # half of the forced coefficient at 1 m/s (10 m), windward and leeward
P_OUT_LEEWARD = _p.take(5)
P_OUT_EMISSIVITY = _p.take(5)
P_OUT_SKY = _p.take(5)
P_OUT_R = _p.take(5)  # [m2 K/W] added outside (bales, blankets)
P_BACK_HELD = _p.take()  # 1: the back wall leans on a heated wall
P_BACK_DEGC = _p.take()
# Lid
P_GAP_NU_D = _p.take()  # Nusselt number over gap [1/m]; 0 with a single sheet
P_GAP_F = _p.take()  # emissivity factor across the gap
P_SHEET_R = _p.take()  # [m2 K/W] of the sheets themselves
P_COVER_R = _p.take()
P_COVER_EMISSIVITY = _p.take()
P_COVER_ABSORB = _p.take()
P_COVER_NIGHT = _p.take()  # 1: season runs cover the lid while the sun is down
P_SNOW_SHARE = _p.take()  # depth on the lid over depth on the ground
# Soil and walls
P_SOIL_C = _p.take(N_SOIL)  # [J/K]
P_SOIL_K = _p.take(N_SOIL)  # [W/K] to the next node down, the last one to the base
P_SOIL_Z = _p.take(N_SOIL)  # [m]
P_TABLE_NODE = _p.take()  # deep node above the depth of the "10 cm" column, and the share of the next
P_TABLE_SHARE = _p.take()
P_WALL_C = _p.take(N_WALL * WALLS)  # node by node from the inner face
P_WALL_K = _p.take(N_WALL * WALLS)  # to the next node outwards; the last block is not used
P_GROUND = _p.take(12)  # [degC] base of the soil by month
# Moisture and leaves
P_MOIST = _p.take()  # 1: water vapour is followed
P_WET_SOIL = _p.take()  # wetness 0..1
P_LEAF_ON = _p.take()
P_LEAF_C = _p.take()  # [J/K]
P_LEAF_DAY_R = _p.take()  # [s/m] stomata by day
P_LEAF_NIGHT_R = _p.take()
N_PARAMETERS = _p.next

# ---- drivers: one row every ROW_S seconds, value at the row's middle ---------------------------
ROW_S = 300.0
_d = _Counter()
D_OUT = _d.take()  # [degC]
D_SKY = _d.take()  # [W/m2] emission of the sky
D_WIND = _d.take()  # [m/s] at 10 m
D_WINDWARD = _d.take()  # wind^0.89
D_LEEWARD = _d.take()  # wind^0.617
D_HUMID = _d.take()  # [kg/kg]
D_PRESSURE = _d.take()
D_BASE = _d.take()  # [degC]
D_SNOW = _d.take()  # [m] on the ground
D_SIN_SUN = _d.take()
D_GHI = _d.take()
D_LID_LIGHT = _d.take()  # [W] falling on the glazing
D_LID_THROUGH = _d.take()  # [W] let through
D_LID_OUTER = _d.take()  # [W] absorbed in the sheets
D_LID_INNER = _d.take()
D_SOIL = _d.take()  # [W] absorbed
D_WALL_IN = _d.take(WALLS)
D_LEAF = _d.take()
D_WALL_OUT = _d.take(WALLS)
N_DRIVERS = _d.next

# ---- state ----------------------------------------------------------------------------------
_y = _Counter()
Y_SURFACE = _y.take(N_SURFACE)  # [degC] order of SURFACES
Y_SOIL, Y_AIR, Y_LID_IN, Y_LEAF = Y_SURFACE + SOIL, Y_SURFACE + AIR, Y_SURFACE + LID, Y_SURFACE + LEAF
Y_DEEP = _y.take(N_SOIL - 1)  # soil nodes below the surface
Y_IN_WALL = _y.take((N_WALL - 2) * WALLS)  # nodes inside the walls, node by node from the inner side
Y_OUT = _y.take(WALLS + 1)  # outer faces of the walls and of the lid
Y_LID_OUT = Y_OUT + WALLS
Y_HUMID = _y.take()  # [kg/kg]
Y_FILM = _y.take()  # [kg] water on the lid
N_STATE = _y.next

# ---- sums that the kernel keeps: [J], [kg] or [K s] over the time since they were cleared -------
_s = _Counter()
S_SOLAR = _s.take()  # absorbed light
S_LID = _s.take()  # from outdoors into the lid's outer face
S_WALLS = _s.take()
S_AIR = _s.take()  # air exchange and rim
S_GROUND = _s.take()
S_LATENT = _s.take()
S_STORED = _s.take()  # in the air; for the rest see heat_balance.heat_content
S_TIME = _s.take()
S_T_AIR = _s.take()
S_T_SOIL = _s.take()
S_T_SOIL10 = _s.take()
S_T_LID = _s.take()
S_T_LEAF = _s.take()
S_THROUGH = _s.take()
S_VENT = _s.take()  # [m3] at the density of the frame air
S_OPEN = _s.take()
S_COVER = _s.take()
S_HUMID = _s.take()
N_SUMS = _s.next
