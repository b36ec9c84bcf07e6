"""Yardsticks on made-up logs."""

from __future__ import annotations

import pytest

from sashkeeper.alarms import metrics
from sashkeeper.alarms.metrics import Step

T = 1_767_225_600.0
DAY = 86_400.0


def rise(t: float, alarm: str = "too-hot", priority: str = "urgent", incident: int = 1) -> Step:
    """An activation."""
    return Step(T + t, "north", alarm, priority, incident, "normal", "unacknowledged", "condition holds")


def over(t: float, alarm: str = "too-hot", incident: int = 1) -> Step:
    """Its end."""
    return Step(T + t, "north", alarm, "urgent", incident, "unacknowledged", "returned-unacknowledged", "")


def test_three_in_45_seconds_are_one_chattering_case() -> None:
    """Source: hand example for the rule (ours) of 3 or more activations in a minute: 0, 20, 45 s count once."""
    assert metrics.compute([rise(t) for t in (0, 20, 45)], [], T, T + DAY, 1).chattering == 1
    assert metrics.compute([rise(t) for t in (0, 40, 80)], [], T, T + DAY, 1).chattering == 0


def test_twelve_alarms_over_ten_minutes_are_one_slot_above_ten() -> None:
    """Source: hand example: 12 alarms spread evenly over 600 s make one of a day's 144 slots exceed 10."""
    steps = [rise(50 * i, f"a{i}") for i in range(12)]
    assert metrics.compute(steps, [], T, T + DAY, 1).slots_over_10_percent == pytest.approx(100 / 144, abs=0.001)
    assert metrics.compute(steps[:10], [], T, T + DAY, 1).slots_over_10_percent == 0


def test_shares_by_hand() -> None:
    """Source: hand example: 150, 34, 14 and 2 of 200 are 75, 17, 7 and 1 %."""
    counts = (("low", 150), ("medium", 34), ("high", 14), ("urgent", 2))
    steps = [rise(i * 997.0 + 10 * n, f"{p}{i}", p) for p, n in counts for i in range(n)]
    found = metrics.compute(steps, [], T, T + 31 * DAY, 1)
    assert found.shares_percent == {"low": 75.0, "medium": 17.0, "high": 7.0, "urgent": 1.0}
    assert found.shares_judged
    assert not found.short


def test_short_span_is_marked() -> None:
    """Under 30 days the figures say that they are not to be judged."""
    found = metrics.compute([], [], T, T + 29 * DAY, 1)
    assert found.short
    assert "do not judge" in metrics.lines(found)[0]


def test_fleeting_and_stale() -> None:
    """Under 10 s without a repeat is fleeting; standing over a day is stale, acknowledged or not."""
    assert metrics.compute([rise(0), over(9)], [], T, T + DAY, 1).fleeting == 1
    assert metrics.compute([rise(0), over(9), rise(30)], [], T, T + DAY, 1).fleeting == 0
    assert metrics.compute([rise(0), over(11)], [], T, T + DAY, 1).fleeting == 0
    known = Step(T + 80_000, "north", "too-hot", "urgent", 1, "unacknowledged", "acknowledged", "acknowledged by Ann")
    assert metrics.compute([rise(0), known], [], T, T + DAY + 60, 1).stale_now == 1
    assert metrics.compute([rise(0), over(400)], [], T, T + DAY + 60, 1).stale_now == 0


def test_sign_of_life_counts_for_the_grower_and_for_no_frame() -> None:
    """Source: hand example: 30 mornings and 15 alerts of 2 frames in 30 days are 1.5 a day and 0.25 a frame and day."""
    mornings = [T + n * DAY + 27_000 for n in range(30)]
    alerts = [T + n * 2 * DAY + 50_000 for n in range(15)]
    found = metrics.compute([], mornings + alerts, T, T + 30 * DAY, 2, mornings)
    assert (found.pushes_per_day, found.pushes_per_frame_day) == (1.5, 0.25)


def test_suppression_without_a_reason_is_counted() -> None:
    """Silence by design always names a mode or an alarm; anything else is uncontrolled."""
    quiet = [
        Step(T, "north", "too-hot", "urgent", 1, "normal", "suppressed", "silent by design: alarm stuck-shut"),
        Step(T, "north", "stuck-shut", "urgent", 2, "normal", "suppressed", "silent by design: mode storage"),
        Step(T, "north", "blind-lid", "low", 3, "normal", "suppressed", "felt like it"),
    ]
    found = metrics.compute(quiet, [], T, T + DAY, 1)
    assert (found.suppressed, found.uncontrolled_suppression) == (3, 1)
