"""Layered walls and soil as chains of nodes: capacities and conductances from thickness, k, rho, cp."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Layer:
    """One layer of a wall or of the ground."""

    thickness_m: float
    k: float  # conductivity [W/m K]
    rho: float  # density [kg/m3]
    cp: float  # specific heat [J/kg K]


def chain(layers: list[Layer], nodes_m: Array) -> tuple[Array, Array]:
    """Give (capacity [J/m2 K] of each node, conductance [W/m2 K] between neighbours).

    A node holds the heat of the material that lies nearer to it than to the next node.
    """
    middles = 0.5 * (nodes_m[1:] + nodes_m[:-1])
    edges = np.concatenate([nodes_m[:1], middles, nodes_m[-1:]])
    heat = np.diff(_integral(layers, edges, lambda layer: layer.rho * layer.cp))
    resistance = np.diff(_integral(layers, nodes_m, lambda layer: 1.0 / layer.k))
    return heat, 1.0 / resistance


def even_nodes(layers: list[Layer], count: int) -> Array:
    """Depths [m] of `count` nodes spread evenly in the time that heat takes (thickness over root of diffusivity)."""
    times = [layer.thickness_m * math.sqrt(layer.rho * layer.cp / layer.k) for layer in layers]
    marks = np.linspace(0.0, sum(times), count)
    ends = np.concatenate([[0.0], np.cumsum(times)])
    depths = np.concatenate([[0.0], np.cumsum([layer.thickness_m for layer in layers])])
    return np.asarray(np.interp(marks, ends, depths), dtype=np.float64)


def graded_nodes(depth_m: float, first_m: float, count: int) -> Array:
    """`count` depths [m] from 0; gaps grow evenly from `first_m`, the last one ends at depth_m."""
    low, high = 1.0, 3.0
    for _ in range(100):
        ratio = 0.5 * (low + high)
        total = first_m * sum(ratio**k for k in range(count))
        low, high = (ratio, high) if total < depth_m else (low, ratio)
    gaps = first_m * ratio ** np.arange(count)
    return np.concatenate([[0.0], np.cumsum(gaps)[:-1]])


def resistance(layers: list[Layer]) -> float:
    """Sum of thickness over conductivity [m2 K/W]."""
    return sum(layer.thickness_m / layer.k for layer in layers)


def _integral(layers: list[Layer], marks: Array, of_layer: Callable[[Layer], float]) -> Array:
    ends = np.concatenate([[0.0], np.cumsum([layer.thickness_m for layer in layers])])
    amounts = np.concatenate([[0.0], np.cumsum([layer.thickness_m * of_layer(layer) for layer in layers])])
    return np.asarray(np.interp(marks, ends, amounts), dtype=np.float64)
