"""Light through clear sheets by angle, and heat through the gap between them. Angles in radians, optics in [-].

One sheet: Fresnel at its two faces, Bouguer inside, all reflections inside the sheet summed,
each polarisation by itself (Duffie and Beckman, Solar Engineering of Thermal Processes,
eqs 5.1.1-5.3.3). Two sheets: all reflections between them summed. Ribs are left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Optics are tabulated on an even grid of cos(angle); the kernel interpolates.
TABLE = 65


@dataclass(frozen=True)
class Sheet:
    """One clear sheet: refractive index and absorption times thickness at normal incidence."""

    index: float
    absorption: float  # K L [-]


@dataclass(frozen=True)
class LidOptics:
    """What a lid of one or two sheets does with light, by cos(angle) and for diffuse light.

    Tables (TABLE,) over cos(angle) 0..1; `outer`/`inner` = share absorbed in that sheet.
    The `_back` numbers are for diffuse light that comes from inside.
    """

    through: Array
    outer: Array
    inner: Array
    through_diffuse: float
    outer_diffuse: float
    inner_diffuse: float
    through_back: float
    outer_back: float
    inner_back: float


def fresnel(angle: float, index: float) -> tuple[float, float]:
    """Reflectance of one face for light polarised (perpendicular, parallel) to the plane of incidence."""
    if angle < 1e-6:
        r = ((index - 1.0) / (index + 1.0)) ** 2
        return r, r
    refracted = math.asin(min(1.0, math.sin(angle) / index))
    if angle > math.pi / 2 - 1e-9:
        return 1.0, 1.0
    perpendicular = (math.sin(refracted - angle) / math.sin(refracted + angle)) ** 2
    parallel = (math.tan(refracted - angle) / math.tan(refracted + angle)) ** 2
    return perpendicular, parallel


def absorption_factor(angle: float, sheet: Sheet) -> float:
    """exp(-K L / cos t2): what one pass through the sheet leaves."""
    refracted = math.asin(min(1.0, math.sin(angle) / sheet.index))
    return math.exp(-sheet.absorption / math.cos(refracted))


def sheet_polarised(angle: float, sheet: Sheet) -> tuple[tuple[float, float], tuple[float, float]]:
    """((tau, rho) perpendicular, (tau, rho) parallel) of one sheet; Duffie and Beckman eqs 5.3.1-5.3.2."""
    a = absorption_factor(angle, sheet)
    pairs = []
    for r in fresnel(angle, sheet.index):
        tau = a * (1.0 - r) ** 2 / (1.0 - (r * a) ** 2)
        pairs.append((tau, r * (1.0 + a * tau)))
    return pairs[0], pairs[1]


def sheet_optics(angle: float, sheet: Sheet) -> tuple[float, float, float]:
    """(tau, rho, alpha) of one sheet for unpolarised light."""
    (tau_s, rho_s), (tau_p, rho_p) = sheet_polarised(angle, sheet)
    tau, rho = 0.5 * (tau_s + tau_p), 0.5 * (rho_s + rho_p)
    return tau, rho, 1.0 - tau - rho


def sheet_from_normal(tau: float, rho: float) -> Sheet:
    """The sheet (index, K L) that has a given tau and rho at normal incidence.

    Solves the slab equations backwards: rho = r (1 + a tau), tau = a (1-r)^2/(1 - r^2 a^2).
    """
    if not (0.0 < tau < 1.0 and 0.0 < rho < 1.0 and tau + rho <= 1.0):
        raise ValueError(
            f"pane_tau {tau} and pane_rho {rho} cannot both be true of one clear sheet: "
            "each must lie between 0 and 1 and together they must not pass 1."
        )
    beta = tau**2 - rho**2 + 2.0 * rho + 1.0
    r = (beta - math.sqrt(beta**2 - 4.0 * (2.0 - rho) * rho)) / (2.0 * (2.0 - rho))
    root = math.sqrt(r)
    a = (rho - r) / (r * tau)
    return Sheet(index=(1.0 + root) / (1.0 - root), absorption=-math.log(a))


def two_sheets(outer: tuple[float, float], inner: tuple[float, float]) -> tuple[float, float, float, float]:
    """(through, absorbed in outer, absorbed in inner, reflected) of two sheets given as (tau, rho) each."""
    (t1, r1), (t2, r2) = outer, inner
    bounce = 1.0 / (1.0 - r1 * r2)
    through = t1 * t2 * bounce
    in_outer = (1.0 - t1 - r1) * (1.0 + t1 * r2 * bounce)
    in_inner = (1.0 - t2 - r2) * t1 * bounce
    return through, in_outer, in_inner, 1.0 - through - in_outer - in_inner


def lid_at_angle(angle: float, sheet: Sheet, count: int, keep_polarised: bool) -> tuple[float, float, float]:
    """(through, absorbed outer, absorbed inner) of a lid of one or two equal sheets at an angle.

    keep_polarised: follow the two polarisations apart through both sheets (light leaves the
    first one partly polarised). False: mix them between the sheets, as the reference
    simulator does.
    """
    if count == 1:
        tau, _, alpha = sheet_optics(angle, sheet)
        return tau, 0.5 * alpha, 0.5 * alpha
    if keep_polarised:
        parts = [two_sheets(pair, pair) for pair in sheet_polarised(angle, sheet)]
    else:
        tau, rho, _ = sheet_optics(angle, sheet)
        parts = [two_sheets((tau, rho), (tau, rho))]
    n = len(parts)
    return sum(p[0] for p in parts) / n, sum(p[1] for p in parts) / n, sum(p[2] for p in parts) / n


@lru_cache(maxsize=64)
def lid_optics(sheet: Sheet, count: int, keep_polarised: bool = True) -> LidOptics:
    """Tables and diffuse values of a lid of one or two equal sheets. Kept for later frames: do not write into them."""
    cosines = np.linspace(0.0, 1.0, TABLE)
    # The first row stays zero: grazing light is all reflected.
    rows = np.zeros((TABLE, 3))
    rows[1:] = [lid_at_angle(math.acos(c), sheet, count, keep_polarised) for c in cosines[1:]]
    through, outer, inner = hemispherical(lambda angle: lid_at_angle(angle, sheet, count, keep_polarised))
    # Equal sheets: from inside, the inner sheet plays the outer one's part.
    return LidOptics(
        through=rows[:, 0].copy(),
        outer=rows[:, 1].copy(),
        inner=rows[:, 2].copy(),
        through_diffuse=through,
        outer_diffuse=outer,
        inner_diffuse=inner,
        through_back=through,
        outer_back=inner,
        inner_back=outer,
    )


def hemispherical(of_angle: Callable[[float], Sequence[float]], steps: int = 180) -> list[float]:
    """Means of angle-dependent properties over even diffuse light: integral of 2 p(t) sin t cos t dt, midpoint rule."""
    width = math.pi / 2 / steps
    angles = [(k + 0.5) * width for k in range(steps)]
    weighted = [[value * math.sin(2.0 * angle) for value in of_angle(angle)] for angle in angles]
    return [width * sum(column) for column in zip(*weighted, strict=True)]


def sky_equivalent_angle_deg(slope_deg: float) -> float:
    """Incidence angle [deg] at which beam passes like sky diffuse; Brandemuehl and Beckman 1980."""
    return 59.7 - 0.1388 * slope_deg + 0.001497 * slope_deg**2


def ground_equivalent_angle_deg(slope_deg: float) -> float:
    """The same [deg] for light from the ground; Brandemuehl and Beckman 1980."""
    return 90.0 - 0.5788 * slope_deg + 0.002693 * slope_deg**2


# ---- heat through the gap -------------------------------------------------------------------


def gap_nusselt_en673(gap: float, hot_k: float, cold_k: float, slope: str) -> tuple[float, float]:
    """(Nusselt number, Grashof number) of an air gap [m]; EN 673 / ISO 10292, air at 10 degC (from memory).

    slope: "vertical", "45" or "up" (horizontal, heat going up).
    """
    conductivity, air_density, viscosity, heat = 0.02496, 1.232, 1.761e-5, 1008.0
    mean = 283.15
    grashof = 9.81 * gap**3 * (hot_k - cold_k) * air_density**2 / (mean * viscosity**2)
    prandtl = viscosity * heat / conductivity
    a, n = {"vertical": (0.035, 0.38), "45": (0.10, 0.31), "up": (0.16, 0.28)}[slope]
    return max(1.0, a * (grashof * prandtl) ** n), grashof


def gap_nusselt_hollands(rayleigh: float, tilt: float) -> float:
    """Nusselt number of an inclined air slot heated from below, tilt [rad] up to 75 deg; Hollands et al. 1976.

    J. Heat Transfer 98:189-193, as Duffie and Beckman eq. 3.11.4.
    """
    x = rayleigh * math.cos(tilt)
    first = 1.44 * max(0.0, 1.0 - 1708.0 / x) * (1.0 - math.sin(1.8 * tilt) ** 1.6 * 1708.0 / x)
    second = max(0.0, (x / 5830.0) ** (1.0 / 3.0) - 1.0)
    return float(1.0 + first + second)


def air_conductivity(kelvin: float) -> float:
    """Conductivity of air [W/m K] = 2.873e-3 + 7.76e-5 T; ISO 15099 annex B (from memory)."""
    return 2.873e-3 + 7.76e-5 * kelvin
