"""Candidate spots for a frame, read from a grower's file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError, nearest
from sashkeeper.season.place import Site
from sashkeeper.season.skylight import Spot
from sashkeeper.season.skyline import Skyline, read_obstacles, read_pairs

KEYS = ("name", "bearing_deg", "tilt_deg", "skyline", "obstacles")


def own_spot(site: Site, bearing_deg: float | None, tilt_deg: float) -> Spot:
    """Return the spot that ``[place]`` describes, facing the noon sun unless a bearing is given."""
    noon = 180.0 if site.lat_deg >= 0 else 0.0
    bearing = noon if bearing_deg is None else bearing_deg
    return _checked(site.name or "here", site.skyline, bearing, tilt_deg, "--bearing, --tilt")


def read_spots(path: Path, site: Site) -> list[Spot]:
    """Return the spots of a file of ``[[spot]]`` tables; raises InputError with the place of the fault."""
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as fault:
        raise InputError(f"Cannot read {path}: {fault}.") from fault
    except tomllib.TOMLDecodeError as fault:
        raise InputError(f"{path} is not proper TOML: {fault}.") from fault
    rows = data.get("spot")
    if not isinstance(rows, list) or not rows:
        raise InputError(f"{path} holds no spot. Write one as [[spot]] with name, skyline, obstacles.")
    return [_spot(row, f"{path}, spot {n}", site) for n, row in enumerate(rows, 1)]


def _spot(row: Mapping[str, Any], where: str, site: Site) -> Spot:
    for key in row:
        if key not in KEYS:
            raise InputError(f'{where}: "{key}" is not a value of a spot.{nearest(key, KEYS)}')
    noon = 180.0 if site.lat_deg >= 0 else 0.0
    skyline = Skyline(
        read_pairs(row.get("skyline", ()), f"{where}: skyline"), read_obstacles(row.get("obstacles", ()), where)
    )
    return _checked(str(row.get("name", where)), skyline, row.get("bearing_deg", noon), row.get("tilt_deg", 6.0), where)


def _checked(name: str, skyline: Skyline, bearing: Any, tilt: Any, where: str) -> Spot:
    for value, low, high, what in ((bearing, 0, 360, "bearing"), (tilt, 0, 80, "tilt")):
        if not isinstance(value, int | float) or isinstance(value, bool) or not low <= value <= high:
            raise InputError(f"{where}: a {what} of {value!r} is not possible: give {low} to {high} degrees.")
    return Spot(name, skyline, float(bearing), float(tilt))
