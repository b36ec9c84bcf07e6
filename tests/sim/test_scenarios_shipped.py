"""Each scenario that comes along really happens, and shows where it should: in the lid, the air, or what is said."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from framesim.runner import Hooks, InProcess
from framesim.scenario import load, shipped
from framesim.virtual_frame import Parts, VirtualFrame
from framesim.weather import Weather

Day = Callable[[str], "Story"]


class Story:
    """One sunny day with a scenario: faults said, highest air, widest lid, the runner."""

    def __init__(self, runner: InProcess, said: list[dict[str, Any]], until_s: float) -> None:
        self.runner = runner
        self.highest_degc, self.widest_permille = -99.0, 0.0
        while runner.time_s < until_s:
            runner.step()
            self.highest_degc = max(self.highest_degc, runner.frame.model.air_degc)
            self.widest_permille = max(self.widest_permille, runner.frame.lid.lid_permille)
        self.faults = [event["fault"] for event in said if event["kind"] == "fault"]


@pytest.fixture
def day(
    tiny_frame: Callable[..., VirtualFrame], fittings: dict[str, Any], settings: dict[str, int], sunny: Weather
) -> Day:
    """Plays a scenario from 06:00 to 15:00 of the sunny day."""

    def play(name: str) -> Story:
        said: list[dict[str, Any]] = []

        def take(frame: str, suffix: str, payload: bytes) -> None:
            if suffix == "events":
                said.append(json.loads(payload))

        runner = InProcess(
            tiny_frame(Parts.for_fittings(fittings)),
            fittings,
            sunny.start_s + 6 * 3600,
            settings={**settings, "crack_permille": 100, "stage_permille": 300},  # wide, to be seen
            scenario=load(name, sunny.utc_offset_h),
            hooks=Hooks(on_message=take),
        )
        return Story(runner, said, sunny.start_s + 15 * 3600)

    return play


@pytest.mark.parametrize("name", shipped())
def test_everything_in_it_begins(day: Day, name: str) -> None:
    """On a sunny day no entry of a shipped scenario waits in vain, and each says that it is invented."""
    story = day(name)
    waiting = [h.fault for h in story.runner.scenario.happenings if h.state in ("waiting", "due")]
    assert not waiting
    assert story.runner.scenario.says == "invented"


def test_jam_and_repair(day: Day) -> None:
    """Stuck for ten minutes and said so, open afterwards by one of its own tries."""
    story = day("jam-at-first-opening")
    assert any(word.startswith("stuck") for word in story.faults)
    assert story.widest_permille > 80


def test_frozen_lid_thaws(day: Day) -> None:
    """Shut while the seal is cold, open once it has thawed."""
    story = day("frozen-to-the-rim")
    assert story.widest_permille > 80


@pytest.mark.parametrize("name", ["latch-left-on", "arm-off-and-switches-fooled"])
def test_a_lid_held_down_scorches(day: Day, name: str) -> None:
    """Whatever the switches say, the lid stays down and the air passes 30 C; something is said."""
    story = day(name)
    assert story.widest_permille < 20
    assert story.highest_degc > 30
    assert story.faults


def test_chewed_wire_leaves_the_lid_standing(day: Day) -> None:
    """It stays where the wire broke, whatever is asked of it, and that something is wrong is said."""
    story = day("wire-chewed")
    assert 50 < story.widest_permille < 60
    assert story.faults


def test_a_lying_switch_does_not_keep_the_lid_shut(day: Day) -> None:
    """The lid opens though the switch says shut, and the contradiction is said."""
    story = day("switch-says-shut")
    assert story.widest_permille > 80
    assert story.faults


def test_wind_lifts_the_lid(day: Day) -> None:
    """Half open without the motor, and noticed."""
    story = day("wind-under-the-lid")
    assert story.widest_permille >= 500
    assert "moved-alone" in story.faults


def test_lying_probe_is_found_and_the_frame_still_vents(day: Day) -> None:
    """The lost probe is reported, and by the blind rules the lid stands open at midday."""
    story = day("probe-lies")
    assert "probe-air" in story.faults
    assert story.widest_permille > 80
    assert story.runner.frame.lid.lid_permille > 50


def test_alone_for_six_hours_all_is_well(day: Day) -> None:
    """Without a broker the frame vents as ever."""
    story = day("six-hours-alone")
    assert story.highest_degc < 30
    assert not story.faults


def test_power_back_after_a_cut(day: Day) -> None:
    """One cut, and the lid open later."""
    story = day("power-cut-in-mid-move")
    assert story.runner.record.power_cuts == 1
    assert story.widest_permille > 80


def test_forgotten_hold_is_said(day: Day) -> None:
    """Half an hour of hold is reported, the lid stands meanwhile and moves again after it."""
    story = day("hands-in-the-frame")
    assert "hold-long" in story.faults
    assert story.widest_permille > 80
