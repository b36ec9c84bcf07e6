"""From a frame's picture to what is true: the stuck lid by three witnesses, and everything else."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from sashkeeper.alarms import catalogue, heat_answer, lid_evidence, time_left
from sashkeeper.alarms.evidence import BETWEEN, FALSE, TRUE, UNKNOWN, findings
from sashkeeper.alarms.heat_answer import CANNOT_TELL, OPEN, SHUT, HeatModel
from sashkeeper.alarms.picture import Around, Limits, LiveFrame, Picture, way_of

NOW = 1_767_268_800.0
CATALOGUE = catalogue.default()
SUNNY = Around("North", Limits(29.0, 32.0, -6.0, "spinach", "leaf lettuce", ("spinach", "leaf lettuce")), 25.0)
NIGHT = dataclasses.replace(SUNNY, sun_height_deg=-20.0)


def warming(rate: float, end_degc: float, minutes: int = 15) -> tuple[tuple[float, float], ...]:
    """A straight series of one reading a minute that ends at `end_degc` now."""
    return tuple((NOW - 60.0 * i, end_degc - rate * i) for i in range(minutes, -1, -1))


def frame(air_degc: float, rate: float = 0.0, around: Around = SUNNY, **more: Any) -> Picture:
    """A healthy frame with fresh readings; `more` changes it."""
    values = {"air": air_degc, "outside": 4.0, "battery": 12.6, **more.pop("values", {})}
    base: dict[str, Any] = {
        "here": True, "heard_s": NOW, "values": values, "values_s": NOW, "air": warming(rate, air_degc),
        "position_permille": 0, "target_permille": 0, "lid_state": "shut", "moved_s": NOW - 3600,
    }  # fmt: skip
    return Picture("north", NOW, around, **{**base, **more})


def truths(seen: Picture) -> dict[str, str]:
    """Alarm id -> truth."""
    return {name: f.truth for name, f in findings(seen, CATALOGUE).items()}


def rings(seen: Picture) -> set[str]:
    """What is true."""
    return {name for name, truth in truths(seen).items() if truth == TRUE}


def test_healthy_frame_rings_nothing() -> None:
    """A shut frame at night, a working one by day, and one just opened have no true condition."""
    assert rings(frame(3.0, around=NIGHT)) == set()
    assert rings(frame(12.0, 0.3)) == set()
    opened = frame(17.0, -0.2, position_permille=300, target_permille=300, lid_state="part", moved_s=NOW - 400)
    assert rings(opened) == set()


STUCK: list[tuple[str, dict[str, Any]]] = [
    ("the frame's word", {"faults": frozenset({"stuck-shut"}), "drive_way": 1}),
    ("the word alone, nothing else known", {"faults": frozenset({"stuck-shut"}), "position_permille": None,
                                            "target_permille": None}),
    ("part way", {"faults": frozenset({"stuck-part"}), "position_permille": 80, "drive_way": 1}),
    ("hardly any way left by time", {"faults": frozenset({"stuck-part"}), "position_permille": 30, "drive_way": 1}),
    ("no current", {"faults": frozenset({"motor-dead"}), "drive_way": 1}),
    ("too much current", {"faults": frozenset({"over-current"}), "drive_way": 1}),
    ("both switches, and the frame will not drive", {"faults": frozenset({"switches-both"}), "lid_state": "stuck"}),
    ("no word, away from its target", {"target_permille": 300, "apart_s": NOW - 301}),
]  # fmt: skip


@pytest.mark.parametrize(("witness", "more"), STUCK, ids=[w for w, _ in STUCK])
def test_stuck_shut_by_each_witness(witness: str, more: dict[str, Any]) -> None:
    """Each witness alone reveals a lid stuck shut in the sun, and it is the urgent alarm."""
    found = rings(frame(19.0, 0.5, **more))
    assert "stuck-shut" in found, witness
    assert "stuck-shut-cool" not in found


def test_stuck_but_cool_is_less_urgent_and_does_not_clear_the_urgent_one() -> None:
    """Without sun and warmth the milder alarm is true and the urgent one neither rises nor clears."""
    seen = frame(9.0, -0.05, faults=frozenset({"stuck-shut"}), around=dataclasses.replace(SUNNY, sun_height_deg=2.0))
    found = truths(seen)
    assert (found["stuck-shut"], found["stuck-shut-cool"]) == (BETWEEN, TRUE)


def test_stuck_in_frost_is_ice() -> None:
    """Stuck shut near freezing is told as ice, not as a broken lid."""
    seen = frame(1.0, 0.0, faults=frozenset({"stuck-shut"}), values={"outside": -3.0})
    assert {"lid-iced"} == rings(seen)


def test_stuck_without_any_temperature_counts_as_urgent_by_day() -> None:
    """No temperature and sun up: the lid is stuck and nobody knows how warm it is, so hurry."""
    seen = frame(0.0, faults=frozenset({"stuck-shut"}), values_s=None, air=())
    seen = dataclasses.replace(seen, values={})
    assert "stuck-shut" in rings(seen)


def test_stuck_open_and_open_in_frost() -> None:
    """A lid that will not shut is stuck open; at frost inside it is open in frost."""
    seen = frame(4.0, around=NIGHT, position_permille=600, drive_way=-1, faults=frozenset({"stuck-open"}))
    assert {"stuck-open", "open-at-dusk"} == rings(seen)
    seen = frame(0.5, around=NIGHT, position_permille=600, faults=frozenset({"stuck-open"}))
    assert "open-in-frost" in rings(seen)


def test_a_lid_that_a_dead_motor_never_opened_is_not_stuck_open() -> None:
    """Motor dead as it should open, then told to shut: "does not shut" is never said of a lid that rested shut."""
    dead: dict[str, Any] = {"faults": frozenset({"motor-dead"}), "lid_state": "stuck", "position_permille": 34}
    assert "stuck-shut" in rings(frame(16.0, 0.4, drive_way=1, rested="shut", **dead))
    later = truths(frame(12.0, drive_way=-1, rested="shut", target_permille=0, **dead))
    assert (later["stuck-shut"], later["stuck-open"]) == (BETWEEN, BETWEEN)
    # From an open lid the same failure is what it says.
    assert truths(frame(12.0, drive_way=-1, rested="part", target_permille=0, **dead))["stuck-open"] == TRUE


def test_jam_part_way_is_one_incident_whatever_the_lid_wants() -> None:
    """A lid jammed at a crack is stuck shut when it is warm, stuck open when it is cold, and free only when free."""
    jam = {"faults": frozenset({"stuck-part"}), "position_permille": 99, "target_permille": 100, "lid_state": "stuck"}
    warm, cold = truths(frame(19.0, 0.3, **jam)), truths(frame(6.0, -0.1, NIGHT, **jam))
    assert (warm["stuck-shut"], warm["stuck-open"]) == (TRUE, BETWEEN)
    assert (cold["stuck-shut"], cold["stuck-open"]) == (BETWEEN, TRUE)


def test_held_lid_is_not_stuck() -> None:
    """A lid away from its target because somebody holds it, or the battery is empty, is not called stuck."""
    for more in ({"mode": "hold"}, {"faults": frozenset({"battery-empty"})}):
        found = rings(frame(16.0, 0.2, target_permille=300, apart_s=NOW - 900, **more))
        assert not found & {"stuck-shut", "stuck-shut-cool"}


def test_heat_contradicts_a_lid_that_claims_to_be_open() -> None:
    """Switches and motor say fully open, the bed is 22 K over outside and rising: the lid is shut."""
    seen = frame(26.0, 0.4, position_permille=1000, target_permille=1000, lid_state="open", moved_s=NOW - 420)
    assert "no-drop" in rings(seen)


def test_open_frame_on_the_clearest_day_is_never_contradicted() -> None:
    """Healthy: for each sun height and opening, the warmth a well-ventilated frame reaches is believed."""
    model = HeatModel()
    for sun in range(10, 65, 5):
        for share in (0.3, 0.5, 0.7, 1.0):
            # A true frame: losses and air change in the middle of their ranges (loss 6.5, air 72 W/m2K at 10 K)
            # instead of the low ends, and the clear sky on level ground.
            sky = 0.8 * heat_answer.clear_sky_w_m2(sun)
            excess = next(x / 10 for x in range(1, 900) if (6.5 + 72 * share**1.5 * (x / 100) ** 0.5) * x / 10 >= sky)
            rate = time_left.Rate(0.1, 0.02, 300.0)
            assert heat_answer.witness(share, 5 + excess, 5.0, rate, float(sun), model) == CANNOT_TELL, (sun, share)


def test_heat_witness_needs_its_inputs() -> None:
    """Without a rate, an outside probe or a sun height the temperature says nothing."""
    rate = time_left.Rate(0.5, 0.02, 300.0)
    assert heat_answer.witness(1.0, 30.0, None, rate, 25.0) == CANNOT_TELL
    assert heat_answer.witness(1.0, 30.0, 2.0, None, 25.0) == CANNOT_TELL
    assert heat_answer.witness(1.0, 30.0, 2.0, rate, None) == CANNOT_TELL
    assert heat_answer.witness(1.0, 30.0, 2.0, rate, 25.0) == SHUT
    assert heat_answer.witness(1.0, 20.0, 2.0, time_left.Rate(-0.6, 0.05, 300.0), 25.0) == OPEN


def test_clear_sky_matches_haurwitz() -> None:
    """Source: Haurwitz 1945 in the usual form, worked by hand: 30 deg -> 1098*0.5*exp(-0.114) = 489.9 W/m2."""
    assert heat_answer.clear_sky_w_m2(30.0) == pytest.approx(489.9, abs=0.5)
    assert heat_answer.clear_sky_w_m2(-5.0) == 0.0


def test_hot_though_open_needs_twenty_minutes() -> None:
    """A fully open lid and heat above the crop's high value count after 20 min, not before."""
    base = {"position_permille": 1000, "target_permille": 1000, "values": {"outside": 24.0}}
    assert truths(frame(30.0, 0.05, moved_s=NOW - 1300, **base))["hot-though-open"] == TRUE
    assert truths(frame(30.0, 0.05, moved_s=NOW - 600, **base))["hot-though-open"] == BETWEEN


@pytest.mark.parametrize(
    ("name", "seen"),
    [
        ("too-hot", lambda: frame(32.1, 0.4)),
        ("frost-danger", lambda: frame(-4.6, -0.02, NIGHT)),
        ("frost-damage", lambda: frame(-6.6, -0.02, NIGHT)),
        ("probe-lost", lambda: frame(10.0, faults=frozenset({"probe-air"}))),
        ("probe-spare-lost", lambda: frame(10.0, faults=frozenset({"probe-soil"}))),
        ("settings-refused", lambda: frame(10.0, refused="close_mdegc: not below opening")),
        ("settings-lost", lambda: frame(10.0, faults=frozenset({"settings-lost"}))),
        ("battery-low", lambda: frame(10.0, values={"battery": 11.7})),
        ("battery-empty", lambda: frame(10.0, values={"battery": 11.3})),
        ("hold-left-on", lambda: frame(10.0, hold_s=NOW - 3601)),
        ("hold-left-on", lambda: frame(10.0, hold_s=NOW - 700, around=NIGHT)),
        ("moved-alone", lambda: frame(10.0, faults=frozenset({"moved-alone"}))),
        ("motor-fault", lambda: frame(10.0, faults=frozenset({"over-current"}))),
        ("position-unknown", lambda: frame(10.0, faults=frozenset({"switches-both"}))),
        ("safe-mode", lambda: frame(10.0, mode="safe")),
        ("clock-lost", lambda: frame(10.0, faults=frozenset({"clock-lost"}))),
        ("restarts-often", lambda: frame(10.0, resets_s=(NOW - 3000, NOW - 900, NOW - 10))),
        ("wind-held", lambda: frame(19.0, faults=frozenset({"wind-shut"}))),
        ("blind-lid", lambda: frame(3.0, values={"light": 80.0})),
        ("frame-silent-sun", lambda: frame(14.0, heard_s=NOW - 700)),
        ("frame-silent-sun", lambda: frame(14.0, here=False, here_s=NOW - 301, heard_s=NOW - 301)),
        ("frame-silent-open", lambda: frame(6.0, heard_s=NOW - 700, around=NIGHT, position_permille=300)),
        ("frame-silent", lambda: frame(3.0, heard_s=NOW - 1900, around=NIGHT)),
    ],
)
def test_each_condition_is_seen(name: str, seen: Callable[[], Picture]) -> None:
    """Each cause makes its own alarm true."""
    assert truths(seen())[name] == TRUE


def test_silence_is_worded_by_risk() -> None:
    """Sun: urgent. Dull sky or night with a shut lid: only a note. A voice clears all."""
    dull = dataclasses.replace(SUNNY, dull_sky=True)
    assert rings(frame(14.0, heard_s=NOW - 2000, around=dull)) == {"frame-silent"}
    assert truths(frame(14.0, heard_s=NOW - 2000, around=NIGHT))["frame-silent-sun"] == BETWEEN
    assert truths(frame(14.0, heard_s=NOW - 30))["frame-silent-sun"] == FALSE


def test_seldom_reports_are_not_silence() -> None:
    """A frame told to report every 15 min is not called silent between two reports."""
    assert truths(frame(14.0, heard_s=NOW - 1700, settings={"report_s": 900}))["frame-silent-sun"] == FALSE


def test_old_readings_judge_nothing() -> None:
    """Temperatures that are too old neither raise nor clear an alarm."""
    seen = frame(40.0, values_s=NOW - 2000, air=())
    assert truths(seen)["too-hot"] == UNKNOWN


def test_empty_bed_has_no_frost_danger() -> None:
    """Where nothing is planted frost endangers nothing."""
    bare = dataclasses.replace(NIGHT, limits=Limits())
    assert truths(frame(-12.0, around=bare))["frost-danger"] == FALSE


# -- time left --------------------------------------------------------------------------------------


def test_time_left_by_hand() -> None:
    """22 degC rising 0.5 a minute reaches 32 in 20 min; the range brackets it and widens with noise."""
    rate = time_left.rate_of(warming(0.5, 22.0), NOW)
    assert rate is not None
    assert rate.degc_per_min == pytest.approx(0.5)
    left = time_left.until(32.0, 22.0, rate)
    assert left is not None
    assert left.about_min == pytest.approx(20.0)
    assert left.earliest_min < 16 < 20 < 28 < (left.latest_min or 0) < 40
    noisy = tuple((t, v + (0.5 if i % 2 else -0.5)) for i, (t, v) in enumerate(warming(0.5, 22.0)))
    wide = time_left.until(32.0, 22.0, time_left.rate_of(noisy, NOW))
    assert wide is not None
    assert wide.earliest_min < left.earliest_min


@given(st.lists(st.tuples(st.floats(1, 200), st.integers(-320, 640)), min_size=4, max_size=40), st.floats(0, 300))
def test_the_rate_is_that_of_ordinary_least_squares(steps: list[tuple[float, int]], old_s: float) -> None:
    """Slope and its standard error of the readings of the last ten minutes, as scipy.stats.linregress has them."""
    ages = list(itertools.accumulate((gap for gap, _ in steps), initial=old_s))
    air = [(NOW - age, sixteenth / 16) for age, (_, sixteenth) in zip(ages, steps, strict=False)][::-1]
    seen = [(t, v) for t, v in air if t >= NOW - 600]
    rate = time_left.rate_of([*air, (NOW + 60.0, 99.0)], NOW)  # what is dated later does not count
    if len(seen) < time_left.MIN_POINTS or seen[-1][0] - seen[0][0] < time_left.MIN_SPAN_S:
        assert rate is None
        return
    assert rate is not None
    line = linregress([t - NOW for t, _ in seen], [v for _, v in seen])
    assert rate.degc_per_min == pytest.approx(line.slope * 60, rel=1e-6, abs=1e-9)
    sure = 0.0625 / (seen[-1][0] - seen[0][0])
    error = max(0.0 if math.isnan(line.stderr) else line.stderr, sure)  # it has none for readings that are all the same
    assert rate.error_degc_per_min == pytest.approx(error * 60, rel=1e-6)


def test_time_left_says_when_it_cannot() -> None:
    """Too few readings or no warming: no time; above the limit: none left."""
    assert time_left.rate_of(warming(0.5, 22.0)[:2], NOW) is None
    assert time_left.until(32.0, 22.0, None) is None
    assert time_left.until(32.0, 22.0, time_left.Rate(-0.1, 0.01, 600)) is None
    left = time_left.until(32.0, 33.0, None)
    assert left is not None
    assert left.about_min == 0


# -- the growing record ------------------------------------------------------------------------------


def test_live_frame_follows_a_jam_from_messages() -> None:
    """Move, moved without arriving, and the fault event make a stuck lid of a live frame."""
    live = LiveFrame("north")
    for t, v in warming(0.5, 16.0):
        live.hear_readings(t, {"air": v, "lid": 0.0, "target": 0.0, "outside": 3.0}, t)
    live.hear_event({"kind": "move", "from_permille": 0, "to_permille": 300, "reason": "warm"}, NOW)
    live.hear_event({"kind": "moved", "position_permille": 0, "took_ms": 900, "peak_ma": 3100}, NOW + 1)
    assert lid_evidence.stuck_ways(live.picture(NOW + 2, SUNNY)) == (FALSE, FALSE)
    live.hear_event({"kind": "fault", "fault": "stuck-shut", "time_s": NOW + 1}, NOW + 2)
    assert lid_evidence.stuck_ways(live.picture(NOW + 2, SUNNY)) == (TRUE, BETWEEN)
    live.hear_event({"kind": "cleared", "fault": "stuck-shut"}, NOW + 70)
    live.hear_event({"kind": "moved", "position_permille": 300}, NOW + 70)
    assert lid_evidence.stuck_ways(live.picture(NOW + 400, SUNNY)) == (FALSE, FALSE)


def test_a_latched_lid_that_was_to_open_a_crack_is_stuck() -> None:
    """By time the lid is almost at its crack when the stall ends the drive; it is stuck all the same, warm or not."""
    live = LiveFrame("north")
    for t, v in warming(0.0, 14.0):
        live.hear_readings(t, {"air": v, "lid": 0.0, "target": 0.0, "outside": 3.0}, t)
    live.hear_event({"kind": "move", "from_permille": 0, "to_permille": 50, "reason": "warm"}, NOW)
    live.hear_event({"kind": "moved", "position_permille": 30, "took_ms": 1400, "peak_ma": 3045}, NOW + 1)
    live.hear_event({"kind": "fault", "fault": "stuck-part", "time_s": NOW + 1}, NOW + 1)
    stuck = {"lid": {"state": "stuck", "position_permille": 30, "target_permille": 30}, "faults": ["stuck-part"]}
    live.hear_report(stuck, NOW + 1)
    assert lid_evidence.stuck_ways(live.picture(NOW + 2, SUNNY)) == (TRUE, BETWEEN)
    live.hear_report({"lid": {"state": "part", "position_permille": 50, "target_permille": 50}, "faults": []}, NOW + 90)
    assert lid_evidence.stuck_ways(live.picture(NOW + 91, SUNNY)) == (FALSE, FALSE)


@pytest.mark.parametrize(
    ("start", "goal", "way"), [(0, 50, 1), (30, 50, 1), (50, 0, -1), (-1, 0, -1), (-1, 700, 1), (1000, 1000, 1)]
)
def test_which_way_a_drive_goes(start: int, goal: int, way: int) -> None:
    """From its two figures; out of an unknown place the frame seeks the end that the wish is nearer to."""
    assert way_of({"from_permille": start, "to_permille": goal}) == way


def test_old_events_from_a_journal_raise_nothing() -> None:
    """A fault that a frame kept in its journal for hours says nothing about now."""
    live = LiveFrame("north")
    live.hear_event({"kind": "fault", "fault": "stuck-shut", "time_s": NOW - 7200}, NOW)
    assert live.faults == set()


def test_late_readings_do_not_bend_the_rate() -> None:
    """Readings of the night that arrive by day leave the present picture alone."""
    live = LiveFrame("north")
    live.hear_readings(NOW, {"air": 20.0}, NOW)
    live.hear_readings(NOW - 30_000, {"air": -4.0}, NOW + 1)
    assert (live.values["air"], list(live.air)) == (20.0, [(NOW, 20.0)])


def test_kept_messages_are_no_sign_of_life() -> None:
    """What the broker merely kept from before tells no life."""
    live = LiveFrame("north")
    live.hear_report({"lid": {"state": "shut", "position_permille": 0, "target_permille": 0}}, NOW, retained=True)
    live.hear_presence(True, NOW, retained=True)
    assert live.heard_s is None
