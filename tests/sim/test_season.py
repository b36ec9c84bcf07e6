"""Seasons under lid rules: what each rule does, what is counted, and many winters at once."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from framesim import policies, season_loop
from framesim.batch import run_batch
from framesim.frame import load
from framesim.model import FrameModel
from framesim.policies import PolicyError
from framesim.season import TABLE_COLUMNS, SeasonResult, run_season, season_days
from framesim.weather import Weather, WeatherError, invent


@cache
def spring() -> Weather:
    """Eight clear invented days in March."""
    return invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 8), seed=7, days=["clear"])


def run(rule: policies.Policy, frame: str = "reference-box") -> SeasonResult:
    """A short season of one frame."""
    return run_season(load(frame), spring(), rule)


def test_rules_rank_by_heat() -> None:
    """On clear days: closed is hottest, then passive or two-point, and a lid always open is coldest by night."""
    closed, passive, open_ = (run(r).summary() for r in (policies.closed(), policies.passive(), policies.fixed(1.0)))
    assert closed["mean_daily_peak_degc"] > passive["mean_daily_peak_degc"] + 5
    assert passive["mean_daily_peak_degc"] > open_["mean_daily_peak_degc"]
    assert open_["mean_daily_minimum_degc"] < passive["mean_daily_minimum_degc"]
    assert closed["open_hours"] == 0
    assert open_["open_hours"] == pytest.approx(8 * 24)


def test_two_point_keeps_its_lockout() -> None:
    """With a lockout of an hour there are never two moves within it."""
    weather = spring()
    result = run(policies.two_point(18.0, 12.0, 3600.0))
    assert 2 <= result.summary()["lid_moves"] <= len(weather)
    fast = run(policies.two_point(18.0, 12.0, 0.0))
    assert fast.summary()["lid_moves"] > result.summary()["lid_moves"]


def test_passive_lags_behind_the_air() -> None:
    """The wax opens later than the air passes its start, and is full 10 K above it at most."""
    result = run(policies.passive(20.0, 10.0, 900.0))
    opened = result.hourly["open_frac"]
    assert opened.max() <= 1.0
    assert result.hourly["t_air_max"][opened < 1e-6].max() > 20.0 or (opened > 0).any()
    slow = run(policies.passive(20.0, 10.0, 3600.0))
    assert slow.summary()["mean_daily_peak_degc"] > result.summary()["mean_daily_peak_degc"]


def test_schedule_is_followed() -> None:
    """A given plan of openings is carried out step by step."""
    steps = 8 * 1440
    plan = np.zeros(steps)
    plan[600:660] = 0.5
    result = run(policies.schedule(plan))
    assert result.hourly["open_frac"][10] == pytest.approx(0.5)
    assert result.hourly["open_frac"].sum() == pytest.approx(0.5)
    assert result.summary()["openings"] == 1


def test_law_runs_and_cools() -> None:
    """The controller's own law keeps a clear week well below a closed lid, and shuts at night."""
    law = run(policies.law())
    assert law.summary()["mean_daily_peak_degc"] < run(policies.closed()).summary()["mean_daily_peak_degc"] - 8
    assert law.summary()["highest_degc"] < 40
    midnight = law.hourly["open_frac"].reshape(-1, 24)[:, 0]
    assert midnight.max() == 0.0
    warmer = run_season(load("reference-box"), spring(), policies.law({"open_mdegc": 20000, "close_mdegc": 14000}))
    assert warmer.hourly["t_air"].mean() > law.hourly["t_air"].mean()


def test_law_settings_have_limits() -> None:
    """Settings that the controller would refuse are refused here, by name."""
    with pytest.raises(PolicyError, match="open_mdegc"):
        policies.law({"open_mdegc": 90000})
    with pytest.raises(PolicyError, match="no setting"):
        policies.law({"opne_mdegc": 15000})


def test_season_agrees_with_the_model_stepped_by_hand() -> None:
    """The compiled loop and FrameModel.advance give the same hourly air for a fixed opening."""
    weather = spring()
    result = run(policies.fixed(0.2))
    model = FrameModel(load("reference-box"), weather)
    model.reset(weather.start_s + 5 * 86400.0)
    for _ in range(1440):
        model.advance(60.0, 0.2)
    # Different starts have faded after five days of run-in and one of this opening, but for the soil.
    assert model.air_degc == pytest.approx(
        float(np.interp(model.time_s, result.time_end_s - 1800.0, result.hourly["t_air"])), abs=1.5
    )


def test_hourly_table(tmp_path: Path) -> None:
    """The written table has the agreed columns, one row an hour, hour ends in local standard time."""
    result = run(policies.closed())
    result.write_hourly(tmp_path / "out.csv")
    lines = (tmp_path / "out.csv").read_text().splitlines()
    assert lines[0] == "time_end," + ",".join(TABLE_COLUMNS)
    assert len(lines) == 1 + len(spring())
    assert lines[1].startswith("2027-03-01T01:00,")


def test_leaf_hours_add_up() -> None:
    """Hours below, between and above two temperatures are all the hours; daylight is a part of them."""
    result = run(policies.closed(), "garden-frame")
    total = result.leaf_hours_below(5.0) + result.leaf_hours_above(5.0)
    assert total == pytest.approx(8 * 24)
    light = result.leaf_daylight_hours_between(-40.0, 80.0)
    assert 8 * 10 < light < 8 * 13


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("closed", policies.CLOSED),
        ("fixed:0.10", policies.FIXED),
        ("two-point:18:12:600", policies.TWO_POINT),
        ("two-point:18:12", policies.TWO_POINT),
        ("passive", policies.PASSIVE),
        ("passive:18:8:600", policies.PASSIVE),
        ("law", policies.LAW),
    ],
)
def test_lid_rules_are_read(text: str, kind: int) -> None:
    """Every form of the --lid option is understood."""
    assert policies.parse(text).kind == kind


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("fixed", "takes 1 to 1"),
        ("fixed:2", "between 0 and 1"),
        ("two-point:12:18", "shut lower"),
        ("two-point:18:warm", "must be numbers"),
        ("flap", "no lid rule"),
    ],
)
def test_wrong_lid_rules_are_said(text: str, sentence: str) -> None:
    """A rule that cannot be read is refused in one sentence."""
    with pytest.raises(PolicyError, match=sentence):
        policies.parse(text)


def test_season_days_and_outside_the_record() -> None:
    """Month and day pick the season; days that the record does not hold are refused."""
    begin, end = season_days(spring(), "03-02", "03-04")
    assert end - begin == 3 * 86400.0
    assert begin == spring().start_s + 86400.0
    for first, last in (("11-01", "03-31"), ("03-05", "03-20")):
        with pytest.raises(WeatherError, match="does not hold"):
            season_days(spring(), first, last)
    with pytest.raises(WeatherError, match="Write month and day"):
        season_days(spring(), "March", "03-04")
    with pytest.raises(WeatherError, match="does not part an hour"):
        run_season(load("reference-box"), spring(), policies.closed(), step_s=7.5001)


def test_model_outside_the_record() -> None:
    """A start outside the weather is refused in one sentence."""
    with pytest.raises(WeatherError, match="is outside"):
        FrameModel(load("reference-box"), spring()).reset(0.0)


def test_model_reads_like_the_weather() -> None:
    """What the model says of the weather is the weather's, and a frame at night is above outdoors."""
    model = FrameModel(load("garden-frame"), spring())
    model.reset(spring().start_s + 2 * 86400.0 + 11.5 * 3600.0)
    assert model.sun_height_deg > 30.0
    assert model.ghi_w_m2 > 300.0
    assert model.wind_local_m_s < model.wind_10m_m_s
    assert model.sky_degc < model.outside_degc
    assert model.air_degc > model.outside_degc
    assert repr(model).startswith("<FrameModel garden-frame 2027-03-03")


def test_batch_gives_what_single_runs_give() -> None:
    """Many winters on two threads: each the same, to the last bit, as run alone; order kept, progress counted."""
    frames = [load("garden-frame", {"soil_k": k, "closed_ach": a}) for k, a in ((0.7, 1), (1.0, 3), (1.3, 6), (0.9, 2))]
    rule = policies.two_point(20.0, 14.0, 600.0)
    seen: list[int] = []
    batch = run_batch(frames, spring(), rule, threads=2, each=lambda index, runner: seen.append(index))
    assert sorted(seen) == [0, 1, 2, 3]
    for index, frame in enumerate(frames):
        alone = run_season(frame, spring(), rule)
        assert batch.stats[index].tolist() == alone.stats.tolist()
        assert batch.season(index).summary() == alone.summary()


def test_batch_of_rules_on_one_frame() -> None:
    """One frame under several rules gives one winter a rule; lists that do not pair are refused."""
    rules = [policies.closed(), policies.fixed(0.1), policies.fixed(0.5)]
    batch = run_batch([load("reference-box")], spring(), rules, threads=1)
    peaks = batch.stats[:, season_loop.T_PEAKS]
    assert peaks[0] > peaks[1] > peaks[2]
    with pytest.raises(ValueError, match="cannot be paired"):
        run_batch([load("reference-box")] * 2, spring(), rules)


KEPT = """
import sys
from datetime import date
from framesim import policies, season_loop
from framesim.frame import load
from framesim.law_copy import decide
from framesim.season import run_season
from framesim.weather import invent
w = invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 1), seed=7, days=["clear"])
r = run_season(load("reference-box"), w, policies.law())
loop = season_loop.deciding_loop(decide, True)
print(sum(loop.stats.cache_hits.values()), r.summary()["lid_moves"])
"""


@pytest.mark.slow
def test_compiled_law_loop_is_found_again(tmp_path: Path) -> None:
    """A second process takes the loop from disk, and it moves the lid as the first one did."""
    answers = []
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", KEPT],
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        answers.append(done.stdout.split())
    assert [hits for hits, _ in answers] == ["0", "1"]
    assert answers[0][1] == answers[1][1]


NO_JIT = """
from datetime import date
from framesim import policies, jit
from framesim.frame import load
from framesim.season import run_season
from framesim.weather import invent
assert jit.COMPILED is (%r == "jit")
w = invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 1), seed=7, days=["clear"])
r = run_season(load("garden-frame"), w, policies.%s, w.start_s + 36000, w.start_s + 46800, 300.0)
print([round(float(t), 6) for t in r.hourly["t_air"]])
"""


@pytest.mark.slow
@pytest.mark.parametrize("rule", ["two_point(18, 12, 600)", "law()"])
def test_without_numba_the_same_figures(rule: str) -> None:
    """Plain Python gives the compiled kernel's temperatures to a millionth of a degree."""
    answers = []
    for kind, setting in (("jit", ""), ("plain", "1")):
        done = subprocess.run(
            [sys.executable, "-c", NO_JIT % (kind, rule)],
            env={**os.environ, "SASHKEEPER_NO_JIT": setting},
            capture_output=True,
            text=True,
            check=True,
        )
        answers.append(done.stdout)
    assert answers[0] == answers[1]
