"""Temperatures and ages as a grower reads them. Inside, everything is SI."""

from __future__ import annotations


def to_fahrenheit(degc: float) -> float:
    """Return a temperature [degF] from [degC]."""
    return degc * 9 / 5 + 32


def from_fahrenheit(degf: float) -> float:
    """Return a temperature [degC] from [degF]."""
    return (degf - 32) * 5 / 9


def temperature(degc: float, fahrenheit: bool = False, digits: int = 1) -> str:
    """Return ``12.4 C`` or ``54.3 F``."""
    value = to_fahrenheit(degc) if fahrenheit else degc
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return f"{text} {'F' if fahrenheit else 'C'}"


def span(seconds_s: float) -> str:
    """Return a length of time in the largest unit that fits: ``40 s``, ``12 min``, ``5 h``, ``3 days``."""
    s = max(0, round(seconds_s))
    if s < 100:
        return f"{s} s"
    if s < 100 * 60:
        return f"{round(s / 60)} min"
    if s < 48 * 3600:
        return f"{round(s / 3600)} h"
    return f"{round(s / 86400)} days"


def age(seconds_s: float) -> str:
    """Return ``40 s ago``; a time ahead of our clock is said as such."""
    if seconds_s < -60:
        return f"{span(-seconds_s)} ahead of this clock"
    return f"{span(seconds_s)} ago"
