"""Checks that a set of crops makes sense before anything relies on it.

Used for our own file and for a grower's changes alike. Every fault is
reported, each as half a sentence that names the crop and the value.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

# (group, value, lowest, highest) of single figures; degC, days, cm as their names say.
_SINGLE: tuple[tuple[str, str, float, float], ...] = (
    ("germination", "soil_min_degc", -2, 20),
    ("germination", "soil_best_degc", 0, 40),
    ("germination", "soil_max_degc", 5, 45),
    ("growth", "base_degc", -5, 15),
    ("growth", "best_low_degc", 0, 35),
    ("growth", "best_high_degc", 5, 40),
    ("cold", "unhardened_degc", -15, 5),
    ("cold", "plus_minus_degc", 0, 15),
    ("spacing", "in_row_cm", 0.5, 200),
    ("spacing", "baby_seeds_per_m", 1, 5000),
    ("spacing", "depth_cm", 0, 20),
)
# (group, value, lowest, highest, falls): pairs run low to high, or from least to most severe where `falls`.
_PAIRS: tuple[tuple[str, str, float, float, bool], ...] = (
    ("heat", "quality_falls_degc", 10, 45, False),
    ("cold", "leaf_damage_degc", -40, 2, True),
    ("cold", "kill_degc", -45, 0, True),
    ("harvest", "baby_days", 5, 400, False),
    ("harvest", "full_days", 5, 400, False),
    ("harvest", "baby_degc_days", 50, 5000, False),
    ("spacing", "row_cm", 1, 200, False),
    ("ph", "range", 3.5, 9.5, False),
)
_STARTS = ("direct", "transplant", "division")


def check_book(crops: Mapping[str, Mapping[str, Any]], classes: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return one half sentence for each fault; an empty list means that all is well."""
    faults: list[str] = []
    taken: dict[str, str] = {}
    for crop_id, crop in crops.items():
        faults += [f'"{crop_id}": {fault}' for fault in _crop_faults(crop, classes)]
        for name in (crop_id, *crop.get("also", ())):
            if taken.setdefault(str(name).lower(), crop_id) != crop_id:
                faults.append(f'"{crop_id}": the name "{name}" already belongs to "{taken[str(name).lower()]}"')
    for name, c in classes.items():
        if not c["close_degc"] < c["open_degc"] < c["high_degc"] < c["scorch_degc"]:
            faults.append(f'class "{name}": closing, opening, high and scorch temperature must rise in this order')
    return faults


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value == value


def _crop_faults(crop: Mapping[str, Any], classes: Mapping[str, Any]) -> Iterator[str]:
    wrong_shape = False
    for group, name, low, high in _SINGLE:
        value = crop[group][name]
        if not _number(value) or not low <= value <= high:
            wrong_shape = True
            yield f"{group}.{name} is {value!r}, but has to be a number from {low} to {high}"
    for group, name, low, high, falls in _PAIRS:
        fault = _pair_fault(crop[group][name], low, high, falls)
        if fault:
            wrong_shape = True
            yield f"{group}.{name} {fault}"
    for key in ("winter_class", "growing_class"):
        if crop[key] not in classes:
            yield f'{key} "{crop[key]}" is not one of {", ".join(classes)}'
    if not crop["start"] or any(s not in _STARTS for s in crop["start"]):
        yield f"start has to be a list of {', '.join(_STARTS)}"
    if crop["regrows"] not in ("yes", "partly", "no"):
        yield 'regrows has to be "yes", "partly" or "no"'
    if not wrong_shape:
        yield from _order_faults(crop)


def _pair_fault(pair: Any, low: float, high: float, falls: bool) -> str:
    if not isinstance(pair, list | tuple) or len(pair) != 2 or not all(_number(v) for v in pair):
        return f"is {pair!r}, but has to be two numbers like [{low}, {high}]"
    if not all(low <= v <= high for v in pair):
        return f"is {list(pair)}, but both have to be from {low} to {high}"
    if falls and pair[1] > pair[0]:
        return f"is {list(pair)}, but the milder temperature comes first"
    if not falls and pair[0] > pair[1]:
        return f"is {list(pair)}, but the lower one comes first"
    return ""


def _order_faults(crop: Mapping[str, Any]) -> Iterator[str]:
    germ, cold, growth = crop["germination"], crop["cold"], crop["growth"]
    if not germ["soil_min_degc"] < germ["soil_best_degc"] <= germ["soil_max_degc"]:
        yield "germination: lowest, best and highest soil temperature must rise in this order"
    if not growth["base_degc"] < growth["best_high_degc"]:
        yield "growth: base_degc has to be below best_high_degc"
    for end in (0, 1):
        if cold["leaf_damage_degc"][end] < cold["kill_degc"][end]:
            yield "cold: leaves are hurt before the plant dies, so leaf_damage_degc cannot be colder than kill_degc"
            break
    if cold["unhardened_degc"] < cold["leaf_damage_degc"][1]:
        yield "cold: unhardened plants cannot stand more than hardened ones (unhardened_degc, leaf_damage_degc)"
