"""What a week of readings tells of a frame, and what it does not."""

from __future__ import annotations

import csv
import gzip
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from framesim import fit_record
from framesim.fit import fit
from framesim.fit_noise import whiten
from framesim.fit_record import RecordError, record
from framesim.frame import load
from framesim.solar import extraterrestrial_normal
from tests.sim.fit_trials import Week, wander

GOLDEN = Path(__file__).parents[1] / "reference" / "coldframe-golden"
GOLDEN_PLACE = (39.74, -105.18, 1829.0)
UTC_7_S = 7 * 3600
TRIALS = 200
# Never used to choose anything: the widening in fit.py was chosen on seeds below 2000.
FIRST_TRIAL = 840_000
# Weeks seen while intervals were chosen, and weeks that were looked at only afterwards.
SEEN = ("2017-11-10", "2017-12-05", "2018-01-08", "2018-02-05", "2018-03-10")
UNSEEN = ("2017-11-20", "2017-12-20", "2018-01-20", "2018-02-20", "2018-03-20")
LEAST_INSIDE = 0.85
ALL = ("shell", "sun", "leak", "flow", "soil", "closed loss")


def column(name: str) -> tuple[Any, dict[str, Any]]:
    """(ends of the intervals [Unix s], columns) of a table of the independent reference."""
    with gzip.open(GOLDEN / f"{name}.csv.gz", "rt") as file:
        head, *rows = list(csv.reader(line for line in file if not line.startswith("#")))
    ends = np.array([datetime.fromisoformat(r[0]).replace(tzinfo=UTC).timestamp() + UTC_7_S for r in rows])
    return ends, {key: np.array([float(r[k] or "nan") for r in rows]) for k, key in enumerate(head) if k}


def lid_minutes(ends: Any, shares: Any) -> list[tuple[float, float]]:
    """Shares of ten minutes as the moves they come from: the case moves at most once in ten minutes."""
    found, is_open = [], 0
    for end, share in zip(ends, shares, strict=True):
        count = round(10 * share)
        parts = [0] * (10 - count) + [1] * count if not is_open else [1] * count + [0] * (10 - count)
        is_open = 1 - is_open if 0 < count < 10 else int(count == 10)
        found += [(end - 600 + 60 * k, float(part)) for k, part in enumerate(parts)]
    return found


def golden_week(case: str, first_day: str, with_sky: bool) -> Any:
    """A week of the reference as if a frame had measured it."""
    ends, weather = column("weather")
    _, case_rows = column(case)
    middles = ends - 1800.0
    start_s = datetime.fromisoformat(first_day).replace(tzinfo=UTC).timestamp() + UTC_7_S
    series = {
        "air": case_rows["t_air"], "soil": case_rows["t_soil_10cm"], "outside": weather["t_out"],
        "light": weather["ghi"] * fit_record.LUX_PER_W_M2, "wind": weather["wind_10m"],
    }  # fmt: skip
    if with_sky:
        series |= {"sky": weather["t_sky"], "humidity": weather["rh_out"]}
    rows = {name: list(zip(middles, values, strict=True)) for name, values in series.items()}
    if case == "C3B":
        rows["lid"] = lid_minutes(*_lid_of(case))
    else:
        rows["lid"] = [(float(middles[0]), float(case_rows["open_frac"][0]))]
    found = record(rows, start_s, start_s + 7 * 86400, *GOLDEN_PLACE)
    return fit(load("reference-box"), found, 0.096)


def _lid_of(case: str) -> tuple[Any, Any]:
    ends, rows = column(f"{case}_10min")
    return ends, rows["open_frac"]


def inside(found: Any, name: str, truth: float) -> bool:
    """Whether a figure's interval holds the truth."""
    return bool(found[name].low <= truth <= found[name].high)


@pytest.mark.parametrize(("case", "first_day"), [("C1", "2018-03-10"), ("C2", "2018-03-10"), ("C3B", "2018-03-10")])
def test_a_week_of_the_reference_gives_the_reference_back(case: str, first_day: str) -> None:
    """With sky and humidity of a station the loss is found to 8 %, sun and soil to 5 %, an opened lid's flow to 15 %.

    Source of the readings and of the true figures: the independent results in tests/reference/coldframe-golden.
    """
    found = golden_week(case, first_day, with_sky=True)
    assert found.air_rms_k < 0.5
    assert found["closed loss"].factor == pytest.approx(1.0, abs=0.08)
    assert found["sun"].factor == pytest.approx(1.0, abs=0.05)
    assert found["soil"].factor == pytest.approx(1.0, abs=0.05)
    for name in ("sun", "soil"):
        assert inside(found, name, found[name].value / found[name].factor)
    if case == "C1":
        assert not found["flow"].told
        assert "0.0 hours" in found["flow"].why_not
    else:
        assert found["flow"].factor == pytest.approx(1.0, abs=0.15)


@pytest.mark.slow
@pytest.mark.parametrize("with_sky", [True, False])
@pytest.mark.parametrize("days", [SEEN, UNSEEN], ids=["seen", "unseen"])
def test_what_the_weeks_of_the_reference_tell_is_true(days: tuple[str, ...], with_sky: bool) -> None:
    """Of all intervals that claim to tell, at least 90 % hold the truth, and so does the flow of each opened lid.

    Five weeks of three cases, with the sky of a station and without. Source: as above.
    """
    told = held = 0
    for case in ("C1", "C2", "C3B"):
        for day in days:
            found = golden_week(case, day, with_sky)
            true = [inside(found, name, found[name].value / found[name].factor) for name in ALL if found[name].told]
            told, held = told + len(true), held + sum(true)
            flow = found["flow"]
            assert flow.told is False or inside(found, "flow", flow.value / flow.factor), (case, day)
    assert told >= 50
    assert held >= 0.9 * told


@pytest.mark.slow
@pytest.mark.parametrize("first_day", ["2017-12-05", "2018-02-05", "2018-03-10"])
@pytest.mark.parametrize("case", ["C1", "C2", "C3B"])
def test_without_a_station_the_loss_is_told_widely_and_leakage_not_at_all(case: str, first_day: str) -> None:
    """Light and wind sensor but an estimated sky: the intervals are wide, leakage is not told, sun and soil are.

    Source: as above.
    """
    found = golden_week(case, first_day, with_sky=False)
    assert found["closed loss"].high / found["closed loss"].low > 2.0
    assert inside(found, "closed loss", found["closed loss"].value / found["closed loss"].factor)
    assert not found["leak"].told
    assert found["sun"].factor == pytest.approx(1.0, abs=0.08)
    assert found["soil"].factor == pytest.approx(1.0, abs=0.10)


def test_clean_readings_give_the_truth_back() -> None:
    """With next to no noise the figures come back within a few percent."""
    frame = load("garden-frame")
    week = Week(3, frame, noise=0.02)
    found = week.fit(frame)
    for name in ("shell", "sun", "flow", "soil", "closed loss"):
        assert found[name].value == pytest.approx(week.truth[name], rel=0.08), name
        assert found[name].told


def test_most_intervals_of_a_few_noisy_weeks_hold_the_truth() -> None:
    """Six noisy weeks, five figures each: at least 24 of 30 intervals hold the truth; the slow test counts 200."""
    frame = load("garden-frame")
    weeks = [(week, week.fit(frame)) for week in (Week(seed, frame) for seed in range(1000, 1006))]
    assert sum(inside(found, name, week.truth[name]) for week, found in weeks for name in ALL[:5]) >= 24


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_ninety_percent_intervals_hold_the_truth_in_200_weeks(capsys: pytest.CaptureFixture[str]) -> None:
    """Each figure's 90 % interval holds the truth in at least 85 % of 200 noisy weeks."""
    frame = load("garden-frame")
    hits = dict.fromkeys(ALL, 0)
    for seed in range(FIRST_TRIAL, FIRST_TRIAL + TRIALS):
        week = Week(seed, frame)
        found = week.fit(frame)
        for name in ALL:
            hits[name] += inside(found, name, week.truth[name])
    with capsys.disabled():
        print("\ninside the 90 % interval: " + ", ".join(f"{n} {100 * h / TRIALS:.1f} %" for n, h in hits.items()))
    for name, count in hits.items():
        assert count >= LEAST_INSIDE * TRIALS, name


def test_a_lid_that_was_never_opened_tells_nothing_of_its_flow() -> None:
    """The open lid's air exchange is not told, and the reason is given."""
    frame = load("garden-frame")
    found = Week(11, frame, opened=False).fit(frame)
    assert not found["flow"].told
    assert "open for 0.0 hours" in found["flow"].why_not
    assert found["sun"].told


def test_without_light_sensor_or_soil_probe_the_answer_is_that_it_cannot_tell() -> None:
    """No light: no solar gain. No soil probe: the soil's interval says more than twofold."""
    frame = load("garden-frame")
    found = Week(12, frame).fit(frame, "light", "wind", "sky")
    assert not found["sun"].told
    assert "light sensor" in found["sun"].why_not
    assert any("no light sensor" in note for note in found.notes)
    blind = Week(12, frame).fit(frame, "soil")
    seeing = Week(12, frame).fit(frame)
    width = [f["soil"].high / f["soil"].low for f in (blind, seeing)]
    assert width[0] > 1.2 * width[1]
    assert blind.soil_rms_k is None


def test_gaps_are_bridged_or_refused() -> None:
    """Two hours without outdoor temperature are noted; ten are refused, and so is a record of a day."""
    frame = load("garden-frame")
    week = Week(13, frame)
    rows = week.series["outside"]
    week.series["outside"] = rows[:50] + rows[52:]
    week.series["air"] = week.series["air"][:90] + week.series["air"][100:]
    assert any("2 hours without outdoor" in note for note in week.record().notes)
    assert np.isfinite(week.fit(frame)["shell"].value)
    week.series["outside"] = rows[:50] + rows[60:]
    with pytest.raises(RecordError, match="missing for 10 hours"):
        week.record()
    week.series["air"] = week.series["air"][:24]
    with pytest.raises(RecordError, match="24 hours only"):
        week.record()
    with pytest.raises(RecordError, match="where its lid stood"):
        Week(13, frame).record("lid")


def test_light_is_split_and_clouded_as_by_an_independent_library() -> None:
    """Beam and diffuse follow Erbs, clear light Haurwitz.

    Source: pvlib (erbs, haurwitz), an independent implementation, at sun heights above 10 degrees.
    """
    pvlib, pandas = pytest.importorskip("pvlib"), pytest.importorskip("pandas")
    ends = 1_773_316_800.0 + 3600.0 * np.arange(-3.0, 4.0)
    sines, clear = fit_record.sun_means(ends, 45.0, 0.0)
    zenith = np.degrees(np.arccos(sines))
    theirs = pvlib.clearsky.haurwitz(pandas.Series(zenith))["ghi"].to_numpy()
    assert np.abs(clear / theirs - 1.0).max() < 0.01
    for part in (0.15, 0.5, 0.75):
        extra = np.array([extraterrestrial_normal(float(t)) for t in ends])
        ghi = part * extra * sines
        dni, dhi = fit_record.split_light(ends, ghi, 45.0, 0.0)
        days = [datetime.fromtimestamp(t, UTC).timetuple().tm_yday for t in ends]
        with np.errstate(all="ignore"):
            erbs = pvlib.irradiance.erbs(ghi, zenith, np.array(days))
        assert np.abs(dhi / erbs["dhi"] - 1.0).max() < 0.03
        assert np.abs(np.minimum((ghi - dhi) / sines, 1000.0) - dni).max() < 1e-6
    assert fit_record.cloudiness(ends, clear, 45.0, 0.0).max() == 0.0
    assert fit_record.cloudiness(ends, 0.3 * clear, 45.0, 0.0).min() == 1.0


def test_whitened_remainders_are_white() -> None:
    """A wander plus noise, with a gap, becomes shocks of unit size without memory; the determinant is the matrix's own.

    Source of the determinant: numpy's slogdet of the full covariance.
    """
    random = np.random.default_rng(5)
    left = wander(random, 4000, 0.9, 0.5) + random.normal(0.0, 0.2, 4000)
    left[1000:1100] = np.nan
    memory_logit = np.log(0.9 / (0.99 - 0.9))
    noise = np.array([np.log(0.5), memory_logit, np.log(0.2)])
    white, _ = whiten(left[:, None], noise)
    shocks = white[:, 0]
    assert len(shocks) == 3900
    assert shocks.std() == pytest.approx(1.0, abs=0.05)
    assert abs(np.corrcoef(shocks[1:], shocks[:-1])[0, 1]) < 0.05
    short = left[990:1010]
    _, log_det = whiten(short[:, None], noise)
    places = np.flatnonzero(np.isfinite(short))
    full = 0.25 * 0.9 ** np.abs(places[:, None] - places[None, :]) + 0.04 * np.eye(len(places))
    assert log_det == pytest.approx(np.linalg.slogdet(full)[1], abs=1e-9)
