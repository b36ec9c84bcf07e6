"""The firmware in this process keeps a tiny frame; what breaks shows, and the link's ups and downs lose nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from framesim.lid_mechanics import FULL_PERMILLE
from framesim.runner import Hooks, InProcess
from framesim.scenario import Scenario, parse
from framesim.virtual_frame import Parts, VirtualFrame
from framesim.weather import Weather

DAY_S = 86_400
Made = Callable[..., InProcess]


class Heard(list[tuple[str, Any]]):
    """Messages as (suffix, decoded JSON)."""

    def take(self, frame: str, suffix: str, payload: bytes) -> None:
        """Hook."""
        assert frame == "north"
        self.append((suffix, json.loads(payload)))

    def of(self, suffix: str) -> list[Any]:
        """All payloads of one kind."""
        return [said for what, said in self if what == suffix]

    def faults(self) -> list[str]:
        """Fault words raised, in order."""
        return [event["fault"] for event in self.of("events") if event["kind"] == "fault"]


@pytest.fixture
def heard() -> Heard:
    """What the hook got."""
    return Heard()


@pytest.fixture
def make(
    tiny_frame: Callable[..., VirtualFrame],
    fittings: dict[str, Any],
    settings: dict[str, int],
    sunny: Weather,
    heard: Heard,
) -> Made:
    """Makes a runner that starts at the first midnight, or at another local time of day."""

    def build(scenario: str = "", at: str = "2027-03-01T00:00", **changes: Any) -> InProcess:
        hours = (int(at[8:10]) - 1) * 24 + int(at[11:13])
        story = parse(scenario, sunny.utc_offset_h) if scenario else Scenario()
        own = {**fittings, **changes}
        parts = Parts.for_fittings(own)
        hooks = Hooks(on_message=heard.take)
        return InProcess(
            tiny_frame(parts), own, sunny.start_s + hours * 3600, scenario=story, hooks=hooks, settings=settings
        )

    return build


def highest_air(runner: InProcess, until_s: float) -> float:
    """Run and return the highest air temperature on the way."""
    seen = -99.0
    while runner.time_s < until_s:
        runner.step()
        seen = max(seen, runner.frame.model.air_degc)
    return seen


def test_a_sunny_day_opens_before_30_degrees_and_shuts_in_the_evening(make: Made, sunny: Weather) -> None:
    """The day's job: never 30 C inside, shut again before dark."""
    runner = make()
    assert highest_air(runner, sunny.start_s + DAY_S) < 30.0
    moves = runner.record.moves()
    assert moves[0][1] == 1
    assert moves[-1][1] == -1
    assert runner.frame.lid.at_shut == 1
    shut_at_h = (moves[-1][0] - sunny.start_s) / 3600
    assert 14 < shut_at_h < 18.5


def test_the_same_day_runs_the_same_twice(make: Made, sunny: Weather) -> None:
    """Nothing in a run depends on chance or on the machine's clock."""
    runs = []
    for _ in range(2):
        runner = make(at="2027-03-01T08:00")
        runner.run_until(sunny.start_s + DAY_S / 2)
        runs.append((runner.record.commands, runner.frame.model.air_degc))
    assert runs[0] == runs[1]


@pytest.mark.parametrize(
    ("story", "fault"),
    [
        ('part = "lid"\nkind = "blocked"', "stuck-shut"),
        ('part = "lid"\nkind = "latch"', "stuck-shut"),
        ('part = "motor"\nkind = "broken-wire"', "motor-dead"),
    ],
)
def test_a_lid_that_cannot_open_lets_the_frame_overheat_and_says_so(
    make: Made, sunny: Weather, heard: Heard, story: str, fault: str
) -> None:
    """Jammed at the first opening: the lid stays shut, the air passes 30 C, the fault is named."""
    runner = make(f'[[fault]]\n{story}\nwhen = "opening"\n', at="2027-03-01T08:00")
    assert highest_air(runner, sunny.start_s + 14 * 3600) > 30.0
    assert runner.frame.lid.lid_permille < 20
    assert fault in heard.faults()


def test_a_lid_jammed_half_way_stays_there(make: Made, sunny: Weather, heard: Heard) -> None:
    """Blocked at 50 permille: it stops there, and the controller knows it is stuck."""
    story = '[[fault]]\npart = "lid"\nkind = "blocked"\nat_permille = 50\ndirection = "open"\nat = "2027-03-01T00:01"'
    runner = make(story, at="2027-03-01T08:00")
    runner.run_until(sunny.start_s + 12 * 3600)
    assert runner.frame.lid.lid_permille == pytest.approx(50)
    assert any(word.startswith("stuck") for word in heard.faults())


def test_a_repaired_jam_lets_the_frame_cool(make: Made, sunny: Weather) -> None:
    """Once the obstacle is gone the lid opens by itself at one of the new tries."""
    runner = make('[[fault]]\npart = "lid"\nkind = "blocked"\nwhen = "opening"\nfor_s = 120\n', at="2027-03-01T08:00")
    runner.run_until(sunny.start_s + 13 * 3600)
    assert runner.frame.lid.lid_permille > 80


def test_hands_in_the_frame_stop_the_motor_within_a_step(make: Made, sunny: Weather) -> None:
    """Hold pressed two seconds into a move: the motor stops at once and stays off while pressed."""
    runner = make('[[press]]\npart = "hold"\nwhen = "opening"\nafter_s = 2\nfor_s = 600\n', at="2027-03-01T08:00")
    while not runner.frame.faults.of("hold"):
        runner.step()
    assert runner.turn.motor == 0
    at = runner.frame.lid.lid_permille
    assert 0 < at < 100
    runner.run_until(runner.time_s + 590)
    assert runner.frame.lid.lid_permille == at


def test_a_switch_pressed_between_two_steps_is_seen_at_its_time(make: Made, sunny: Weather) -> None:
    """Timed happenings cut a step short, as a real switch wakes the board."""
    runner = make('[[press]]\npart = "hold"\nat = "2027-03-01T00:10:02"\nfor_s = 1\n')
    runner.run_until(sunny.start_s + 600)
    assert runner.time_ms == round(sunny.start_s * 1000) + 602_000


def test_power_cut_in_the_middle_of_a_move_stops_the_lid_and_it_finds_its_way_back(
    make: Made, sunny: Weather, heard: Heard
) -> None:
    """The lid stands while the power is off; afterwards it moves again and the start is counted."""
    runner = make('[[outage]]\npart = "power"\nwhen = "opening"\nafter_s = 2\nfor_s = 900\n', at="2027-03-01T08:00")
    while runner.record.power_cuts == 0:
        runner.step()
    at = runner.frame.lid.lid_permille
    assert 0 < at < 100
    assert runner.turn.motor == 0
    runner.run_until(runner.time_s + 890)
    assert runner.frame.lid.lid_permille == at
    runner.run_until(sunny.start_s + DAY_S)
    assert runner.frame.lid.at_shut == 1
    resets = [event for event in heard.of("events") if event["kind"] == "reset"]
    assert [event["boot"] for event in resets] == [1, 2]


def test_link_outage_keeps_readings_and_hands_them_over_in_order(make: Made, sunny: Weather, heard: Heard) -> None:
    """Six hours without network: same count of readings, none twice, none missing, and the broker said it was gone."""
    runner = make('[[outage]]\npart = "link"\nat = "2027-03-01T08:00"\nfor_s = 21600\n')
    runner.run_until(sunny.start_s + 13 * 3600)
    in_outage = [pack for pack in heard.of("readings") if pack[0]["bt"] > sunny.start_s + 8.1 * 3600]
    assert not in_outage
    assert [said["here"] for said in heard.of("presence")] == [True, False]
    runner.run_until(sunny.start_s + 15 * 3600)
    seq = [pack[0]["v"] for pack in heard.of("readings")]
    assert seq == list(range(1, len(seq) + 1))
    assert len(seq) >= 15 * 60
    assert heard.of("presence")[-1]["here"] is True


def test_outage_moves_the_lid_no_differently(make: Made, sunny: Weather) -> None:
    """The lid needs no network: same commands with and without."""
    commands = []
    for story in ("", '[[outage]]\npart = "broker"\nat = "2027-03-01T08:30"\nfor_s = 21600\n'):
        runner = make(story, at="2027-03-01T08:00")
        runner.run_until(sunny.start_s + 17 * 3600)
        commands.append(runner.record.commands)
    assert commands[0] == commands[1]
    assert commands[0]


def test_a_flat_battery_takes_the_board_down_and_the_sun_brings_it_back(
    tiny_frame: Callable[..., VirtualFrame], fittings: dict[str, Any], sunny: Weather
) -> None:
    """Drawn past empty the controller loses power; it starts again once the panel has charged."""
    from framesim.battery import BatteryParts

    parts = Parts.for_fittings(fittings, battery=BatteryParts(capacity_ah=2.0, start_soc=0.05, panel_w=10.0))
    power: list[bool] = []
    runner = InProcess(tiny_frame(parts), fittings, sunny.start_s, hooks=Hooks(on_power=power.append))
    runner.run_until(sunny.start_s + 16 * 3600)
    assert power == [True, False, True]


def test_lost_clock_is_passed_on(make: Made, sunny: Weather, heard: Heard) -> None:
    """While the clock is lost, messages carry no time, and the frame still vents."""
    runner = make('[[outage]]\npart = "clock"\nat = "2027-03-01T00:00"\n')
    assert highest_air(runner, sunny.start_s + 14 * 3600) < 31.0  # a degree below the scorch value
    assert all("bt" not in pack[0] for pack in heard.of("readings"))


def test_retained_settings_wait_for_the_frame_and_reach_it(make: Made, sunny: Weather, heard: Heard) -> None:
    """What the host published while the frame was off is there at its start; unsigned, it is refused by name."""
    runner = make()
    runner.send("settings/wanted", b'{"v":1,"body":"{}","mac":"00"}', retain=True)
    runner.run_until(sunny.start_s + 60)
    refused = [event for event in heard.of("events") if event["kind"] == "refused"]
    assert refused
    assert refused[0]["what"].startswith("settings")


def test_wrong_first_settings_are_named(
    tiny_frame: Callable[..., VirtualFrame], fittings: dict[str, Any], sunny: Weather
) -> None:
    """A runner does not start with settings the board would throw away."""
    with pytest.raises(ValueError, match="close_mdegc"):
        InProcess(tiny_frame(), fittings, sunny.start_s, settings={"close_mdegc": 20_000})


def test_a_crash_of_the_firmware_is_not_hidden(make: Made, sunny: Weather) -> None:
    """An exception inside the core comes out of run_until."""
    runner = make()
    runner.run_until(sunny.start_s + 60)
    runner.core.step = None
    with pytest.raises(TypeError):
        runner.run_until(sunny.start_s + 120)


@pytest.mark.parametrize("story", ['part = "lid"\nkind = "lifted"', 'part = "lid"\nkind = "wind-lift"\nwind_m_s = 0'])
def test_a_lid_that_moves_alone_is_noticed(make: Made, sunny: Weather, heard: Heard, story: str) -> None:
    """Lifted by hand or wind with the motor off: the switch tells, and the frame says so."""
    runner = make(f'[[fault]]\n{story}\nat = "2027-03-01T00:30"\nfor_s = 600\n')
    runner.run_until(sunny.start_s + 0.6 * 3600)
    assert runner.frame.lid.lid_permille > FULL_PERMILLE / 2
    assert "moved-alone" in heard.faults()


def test_a_motor_wired_the_other_way_and_fitted_so_runs_the_same_day(make: Made, sunny: Weather) -> None:
    """Fittings say reverse, the motor is reversed: the lid does exactly what it does without both."""
    commands = []
    for reverse in (0, 1):
        runner = make(at="2027-03-01T08:00", reverse=reverse)
        runner.run_until(sunny.start_s + 13 * 3600)
        commands.append(runner.record.commands)
    assert commands[0] == commands[1]
    assert commands[0][0].motor == 1
