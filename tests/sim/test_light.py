"""Light in the box by geometry, and hourly weather spread over the hour."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from framesim import drivers
from framesim import layout as at
from framesim.frame import load
from framesim.light import beam_shares
from framesim.weather import invent


def traced(p: np.ndarray, sin_height: float, azimuth: float, rays: int = 4000) -> np.ndarray:
    """Shares by tracing rays one by one: slow, and written apart from the code under test."""
    random = np.random.default_rng(1)
    width, depth = p[at.P_WIDTH], p[at.P_DEPTH]
    front, back = p[at.P_FRONT_M], p[at.P_BACK_M]
    cos_height = math.sqrt(1 - sin_height**2)
    turn = azimuth - p[at.P_FACING]
    direction = np.array([math.sin(turn) * cos_height, math.cos(turn) * cos_height, -sin_height])
    hits = np.zeros(5)
    for x, y in random.uniform([0, 0], [width, depth], (rays, 2)):
        here = np.array([x, y, front + (back - front) * y / depth])
        best, face = 1e9, 0
        for target, axis, at_value in ((0, 2, 0.0), (1, 1, depth), (2, 1, 0.0), (3, 0, width), (4, 0, 0.0)):
            if abs(direction[axis]) > 1e-12:
                t = (at_value - here[axis]) / direction[axis]
                if 1e-12 < t < best:
                    best, face = t, target
        hits[face] += 1
    return hits / rays


@pytest.mark.parametrize("height", [15.0, 30.0, 55.0])
@pytest.mark.parametrize("azimuth", [95.0, 140.0, 180.0, 250.0, 290.0])
def test_sun_patch_against_traced_rays(height: float, azimuth: float) -> None:
    """Beam shares agree with traced rays to 2.5 %, and add up to one."""
    p = load("reference-box").parameters
    shares = beam_shares(p, math.sin(math.radians(height)), math.radians(azimuth))
    assert sum(shares) == pytest.approx(1.0)
    assert np.array(shares) == pytest.approx(
        traced(p, math.sin(math.radians(height)), math.radians(azimuth)), abs=0.025
    )


def test_low_winter_sun_lights_the_back_wall() -> None:
    """At noon in December the back wall takes a large share of the beam, the front wall none."""
    soil, back, ahead, east, west = beam_shares(load("reference-box").parameters, math.sin(0.47), math.pi)
    assert back > 0.25
    assert ahead == 0.0
    assert east + west < 1e-9
    assert soil + back == pytest.approx(1.0)


def test_hourly_means_are_kept() -> None:
    """Spread over the hour, every hour keeps its mean, for temperatures and for light."""
    random = np.random.default_rng(0)
    means = 5 + np.cumsum(random.normal(0, 1, 300))
    rows = drivers.spread(means)
    assert rows.reshape(-1, drivers.PER_HOUR).mean(axis=1) == pytest.approx(means, abs=1e-9)
    light = np.maximum(0, random.normal(100, 150, 300))
    rows = drivers.keep_energy(drivers.spread(light), light)
    assert (rows >= 0).all()
    assert rows.reshape(-1, drivers.PER_HOUR).mean(axis=1) == pytest.approx(light, abs=1e-9)


def test_no_beam_before_sunrise() -> None:
    """Rows with the sun below the horizon have no beam, and the hour's energy is kept by the others."""
    weather = invent(47.0, 9.0, date(2027, 2, 1), date(2027, 2, 2), seed=1, days=["clear"])
    _, dni, _, _ = drivers.weather_rows(weather)
    up = drivers.sun_is_up(weather.start_s, len(dni), weather.lat, weather.lon)
    assert dni[up == 0.0].max() == 0.0
    assert dni.mean() == pytest.approx(weather.dni.mean(), rel=0.01)


def test_sky_is_worked_out_where_the_file_has_none() -> None:
    """Without a sky column the clear sky is taken: colder than the air, by Berdahl and Martin."""
    from dataclasses import replace

    weather = invent(47.0, 9.0, date(2027, 2, 1), date(2027, 2, 2), seed=1)
    bare = replace(weather, t_sky_degc=np.full(len(weather), np.nan))
    sky = drivers.sky_degc(bare)
    assert np.isfinite(sky).all()
    assert (sky < weather.t_out_degc).all()
