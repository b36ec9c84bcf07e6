"""What the fault bench found in the drive, each with the test that was written for it.

Times and limits are our own (marked "chosen" in controller/sash/lid_motion.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_current, lid_motion, lid_place, lid_table
from sash.lid_motion import NONE

sys.path.insert(0, str(Path(__file__).parent))
from lid_bench import LidBench

TRAVEL_S = 40


def test_a_wire_that_breaks_in_mid_move_is_a_dead_motor() -> None:
    """Current flowed and stops flowing while the lid rises: motor-dead within two seconds, not a finished drive."""
    bench = LidBench()
    bench.run(400, 4)
    assert bench.motion.motor
    bench.dead = True
    bench.run(400, 2.2)
    assert bench.motion.motor == 0
    assert bench.fault == "motor-dead"


def test_a_sensor_that_never_showed_current_does_not_stop_the_lid() -> None:
    """The switch opened although no current was ever read: the sensor is dead, the drive goes on to its goal."""
    bench = LidBench()
    moves = bench._drive
    bench._drive = lambda dt_ms: moves(dt_ms) * 0
    bench.until_rest(400)
    assert bench.state == "part"
    assert bench.at == pytest.approx(400, abs=20)
    assert bench.fault == ""


def test_stall_while_shutting_drives_back_for_a_moment() -> None:
    """Something under the edge: stop, one step of standstill, less than half a second back, then nothing more."""
    bench = LidBench().until_rest(600)
    bench.run(0, 3)
    bench.blocked = {-1}
    while bench.motion.motor == -1:
        bench.step(0)
    stopped_ms, stopped_at = bench.clock_ms, bench.at
    assert bench.fault == "stuck-part"
    bench.step(0)
    assert bench.motion.motor == 1
    while bench.motion.moving:
        bench.step(0)
    assert bench.clock_ms - stopped_ms <= 200 + lid_motion.RELEASE_MS
    assert 6 <= bench.at - stopped_at <= 14
    assert bench.fault == "stuck-part"
    bench.run(0, 50)
    assert bench.motion.motor == 0


def test_stall_while_opening_drives_nowhere() -> None:
    """Only what is under a closing edge is let go."""
    bench = LidBench().until_rest(300)
    bench.blocked = {1}
    bench.until_rest(700)
    bench.run(700, 5)
    assert bench.motion.motor == 0
    assert bench.motion._last_direction == 1


def test_drive_back_ends_at_its_own_stall_at_the_open_end_and_under_hold() -> None:
    """Blocked both ways it gives up at once; at the open switch and under hold too."""
    for end in ("blocked", "open", "hold"):
        bench = LidBench().until_rest(600)
        bench.run(0, 3)
        bench.blocked = {-1}
        while bench.motion.motor == -1:
            bench.step(0)
        bench.step(0)
        assert bench.motion.motor == 1
        if end == "blocked":
            bench.blocked = {1, -1}
        elif end == "open":
            bench.open_reads = 1
        else:
            bench.hold = 1
        bench.step(0)
        bench.step(0)
        assert bench.motion.motor == 0


def test_tries_against_an_obstacle_do_not_talk_the_lid_shut() -> None:
    """Pressing is no way: after all tries the lid that lies on something is thought where it is, not nearly shut."""
    bench = LidBench().until_rest(100).shutting_on(60)
    bench.run(0, 2_000)
    assert bench.motion.latched
    assert bench.motion.position_permille == pytest.approx(60, abs=25)
    assert bench.motion.position_permille >= lid_place.NOT_AT_END


def test_lid_a_finger_from_shut_counts_as_open() -> None:
    """Stuck just above the rim with the shut switch not made: open enough for the frost alarm."""
    bench = LidBench().until_rest(400).shutting_on(8)
    bench.run(0, 3)
    assert bench.fault == "stuck-part"
    assert bench.motion.position_permille > 20


@pytest.mark.parametrize("opening", [30, 100])
def test_a_wire_broken_before_it_shuts_from_a_crack_is_a_dead_motor(opening: int) -> None:
    """A crack is near the shut end all the way, but a drive that never drew current has not come there."""
    bench = LidBench().until_rest(opening)
    bench.dead = True
    bench.step(0)
    bench.run(0, 2)
    assert bench.motion.motor == 0
    assert bench.fault == "motor-dead"
    assert bench.state == "stuck"


def test_dead_sensor_shuts_a_crack_all_the_way() -> None:
    """With the current sensor dead a lid shuts from a narrow crack until its switch makes."""
    bench = LidBench()
    moves = bench._drive
    bench._drive = lambda dt_ms: moves(dt_ms) * 0
    bench.speed = 0.8
    bench.until_rest(30).until_rest(0)
    assert bench.state == "shut"
    assert bench.at <= 3
    assert bench.fault == ""


def test_without_switches_a_lid_that_stands_at_its_end_is_found_there() -> None:
    """First start of a frame without end switches, lid shut at the drive's own stop: no dead motor, only a doubt."""
    bench = LidBench(saved=NONE, end_switches=0)
    bench.run(0, 20)
    assert bench.state == "shut"
    assert bench.motion.fault == 0
    assert bench.fault == "lost-position"
    bench.until_rest(400)
    assert bench.at == pytest.approx(400, abs=30)


def test_a_lid_that_wind_has_lifted_is_not_given_up() -> None:
    """Lifted off the shut end for two hours, the arm at its own stop: looked for again and again, never latched;
    once it is down again it opens."""
    bench = LidBench().run(0, 60)
    bench.dead = True  # the arm stands at its end and draws nothing
    bench.at = 500
    bench.run(0, 7_200)
    assert bench.motion.doubt == lid_table.LIFTED
    assert bench.motion.fault == 0
    assert not bench.motion.latched
    starts = [word for _, word in bench.log].count("shutting")
    assert 5 <= starts <= 12
    bench.at, bench.dead = 0, False
    bench.run(0, 10)
    assert bench.state == "shut"
    assert bench.fault == ""
    bench.until_rest(400)
    assert bench.state == "part"


def test_shutting_stops_at_less_than_half_the_current_that_opening_may_take() -> None:
    """The lid's weight helps it down, so a current that is still fine while opening is a hand while shutting."""
    limit_ma = 3_000 * lid_current.SHUT_SHARE // 1_000
    cases = ((400, 0, limit_ma, 0), (0, 600, limit_ma - 300, 1), (0, 600, limit_ma - 301, 0))
    for want, start, extra_ma, stops in cases:
        bench = LidBench()
        if start:
            bench.until_rest(start)
        bench.step(want)
        bench.run(want, 0.6)
        bench.stray_ma = extra_ma
        bench.step(want)
        assert (bench.motion.motor == 0) == bool(stops), (want, extra_ma)


@pytest.mark.parametrize("power", [300, 500, 867])
def test_shutting_keeps_to_the_power_that_the_fittings_allow(power: int) -> None:
    """Sizing slows a fast lid by less power while shutting; it opens with all, and arrives without a doubt."""
    bench = LidBench(shut_power_permille=power)
    bench.until_rest(1000)
    assert bench.state == "open"
    most = 0
    bench.step(0)
    while bench.motion.moving or bench.motion.siren:
        most = max(most, bench.motion.duty_permille)
        bench.step(0)
    assert most == power
    assert (bench.state, bench.fault) == ("shut", "")
