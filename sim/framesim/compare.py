"""Ways to keep a lid, side by side: one frame, one winter, one measure.

    comparison = run(frame, weather, aim, from_s, to_s)
    comparison.way("law", "growing_h")     # share of the way from a closed lid to perfect foresight
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesim import foresight, policies, season_loop
from framesim.battery import Battery, BatteryParts
from framesim.foresight import Aim
from framesim.frame import Frame
from framesim.lid_mechanics import LidParts
from framesim.policies import Policy
from framesim.season import SeasonResult, SeasonRunner, run_season
from framesim.weather import HOUR_S, Weather

Array = NDArray[np.float64]

NOTHING, BOUND = "closed", "foresight"
# In the order in which they are shown.
NAMES = ("closed", "crack", "two-point", "passive", "law", "foresight")
LABELS = {
    "closed": "closed",
    "crack": "crack 10 %",
    "two-point": "two-point 18/12",
    "passive": "wax cylinder",
    "law": "the law",
    "foresight": "foresight",
}
# These have a motor; the others need no battery.
DRIVEN = ("two-point", "law", "foresight")
# Motor current over a stroke, its start and the lid's weight in it. Chosen between idle and stall of LidParts.
STROKE_MA = 900.0
# The difference between bound and closed lid below which a share says nothing [h].
LEAST_SPAN_H = 1.0


@dataclass
class Score:
    """What one way to keep the lid gave. Hours are means of the crops, `crops` has them one by one."""

    name: str
    label: str
    heat_h: float
    frost_h: float
    growing_h: float
    crops: list[dict[str, float]]
    moves: int
    strokes: float
    open_h: float
    motor_ah: float | None
    least_charge: float | None  # lowest state of charge of the battery, 0..1
    result: SeasonResult = field(repr=False)

    @property
    def damage_h(self) -> float:
        """Hours of heat or frost damage."""
        return self.heat_h + self.frost_h

    def figures(self) -> dict[str, Any]:
        """All figures, rounded, for printing as JSON."""
        return {
            "name": self.name,
            "label": self.label,
            "heat_damage_h": round(self.heat_h, 1),
            "frost_damage_h": round(self.frost_h, 1),
            "growing_light_h": round(self.growing_h, 1),
            "lid_moves": self.moves,
            "full_strokes": round(self.strokes, 1),
            "open_hours": round(self.open_h, 1),
            "motor_ah": None if self.motor_ah is None else round(self.motor_ah, 2),
            "least_charge": None if self.least_charge is None else round(self.least_charge, 3),
        }


@dataclass
class Comparison:
    """All scores by name, in the order of NAMES."""

    aim: Aim
    scores: dict[str, Score]

    def way(self, name: str, figure: str) -> float | None:
        """Share of the way from the closed lid to the bound for "damage_h" or "growing_h"; None where there is no way.

        Above 1 where the rule did better in this figure than the bound, which weighs all figures together.
        """
        none, best = (getattr(self.scores[n], figure) for n in (NOTHING, BOUND))
        if abs(best - none) < LEAST_SPAN_H:
            return None
        return float((getattr(self.scores[name], figure) - none) / (best - none)) + 0.0

    def overall(self, name: str) -> float | None:
        """Share of the way from the closed lid to the bound in what the bound makes small; never above 1 by more than
        the bound's own fineness."""
        none, best = self.cost(NOTHING), self.cost(BOUND)
        return None if none - best < LEAST_SPAN_H else (none - self.cost(name)) / (none - best)

    def cost(self, name: str) -> float:
        """What the bound makes small: weighted hours and moves, in hours of growing light."""
        s, a = self.scores[name], self.aim
        return (
            a.heat_weight * s.heat_h + a.frost_weight * s.frost_h - a.growing_weight * s.growing_h
            + a.move_weight * s.moves
        )  # fmt: skip


def run(
    frame: Frame,
    weather: Weather,
    aim: Aim,
    from_s: float | None = None,
    to_s: float | None = None,
    step_s: float = 60.0,
    settings: dict[str, int] | None = None,
    names: tuple[str, ...] = NAMES,
    told: Callable[[str], None] = lambda name: None,
) -> Comparison:
    """Run every way through the same winter. settings: of the law, by wire name; told is called before each way."""
    runner = SeasonRunner(weather, from_s, to_s, step_s)
    makers: dict[str, Callable[[], Policy]] = {
        "closed": policies.closed,
        "crack": lambda: policies.fixed(0.10),
        "two-point": lambda: policies.two_point(18.0, 12.0, 600.0),
        "passive": policies.passive,
        "law": lambda: policies.law(settings),
        "foresight": lambda: foresight.policy(frame, weather, from_s, to_s, step_s, aim),
    }
    scores = {}
    for name in names:
        told(name)
        result = run_season(frame, weather, makers[name](), from_s, to_s, step_s, runner)
        scores[name] = score(name, result, weather, aim)
    return Comparison(aim, scores)


def score(name: str, result: SeasonResult, weather: Weather, aim: Aim) -> Score:
    """Judge one season by the aim's temperatures (to half a degree, as seasons are kept)."""
    crops = [
        {
            "heat_damage_h": result.leaf_hours_above(heat),
            "frost_damage_h": result.leaf_hours_below(frost),
            "growing_light_h": result.leaf_daylight_hours_between(low, high),
        }
        for heat, frost, low, high in zip(aim.heat_degc, aim.frost_degc, aim.low_degc, aim.high_degc, strict=True)
    ]
    mean = {key: sum(c[key] for c in crops) / len(crops) for key in crops[0]}
    strokes = float(result.stats[season_loop.T_TRAVEL])
    motor_ah, least = (None, None) if name not in DRIVEN else battery_use(result, weather, strokes)
    return Score(
        name=name,
        label=LABELS.get(name, name),
        heat_h=mean["heat_damage_h"],
        frost_h=mean["frost_damage_h"],
        growing_h=mean["growing_light_h"],
        crops=crops,
        moves=int(result.stats[season_loop.T_MOVES]),
        strokes=strokes,
        open_h=float(result.stats[season_loop.T_OPEN_H]),
        motor_ah=motor_ah,
        least_charge=least,
        result=result,
    )


def battery_use(
    result: SeasonResult, weather: Weather, strokes: float, parts: BatteryParts | None = None
) -> tuple[float, float]:
    """(charge the motor drew [Ah], lowest state of charge) with board and panel of `parts` over the season.

    The strokes are spread over the hours in which the lid stood open; the battery stands at outdoor temperature.
    A lowest state of 0 says that the battery ran empty: panel or battery are too small for that winter.
    """
    motor_ah = strokes * LidParts().travel_ms / 3.6e6 * STROKE_MA / 1000.0
    opened = result.hourly["open_frac"] > 0.0
    load_ma = 1000.0 * motor_ah / max(1, int(opened.sum()))
    first = round((result.from_s - weather.start_s) / HOUR_S)
    battery = Battery(parts)
    least = 1.0
    for hour, is_open in enumerate(opened):
        outside = float(weather.t_out_degc[first + hour])
        battery.board_on = battery.soc(outside) > 0.0
        battery.advance(HOUR_S, load_ma if is_open else 0.0, float(weather.ghi[first + hour]), outside)
        least = min(least, battery.soc(outside))
    return motor_ah, max(0.0, least)
