"""A frame's own heat model for the third witness, and the sky as its neighbours see it."""

from __future__ import annotations

import pytest

from framesim import frame as frames
from framesim.fit import Estimate, Fit
from sashkeeper.alarms import fitted
from sashkeeper.alarms.heat_answer import CANNOT_TELL, SHUT, HeatModel, witness
from sashkeeper.alarms.neighbours import dull_sky
from sashkeeper.alarms.picture import LiveFrame
from sashkeeper.alarms.time_left import Rate
from sashkeeper.store import Store

NOW = 1_767_268_800.0


def told(name: str, low: float, value: float, high: float, factor: float = 1.0, is_told: bool = True) -> Estimate:
    """One figure of a fit."""
    return Estimate(name, "", "", value, low, high, factor, is_told)


def found(sun_told: bool = False) -> Fit:
    """A fit of the garden frame (2.88 m2): 23 to 29 W/K, flow 0.9 of the description with 0.72 at the low end."""
    estimates = [told("closed loss", 23.0, 26.0, 29.0), told("flow", 80.0, 100.0, 120.0, 0.9),
                 told("sun", 1.8, 2.0, 2.2, is_told=sun_told)]  # fmt: skip
    return Fit({e.name: e for e in estimates}, 0.5, None, 0.5, 168)


def test_cautious_ends_are_kept() -> None:
    """Least loss, least flow, most sun; what is not told stays as it is for any frame.

    By hand: 23 / 2.88 = 7.99 W/m2 K; 2.2 / 2.88 = 0.764 of the sun.
    """
    store, built = Store(":memory:"), frames.load("garden-frame")
    model = fitted.keep(store, "north", built, found())
    assert model.loss == pytest.approx(7.99, abs=0.01)
    assert model.gain_share == HeatModel().gain_share
    full = fitted.still_flow_m3_s(built.parameters) * fitted.AIR_J_M3_K / 2.88
    assert model.air == pytest.approx(0.72 * full)
    assert fitted.keep(store, "north", built, found(True)).gain_share == pytest.approx(0.764, abs=0.001)


def test_still_flow_by_hand() -> None:
    """Buoyancy alone: what the frame's description gives in still air lies between 0.1 and 0.5 m3/s for its lids."""
    assert 0.1 < fitted.still_flow_m3_s(frames.load("garden-frame").parameters) < 0.5


def test_the_desk_finds_what_was_kept() -> None:
    """A kept fit is answered for its frame only, and looked up again after half an hour."""
    store = Store(":memory:")
    models = fitted.Models(store)
    assert models("north", NOW) is None
    kept = fitted.keep(store, "north", frames.load("garden-frame"), found())
    assert models("north", NOW + 60) is None
    assert models("north", NOW + 1900) == kept
    assert models("south", NOW + 1900) is None


def test_a_fitted_frame_is_contradicted_earlier() -> None:
    """30 % open under a sun of 25 degrees, 26 K over outside: too warm for this frame, not for any small frame.

    By hand: 0.8 x 716 x 1.15 = 659 W/m2 at most. Any frame needs (5 + 36 x 0.164 x 1.61) x 26 + 30 = 408, this one
    (8 + 70 x 0.164 x 1.61) x 26 + 30 = 718 W/m2.
    """
    model = fitted.keep(Store(":memory:"), "north", frames.load("garden-frame"), found())
    hot = (0.3, 36.0, 10.0, Rate(0.1, 0.01, 300.0), 25.0)
    assert witness(*hot) == CANNOT_TELL
    assert witness(*hot, model) == SHUT
    assert witness(0.3, 26.0, 10.0, Rate(0.1, 0.01, 300.0), 25.0, model) == CANNOT_TELL


def live(name: str, **values: float) -> LiveFrame:
    """A frame heard a minute ago, its lid shut."""
    one = LiveFrame(name)
    one.hear_readings(NOW - 60, {"lid": 0.0, **values}, NOW - 60)
    return one


def test_neighbours_tell_a_dull_sky_by_light_only() -> None:
    """A light cell in the gloom says dull; one warm shut frame says sun; a cool frame alone says nothing."""
    dark, warm, cool = live("a", light=2000.0), live("b", air=14.0, outside=4.0), live("c", air=5.0, outside=4.0)
    assert dull_sky([dark, cool], NOW, 25.0) is True
    assert dull_sky([dark, warm], NOW, 25.0) is False
    assert dull_sky([cool], NOW, 25.0) is None
    assert dull_sky([live("d", light=40_000.0)], NOW, 25.0) is False
    assert dull_sky([dark], NOW + 3600, 25.0) is None
    assert dull_sky([dark], NOW, None) is None
