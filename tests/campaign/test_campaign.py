"""The campaign's own parts: a day of it, a fault of it, and its sums."""

from __future__ import annotations

import pytest

from tests.campaign.__main__ import summary, worst_month
from tests.campaign.broken import BREAKS, PAIRS, broken, draw, with_faults
from tests.campaign.winter import QUICK, STUCK, USUAL, WHOLE_DAYS, healthy


def test_worst_month_by_hand() -> None:
    """30 quiet days, then 30 days with two messages each: the worst 30-day mean is 2, and 0.5 over ten of them."""
    assert worst_month([0] * 30 + [2] * 30) == 2.0
    assert worst_month([1, 0] * 5) == 0.5
    assert worst_month([]) == 0.0


def test_table_counts_each_run_once() -> None:
    """Missed, late and said come from the runs; what was not provoked is not in the table of what was said."""
    ill = {"frame_days": 1.0, "frames": 1, "alarms": {}, "kinds": {}, "pushes": [0], "life": 0, "moves": 1}
    runs = [{**ill, "fault": "latch left on", "verdict": v, "said": s, "took_s": t} for v, s, t in
            (("found", "stuck-shut", 2.0), ("late", "stuck-shut", 200.0), ("missed", "", None),
             ("not provoked", "", None))]
    found = summary(runs)
    assert (found["missed"], found["late"], found["not_provoked"]) == (1, 1, 1)
    assert found["faults"]["latch left on"]["said"] == {"stuck-shut": 2, "none": 1}


def test_kinds_of_fault_go_round() -> None:
    """In as many seeds as there are kinds each kind is drawn once."""
    kinds = set(BREAKS) - set(PAIRS)
    first = 3 * len(kinds)
    assert {draw(seed, WHOLE_DAYS).name for seed in range(first, first + len(kinds))} == kinds


@pytest.mark.slow
def test_a_fault_in_a_copy_leaves_the_winter_as_it_was() -> None:
    """A winter of three frames that parts in two gives what it gives alone, and its copy has had the fault."""
    alone = healthy(7, 14)
    both, *struck = with_faults(7, 14)
    assert both == alone
    assert both.frames == 3
    assert [one.verdict in ("found", "not provoked") for one in struck] == [True] * 3, struck


@pytest.mark.slow
def test_short_steps_tell_the_same_as_usual_ones() -> None:
    """Eight days of one seed at both paces: the same alarms, the same messages on the same days."""
    usual, quick = healthy(6, 8, USUAL), healthy(6, 8, QUICK)
    assert (usual.alarms, usual.kinds, usual.pushes) == (quick.alarms, quick.kinds, quick.pushes)
    assert not set(quick.alarms) & set(STUCK)


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(set(BREAKS) - set(PAIRS)))
def test_each_kind_of_fault_is_found_in_time(name: str) -> None:
    """One fault of each kind in the first winter that lets it matter: found, not late, not missed."""
    for seed in range(1, 12):
        outcome = broken(seed, 30, name)
        if outcome.verdict != "not provoked":
            assert outcome.verdict == "found", outcome
            return
    pytest.fail(f"no winter provoked: {name}")
