"""Which settings the search may try, and how candidates are drawn. Everything is seeded: same seed, same candidates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sash import settings as fields

Settings = dict[str, int]
Genome = tuple[int, ...]

controller: Any = fields  # the board's files carry no types

BAND = "band_mdegc"  # opening less closing: searched instead of closing, so that the two always fit


@dataclass(frozen=True)
class Axis:
    """One figure of the search: wire name, lowest, highest and step, whole numbers."""

    name: str
    low: int
    high: int
    step: int

    @property
    def places(self) -> int:
        """How many values there are."""
        return (self.high - self.low) // self.step + 1

    def value(self, place: int) -> int:
        """The value at a place 0 .. places - 1."""
        return self.low + self.step * place


# Chosen for cold frames with salad crops; all lie inside the controller's hard limits, which are checked as well.
AXES = (
    Axis("open_mdegc", 8000, 24000, 250),
    Axis(BAND, 3000, 10000, 250),
    Axis("stage_mdegc", 1000, 5000, 250),
    Axis("stage_permille", 50, 1000, 50),
    Axis("crack_permille", 40, 300, 10),
    Axis("dwell_s", 300, 2400, 300),
    Axis("evening_sun_cdeg", 0, 2500, 100),
)
SEARCHED = tuple("close_mdegc" if axis.name == BAND else axis.name for axis in AXES)


def settings_of(genome: Genome, base: Mapping[str, int]) -> Settings | None:
    """The full set of settings of a genome (a place on every axis), or None when the controller would refuse it."""
    values = {axis.name: axis.value(place) for axis, place in zip(AXES, genome, strict=True)}
    values["close_mdegc"] = values["open_mdegc"] - values.pop(BAND)
    full: Settings = controller.merge(base, values)
    return None if controller.check(full) else full


def genome_of(settings: Mapping[str, int]) -> Genome:
    """The genome nearest to some settings."""
    values = {**settings, BAND: settings["open_mdegc"] - settings["close_mdegc"]}
    return tuple(min(max(round((values[a.name] - a.low) / a.step), 0), a.places - 1) for a in AXES)


def spread(count: int, seed: int) -> list[Genome]:
    """Genomes spread evenly over the whole space (a scrambled Sobol sequence), at most `count`, none twice."""
    from scipy.stats import qmc

    power = max(0, (count - 1).bit_length())
    points = qmc.Sobol(len(AXES), scramble=True, seed=np.random.default_rng((seed, 0))).random_base2(power)
    places = np.array([axis.places for axis in AXES])
    found = np.minimum((points * places).astype(np.int64), places - 1)
    return list(dict.fromkeys(tuple(int(v) for v in row) for row in found))[:count]


def children(parents: Sequence[Genome], count: int, seed: int, generation: int, known: set[Genome]) -> list[Genome]:
    """New genomes from the best so far: two parents mixed, some figures moved a few places."""
    random = np.random.default_rng((seed, generation))
    found: list[Genome] = []
    for _ in range(50 * count):
        if len(found) == count:
            break
        one = parents[int(random.integers(len(parents)))]
        other = parents[int(random.integers(len(parents)))]
        child = tuple(_moved(a if random.random() < 0.5 else b, axis, random)
                      for a, b, axis in zip(one, other, AXES, strict=True))  # fmt: skip
        if child not in known:
            known.add(child)
            found.append(child)
    return found


def _moved(place: int, axis: Axis, random: np.random.Generator) -> int:
    if random.random() < 0.3:
        place += round(float(random.standard_normal()) * max(1.0, 0.12 * axis.places))
    return min(max(place, 0), axis.places - 1)


def front(costs: NDArray[np.float64]) -> list[int]:
    """Rows of a table (candidates, costs) that no other row beats: none as good in all costs and better in one."""
    order = np.lexsort(costs.T[::-1])
    kept: list[int] = []
    for row in order:
        mine = costs[row]
        best = costs[kept]
        if not kept or not bool(np.any(np.all(best <= mine, axis=1))):
            kept.append(int(row))
    return sorted(kept)
