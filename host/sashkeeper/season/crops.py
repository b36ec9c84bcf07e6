"""The crops a frame can hold, with what each of them stands and where that figure comes from.

The figures are guide values from ``data/crops.json``. A grower's own file
``crops.toml`` in the home folder changes any of them or adds crops, and is
checked as strictly as our own file. All temperatures in degrees Celsius.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError, nearest
from sashkeeper.season.crop_check import check_book

SCHEMA = "sashkeeper-crops/1"
OWN_FILE = "crops.toml"
OWN_MARK = "your own value"

Pair = tuple[float, float]


class UnknownCrop(InputError):
    """No crop has this name."""


@dataclass(frozen=True)
class VentClass:
    """Opening and closing temperatures that suit a group of crops [degC, frame air at canopy height]."""

    name: str
    open_range_degc: Pair
    open_degc: float
    close_degc: float
    min_outside_degc: float
    high_degc: float
    scorch_degc: float
    basis: str


@dataclass(frozen=True)
class Crop:
    """One crop. Cold pairs run from least to most severe; other pairs from low to high."""

    id: str
    name: str
    also: tuple[str, ...]
    soil_min_degc: float
    soil_best_degc: float
    soil_max_degc: float
    soil_warn_degc: float | None
    emergence_days: tuple[tuple[float, float], ...]  # (soil degC, days), rising soil
    emergence_base_degc: float | None
    emergence_degc_days: float | None
    base_degc: float
    best_low_degc: float
    best_high_degc: float
    stop_high_degc: float | None
    quality_falls_degc: Pair
    leaf_damage_degc: Pair
    kill_degc: Pair
    unhardened_degc: float
    cold_plus_minus_degc: float
    baby_days: Pair
    full_days: Pair
    baby_degc_days: Pair
    row_cm: Pair
    in_row_cm: float
    baby_seeds_per_m: float
    depth_cm: float
    starts: tuple[str, ...]
    regrows: str  # "yes", "partly" or "no"
    regrows_note: str
    ph: Pair
    winter_class: str
    growing_class: str
    seedling_outside_degc: float
    notes: str
    care: str
    data: Mapping[str, Any] = field(repr=False, compare=False)
    own: frozenset[str] = frozenset()

    def mark(self, group: str, value: str = "") -> str:
        """Return how far a figure can be trusted: the finest mark the data holds for it."""
        path = f"{group}.{value}" if value else group
        if any(path.startswith(p) or p.startswith(path) for p in self.own):
            return OWN_MARK
        part = self.data[group]
        for finer in ("value_marks", "bound_marks"):
            found = part.get(finer, {}).get(value)
            if found:
                return found if isinstance(found, str) else " to ".join(dict.fromkeys(found))
        stem = value.removesuffix("_degc")
        return str(part.get(f"{stem}_mark", part.get("mark", "no mark")))

    def sources(self, group: str) -> tuple[str, ...]:
        """Return the ids of the sources of a group of figures."""
        return tuple(self.data[group].get("sources", ()))


@dataclass(frozen=True)
class CropBook:
    """All crops and vent classes in force, our own and the grower's."""

    crops: Mapping[str, Crop]
    classes: Mapping[str, VentClass]
    sources: Mapping[str, str]

    def find(self, word: str) -> Crop:
        """Return the crop of this id, name or other name, ignoring case, spaces and dashes.

        Raises UnknownCrop with the nearest name.
        """
        names = self._names()
        crop_id = names.get(plain(word))
        if crop_id is None:
            hint = nearest(plain(word), [n for n in names if len(n) > 2])
            tail = hint or ' See "sashkeeper crops list".'
            raise UnknownCrop(f'No crop called "{word}".{tail} Nothing was changed.')
        return self.crops[crop_id]

    def _names(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for crop in self.crops.values():
            for name in (*crop.also, crop.name, crop.id):
                found[plain(name)] = crop.id
        return found

    def source_titles(self, ids: Iterable[str]) -> list[str]:
        """Return the titles behind source ids."""
        return [self.sources.get(i, i) for i in ids]


def plain(word: str) -> str:
    """Return a name as it is compared: lower case, dashes for spaces and underscores, no apostrophes."""
    kept = word.strip().lower().replace("'", "").replace("’", "")
    return "-".join(kept.replace("_", " ").replace("-", " ").split())


@cache
def shipped() -> dict[str, Any]:
    """Return our own crop file as read. Treat it as read-only."""
    text = resources.files("sashkeeper").joinpath("data", "crops.json").read_text("utf-8")
    data: dict[str, Any] = json.loads(text)
    if data.get("schema") != SCHEMA:
        raise InputError(f"The crop file of this installation says {data.get('schema')!r}, not {SCHEMA!r}: reinstall.")
    return data


def load(home: Path | None = None) -> CropBook:
    """Return the crops in force: ours, changed by ``crops.toml`` in the home folder where there is one.

    Raises InputError with every fault of the grower's file at once.
    """
    if home is None or not (home / OWN_FILE).exists():
        return _shipped_book()
    return merge(read_own(home / OWN_FILE), str(home / OWN_FILE))


@cache
def _shipped_book() -> CropBook:
    return merge({}, "the shipped crop file")


def read_own(path: Path) -> dict[str, Any]:
    """Return a grower's crop file as read; raises InputError with the line where it cannot be read."""
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as fault:
        raise InputError(f"Cannot read {path}: {fault}. Nothing was changed.") from fault
    except tomllib.TOMLDecodeError as fault:
        raise InputError(f"{path} is not proper TOML: {fault}. Nothing was changed.") from fault


def merge(own: Mapping[str, Any], where: str) -> CropBook:
    """Return the book of shipped crops with the grower's changes laid over.

    `own` is shaped ``{"crops": {"spinach": {"cold": {...}}, "cress": {"like": "arugula", ...}}}``.
    Raises InputError naming each fault.
    """
    base = shipped()
    faults = [f'"{k}" is not a part of a crop file (write [crops.NAME])' for k in own if k != "crops"]
    crops = {c["id"]: c for c in base["crops"]}
    changed: dict[str, frozenset[str]] = {}
    for word, changes in dict(own.get("crops", {})).items():
        crop_id = plain(word)
        if not isinstance(changes, dict):
            faults.append(f'"{word}" needs a table of values')
            continue
        changes = dict(changes)
        like = plain(str(changes.pop("like", crop_id)))
        if like not in crops:
            need = nearest(like, crops) or " Add like = \"arugula\" (or another crop we know)."
            faults.append(f'"{word}": no crop called "{like}" to start from.{need}')
            continue
        start = dict(crops[like])
        if like != crop_id:
            start.update(id=crop_id, name=word.replace("-", " ").capitalize(), also=[])
        touched: set[str] = set()
        crops[crop_id] = _laid_over(start, changes, word, "", touched, faults)
        changed[crop_id] = frozenset(touched)
    if not faults:
        faults = check_book(crops, base["classes"])
    if faults:
        raise InputError(f"{where}: {'; '.join(faults).rstrip('?.')}. Nothing was changed.".replace("?.", "?"))
    classes = {name: _vent_class(name, c) for name, c in base["classes"].items()}
    titles = {k: str(v["title"]) for k, v in base["sources"].items()}
    return CropBook({i: _crop(c, changed.get(i, frozenset())) for i, c in crops.items()}, classes, titles)


def _laid_over(
    old: Mapping[str, Any], new: Mapping[str, Any], word: str, at: str, touched: set[str], faults: list[str]
) -> dict[str, Any]:
    # Lays new values over old ones; a key that the old ones do not have is a typing mistake.
    result = dict(old)
    optional = {"care", "germination.soil_warn_degc"}
    for key, value in new.items():
        path = f"{at}{key}"
        if key not in old and path not in optional:
            faults.append(f'"{word}": "{path}" is not a value of a crop.{nearest(key, old)}')
        elif isinstance(old.get(key), dict) and isinstance(value, dict):
            result[key] = _laid_over(old[key], value, word, f"{path}.", touched, faults)
        elif isinstance(old.get(key), dict):
            faults.append(f'"{word}": "{path}" is a group of values, write {path}.NAME = ...')
        else:
            result[key] = value
            touched.add(path)
    return result


def _pair(values: Any) -> Pair:
    return (float(values[0]), float(values[1]))


def _vent_class(name: str, c: Mapping[str, Any]) -> VentClass:
    return VentClass(
        name,
        _pair(c["open_range_degc"]),
        float(c["open_degc"]),
        float(c["close_degc"]),
        float(c["min_outside_degc"]),
        float(c["high_degc"]),
        float(c["scorch_degc"]),
        str(c["basis"]),
    )


def _crop(c: Mapping[str, Any], own: frozenset[str]) -> Crop:
    germ, growth, cold, harvest, spacing = (c[k] for k in ("germination", "growth", "cold", "harvest", "spacing"))
    line = germ.get("line") or {}
    table = sorted((float(t), float(d)) for t, d in germ.get("emergence_days_at_degc", {}).items())
    warn, stop = germ.get("soil_warn_degc"), growth.get("stop_high_degc")
    care = c.get("care", "")
    return Crop(
        id=str(c["id"]),
        name=str(c["name"]),
        also=tuple(c["also"]),
        soil_min_degc=float(germ["soil_min_degc"]),
        soil_best_degc=float(germ["soil_best_degc"]),
        soil_max_degc=float(germ["soil_max_degc"]),
        soil_warn_degc=None if warn is None else float(warn),
        emergence_days=tuple(table),
        emergence_base_degc=line.get("base_degc"),
        emergence_degc_days=line.get("degc_days"),
        base_degc=float(growth["base_degc"]),
        best_low_degc=float(growth["best_low_degc"]),
        best_high_degc=float(growth["best_high_degc"]),
        stop_high_degc=None if stop is None else float(stop),
        quality_falls_degc=_pair(c["heat"]["quality_falls_degc"]),
        leaf_damage_degc=_pair(cold["leaf_damage_degc"]),
        kill_degc=_pair(cold["kill_degc"]),
        unhardened_degc=float(cold["unhardened_degc"]),
        cold_plus_minus_degc=float(cold["plus_minus_degc"]),
        baby_days=_pair(harvest["baby_days"]),
        full_days=_pair(harvest["full_days"]),
        baby_degc_days=_pair(harvest["baby_degc_days"]),
        row_cm=_pair(spacing["row_cm"]),
        in_row_cm=float(spacing["in_row_cm"]),
        baby_seeds_per_m=float(spacing["baby_seeds_per_m"]),
        depth_cm=float(spacing["depth_cm"]),
        starts=tuple(c["start"]),
        regrows=str(c["regrows"]),
        regrows_note=str(c["regrows_note"]),
        ph=_pair(c["ph"]["range"]),
        winter_class=str(c["winter_class"]),
        growing_class=str(c["growing_class"]),
        seedling_outside_degc=float(c["seedling_outside_degc"]),
        notes=str(c["notes"]),
        care=str(care["text"] if isinstance(care, dict) else care),
        data=c,
        own=own,
    )
