"""Glazing and gap against published values; each id's source stands in tests/reference/physics-values.json."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from framesim import glazing
from framesim.frame import load
from framesim.glazing import Sheet, fresnel, lid_at_angle, lid_optics, sheet_optics
from framesim.longwave import STEFAN_BOLTZMANN, parallel_plates_factor

VALUES = {e["id"]: e for e in json.loads((Path(__file__).parents[1] / "reference" / "physics-values.json").read_text())}


def rad(degrees: float) -> float:
    """Degrees to radians."""
    return math.radians(degrees)


def one_face(degrees: float, index: float) -> float:
    """Unpolarised reflectance of one face."""
    return sum(fresnel(rad(degrees), index)) / 2


def test_opt_01_one_face_of_glass() -> None:
    """OPT-01: one face reflects what Duffie and Beckman's example 5.1.1 says."""
    for theta, wanted in zip((0, 60), VALUES["OPT-01"]["expected"], strict=True):
        assert one_face(theta, 1.526) == pytest.approx(wanted, abs=VALUES["OPT-01"]["tolerance"]["abs"])


@pytest.mark.parametrize("entry", ["OPT-F1526", "OPT-F1585", "OPT-F1490"])
def test_opt_f_fresnel_by_angle(entry: str) -> None:
    """OPT-F*: Fresnel reflectance by angle."""
    inputs, wanted = VALUES[entry]["inputs"], VALUES[entry]["expected"]
    got = [one_face(t, inputs["n"]) for t in inputs["theta"]]
    assert got == pytest.approx(wanted, abs=VALUES[entry]["tolerance"]["abs"])


def test_opt_02_two_clear_covers() -> None:
    """OPT-02: two clear covers without absorption; example 5.1.2."""
    got = [lid_at_angle(rad(t), Sheet(1.526, 0.0), 2, True)[0] for t in (0, 60)]
    assert got == pytest.approx(VALUES["OPT-02"]["expected"], abs=VALUES["OPT-02"]["tolerance"]["abs"])


@pytest.mark.parametrize(("entry", "kl"), [("OPT-03", 32 * 0.0023), ("OPT-04", 0.0370)])
def test_opt_03_04_one_absorbing_cover(entry: str, kl: float) -> None:
    """OPT-03, OPT-04: transmittance, reflectance, absorptance of one cover at 60 degrees."""
    wanted, tolerance = VALUES[entry]["expected"], VALUES[entry]["tolerance"]["abs"]
    tau, rho, alpha = sheet_optics(rad(60), Sheet(1.526, kl))
    assert (tau, rho, alpha) == pytest.approx((wanted["tau"], wanted["rho"], wanted["alpha"]), abs=tolerance)
    if "tau_a" in wanted:
        assert glazing.absorption_factor(rad(60), Sheet(1.526, kl)) == pytest.approx(wanted["tau_a"], abs=tolerance)


@pytest.mark.parametrize("entry", ["OPT-20", "OPT-21", "OPT-22", "OPT-23"])
def test_opt_20_23_sheets_in_series(entry: str) -> None:
    """OPT-20 to OPT-23: sheets in series by angle, for even diffuse light and at the equivalent angle."""
    inputs, wanted, tolerance = (VALUES[entry][k] for k in ("inputs", "expected", "tolerance"))
    count = 1 if entry == "OPT-23" else 2
    sheet = Sheet(inputs["n"], inputs.get("KL", inputs.get("KL_per_sheet")))
    got = [lid_at_angle(rad(t), sheet, count, True)[0] for t in (0, 30, 45, 60, 75)]
    assert got == pytest.approx(wanted["tau"], abs=tolerance["abs"])
    assert lid_optics(sheet, count).through_diffuse == pytest.approx(wanted["diffuse"], abs=tolerance["abs"])
    assert lid_at_angle(rad(59.7), sheet, count, True)[0] == pytest.approx(wanted["tau_59p7"], abs=tolerance["abs"])


def test_opt_10_to_16_shipped_garden_lid() -> None:
    """OPT-10, -11, -13 to -16: the shipped twin-wall lid lies within the published spans."""
    frame = load("garden-frame")
    sheet = glazing.sheet_from_normal(frame.pane_tau, frame.pane_rho)
    low, high = VALUES["OPT-10"]["expected"]
    assert low <= round(sheet.index, 3) <= high
    assert VALUES["OPT-11"]["expected"]["k"][0] <= frame.pane_k <= VALUES["OPT-11"]["expected"]["k"][1]
    tau = lid_at_angle(0.0, sheet, 2, True)[0]
    for entry in ("OPT-15", "OPT-16"):
        assert VALUES[entry]["expected"][0] <= tau <= VALUES[entry]["expected"][1]
    u_value = 1.0 / (0.13 + 0.04 + gap_resistance(0.90) + 2 * frame.pane_sheet_m / frame.pane_k)
    for entry in ("OPT-13", "OPT-14"):
        assert VALUES[entry]["expected"][0] <= u_value <= VALUES[entry]["expected"][1]


def test_opt_30_equivalent_angles() -> None:
    """OPT-30: angles at which beam passes like diffuse light; Brandemuehl and Beckman 1980."""
    wanted = VALUES["OPT-30"]["expected"]
    for slope, sky, ground in zip((0, 10, 20, 30, 45, 60, 90), wanted["sky"], wanted["ground"], strict=True):
        assert glazing.sky_equivalent_angle_deg(slope) == pytest.approx(sky, abs=0.01)
        assert glazing.ground_equivalent_angle_deg(slope) == pytest.approx(ground, abs=0.01)


def gap_conductances(gap_m: float, slope: str, emissivity: float = 0.9) -> tuple[float, float, float]:
    """(Grashof, convection, long wave) of a gap by EN 673 with its fixed mean of 10 degC [W/m2 K]."""
    nusselt, grashof = glazing.gap_nusselt_en673(gap_m, 290.65, 275.65, slope)
    radiation = 4 * STEFAN_BOLTZMANN * 283.15**3 * parallel_plates_factor(emissivity, emissivity)
    return grashof, nusselt * 0.02496 / gap_m, radiation


def gap_resistance(emissivity: float) -> float:
    """Resistance of a 5 mm gap [m2 K/W]."""
    _, convection, radiation = gap_conductances(0.005, "vertical", emissivity)
    return 1.0 / (convection + radiation)


def test_ht_10_narrow_gap() -> None:
    """HT-10: a 5 mm gap only conducts, whatever its slope."""
    wanted = VALUES["HT-10"]["expected"]
    for slope in ("vertical", "45", "up"):
        grashof, convection, radiation = gap_conductances(0.005, slope)
        assert grashof == pytest.approx(wanted["Gr"], abs=0.5)
        assert (convection, radiation) == pytest.approx((wanted["hg"], wanted["hr"]), abs=0.02)
        assert convection + radiation == pytest.approx(wanted["hs"], abs=0.02)


def test_ht_11_wide_gap() -> None:
    """HT-11: a 16 mm gap by slope."""
    got = [sum(gap_conductances(0.016, slope)[1:]) for slope in ("vertical", "45", "up")]
    assert got == pytest.approx(VALUES["HT-11"]["expected"], abs=VALUES["HT-11"]["tolerance"]["abs"])


def test_ht_12_air_layer() -> None:
    """HT-12: a 5 mm layer of still air by ISO 6946."""
    assert gap_resistance(0.9) == pytest.approx(VALUES["HT-12"]["expected"], abs=VALUES["HT-12"]["tolerance"]["abs"])


def test_ht_13_twin_wall_u_value() -> None:
    """HT-13: U of two sheets and a gap for a wall and a roof."""
    got = [1.0 / (rsi + 0.04 + gap_resistance(0.9) + 2 * 0.0005 / 0.2) for rsi in (0.13, 0.10)]
    assert got == pytest.approx(VALUES["HT-13"]["expected"], abs=VALUES["HT-13"]["tolerance"]["abs"])


def test_ht_15_inclined_slot() -> None:
    """HT-15: Hollands's Nusselt number, Duffie and Beckman example 3.11.1."""
    rayleigh = 9.81 * 20 * 0.025**3 / (333.15 * 1.88e-5 * 2.69e-5)
    nusselt = glazing.gap_nusselt_hollands(rayleigh, rad(45))
    wanted = VALUES["HT-15"]["expected"]
    assert (rayleigh, nusselt, nusselt * 0.029 / 0.025) == pytest.approx(
        (wanted["Ra"], wanted["Nu"], wanted["h"]), rel=0.01
    )


def test_pane_from_normal_values_gives_them_back() -> None:
    """Index and absorption found from tau and rho give the same tau and rho; and light is not lost."""
    for tau, rho in ((0.86, 0.08), (0.7, 0.07), (0.9, 0.09)):
        sheet = glazing.sheet_from_normal(tau, rho)
        assert sheet_optics(0.0, sheet)[:2] == pytest.approx((tau, rho), abs=1e-12)
        for degrees in (0, 20, 50, 70, 85):
            through, outer, inner = lid_at_angle(rad(degrees), sheet, 2, True)
            assert through > 0
            assert outer > inner > 0
            assert through + outer + inner < 1


def test_reference_pane_as_its_simulator_reports() -> None:
    """Normal 0.744 and diffuse 0.645 as the reference's README gives them. Source: tests/reference/coldframe-golden."""
    optics = lid_optics(glazing.sheet_from_normal(0.86, 0.08), 2, keep_polarised=False)
    assert optics.through[-1] == pytest.approx(0.744, abs=0.0005)
    assert optics.through_diffuse == pytest.approx(0.645, abs=0.0005)


@pytest.mark.parametrize(("tau", "rho"), [(1.0, 0.0), (0.8, 0.3), (-0.1, 0.1)])
def test_impossible_pane_is_refused(tau: float, rho: float) -> None:
    """A pane that gives out more light than it gets is refused in one sentence."""
    with pytest.raises(ValueError, match="cannot both be true"):
        glazing.sheet_from_normal(tau, rho)
