"""Lid, heat, probes and battery pull together, whatever the steps, and sensors show what their place has."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from framesim.battery import BatteryParts
from framesim.faults import Fault
from framesim.frame import load
from framesim.model import FrameModel
from framesim.probe_parts import ProbeParts
from framesim.runner import InProcess
from framesim.scenario import parse
from framesim.virtual_frame import Parts, VirtualFrame
from framesim.weather import Weather, invent

Frames = Callable[..., VirtualFrame]
NOON_S = 12 * 3600


def started(make: Frames, sunny: Weather, parts: Parts | None = None, at_s: float = NOON_S) -> VirtualFrame:
    """A frame at noon of the first day."""
    frame = make(parts)
    frame.reset(sunny.start_s + at_s)
    return frame


def degc(raw: bytes | None) -> float:
    """Temperature of a scratchpad."""
    assert raw is not None
    return int.from_bytes(raw[:2], "little", signed=True) / 16


def test_heat_and_mechanics_keep_the_same_time(tiny_frame: Frames, sunny: Weather) -> None:
    """After moving and resting, the heat balance lags less than a second behind."""
    frame = started(tiny_frame, sunny)
    for dt_ms, motor in [(5000, 0), (200, 1), (200, 1), (200, 1), (50, 1), (5000, 0), (12_345, -1), (10_000, 0)]:
        frame.advance(dt_ms, motor)
        assert 0 <= frame.time_s - frame.model.time_s < 1.0
    assert frame.time_s == pytest.approx(sunny.start_s + NOON_S + 32.995)
    assert frame.model.time_s == pytest.approx(frame.time_s)


def test_step_length_hardly_changes_the_air(tiny_frame: Frames, sunny: Weather) -> None:
    """An hour with a move in it, in steps of 1 s and of 10 s: less than 0.1 K apart."""
    airs = []
    for rest_ms in (1000, 10_000):
        frame = started(tiny_frame, sunny)
        for _ in range(50):
            frame.advance(200, 1)
        for _ in range(3_600_000 // rest_ms):
            frame.advance(rest_ms)
        airs.append(frame.model.air_degc)
    assert abs(airs[0] - airs[1]) < 0.1


def test_an_open_lid_cools_and_the_air_probe_follows_late(tiny_frame: Frames, sunny: Weather) -> None:
    """The probe shows a fall, and is behind the air while it falls."""
    frame = started(tiny_frame, sunny)
    frame.advance(3_600_000)
    warm, before = frame.model.air_degc, degc(frame.inputs().probes["air"])
    for _ in range(210):
        frame.advance(200, 1)
    frame.advance(30_000)
    assert frame.inputs().at_open == 1
    assert frame.model.air_degc < warm - 2
    assert frame.model.air_degc < degc(frame.inputs().probes["air"]) < before


def test_each_probe_shows_its_place(tiny_frame: Frames, sunny: Weather) -> None:
    """Air, soil and outside are three temperatures."""
    quiet = ProbeParts(noise_k=0.0, sun_k_per_1000w=0.0)
    parts = Parts(probes=dict.fromkeys(("air", "air2", "soil", "outside"), quiet))
    frame = started(tiny_frame, sunny, parts, at_s=2 * 3600)
    frame.advance(1_800_000)
    model, probes = frame.model, frame.inputs().probes
    assert degc(probes["air"]) == pytest.approx(model.air_degc, abs=0.1)
    assert degc(probes["air2"]) == degc(probes["air"])
    assert degc(probes["soil"]) == pytest.approx(model.soil_10cm_degc, abs=0.1)
    assert degc(probes["outside"]) == pytest.approx(model.outside_degc, abs=0.1)


def test_sensors_that_are_not_fitted_say_nothing(tiny_frame: Frames, sunny: Weather) -> None:
    """A first frame has switches, current and voltage, no more; a full one has everything."""
    bare = started(tiny_frame, sunny).inputs()
    assert (bare.pot_permille, bare.light_lx, bare.wind_mms, bare.rain, bare.humidity_permille) == (-1,) * 5
    assert (bare.at_shut, bare.at_open, bare.motor_ma) == (1, 0, 0)
    full = started(tiny_frame, sunny, Parts(pot=True, light=True, wind=True, rain=True, humidity=True)).inputs()
    assert full.light_lx == pytest.approx(110 * sunny.ghi[12], rel=0.01)
    assert full.wind_mms > 0
    assert (full.pot_permille, full.rain, full.humidity_permille) == (0, 0, 600)
    none = started(tiny_frame, sunny, Parts(end_switches=False, current_sensor=False, battery_sensor=False)).inputs()
    assert (none.at_shut, none.at_open, none.motor_ma, none.battery_mv) == (-1,) * 4


def test_gusts_change_by_the_minute_and_stay_above_the_mean(tiny_frame: Frames, sunny: Weather) -> None:
    """An hour of gusts: never below 1.2 times the mean, seldom twice, and the same again with the same seed."""
    hours = []
    for _ in range(2):
        frame = started(tiny_frame, sunny)
        shares = []
        for _ in range(60):
            frame.advance(60_000)
            shares.append(frame.gust_m_s / frame.model.wind_local_m_s)
        hours.append(shares)
    assert hours[0] == hours[1]
    assert min(hours[0]) >= 1.2
    assert len(set(hours[0])) > 40
    assert sum(share > 2.0 for share in hours[0]) < 8


def test_gale_and_rain_come_when_told(tiny_frame: Frames, sunny: Weather) -> None:
    """A gale is never less than it says and reaches lid and sensor; rain is felt on a dry day; both end."""
    frame = started(tiny_frame, sunny, Parts(wind=True, rain=True))
    gale, rain = Fault("weather", "gale", {"m_s": 14.0}), Fault("weather", "rain")
    calm = frame.gust_m_s
    assert calm < 14.0
    assert frame.inputs().rain == 0
    for fault in (gale, rain):
        frame.faults.start(fault)
    frame.advance(1000)
    assert frame.gust_m_s >= 14.0
    assert frame.inputs().wind_mms >= 14_000
    assert frame.inputs().rain == 1
    for fault in (gale, rain):
        frame.faults.end(fault)
    frame.advance(1000)
    assert frame.gust_m_s == pytest.approx(calm, rel=0.1)
    assert frame.inputs().rain == 0


def test_sensor_faults_of_pot_and_current(tiny_frame: Frames, sunny: Weather) -> None:
    """A stuck pot stays, an open one reads full; a dead current sensor reads zero, a missing one nothing."""
    frame = started(tiny_frame, sunny, Parts(pot=True))
    frame.advance(5000, 1)
    at = frame.inputs().pot_permille
    assert 100 < at < 150
    frame.faults.start(Fault("pot", "stuck"))
    frame.advance(5000, 1)
    assert frame.inputs().pot_permille == at
    frame.faults.active.clear()
    frame.faults.start(Fault("pot", "open"))
    frame.faults.start(Fault("current-sensor", "dead"))
    facts = frame.inputs()
    assert (facts.pot_permille, facts.motor_ma) == (1000, 0)
    frame.faults.active.clear()
    frame.faults.start(Fault("current-sensor", "missing"))
    assert frame.inputs().motor_ma == -1


def test_hold_and_silence_buttons(tiny_frame: Frames, sunny: Weather) -> None:
    """Pressed while their fault is on."""
    frame = started(tiny_frame, sunny)
    assert (frame.inputs().hold, frame.inputs().ack) == (0, 0)
    frame.faults.start(Fault("hold", "pressed"))
    frame.faults.start(Fault("ack", "pressed"))
    assert (frame.inputs().hold, frame.inputs().ack) == (1, 1)


def test_voltage_sags_under_the_motor_and_mains_does_not(tiny_frame: Frames, sunny: Weather) -> None:
    """A stalled motor pulls the battery down by a tenth of a volt or more."""
    parts = Parts(battery=BatteryParts(resistance_ohm=0.1))
    for mains in (False, True):
        frame = started(tiny_frame, sunny, Parts(battery=parts.battery, mains=mains))
        frame.faults.start(Fault("lid", "blocked"))
        rest_mv = frame.inputs().battery_mv
        frame.advance(3000, 1)
        sag_mv = rest_mv - frame.inputs().battery_mv
        assert sag_mv == 0 if mains else sag_mv > 100


def test_strokes_cost_charge(tiny_frame: Frames, sunny: Weather) -> None:
    """Ten full strokes at night draw what current and time say, within a tenth."""
    frame = started(tiny_frame, sunny, Parts(battery=BatteryParts(board_ma=0.0)), at_s=0)
    before, mas = frame.battery.drawn_ah, 0.0
    for motor in (1, -1) * 10:
        for _ in range(220):
            frame.advance(200, motor)
            mas += frame.lid.motor_ma * 0.2
        frame.advance(5000)
    assert frame.battery.drawn_ah - before == pytest.approx(mas / 3.6e6, rel=0.1)
    assert frame.stroke_ms == pytest.approx(20 * 40_000, rel=0.1)


def test_a_relay_that_sticks_moves_the_lid_while_told_to_stop(tiny_frame: Frames, sunny: Weather) -> None:
    """Even at rest the lid is then followed in fine steps."""
    frame = started(tiny_frame, sunny)
    frame.advance(2000, 1)
    frame.faults.start(Fault("motor", "relay-stuck"))
    frame.advance(20_000, 0)
    assert 450 < frame.lid.lid_permille < 650


def test_night_cover_darkens_the_frame(tiny_frame: Frames, sunny: Weather) -> None:
    """With the cover on, the sun does not heat it."""
    airs = []
    for covered in (False, True):
        frame = started(tiny_frame, sunny)
        if covered:
            frame.faults.start(Fault("cover", "on"))
        frame.advance(3_600_000)
        airs.append(frame.model.air_degc)
    assert airs[1] < airs[0] - 5


# --- with the real heat balance ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def march() -> Weather:
    """Four clear days that nobody ever saw."""
    return invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 4), seed=5, days=["clear"], name="Testwood")


def keep(march: Weather, fittings: dict[str, Any], story: str = "") -> tuple[float, InProcess]:
    """The shipped reference frame on the fourth day until 17:30; highest air and the runner."""
    frame = VirtualFrame(FrameModel(load("reference-box"), march), Parts.for_fittings(fittings))
    start_s = march.start_s + 3 * 86_400
    runner = InProcess(
        frame,
        fittings,
        start_s,
        settings={"lat_mdeg": 47_000, "lon_mdeg": 9_000},
        scenario=parse(story, march.utc_offset_h),
    )
    highest = -99.0
    while runner.time_s < start_s + 17.5 * 3600:
        runner.step()
        highest = max(highest, frame.model.air_degc)
    return highest, runner


def test_the_reference_frame_is_kept_below_30_and_shut_by_evening(march: Weather, fittings: dict[str, Any]) -> None:
    """The whole chain on the real heat balance: opens before 30 C, shut at half past five."""
    highest, runner = keep(march, fittings)
    assert highest < 30.0
    assert runner.frame.lid.at_shut == 1
    assert runner.record.moves()[0][1] == 1


def test_the_reference_frame_scorches_when_its_lid_is_latched(march: Weather, fittings: dict[str, Any]) -> None:
    """The same day with the latch left on passes 35 C."""
    highest, _ = keep(march, fittings, '[[fault]]\npart="lid"\nkind="latch"\nat="2027-03-04T00:00"\n')
    assert highest > 35.0


def test_snow_on_the_lid_weighs(march: Weather) -> None:
    """A snowy day puts weight on the arm."""
    snowy = invent(47.0, 9.0, date(2027, 1, 10), date(2027, 1, 12), days=["snowy"], warmth_k=-3.0)
    loads = []
    for weather in (march, snowy):
        frame = VirtualFrame(FrameModel(load("garden-frame"), weather))
        frame.reset(weather.end_s - 7200)
        frame.advance(1000, 1)
        loads.append(frame.lid.motor_ma)
    assert loads[1] > loads[0]
