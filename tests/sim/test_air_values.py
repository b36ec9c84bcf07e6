"""Ventilation and moist air against published values and psychrolib."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import psychrolib
import pytest

from framesim import moist_air, ventilation

VALUES = {e["id"]: e for e in json.loads((Path(__file__).parents[1] / "reference" / "physics-values.json").read_text())}
psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("entry", ["VEN-01", "VEN-02"])
def test_ven_01_02_stack(entry: str) -> None:
    """VEN-01, VEN-02: stack flow by ASHRAE."""
    x = VALUES[entry]["inputs"]
    got = ventilation.stack_flow(x["Cd"], x["A"], x["dH"], x["Ti"], x["To"])
    assert got == pytest.approx(VALUES[entry]["expected"], abs=1e-4)


def test_ven_03_mixing_coefficient() -> None:
    """VEN-03: discharge coefficient of two-way flow."""
    got = [ventilation.mixing_discharge_coefficient(d) for d in (10, 20)]
    assert got == pytest.approx(VALUES["VEN-03"]["expected"], abs=1e-6)


def test_ven_04_05_wind_and_both() -> None:
    """VEN-04, VEN-05: wind flow, and wind and stack in quadrature."""
    got = [ventilation.wind_flow(cv, 0.5, 2.0) for cv in VALUES["VEN-04"]["inputs"]["Cv"]]
    assert got == pytest.approx(VALUES["VEN-04"]["expected"], abs=1e-9)
    assert ventilation.combined_flow(0.102958, 0.3) == pytest.approx(VALUES["VEN-05"]["expected"], abs=1e-4)


@pytest.mark.parametrize("entry", ["VEN-06", "VEN-07"])
def test_ven_06_07_single_opening(entry: str) -> None:
    """VEN-06, VEN-07: buoyant flow through one opening by Warren and Parkins."""
    x = VALUES[entry]["inputs"]
    got = ventilation.single_opening_stack(x["Cd"], x["A"], x["H"], x["dT"], x["T"])
    assert got == pytest.approx(VALUES[entry]["expected"], abs=5e-5)


def test_ven_08_09_other_single_sided_forms() -> None:
    """VEN-08, VEN-09: wind through one opening, and de Gids and Phaff's form."""
    assert ventilation.single_opening_wind(0.5, 2.0) == pytest.approx(VALUES["VEN-08"]["expected"], abs=1e-9)
    got = [ventilation.de_gids_phaff(*case) for case in VALUES["VEN-09"]["inputs"]["cases"]]
    assert got == pytest.approx(VALUES["VEN-09"]["expected"], abs=1e-5)


@pytest.mark.parametrize("entry", [f"VEN-L{a:02d}" for a in (5, 10, 15, 20, 30, 45, 60, 90)])
def test_ven_l_lifted_lid(entry: str) -> None:
    """VEN-L*: opening, rise, flow and heat of a 1.2 x 1.2 m lid by angle."""
    wanted = VALUES[entry]["expected"]
    angle = math.radians(VALUES[entry]["inputs"]["angle_deg"])
    geometric, equivalent, rise = ventilation.lid_opening(1.2, 1.2, angle)
    assert (geometric, equivalent, rise) == pytest.approx(
        (wanted["geometric_m2"], wanted["equivalent_m2"], wanted["rise_m"]), rel=5e-3
    )
    flow = ventilation.single_opening_stack(0.6, equivalent, rise, 10.0, 283.15)
    assert flow == pytest.approx(wanted["Q_m3_s"], rel=6e-3)
    density = moist_air.density(10.0, 0.0, 101325.0)
    assert density * moist_air.CP_DRY_AIR * flow * 10.0 == pytest.approx(wanted["heat_W"], rel=1e-2)


def test_opening_coefficients_of_both_models() -> None:
    """The kernel's two coefficients give the formulas' flows: a given area, and a lid at an angle."""
    wind, stack = ventilation.opening_coefficients(0, 0.5, 0.30, 0.30, 0.40, 0.25, 0, 0, 0)
    assert wind == pytest.approx(0.3 * 0.15)
    assert stack * math.sqrt(10.0 / 290.0) == pytest.approx(ventilation.stack_flow(0.4, 0.15, 0.25, 290.0, 280.0))
    wind, stack = ventilation.opening_coefficients(1, 0.5, 0, 0.25, 0.6, 0, 1.2, 2.4, math.radians(40))
    _, area, rise = ventilation.lid_opening(1.2, 2.4, math.radians(20))
    assert wind == pytest.approx(0.25 * area)
    assert stack * math.sqrt(10.0 / 283.0) == pytest.approx(
        ventilation.single_opening_stack(0.6, area, rise, 10.0, 283.0)
    )
    assert ventilation.opening_coefficients(1, 0.0, 1, 1, 1, 1, 1, 1, 1) == (0.0, 0.0)


@pytest.mark.parametrize("entry", ["PSY-Sm60", "PSY-Sm20", "PSY-Sm5", "PSY-S5", "PSY-S25", "PSY-S50", "PSY-S100"])
def test_psy_s_saturation_table(entry: str) -> None:
    """PSY-S*: saturation pressure of the ASHRAE table."""
    got = moist_air.saturation_pressure(float(VALUES[entry]["inputs"]["T_C"]))
    assert got == pytest.approx(VALUES[entry]["expected"], **VALUES[entry]["tolerance"])


def test_psy_01_saturation_against_psychrolib() -> None:
    """PSY-01: saturation pressure within 0.01 Pa of the listed psychrolib values, and of psychrolib itself."""
    temperatures = [float(t) for t in VALUES["PSY-01"]["inputs"]["T_C"]]
    got = [moist_air.saturation_pressure(t) for t in temperatures]
    assert got == pytest.approx(VALUES["PSY-01"]["expected"], abs=0.01)
    for t in np.linspace(-60, 90, 151):
        assert moist_air.saturation_pressure(float(t)) == pytest.approx(psychrolib.GetSatVapPres(float(t)), rel=1e-6)


@pytest.mark.parametrize("entry", [f"PSY-1{k}" for k in range(7)])
def test_psy_10_16_dew_point_and_ratio(entry: str) -> None:
    """PSY-10 to PSY-16: dew or frost point, humidity ratio, vapour pressure at sea level."""
    x, wanted = VALUES[entry]["inputs"], VALUES[entry]["expected"]
    vapour = x["RH"] * moist_air.saturation_pressure(float(x["T_C"]))
    assert vapour == pytest.approx(wanted["pv_Pa"], rel=0.002)
    assert moist_air.humidity_ratio(vapour, 101325.0) == pytest.approx(wanted["W"], rel=0.002)
    assert moist_air.dew_point(vapour) == pytest.approx(wanted["Tdp_C"], abs=0.05)
    ratio = moist_air.humidity_ratio(vapour, 101325.0)
    assert moist_air.vapour_pressure(ratio, 101325.0) == pytest.approx(vapour)


def test_psy_20_wet_bulb_example() -> None:
    """PSY-20: ASHRAE's example of 40 C dry and 20 C wet bulb."""
    wanted = VALUES["PSY-20"]["expected"]
    ratio = moist_air.ratio_from_wet_bulb(40.0, 20.0, 101325.0)
    vapour = moist_air.vapour_pressure(ratio, 101325.0)
    assert ratio == pytest.approx(wanted["W"], abs=1e-4)
    assert moist_air.dew_point(vapour) == pytest.approx(wanted["Tdp"], abs=0.5)
    assert vapour / moist_air.saturation_pressure(40.0) == pytest.approx(wanted["RH"], abs=0.01)
    assert moist_air.enthalpy(40.0, ratio) == pytest.approx(wanted["h_J_kg"], abs=100)
    assert moist_air.specific_volume(40.0, ratio, 101325.0) == pytest.approx(wanted["v"], rel=0.01)


def test_psy_21_22_pressure_and_density() -> None:
    """PSY-21, PSY-22: standard pressure by height, density of dry and moist air."""
    got = [moist_air.standard_pressure(z) for z in (0.0, 500.0, 1000.0)]
    assert got == pytest.approx(VALUES["PSY-21"]["expected"], abs=1)
    got = [moist_air.density(0.0, 0.0, 101325.0), moist_air.density(20.0, 0.007, 101325.0)]
    assert got == pytest.approx(VALUES["PSY-22"]["expected"], abs=5e-4)


def test_psy_30_short_dew_point_forms() -> None:
    """PSY-30: Magnus and Tetens stay within the listed dew-point error of psychrolib above freezing."""
    worst_magnus = worst_tetens = 0.0
    for t in np.linspace(0.5, 45.0, 60):
        for humidity in np.linspace(0.2, 1.0, 17):
            exact = moist_air.dew_point(humidity * psychrolib.GetSatVapPres(float(t)))
            if exact < 0.0:
                continue
            # As a sensor's user has it: temperature and relative humidity, the short form both ways.
            short = moist_air.magnus_dew_point(humidity * moist_air.magnus_pressure(float(t)))
            worst_magnus = max(worst_magnus, abs(short - exact))
            x = math.log(humidity * moist_air.tetens_pressure(float(t)) / 610.8)
            worst_tetens = max(worst_tetens, abs(237.3 * x / (17.27 - x) - exact))
    assert worst_magnus < VALUES["PSY-30"]["tolerance"]["upper_bound"]
    assert worst_tetens < VALUES["PSY-30"]["tolerance"]["upper_bound"]
    assert moist_air.tetens_pressure(20.0) == pytest.approx(610.8 * math.exp(17.27 * 20 / 257.3))


def test_psy_31_dew_point_over_water_below_freezing() -> None:
    """PSY-31: what a water-based sensor calls dew point when the air is saturated over ice."""
    got = [moist_air.magnus_dew_point(moist_air.saturation_pressure(t)) for t in (-20.0, -10.0, -5.0, -1.0)]
    assert got == pytest.approx(VALUES["PSY-31"]["expected"], abs=0.02)


def test_psy_32_lid_condenses() -> None:
    """PSY-32: air of 8 C and 80 % wets a lid of 2 C; the onset is at 66 %."""
    vapour = 0.80 * moist_air.saturation_pressure(8.0)
    wanted = VALUES["PSY-32"]["expected"]
    assert moist_air.dew_point(vapour) == pytest.approx(wanted["Tdp_C"], abs=0.02)
    onset = moist_air.saturation_pressure(2.0) / moist_air.saturation_pressure(8.0)
    assert onset == pytest.approx(wanted["RH_at_onset"], abs=0.002)
    assert moist_air.dew_point(vapour) > 2.0


def test_short_saturation_form_of_the_kernel() -> None:
    """The kernel's short form stays within 0.6 % of ASHRAE from -40 to 60 C, and its slope is its own."""
    for t in np.linspace(-40, 60, 101):
        short = moist_air.magnus_pressure(float(t))
        assert short == pytest.approx(moist_air.saturation_pressure(float(t)), rel=6e-3)
        ahead = moist_air.magnus_pressure(float(t) + 1e-4)
        if abs(t) > 0.01:
            assert moist_air.magnus_slope(float(t), short) == pytest.approx((ahead - short) / 1e-4, rel=1e-3)
