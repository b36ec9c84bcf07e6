"""The law at its limits: each met exactly and missed by one. All limits are our own (chosen)."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law as law

sys.path.insert(0, str(Path(__file__).parent))
from law_bench import Bench


def kept(bench: Bench, name: str) -> int:
    """One slot of the law's memory."""
    return bench.state[law.STATE.index(name)]


@pytest.mark.parametrize(("dt_s", "counted"), [(-5, 0), (0, 0), (1, 1), (3_600, 3_600), (3_601, 3_600)])
def test_time_runs_forwards_and_at_most_an_hour_a_step(dt_s: int, counted: int) -> None:
    """A step back counts as none, a step of more than an hour as one hour."""
    bench = Bench().remember(since_move_s=0)
    bench.step(dt_s)
    assert kept(bench, "since_move_s") == counted


@pytest.mark.parametrize(("day", "used"), [(1, 0), (80, 7_000), (0, 7_000)])
def test_travel_is_new_on_every_known_day_the_first_of_january_too(day: int, used: int) -> None:
    """Another day of the year, the first included, gives the whole travel back; the same or an unknown one does not."""
    bench = Bench().remember(used_permille=7_000)
    bench.step(day_of_year=day)
    assert kept(bench, "used_permille") == used


def test_calm_stays_calm() -> None:
    """Hours without wind leave the level at 0."""
    bench = Bench()
    bench.run(3_600)
    assert kept(bench, "wind_level") == 0


@pytest.mark.parametrize(
    ("level", "millivolts", "asks"),
    [
        (0, 11_400, 1), (0, 11_399, 2), (2, 11_599, 2), (2, 11_600, 1), (0, 11_800, 0), (0, 11_799, 1),
        (1, 12_099, 1), (1, 12_100, 0), (2, 12_100, 0),
    ],
)  # fmt: skip
def test_battery_levels_and_their_bands(level: int, millivolts: int, asks: int) -> None:
    """Down at the limit itself, up only above limit and band."""
    bench = Bench().remember(battery_level=level)
    bench.step(30, battery_mv=millivolts)
    assert kept(bench, "battery_level") == asks


@pytest.mark.parametrize(
    ("opening", "stage"),
    [(0, 0), (149, 0), (150, 1), (200, 1), (274, 1), (275, 1), (300, 1), (324, 1), (325, 2), (350, 2), (1_000, 15)],
)
def test_stage_of_openings_below_a_wide_crack(opening: int, stage: int) -> None:
    """A crack of 300 and stages of 50: half a crack is the first stage, the rest goes by the nearest."""
    settings = Bench(crack_permille=300, stage_permille=50).settings
    assert law.stage_of(opening, settings) == stage
    assert law.stages(settings) == 15


def test_at_the_last_stage_a_warmer_bed_changes_nothing() -> None:
    """A lid that a person set to 990 counts as fully open and is not driven a hundredth further."""
    bench = Bench().remember(target_permille=990)
    assert bench.step(air_mdegc=25_000) == (990, "warm")


@pytest.mark.parametrize(
    ("slope", "air", "since_s", "reason"),
    [
        (300, 31_400, 1_000, "heat-ahead"), (299, 31_402, 1_000, "warm"), (300, 31_399, 1_000, "warm"),
        (300, 31_400, 120, "heat-ahead"), (300, 31_400, 119, "dwell"),
        (8_500, 15_000, 1_000, "heat-ahead"), (8_501, 14_999, 1_000, "in-band"),
    ],
)  # fmt: skip
def test_heat_ahead_at_its_limits(slope: int, air: int, since_s: int, reason: str) -> None:
    """300 mdegc a minute, the opening temperature, two minutes since the last move: each just enough, or just not."""
    bench = Bench().remember(slope_mdegc_min=slope, slope_from_mdegc=air, since_move_s=since_s - 1, target_permille=400)
    assert bench.step(air_mdegc=air)[1] == reason


def test_blind_is_among_the_lockouts() -> None:
    """Without an air probe the report says so, alone and with others."""
    bench = Bench()
    bench.step(air_mdegc=law.NO_MDEGC)
    assert bench.lockouts == ["dwell", "blind"]
    bench.run(1_200, air_mdegc=law.NO_MDEGC)
    assert bench.lockouts == ["blind"]
    assert law.lockouts_of(bench.answer) == law.BLIND_BIT


@pytest.mark.parametrize(("opening", "harms"), [(0, 0), (20, 0), (21, 2)])
def test_in_a_gale_an_order_may_open_no_more_than_counts_as_shut(opening: int, harms: int) -> None:
    """20 permille are as good as shut."""
    assert law.order_harms(opening, 15_000, 2, Bench().settings) == harms
