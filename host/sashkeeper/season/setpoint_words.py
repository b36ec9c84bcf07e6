"""What is wrong with a set of setpoints, in a grower's words and unit.

The rules themselves are the controller's (``sash.settings``); this file only
finds words for them, so a rule that is added there is still reported.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sash import settings
from sashkeeper.units import temperature

controller: Any = settings  # the board's files carry no types

WORDS = {
    "open_mdegc": "opening",
    "close_mdegc": "closing",
    "scorch_mdegc": "scorch",
    "frost_mdegc": "frost",
    "min_outside_mdegc": "outside",
    "stage_mdegc": "stage",
}
WHY_APART = {
    ("close_mdegc", "open_mdegc"): "the lid would open and shut all day",
    ("open_mdegc", "scorch_mdegc"): "the lid would fly open fully as soon as it opens",
    ("frost_mdegc", "close_mdegc"): "the lid would count as open in frost before it has had to shut",
}
# A temperature in our texts, and whether it is a difference ("3 °C under", "2.5 °C apart").
_TEMPERATURE = re.compile(r"(-?\d+(?:\.\d+)?) °C( (?:under|apart|wide)\b)?")


def in_unit(text: str, fahrenheit: bool) -> str:
    """Return a text of ours with its temperatures in the grower's unit."""
    if not fahrenheit:
        return text.replace(" °C", " C")

    def turned(found: re.Match[str]) -> str:
        value = float(found[1])
        if found[2]:
            return f"{value * 9 / 5:.0f} F{found[2]}"
        return f"{value * 9 / 5 + 32:.0f} F"

    return _TEMPERATURE.sub(turned, text)


def word(name: str) -> str:
    """Return the grower's word for a setting."""
    return WORDS.get(name, name.rsplit("_", 1)[0].replace("_", " "))


def faults(changes: Mapping[str, int], current: Mapping[str, int], fahrenheit: bool = False) -> list[str]:
    """Return one sentence for each fault of `changes` laid over what is in force.

    An empty list means that the controller will take them.
    """
    merged = controller.merge(current, changes)
    found = controller.check(merged)
    said: list[str] = []
    for name, sentence in found:
        said.append(_gap_words(name, merged, fahrenheit) or _range_words(name, merged, fahrenheit) or
                    f"{word(name)}: {sentence}.")
    return said


def _degc(value: int, fahrenheit: bool) -> str:
    return temperature(value / 1000, fahrenheit).replace(".0 ", " ")


def _range_words(name: str, merged: Mapping[str, int], fahrenheit: bool) -> str:
    entry = controller.field(name)
    if entry is None or name not in WORDS or not isinstance(merged.get(name), int):
        return ""
    low, high = entry[2], entry[3]
    if low <= merged[name] <= high:
        return ""
    limits = f"{_degc(low, fahrenheit)} to {_degc(high, fahrenheit)}"
    return f"{word(name).capitalize()} at {_degc(merged[name], fahrenheit)} is outside what a frame takes ({limits})."


def _gap_words(name: str, merged: Mapping[str, int], fahrenheit: bool) -> str:
    for lower, higher, gap in controller.GAPS:
        if lower != name or lower not in WORDS or merged[lower] <= merged[higher] - gap:
            continue
        if _range_words(lower, merged, fahrenheit) or _range_words(higher, merged, fahrenheit):
            return ""
        why = WHY_APART.get((lower, higher), "the lid could not obey both")
        most = _degc(merged[higher] - gap, fahrenheit)
        return (
            f"{word(lower).capitalize()} at {_degc(merged[lower], fahrenheit)} is not far enough below {word(higher)} "
            f"at {_degc(merged[higher], fahrenheit)}, so {why}. Choose {most} or lower for {word(lower)}."
        )
    return ""
