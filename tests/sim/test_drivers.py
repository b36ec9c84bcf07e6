"""Hourly weather between the hours: means keep their mean, readings are met at their time."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from framesim.drivers import PER_HOUR, join, spread, weather_rows
from framesim.weather import invent

HOURS = np.array([3.0, 5.0, 4.0, -2.0, 0.0, 1.0])


def test_means_keep_their_mean() -> None:
    """Rows made from hourly means must average to them, hour by hour."""
    assert spread(HOURS).reshape(-1, PER_HOUR).mean(axis=1) == pytest.approx(HOURS, abs=0.02)


def test_readings_are_met_at_the_end_of_their_hour() -> None:
    """Rows made from readings must pass through each at its hour's end, and hold the first before its time."""
    rows = join(HOURS)
    ends = (rows[PER_HOUR - 1 : -1 : PER_HOUR] + rows[PER_HOUR::PER_HOUR]) / 2
    kinks = np.abs(np.diff(HOURS, 2)) / 2 / PER_HOUR  # half a row on either side of a bend
    assert (np.abs(ends[1:] - HOURS[1:-1]) <= kinks + 1e-9).all()
    assert rows[0] == HOURS[0]


def test_readings_run_half_an_hour_later_than_means() -> None:
    """The same figures taken as readings must lag those taken as means by half an hour, and sunlight must not move."""
    days = invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 3), seed=7, days=["clear"])
    means = weather_rows(days)
    later = weather_rows(replace(days, readings=True))
    half = PER_HOUR // 2
    assert np.abs(later[0][half:, 0] - means[0][:-half, 0])[PER_HOUR:-PER_HOUR].max() < 0.2
    assert np.array_equal(later[1], means[1])
    assert np.array_equal(later[2], means[2])
