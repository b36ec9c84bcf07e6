"""Sizing sums against published and hand-worked figures."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from sashkeeper.sizing import cable, judge_lid, linkage, loads, power, sunshine
from sashkeeper.sizing.lid import Drive, Lid, snow_limit_m, work_out
from sashkeeper.sizing.linkage import Place
from sashkeeper.sizing.rows import Verdict, worst

ROWS: dict[str, Any] = json.loads((Path(__file__).parents[1] / "reference" / "mechanics.json").read_text())["rows"]
MASS_KG = ROWS["ME-01"]["mass_kg"]
FLAT = {"slope_deg": 0.0, "open_deg": 60.0}


def place_of(row: dict[str, Any]) -> Place:
    """The drive's place of a reference row."""
    return Place(row["attach_m"], *row["pivot_m"])


def test_me_01_mass_moment_and_lift_of_the_reference_lid() -> None:
    """Sheet plus rails give the hand-worked mass, hinge moment and front lift. Source: ME-01, statics."""
    row = ROWS["ME-01"]
    mass = loads.lid_mass_kg(1.2, 1.2, 1.3)
    moment = loads.weight_moment_nm(mass, 1.2, 0.0)
    assert mass == pytest.approx(row["mass_kg"], abs=row["tolerance"])
    assert moment == pytest.approx(row["moment_nm"], abs=row["tolerance"])
    assert moment / 1.2 == pytest.approx(row["front_n"], abs=row["tolerance"])


@pytest.mark.parametrize("sign", [1, -1])
def test_me_02_a_sloping_lid_weighs_less_on_its_hinge(sign: int) -> None:
    """The moment falls with the cosine of the slope, up or down. Source: ME-02, statics."""
    row = ROWS["ME-02"]
    moment = loads.weight_moment_nm(MASS_KG, 1.2, sign * row["slope_deg"])
    assert moment == pytest.approx(row["moment_nm"], abs=row["tolerance"])


def test_me_03_snow_moment() -> None:
    """One kilopascal of snow on a level lid gives the hand-worked moment. Source: ME-03, statics."""
    row = ROWS["ME-03"]
    moment = loads.snow_moment_nm(row["snow_kpa"], 1.2, 1.2, 0.0)
    assert moment == pytest.approx(row["moment_nm"], abs=row["tolerance"])
    assert moment / 1.2 == pytest.approx(row["front_n"], abs=row["tolerance"])


def test_me_04_wind_pressure_and_moment() -> None:
    """Gusts of 5 to 30 m/s give the published pressure and its moment. Source: ME-04, ASCE 7 constant."""
    row = ROWS["ME-04"]
    for speed, q_pa, moment in zip(row["speed_m_s"], row["q_pa"], row["moment_nm"], strict=True):
        found = loads.wind_pressure_pa(speed)
        assert found == pytest.approx(q_pa, abs=row["tolerance"])
        assert loads.pressure_moment_nm(found, 1.2, 1.2) == pytest.approx(moment, abs=row["tolerance"])


@pytest.mark.parametrize("name", ["ME-1A", "ME-1B"])
def test_me_1a_1b_length_arm_and_force_of_two_places(name: str) -> None:
    """Two places of the drive give the hand-worked length, arm and force. Source: ME-1A, ME-1B, statics."""
    row = ROWS[name]
    for n, angle in enumerate(row["angle_deg"]):
        arm = linkage.arm_m(place_of(row), angle)
        force = loads.weight_moment_nm(MASS_KG, 1.2, angle) / arm
        assert linkage.length_m(place_of(row), angle) == pytest.approx(row["length_m"][n], rel=row["tolerance_share"])
        assert arm == pytest.approx(row["arm_m"][n], rel=row["tolerance_share"])
        assert force == pytest.approx(row["force_n"][n], rel=row["tolerance_share"])


@pytest.mark.parametrize(("name", "key"), [("ME-1A", "force_a_n"), ("ME-1B", "force_b_n")])
def test_me_14_snow_is_beyond_small_drives(name: str, key: str) -> None:
    """With 1 kPa of snow the drive would need kilonewtons, and the verdict says blocked. Source: ME-14, statics."""
    row = ROWS["ME-14"]
    shape = Lid(1.2, 1.2, MASS_KG, 0.0, 15.0, snow_kpa=row["snow_kpa"], open_wind_m_s=0.0, shut_wind_m_s=0.0)
    place = place_of(ROWS[name])
    moment = loads.weight_moment_nm(MASS_KG, 1.2, 0.0) + loads.snow_moment_nm(1.0, 1.2, 1.2, 0.0)
    assert moment / linkage.arm_m(place, 0.0) == pytest.approx(row[key], rel=row["tolerance_share"])
    figures, rows = judge_lid.judge(shape, Drive(750, 5, 3), place)
    assert figures.loaded_force_n >= row[key] * (1 - row["tolerance_share"])
    blocked = [r for r in rows if "snow" in r.what]
    assert blocked[0].verdict is Verdict.CONDITION
    assert "blocked" in blocked[0].advice


def test_me_21_snow_density_and_depth() -> None:
    """Ground load gives the published density and depth, capped. Source: ME-21, ASCE 7 equation 7.7-1."""
    row = ROWS["ME-21"]
    for load, density, depth in zip(row["ground_kpa"], row["density_kn_m3"], row["depth_m"], strict=True):
        assert loads.snow_density_kn_m3(load) == pytest.approx(density, abs=row["tolerance"])
        assert loads.snow_depth_m(load) == pytest.approx(depth, abs=row["tolerance"])
    assert loads.snow_density_kn_m3(50.0) == 4.7


def test_edge_speed_follows_the_arm_by_finite_difference() -> None:
    """The edge speed from the arm equals the one from two lengths a hair apart. Source: own finite difference."""
    place, step = place_of(ROWS["ME-1A"]), 1e-4
    for angle in (0.0, 20.0, 55.0):
        longer = linkage.length_m(place, angle + step) - linkage.length_m(place, angle - step)
        turned = math.radians(2 * step)
        assert linkage.edge_speed_mm_s(place, angle, 5.0, 1.2) == pytest.approx(5.0 * 1.2 * turned / longer, rel=1e-6)


def test_closing_force_grows_towards_the_hinge_as_one_over_the_depth() -> None:
    """At half and a fifth of the depth the force is twice and five times the edge's. Source: lever rule."""
    figures = work_out(Lid(1.2, 1.2, MASS_KG), Drive(200, 5, 1.2, hardware_limit_a=1.3), Place(0.794, 0.442, -0.37))
    edge, half, fifth = figures.closing_n
    assert (half / edge, fifth / edge) == pytest.approx((2.0, 5.0))


def test_closing_force_by_hand() -> None:
    """A level lid on place A whose driver stops at the rated current presses with weight and rated force.

    Source: worked by hand: (43.186 N m + 200 N x 0.4472 m) / 1.2 m = 110.5 N.
    """
    shape = Lid(1.2, 1.2, MASS_KG, 0.0, 15.0)
    figures = work_out(shape, Drive(200, 5, 1.2, hardware_limit_a=1.2), place_of(ROWS["ME-1A"]))
    assert figures.closing_n[0] == pytest.approx(110.5, abs=0.1)


def test_a_slotted_link_closes_with_the_weight_alone() -> None:
    """With a link that only pushes, the strongest drive adds nothing to the closing force. Source: statics."""
    shape = Lid(1.2, 1.2, MASS_KG, slotted=True)
    figures, rows = judge_lid.judge(shape, Drive(2000, 5, 6), Place(0.794, 0.442, -0.37))
    assert figures.closing_n[0] == pytest.approx(MASS_KG * 9.80665 / 2, rel=0.01)
    assert next(r for r in rows if r.id == "SAF-1").verdict is Verdict.SOUND


def test_a_strong_drive_without_a_hardware_limit_is_refused_and_told_why() -> None:
    """A drive that could crush is refused, whatever limit the program has, and the way out is named."""
    _, rows = judge_lid.judge(Lid(1.2, 1.2, MASS_KG), Drive(750, 5, 3), Place(0.794, 0.442, -0.37))
    assert worst(rows) is Verdict.REFUSED
    refused = next(r for r in rows if r.verdict is Verdict.REFUSED)
    assert refused.id == "SAF-1"
    assert "slotted" in refused.advice


def test_naming_the_advised_hardware_limit_makes_the_lid_sound() -> None:
    """The limit that the advice names keeps the closing edge at 150 N and still opens the lid."""
    shape, place = Lid(1.2, 1.2, MASS_KG), Place(0.794, 0.442, -0.37)
    first = work_out(shape, Drive(750, 5, 3), place)
    named = math.floor(first.safe_limit_a * 10) / 10
    figures, rows = judge_lid.judge(shape, Drive(750, 5, 3, hardware_limit_a=named), place)
    assert 130.0 < figures.closing_n[0] <= 150.0
    assert worst(rows) is Verdict.SOUND
    assert figures.working_a < figures.limit_a < named


def test_a_guarded_gap_turns_refusal_into_a_condition() -> None:
    """A recorded guard lets more force pass, as a condition, never as plain sound."""
    shape = Lid(1.2, 1.2, MASS_KG, guarded=True)
    _, rows = judge_lid.judge(shape, Drive(750, 5, 3), Place(0.794, 0.442, -0.37))
    assert worst(rows) is Verdict.CONDITION


def test_mains_voltage_is_refused() -> None:
    """Nothing above 24 V d.c. passes."""
    _, rows = judge_lid.judge(Lid(1.2, 1.2, MASS_KG), Drive(200, 5, 1.2, supply_v=48.0), Place(0.794, 0.442, -0.37))
    assert next(r for r in rows if r.id == "SAF-12").verdict is Verdict.REFUSED


def test_dead_centre_and_too_short_a_drive_are_refused() -> None:
    """A drive in line with the hinge, or one that no maker could build, is refused."""
    level = Lid(1.2, 1.2, MASS_KG, **FLAT)
    _, rows = judge_lid.judge(level, Drive(200, 5, 1), Place(0.5, -0.3, -0.02))
    assert any(r.verdict is Verdict.REFUSED and "arm" in r.what for r in rows)
    _, rows = judge_lid.judge(level, Drive(200, 5, 1), place_of(ROWS["ME-1A"]))
    assert any(r.verdict is Verdict.REFUSED and "stroke" in r.what for r in rows)


@pytest.mark.parametrize(
    ("depth", "wall", "opening"), [(1.2, 0.4, 30), (0.6, 0.3, 30), (1.8, 0.45, 20), (0.9, 0.35, 45)]
)
def test_the_place_that_is_found_fits(depth: float, wall: float, opening: float) -> None:
    """A found place is inside the frame, fits an ordinary drive and never passes the dead centre."""
    place = linkage.best_place(depth, wall, -10.0, opening - 10.0)
    assert place is not None
    found = linkage.fit(place, -10.0, opening - 10.0)
    assert found.housed
    assert not found.dead_centre
    assert -wall < place.pivot_y_m < 0 < place.pivot_x_m < depth


def test_speed_beyond_the_limits() -> None:
    """An edge above 15 mm/s is to be slowed; above 50 mm/s while opening it is refused.

    Source: guidance on powered windows.
    """
    shape, place = Lid(1.2, 1.2, MASS_KG), Place(0.794, 0.442, -0.37)
    figures, rows = judge_lid.judge(shape, Drive(200, 10, 1.2, hardware_limit_a=1.2), place)
    slowed = figures.edge_mm_s * figures.closing_duty
    assert slowed == pytest.approx(15.0)
    assert worst(rows) is Verdict.CONDITION
    _, rows = judge_lid.judge(shape, Drive(200, 30, 1.2, hardware_limit_a=1.2), place)
    assert worst(rows) is Verdict.REFUSED


def test_snow_limit_by_hand() -> None:
    """The liftable depth of snow is what is left of the rated force. Source: worked by hand below.

    200 N x 0.4472 m = 89.44 N m, less 43.186 leaves 46.25 N m; 864 N m per kPa, so 0.05354 kPa, which at
    100 kg/m3 (0.980665 kN/m3) is 0.0546 m.
    """
    shape = Lid(1.2, 1.2, MASS_KG, 0.0, 15.0)
    assert snow_limit_m(shape, Drive(200, 5, 1.2), place_of(ROWS["ME-1A"]), 100.0) == pytest.approx(0.0546, abs=0.0001)


def test_el_61_guessed_currents_are_within_the_general_range() -> None:
    """Without the maker's figures, idle and stall current are guessed inside the usual range. Source: EL-61."""
    drive = Drive(200, 5, 2.0)
    assert ROWS["EL-61"]["idle"][0] <= drive.idle_a / 2.0 <= ROWS["EL-61"]["idle"][1]
    assert ROWS["EL-61"]["stall"][0] <= drive.stalled_a / 2.0 <= ROWS["EL-61"]["stall"][1]
    assert drive.force_at_n(drive.current_a(123.0)) == pytest.approx(123.0)


def test_el_50_rest_voltage() -> None:
    """Charge gives the reprinted rest voltage, and a line between the rows. Source: EL-50."""
    row = ROWS["EL-50"]
    for charge, volts in zip(row["charge"], row["volts"], strict=True):
        assert power.rest_v(charge) == pytest.approx(volts, abs=row["tolerance"])
    assert power.rest_v(0.625) == pytest.approx((12.45 + 12.24) / 2)


@pytest.mark.parametrize(("name", "key"), [("DAY-04", "ra_mj_m2"), ("OPT-52", "h0_mj_m2")])
def test_sun_above_the_air(name: str, key: str) -> None:
    """Two printed examples of the daily sun above the air are met. Source: DAY-04 (FAO-56 ex. 8), OPT-52."""
    row = ROWS[name]
    found = sunshine.above_air_kwh_m2(row["lat_deg"], row["day"]) * 3.6
    assert found == pytest.approx(row[key], abs=row["tolerance"])


@pytest.mark.parametrize(
    ("lat", "day", "tilt"), [(45.0, 344, 65.0), (40.0, 47, 30.0), (55.0, 17, 70.0), (-40.0, 162, 60.0)]
)
def test_beam_ratio_against_summed_sun_positions(lat: float, day: int, tilt: float) -> None:
    """The closed form equals the sum over the day of cos(incidence) over cos(zenith). Source: own sum of minutes."""
    dec = sunshine.declination_rad(day)
    phi, beta = math.radians(lat), math.radians(tilt) * (1 if lat >= 0 else -1)
    on_panel = on_ground = 0.0
    for minute in range(1440):
        hour = math.radians((minute + 0.5) / 4.0 - 180.0)
        up = math.sin(phi) * math.sin(dec) + math.cos(phi) * math.cos(dec) * math.cos(hour)
        if up <= 0:
            continue
        on_ground += up
        low = phi - beta
        on_panel += max(math.sin(low) * math.sin(dec) + math.cos(low) * math.cos(dec) * math.cos(hour), 0.0)
    assert sunshine.beam_ratio(lat, day, tilt) == pytest.approx(on_panel / on_ground, rel=2e-3)


def test_the_darkest_month_changes_sides_with_the_hemisphere() -> None:
    """December is darkest in the north, June in the south."""
    assert sunshine.darkest_month(45.0, 65.0) == 12
    assert sunshine.darkest_month(-45.0, 65.0) == 6


def test_awg_sizes() -> None:
    """Gauge numbers give the printed cross sections. Source: ASTM B258."""
    for gauge, area in zip(ROWS["AWG"]["gauge"], ROWS["AWG"]["mm2"], strict=True):
        assert cable.awg_mm2(gauge) == pytest.approx(area, rel=ROWS["AWG"]["tolerance_share"])


def test_cable_drop_by_hand() -> None:
    """Five metres there and back of 1.5 mm2 at 3 A lose 0.345 V. Source: by hand, 2 x 5 x 3 / (58 x 1.5)."""
    assert cable.drop_v(5.0, 1.5, 3.0) == pytest.approx(0.3448, abs=1e-4)


@pytest.mark.parametrize("current", [0.2, 1.0, 2.0, 3.3, 6.0, 12.0])
@pytest.mark.parametrize("length", [1.0, 5.0, 20.0])
def test_a_chosen_wire_is_protected_by_its_fuse_and_drops_little(current: float, length: float) -> None:
    """Whatever wire is chosen, its fuse is no larger than it bears; where none fits it is refused."""
    area, fuse = cable.section_mm2(length, current, 12.0), cable.fuse_a(current)
    if area is None or fuse is None:
        _, rows = power.judge(power.Load(motor_a=current), power.Supply(500, 500, 40.0, cable_m=length))
        assert any(row.what == "cable and fuse" for row in rows if row.verdict is Verdict.REFUSED)
        return
    assert dict(cable.SECTIONS)[area] >= fuse >= 1.5 * current
    assert cable.drop_v(length, area, current) <= 0.05 * 12.0


def test_power_by_hand() -> None:
    """A plain case worked by hand: charge a day, days without sun, need of battery.

    Source: by hand: 0.06 A x 24 h = 1.44 Ah, and 12 x 60 s x 2 A = 0.4 Ah; 40 Ah x 0.5 x 0.75 = 15 Ah; 15 / 1.84.
    """
    figures = power.work_out(power.Load(), power.Supply(40, 50, 45.0))
    assert figures.daily_ah == pytest.approx(1.84)
    assert figures.days == pytest.approx(15 / 1.84)
    assert figures.needed_ah == pytest.approx(1.84 * 7 / 0.375)


def test_following_the_power_advice_makes_it_sound() -> None:
    """The battery and panel that the advice names pass when bought."""
    small, rows = power.judge(power.Load(), power.Supply(12, 10, 50.0))
    assert worst(rows) is Verdict.REFUSED
    _, rows = power.judge(power.Load(), power.Supply(small.needed_ah, small.needed_w, 50.0))
    assert worst(rows) is Verdict.SOUND


def test_polar_night_is_refused_with_other_ways() -> None:
    """Where the sun stays down no panel is big enough, and the sentence says what to do instead."""
    _, rows = power.judge(power.Load(), power.Supply(100, 100, 66.0, clearness=0.05))
    refused = [r for r in rows if r.verdict is Verdict.REFUSED]
    assert "by hand" in refused[0].advice


def test_a_weather_file_month_replaces_the_guess() -> None:
    """Measured sun of the dark month decides when it is given. Source: invented monthly sums."""
    sums = (0.9, 1.6, 2.6, 3.7, 4.6, 5.0, 5.1, 4.4, 3.3, 2.0, 1.0, 0.2)
    figures = power.work_out(power.Load(), power.Supply(40, 50, 50.0, month_kwh_m2=sums))
    assert figures.month == 12
    assert figures.sun_kwh_m2 < power.work_out(power.Load(), power.Supply(40, 50, 50.0)).sun_kwh_m2


def test_lithium_in_frost_is_a_condition() -> None:
    """A lithium battery passes only with its own guard against charging in frost."""
    _, rows = power.judge(power.Load(), power.Supply(40, 60, 40.0, lithium=True))
    assert worst(rows) is Verdict.CONDITION


def test_a_fuse_too_large_for_the_wire_is_refused() -> None:
    """Thin wire with a strong motor is refused, since the wire would burn before the fuse."""
    _, rows = power.judge(power.Load(motor_a=6.0), power.Supply(200, 200, 40.0, cable_m=1.0, cable_mm2=0.5))
    assert any("burn" in r.advice for r in rows if r.verdict is Verdict.REFUSED)
