"""Temperatures of undisturbed ground, and how waves fade in it."""

from __future__ import annotations

import math

DAY_S = 86400.0
YEAR_D = 365.0


def kusuda(depth_m: float, day: float, mean: float, amplitude: float, coldest_day: float, alpha_m2_d: float) -> float:
    """Ground temperature [degC] at a depth on a day of the year; Kusuda and Achenbach 1965.

    mean, amplitude [degC, K] of the surface, alpha [m2/day].
    """
    damping = depth_m * math.sqrt(math.pi / (YEAR_D * alpha_m2_d))
    phase = 2.0 * math.pi / YEAR_D * (day - coldest_day - depth_m / 2.0 * math.sqrt(YEAR_D / (math.pi * alpha_m2_d)))
    return mean - amplitude * math.exp(-damping) * math.cos(phase)


def monthly(depth_m: float, mean: float, amplitude: float, coldest_day: float, alpha_m2_d: float) -> list[float]:
    """Twelve mid-month ground temperatures [degC] by `kusuda`."""
    middles = (15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349)
    return [kusuda(depth_m, d, mean, amplitude, coldest_day, alpha_m2_d) for d in middles]


def damping_depth(alpha_m2_s: float, period_s: float) -> float:
    """Depth [m] at which a wave has fallen to 1/e: sqrt(2 alpha / omega)."""
    return math.sqrt(2.0 * alpha_m2_s * period_s / (2.0 * math.pi))


def wave_ratio(depth_m: float, damping_m: float) -> float:
    """Amplitude at a depth over that at the surface [-], deep soil."""
    return math.exp(-depth_m / damping_m)


def wave_lag_s(depth_m: float, damping_m: float, period_s: float) -> float:
    """How much later [s] the wave arrives at a depth."""
    return depth_m / damping_m * period_s / (2.0 * math.pi)
