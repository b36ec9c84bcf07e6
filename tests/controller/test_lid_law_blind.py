"""The law without a trustworthy air probe, what it remembers under hold and fault, and what is worth telling.

All limits are our own settings and chosen figures; there is no published value to compare with.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law as law

sys.path.insert(0, str(Path(__file__).parent))
from law_bench import Bench


# -- hold, fault and what is remembered ------------------------------------------------------------------
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


# -- blind -----------------------------------------------------------------------------------------------
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


# -- what is worth telling -------------------------------------------------------------------------------
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
