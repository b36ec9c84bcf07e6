"""Another site and other frames against the same independent simulator. Source: tests/reference/coldframe-more.

None of these was looked at while the physics was written; limits are those asked of the first frame, and tighter.
"""

from __future__ import annotations

import csv
import gzip
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from framesim import policies
from framesim.frame import load
from framesim.season import SeasonResult, run_season
from framesim.weather import Weather, read

FOLDER = Path(__file__).parents[1] / "reference" / "coldframe-more"
GOLDEN = FOLDER.parent / "coldframe-golden" / "weather.csv.gz"
CHICAGO_GROUND = [-1.89, -3.06, -0.99, 2.23, 10.68, 17.20, 21.60, 22.94, 20.66, 15.60, 8.83, 2.56]
SKIP_H = 7 * 24
FRAMES: dict[str, dict[str, Any]] = {
    "V1": {"panes": 1},
    "V2": {"wall_thickness_m": 0.08},
    "V3": {"facing_deg": 150.0},
    "V4": {"width_m": 1.6, "depth_m": 1.0, "front_m": 0.25, "back_m": 0.45, "rim_m2": 0.0261},
    "V5": {"pane_tau": 0.80, "pane_rho": 0.07, "pane_sheet_m": 0.004, "pane_k": 0.9, "pane_emissivity": 0.84,
           "pane_gap_m": 0.012},
    "V6": {"soil_k": 0.6, "soil_rho": 1200.0, "soil_cp": 1100.0, "soil_absorptance": 0.70, "closed_ach": 4.0},
    "V7": {},
}  # fmt: skip
# Measured when the test was written [K rms]: 0.08, 0.04, 0.22, 0.10; 0.16, 0.16, 0.13, 0.14, 0.15, 0.13, 0.04.
LIMITS = {"C1": 0.3, "C2": 0.2, "C3B": 0.5, "C5": 0.3, **dict.fromkeys(FRAMES, 0.3)}


@cache
def columns(name: str) -> dict[str, NDArray[np.float64]]:
    """Columns of one table."""
    with gzip.open(FOLDER / name, "rt") as file:
        head, *rows = list(csv.reader(file))
    return {key: np.array([float(row[k]) for row in rows]) for k, key in enumerate(head) if k}


@cache
def chicago() -> Weather:
    """The weather as the simulator used it."""
    return read(FOLDER / "chicago-weather.csv.gz", lat=41.98, lon=-87.92, elevation_m=201.0, utc_offset_h=-6.0)


@cache
def golden() -> Weather:
    """That of the first reference."""
    return read(GOLDEN, lat=39.74, lon=-105.18, elevation_m=1829.0, utc_offset_h=-7.0)


@cache
def ours(case: str) -> SeasonResult:
    """The case on our simulator."""
    if case in FRAMES:
        rule = policies.fixed(0.40) if case == "V7" else policies.closed()
        return run_season(load("reference-box", FRAMES[case]), golden(), rule)
    changes: dict[str, Any] = {"ground_degc": CHICAGO_GROUND, "wall_insulation": case == "C5"}
    rule = {"C2": policies.fixed(0.10), "C3B": policies.two_point(18.0, 12.0, 600.0)}.get(case, policies.closed())
    return run_season(load("reference-box", changes), chicago(), rule)


def theirs(case: str, column: str) -> NDArray[np.float64]:
    """One column of the reference."""
    return columns("golden-frames.csv.gz" if case in FRAMES else "chicago-frames.csv.gz")[f"{case}_{column}"]


@pytest.mark.parametrize("case", LIMITS)
def test_hourly_air_and_soil(case: str) -> None:
    """Air within the limit rms and 0.1 K in the mean (asked of such cases: 1.5 and 0.5 K), soil surface 0.25 K rms."""
    air = (ours(case).hourly["t_air"] - theirs(case, "t_air"))[SKIP_H:]
    soil = (ours(case).hourly["t_soil_surf"] - theirs(case, "t_soil_surf"))[SKIP_H:]
    assert np.sqrt(np.mean(air**2)) < LIMITS[case]
    assert abs(air.mean()) < 0.1
    assert np.sqrt(np.mean(soil**2)) < 0.25
    assert ours(case).balance_error() < 1e-6


@pytest.mark.parametrize("case", LIMITS)
def test_daily_peaks_and_minima(case: str) -> None:
    """Highest and lowest hour of the day, on the mean within 0.4 and 0.2 K (asked: 1.5 and 0.7)."""
    mine, other = (t[SKIP_H:].reshape(-1, 24) for t in (ours(case).hourly["t_air"], theirs(case, "t_air")))
    assert mine.max(axis=1).mean() == pytest.approx(other.max(axis=1).mean(), abs=0.4)
    assert mine.min(axis=1).mean() == pytest.approx(other.min(axis=1).mean(), abs=0.2)


@pytest.mark.parametrize("case", ["C1", *FRAMES])
def test_light_through_the_lid(case: str) -> None:
    """Hourly rms within 0.5 % of the season's peak (asked: 3 %), one sheet, thick sheets, a turned frame included."""
    wanted = theirs(case, "q_sol_lid")
    difference = (ours(case).hourly["q_sol_lid"] - wanted)[SKIP_H:]
    assert np.sqrt(np.mean(difference**2)) < 0.005 * wanted.max()


def test_the_two_point_lid_stands_open_as_long() -> None:
    """C3B: open hours within 2 % (asked: 8 %)."""
    assert ours("C3B").summary()["open_hours"] == pytest.approx(theirs("C3B", "open_frac").sum(), rel=0.02)
