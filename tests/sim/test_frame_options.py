"""Everything that can be built onto a frame, or be left out: what it does, and that the account still closes."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

import numpy as np
import pytest

from framesim import layout as at
from framesim import policies
from framesim.frame import load
from framesim.policies import Policy
from framesim.season import SeasonResult, SeasonRunner, run_season
from framesim.walls import Layer, chain
from framesim.weather import Weather, invent


@cache
def cold_week() -> Weather:
    """Eight invented January days without snow: clear, broken and overcast."""
    days = ("clear", "broken", "overcast", "clear")
    weather = invent(47.0, 9.0, date(2027, 1, 10), date(2027, 1, 17), seed=21, days=days)
    return replace(weather, snow_mm=np.zeros(len(weather)))


@cache
def run(name: str = "garden-frame", lid: str = "closed", snow_mm: float = 0.0, **changes: Any) -> SeasonResult:
    """One frame with some figures changed through the cold week; the account has to close in each."""
    weather = replace(cold_week(), snow_mm=np.full(len(cold_week()), snow_mm))
    rule: Policy = policies.parse(lid)
    result = run_season(load(name, changes), weather, rule)
    assert result.balance_error() < 1e-6
    return result


def low(result: SeasonResult) -> float:
    """Mean daily minimum of the air [degC]."""
    return float(result.hourly["t_air_min"].reshape(-1, 24).min(axis=1).mean())


def peak(result: SeasonResult) -> float:
    """Mean daily peak of the air [degC]."""
    return float(result.hourly["t_air_max"].reshape(-1, 24).max(axis=1).mean())


# ---- three ways to build another box ---------------------------------------------------------------------


def test_a_single_sheet_is_colder_by_night_and_brighter() -> None:
    """One pane instead of two: more light let in, colder nights, a colder inner face of the lid."""
    one, two = run("reference-box", panes=1), run("reference-box")
    assert one.hourly["q_sol_lid"].sum() > 1.05 * two.hourly["q_sol_lid"].sum()
    assert low(one) < low(two) - 1.0
    night = two.hourly["q_sol_lid"] == 0.0
    assert (one.hourly["t_lid_in"] < two.hourly["t_lid_in"])[night].mean() > 0.95


def test_thicker_walls_keep_more() -> None:
    """From 20 to 160 mm of wood the nights get warmer at every step; foam, which holds no heat, gains less and less."""
    wood = [low(run("reference-box", wall_thickness_m=m)) for m in (0.02, 0.04, 0.08, 0.16)]
    assert (np.diff(wood) > 0.0).all()
    foam = [low(run("reference-box", wall_insulation=True, wall_insulation_m=m)) for m in (0.02, 0.04, 0.06, 0.08)]
    assert (np.diff(foam) > 0.0).all()
    assert (np.diff(foam, 2) < 0.0).all()


def test_a_wider_opening_angle_cools_more() -> None:
    """Fully lifted to 5, 15, 45 and 75 degrees: more air and a lower peak at each."""
    opened = [run(lid="fixed:1", lid_full_angle_deg=a) for a in (5.0, 15.0, 45.0, 75.0)]
    assert (np.diff([r.hourly["vent_lps"].mean() for r in opened]) > 0.0).all()
    assert (np.diff([peak(r) for r in opened]) < 0.0).all()
    # Never below what any air exchange can do.
    assert peak(opened[-1]) > float(cold_week().t_out_degc.reshape(-1, 24).max(axis=1).mean()) - 1.0


# ---- what is laid on, put against and under it -----------------------------------------------------------


def test_snow_on_the_lid_darkens_and_keeps_warm() -> None:
    """Under 150 mm of snow hardly any light comes in, the nights are milder; where it slides off nothing changes."""
    bare, covered = run(), run(snow_mm=150.0)
    assert covered.hourly["q_sol_lid"].sum() < 0.05 * bare.hourly["q_sol_lid"].sum()
    assert peak(covered) < peak(bare) - 5.0
    dark = run(snow_mm=150.0, pane_tau=0.01, pane_rho=0.0956)
    darker = run(pane_tau=0.01, pane_rho=0.0956)
    assert low(dark) > low(darker) + 0.5
    slid = run(snow_mm=150.0, snow_on_lid=0.0, albedo=0.2)
    assert slid.hourly["t_air"] == pytest.approx(run(albedo=0.2).hourly["t_air"], abs=1e-9)


def test_a_night_cover_lies_on_at_night_only() -> None:
    """Its share of the hour is 1 in the dark and 0 by day; no light is lost, the nights are warmer."""
    plain, covered = run(), run(night_cover=True)
    on = covered.hourly["cover_on"]
    dark = plain.hourly["q_sol_lid"] == 0.0
    assert set(np.unique(on[plain.hourly["q_sol_lid"] > 200.0])) == {0.0}
    assert set(np.unique(on[dark & np.roll(dark, 1) & np.roll(dark, -1)])) == {1.0}
    assert 12.0 < on.reshape(-1, 24).sum(axis=1).mean() < 16.0
    assert covered.hourly["q_sol_lid"].sum() == pytest.approx(plain.hourly["q_sol_lid"].sum(), rel=0.01)
    assert low(covered) > low(plain) + 0.5


@pytest.mark.parametrize("changes", [{"straw_bales": True}, {"wall_insulation": True},
                                     {"wall_insulation": True, "wall_insulation_side": "outside"}])  # fmt: skip
def test_insulated_walls(changes: dict[str, Any]) -> None:
    """Bales and foam, inside or out, keep the nights warmer."""
    assert low(run(**changes)) > low(run()) + 0.3


def test_a_heated_wall_gives_by_its_warmth() -> None:
    """The warmer the house wall behind it, the warmer the frame's nights."""
    lows = [low(run(heated_back_wall=True, heated_back_wall_degc=t)) for t in (5.0, 12.0, 20.0)]
    assert lows[0] > low(run())
    assert (np.diff(lows) > 0.0).all()


def test_a_store_under_the_bed_holds_what_its_stuff_holds() -> None:
    """The column's heat is the layers' own; bricks that hold more and lead better calm the soil above them."""
    frame = load("garden-frame", {"store_m": 0.2, "store_rho": 2000.0, "store_cp": 1000.0})
    layers = frame.soil_layers()
    assert [layer.thickness_m for layer in layers] == pytest.approx([0.15, 0.2, 0.65])
    held = sum(layer.thickness_m * layer.rho * layer.cp for layer in layers)
    nodes = np.linspace(0.0, frame.soil_depth_m, 41)
    assert chain(layers, nodes)[0].sum() == pytest.approx(held)
    assert chain([Layer(1.0, 1.0, 1.0, 1.0)], nodes)[0].sum() == pytest.approx(1.0)
    heavy = run(store_m=0.3, store_k=3.0, store_rho=2500.0, store_cp=2000.0)
    plain = run()
    swing = [float(np.ptp(r.hourly["t_soil_10cm"].reshape(-1, 24), axis=1).mean()) for r in (heavy, plain)]
    assert swing[0] < 0.95 * swing[1]


def test_of_several_panels_only_the_driven_ones_open() -> None:
    """One of two panels lets half of the flow through (a little more: it gets warmer) and cools less."""
    both, one = run(lid="fixed:0.2"), run(lid="fixed:0.2", driven_panels=1)
    flows = [r.hourly["vent_lps"].mean() for r in (one, both)]
    assert 0.5 < flows[0] / flows[1] < 0.75
    assert peak(both) < peak(one) < peak(run())
    shut = run(lid="fixed:0.2", lid_panels=20, driven_panels=1)
    assert peak(one) < peak(shut) < peak(run())


# ---- water and leaves, on and off ------------------------------------------------------------------------


def fate(**changes: Any) -> tuple[SeasonRunner, dict[str, float]]:
    """A runner after the cold week, and its energy account."""
    runner = SeasonRunner(cold_week())
    runner.run(load("garden-frame", changes).parameters, policies.closed())
    return runner, runner.energy()


def test_water_is_followed_only_where_it_is_switched_on() -> None:
    """Off: no latent heat and no film on the lid. On: wet soil gives water off, and the lid takes it up."""
    dry, wet = fate(evaporation=False), fate(evaporation=True)
    assert dry[1]["latent"] == 0.0
    assert dry[0].y[at.Y_FILM] == 0.0
    assert wet[1]["latent"] != 0.0
    assert wet[0].y[at.Y_FILM] > 0.0
    parched = fate(evaporation=True, soil_wetness=0.0, leaf_layer=False)
    assert abs(parched[1]["latent"]) < 0.2 * abs(wet[1]["latent"])


def test_leaves_have_a_temperature_of_their_own_where_they_are_switched_on() -> None:
    """On: warmer than the air in the sun; by night between soil and lid. Off: as the air."""
    found = run(evaporation=False).hourly
    lit, dark = found["q_sol_lid"] > 300.0, found["q_sol_lid"] == 0.0
    assert (found["t_leaf"] - found["t_air"])[lit].mean() > 1.0
    assert (found["t_leaf"] < found["t_soil_surf"])[dark].mean() > 0.95
    assert (found["t_leaf"] > found["t_lid_in"])[dark].mean() > 0.95
    without = run(leaf_layer=False)
    assert without.hourly["t_leaf"] == pytest.approx(without.hourly["t_air"], abs=1e-6)


@pytest.mark.parametrize("name", ["garden-frame", "reference-box"])
def test_a_frame_turned_round_gets_less_winter_sun(name: str) -> None:
    """Facing north instead of south less than two thirds of the light comes in; east and west lie between."""
    light = {f: run(name, facing_deg=f).hourly["q_sol_lid"].sum() for f in (0.0, 90.0, 180.0, 270.0)}
    assert light[0.0] < 0.67 * light[180.0]
    assert light[0.0] < light[90.0] < light[180.0]
    assert light[0.0] < light[270.0] < light[180.0]
    assert math.isfinite(light[0.0])
