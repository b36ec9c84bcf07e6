"""A cold frame as plain figures: read from TOML, checked, and turned into the array the kernel works on.

`load("reference-box")` or `load("my-frame.toml", {"back_m": 0.7})` give a `Frame`;
`frame.parameters` is the flat array (layout.py). All lengths in m, temperatures in degC.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesim.sky import DIFFUSE_MODELS
from framesim.walls import Layer

Array = NDArray[np.float64]

SHIPPED = Path(__file__).parent / "frames"


class FrameError(ValueError):
    """A frame that cannot be built, said in one sentence: what is wrong, where, what to do."""


@dataclass(frozen=True)
class Frame:
    """One cold frame. Every field may be set in a TOML file or overridden; frames/garden-frame.toml explains each."""

    name: str = "frame"
    # Box
    width_m: float = 2.4
    depth_m: float = 1.2
    front_m: float = 0.30
    back_m: float = 0.60
    facing_deg: float = 180.0
    # Lid
    panes: int = 2
    pane_tau: float = 0.86
    pane_rho: float = 0.08
    pane_gap_m: float = 0.005
    pane_sheet_m: float = 0.0005
    pane_k: float = 0.20
    pane_emissivity: float = 0.89
    gap_nusselt: float = 1.0
    rim_m2: float = 0.0363
    rim_thickness_m: float = 0.038
    rim_k: float = 0.12
    polarisation: str = "kept"
    circumsolar: str = "beam"
    sky_diffuse: str = "perez"
    albedo: float = -1.0
    view_factors: str = "geometry"
    lid_convection: str = "walton"
    # Walls
    wall_thickness_m: float = 0.038
    wall_k: float = 0.12
    wall_rho: float = 500.0
    wall_cp: float = 1600.0
    wall_absorptance_out: float = 0.7
    wall_absorptance_in: float = 0.6
    wall_emissivity_out: float = 0.9
    wall_emissivity_in: float = 0.9
    wall_insulation: bool = False
    wall_insulation_side: str = "inside"
    wall_insulation_m: float = 0.025
    wall_insulation_k: float = 0.03
    wall_insulation_rho: float = 30.0
    wall_insulation_cp: float = 1400.0
    straw_bales: bool = False
    straw_bale_r: float = 5.0
    heated_back_wall: bool = False
    heated_back_wall_degc: float = 15.0
    # Soil
    soil_depth_m: float = 0.50
    soil_k: float = 1.0
    soil_rho: float = 1500.0
    soil_cp: float = 1300.0
    soil_absorptance: float = 0.80
    soil_emissivity: float = 0.95
    store_m: float = 0.0
    store_k: float = 0.8
    store_rho: float = 1800.0
    store_cp: float = 850.0
    ground_degc: tuple[float, ...] = (2.0, 2.0, 4.0, 8.0, 12.0, 16.0, 18.0, 18.0, 15.0, 11.0, 7.0, 4.0)
    # Air
    closed_ach: float = 1.0
    opening: str = "angle"
    opening_m2: float = 0.30
    opening_cw: float = 0.30
    opening_cd: float = 0.40
    opening_rise_m: float = 0.25
    lid_full_angle_deg: float = 45.0
    lid_panels: int = 2
    driven_panels: int = 2
    # Wind outside
    wind_exponent: float = 0.22
    wind_layer_m: float = 370.0
    station_exponent: float = 0.14
    station_layer_m: float = 270.0
    wall_roughness: str = "medium-smooth"
    # Night cover and snow
    night_cover: bool = False
    cover_r: float = 0.70
    cover_emissivity: float = 0.9
    cover_reflectance: float = 0.5
    snow_on_lid: float = 0.0
    # Moisture and leaves
    evaporation: bool = False
    soil_wetness: float = 0.5
    leaf_layer: bool = False
    leaf_cover: float = 0.6
    leaf_absorptance: float = 0.75
    leaf_heat_j_m2_k: float = 1500.0
    leaf_day_r_s_m: float = 150.0
    leaf_night_r_s_m: float = 2000.0

    def __post_init__(self) -> None:
        problems = _problems(self)
        if problems:
            raise FrameError(f"Frame {self.name}: " + " ".join(problems))

    @property
    def tilt(self) -> float:
        """Slope of the lid [rad]."""
        return math.atan2(self.back_m - self.front_m, self.depth_m)

    @property
    def lid_m2(self) -> float:
        """Lid plane with its rim [m2]."""
        return self.width_m * math.hypot(self.depth_m, self.back_m - self.front_m)

    @property
    def volume_m3(self) -> float:
        """Air in the closed frame [m3]."""
        return self.width_m * self.depth_m * 0.5 * (self.front_m + self.back_m)

    @property
    def middle_m(self) -> float:
        """Height of the middle of the frame's air [m]: centroid of the side wall."""
        f, b = self.front_m, self.back_m
        return (f * f + f * b + b * b) / (3.0 * (f + b))

    def wall_layers(self) -> list[Layer]:
        """Layers of every wall, inside first."""
        wall = Layer(self.wall_thickness_m, self.wall_k, self.wall_rho, self.wall_cp)
        if not self.wall_insulation:
            return [wall]
        foam = Layer(
            self.wall_insulation_m, self.wall_insulation_k, self.wall_insulation_rho, self.wall_insulation_cp
        )
        return [foam, wall] if self.wall_insulation_side == "inside" else [wall, foam]

    def soil_layers(self) -> list[Layer]:
        """Layers of the ground, from the top: a heat store of stone or brick lies under the soil's upper 0.15 m."""
        soil = Layer(self.soil_depth_m, self.soil_k, self.soil_rho, self.soil_cp)
        if self.store_m <= 0.0:
            return [soil]
        top = replace_thickness(soil, min(STORE_DEPTH_M, 0.3 * self.soil_depth_m))
        store = Layer(self.store_m, self.store_k, self.store_rho, self.store_cp)
        return [top, store, replace_thickness(soil, self.soil_depth_m - top.thickness_m - store.thickness_m)]

    @cached_property
    def parameters(self) -> Array:
        """The flat float64 array of layout.py."""
        from framesim.parameters import parameters_of

        return parameters_of(self)

    def with_(self, **changes: Any) -> Frame:
        """A copy with some figures changed."""
        return replace(self, **changes)


# How deep a brick or stone store lies below the bed. Chosen: below the roots of salad crops.
STORE_DEPTH_M = 0.15


def replace_thickness(layer: Layer, thickness_m: float) -> Layer:
    """The same material in another thickness."""
    return replace(layer, thickness_m=thickness_m)


def names() -> list[str]:
    """Names of the frames that come with the simulator."""
    return sorted(path.stem for path in SHIPPED.glob("*.toml"))


def load(name_or_path: str | Path, overrides: Mapping[str, Any] | None = None) -> Frame:
    """Read a frame by shipped name or from a TOML file, then apply overrides.

    Override values may be text as typed on a command line ("0.7", "true", "[1, 2, ...]").
    Raises FrameError.
    """
    path = _find(name_or_path)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FrameError(f"{path} cannot be read as TOML: {error}. Mend that line.") from error
    table.setdefault("name", path.stem)
    for key, value in (overrides or {}).items():
        table[key] = _value(value)
    return from_table(table)


def from_table(table: Mapping[str, Any]) -> Frame:
    """Build a frame from keys and values, with every unknown key or wrong kind of value said."""
    kinds = {f.name: f.default for f in fields(Frame)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in kinds:
            raise FrameError(f"A frame has no figure called {key!r}{_nearest(key, list(kinds))}. Nothing was run.")
        values[key] = _as_kind(key, value, kinds[key])
    return Frame(**values)


def _find(name_or_path: str | Path) -> Path:
    path = Path(name_or_path)
    if path.suffix == ".toml" or path.exists():
        if not path.is_file():
            raise FrameError(f"There is no frame file {path}. Give a TOML file or one of: {', '.join(names())}.")
        return path
    shipped = SHIPPED / f"{name_or_path}.toml"
    if not shipped.is_file():
        raise FrameError(
            f"There is no frame called {str(name_or_path)!r}{_nearest(str(name_or_path), names())}. "
            f"Give a TOML file or one of: {', '.join(names())}."
        )
    return shipped


def _value(value: Any) -> Any:
    """Turn text from a command line into a TOML value; bare words stay text."""
    if not isinstance(value, str):
        return value
    try:
        return tomllib.loads(f"x = {value}")["x"]
    except tomllib.TOMLDecodeError:
        return value


def _as_kind(key: str, value: Any, default: Any) -> Any:
    if isinstance(default, bool):
        good = isinstance(value, bool) or value in (0, 1)
        result: Any = bool(value) if good else None
    elif isinstance(default, tuple):
        good = isinstance(value, list | tuple) and all(_is_number(v) for v in value)
        result = tuple(float(v) for v in value) if good else None
    elif isinstance(default, str):
        good, result = isinstance(value, str), value
    elif isinstance(default, int):
        good = _is_number(value) and float(value) == int(value)
        result = int(value) if good else None
    else:
        good = _is_number(value)
        result = float(value) if good else None
    if not good:
        wanted = {bool: "true or false", tuple: "a list of numbers", str: "text", int: "a whole number"}
        raise FrameError(f"{key} must be {wanted.get(type(default), 'a number')}, not {value!r}. Nothing was run.")
    return result


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _nearest(word: str, words: list[str]) -> str:
    from difflib import get_close_matches

    near = get_close_matches(word, words, n=1)
    return f" (did you mean {near[0]!r}?)" if near else ""


# What each figure may be. Limits are chosen wide: they catch a slip of the unit, not a bad frame.
_LIMITS: dict[str, tuple[float, float]] = {
    "width_m": (0.2, 20.0),
    "depth_m": (0.2, 5.0),
    "front_m": (0.05, 2.0),
    "back_m": (0.05, 2.5),
    "facing_deg": (0.0, 360.0),
    "panes": (1, 2),
    "pane_gap_m": (0.001, 0.1),
    "pane_sheet_m": (0.0001, 0.02),
    "pane_k": (0.05, 5.0),
    "pane_emissivity": (0.05, 1.0),
    "gap_nusselt": (1.0, 10.0),
    "rim_m2": (0.0, 5.0),
    "rim_thickness_m": (0.001, 0.2),
    "rim_k": (0.01, 300.0),
    "albedo": (-1.0, 1.0),
    "wall_thickness_m": (0.002, 1.0),
    "wall_k": (0.01, 5.0),
    "wall_rho": (5.0, 4000.0),
    "wall_cp": (200.0, 5000.0),
    "wall_absorptance_out": (0.0, 1.0),
    "wall_absorptance_in": (0.0, 1.0),
    "wall_emissivity_out": (0.01, 1.0),
    "wall_emissivity_in": (0.01, 1.0),
    "wall_insulation_m": (0.001, 0.5),
    "wall_insulation_k": (0.01, 1.0),
    "wall_insulation_rho": (1.0, 1000.0),
    "wall_insulation_cp": (200.0, 5000.0),
    "straw_bale_r": (0.0, 20.0),
    "heated_back_wall_degc": (-20.0, 40.0),
    "soil_depth_m": (0.15, 5.0),
    "soil_k": (0.05, 5.0),
    "soil_rho": (200.0, 3000.0),
    "soil_cp": (300.0, 5000.0),
    "soil_absorptance": (0.0, 1.0),
    "soil_emissivity": (0.01, 1.0),
    "store_m": (0.0, 2.0),
    "store_k": (0.05, 10.0),
    "store_rho": (200.0, 4000.0),
    "store_cp": (300.0, 5000.0),
    "closed_ach": (0.0, 200.0),
    "opening_m2": (0.0, 20.0),
    "opening_cw": (0.0, 1.0),
    "opening_cd": (0.0, 1.0),
    "opening_rise_m": (0.0, 3.0),
    "lid_full_angle_deg": (1.0, 120.0),
    "lid_panels": (1, 20),
    "driven_panels": (1, 20),
    "wind_exponent": (0.0, 0.6),
    "wind_layer_m": (50.0, 1000.0),
    "station_exponent": (0.0, 0.6),
    "station_layer_m": (50.0, 1000.0),
    "cover_r": (0.0, 10.0),
    "cover_emissivity": (0.01, 1.0),
    "cover_reflectance": (0.0, 1.0),
    "snow_on_lid": (0.0, 1.0),
    "soil_wetness": (0.0, 1.0),
    "leaf_cover": (0.0, 0.98),
    "leaf_absorptance": (0.0, 1.0),
    "leaf_heat_j_m2_k": (10.0, 50000.0),
    "leaf_day_r_s_m": (0.0, 1e6),
    "leaf_night_r_s_m": (0.0, 1e6),
}


def _problems(frame: Frame) -> list[str]:
    from framesim.convection import ROUGHNESS

    found = []
    for key, (low, high) in _LIMITS.items():
        value = getattr(frame, key)
        if not low <= value <= high:
            found.append(f"{key} is {value:g} and must lie between {low:g} and {high:g}.")
    choices = {
        "polarisation": ("kept", "mixed"),
        "circumsolar": ("beam", "diffuse"),
        "sky_diffuse": DIFFUSE_MODELS,
        "view_factors": ("area", "geometry"),
        "lid_convection": ("walton", "iso-15099"),
        "wall_insulation_side": ("inside", "outside"),
        "opening": ("area", "angle"),
        "wall_roughness": tuple(ROUGHNESS),
    }
    for key, words in choices.items():
        if getattr(frame, key) not in words:
            found.append(f"{key} is {getattr(frame, key)!r} and must be one of {', '.join(words)}.")
    if len(frame.ground_degc) != 12:
        found.append(f"ground_degc has {len(frame.ground_degc)} values and must have twelve, January first.")
    if frame.back_m < frame.front_m:
        found.append("back_m must not be lower than front_m: the lid slopes down to the front.")
    if frame.rim_m2 >= 0.8 * frame.lid_m2:
        found.append(f"rim_m2 is {frame.rim_m2:g} and leaves too little of the lid's {frame.lid_m2:.2f} m2 for light.")
    if frame.driven_panels > frame.lid_panels:
        found.append("driven_panels must not be more than lid_panels.")
    if frame.store_m > 0.0 and frame.store_m > 0.6 * frame.soil_depth_m:
        found.append("store_m must not be more than 0.6 of soil_depth_m.")
    try:
        from framesim.glazing import sheet_from_normal

        sheet_from_normal(frame.pane_tau, frame.pane_rho)
    except ValueError as error:
        found.append(str(error))
    return found
