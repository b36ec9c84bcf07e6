"""The reference frame against an independent simulator, all cases. Source: tests/reference/coldframe-golden.

Limits are what must hold; `measured` notes what was reached when the test was written.
The first seven days are left out.
"""

from __future__ import annotations

import csv
import gzip
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from framesim import policies
from framesim.frame import load
from framesim.season import SeasonResult, run_season
from framesim.weather import Weather, read

FOLDER = Path(__file__).parents[1] / "reference" / "coldframe-golden"
SKIP_H = 7 * 24
CASES = ("C1", "C2", "C3B", "C4", "C5")


@cache
def reference(case: str) -> dict[str, NDArray[np.float64]]:
    """Columns of one case."""
    with gzip.open(FOLDER / f"{case}.csv.gz", "rt") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0] if name != "time_end"}


@cache
def weather() -> Weather:
    """The weather as the reference used it."""
    return read(FOLDER / "weather.csv.gz", lat=39.74, lon=-105.18, elevation_m=1829.0, utc_offset_h=-7.0)


@cache
def ours(case: str) -> SeasonResult:
    """The same case on our simulator."""
    rule = {"C2": policies.fixed(0.10), "C3B": policies.two_point(18.0, 12.0, 600.0)}.get(case, policies.closed())
    changes = {"C4": {"night_cover": True}, "C5": {"wall_insulation": True}}.get(case, {})
    return run_season(load("reference-box", changes), weather(), rule)


def difference(case: str, column: str) -> NDArray[np.float64]:
    """Ours minus the reference, hour by hour after the first week."""
    return (ours(case).hourly[column] - reference(case)[column])[SKIP_H:]


def rms(values: NDArray[np.float64]) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(values**2)))


# Asked: 1.5 K (C2: 1.2 K). Measured: C1 0.13, C2 0.06, C3B 0.32, C4 0.15, C5 0.17 K; held at about twice that.
@pytest.mark.parametrize(
    ("case", "limit"), [("C1", 0.3), ("C2", 0.2), ("C3B", 0.7), ("C4", 0.3), ("C5", 0.4)]
)
def test_hourly_air(case: str, limit: float) -> None:
    """Hourly air temperature: rms error within the limit, mean error within 0.2 K (asked: 0.5 K)."""
    error = difference(case, "t_air")
    assert rms(error) < limit
    assert abs(error.mean()) < 0.2


@pytest.mark.parametrize("case", CASES)
def test_daily_peaks_and_minima(case: str) -> None:
    """Mean daily peak within 0.6 K (asked: 1.5), mean daily minimum within 0.4 K (asked: 0.7), from minute values."""
    peaks = ours(case).hourly["t_air_max"].reshape(-1, 24)[7:].max(axis=1)
    lows = ours(case).hourly["t_air_min"].reshape(-1, 24)[7:].min(axis=1)
    assert peaks.mean() == pytest.approx(reference(case)["t_air_max"].reshape(-1, 24)[7:].max(axis=1).mean(), abs=0.6)
    assert lows.mean() == pytest.approx(reference(case)["t_air_min"].reshape(-1, 24)[7:].min(axis=1).mean(), abs=0.4)


@pytest.mark.parametrize("case", CASES)
def test_soil_and_lid(case: str) -> None:
    """Soil surface, soil at 0.1 m and inner lid face within 0.3 K rms (asked for the surface: 1.5 K)."""
    for column in ("t_soil_surf", "t_soil_10cm", "t_lid_in"):
        assert rms(difference(case, column)) < 0.3, column


def test_light_through_the_lid() -> None:
    """Transmitted solar: hourly rms within 0.5 % of the season's peak (asked: 3 %)."""
    assert rms(difference("C1", "q_sol_lid")) < 0.005 * reference("C1")["q_sol_lid"].max()


def test_flow_through_the_crack() -> None:
    """Flow of the lid that stands 10 % open: hourly rms within 1 % of the mean flow."""
    assert rms(difference("C2", "vent_lps")) < 0.01 * reference("C2")["vent_lps"].mean()


def test_two_point_lid_moves_as_often_and_stays_open_as_long() -> None:
    """C3B: open hours within 2 % (asked: 8 %), openings within 4 % (asked: 15 %)."""
    assert ours("C3B").summary()["open_hours"] == pytest.approx(666.0, rel=0.02)
    assert ours("C3B").summary()["openings"] == pytest.approx(1291, rel=0.04)


def test_thresholds_of_the_season() -> None:
    """Hours above and below the reference's marks within 3 % plus 3 hours, all cases."""
    published = json.loads((FOLDER / "summary.json").read_text(encoding="utf-8"))
    for case in CASES:
        found = ours(case).summary()
        for mine, theirs in (("hours_above", "hours_above_C"), ("hours_below", "hours_below_C")):
            for mark, hours in published[case][theirs].items():
                assert found[mine][mark] == pytest.approx(hours, rel=0.03, abs=3.0), (case, mine, mark)


def test_energy_account_closes() -> None:
    """All flows of a season sum to what was stored, to a millionth of the gains."""
    for case in CASES:
        assert ours(case).balance_error() < 1e-6
