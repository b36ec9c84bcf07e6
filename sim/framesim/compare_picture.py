"""A comparison as a picture: hours of damage and of growth, and what a hot and a cold week looked like."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from framesim.compare import DRIVEN, Comparison
from framesim.weather import Weather

# Told apart by eyes of every kind and in grey print (Okabe and Ito's set, from memory).
COLOURS = ("#999999", "#E69F00", "#56B4E9", "#009E73", "#D55E00", "#0072B2")
HEAT, FROST, GROWTH = "#D55E00", "#56B4E9", "#009E73"
WEEK_H = 168


def draw(comparison: Comparison, weather: Weather, title: str, path: str | Path) -> None:
    """Write a PNG. Raises OSError when it cannot be written."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(2, 2, figsize=(13, 8), constrained_layout=True)
    figure.suptitle(title)
    _damage(axes[0][0], comparison)
    _growth(axes[0][1], comparison)
    _week(axes[1][0], comparison, weather, _hot_week(comparison), "The week that was hottest in the closed frame")
    _week(axes[1][1], comparison, weather, _cold_week(comparison), "The week that was coldest in the closed frame")
    handles, labels = axes[1][0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=7, frameon=False)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _damage(axis: Any, comparison: Comparison) -> None:
    scores = list(comparison.scores.values())
    labels = [s.label for s in scores]
    heat, frost = [s.heat_h for s in scores], [s.frost_h for s in scores]
    axis.barh(labels, heat, color=HEAT, label="heat")
    axis.barh(labels, frost, left=heat, color=FROST, hatch="//", edgecolor="white", label="frost")
    for k, s in enumerate(scores):
        axis.text(s.damage_h, k, f" {s.heat_h:.0f} + {s.frost_h:.0f} h", va="center", fontsize=9)
    axis.margins(x=0.28)
    axis.invert_yaxis()
    axis.legend(frameon=False, loc="lower right")
    axis.set_title("Hours of damage at the leaf (mean of the crops)")
    axis.set_xlabel("hours in the season")


def _growth(axis: Any, comparison: Comparison) -> None:
    scores = list(comparison.scores.values())
    axis.barh([s.label for s in scores], [s.growing_h for s in scores], color=GROWTH)
    for k, s in enumerate(scores):
        moves = f", {s.moves} moves" if s.name in DRIVEN else ""
        axis.text(s.growing_h, k, f" {s.growing_h:.0f} h{moves}", va="center", fontsize=9)
    axis.margins(x=0.35)
    axis.invert_yaxis()
    axis.set_title("Daylight with the leaf in its growing band")
    axis.set_xlabel("hours in the season")


def _week(axis: Any, comparison: Comparison, weather: Weather, first: int, title: str) -> None:
    shift = timedelta(hours=weather.utc_offset_h)
    for colour, score in zip(COLOURS, comparison.scores.values(), strict=False):
        leaf = score.result.hourly["t_leaf"][first : first + WEEK_H]
        ends = score.result.time_end_s[first : first + WEEK_H]
        when = [datetime.fromtimestamp(float(t), UTC) + shift for t in ends]
        chosen = score.name in ("law", "foresight")
        axis.plot(when, leaf, color=colour, lw=1.6 if chosen else 0.9, ls="--" if score.name == "foresight" else "-",
                  label=score.label)  # fmt: skip
    aim = comparison.aim
    axis.axhspan(float(np.mean(aim.low_degc)), float(np.mean(aim.high_degc)), color=GROWTH, alpha=0.12)
    axis.axhline(min(aim.heat_degc), color=HEAT, lw=0.8, ls=":")
    axis.axhline(max(aim.frost_degc), color=FROST, lw=0.8, ls=":")
    axis.set_title(title)
    axis.set_ylabel("leaf, C (growing band shaded)")
    axis.tick_params(axis="x", rotation=25)


def _sums(values: Any) -> Any:
    if len(values) <= WEEK_H:
        return np.zeros(1)
    return np.convolve(values, np.ones(WEEK_H), "valid")[::24]


def _hot_week(comparison: Comparison) -> int:
    first = next(iter(comparison.scores.values()))
    return 24 * int(np.argmax(_sums(np.maximum(0.0, first.result.hourly["t_leaf"] - 25.0))))


def _cold_week(comparison: Comparison) -> int:
    first = next(iter(comparison.scores.values()))
    return 24 * int(np.argmax(_sums(np.maximum(0.0, 5.0 - first.result.hourly["t_leaf"]))))
