"""The lid moves as statics say, and each way it can fail shows in position, current and switches."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from framesim.faults import Fault, FaultError, Faults
from framesim.lid_mechanics import LidMechanics, LidParts, Surroundings

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "mechanics.json").read_text())["rows"]
STILL = Surroundings()


def run(lid: LidMechanics, motor: int, seconds: float, around: Surroundings = STILL) -> None:
    """Drive for a while in steps of 200 ms."""
    for _ in range(round(seconds * 5)):
        lid.advance(200, motor, 1000, around)


def broken(part: str, kind: str, **options: float | str) -> tuple[LidMechanics, Faults, Fault]:
    """A lid with one fault from the start."""
    faults = Faults()
    fault = Fault(part, kind, dict(options))
    faults.start(fault)
    return LidMechanics(faults=faults), faults, fault


@pytest.mark.parametrize("row", ["ME-1A", "ME-1B"])
def test_arm_lever_and_dead_load_agree_with_statics(row: str) -> None:
    """Lever and force along the arm are those of the hinged bar. Source: beside the rows in mechanics.json."""
    case = REFERENCE[row]
    for angle, arm, force in zip(case["angle_deg"], case["arm_m"], case["force_n"], strict=True):
        parts = LidParts(
            mass_kg=REFERENCE["ME-01"]["mass_kg"],
            slope_deg=-angle,
            attach_m=case["attach_m"],
            pivot_x_m=case["pivot_m"][0],
            pivot_y_m=case["pivot_m"][1],
        )
        lid = LidMechanics(parts)
        assert lid.arm_length_m(0) == pytest.approx(arm, rel=case["tolerance_share"])
        assert lid.load_n(STILL) == pytest.approx(force, rel=case["tolerance_share"])


@pytest.mark.parametrize("index", range(6))
def test_wind_moment_on_an_open_lid_is_velocity_pressure_times_area(index: int) -> None:
    """0.613 V^2 on the whole lid, net coefficient 1 when open. Source: beside the row in mechanics.json."""
    case = REFERENCE["ME-04"]
    lid = LidMechanics(LidParts(mass_kg=0.0))
    lid.arm_permille = lid.lid_permille = 1000.0
    load = lid.load_n(Surroundings(wind_m_s=case["speed_m_s"][index]))
    assert -load * lid.arm_length_m(1000) == pytest.approx(case["moment_nm"][index], abs=case["tolerance"])


def test_a_kilopascal_of_snow_stalls_the_motor() -> None:
    """1 kPa on 1.44 m2 (864 N m; statics, ME-03 in mechanics.json) is more than a small motor lifts."""
    lid = LidMechanics()
    run(lid, 1, 10, Surroundings(snow_kg=REFERENCE["ME-03"]["force_n"] / 9.81))
    assert lid.lid_permille == 0
    assert lid.motor_ma == pytest.approx(lid.parts.stall_ma, rel=0.02)


def test_it_opens_in_its_travel_time_and_shuts_again() -> None:
    """40 s at 12 V within 5 %, both ends found by switch, current gone at the ends."""
    lid = LidMechanics()
    assert (lid.at_shut, lid.at_open) == (1, 0)
    run(lid, 1, 37)
    assert (lid.at_shut, lid.at_open) == (0, 0)
    assert 250 < lid.motor_ma < 600
    run(lid, 1, 6)
    assert (lid.at_shut, lid.at_open) == (0, 1)
    assert lid.motor_ma == 0
    run(lid, -1, 43)
    assert (lid.at_shut, lid.at_open) == (1, 0)
    assert lid.lid_permille == 0


def test_low_voltage_is_slow_and_dead_voltage_stalls() -> None:
    """Half voltage takes over twice the time; a few volts do not move the lid at all."""
    slow, dead = LidMechanics(), LidMechanics()
    run(slow, 1, 40, Surroundings(volts=6.0))
    run(dead, 1, 40, Surroundings(volts=0.7))
    assert 350 < slow.lid_permille < 500
    assert dead.lid_permille == 0


def test_starting_draws_a_surge_that_dies_away() -> None:
    """The first 50 ms look like a stall, half a second later they do not."""
    lid = LidMechanics()
    lid.advance(50, 1, 1000, STILL)
    assert lid.motor_ma > 1500
    run(lid, 1, 1)
    assert lid.motor_ma < 600


def test_a_stopped_screw_holds_in_a_storm() -> None:
    """With the motor off nothing moves, whatever the wind."""
    lid = LidMechanics()
    run(lid, 1, 20)
    before = lid.lid_permille
    run(lid, 0, 60, Surroundings(wind_m_s=25))
    assert lid.lid_permille == before


def test_blocked_lid_stands_and_draws_stall_current() -> None:
    """Blocked where it is: no movement either way, stall current within two seconds."""
    lid, _, _ = broken("lid", "blocked")
    run(lid, 1, 2)
    assert lid.lid_permille == 0
    assert lid.motor_ma > 3000


def test_blocked_at_a_position_stops_there_and_shutting_still_works() -> None:
    """An obstacle above 300 permille stops the lid at 300 but lets it shut."""
    lid, _, _ = broken("lid", "blocked", at_permille=300.0, direction="open")
    run(lid, 1, 60)
    assert lid.lid_permille == pytest.approx(300)
    assert lid.motor_ma > 3000
    run(lid, -1, 60)
    assert lid.lid_permille == 0


def test_closing_on_an_arm_builds_up_edge_force_and_current_tells_of_it() -> None:
    """Something under the lid: edge force and current grow together, and reversing frees it."""
    lid = LidMechanics()
    run(lid, 1, 20)
    lid.faults.start(Fault("lid", "blocked", {"at_permille": 200.0, "direction": "shut"}))
    seen = []
    for _ in range(100):
        lid.advance(200, -1, 1000, STILL)
        if lid.edge_n:
            seen.append((lid.edge_n, lid.motor_ma))
    assert seen[0][0] < 300 < lid.peak_edge_n < 800
    assert seen[0][1] < seen[-1][1]
    assert lid.lid_permille == pytest.approx(200)
    run(lid, 1, 1)
    assert lid.edge_n == 0


def test_wedged_mid_way_moves_neither_way() -> None:
    """A jam that begins in the middle of a move holds both ways until it ends."""
    lid = LidMechanics()
    run(lid, 1, 10)
    jam = Fault("lid", "blocked")
    lid.faults.start(jam)
    at = lid.lid_permille
    run(lid, 1, 5)
    run(lid, -1, 10)
    assert lid.lid_permille == at
    lid.faults.end(jam)
    run(lid, -1, 40)
    assert lid.lid_permille == 0


def test_latch_stops_opening_and_does_not_stop_an_open_lid() -> None:
    """Left on, it holds the shut lid (with its slack); put on later it holds nothing."""
    lid, faults, latch = broken("lid", "latch", slack_permille=8.0)
    run(lid, 1, 20)
    assert lid.lid_permille == pytest.approx(8)
    assert lid.at_shut == 0
    faults.end(latch)
    run(lid, 1, 20)
    faults.start(latch)
    at = lid.lid_permille
    run(lid, 1, 5)
    assert lid.lid_permille > at


def test_weak_ice_breaks_with_a_jump_and_strong_ice_stalls() -> None:
    """300 N of bond gives way to the motor, 1200 N does not until it thaws."""
    weak, _, _ = broken("lid", "ice", bond_n=300.0)
    run(weak, 1, 40, Surroundings(temp_degc=-5))
    assert weak.lid_permille > 900
    strong, _, _ = broken("lid", "ice")
    run(strong, 1, 10, Surroundings(temp_degc=-5))
    assert strong.lid_permille == 0
    assert strong.motor_ma > 3000
    run(strong, 1, 5, Surroundings(temp_degc=3))
    assert strong.lid_permille > 50


def test_weight_on_the_lid_takes_more_current_or_stalls() -> None:
    """40 kg lie in the motor's reach with high current, 150 kg do not."""
    some, _, _ = broken("lid", "weight", kg=40.0)
    run(some, 1, 10)
    assert some.lid_permille > 100
    assert some.motor_ma > 1000
    heavy, _, _ = broken("lid", "weight", kg=150.0)
    run(heavy, 1, 10)
    assert heavy.lid_permille == 0


def test_broken_wire_draws_nothing_and_moves_nothing() -> None:
    """No current is how a broken wire looks."""
    lid, _, _ = broken("motor", "broken-wire")
    run(lid, 1, 20)
    assert (lid.lid_permille, lid.motor_ma) == (0, 0)


def test_wrong_way_wiring_shuts_when_told_to_open() -> None:
    """Told to shut an open lid, a wrongly wired motor keeps it open, and the reverse."""
    lid = LidMechanics()
    run(lid, 1, 20)
    lid.faults.start(Fault("motor", "wrong-way"))
    before = lid.lid_permille
    run(lid, 1, 5)
    assert lid.lid_permille < before


def test_stuck_relay_runs_on() -> None:
    """Told to stop, the motor goes on to the end."""
    lid = LidMechanics()
    run(lid, 1, 5)
    lid.faults.start(Fault("motor", "relay-stuck"))
    run(lid, 0, 60)
    assert lid.lid_permille == 1000


def test_arm_off_runs_light_while_the_lid_stays_shut() -> None:
    """The motor runs at idle current, the rim switch stays made, a switch in the motor is fooled."""
    lid, _, _ = broken("lid", "arm-off")
    run(lid, 1, 20)
    assert lid.arm_permille > 400
    assert lid.lid_permille == 0
    assert lid.at_shut == 1
    assert lid.motor_ma < 300
    fooled = LidMechanics(LidParts(switches_on="motor"), lid.faults)
    run(fooled, 1, 60)
    assert (fooled.at_open, fooled.lid_permille) == (1, 0)


def test_wind_lifts_a_loose_lid_and_lets_it_fall() -> None:
    """Above its wind it flies to its place without the motor, below half of that it falls."""
    lid, _, _ = broken("lid", "wind-lift", wind_m_s=8.0, to_permille=600.0)
    run(lid, 0, 1, Surroundings(wind_m_s=5))
    assert lid.at_shut == 1
    run(lid, 0, 1, Surroundings(wind_m_s=9))
    assert lid.lid_permille == 600
    run(lid, 0, 1, Surroundings(wind_m_s=5))
    assert lid.lid_permille == 600
    run(lid, 0, 1, Surroundings(wind_m_s=3))
    assert lid.lid_permille == 0


def test_lifted_by_hand_is_open_without_the_motor() -> None:
    """Unhooked and lifted, the lid is up while it lasts."""
    lid, faults, fault = broken("lid", "lifted")
    run(lid, 0, 1)
    assert (lid.at_shut, lid.at_open) == (0, 1)
    faults.end(fault)
    run(lid, 0, 1)
    assert lid.at_shut == 1


def test_weak_stiff_and_shorted_motors() -> None:
    """Weak and stiff are slow at more current; a short is all current and no movement."""
    weak, _, _ = broken("motor", "weak", share=0.15)
    stiff, _, _ = broken("lid", "stiff")
    short, _, _ = broken("motor", "short")
    fine = LidMechanics()
    for lid in (weak, stiff, short, fine):
        run(lid, 1, 10)
    assert weak.lid_permille < 0.8 * fine.lid_permille
    assert stiff.lid_permille < 0.9 * fine.lid_permille
    assert stiff.motor_ma > fine.motor_ma + 500
    assert (short.lid_permille, short.motor_ma) == (0, 8000)


@pytest.mark.parametrize(
    ("part", "kind", "shut", "open_"),
    [
        ("switch-shut", "stuck-on", 1, 0),
        ("switch-shut", "stuck-off", 0, 0),
        ("switch-open", "stuck-on", 0, 1),
        ("switch-open", "stuck-off", 0, 0),
    ],
)
def test_stuck_switches_lie_half_way(part: str, kind: str, shut: int, open_: int) -> None:
    """In the middle of the travel a stuck switch says what it is stuck at."""
    lid, _, _ = broken(part, kind)
    run(lid, 1, 20)
    assert (lid.at_shut, lid.at_open) == (shut, open_)


def test_unknown_faults_are_told_apart_from_known_ones() -> None:
    """A misspelt part, kind or option is refused with the nearest name."""
    with pytest.raises(FaultError, match='Did you mean "lid"'):
        Fault("lit", "ice")
    with pytest.raises(FaultError, match='Did you mean "latch"'):
        Fault("lid", "lach")
    with pytest.raises(FaultError, match="no option"):
        Fault("lid", "ice", {"bond": 3.0})
    with pytest.raises(FaultError, match="has to be a number"):
        Fault("lid", "ice", {"bond_n": "much"})


def test_step_length_hardly_matters() -> None:
    """Mechanics at 50 ms and at 200 ms end within half a percent of each other."""
    coarse, fine = LidMechanics(), LidMechanics()
    run(coarse, 1, 20)
    for _ in range(400):
        fine.advance(50, 1, 1000, STILL)
    assert math.isclose(coarse.lid_permille, fine.lid_permille, rel_tol=0.005)
