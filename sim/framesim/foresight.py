"""The best a lid could have done: its schedule worked out on weather that is known to the end.

What is made small, over the whole season and on the mean of the crops:

    10 x hours of heat damage + 10 x hours of frost damage - hours of daylight in the growing band + 0.02 x moves

The weights are chosen (`Aim`). Method: dynamic programming forwards in time. Every ten minutes (the law's
shortest pause between two moves) the lid may go to any of a row of openings, travelling as slowly as it does under
the law. The frame has some sixty temperatures, too many for a grid; so the states reached are sorted into
cells by the heat they have stored, and each cell keeps the cheapest state that came to it, whole, with
the lid where it stands. Each plan kept is one that the frame can really follow. What is found is therefore
reached by a lid that obeys these limits, and the true optimum can only be better, by what the cells and the
ten minutes hide: more cells (`cells`) show how much.
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

# Openings the bound may choose from, permille: as fine where little is much as any setting of the law.
STAGES = (0, 20, 50, 100, 250, 500, 1000)
GRID_S = 600.0
CELLS = 64
# Plans dearer than the best by more than this are dropped, in hours of growing light. Chosen: no stored heat
# is worth more in one night than a short winter day's growing light and half an hour of damage.
MARGIN_H = 12.0
EMPTY = 1e18
LEAST_CELL_J = 1.0  # only keeps the width from being nothing


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
    return float(cost * hours / crops)


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
    saved: Array,
    aim: Array,
    weights: Array,
) -> float:
    """Carry y through one block with the lid on its way to lid[L_TARGET]; give its cost.

    As the season's own loop does it: five minutes at once while lid and air rest, else step by step.
    """
    cost = 0.0
    group = season_loop.rest_steps(dt)
    step = 0
    while step < steps:
        here = place + step * dt / at.ROW_S
        count = min(group, steps - step)
        at_rest = group > 1 and count == group and lid[season_loop.L_POSITION] == lid[season_loop.L_TARGET]
        if at_rest and season_loop.rest(p, y, rows, here, group * dt, lid, work, trash, saved):
            for k in range(group):
                leaf = season_loop.along(y, saved, at.Y_LEAF, (k + 1.0) / group)
                cost += step_cost(leaf, is_day(rows, here + (k + 1) * dt / at.ROW_S), dt / 3600.0, aim, weights)
        else:
            for k in range(count):
                now = here + k * dt / at.ROW_S
                season_loop.travel(p, y, rows, now, dt, travel_s, lid, stats, work, trash)
                day = is_day(rows, now + dt / at.ROW_S)
                cost += step_cost(y[at.Y_LEAF], day, dt / 3600.0, aim, weights)
        step += count
    return cost


@kernel_jit
def is_day(rows: Array, place: float) -> bool:
    """Whether the sun is up, as the season's statistics have it."""
    return bool(rows[min(max(int(place), 0), rows.shape[0] - 1), at.D_SIN_SUN] > 0.0)


@kernel_jit
def sort_into_cells(found: int, heat: Array, cost: Array, cells: int, margin: float, best: Ints) -> None:
    """For each class of stored heat the cheapest of the candidates, or -1."""
    best[:] = -1
    most = EMPTY
    for k in range(found):
        most = min(most, cost[k] + margin)
    low, high = EMPTY, -EMPTY
    for k in range(found):
        if cost[k] <= most:
            low, high = min(low, heat[k]), max(high, heat[k])
    width = max((high - low) / cells, LEAST_CELL_J)
    for k in range(found):
        if cost[k] <= most:
            cell = min(cells - 1, int((heat[k] - low) / width))
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
    came: NDArray[np.int16],
    went: NDArray[np.int8],
) -> int:
    """Fill came[block, cell] with the cell before and went[block, cell] with the stage; give the best last cell.

    y: the start, lid shut.
    """
    stages = levels.shape[0]
    state = np.zeros((cells, at.N_STATE))
    spent = np.full(cells, EMPTY)
    state[0], spent[0] = y, 0.0
    at_stage = np.zeros(cells, np.int64)
    most = cells * stages
    new_state = np.zeros((most, at.N_STATE))
    new_cost, new_heat = np.zeros(most), np.zeros(most)
    new_stage, source = np.zeros(most, np.int64), np.zeros(most, np.int64)
    best = np.zeros(cells, np.int64)
    lid, trash, stats = np.zeros(season_loop.N_LID), np.zeros(at.N_SUMS), np.zeros(season_loop.N_STATS)
    saved = np.zeros(season_loop.N_SAVED)
    for block in range(blocks):
        here = place + block * steps * dt / at.ROW_S
        middle = min(max(int(here + 0.5 * steps * dt / at.ROW_S), 0), rows.shape[0] - 1)
        # In the dark there is no growing light to win: the lid stays or shuts.
        dark = rows[middle, at.D_SIN_SUN] < -0.05
        found = 0
        for cell in range(cells):
            if spent[cell] >= EMPTY:
                continue
            now = at_stage[cell]
            for goal in range(stages):
                if dark and goal != now and goal != 0:
                    continue
                new_state[found] = state[cell]
                lid[:] = 0.0
                lid[season_loop.L_SHAPED] = -1.0
                lid[season_loop.L_POSITION], lid[season_loop.L_TARGET] = levels[now], levels[goal]
                cost = run_block(
                    p, new_state[found], rows, here, steps, dt, travel_s, lid, work, trash, stats, saved, aim, weights
                )
                new_cost[found] = spent[cell] + cost + (weights[3] if goal != now else 0.0)
                new_heat[found] = heat_content(p, new_state[found])
                new_stage[found], source[found] = goal, cell
                found += 1
        sort_into_cells(found, new_heat, new_cost, cells, margin, best)
        for cell in range(cells):
            k = best[cell]
            if k < 0:
                spent[cell] = EMPTY
                continue
            state[cell], spent[cell], at_stage[cell] = new_state[k], new_cost[k], new_stage[k]
            came[block, cell], went[block, cell] = source[k], new_stage[k]
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
    came, went = np.zeros((blocks, cells), np.int16), np.zeros((blocks, cells), np.int8)
    place = (runner.span.from_s - weather.start_s) / at.ROW_S - 0.5
    aim = aim or ANY_CROP
    cell = search(
        p, runner.y, rows, place, blocks, steps, step_s, travel_s, np.array(stages) / 1000.0, cells, MARGIN_H,
        aim.table(), aim.weights(), runner.work, came, went,
    )  # fmt: skip
    openings = np.zeros(blocks, np.int64)
    for block in range(blocks - 1, -1, -1):
        openings[block] = stages[int(went[block, cell])]
        cell = int(came[block, cell])
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
