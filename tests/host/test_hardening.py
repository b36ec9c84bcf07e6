"""Frost tolerance that rises with cold and falls with warmth; frost and heat dose."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from sashkeeper.season import hardening
from sashkeeper.season.crops import Crop, load
from sashkeeper.season.hardening import DayTemps, hardness, trace

FIRST = date(2026, 11, 1)


def _days(rows: list[tuple[float, float]]) -> list[DayTemps]:
    return [DayTemps(FIRST + timedelta(days=n), low, mean) for n, (low, mean) in enumerate(rows)]


@pytest.fixture
def spinach() -> Crop:
    """The crop that the published rates are for."""
    return load().find("spinach")


# Source of the next three checks: "Freezing tolerance and rapid cold acclimation of spinach", journal abstract
# (authors not shown on the page seen): 2-4 degC gained after 1 day at 5/2 degC, most within 3 days, little after
# day 14; 3-5 degC lost within 1 day at 20/17 degC, nothing further after day 3.
COLD_DAY, WARM_DAY = (2.0, 3.5), (17.0, 18.5)


def test_spinach_gains_at_five_over_two(spinach: Crop) -> None:
    """One day at 5/2 degC gains 2 to 4 degC, three days most of it, and after 14 days nothing more."""
    states = [s for _, s in trace(spinach, _days([COLD_DAY] * 20))]
    start = spinach.unhardened_degc
    assert 2.0 <= start - states[0] <= 4.0
    assert (start - states[2]) / (start - states[13]) > 0.9
    assert abs(states[19] - states[13]) < 0.1


def test_spinach_loses_at_twenty_over_seventeen(spinach: Crop) -> None:
    """One day at 20/17 degC costs 3 to 5 degC, and nothing further after day three."""
    hard = [s for _, s in trace(spinach, _days([COLD_DAY] * 14))][-1]
    states = [s for _, s in trace(spinach, _days([WARM_DAY] * 6), start_degc=hard)]
    assert 3.0 <= states[0] - hard <= 5.0
    assert states[5] - states[2] < 0.3
    winter_hard = [s for _, s in trace(spinach, _days([(-6.0, -3.0)] * 20))][-1]
    assert 3.0 <= trace(spinach, _days([WARM_DAY]), winter_hard)[0][1] - winter_hard <= 5.0


def test_most_of_the_loss_comes_back_in_three_cold_days(spinach: Crop) -> None:
    """Three days at 5/2 degC after a warm one bring back most of what it cost."""
    hard = [s for _, s in trace(spinach, _days([COLD_DAY] * 14))][-1]
    states = [s for _, s in trace(spinach, _days([WARM_DAY, COLD_DAY, COLD_DAY, COLD_DAY]), hard)]
    lost, back = states[0] - hard, states[0] - states[3]
    assert back / lost > 0.8


@pytest.mark.parametrize(("week", "share"), [(10, 0.0), (8, 0.0), (5, 0.1), (2, 0.2), (-1, 0.6), (-4, 1.0), (-9, 1.0)])
def test_tamura_2002_shape_of_the_week_minimum(week: float, share: float) -> None:
    """Tolerance hardly changes from 8 to 2 degC of the 7-day mean of minima and rises strongly below.

    Source: Tamura 2002, J. Japan. Soc. Hort. Sci. 71:74-81 (abstract); the shares are our reading of it.
    """
    assert hardening.slow_share(week) == pytest.approx(share)


def test_tamura_2002_midwinter_spinach(spinach: Crop) -> None:
    """After a cold month spinach stands -12 to -16 degC at 15 % injury, inside our band.

    Source: Tamura 2002 (abstract): midwinter TEL15 of spinach in an unheated house.
    """
    days = _days([(-5.0, -1.0)] * 30)
    got = hardness(spinach, days, FIRST + timedelta(days=30))
    assert got.cold_degc <= -12.0 <= got.warm_degc
    assert got.hardened_share > 0.95


def test_without_readings_plants_count_as_unhardened(spinach: Crop) -> None:
    """No readings: the damage temperature is the unhardened one and the band is wide."""
    got = hardness(spinach, [], FIRST)
    assert got.damage_degc == spinach.unhardened_degc
    assert got.warm_degc - got.damage_degc >= spinach.cold_plus_minus_degc
    assert got.week_min_degc is None


def test_gaps_widen_the_band(spinach: Crop) -> None:
    """Days without readings widen the band by half a degree each."""
    full = _days([(-5.0, -1.0)] * 14)
    today = FIRST + timedelta(days=14)
    whole = hardness(spinach, full, today)
    holed = hardness(spinach, full[:10] + full[13:], today)
    assert (holed.days_known, whole.days_known) == (4, 7)
    assert holed.damage_degc - holed.cold_degc == pytest.approx(whole.damage_degc - whole.cold_degc + 1.5)


@pytest.mark.parametrize("name", ["spinach", "pak-choi", "kale", "sorrel", "pea-shoots"])
def test_state_stays_between_its_bounds(name: str) -> None:
    """Whatever the weather, damage temperature stays between unhardened and hardened."""
    crop = load().find(name)
    rows = [(-15.0 + (n * 37 % 40), -10.0 + (n * 37 % 40)) for n in range(120)]
    for _, state in trace(crop, _days(rows)):
        assert crop.leaf_damage_degc[1] - 1e-9 <= state <= crop.unhardened_degc + 1e-9


def test_frost_dose_by_hand() -> None:
    """Two hours 3 degC under the damage temperature and one hour 1 degC under are 7 degC h."""
    rows = [(0.0, -10.0), (3600.0, -10.0), (7200.0, -8.0), (10800.0, -5.0), (14400.0, -5.0)]
    assert hardening.frost_dose(rows, -7.0) == pytest.approx(3 + 3 + 1)
    assert hardening.frost_words(7.0) == "loss likely"
    assert hardening.frost_words(0.0) == "no frost damage expected"
    assert hardening.heat_dose([(0.0, 35.0), (1800.0, 20.0)], 32.0) == pytest.approx(1.5)


def test_a_gap_counts_for_an_hour_at_most() -> None:
    """Silence after a frosty reading is not taken as frost all night."""
    assert hardening.frost_dose([(0.0, -10.0), (36_000.0, -10.0)], -7.0) == pytest.approx(3.0)
