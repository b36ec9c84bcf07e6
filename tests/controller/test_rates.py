"""Timer against clock: gross and small differences are found, those of a cheap crystal are not."""

from __future__ import annotations

import pytest

from sash.rates import NONE, Rates

START_S = 1_773_316_800


def run(share: float, seconds: int, step_ms: int = 5_000) -> float | None:
    """Seconds of true time until it says wrong, None if never; the timer runs `share` times too fast."""
    rates, timer_ms = Rates(), 0.0
    for n in range(seconds * 1000 // step_ms):
        before, timer_ms = timer_ms, timer_ms + step_ms * share
        if rates.follow(int(timer_ms) - int(before), START_S + n * step_ms // 1000):
            return n * step_ms / 1000
    return None


@pytest.mark.parametrize("share", [10.0, 0.0])
def test_ten_times_and_not_at_all_are_found_within_a_minute(share: float) -> None:
    """A timer that runs ten times too fast, or stands still, is found within a minute."""
    found = run(share, 120)
    assert found is not None
    assert found <= 60


@pytest.mark.parametrize("share", [1.03, 0.97])
def test_three_percent_are_found_within_six_minutes(share: float) -> None:
    """Three percent either way are found in one window."""
    found = run(share, 900)
    assert found is not None
    assert found <= 360


@pytest.mark.parametrize("share", [1.0001, 0.9999, 1.005, 1.0])
@pytest.mark.parametrize("step_ms", [200, 5_000, 10_000])
def test_a_cheap_crystal_is_not_a_fault(share: float, step_ms: int) -> None:
    """A hundred parts in a million, and half a percent, are nothing to report in six hours."""
    assert run(share, 6 * 3600, step_ms) is None


def test_a_clock_that_jumps_is_found_and_forgiven() -> None:
    """A jump of a minute is wrong at once, and five minutes in agreement end it."""
    rates = Rates()
    for n in range(20):
        assert rates.follow(5_000, START_S + 5 * n) == 0
    assert rates.follow(5_000, START_S + 160) == 1
    answers = [rates.follow(5_000, START_S + 165 + 5 * n) for n in range(64)]
    assert answers[50] == 1
    assert answers[-1] == 0


def test_no_clock_and_a_clock_set_on_purpose_are_no_faults() -> None:
    """Without a clock there is nothing to compare; setting it begins anew."""
    rates = Rates()
    assert rates.follow(5_000, NONE) == 0
    for n in range(10):
        assert rates.follow(5_000, START_S + 5 * n) == 0
    rates.restart()
    assert rates.follow(5_000, START_S + 90_000) == 0
    assert rates.follow(5_000, START_S + 90_005) == 0
    assert rates.follow(5_000, NONE) == 0
    assert rates.follow(5_000, START_S) == 0
