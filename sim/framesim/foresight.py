"""The best a lid could have done: its schedule worked out on weather that is known to the end.

What is made small, over the whole season and on the mean of the crops:

    10 x hours of heat damage + 10 x hours of frost damage - hours of daylight in the growing band + 0.02 x moves

The weights are chosen (`Aim`). Method: dynamic programming forwards in time. Every ten minutes (the law's
shortest pause between two moves) the lid may go to any of the law's stages, travelling as slowly as it does under
the law. The frame has some sixty temperatures, too many for a grid; so the states reached are sorted into
cells by lid stage and by heat stored, and each cell keeps the cheapest state that came to it, whole. Each
plan kept is one that the frame can really follow. What is found is therefore reached by a lid that obeys these
limits, and the true optimum can only be better, by what the cells and the ten minutes hide: more
cells (`cells`) or a finer grid (`grid_s`) show how much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesim import heat_balance, season_loop
from framesim import layout as at
from framesim.frame import Frame
from framesim.heat_balance import Work, heat_content
from framesim.jit import kernel_jit
from framesim.policies import LAW, Drive, Policy, PolicyError
from framesim.season import SeasonRunner
from framesim.weather import Weather

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# The law's stages with its default settings, permille.
STAGES = (0, 100, 400, 700, 1000)
GRID_S = 600.0
CELLS = 10
# Plans dearer than the best by more than this are dropped, in hours of growing light. Chosen: no stored heat
# is worth more in one night than a short winter day's growing light and half an hour of damage.
MARGIN_H = 12.0
EMPTY = 1e18


@dataclass(frozen=True)
class Aim:
    """What hurts and what helps, crop by crop [degC, leaf], and how the hours are weighed."""

    heat_degc: tuple[float, ...]  # damage above
    frost_degc: tuple[float, ...]  # damage below
    low_degc: tuple[float, ...]  # growing band, its upper end not included
    high_degc: tuple[float, ...]
    heat_weight: float = 10.0
    frost_weight: float = 10.0
    growing_weight: float = 1.0
    move_weight: float = 0.02

    def __post_init__(self) -> None:
        if not len(self.heat_degc) == len(self.frost_degc) == len(self.low_degc) == len(self.high_degc) >= 1:
            raise PolicyError("An aim needs the same number of figures for every kind, and at least one crop.")

    def table(self) -> Array:
        """Rows heat, frost, low, high; one column a crop."""
        return np.array([self.heat_degc, self.frost_degc, self.low_degc, self.high_degc], dtype=np.float64)

    def weights(self) -> Array:
        """Costs of an hour of heat, of frost, of growing light (negative), and of a move."""
        return np.array([self.heat_weight, self.frost_weight, -self.growing_weight, self.move_weight])


# Where nobody says which crops stand in the frame: hardy leaf crops. Chosen, no source.
ANY_CROP = Aim((30.0,), (-6.0,), (10.0,), (20.0,))


@kernel_jit
def step_cost(leaf: float, daylight: bool, hours: float, aim: Array, weights: Array) -> float:
    """Cost of one step, mean of the crops."""
    crops = aim.shape[1]
    cost = 0.0
    for c in range(crops):
        if leaf >= aim[0, c]:
            cost += weights[0]
        elif leaf < aim[1, c]:
            cost += weights[1]
        if daylight and aim[2, c] <= leaf < aim[3, c]:
            cost += weights[2]
    return cost * hours / crops


@kernel_jit
def run_block(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    steps: int,
    dt: float,
    travel_s: float,
    lid: Array,
    work: Work,
    trash: Array,
    stats: Array,
    aim: Array,
    weights: Array,
) -> float:
    """Carry y through one block with the lid on its way to lid[L_TARGET]; give its cost."""
    cost = 0.0
    for step in range(steps):
        here = place + step * dt / at.ROW_S
        season_loop.travel(p, y, rows, here, dt, travel_s, lid, stats, work, trash)
        row = min(max(int(here + dt / at.ROW_S), 0), rows.shape[0] - 1)
        cost += step_cost(y[at.Y_LEAF], rows[row, at.D_SIN_SUN] > 0.0, dt / 3600.0, aim, weights)
    return cost


@kernel_jit
def sort_into_cells(
    found: int, stage: Ints, heat: Array, cost: Array, stages: int, cells: int, margin: float, best: Ints
) -> None:
    """For each cell (stage x cells + heat class) the cheapest of the candidates, or -1."""
    best[:] = -1
    least = EMPTY
    for k in range(found):
        least = min(least, cost[k])
    for s in range(stages):
        low, high = EMPTY, -EMPTY
        for k in range(found):
            if stage[k] == s and cost[k] <= least + margin:
                low, high = min(low, heat[k]), max(high, heat[k])
        if high < low:
            continue
        width = max((high - low) / cells, 1.0)
        for k in range(found):
            if stage[k] == s and cost[k] <= least + margin:
                cell = s * cells + min(cells - 1, int((heat[k] - low) / width))
                if best[cell] < 0 or cost[k] < cost[best[cell]]:
                    best[cell] = k


@kernel_jit
def search(
    p: Array,
    y: Array,
    rows: Array,
    place: float,
    blocks: int,
    steps: int,
    dt: float,
    travel_s: float,
    levels: Array,
    cells: int,
    margin: float,
    aim: Array,
    weights: Array,
    work: Work,
    parents: NDArray[np.int32],
) -> int:
    """Fill parents[block, cell] with the cell each came from; give the best last cell. y: the start, lid shut."""
    stages = levels.shape[0]
    places = stages * cells
    state = np.zeros((places, at.N_STATE))
    spent = np.full(places, EMPTY)
    state[0], spent[0] = y, 0.0
    most = places * stages
    new_state = np.zeros((most, at.N_STATE))
    new_cost, new_heat = np.zeros(most), np.zeros(most)
    new_stage, source = np.zeros(most, np.int64), np.zeros(most, np.int64)
    best = np.zeros(places, np.int64)
    lid, trash, stats = np.zeros(season_loop.N_LID), np.zeros(at.N_SUMS), np.zeros(season_loop.N_STATS)
    for block in range(blocks):
        here = place + block * steps * dt / at.ROW_S
        middle = min(max(int(here + 0.5 * steps * dt / at.ROW_S), 0), rows.shape[0] - 1)
        # In the dark there is no growing light to win: the lid stays or shuts.
        dark = rows[middle, at.D_SIN_SUN] < -0.05
        found = 0
        for cell in range(places):
            if spent[cell] >= EMPTY:
                continue
            now = cell // cells
            for goal in range(stages):
                if dark and goal != now and goal != 0:
                    continue
                new_state[found] = state[cell]
                lid[:] = 0.0
                lid[season_loop.L_SHAPED] = -1.0
                lid[season_loop.L_POSITION], lid[season_loop.L_TARGET] = levels[now], levels[goal]
                cost = run_block(
                    p, new_state[found], rows, here, steps, dt, travel_s, lid, work, trash, stats, aim, weights
                )
                new_cost[found] = spent[cell] + cost + (weights[3] if goal != now else 0.0)
                new_heat[found] = heat_content(p, new_state[found])
                new_stage[found], source[found] = goal, cell
                found += 1
        sort_into_cells(found, new_stage, new_heat, new_cost, stages, cells, margin, best)
        for cell in range(places):
            k = best[cell]
            if k < 0:
                spent[cell] = EMPTY
                continue
            state[cell], spent[cell] = new_state[k], new_cost[k]
            parents[block, cell] = source[k]
    return int(np.argmin(spent))


@kernel_jit
def follow_plan(sense: Ints, state: Ints, settings: Ints) -> int:
    """A decision rule that knows what comes: settings are seconds a block, then permille block by block."""
    block = state[0] // settings[0]
    state[0] += sense[0]
    return int(settings[1 + min(block, len(settings) - 2)])


def plan(
    frame: Frame,
    weather: Weather,
    from_s: float | None = None,
    to_s: float | None = None,
    step_s: float = 60.0,
    aim: Aim | None = None,
    stages: tuple[int, ...] = STAGES,
    grid_s: float = GRID_S,
    cells: int = CELLS,
    travel_s: float = 40.0,
) -> Ints:
    """The best opening [permille] for every block of grid_s [s] of the season; see the head of this file."""
    if stages[0] != 0:
        raise PolicyError("The first stage must be 0: the season starts with the lid shut.")
    runner = SeasonRunner(weather, from_s, to_s, step_s)
    steps = round(grid_s / step_s)
    if steps < 1 or abs(steps * step_s - grid_s) > 1e-6:
        raise PolicyError(f"Blocks of {grid_s:g} s are no whole number of steps of {step_s:g} s.")
    p = frame.parameters
    rows = runner._rows(p)
    heat_balance.forget(runner.work)
    runner._run_in(p, rows)
    blocks = runner.span.steps // steps
    parents = np.zeros((blocks, len(stages) * cells), np.int32)
    place = (runner.span.from_s - weather.start_s) / at.ROW_S - 0.5
    aim = aim or ANY_CROP
    cell = search(
        p, runner.y, rows, place, blocks, steps, step_s, travel_s, np.array(stages) / 1000.0, cells, MARGIN_H,
        aim.table(), aim.weights(), runner.work, parents,
    )  # fmt: skip
    openings = np.zeros(blocks, np.int64)
    for block in range(blocks - 1, -1, -1):
        openings[block] = stages[cell // cells]
        cell = int(parents[block, cell])
    return openings


def policy(
    frame: Frame,
    weather: Weather,
    from_s: float | None = None,
    to_s: float | None = None,
    step_s: float = 60.0,
    aim: Aim | None = None,
    drive: Drive | None = None,
    grid_s: float = GRID_S,
    cells: int = CELLS,
) -> Policy:
    """A rule that follows the best plan, with the travel time of the law's lid."""
    drive = drive or Drive()
    openings = plan(frame, weather, from_s, to_s, step_s, aim, grid_s=grid_s, cells=cells, travel_s=drive.travel_s)
    figures = (drive.probe_lag_s, drive.travel_s, 0.0, 0.0, 0.0)
    settings = (int(grid_s), *(int(v) for v in openings))
    return Policy(LAW, "foresight", figures, decide=follow_plan, start=(0,), settings=settings)
