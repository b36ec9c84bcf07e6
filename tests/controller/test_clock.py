"""Whole-number time over a counter that wraps and an epoch that may be 2000."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sash import clock


@given(st.integers(0, 2**30 - 1), st.integers(-(2**29), 2**29 - 1))
def test_ticks_diff_holds_across_the_wrap(start: int, step: int) -> None:
    """For any two counter values up to 6.2 days apart the difference must be exact."""
    assert clock.ticks_diff(clock.ticks_add(start, step), start) == step


def test_uptime_over_four_wraps() -> None:
    """50 days of a counter that wraps every 12.43 days must add up to the second."""
    start = 2**30 - 5_000
    kept = clock.Clock(start)
    real_ms = 0
    for step in (4_999, 7_001, 60_000, 2**28, 2**29 - 1) * 5:
        real_ms += step
        assert kept.tick((start + real_ms) % 2**30) == step
    assert real_ms > 3 * 2**30
    assert kept.uptime_s == real_ms // 1000


def test_counter_read_out_of_order_never_turns_time_back() -> None:
    """A counter value older than the last must count as no time."""
    kept = clock.Clock(1000)
    assert kept.tick(5000) == 4000
    assert kept.tick(4000) == 0
    assert kept.tick(6000) == 1000
    assert kept.uptime_s == 5


def test_unix_time_is_unset_until_set_and_then_runs() -> None:
    """The clock must say NONE until it is set, then follow uptime in whole seconds, in 2034 as well."""
    kept = clock.Clock()
    kept.advance(90_500)
    assert kept.unix_s() == clock.NONE
    kept.set_unix_s(2_019_686_400)
    kept.advance(600)
    assert kept.unix_s() == 2_019_686_401
    assert isinstance(kept.unix_s(), int)
    kept.set_unix_s(12)
    assert kept.unix_s() == clock.NONE


@pytest.mark.parametrize(("year", "offset"), [(2000, 946_684_800), (1970, 0)])
def test_both_epochs(year: int, offset: int) -> None:
    """A port that counts from 2000 must be moved by 30 years and 7 leap days, one from 1970 not at all."""
    assert clock.epoch_offset_s(year) == offset
    assert clock.epoch_offset_s() == 0
    assert clock.EPOCH_2000_S == (30 * 365 + 7) * 86_400


def test_counter_is_masked_like_a_boards() -> None:
    """On a desk, too, the counter must stay below 2^30 and run in milliseconds."""
    first, before = clock.ticks_ms(), time.monotonic_ns()
    while time.monotonic_ns() - before < 3_000_000:
        pass
    assert 2 <= clock.ticks_diff(clock.ticks_ms(), first) < 1000
    assert 0 <= first < 2**30
