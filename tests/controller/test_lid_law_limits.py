"""What limits the lid whatever the warmth: wind, battery, cold, evening; one thing at a time.

All limits are our own settings and chosen figures; there is no published value to compare with.
"""

from __future__ import annotations

import sys
from pathlib import Path

from sash import lid_law as law

sys.path.insert(0, str(Path(__file__).parent))
from law_bench import Bench


# -- wind ------------------------------------------------------------------------------------------------
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


# -- battery ---------------------------------------------------------------------------------------------
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


# -- cold and frost --------------------------------------------------------------------------------------
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


# -- evening ---------------------------------------------------------------------------------------------
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
