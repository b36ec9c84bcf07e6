"""How much sun a spot gets: hours over the skyline, and light on a tilted lid, month by month.

Light is that of a cloudless sky, or of a weather year when hours of one are
handed in. It serves to compare spots, bearings and tilts; the frame's own
glazing comes on top.

Sources: beam through the atmosphere by Meinel and Meinel 1976 (0.7 to the power of air mass to
the power 0.678, with Laue's height correction 0.14 per km), air mass by Kasten and Young 1989,
diffuse light a tenth of the beam on a level surface for a clear sky (common textbook share);
all from memory. A cloudless sky computed this way is good to about 10 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sashkeeper.season.daylight import DAY_S, HORIZON_DEG, solar_noon_s, sun_position, sun_times
from sashkeeper.season.place import Site
from sashkeeper.season.skyline import Skyline, is_bare

SOLAR_CONSTANT_W_M2 = 1361.0
GROUND_ALBEDO = 0.2
STEP_S = 600.0
SAMPLE_DAYS = (3, 8, 13, 18, 23, 28)  # stand for a month
DECIDING_MONTHS_NORTH = (11, 12, 1, 2)


@dataclass(frozen=True)
class Spot:
    """A candidate place for a frame: its skyline and how its lid lies.

    bearing_deg: where the lid faces, clockwise from north. tilt_deg: 0 is level.
    """

    name: str
    skyline: Skyline
    bearing_deg: float
    tilt_deg: float


@dataclass(frozen=True)
class Month:
    """One month of a spot, means per day: hours of direct sun, MJ/m2 on the lid."""

    month: int
    lit_h: float
    possible_h: float  # over a level horizon
    lid_mj_m2: float
    open_lid_mj_m2: float  # the same lid with nothing in the way
    bare_crowns_mj_m2: float  # taken by trees without leaves


def clear_beam_w_m2(height_deg: float, elevation_m: float, day_of_year: int) -> float:
    """Return the direct light of a cloudless sky at right angles to it [W/m2]."""
    if height_deg <= 0.0:
        return 0.0
    mass = 1.0 / (math.sin(math.radians(height_deg)) + 0.50572 * math.pow(height_deg + 6.07995, -1.6364))
    h = 0.14 * elevation_m / 1000.0
    distance = 1.0 + 0.033 * math.cos(2 * math.pi * day_of_year / 365.0)
    return SOLAR_CONSTANT_W_M2 * distance * ((1.0 - h) * math.pow(0.7, math.pow(mass, 0.678)) + h)


def cos_incidence(height_deg: float, bearing_deg: float, tilt_deg: float, lid_bearing_deg: float) -> float:
    """Return the cosine of the angle between the sun and the lid's normal, 0 when it shines from behind."""
    h, t = math.radians(height_deg), math.radians(tilt_deg)
    turn = math.radians(bearing_deg - lid_bearing_deg)
    return max(0.0, math.sin(h) * math.cos(t) + math.cos(h) * math.sin(t) * math.cos(turn))


def gleam_deg(height_deg: float) -> float:
    """Return how high the sun's upper edge appears, refraction included, for a geometric height of its centre.

    Source of the refraction: Saemundsson 1986, from memory; -0.8333 comes out as 0 within 0.02 degree.
    """
    h = max(height_deg, -1.5)
    return height_deg + 0.0170 / math.tan(math.radians(h + 10.3 / (h + 5.11))) + 0.2667


def lit_hours(site: Site, day: date, step_s: float = 120.0) -> float:
    """Return the hours of direct sun of a day over the skyline; crowns count as shade by what they hold back.

    Over a level horizon this is the day length from sunrise to sunset.
    """
    times = sun_times(day, site.lat_deg, site.lon_deg)
    if times.length_h in (0.0, 24.0):
        start, length_s = times.noon_s - DAY_S / 2, times.length_h * 3600.0
    else:
        start, length_s = times.rise_s or 0.0, times.length_h * 3600.0
    bare = is_bare(day, site.lat_deg)
    steps = max(1, round(length_s / step_s))
    lit = 0.0
    for n in range(steps):
        height, bearing = sun_position(start + (n + 0.5) * length_s / steps, site.lat_deg, site.lon_deg)
        lit += site.skyline.through(max(0.001, gleam_deg(height)), bearing, bare)
    return lit * length_s / steps / 3600.0


def months(site: Site, spot: Spot, year: int = 2027) -> list[Month]:
    """Return twelve months of clear-sky light for one spot."""
    return [_month(site, spot, year, m) for m in range(1, 13)]


def _month(site: Site, spot: Spot, year: int, month: int) -> Month:
    lit = possible = lid = open_lid = crowns = 0.0
    tilt_sky = (1.0 + math.cos(math.radians(spot.tilt_deg))) / 2.0
    tilt_ground = (1.0 - tilt_sky) * GROUND_ALBEDO
    bare = is_bare(date(year, month, 15), site.lat_deg)
    sky_share = spot.skyline.sky_share(bare)
    leafless = without_crowns(spot.skyline)
    for day_number in SAMPLE_DAYS:
        day = date(year, month, day_number)
        noon = solar_noon_s(day, site.lon_deg)
        for n in range(round(DAY_S / STEP_S)):
            at = noon - DAY_S / 2 + (n + 0.5) * STEP_S
            height, bearing = sun_position(at, site.lat_deg, site.lon_deg)
            if height <= HORIZON_DEG:
                continue
            gleam = max(0.001, gleam_deg(height))
            through = spot.skyline.through(gleam, bearing, bare)
            possible += 1.0
            lit += through
            beam = clear_beam_w_m2(height, site.elevation_m, day.timetuple().tm_yday)
            level = beam * math.sin(math.radians(max(0.0, height)))
            diffuse = 0.1 * level
            on_lid = beam * cos_incidence(height, bearing, spot.tilt_deg, spot.bearing_deg)
            ground = (level + diffuse) * tilt_ground
            lid += on_lid * through + diffuse * tilt_sky * sky_share + ground
            open_lid += on_lid + diffuse * tilt_sky + ground
            if bare:
                crowns += on_lid * (leafless.through(gleam, bearing, bare) - through)
    hours = STEP_S / 3600.0 / len(SAMPLE_DAYS)
    mj = STEP_S / 1e6 / len(SAMPLE_DAYS)
    return Month(month, lit * hours, possible * hours, lid * mj, open_lid * mj, crowns * mj)


def without_crowns(skyline: Skyline) -> Skyline:
    """Return a skyline without the trees that are bare in winter."""
    return Skyline(skyline.pairs, tuple(o for o in skyline.obstacles if o.kind != "deciduous"))


def winter_months(lat_deg: float) -> tuple[int, ...]:
    """Return the months that decide about a spot: November to February, or May to August in the south."""
    return DECIDING_MONTHS_NORTH if lat_deg >= 0 else (5, 6, 7, 8)


def winter_light_mj_m2(site: Site, spot: Spot, year: int = 2027) -> float:
    """Return the mean daily clear-sky light on the lid over the deciding months [MJ/m2]."""
    wanted = winter_months(site.lat_deg)
    return sum(_month(site, spot, year, m).lid_mj_m2 for m in wanted) / len(wanted)


@dataclass(frozen=True)
class Advice:
    """What turning or tilting the lid would bring in the deciding months, as shares of the present light."""

    best_bearing_deg: float
    bearing_gain: float
    best_tilt_deg: float
    tilt_gain: float
    sentences: tuple[str, ...]


def advise(site: Site, spot: Spot, bearings: Sequence[float] = (), tilts: Sequence[float] = ()) -> Advice:
    """Return the best bearing and tilt among candidates for this skyline, and what they would bring.

    Light on the lid, not on the bed: the back wall's shade and the sky make steep lids
    gain less than shown.
    """
    south = 180.0 if site.lat_deg >= 0 else 0.0
    now = winter_light_mj_m2(site, spot)
    bearings = bearings or [(south + d) % 360.0 for d in (-45, -30, -15, 0, 15, 30, 45)]
    tilts = tilts or (0.0, 5.0, 10.0, 15.0, 25.0, 35.0, 45.0)
    by_bearing = {b: winter_light_mj_m2(site, Spot(spot.name, spot.skyline, b, spot.tilt_deg)) for b in bearings}
    by_tilt = {t: winter_light_mj_m2(site, Spot(spot.name, spot.skyline, spot.bearing_deg, t)) for t in tilts}
    best_b = max(by_bearing, key=by_bearing.__getitem__)
    best_t = max(by_tilt, key=by_tilt.__getitem__)
    gain_b, gain_t = by_bearing[best_b] / now - 1.0, by_tilt[best_t] / now - 1.0
    return Advice(best_b, gain_b, best_t, gain_t, tuple(_advice_words(spot, best_b, gain_b, best_t, gain_t)))


def compass(bearing_deg: float) -> str:
    """Return a bearing as one of eight winds."""
    winds = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return winds[round(bearing_deg / 45.0) % 8]


def _advice_words(spot: Spot, best_b: float, gain_b: float, best_t: float, gain_t: float) -> list[str]:
    words = []
    if gain_b < 0.03:
        faces = f"{spot.bearing_deg:.0f}° ({compass(spot.bearing_deg)})"
        words.append(f"Facing {faces} is within 3 % of the best bearing: leave it.")
    else:
        faces = f"{best_b:.0f}° ({compass(best_b)})"
        words.append(f"Turning the lid to {faces} would bring about {gain_b:.0%} more winter light.")
    if gain_t < 0.05:
        words.append(f"A tilt of {spot.tilt_deg:.0f}° is within 5 % of the best one tried.")
    else:
        steps = f"about {gain_t:.0%} more winter light on the lid at {best_t:.0f}°"
        words.append(f"A steeper lid would catch {steps}; the bed gains less, as the back wall and the sky weigh in.")
    return words
