"""Films, long wave, walls and ground against published values."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import solve_banded
from scipy.optimize import brentq

from framesim import convection, ground, layout, longwave, parameters, sky
from framesim.frame import load, names
from framesim.walls import Layer, chain, graded_nodes, resistance

VALUES = {e["id"]: e for e in json.loads((Path(__file__).parents[1] / "reference" / "physics-values.json").read_text())}


def test_ht_05_clear_sky_loss() -> None:
    """HT-05: a black surface at air temperature loses this much to a clear sky."""
    sky_k = 273.15 * sky.berdahl_martin_emissivity(-3.0, 0.0) ** 0.25
    loss = longwave.STEFAN_BOLTZMANN * (273.15**4 - sky_k**4)
    assert loss == pytest.approx(VALUES["HT-05"]["expected"], abs=0.05)


def test_ht_06_plate_under_a_clear_sky() -> None:
    """HT-06: how far a plate falls below air temperature under Swinbank's sky."""
    sky_k = sky.swinbank_sky_k(273.15)
    plate = brentq(lambda t: 8 * (273.15 - t) - 0.9 * longwave.STEFAN_BOLTZMANN * (t**4 - sky_k**4), 200, 300)
    assert plate - 273.15 == pytest.approx(VALUES["HT-06"]["expected"], abs=0.01)


def test_ht_07_radiative_coefficient() -> None:
    """HT-07: 4 sigma T^3."""
    got = [longwave.radiative_coefficient(t + 273.15) for t in VALUES["HT-07"]["inputs"]["T_C"]]
    assert got == pytest.approx(VALUES["HT-07"]["expected"], abs=0.01)


def test_ht_08_wind_correlations() -> None:
    """HT-08: the three straight-line wind films."""
    columns = list(VALUES["HT-08"]["expected"].values())
    for film, wanted in zip((convection.mcadams, convection.watmuff, convection.iso_6946), columns, strict=True):
        assert [film(v) for v in range(6)] == pytest.approx(wanted, abs=1e-9)


def test_ht_09_rim_films() -> None:
    """HT-09: the lid's rim is given the standard's films, heat going up."""
    assert pytest.approx(VALUES["HT-09"]["inputs"]["upward"] + VALUES["HT-09"]["inputs"]["external"]) == (
        parameters.RIM_FILMS_R
    )


def test_ht_21_emission() -> None:
    """HT-21: emissive power and irradiation of Incropera's example 1.2 (radiative part)."""
    wanted = VALUES["HT-21"]["expected"]
    emitted = 0.8 * longwave.STEFAN_BOLTZMANN * 473.0**4
    received = longwave.STEFAN_BOLTZMANN * 298.0**4
    assert (emitted, received) == pytest.approx((wanted["E"], wanted["G"]), abs=1)


def test_ht_23_frost_depth_in_a_soil_column() -> None:
    """HT-23: our soil chain, stepped implicitly, freezes as deep as the closed solution (Incropera example 5.6)."""
    nodes = graded_nodes(8.0, 0.005, 200)
    heat, conduct = chain([Layer(8.0, 0.138, 1000.0, 1000.0)], np.append(nodes, 8.0))
    t = np.full(200, 20.0)
    step_s = 3600.0
    for _ in range(60 * 24):
        rhs = heat[:-1] / step_s * t
        rhs[-1] += conduct[-1] * 20.0
        band = np.zeros((3, 200))
        band[1] = heat[:-1] / step_s + conduct + np.append(0.0, conduct[:-1])
        band[0, 1:] = band[2, :-1] = -conduct[:-1]
        band[1, 0], band[0, 1], rhs[0] = 1.0, 0.0, -15.0
        t = solve_banded((1, 1), band, rhs)
    assert np.interp(0.0, t, nodes) == pytest.approx(VALUES["HT-23"]["expected"], abs=0.01)


def test_ht_33_layered_walls() -> None:
    """HT-33: U of the three constructions of ASHRAE 140 case 600, layers from BES-L, films 8.29 and 29.3."""
    layers = VALUES["BES-L"]["expected"]
    got = []
    for name in ("wall_in_to_out", "roof_in_to_out", "floor_in_to_out"):
        stack = [Layer(d, k, max(rho, 1e-9), max(cp, 1e-9)) for k, d, rho, cp in layers[name]]
        outside = 0.0 if name.startswith("floor") else 1 / 29.3
        got.append(1.0 / (1 / 8.29 + resistance(stack) + outside))
    assert got == pytest.approx(VALUES["HT-33"]["expected"], abs=0.001)


@pytest.mark.parametrize("entry", ["HT-40", "HT-41", "HT-42"])
def test_ht_40_42_waves_in_soil(entry: str) -> None:
    """HT-40 to HT-42: damping depth, amplitude and lag of daily and yearly waves."""
    alpha, wanted = VALUES[entry]["inputs"]["alpha_m2_s"], VALUES[entry]["expected"]
    day, year = 86400.0, 365 * 86400.0
    daily, annual = ground.damping_depth(alpha, day), ground.damping_depth(alpha, year)
    got = (
        daily,
        annual,
        ground.wave_ratio(1.0, annual),
        ground.wave_lag_s(1.0, annual, year) / day,
        ground.wave_ratio(0.1, daily),
        ground.wave_lag_s(0.1, daily, day) / 3600.0,
    )
    assert got == pytest.approx(tuple(wanted.values()), rel=1e-3)


@pytest.mark.parametrize("name", names())
def test_ht_43_shipped_soils(name: str) -> None:
    """HT-43: soils of the shipped frames lie within the published span of diffusivity."""
    frame = load(name)
    low, high = VALUES["HT-43"]["expected"]
    assert low <= frame.soil_k / (frame.soil_rho * frame.soil_cp) <= high


@pytest.mark.parametrize("entry", ["HT-K0", "HT-K0p5", "HT-K1", "HT-K2", "HT-K5"])
def test_ht_k_undisturbed_ground(entry: str) -> None:
    """HT-K*: Kusuda and Achenbach's ground temperature by day and depth."""
    x = VALUES[entry]["inputs"]
    got = [
        ground.kusuda(x["depth_m"], d, x["T_mean"], x["amplitude"], x["day_of_min"], x["alpha_m2_d"]) for d in x["day"]
    ]
    assert got == pytest.approx(VALUES[entry]["expected"], abs=0.002)


def test_ground_by_month_is_coldest_late_in_winter() -> None:
    """Twelve ground temperatures: at 0.5 m the coldest month is February, within the surface's amplitude."""
    months = ground.monthly(0.5, 10.0, 12.0, 35.0, 0.05)
    assert len(months) == 12
    assert min(months) == months[1]
    assert all(-2.0 < t < 22.0 for t in months)


def test_view_factors_by_area_as_the_reference_reports() -> None:
    """Soil sees lid 0.56, back 0.20, other walls 0.23. Source: tests/reference/coldframe-golden/README.md."""
    view, _ = parameters._view_factors(load("reference-box"))
    assert view[0, layout.LID] == pytest.approx(0.56, abs=0.005)
    assert view[0, layout.BACK] == pytest.approx(0.20, abs=0.005)
    assert view[0, [layout.FRONT, layout.EAST, layout.WEST]].sum() == pytest.approx(0.23, abs=0.005)


def test_true_view_factors_of_a_cube() -> None:
    """A cube's faces: opposite 0.1998, neighbour 0.2000. Source: standard configuration factors, from memory."""
    view = longwave.box_view_factors(1.0, 1.0, 1.0, 1.0)
    areas = longwave.box_areas(1.0, 1.0, 1.0, 1.0)
    assert view.sum(axis=1) == pytest.approx(np.ones(6), abs=1e-9)
    assert areas[:, None] * view == pytest.approx((areas[:, None] * view).T, abs=1e-9)
    assert view[0, 5] == pytest.approx(0.1998, abs=0.006)
    assert view[0, 1] == pytest.approx(0.2000, abs=0.006)


def test_grey_exchange_of_two_plates() -> None:
    """Two facing surfaces exchange by 1/(1/e1 + 1/e2 - 1), black ones by their whole area."""
    view, areas = np.array([[0.0, 1.0], [1.0, 0.0]]), np.array([2.0, 2.0])
    exchange = longwave.script_f(view, areas, np.array([0.9, 0.5]))
    assert exchange[0, 1] == pytest.approx(2.0 * longwave.parallel_plates_factor(0.9, 0.5))
    black = longwave.script_f(view, areas, np.array([1.0, 1.0]))
    assert black[0, 1] == pytest.approx(2.0)


def test_outside_shares_add_up() -> None:
    """Sky, air and ground together are all that an outside surface sees."""
    for degrees in (0, 14, 45, 90, 120):
        assert sum(longwave.outside_shares(math.radians(degrees))) == pytest.approx(1.0)


def test_natural_convection_forms() -> None:
    """Walton's forms at 8 K: vertical 2.62, warm floor 3.02, layered 1.52 W/m2 K. Source: formulas, by hand."""
    assert convection.unstable_factor(math.pi / 2) * 2 == pytest.approx(2.62, abs=0.005)
    assert convection.unstable_factor(0.0) * 2 == pytest.approx(3.018, abs=0.005)
    assert convection.stable_factor(0.0) * 2 == pytest.approx(1.520, abs=0.005)
    assert convection.natural(1.31, 1.31, 8.0) == pytest.approx(2.62, abs=0.005)
    assert convection.natural(2.0, 1.0, -8.0) == pytest.approx(2.0, abs=0.005)


def test_local_wind_as_the_reference_reports() -> None:
    """0.3138 of the 10 m wind at the middle of the reference frame. Source: README of coldframe-golden."""
    frame = load("reference-box")
    assert frame.parameters[layout.P_WIND_RATIO] == pytest.approx(0.3138, abs=0.0005)


def test_doe2_joins_still_and_forced() -> None:
    """Without wind only the still part is left; roughness multiplies only what wind adds."""
    assert convection.outside_doe2(3.0, 0.0, 1.67) == pytest.approx(3.0)
    assert convection.outside_doe2(3.0, 4.0, 1.0) == pytest.approx(5.0)
    assert convection.outside_doe2(3.0, 4.0, 1.5) == pytest.approx(6.0)
    assert convection.forced_mowitt(3.0, True) == pytest.approx(3.26 * 3**0.89)
