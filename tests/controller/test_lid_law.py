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


# -- shape -----------------------------------------------------------------------------------------------
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


# -- stages ----------------------------------------------------------------------------------------------
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


# -- dwell and budget ------------------------------------------------------------------------------------
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


# -- heat ------------------------------------------------------------------------------------------------
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
