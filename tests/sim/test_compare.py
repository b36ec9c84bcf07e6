"""Ways to keep a lid, judged by one measure, and the bound that no lid can pass."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from framesim import compare, foresight, policies, season_loop
from framesim.battery import BatteryParts
from framesim.compare import Comparison
from framesim.foresight import Aim
from framesim.frame import Frame, load
from framesim.policies import PolicyError
from framesim.season import run_season
from framesim.weather import Weather, invent

# Spinach and lettuce in round figures, invented.
AIM = Aim((32.0, 32.0), (-7.0, -2.0), (13.0, 12.0), (20.0, 21.0))


@pytest.fixture(scope="module")
def weather() -> Weather:
    """Eight invented days: sun, cloud, a cold night."""
    days = ("clear", "clear", "broken", "overcast", "clear", "clear", "broken", "clear")
    return invent(42.0, 0.0, date(2027, 2, 20), date(2027, 2, 27), seed=3, days=days)


@pytest.fixture(scope="module")
def frame() -> Frame:
    """The garden frame."""
    return load("garden-frame")


@pytest.fixture(scope="module")
def comparison(frame: Frame, weather: Weather) -> Comparison:
    """All ways through the eight days."""
    return compare.run(frame, weather, AIM)


def test_nothing_passes_the_bound(comparison: Comparison) -> None:
    """In what it makes small, perfect foresight is better than every other way."""
    costs = {name: comparison.cost(name) for name in comparison.scores}
    assert list(comparison.scores) == list(compare.NAMES)
    assert min(costs, key=lambda name: costs[name]) == "foresight"
    assert all(costs["foresight"] < costs[name] - 0.5 for name in costs if name != "foresight")


def test_a_closed_lid_cooks_and_the_law_does_not(comparison: Comparison) -> None:
    """The closed frame has many hours of heat; the law takes most of them away and goes most of the way in growth."""
    closed, law = comparison.scores["closed"], comparison.scores["law"]
    assert closed.heat_h > 15.0
    assert law.heat_h < 0.25 * closed.heat_h
    assert law.growing_h > closed.growing_h
    for figure in ("damage_h", "growing_h"):
        share = comparison.way("law", figure)
        assert share is not None
        assert 0.6 < share < 1.1
    assert comparison.way("closed", "damage_h") == 0.0
    assert comparison.way("foresight", "growing_h") == 1.0
    assert comparison.overall("foresight") == pytest.approx(1.0)


def test_a_share_needs_a_way(comparison: Comparison) -> None:
    """Where closed lid and bound are within an hour of each other no share is given."""
    same = Comparison(AIM, {**comparison.scores, "closed": comparison.scores["foresight"]})
    assert same.way("law", "damage_h") is None
    assert same.overall("law") is None


def test_the_score_is_the_mean_of_the_crops(comparison: Comparison) -> None:
    """Hours of one score are the mean over the crops' own thresholds, and the moves are those of the season."""
    score = comparison.scores["law"]
    assert score.frost_h == pytest.approx(np.mean([c["frost_damage_h"] for c in score.crops]))
    leaf = score.result.hourly["t_leaf"]
    # Half-degree classes and minutes against hourly means: a few hours apart at most.
    assert score.crops[1]["frost_damage_h"] == pytest.approx(float((leaf < -2.0).sum()), abs=3.0)
    assert score.moves == int(score.result.stats[season_loop.T_MOVES])


def test_a_motor_takes_charge_for_its_strokes(comparison: Comparison, weather: Weather) -> None:
    """0.9 A for 40 s a stroke is 10 mAh; ways without a motor have no battery."""
    for name, score in comparison.scores.items():
        if name in compare.DRIVEN:
            assert score.motor_ah == pytest.approx(0.010 * score.strokes)
            assert score.least_charge is not None
            assert 0.0 < score.least_charge < 1.0
        else:
            assert score.motor_ah is None
    small = BatteryParts(capacity_ah=1.0, panel_w=0.1)
    empty = compare.battery_use(comparison.scores["law"].result, weather, 0.0, small)
    assert empty[1] == 0.0
    more = compare.battery_use(comparison.scores["law"].result, weather, 400.0)
    less = compare.battery_use(comparison.scores["law"].result, weather, 0.0)
    assert more[1] < less[1]


def test_the_picture_is_a_picture(comparison: Comparison, weather: Weather, tmp_path: Path) -> None:
    """A PNG of some size is written, also for only two ways over a few days."""
    pytest.importorskip("matplotlib")
    from framesim.compare_picture import draw

    draw(comparison, weather, "eight invented days", tmp_path / "all.png")
    few = Comparison(AIM, {name: comparison.scores[name] for name in ("closed", "law")})
    draw(few, weather, "two ways", tmp_path / "two.png")
    for name in ("all.png", "two.png"):
        data = (tmp_path / name).read_bytes()
        assert data.startswith(b"\x89PNG")
        assert len(data) > 20_000


def test_more_cells_find_no_dearer_plan(frame: Frame, weather: Weather) -> None:
    """From 8 to 64 cells the plan gets no dearer (but for rounding of half degrees): the search comes to rest."""
    costs = []
    for cells in (8, 64):
        rule = foresight.policy(frame, weather, step_s=60.0, aim=AIM, cells=cells)
        score = compare.score("foresight", run_season(frame, weather, rule), weather, AIM)
        costs.append(Comparison(AIM, {"foresight": score}).cost("foresight"))
    assert costs[1] <= costs[0] + 0.5


def test_the_plan_keeps_the_lids_limits(frame: Frame, weather: Weather) -> None:
    """No move within ten minutes of the last, only the openings allowed, and travel takes its time."""
    openings = foresight.plan(frame, weather, aim=AIM)
    assert len(openings) == 8 * 144
    assert set(openings.tolist()) <= set(foresight.STAGES)
    rule = foresight.policy(frame, weather, aim=AIM)
    assert rule.settings == (600, *openings.tolist())
    result = run_season(frame, weather, rule)
    assert int(result.stats[season_loop.T_MOVES]) == int((np.diff(openings, prepend=0) != 0).sum())
    assert rule.figures[1] == policies.Drive().travel_s


def test_the_plan_costs_in_the_season_what_the_search_thought(frame: Frame, weather: Weather) -> None:
    """The search's own account of hours agrees with the season's histogram of the same plan: one model, one measure."""
    rule = foresight.policy(frame, weather, aim=AIM)
    score = compare.score("foresight", run_season(frame, weather, rule), weather, AIM)
    thought = _searched_cost(frame, weather)
    assert Comparison(AIM, {"foresight": score}).cost("foresight") == pytest.approx(thought, abs=2.0)


def _searched_cost(frame: Frame, weather: Weather) -> float:
    """Follow the plan with the search's own block and add up its costs."""
    from framesim import heat_balance
    from framesim import layout as at
    from framesim.season import SeasonRunner

    openings = foresight.plan(frame, weather, aim=AIM) / 1000.0
    runner = SeasonRunner(weather)
    p = frame.parameters
    rows = runner._rows(p)
    heat_balance.forget(runner.work)
    runner._run_in(p, rows)
    lid, sums = np.zeros(season_loop.N_LID), np.zeros(at.N_SUMS)
    lid[season_loop.L_SHAPED] = -1.0
    stats, saved = np.zeros(season_loop.N_STATS), np.zeros(season_loop.N_SAVED)
    cost, before = 0.0, 0.0
    for block, opening in enumerate(openings):
        lid[season_loop.L_TARGET] = opening
        cost += AIM.move_weight * (opening != before)
        before = opening
        cost += foresight.run_block(
            p, runner.y, rows, -0.5 + 2 * block, 10, 60.0, 40.0, lid, runner.work, sums, stats, saved,
            AIM.table(), AIM.weights(),
        )  # fmt: skip
    return cost


def test_wrong_questions_are_refused(frame: Frame, weather: Weather) -> None:
    """Uneven aims, blocks that no step divides, and a first stage that is open are said in a sentence."""
    with pytest.raises(PolicyError, match="same number"):
        Aim((30.0,), (-5.0, -2.0), (10.0,), (20.0,))
    with pytest.raises(PolicyError, match="no whole number of steps"):
        foresight.plan(frame, weather, grid_s=90.0)
    with pytest.raises(PolicyError, match="first stage"):
        foresight.plan(frame, weather, stages=(100, 1000))
