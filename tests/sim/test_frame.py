"""Frames from files: shipped ones load, wrong figures are said in one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest

from framesim.frame import Frame, FrameError, load, names


def test_shipped_frames_load() -> None:
    """Every shipped frame builds its parameters."""
    assert {"garden-frame", "reference-box"} <= set(names())
    for name in names():
        frame = load(name)
        assert frame.name == name
        assert frame.parameters.min() > -1e3


def test_reference_box_geometry() -> None:
    """Lid plane 2.9686 m2, glazing 2.9324 m2, volume 1.296 m3, tilt 14.036 deg. Source: README of coldframe-golden."""
    import math

    frame = load("reference-box")
    assert frame.lid_m2 == pytest.approx(2.9686, abs=1e-4)
    assert frame.lid_m2 - frame.rim_m2 == pytest.approx(2.9324, abs=2e-4)
    assert frame.volume_m3 == pytest.approx(1.296)
    assert math.degrees(frame.tilt) == pytest.approx(14.036, abs=1e-3)


def test_overrides_as_typed() -> None:
    """Text from a command line becomes numbers, switches, lists and words."""
    frame = load(
        "reference-box",
        {"back_m": "0.7", "night_cover": "true", "ground_degc": str([1] * 12), "view_factors": "geometry", "panes": 1},
    )
    assert (frame.back_m, frame.night_cover, frame.view_factors, frame.panes) == (0.7, True, "geometry", 1)
    assert frame.ground_degc == (1.0,) * 12


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"bakc_m": "0.7"}, "did you mean 'back_m'"),
        ({"back_m": "tall"}, "must be a number"),
        ({"night_cover": "0.5"}, "true or false"),
        ({"panes": "1.5"}, "a whole number"),
        ({"ground_degc": "[1, 2]"}, "must have twelve"),
        ({"back_m": "0.1"}, "slopes down to the front"),
        ({"width_m": "2400"}, "between 0.2 and 20"),
        ({"view_factors": "guess"}, "one of area, geometry"),
        ({"pane_rho": "0.5"}, "cannot both be true"),
        ({"driven_panels": "3"}, "driven_panels must not be more"),
        ({"rim_m2": "2.9"}, "too little"),
        ({"store_m": "0.4"}, "store_m"),
    ],
)
def test_wrong_figures_are_said(changes: dict[str, str], sentence: str) -> None:
    """Each kind of mistake is named with the figure and what it may be."""
    with pytest.raises(FrameError, match=sentence):
        load("reference-box", changes)


def test_all_faults_at_once() -> None:
    """Two wrong figures are both named."""
    with pytest.raises(FrameError) as caught:
        load("garden-frame", {"width_m": 0.0, "depth_m": 99.0})
    assert "width_m" in str(caught.value)
    assert "depth_m" in str(caught.value)


def test_own_file(tmp_path: Path) -> None:
    """A grower's own TOML file is read by path; a broken or missing one is said."""
    path = tmp_path / "mine.toml"
    path.write_text("width_m = 1.2\nlid_panels = 1\ndriven_panels = 1\n", encoding="utf-8")
    assert load(path).name == "mine"
    assert load(str(path)).width_m == 1.2
    path.write_text("width_m = \n", encoding="utf-8")
    with pytest.raises(FrameError, match="cannot be read as TOML"):
        load(path)
    with pytest.raises(FrameError, match="no frame file"):
        load(tmp_path / "none.toml")
    with pytest.raises(FrameError, match="did you mean 'garden-frame'"):
        load("garden-fram")


def test_garden_file_explains_every_figure() -> None:
    """The garden frame's file names every figure there is, so that it can serve as the list of keys."""
    import tomllib
    from dataclasses import fields

    from framesim.frame import SHIPPED

    written = set(tomllib.loads((SHIPPED / "garden-frame.toml").read_text(encoding="utf-8")))
    missing = {f.name for f in fields(Frame)} - written - {"name", "opening_m2", "opening_rise_m"}
    assert missing == set()


def test_only_driven_panels_open() -> None:
    """With one of two lids driven, half the width opens."""
    from framesim import layout as at

    half = load("garden-frame", {"driven_panels": 1}).parameters
    both = load("garden-frame").parameters
    assert half[at.P_LID_WIDTH] == pytest.approx(both[at.P_LID_WIDTH] / 2)
