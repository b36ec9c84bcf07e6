"""The search for settings: same result whoever works it out, true to the season loop, never outside the limits."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from framesim import policies, season_loop, tune
from framesim.frame import load
from framesim.season import SeasonRunner
from framesim.tune import Candidate, Search, good_years, safe, score, search, worse_years
from framesim.tune_batch import GAINS, DayLimits, Year
from framesim.tune_run import Dask, Problem, RunFile, Threads, TuneError, YearSpec
from framesim.tune_space import AXES, children, front, settings_of, spread
from framesim.weather import Weather, invent
from sash import settings as controller

BASE = {**controller.defaults(), "lat_mdeg": 45_000, "lon_mdeg": -80_000}


def spec(weather: Weather) -> YearSpec:
    """A year with the same invented limits on every day."""
    days = round((weather.end_s - weather.start_s) / 86_400)
    return YearSpec(weather, weather.start_s, weather.end_s, DayLimits.constant(days, 25.0, -2.0, 12.0, 20.0))


@pytest.fixture(scope="module")
def fortnight() -> Problem:
    """A fortnight of invented March, in two versions: short enough to search in seconds."""
    weathers = [invent(45.0, -80.0, date(2027, 3, 6), date(2027, 3, 19), seed=s, warmth_k=4.0) for s in (1, 2)]
    return Problem(load("garden-frame"), tuple(spec(w) for w in weathers))


def found(problem: Problem, cores: int, **how: object) -> Search:
    """A small search."""
    workers = Threads(problem, cores)
    try:
        return search(problem, BASE, candidates=40, seed=3, workers=workers, **how)  # type: ignore[arg-type]
    finally:
        workers.close()


def same(one: Search, other: Search) -> bool:
    """Whether two searches tried the same, with the same gains, and ended in the same settings."""
    return (
        one.best.settings == other.best.settings
        and [c.settings for c in one.tried] == [c.settings for c in other.tried]
        and all(np.array_equal(a.gains, b.gains) for a, b in zip(one.tried, other.tried, strict=True))
    )


# -- the winter loop -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def winter() -> YearSpec:
    """A whole invented winter."""
    return spec(invent(45.0, -80.0, date(2026, 11, 1), date(2027, 3, 31), seed=4, warmth_k=4.0))


def test_fine_steps_agree_with_the_season_loop(winter: YearSpec) -> None:
    """The search's loop in steps of a minute is the ordinary season loop: peaks, moves and open hours agree."""
    frame, weather = load("garden-frame"), winter.weather
    mine = dict(zip(GAINS, Year(frame, weather, winter.from_s, winter.to_s, winter.limits).lane().run(BASE, True),
                    strict=True))  # fmt: skip
    runner = SeasonRunner(weather, winter.from_s, winter.to_s)
    runner.run(frame.parameters, policies.law(BASE))
    theirs = runner.stats
    assert mine["highest_degc"] == pytest.approx(theirs[season_loop.T_HIGH], abs=0.3)
    assert mine["lowest_degc"] == pytest.approx(theirs[season_loop.T_LOW], abs=0.1)
    assert mine["moves"] == pytest.approx(theirs[season_loop.T_MOVES], rel=0.03)
    assert mine["strokes"] == pytest.approx(theirs[season_loop.T_TRAVEL], rel=0.03)
    assert mine["open_h"] == pytest.approx(theirs[season_loop.T_OPEN_H], rel=0.02)


@pytest.mark.parametrize("changes", [{}, {"dwell_s": 1200, "stage_permille": 650, "close_mdegc": 7000}])
def test_quick_steps_agree_with_fine_ones(winter: YearSpec, changes: dict[str, int]) -> None:
    """Harm and gain of the quick steps lie within a few percent of the fine ones; moves within a tenth."""
    lane = Year(load("garden-frame"), winter.weather, winter.from_s, winter.to_s, winter.limits).lane()
    quick, fine = (dict(zip(GAINS, lane.run({**BASE, **changes}, f), strict=True)) for f in (False, True))
    for name in ("heat_kh", "frost_kh", "growing_h"):
        assert quick[name] == pytest.approx(fine[name], rel=0.05, abs=3.0), name
    assert quick["moves"] == pytest.approx(fine["moves"], rel=0.10)


def test_limits_count_day_by_day(winter: YearSpec) -> None:
    """A limit counts on its own days only: harm of both halves of the winter adds up to that of the whole."""
    frame, w = load("garden-frame"), winter.weather
    table = winter.limits.table
    half = len(table) // 2
    parts = [table.copy(), table.copy()]
    parts[0][half:, :2] = (99.0, -99.0)
    parts[1][:half, :2] = (99.0, -99.0)
    whole, *two = (Year(frame, w, winter.from_s, winter.to_s, DayLimits(t)).lane().run(BASE) for t in (table, *parts))
    for name in ("heat_kh", "frost_kh"):
        k = GAINS.index(name)
        assert whole[k] > 0.0
        assert two[0][k] + two[1][k] == pytest.approx(whole[k])


# -- candidates ------------------------------------------------------------------------------------


def test_candidates_stay_inside_the_hard_limits() -> None:
    """Whatever is drawn and accepted, the controller takes it; what it would refuse is never tried."""
    drawn = spread(500, 1)
    drawn += children(drawn, 500, 1, 1, set(drawn))
    sets = [settings_of(g, BASE) for g in drawn]
    assert sum(s is None for s in sets) < len(sets) // 2
    for settings in sets:
        assert settings is None or controller.check(settings) == []
    refused = settings_of(tuple(axis.places - 1 for axis in AXES), {**BASE, "scorch_mdegc": 25_000})
    assert refused is None  # opening at 24 C is too near to a scorch limit of 25 C


def test_same_seed_same_candidates() -> None:
    """Candidates depend on the seed only."""
    assert spread(64, 5) == spread(64, 5) != spread(64, 6)
    parents = spread(8, 5)
    assert children(parents, 20, 5, 2, set(parents)) == children(parents, 20, 5, 2, set(parents))


def test_front_holds_what_nothing_beats() -> None:
    """A row is on the front unless another is as good in everything."""
    costs = np.array([[1.0, 5.0], [5.0, 1.0], [3.0, 3.0], [4.0, 4.0], [1.0, 6.0], [3.0, 3.0]])
    assert front(costs) in ([0, 1, 2], [0, 1, 5])
    random = np.random.default_rng(1).random((200, 3))
    kept = front(random)
    for row in range(200):
        beaten = any(np.all(random[k] <= random[row]) and np.any(random[k] < random[row]) for k in range(200))
        assert (row in kept) == (not beaten)


# -- the search ------------------------------------------------------------------------------------


def test_one_core_two_cores_same_result(fortnight: Problem) -> None:
    """Who works a candidate out changes nothing."""
    assert same(found(fortnight, 1), found(fortnight, 2))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of the cluster's own
def test_dask_same_result(fortnight: Problem) -> None:
    """Dask workers, processes of their own on loopback, end in the same result: one's own and a club's cluster."""
    distributed = pytest.importorskip("distributed")
    here = found(fortnight, 2)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as club:
        for address in ("local", club.scheduler_address):
            workers = Dask(fortnight, address, 2)
            try:
                assert same(search(fortnight, BASE, candidates=40, seed=3, workers=workers), here)
            finally:
                workers.close()


def test_broken_off_goes_on_with_the_same_result(fortnight: Problem, tmp_path: Path) -> None:
    """Interrupted, even in the middle of a line, a search goes on from its run file to the same end, with less work."""
    path = tmp_path / "run.jsonl"

    class Enough(Exception):
        pass

    def stop(done: int, of: int) -> None:
        if done > of // 2:
            raise Enough

    with pytest.raises(Enough):
        found(fortnight, 2, run_file=path, progress=stop)
    with path.open("a") as file:
        file.write('{"settings": "150')
    again = found(fortnight, 2, run_file=path)
    fresh = found(fortnight, 2)
    assert same(again, fresh)
    assert again.winters < 0.7 * fresh.winters
    assert all(isinstance(json.loads(line), dict) for line in path.read_text().splitlines())


def test_run_file_of_another_search_is_refused(fortnight: Problem, tmp_path: Path) -> None:
    """Results of another weather, seed or frame are never mixed in; --fresh starts over."""
    path = tmp_path / "run.jsonl"
    RunFile(path, "another").close()
    with pytest.raises(TuneError, match="belongs to another search"):
        found(fortnight, 2, run_file=path)
    path.write_text("my shopping list\n")
    with pytest.raises(TuneError, match="is not a run file"):
        found(fortnight, 2, run_file=path)
    assert path.read_text() == "my shopping list\n"
    found(fortnight, 2, run_file=path, fresh=True)


def test_the_recommendation_is_no_worse_in_any_year(fortnight: Problem) -> None:
    """What is recommended on two years harms no more and grows no less than what is set now, in each of them."""
    one = found(fortnight, 2)
    assert worse_years(one.best, one.before) == 0
    assert one.best.fine
    assert one.before.settings == BASE
    assert one.reason


def test_only_promising_candidates_run_through_all_years(fortnight: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    """With ten years all candidates run through six and one a generation through ten; what is shown is of all ten."""
    monkeypatch.setattr(tune, "PROMISING", 1)
    one = found(Problem(fortnight.frame, fortnight.years * 5), 2)
    assert len(one.tried) <= tune.GENERATIONS + 1 < one.looked <= 40
    assert all(len(c.gains) == 10 for c in (*one.tried, one.best, one.before))
    two = Threads(fortnight).bench.winters(one.tried[0].settings)
    assert np.array_equal(one.tried[0].gains, np.tile(two, (5, 1)))
    assert one.winters <= 6 * (one.looked + 1) + 4 * (len(one.tried) + 1) + 10 * (len(one.tried) + 1)


def made(heat: list[float], growing: list[float], moves: float = 0.0) -> Candidate:
    """Years with such heat and growing light."""
    gains = np.zeros((len(heat), len(GAINS)))
    gains[:, GAINS.index("heat_kh")] = heat
    gains[:, GAINS.index("growing_h")] = growing
    gains[:, GAINS.index("moves")] = moves
    return Candidate(dict(BASE), gains, 150.0)


def test_safe_looks_at_every_year() -> None:
    """A gain in one year does not pay for harm in another, nor growth for harm."""
    before = made([6.0, 6.0], [700.0, 700.0])
    assert safe(made([5.0, 5.0], [700.0, 700.0]), before)
    assert not safe(made([1.0, 6.2], [700.0, 700.0]), before)
    assert not safe(made([6.2, 1.0], [900.0, 900.0]), before)
    assert not safe(made([6.0, 6.0], [700.0, 699.0]), before)
    assert good_years(made([1.0, 7.5], [700.0, 700.0]), before).tolist() == [True, False]


def test_one_year_of_twenty_may_be_a_little_worse() -> None:
    """Of twenty years one may be worse by less than what matters: not two, and not by more."""
    before = made([6.0] * 20, [700.0] * 20)

    def with_heat(*first: float) -> Candidate:
        return made([*first, *[5.0] * (20 - len(first))], [700.0] * 20)

    assert safe(with_heat(6.9), before)
    assert worse_years(with_heat(6.9), before) == 1
    assert not safe(with_heat(6.9, 6.9), before)
    assert not safe(with_heat(7.5), before)


def test_sure_gains_are_preferred_to_great_ones() -> None:
    """A candidate that gains less in every year scores better than one that gains more but is worse in some."""
    before = made([6.0] * 4, [700.0] * 4)
    sure, bold = made([5.0] * 4, [705.0] * 4), made([1.0, 1.0, 1.0, 6.5], [730.0] * 4)
    assert score(sure, before) < 0.0
    assert score(sure, before) < score(bold, before)
    assert score(before, before) == 0.0


def test_differences_that_do_not_matter_do_not_count() -> None:
    """One kelvin hour or hour, or 2 % of what it is now, is no harm; strictly only rounding is none."""
    before = made([6.0, 100.0], [700.0, 700.0])
    near = made([6.9, 101.9], [687.0, 713.0])
    assert good_years(near, before).all()
    assert good_years(near, before, 0.5).tolist() == [False, False]
    assert good_years(made([6.04, 100.0], [700.0, 700.0]), before, 0.0).all()
    assert good_years(near, before, 0.0).tolist() == [False, False]


@pytest.mark.slow
def test_2000_winters_in_a_minute(winter: YearSpec) -> None:
    """2,000 candidate winters of 151 days take at most 60 s of two free cores: 0.06 s of processor time each."""
    import time

    lane = Year(load("garden-frame"), winter.weather, winter.from_s, winter.to_s, winter.limits).lane()
    sets = [s for g in spread(48, 1) if (s := settings_of(g, BASE)) is not None]
    lane.run(BASE)
    begun = time.process_time()
    for settings in sets:
        lane.run(settings)
    each = (time.process_time() - begun) / len(sets)
    print(f"\n{each * 1000:.1f} ms a winter")
    assert each < 0.06
