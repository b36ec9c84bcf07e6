"""What hides the sun, and what light is left."""

from __future__ import annotations

import dataclasses
import math
from datetime import date
from zoneinfo import ZoneInfo

import pytest

from sashkeeper.errors import InputError
from sashkeeper.season import skylight
from sashkeeper.season.daylight import day_length_h, sun_times
from sashkeeper.season.place import Site
from sashkeeper.season.skylight import Spot, advise, cos_incidence, gleam_deg, lit_hours, months
from sashkeeper.season.skyline import Obstacle, Skyline, is_bare, read_obstacles, read_pairs

HERE = Site(45.0, 0.0, ZoneInfo("UTC"))


def test_a_two_metre_hedge_at_45_north_throws_five_metres() -> None:
    """At noon of the winter solstice at 45 N a 2 m hedge shades 5.1 m, and no more.

    Source: hand geometry, 2 m / tan(21.6 degree) = 5.06 m.
    """
    noon = sun_times(date(2026, 12, 21), 45.0, 0.0).noon_height_deg
    assert 2.0 / math.tan(math.radians(noon)) == pytest.approx(5.06, abs=0.02)
    for distance, share in ((4.9, 0.0), (5.3, 1.0)):
        hedge = Skyline((), read_obstacles([{"from": [179.9, distance], "to": [180.1, distance], "height_m": 2.0}]))
        assert hedge.through(noon, 180.0, True) == share


def test_a_straight_wall_is_lower_to_the_sides() -> None:
    """A wall 5 m south from 135 to 225 degree is nearest straight ahead: height by the cosine of the turn."""
    corner = 5.0 / math.cos(math.radians(45))
    wall = Obstacle("wall", "solid", 135, corner, 225, corner, 3.0)
    assert wall.top_deg(180) == pytest.approx(math.degrees(math.atan(3 / 5)))
    assert wall.top_deg(150) == pytest.approx(math.degrees(math.atan(3 * math.cos(math.radians(30)) / 5)))
    assert wall.top_deg(134.9) == 0.0


def test_pairs_are_joined_by_straight_lines_and_level_outside() -> None:
    """Between two points the skyline is a straight line; where nothing was entered it is level."""
    line = Skyline(read_pairs([[90, 10], [180, 20], [180, 4], [270, 4]]))
    assert line.height_deg(135) == pytest.approx(15)
    assert line.height_deg(200) == pytest.approx(4)
    assert line.height_deg(80) == line.height_deg(300) == 0.0


def test_a_skyline_may_pass_north() -> None:
    """Points from west over north to east go on clockwise."""
    line = Skyline(read_pairs([[300, 10], [20, 20], [100, 5]]))
    assert line.height_deg(340) == pytest.approx(15)
    assert line.height_deg(60) == pytest.approx(12.5)
    assert line.height_deg(200) == 0.0


@pytest.mark.parametrize(
    ("rows", "part"),
    [
        ([[90, 10], [180, 20], [120, 5]], "crosses itself: point 3"),
        ([[90, 10], [180, 20], [180, 5], [180, 9]], "crosses itself"),
        ([[300, 10], [100, 20], [310, 5]], "crosses itself"),
        ([[90, 95]], "height of 95"),
        ([[400, 5]], "bearing of 400"),
        ([[90]], "has to be"),
        ([["east", 5]], "has to be"),
        ([[90, float("nan")]], "has to be"),
    ],
)
def test_impossible_skylines_are_refused(rows: list[object], part: str) -> None:
    """A skyline that crosses itself, or holds what is no angle, is refused with the point's number."""
    with pytest.raises(InputError, match=part):
        read_pairs(rows)


@pytest.mark.parametrize(
    ("row", "part"),
    [
        ({"from": [10, 5], "to": [200, 5], "height_m": 3}, "under half a turn"),
        ({"from": [10, 0], "to": [20, 5], "height_m": 3}, "from has to be"),
        ({"from": [10, 5], "to": [20, 5]}, "height_m has to be"),
        ({"from": [10, 5], "to": [20, 5], "height_m": -1}, "height_m has to be"),
        ({"from": [10, 5], "to": [20, 5], "height_m": 3, "kind": "glass"}, "solid, evergreen, deciduous"),
        ({"from": [10, 5], "to": [20, 5], "hight_m": 3}, "hight_m is not"),
    ],
)
def test_impossible_obstacles_are_refused(row: dict[str, object], part: str) -> None:
    """An obstacle with a value that cannot be is refused in words."""
    with pytest.raises(InputError, match=part):
        read_obstacles([row])


def test_lit_hours_over_a_level_horizon_are_the_day_length() -> None:
    """Without anything in the way, hours of sun are sunrise to sunset."""
    for day in (date(2026, 12, 21), date(2027, 3, 20), date(2027, 6, 21)):
        assert lit_hours(HERE, day) == pytest.approx(day_length_h(day, 45.0))


def test_lit_hours_over_an_even_skyline_by_hand_geometry() -> None:
    """Over an even 6 degree skyline at 41.4 N, 4 November has 9 h of sun.

    Source: hand geometry: cos H = (sin 6 - sin 41.4 sin(-15.4)) / (cos 41.4 cos(-15.4)), 2 H / 15 = 8.97 h; refraction
    and the sun's width add 3 min.
    """
    site = Site(41.4, -75.6, ZoneInfo("UTC"), skyline=Skyline(read_pairs([[0, 6], [360, 6]])))
    phi, dec = math.radians(41.4), math.radians(-15.4)
    cosine = (math.sin(math.radians(6)) - math.sin(phi) * math.sin(dec)) / (math.cos(phi) * math.cos(dec))
    by_hand = 2 * math.degrees(math.acos(cosine)) / 15
    assert by_hand == pytest.approx(8.97, abs=0.03)
    assert lit_hours(site, date(2026, 11, 4)) == pytest.approx(by_hand + 3 / 60, abs=4 / 60)


def test_light_on_a_tilted_lid_agrees_with_pvlib() -> None:
    """The angle between sun and lid is pvlib's, to a millionth of its cosine."""
    from pvlib import irradiance

    for height, bearing, tilt, faces in ((20, 150, 6, 180), (10, 230, 45, 170), (40, 100, 30, 250), (5, 300, 60, 180)):
        wanted = max(0.0, float(irradiance.aoi_projection(tilt, faces, 90 - height, bearing)))
        assert cos_incidence(height, bearing, tilt, faces) == pytest.approx(wanted, abs=1e-6)


def test_noon_beam_on_the_lid_by_hand() -> None:
    """At solstice noon the beam on a lid facing the sun is the sine of sun height plus tilt.

    Source: hand geometry; at 45 N 0.37 flat, 0.46 at 6 degree, 0.78 at 30 degree.
    """
    height = sun_times(date(2026, 12, 21), 45.0, 0.0).noon_height_deg
    for tilt, wanted in ((0, 0.37), (6, 0.46), (30, 0.78), (60, 0.99)):
        assert cos_incidence(height, 180, tilt, 180) == pytest.approx(wanted, abs=0.006)


def test_clear_sky_agrees_with_pvlib_in_winter() -> None:
    """Our cloudless beam lies within 15 % of pvlib's Ineichen model at turbidity 3, sun 10 to 60 degree high."""
    import pandas as pd
    from pvlib import atmosphere, clearsky

    for height in (10, 20, 30, 45, 60):
        mass = atmosphere.get_absolute_airmass(atmosphere.get_relative_airmass(90 - height))
        theirs = clearsky.ineichen(90 - height, mass, 3.0, 0, dni_extra=1361.0)
        dni = float(theirs["dni"]) if not isinstance(theirs, pd.DataFrame) else float(theirs["dni"].iloc[0])
        assert skylight.clear_beam_w_m2(height, 0.0, 94) == pytest.approx(dni, rel=0.15)


def test_refraction_lifts_the_horizon_by_the_usual_amount() -> None:
    """At a geometric height of -0.8333 degree the upper edge of the sun just shows."""
    assert gleam_deg(-0.8333) == pytest.approx(0.0, abs=0.06)


def test_bare_crowns_take_a_third_of_the_beam_and_evergreens_most() -> None:
    """Behind a crown 0.65 of the beam is left in winter, 0.30 in leaf, 0.10 behind an evergreen, nothing behind a wall.

    Source: The Forest-Atmosphere Interaction (1985), bare maples and planes cut 30-34 %, in leaf 65-75 %.
    """
    row = {"from": [150, 10], "to": [210, 10], "height_m": 10}
    tree = Skyline((), read_obstacles([{**row, "kind": "deciduous"}]))
    assert 1 - tree.through(20, 180, True) == pytest.approx(0.35, abs=0.05)
    assert 0.65 <= 1 - tree.through(20, 180, False) <= 0.75
    assert Skyline((), read_obstacles([{**row, "kind": "evergreen"}])).through(20, 180, True) == 0.10
    assert Skyline((), read_obstacles([row])).through(20, 180, True) == 0.0
    assert is_bare(date(2027, 1, 15), 45.0)
    assert not is_bare(date(2027, 1, 15), -45.0)


def test_what_bare_crowns_take_is_counted_apart() -> None:
    """In January the light lost to bare crowns is the difference to the same spot without them, direct light only."""
    row = {"kind": "deciduous", "from": [140, 15], "to": [200, 15], "height_m": 14}
    with_tree = Spot("tree", Skyline((), read_obstacles([row])), 180, 6)
    january = months(HERE, with_tree)[0]
    assert january.bare_crowns_mj_m2 == pytest.approx(january.open_lid_mj_m2 - january.lid_mj_m2, rel=0.1)
    assert january.lit_h < january.possible_h


def test_advice_turns_a_lid_towards_the_noon_sun() -> None:
    """A lid that looks east gains by turning south; one that looks south is left alone; in the south it is north."""
    assert advise(HERE, Spot("a", Skyline(), 90, 30)).best_bearing_deg == 180
    assert "leave it" in advise(HERE, Spot("a", Skyline(), 180, 30)).sentences[0]
    south = dataclasses.replace(HERE, lat_deg=-45.0)
    assert advise(south, Spot("a", Skyline(), 90, 30)).best_bearing_deg == 0


def test_little_is_lost_within_fifteen_degrees_of_south() -> None:
    """Turning a 30 degree lid by 15 degree costs under 3 % of winter light.

    Source: hand geometry (cosine bound); growers' advice accepts south-east and south-west.
    """
    straight = skylight.winter_light_mj_m2(HERE, Spot("a", Skyline(), 180, 30))
    turned = skylight.winter_light_mj_m2(HERE, Spot("a", Skyline(), 165, 30))
    assert 0.0 < 1 - turned / straight < 0.03


def test_a_house_to_the_south_dims_the_open_sky_too() -> None:
    """The share of sky over a skyline of one height all round is the square of its cosine."""
    ring = Skyline(read_pairs([[0, 30], [360, 30]]))
    assert ring.sky_share(True) == pytest.approx(math.cos(math.radians(30)) ** 2, abs=1e-6)
    assert Skyline().sky_share(True) == 1.0
