"""The law, rule by rule, on a bench where only one thing happens at a time.

All limits are our own settings and chosen figures; there is no published value to compare with.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law as law
from sash import settings

sys.path.insert(0, str(Path(__file__).parent))
from law_bench import Bench

LIMITS = settings.defaults()


# --- shape -------------------------------------------------------------------------------------
def test_slots_and_words_agree() -> None:
    """Every slot has a name, every reason and lockout a word, all of them different."""
    assert len(law.START) == len(law.STATE) == law.FALLS + 1
    assert len(law.SENSE) == law.NORTH + 1
    assert len(law.SETTINGS) == law.BATTERY_EMPTY + 1
    assert len(law.REASONS) == law.BLIND_CRACK + 1 == len(set(law.REASONS))
    assert len(law.LOCKOUTS) == len(set(law.LOCKOUTS))
    assert 1 << (len(law.LOCKOUTS) - 1) == law.BLIND_BIT
    for name in law.SETTINGS:
        assert name in LIMITS


def test_every_slot_constant_points_to_its_name() -> None:
    """A number that names the wrong slot would read one thing as another."""
    sense = {law.DT: "dt_s", law.AIR: "air_mdegc", law.OUTSIDE: "outside_mdegc", law.SOIL: "soil_mdegc",
             law.SUN: "sun_cdeg", law.AFTER_NOON: "after_noon", law.DAY_OF_YEAR: "day_of_year", law.WIND: "wind_mms",
             law.BATTERY: "battery_mv", law.LIGHT: "light_lx", law.HOLD: "hold", law.LID_FAULT: "lid_fault",
             law.POSITION: "position_permille", law.NORTH: "north"}  # fmt: skip
    assert sense == dict(enumerate(law.SENSE))
    kept = {law.TARGET: "target_permille", law.SINCE_MOVE: "since_move_s", law.USED: "used_permille",
            law.DAY: "day_of_year", law.SCORCH: "scorch", law.SLOPE: "slope_mdegc_min", law.COLD: "cold",
            law.WIND_LEVEL: "wind_level", law.EVENING: "evening", law.BATTERY_LEVEL: "battery_level"}  # fmt: skip
    assert all(law.STATE[number] == name for number, name in kept.items())
    given = {law.OPEN_AT: "open_mdegc", law.CLOSE_AT: "close_mdegc", law.STAGE_STEP: "stage_mdegc",
             law.SCORCH_AT: "scorch_mdegc", law.FROST_AT: "frost_mdegc", law.MIN_OUTSIDE: "min_outside_mdegc",
             law.CRACK: "crack_permille", law.STAGE_WIDTH: "stage_permille", law.DWELL: "dwell_s",
             law.STROKES: "strokes_per_day", law.WIND_PART: "wind_part_mms", law.WIND_SHUT: "wind_shut_mms",
             law.EVENING_SUN: "evening_sun_cdeg", law.BLIND_OPENING: "blind_permille",
             law.BATTERY_LOW: "battery_low_mv", law.BATTERY_EMPTY: "battery_empty_mv"}  # fmt: skip
    assert given == dict(enumerate(law.SETTINGS))


def test_answer_holds_three_numbers() -> None:
    """Target, reason and lockouts must come out of the packed answer as they went in, within a small number."""
    for target in (0, 1, 999, 1000):
        for reason in (0, len(law.REASONS) - 1):
            answer = target + 1024 * reason + 65536 * 511
            assert (law.target_of(answer), law.reason_of(answer), law.lockouts_of(answer)) == (target, reason, 511)
            assert answer < 1 << 30


def test_start_is_long_after_everything() -> None:
    """A fresh start may move at once, remembers no weather and has all its travel."""
    start = dict(zip(law.STATE, law.START, strict=True))
    long_ago = {"since_move_s": law.LONG_S, "since_scorch_s": law.LONG_S}
    unknown = {"slope_from_mdegc": law.NO_MDEGC, "trend_from_mdegc": law.NO_MDEGC}
    assert {name: value for name, value in start.items() if value} == {**long_ago, **unknown}
    assert law.LONG_S >= 2 * 3600
    assert (law.NONE, law.NO_MDEGC, law.NO_SUN) == (-1, -999_999, -99_999)


@pytest.mark.parametrize(
    ("disturb", "words"),
    [
        ({"hold": 1}, ["hold"]),
        ({"lid_fault": 1}, ["lid-fault"]),
        ({"wind_mms": 9_000, "air_mdegc": 9_000}, ["wind", "dwell"]),
        ({"battery_mv": 11_700, "dt_s": 30, "air_mdegc": 20_000}, ["battery"]),
        ({"outside_mdegc": -1, "air_mdegc": 14_000, "position_permille": 100}, ["cold", "dwell"]),
        ({"sun_cdeg": -1, "air_mdegc": 29_500}, ["evening", "dwell"]),
        ({"air_mdegc": law.NO_MDEGC, "outside_mdegc": 14_000}, ["dwell", "blind"]),
        ({}, []),
    ],
)
def test_each_lockout_has_its_own_bit(disturb: dict[str, int], words: list[str]) -> None:
    """What restrains the lid is told word by word (dwell where the disturbance made it move)."""
    bench = Bench()
    bench.step(disturb.pop("dt_s", 1), **disturb)
    assert bench.lockouts == words


def test_spent_budget_has_its_own_bit() -> None:
    """The budget's bit is the budget's, from exactly the last permille on."""
    bench = Bench(strokes_per_day=6).remember(used_permille=6_000)
    bench.step()
    assert law.lockouts_of(bench.answer) == 128
    bench.remember(used_permille=5_999).step()
    assert law.lockouts_of(bench.answer) == 0
    bench.remember(since_move_s=598).step()
    assert bench.lockouts == ["dwell"]
    bench.step()
    assert bench.lockouts == []


# --- stages ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("crack", "width", "count", "openings"),
    [(100, 300, 4, [0, 100, 400, 700, 1000]), (50, 1000, 2, [0, 50, 1000]), (300, 350, 3, [0, 300, 650, 1000])],
)
def test_stages_end_fully_open(crack: int, width: int, count: int, openings: list[int]) -> None:
    """The stages must run from shut over the crack to exactly full, whatever their width."""
    values = Bench(crack_permille=crack, stage_permille=width).settings
    assert law.stages(values) == count
    assert [law.opening_of(stage, values) for stage in range(count + 1)] == openings
    assert law.opening_of(count + 5, values) == 1000
    assert [law.stage_of(opening, values) for opening in openings] == list(range(count + 1))


def test_stage_of_takes_the_nearest() -> None:
    """A lid that stands between two stages counts as the nearer; under half a crack as shut."""
    values = Bench().settings
    openings = (49, 50, 99, 249, 250, 549, 550, 849, 850)
    assert [law.stage_of(at, values) for at in openings] == [0, 1, 1, 1, 2, 2, 3, 3, 4]


def test_opens_stage_by_stage() -> None:
    """Crack at 15 C, then 300 permille for each 2 K, one stage a time, each after its dwell."""
    bench = Bench().remember(target_permille=0)
    assert bench.step(air_mdegc=14_999) == (0, "in-band")
    assert bench.step(air_mdegc=15_000) == (100, "warm")
    assert bench.step(air_mdegc=16_999) == (100, "warm")
    assert bench.run(700) == (100, "warm")
    assert bench.step(air_mdegc=17_000) == (400, "warm")
    bench.run(700)
    assert bench.step(air_mdegc=19_000) == (700, "warm")
    bench.run(700)
    assert bench.step(air_mdegc=21_000) == (1000, "warm")
    assert bench.run(700) == (1000, "warm")


def test_shuts_stage_by_stage() -> None:
    """Each stage closes 5 K below its opening, and at 10 C the lid is shut from every stage."""
    bench = Bench().remember(target_permille=1000)
    assert bench.step(air_mdegc=16_001) == (1000, "in-band")
    assert bench.step(air_mdegc=16_000) == (700, "cool")
    bench.run(700)
    assert bench.step(air_mdegc=14_000) == (400, "cool")
    bench.run(700)
    assert bench.step(air_mdegc=12_000) == (100, "cool")
    bench.run(700)
    assert bench.step(air_mdegc=10_001) == (100, "in-band")
    assert bench.step(air_mdegc=10_000) == (0, "cool")
    assert Bench().remember(target_permille=1000).step(air_mdegc=10_000) == (0, "cool")


def test_in_band_keeps_an_opening_that_is_no_stage() -> None:
    """Without need the lid is not moved, not even to tidy its opening."""
    bench = Bench().remember(target_permille=150)
    assert bench.step(air_mdegc=13_000) == (150, "in-band")


# --- dwell and budget ----------------------------------------------------------------------------
def test_dwell_holds_both_ways() -> None:
    """Within the dwell time neither a further stage nor a shutting one may move."""
    bench = Bench().remember(since_move_s=0)
    assert bench.step(air_mdegc=17_500) == (400, "warm")
    assert bench.step(air_mdegc=19_000) == (400, "dwell")
    assert bench.step(air_mdegc=12_000) == (400, "dwell")
    assert "dwell" in bench.lockouts
    bench.remember(since_move_s=598)
    assert bench.step(air_mdegc=12_000) == (400, "dwell")
    assert bench.step(air_mdegc=12_000) == (100, "cool")


def test_heat_two_stages_ahead_waits_a_quarter() -> None:
    """When heat has run two stages ahead the wait is a quarter, but never under two minutes."""
    bench = Bench().remember(since_move_s=148)
    assert bench.step(air_mdegc=21_000) == (400, "dwell")
    assert bench.step(air_mdegc=21_000) == (700, "warm")
    bench = Bench().remember(since_move_s=200)
    assert bench.step(air_mdegc=20_999) == (400, "dwell")
    bench = Bench(dwell_s=240).remember(since_move_s=118)
    assert bench.step(air_mdegc=21_000) == (400, "dwell")
    assert bench.step(air_mdegc=21_000) == (700, "warm")
    bench = Bench(dwell_s=60).remember(since_move_s=60)
    assert bench.step(air_mdegc=21_000) == (700, "warm")


def test_move_starts_the_dwell_and_spends_budget() -> None:
    """Each change of target starts the dwell anew and is counted in permille of travel."""
    bench = Bench().remember(used_permille=500)
    bench.step(air_mdegc=19_000)
    assert bench.state[law.SINCE_MOVE] == 0
    assert bench.state[law.USED] == 800
    bench.step(5)
    assert bench.state[law.SINCE_MOVE] == 5


def test_budget_stops_ordinary_moves_exactly_at_its_end() -> None:
    """A move that fits the day's travel may be made, one that does not may not."""
    bench = Bench(strokes_per_day=6).remember(used_permille=5_700)
    assert bench.step(air_mdegc=19_000) == (700, "warm")
    bench = Bench(strokes_per_day=6).remember(used_permille=5_701)
    assert bench.step(air_mdegc=19_000) == (400, "budget")
    assert bench.step(air_mdegc=12_000) == (400, "budget")
    assert "budget" not in bench.lockouts
    bench.remember(used_permille=6_000).step()
    assert "budget" in bench.lockouts


def test_budget_is_new_each_day() -> None:
    """A new day by the calendar, or without a clock 24 hours, gives the travel back."""
    bench = Bench(strokes_per_day=6).remember(used_permille=6_000)
    assert bench.step(air_mdegc=19_000) == (400, "budget")
    assert bench.step(day_of_year=81) == (700, "warm")
    assert bench.state[law.USED] == 300
    bench = Bench().see(day_of_year=0).remember(used_permille=6_000, day_s=86_398)
    bench.step()
    assert bench.state[law.USED] == 6_000
    bench.step()
    assert (bench.state[law.USED], bench.state[law.DAY_S]) == (0, 0)


def test_known_day_does_not_turn_by_seconds() -> None:
    """With a calendar the counted seconds must not give the budget back."""
    bench = Bench().remember(used_permille=6_000, day_s=86_399)
    bench.step()
    assert bench.state[law.USED] == 6_000


# --- heat ------------------------------------------------------------------------------------------
def test_scorch_opens_at_once_and_ends_two_kelvin_lower() -> None:
    """At the scorch value the lid opens fully without dwell; the rule ends 2 K below it."""
    bench = Bench().remember(since_move_s=0)
    assert bench.step(air_mdegc=31_999)[1] != "scorch"
    assert bench.step(air_mdegc=32_000) == (1000, "scorch")
    assert bench.step(air_mdegc=30_001) == (1000, "scorch")
    assert bench.step(air_mdegc=30_000) == (700, "settle")
    assert bench.step(air_mdegc=30_000)[1] == "dwell"


def test_scorch_settles_one_stage_above_where_it_began() -> None:
    """After a scorch the lid falls back to one stage more than it had, which then counts as a move."""
    for before, after in ((0, 100), (100, 400), (400, 700), (700, 1000), (1000, 1000)):
        bench = Bench().remember(target_permille=before)
        bench.step(air_mdegc=33_000)
        bench.run(60)
        assert bench.step(air_mdegc=29_000)[0] == after


def test_scorch_memory_lifts_the_cold_cap_for_an_hour() -> None:
    """A crack was not enough: for an hour after a scorch the cold cap is the settle stage."""
    bench = Bench().remember(target_permille=100)
    bench.step(air_mdegc=33_000, outside_mdegc=-5_000)
    assert bench.step(air_mdegc=30_000) == (400, "settle")
    assert bench.run(3_590, air_mdegc=15_000) == (400, "in-band")
    assert bench.step(10) == (100, "cold-outside")


def test_heat_ahead_opens_early() -> None:
    """Warm, rising fast and two minutes from scorching: one stage more, without the dwell."""
    hot = {"air_mdegc": 26_000}
    assert Bench().remember(since_move_s=120, slope_mdegc_min=3_000).step(**hot) == (700, "heat-ahead")
    assert Bench().remember(since_move_s=118, slope_mdegc_min=3_000).step(**hot) == (400, "dwell")
    assert Bench().remember(since_move_s=130, slope_mdegc_min=2_999).step(**hot) == (400, "dwell")
    slow = Bench(scorch_mdegc=25_000).remember(since_move_s=130, slope_mdegc_min=299)
    assert slow.step(air_mdegc=24_900)[1] == "dwell"
    slow = Bench(scorch_mdegc=25_000).remember(since_move_s=130, slope_mdegc_min=300)
    assert slow.step(air_mdegc=24_900)[1] == "heat-ahead"
    cool = Bench().remember(since_move_s=130, slope_mdegc_min=9_000)
    assert cool.step(air_mdegc=14_999)[1] != "heat-ahead"
    full = Bench().remember(target_permille=1000, slope_mdegc_min=3_000, since_move_s=130)
    assert full.step(**hot) == (1000, "warm")


def test_slope_is_per_minute_and_smoothed() -> None:
    """A steady rise of 2 K a minute must show as 2000 mdegc a minute after a few samples."""
    bench = Bench()
    air = 10_000
    for _ in range(60):
        bench.step(10, air_mdegc=air)
        air += 333
    assert 1_900 <= bench.state[law.SLOPE] <= 2_000
    bench.step(air_mdegc=law.NO_MDEGC)
    assert bench.state[law.SLOPE] == 0
    assert bench.state[law.SLOPE_FROM] == law.NO_MDEGC


def test_slope_is_cut() -> None:
    """A wild pair of samples must not make the slope larger than 20 K a minute."""
    bench = Bench()
    bench.step(air_mdegc=0)
    bench.step(30, air_mdegc=80_000)
    assert bench.state[law.SLOPE] == 10_000
    bench.step(30, air_mdegc=-50_000)
    assert bench.state[law.SLOPE] == -5_000


# --- wind --------------------------------------------------------------------------------------------
def test_wind_limits_and_their_hold_off() -> None:
    """Part above one limit, shut above the other; release only 1.5 m/s lower for ten minutes, level by level."""
    bench = Bench().remember(target_permille=700)
    warm = {"air_mdegc": 20_000}
    assert bench.step(wind_mms=7_999, **warm) == (700, "warm")
    assert bench.step(wind_mms=8_000) == (150, "wind-part")
    assert bench.step(wind_mms=11_999) == (150, "wind-part")
    assert bench.step(wind_mms=12_000) == (0, "wind-shut")
    assert bench.run(1_200, wind_mms=10_500) == (0, "wind-shut")
    assert bench.run(590, wind_mms=10_499) == (0, "wind-shut")
    bench.run(10)
    assert bench.state[law.WIND_LEVEL] == 1
    assert bench.run(1_200, wind_mms=6_500)[0] <= 150
    assert bench.state[law.WIND_LEVEL] == 1
    bench.run(590, wind_mms=6_499)
    assert bench.state[law.WIND_LEVEL] == 1
    bench.run(10)
    assert bench.state[law.WIND_LEVEL] == 0


def test_wind_reading_lost_releases_after_the_hold_off() -> None:
    """A vane that stops answering must not keep the lid shut for ever."""
    bench = Bench().remember(target_permille=700)
    bench.step(wind_mms=13_000)
    bench.run(1_300, wind_mms=law.NONE)
    assert bench.state[law.WIND_LEVEL] == 0


def test_wind_does_not_name_a_lid_that_stays_shut_anyway() -> None:
    """A limit speaks only where it binds."""
    assert Bench().remember(target_permille=0).step(wind_mms=13_000, air_mdegc=12_000) == (0, "in-band")
    assert Bench().remember(target_permille=0).step(wind_mms=13_000, air_mdegc=15_000) == (0, "wind-shut")


def test_scorch_against_wind_opens_part_and_says_so() -> None:
    """Heat outranks wind, but the wind takes part of the opening and the reason names it."""
    assert Bench().step(wind_mms=8_000, air_mdegc=33_000) == (400, "scorch-wind")
    assert Bench().step(wind_mms=12_000, air_mdegc=33_000) == (150, "scorch-wind")
    bench = Bench()
    bench.step(wind_mms=12_000)
    assert bench.lockouts == ["wind", "dwell"]


# --- battery -----------------------------------------------------------------------------------------
def test_battery_levels_need_half_a_minute_and_have_a_band() -> None:
    """Starting currents dip the voltage: a level counts after 30 s; the way back has its own band."""
    bench = Bench()
    bench.step(29, battery_mv=11_799)
    assert bench.state[law.BATTERY_LEVEL] == 0
    bench.step(1)
    assert bench.state[law.BATTERY_LEVEL] == 1
    bench.run(60, battery_mv=12_099)
    assert bench.state[law.BATTERY_LEVEL] == 1
    bench.run(60, battery_mv=12_100)
    assert bench.state[law.BATTERY_LEVEL] == 0
    bench.run(60, battery_mv=11_399)
    assert bench.state[law.BATTERY_LEVEL] == 2
    bench.run(60, battery_mv=11_599)
    assert bench.state[law.BATTERY_LEVEL] == 2
    bench.run(60, battery_mv=11_600)
    assert bench.state[law.BATTERY_LEVEL] == 1
    bench.run(60, battery_mv=law.NONE)
    assert bench.state[law.BATTERY_LEVEL] == 1


def test_short_dip_is_forgotten() -> None:
    """Twenty seconds low, one well, twenty low: never low."""
    bench = Bench()
    for _ in range(5):
        bench.step(20, battery_mv=11_000)
        bench.step(1, battery_mv=12_600)
    assert bench.state[law.BATTERY_LEVEL] == 0


def test_battery_exactly_at_its_limits_is_well() -> None:
    """The limits themselves still count as enough."""
    bench = Bench()
    bench.run(60, battery_mv=11_800)
    assert bench.state[law.BATTERY_LEVEL] == 0
    bench.run(60, battery_mv=11_400)
    assert bench.state[law.BATTERY_LEVEL] == 1


def test_low_battery_shuts_what_is_not_warm_and_opens_nothing() -> None:
    """Below low only shutting and scorch move; below empty nothing does."""
    low = {"battery_mv": 11_700}
    assert Bench().remember(battery_level=1).step(air_mdegc=14_999, **low) == (0, "battery-low")
    assert Bench().remember(battery_level=1).step(air_mdegc=15_000, **low) == (400, "in-band")
    assert Bench().remember(battery_level=1).step(air_mdegc=19_000, **low) == (400, "battery-low")
    assert Bench().remember(battery_level=1).step(air_mdegc=32_000, **low) == (1000, "scorch")
    assert Bench().remember(battery_level=2).step(air_mdegc=32_000, battery_mv=11_000) == (400, "battery-empty")
    blind = Bench().remember(battery_level=1, target_permille=0)
    assert blind.step(air_mdegc=law.NO_MDEGC, **low) == (0, "battery-low")


# --- cold and frost --------------------------------------------------------------------------------------
def test_freezing_outside_allows_a_crack_one_stage_later() -> None:
    """While it freezes outside the lid opens a crack only, and only at the second stage's temperature."""
    bench = Bench().remember(target_permille=0)
    assert bench.step(outside_mdegc=-1, air_mdegc=15_000) == (0, "cold-outside")
    assert bench.step(air_mdegc=14_999) == (0, "in-band")
    assert bench.step(air_mdegc=16_999) == (0, "cold-outside")
    assert bench.step(air_mdegc=17_000) == (100, "warm")
    assert bench.run(700, air_mdegc=30_000) == (100, "cold-outside")
    assert bench.step(air_mdegc=10_000) == (0, "cool")


def test_freezing_outside_closes_down_to_the_crack_at_once() -> None:
    """A lid that is further open when it begins to freeze goes to the crack without waiting."""
    bench = Bench().remember(since_move_s=0)
    assert bench.step(outside_mdegc=-1, air_mdegc=16_000) == (100, "cold-outside")


def test_freezing_outside_has_a_deadband() -> None:
    """It begins below the value and ends half a kelvin above; an unknown outside is not cold."""
    bench = Bench()
    bench.step(outside_mdegc=0)
    assert bench.state[law.COLD] == 0
    bench.step(outside_mdegc=-1)
    assert bench.state[law.COLD] == 1
    bench.step(outside_mdegc=499)
    assert bench.state[law.COLD] == 1
    assert "cold" in bench.lockouts
    bench.step(outside_mdegc=500)
    assert bench.state[law.COLD] == 0
    bench.step(outside_mdegc=-9_000)
    bench.step(outside_mdegc=law.NO_MDEGC)
    assert bench.state[law.COLD] == 0


def test_frost_inside_shuts_at_once() -> None:
    """Below the frost value the lid shuts without dwell; at it, it need not."""
    warm_setting = {"close_mdegc": 1_000, "frost_mdegc": 1_000, "open_mdegc": 5_000}
    assert Bench(**warm_setting).remember(since_move_s=0, target_permille=100).step(air_mdegc=1_001) == (100, "in-band")
    assert Bench().remember(since_move_s=0).step(air_mdegc=999) == (0, "frost")
    assert Bench().remember(since_move_s=0).step(air_mdegc=1_000) == (400, "dwell")


# --- evening -----------------------------------------------------------------------------------------------
def test_evening_shuts_by_sun_height_until_sunrise() -> None:
    """After noon, below the set height, the lid shuts; it stays so until the sun is up before noon."""
    bench = Bench()
    assert bench.step(sun_cdeg=800, after_noon=1) == (400, "in-band")
    assert bench.step(sun_cdeg=799) == (0, "evening")
    assert bench.step(sun_cdeg=850) == (0, "evening")
    assert bench.run(1_000, sun_cdeg=-1_000, after_noon=0, air_mdegc=16_000) == (0, "evening")
    assert "evening" in bench.lockouts
    assert bench.step(sun_cdeg=-1) == (0, "evening")
    assert bench.step(sun_cdeg=0) == (100, "warm")


def test_low_morning_sun_is_no_evening() -> None:
    """Before noon a low sun must not shut the lid."""
    assert Bench().step(sun_cdeg=100, after_noon=0) == (400, "in-band")


def test_high_sun_after_noon_ends_a_false_evening() -> None:
    """An evening guessed without a clock ends when the clock arrives and the sun stands high."""
    bench = Bench().remember(evening=1)
    assert bench.step(sun_cdeg=899, after_noon=1) == (0, "evening")
    assert bench.step(sun_cdeg=900, after_noon=1)[1] != "evening"


def test_evening_leaves_a_nearly_scorching_bed_open() -> None:
    """Within 3 K of scorch it is not shut for the night."""
    assert Bench().step(sun_cdeg=500, after_noon=1, air_mdegc=28_999) == (0, "evening")
    assert Bench().step(sun_cdeg=500, after_noon=1, air_mdegc=29_000)[0] > 0


def test_without_a_clock_light_tells_the_evening() -> None:
    """Below 2000 lx it is evening, from 4000 lx on day; between them nothing changes."""
    bench = Bench().see(sun_cdeg=law.NO_SUN)
    assert bench.step(light_lx=2_000) == (400, "in-band")
    assert bench.step(light_lx=1_999) == (0, "evening")
    assert bench.step(light_lx=3_999) == (0, "evening")
    bench.step(light_lx=4_000)
    assert bench.state[law.EVENING] == 0


def test_without_clock_and_light_the_air_tells_the_evening() -> None:
    """Two half hours in a row of falling air are an evening; one of rising air is a morning."""
    bench = Bench().see(sun_cdeg=law.NO_SUN, air_mdegc=14_000)
    bench.step()
    bench.step(1_800, air_mdegc=13_400)
    assert (bench.state[law.FALLS], bench.state[law.EVENING]) == (1, 0)
    assert bench.step(1_799, air_mdegc=12_800)[1] != "evening"
    assert bench.step(1) == (0, "evening")
    bench.step(1_800, air_mdegc=13_399)
    assert bench.state[law.EVENING] == 1
    bench.step(1_800, air_mdegc=13_999)
    assert (bench.state[law.FALLS], bench.state[law.EVENING]) == (0, 0)


def test_still_air_between_two_falls_does_not_hide_the_evening() -> None:
    """A half hour without change neither counts nor forgets."""
    bench = Bench().see(sun_cdeg=law.NO_SUN, air_mdegc=14_000)
    bench.step()
    bench.step(1_800, air_mdegc=13_400)
    bench.step(1_800, air_mdegc=12_801)
    assert (bench.state[law.FALLS], bench.state[law.EVENING]) == (1, 0)
    bench.step(1_800, air_mdegc=12_201)
    assert bench.state[law.EVENING] == 1


def test_trend_starts_afresh_after_clock_or_lost_air() -> None:
    """Half hours are counted only while nothing better is known and the air is."""
    bench = Bench().see(sun_cdeg=law.NO_SUN)
    bench.step()
    bench.step(1_800, air_mdegc=13_000)
    bench.step(sun_cdeg=3_000)
    assert (bench.state[law.FALLS], bench.state[law.TREND_FROM]) == (0, law.NO_MDEGC)
    bench.step(sun_cdeg=law.NO_SUN, air_mdegc=13_000)
    bench.step(air_mdegc=law.NO_MDEGC)
    assert (bench.state[law.TREND_FROM], bench.state[law.TREND_S]) == (law.NO_MDEGC, 0)


# --- hold, fault and what is remembered ------------------------------------------------------------------------
def test_hold_follows_the_lid_and_counts_no_travel() -> None:
    """Under hold the target is where the lid stands; a person's move is not the law's travel."""
    bench = Bench()
    assert bench.step(hold=1, position_permille=620) == (620, "hold")
    assert bench.step(hold=1, position_permille=law.NONE) == (620, "hold")
    assert bench.state[law.USED] == 0
    assert bench.lockouts == ["hold"]


def test_lid_fault_stays_and_is_named() -> None:
    """A latched fault keeps the lid where it is, whatever the heat."""
    bench = Bench()
    assert bench.step(lid_fault=1, air_mdegc=40_000, position_permille=30) == (30, "lid-fault")
    assert "lid-fault" in bench.lockouts


def test_memory_is_kept_up_under_hold() -> None:
    """Wind, cold and evening are followed under hold, so that release finds them right."""
    bench = Bench()
    bench.step(hold=1, wind_mms=13_000, outside_mdegc=-5_000, sun_cdeg=-100)
    assert [bench.state[slot] for slot in (law.WIND_LEVEL, law.COLD, law.EVENING)] == [2, 1, 1]
    assert bench.step(hold=0) == (0, "evening")


def test_counters_stop_at_their_ends() -> None:
    """Counters must not grow past a small number, however long nothing happens or how odd a step is."""
    bench = Bench().remember(since_move_s=law.LONG_S - 1, used_permille=999_999)
    bench.run(20_000, dt_s=2_000)
    assert bench.state[law.SINCE_MOVE] == law.LONG_S
    assert max(abs(value) for value in bench.state) < 1 << 20
    before = list(bench.state)
    bench.step(-5)
    assert bench.state[law.SINCE_SCORCH] == before[law.SINCE_SCORCH]
    bench.remember(since_move_s=0).step(100_000)
    assert bench.state[law.SINCE_MOVE] == 3_600


def test_known_position_zero_is_a_position() -> None:
    """A lid held at shut stays at 0, not where the law once wanted it."""
    assert Bench().step(hold=1, position_permille=0) == (0, "hold")


def test_limits_that_are_met_exactly_change_nothing() -> None:
    """An opening that equals what a limit allows is not the limit's doing."""
    assert Bench().remember(target_permille=150).step(wind_mms=9_000, air_mdegc=13_000) == (150, "in-band")
    bench = Bench().remember(target_permille=100)
    assert bench.step(outside_mdegc=-1, air_mdegc=13_000) == (100, "in-band")


def test_cool_and_shut_names_the_cold_only_up_to_the_closing_value() -> None:
    """A shut lid is shut because it is cool up to the closing temperature, in band above it."""
    assert Bench().remember(target_permille=0).step(air_mdegc=10_000) == (0, "cool")
    assert Bench().remember(target_permille=0).step(air_mdegc=10_001) == (0, "in-band")


def test_counters_start_from_nothing() -> None:
    """What is reset begins at 0, so that the first step afterwards counts its own time only."""
    bench = Bench().remember(wind_level=0)
    bench.step(wind_mms=9_000)
    assert bench.state[law.CALM_S] == 0
    bench.step(wind_mms=13_000)
    assert bench.state[law.CALM_S] == 0
    bench.step(7, wind_mms=11_000)
    assert bench.state[law.CALM_S] == 0
    bench.run(600, wind_mms=0)
    assert (bench.state[law.WIND_LEVEL], bench.state[law.CALM_S]) == (1, 0)
    bench.step(10, battery_mv=11_000)
    assert bench.state[law.BATTERY_S] == 10
    bench.step(battery_mv=12_600)
    assert bench.state[law.BATTERY_S] == 0
    bench.step(30, battery_mv=11_000)
    assert (bench.state[law.BATTERY_LEVEL], bench.state[law.BATTERY_S]) == (2, 0)
    bench.step(day_of_year=81)
    assert bench.state[law.DAY_S] == 0
    bench.step(air_mdegc=33_000)
    bench.step(air_mdegc=20_000)
    assert bench.state[law.SINCE_SCORCH] == 0
    fresh = Bench()
    fresh.step()
    assert fresh.state[law.SLOPE_S] == 0
    fresh.step(30)
    assert fresh.state[law.SLOPE_S] == 0
    fresh.step(air_mdegc=law.NO_MDEGC)
    assert fresh.state[law.SLOPE_S] == 0


# --- blind ------------------------------------------------------------------------------------------------------
def blind(**values: int) -> tuple[int, str]:
    """The answer without an air probe, lid shut, long after the last move."""
    bench = Bench().remember(target_permille=0)
    return bench.step(air_mdegc=law.NO_MDEGC, **{"day_of_year": 150, **values})


def test_blind_stands_a_crack_open_by_day() -> None:
    """With nothing against it the safe position is the crack: heat harms in minutes, frost in hours."""
    assert blind() == (100, "blind-crack")
    unknown = {"outside_mdegc": law.NO_MDEGC, "soil_mdegc": law.NO_MDEGC, "sun_cdeg": law.NO_SUN, "day_of_year": 0}
    assert blind(**unknown) == (100, "blind-crack")
    bench = Bench(blind_permille=250).remember(target_permille=0)
    assert bench.step(air_mdegc=law.NO_MDEGC) == (250, "blind-crack")
    assert "blind" in bench.lockouts


def test_blind_shuts_for_the_night_and_for_frost() -> None:
    """Night, a freezing bed and frost outside each shut it, at once and with a reason of their own."""
    assert blind(sun_cdeg=-1) == (0, "blind-night")
    assert blind(soil_mdegc=999) == (0, "blind-cold")
    assert blind(soil_mdegc=1_000) == (100, "blind-crack")
    assert blind(outside_mdegc=-1) == (0, "blind-cold")
    open_lid = Bench().remember(since_move_s=0)
    assert open_lid.step(air_mdegc=law.NO_MDEGC, sun_cdeg=-1) == (0, "blind-night")


def test_blind_warm_bed_outweighs_frost_outside() -> None:
    """A bed as warm as the opening value lies under a hot frame: a crack, even if it freezes outside."""
    assert blind(outside_mdegc=-1, soil_mdegc=15_000) == (100, "blind-crack")
    assert blind(outside_mdegc=-1, soil_mdegc=14_999) == (0, "blind-cold")


def test_blind_opens_wider_when_it_is_warm() -> None:
    """Warm outdoors or a very warm bed: the third or second stage."""
    assert blind(outside_mdegc=15_000) == (700, "blind-warm")
    assert blind(outside_mdegc=14_999) == (100, "blind-crack")
    assert blind(soil_mdegc=24_000) == (400, "blind-warm")
    assert blind(soil_mdegc=23_999) == (100, "blind-crack")


@pytest.mark.parametrize(
    ("day", "north", "in_season"),
    [(304, 1, 0), (305, 1, 1), (366, 1, 1), (1, 1, 1), (105, 1, 1), (106, 1, 0),
     (122, 0, 0), (123, 0, 1), (182, 0, 1), (183, 0, 1), (287, 0, 1), (288, 0, 0), (1, 0, 0), (0, 1, 0)],
)  # fmt: skip
def test_blind_frost_season(day: int, north: int, in_season: int) -> None:
    """November to mid April, half a year later in the south, decides when outdoors is unknown and the sun low."""
    lost = {"outside_mdegc": law.NO_MDEGC, "soil_mdegc": law.NO_MDEGC, "day_of_year": day, "north": north}
    assert blind(sun_cdeg=1_499, **lost) == ((0, "blind-cold") if in_season else (100, "blind-crack"))
    assert blind(sun_cdeg=1_500, **lost) == (100, "blind-crack")
    lost["soil_mdegc"] = 15_000
    assert blind(sun_cdeg=1_000, **lost) == (100, "blind-crack")


def test_blind_obeys_dwell_budget_and_wind() -> None:
    """Blind opening and narrowing wait like any other move, and the wind limits them."""
    bench = Bench().remember(since_move_s=0)
    assert bench.step(air_mdegc=law.NO_MDEGC) == (400, "dwell")
    bench = Bench().remember(since_move_s=0)
    assert bench.step(air_mdegc=law.NO_MDEGC, soil_mdegc=24_000, outside_mdegc=16_000) == (400, "dwell")
    bench = Bench().remember(target_permille=1_000, since_move_s=0)
    assert bench.step(air_mdegc=law.NO_MDEGC, soil_mdegc=24_000, outside_mdegc=14_000) == (1000, "dwell")
    assert blind(wind_mms=12_000) == (0, "wind-shut")
    assert blind(outside_mdegc=15_000, wind_mms=8_000) == (150, "wind-part")


def test_losing_the_probe_ends_a_scorch() -> None:
    """What the lost probe said must not keep the lid open for ever."""
    bench = Bench()
    bench.step(air_mdegc=33_000)
    bench.step(air_mdegc=law.NO_MDEGC)
    assert bench.state[law.SCORCH] == 0


# --- what is worth telling ------------------------------------------------------------------------------------------
def test_limits_of_what_is_told() -> None:
    """Open in frost, hot though open, hot though shut: each exactly at its limit, an unknown lid counts as open."""
    values = Bench().settings
    assert law.open_in_frost(999, 21, values) == 1
    assert law.open_in_frost(999, law.NONE, values) == 1
    assert law.open_in_frost(999, 20, values) == 0
    assert law.open_in_frost(1_000, 500, values) == 0
    assert law.open_in_frost(law.NO_MDEGC, 500, values) == 0
    assert law.hot_though_open(32_001, 800, values) == 1
    assert law.hot_though_open(32_000, 800, values) == 0
    assert law.hot_though_open(40_000, 799, values) == 0
    assert law.hot_though_open(law.NO_MDEGC, 1000, values) == 0
    assert law.hot_though_shut(32_000, 799, values) == 1
    assert law.hot_though_shut(31_999, 0, values) == 0
    assert law.hot_though_shut(40_000, 800, values) == 0
    assert law.hot_though_shut(law.NO_MDEGC, 0, values) == 0


def test_orders_that_would_harm() -> None:
    """Nobody shuts a scorching bed, opens a freezing one, or opens against the wind from afar."""
    values = Bench().settings
    assert law.order_harms(0, 32_000, 0, values) == 1
    assert law.order_harms(799, 32_000, 0, values) == 1
    assert law.order_harms(800, 32_000, 0, values) == 0
    assert law.order_harms(0, 31_999, 0, values) == 0
    assert law.order_harms(21, 999, 0, values) == 1
    assert law.order_harms(20, 999, 0, values) == 0
    assert law.order_harms(1000, 1_000, 0, values) == 0
    assert law.order_harms(1000, law.NO_MDEGC, 2, values) == 2
    assert law.order_harms(0, law.NO_MDEGC, 2, values) == 0
    assert law.order_harms(1000, law.NO_MDEGC, 1, values) == 0


def test_ice_needs_wet_and_cold() -> None:
    """A seal can only be frozen to the rim when it was wet and the colder side is at or below 1 C."""
    assert law.ice_risk(5_000, 1_000, 1) == 1
    assert law.ice_risk(1_000, 5_000, 1) == 1
    assert law.ice_risk(5_000, 1_001, 1) == 0
    assert law.ice_risk(-5_000, -5_000, 0) == 0
    assert law.ice_risk(law.NO_MDEGC, 900, 1) == 1
    assert law.ice_risk(900, law.NO_MDEGC, 1) == 1
    assert law.ice_risk(law.NO_MDEGC, law.NO_MDEGC, 1) == 0


def test_blind_and_cold_does_not_turn_round_at_once() -> None:
    """A crack just opened blind is not shut again within the dwell because a probe comes or goes; night shuts it."""
    bench = Bench().remember(target_permille=0)
    blind_now = {"air_mdegc": law.NO_MDEGC, "sun_cdeg": 1_000, "day_of_year": 20}
    assert bench.step(**blind_now, outside_mdegc=8_000) == (100, "blind-crack")
    assert bench.run(599, 1, outside_mdegc=law.NO_MDEGC) == (100, "dwell")
    assert bench.step(2) == (0, "blind-cold")
    bench = Bench().remember(target_permille=100, since_move_s=5)
    assert bench.step(**blind_now, outside_mdegc=-3_000) == (100, "dwell")
    assert bench.step(sun_cdeg=-1) == (0, "blind-night")


def test_blind_and_cold_shuts_though_the_travel_of_the_day_is_spent() -> None:
    """A spent budget never keeps the lid open into the cold."""
    bench = Bench().remember(target_permille=100, used_permille=1_000_000)
    assert bench.step(air_mdegc=law.NO_MDEGC, outside_mdegc=-3_000) == (0, "blind-cold")
