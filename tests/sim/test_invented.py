"""Invented weather says so, repeats itself by seed, and its sun, sky and snow fit each other."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from framesim.invented import KINDS, clear_sky
from framesim.weather import Weather, WeatherError, invent
from framesim.weather_checks import LIMITS, centre_of_day_h, sun_heights_deg


@pytest.fixture(scope="module")
def season() -> Weather:
    """A winter that nobody ever saw."""
    return invent(47.0, 9.0, date(2026, 11, 1), date(2027, 3, 31), seed=3, name="Testwood")


def test_it_says_that_it_is_invented(season: Weather) -> None:
    """In the flag, the name and the source."""
    assert season.invented
    assert "(invented)" in season.name
    assert "no station ever saw" in season.source


def test_same_seed_same_weather() -> None:
    """Seeded; another seed is another winter."""
    first, again, other = (invent(47.0, 9.0, date(2027, 1, 1), date(2027, 1, 20), seed=s) for s in (7, 7, 8))
    np.testing.assert_array_equal(first.t_out_degc, again.t_out_degc)
    np.testing.assert_array_equal(first.ghi, again.ghi)
    assert not np.array_equal(first.ghi, other.ghi)


@given(
    lat=st.floats(-65, 70),
    lon=st.floats(-180, 180),
    month=st.integers(1, 12),
    seed=st.integers(0, 10_000),
    kind=st.sampled_from([*KINDS, None]),
)
@settings(max_examples=25, deadline=None)
def test_sun_is_consistent_anywhere(lat: float, lon: float, month: int, seed: int, kind: str | None) -> None:
    """Global is diffuse plus beam on the level, no sun at night, nothing beyond what can be, hours in order."""
    days = [kind] if kind else None
    weather = invent(lat, lon, date(2027, month, 1), date(2027, month, 3), seed=seed, days=days)
    heights = sun_heights_deg(weather)
    assert np.all(weather.ghi[heights.max(axis=0) < -0.5] == 0)
    beam_on_level = weather.ghi - weather.dhi
    sines = np.sin(np.radians(np.clip(heights, 0, 90)))
    middle = sines.mean(axis=0)
    whole = sines.min(axis=0) > 0.05  # hours with the sun up throughout
    np.testing.assert_allclose(beam_on_level[whole], (weather.dni * middle)[whole], rtol=0.05, atol=3.0)
    for name, (low, high, _) in LIMITS.items():
        column = getattr(weather, name)
        assert np.all((column >= low) & (column <= high)), name
    assert np.all(weather.dew_degc <= weather.t_out_degc)
    assert np.all(weather.t_sky_degc < weather.t_out_degc)
    assert np.all(np.diff(weather.time_s) == 3600)


def test_kinds_of_day_differ_as_they_should() -> None:
    """Clear days bring most light and the widest range; overcast ones the least of both; snow lies after snow."""
    days = {kind: invent(47.0, 9.0, date(2027, 2, 1), date(2027, 2, 6), days=[kind]) for kind in KINDS}
    light = {kind: weather.ghi.sum() for kind, weather in days.items()}
    swing = {kind: np.ptp(w.t_out_degc.reshape(-1, 24), axis=1).mean() for kind, w in days.items()}
    assert light["clear"] > light["broken"] > light["front"] > light["overcast"] > light["snowy"] > 0
    assert swing["clear"] > swing["broken"] > swing["overcast"]
    assert days["snowy"].snow_mm.max() > 50
    assert days["snowy"].albedo.max() == 0.7
    assert days["front"].wind_10m_m_s.max() > 1.5 * days["clear"].wind_10m_m_s.max()
    clear, grey = days["clear"], days["overcast"]
    assert (clear.t_out_degc - clear.t_sky_degc).mean() > (grey.t_out_degc - grey.t_sky_degc).mean() + 5


def test_a_front_drops_the_air_within_hours() -> None:
    """At least 5 K colder four hours after the front than an hour before."""
    front = invent(47.0, 9.0, date(2027, 2, 1), date(2027, 2, 3), days=["clear", "front", "clear"])
    assert front.t_out_degc[24 + 12] - front.t_out_degc[24 + 17] > 5


def test_season_follows_the_latitude(season: Weather) -> None:
    """January is colder than November and March; the far south has its winter in July."""
    by_month = [season.t_out_degc[a * 24 : b * 24].mean() for a, b in ((0, 30), (61, 92), (120, 151))]
    assert by_month[1] < min(by_month[0], by_month[2])
    south = [invent(-42.0, 147.0, date(2027, m, 1), date(2027, m, 20)).t_out_degc.mean() for m in (1, 7)]
    assert south[1] < south[0] - 8


def test_it_is_centred_on_the_suns_noon(season: Weather) -> None:
    """Radiation and clock fit, within a minute."""
    assert abs(centre_of_day_h(season)[0]) < 1 / 60


# Source: Haurwitz 1945 formula 1098 sin h exp(-0.057 / sin h), evaluated by hand at three heights.
@pytest.mark.parametrize(("sine", "level"), [(1.0, 1037.2), (0.5, 489.9), (0.2, 165.1)])
def test_clear_sky_global_is_haurwitz(sine: float, level: float) -> None:
    """Global under a cloudless sky, and beam on the level never above 95 % of it."""
    beam, all_clear = clear_sky(sine)
    assert all_clear == pytest.approx(level, abs=0.2)
    assert 0.5 * all_clear < beam * sine <= 0.95 * all_clear + 1e-9


def test_bad_requests_are_refused() -> None:
    """Place, days and kinds have to exist."""
    with pytest.raises(WeatherError, match="No place at 95"):
        invent(95.0, 0.0, date(2027, 1, 1), date(2027, 1, 2))
    with pytest.raises(WeatherError, match="before the first"):
        invent(45.0, 0.0, date(2027, 1, 2), date(2027, 1, 1))
    with pytest.raises(WeatherError, match='called "sunny"'):
        invent(45.0, 0.0, date(2027, 1, 1), date(2027, 1, 2), days=["sunny"])
