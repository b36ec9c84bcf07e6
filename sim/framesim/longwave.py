"""Long wave: exchange between grey surfaces in the box, and between the outside and sky, air and ground."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374e-8  # [W/m2 K4]


def area_view_factors(areas: Array, sees: NDArray[np.bool_]) -> Array:
    """View factors from areas only: each surface sees the others in proportion to their area, made consistent.

    `sees[i, j]` tells whether i can see j at all. The first guess A_j / sum(A) is made
    symmetric in A_i F_ij and scaled so that rows add up to one, in turns, until both hold.
    """
    exchange = np.where(sees, areas[None, :], 0.0)
    exchange = areas[:, None] * exchange / exchange.sum(axis=1, keepdims=True)
    for _ in range(2000):
        exchange = 0.5 * (exchange + exchange.T)
        row = exchange.sum(axis=1) / areas
        if np.abs(row - 1.0).max() < 1e-12:
            break
        exchange /= row[:, None]
    return np.asarray(exchange / areas[:, None], dtype=np.float64)


@lru_cache(maxsize=64)
def box_view_factors(width: float, depth: float, front: float, back: float, rays: int = 4096) -> Array:
    """True view factors of the box by tracing an even (Hammersley) set of rays; order as SURFACES of layout.py.

    Surfaces: soil, back, front, east, west, lid (lengths in m). Made symmetric in A_i F_ij afterwards.
    Kept for the next frame: do not write into it.
    """
    normals, corners, edges_u, edges_v = _box_faces(width, depth, front, back)
    areas = box_areas(width, depth, front, back)
    factors = np.zeros((6, 6))
    points = _hammersley(rays)
    for i in range(6):
        origin, direction = _rays_from(i, points, normals, corners, edges_u, edges_v, (width, depth, front, back))
        hit = _first_hit(i, origin, direction, normals, corners)
        for j in range(6):
            factors[i, j] = np.mean(hit == j)
    exchange = areas[:, None] * factors
    for _ in range(2000):
        exchange = 0.5 * (exchange + exchange.T)
        row = exchange.sum(axis=1) / areas
        if np.abs(row - 1.0).max() < 1e-12:
            break
        exchange /= row[:, None]
    return np.asarray(exchange / areas[:, None], dtype=np.float64)


def box_areas(width: float, depth: float, front: float, back: float) -> Array:
    """Areas [m2] of soil, back, front, east, west wall and lid plane."""
    side = 0.5 * (front + back) * depth
    lid = width * math.hypot(depth, back - front)
    return np.array([width * depth, width * back, width * front, side, side, lid])


def script_f(view: Array, areas: Array, emissivity: Array) -> Array:
    """Exchange conductances of grey surfaces: G_ij [m2] so that q_i = sum_j G_ij sigma (T_j^4 - T_i^4) [W].

    Net radiation method for a closed box: radiosities solved once for unit emission of each surface
    (Hottel's total exchange areas). G is symmetric; its diagonal is set to zero.
    """
    n = len(areas)
    reflect = np.diag(1.0 - emissivity)
    radiosity = np.linalg.solve(np.eye(n) - reflect @ view, np.diag(emissivity))
    # Of what j emits, i absorbs eps_i * A_i * sum_k F_ik J_k(j).
    absorbed = (emissivity * areas)[:, None] * (view @ radiosity)
    exchange = 0.5 * (absorbed + absorbed.T)
    np.fill_diagonal(exchange, 0.0)
    return exchange


def outside_shares(tilt: float) -> tuple[float, float, float]:
    """Shares of (sky, air, ground) that an outside surface sees; tilt [rad].

    The sky's share is thinned near the horizon, where the air itself radiates: F_sky * sqrt(F_sky),
    Walton 1983. Ground and air are taken at air temperature by the kernel.
    """
    sky = 0.5 * (1.0 + math.cos(tilt))
    clear = math.sqrt(sky)
    return sky * clear, sky * (1.0 - clear), 1.0 - sky


def parallel_plates_factor(first: float, second: float) -> float:
    """Emissivity factor [-] between two close sheets: 1/(1/e1 + 1/e2 - 1)."""
    return 1.0 / (1.0 / first + 1.0 / second - 1.0)


def radiative_coefficient(kelvin: float) -> float:
    """Linearised coefficient 4 sigma T^3 [W/m2 K] of a black surface."""
    return 4.0 * STEFAN_BOLTZMANN * kelvin**3


def _box_faces(width: float, depth: float, front: float, back: float) -> tuple[Array, Array, Array, Array]:
    slope = math.hypot(depth, back - front)
    # Inward normals, one corner, two edges. x to the east, y to the back, z up.
    normals = np.array(
        [[0, 0, 1], [0, -1, 0], [0, 1, 0], [-1, 0, 0], [1, 0, 0], [0, (back - front) / slope, -depth / slope]], float
    )
    corners = np.array([[0, 0, 0], [0, depth, 0], [0, 0, 0], [width, 0, 0], [0, 0, 0], [0, 0, front]], float)
    edges_u = np.array(
        [[width, 0, 0], [width, 0, 0], [width, 0, 0], [0, depth, 0], [0, depth, 0], [width, 0, 0]], float
    )
    edges_v = np.array(
        [[0, depth, 0], [0, 0, back], [0, 0, front], [0, 0, 1], [0, 0, 1], [0, depth, back - front]], float
    )
    return normals, corners, edges_u, edges_v


def _hammersley(count: int) -> Array:
    index = np.arange(count)
    columns = [(index + 0.5) / count]
    for base in (2, 3, 5):
        value, scale, rest = np.zeros(count), 1.0 / base, index.copy()
        while rest.any():
            value += scale * (rest % base)
            rest //= base
            scale /= base
        columns.append(value)
    return np.stack(columns, axis=1)


def _rays_from(
    face: int, points: Array, normals: Array, corners: Array, u: Array, v: Array, box: tuple[float, float, float, float]
) -> tuple[Array, Array]:
    _, _, front, back = box
    a, b = points[:, 0:1], points[:, 1:2]
    if face in (3, 4):
        # Side walls are trapezia: spread a so that tall parts get their share of rays.
        a = _trapezium(a, front, back)
        b = b * (front + (back - front) * a)
    origin = corners[face] + a * u[face] + b * v[face]
    normal = normals[face]
    helper = np.array([1.0, 0, 0]) if abs(normal[0]) < 0.9 else np.array([0, 1.0, 0])
    t1 = np.cross(normal, helper)
    t1 /= np.linalg.norm(t1)
    t2 = np.cross(normal, t1)
    radius, angle = np.sqrt(points[:, 2:3]), 2.0 * math.pi * points[:, 3:4]
    up = np.sqrt(np.maximum(0.0, 1.0 - radius**2))
    return origin, radius * np.cos(angle) * t1 + radius * np.sin(angle) * t2 + up * normal


def _trapezium(share: Array, front: float, back: float) -> Array:
    if abs(back - front) < 1e-9:
        return share
    growth = back - front
    return (-front + np.sqrt(front**2 + share * (back**2 - front**2))) / growth


def _first_hit(start: int, origin: Array, direction: Array, normals: Array, corners: Array) -> NDArray[np.intp]:
    # The box is convex: the first plane that a ray meets from inside is the face it hits.
    distance = np.full((6, len(origin)), np.inf)
    for j in range(6):
        if j == start:
            continue
        falling = direction @ normals[j]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = ((corners[j] - origin) @ normals[j]) / falling
        distance[j] = np.where((falling < 0.0) & (t > -1e-12), t, np.inf)
    return np.asarray(np.argmin(distance, axis=0), dtype=np.intp)
