"""What setpoints would do on one day: a frame simulated under them, beside the ones in force.

The day is either that day of a weather file, or two invented ones, clear and
overcast, between which tomorrow will lie. Needs the simulator.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError, JobError
from sashkeeper.season.frame_days import FRAME
from sashkeeper.season.place import Site

LEAD_DAYS = 2  # run in under the same settings
INVENTED = ("clear", "overcast")
COLOURS = ("#D55E00", "#0072B2")


@dataclass(frozen=True)
class PreviewDay:
    """One day under one set of settings; hourly lists start at midnight, local standard time."""

    sky: str
    settings_name: str
    air_degc: tuple[float, ...]
    low_degc: tuple[float, ...]
    high_degc: tuple[float, ...]
    open_share: tuple[float, ...]
    outside_degc: tuple[float, ...]

    @property
    def peak_degc(self) -> float:
        """Highest air temperature [degC]."""
        return max(self.high_degc)

    @property
    def lowest_degc(self) -> float:
        """Lowest air temperature [degC]."""
        return min(self.low_degc)

    @property
    def open_h(self) -> float:
        """Hours with the lid open, however little: sum of full-opening hours would hide a crack."""
        return float(sum(1 for s in self.open_share if s > 0.01))


def preview(
    sets: Mapping[str, Mapping[str, int]], site: Site, day: date, weather_file: Path | None = None, seed: int = 1
) -> list[PreviewDay]:
    """Return the day under each named set of settings (changes over the defaults by wire name).

    Raises InputError when the weather cannot be used.
    """
    from framesim.weather import WeatherError

    try:
        return [
            _run(sky, weather, name, settings, day)
            for sky, weather in _weathers(site, day, weather_file, seed)
            for name, settings in sets.items()
        ]
    except WeatherError as fault:
        raise InputError(f"{fault} Nothing was changed.") from fault


def _weathers(site: Site, day: date, weather_file: Path | None, seed: int) -> list[tuple[str, Any]]:
    from framesim.weather import invent, read

    first = day - timedelta(days=LEAD_DAYS)
    if weather_file is not None:
        winter = day.year if day.month >= 7 or site.lat_deg < 0 else day.year - 1
        return [("as in the weather file", read(weather_file, season_year=winter))]
    return [
        (
            f"{kind}, invented",
            invent(site.lat_deg, site.lon_deg, first, day, seed=seed, days=(kind,), elevation_m=site.elevation_m),
        )
        for kind in INVENTED
    ]


def _run(sky: str, weather: Any, name: str, settings: Mapping[str, int], day: date) -> PreviewDay:
    import numpy as np

    from framesim import policies
    from framesim.frame import load
    from framesim.season import run_season

    shift = float(weather.utc_offset_h) * 3600.0
    start = (day - date(1970, 1, 1)).days * 86_400.0 - shift
    got = run_season(
        load(FRAME), weather, policies.law(dict(settings)), start - LEAD_DAYS * 86_400.0, start + 86_400.0, 30.0
    )
    last = slice(-24, None)
    ends = got.time_end_s[last]
    outside = np.interp(ends, weather.time_s, weather.t_out_degc)

    def hours(column: str) -> tuple[float, ...]:
        return tuple(float(v) for v in got.hourly[column][last])

    return PreviewDay(
        sky, name, hours("t_air"), hours("t_air_min"), hours("t_air_max"), hours("open_frac"),
        tuple(float(v) for v in outside),
    )  # fmt: skip


def draw(path: Path, days: Sequence[PreviewDay], sets: Mapping[str, Mapping[str, int]], day: date, title: str) -> None:
    """Write the picture; needs matplotlib. Raises JobError when it cannot be written."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    skies = list(dict.fromkeys(d.sky for d in days))
    figure = Figure(figsize=(9, 4.0 * len(skies)), layout="constrained")
    FigureCanvasAgg(figure)
    grid: Any = figure.subplots(
        2 * len(skies), 1, sharex=True, gridspec_kw={"height_ratios": [3, 1] * len(skies)}, squeeze=False
    )
    for n, sky in enumerate(skies):
        _draw_sky(grid[2 * n][0], grid[2 * n + 1][0], [d for d in days if d.sky == sky], sets)
    grid[-1][0].set_xlabel(f"hour of {day}, standard time")
    figure.suptitle(title)
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as fault:
        raise JobError(f"The picture {path} cannot be written: {fault}.") from fault


def _draw_sky(warmth: Any, lid: Any, days: Sequence[PreviewDay], sets: Mapping[str, Mapping[str, int]]) -> None:
    middles = [h + 0.5 for h in range(24)]
    for n, d in enumerate(days):
        colour = COLOURS[n % len(COLOURS)]
        warmth.fill_between(middles, d.low_degc, d.high_degc, color=colour, alpha=0.2, linewidth=0)
        warmth.plot(middles, d.air_degc, color=colour, label=f"{d.settings_name}: inside")
        lid.step([*range(24), 24], [s * 100 for s in (*d.open_share, d.open_share[-1])], where="post", color=colour)
        chosen = sets[d.settings_name]
        for key, style in (("open_mdegc", "--"), ("close_mdegc", ":")):
            if key in chosen:
                warmth.axhline(chosen[key] / 1000, color=colour, linestyle=style, linewidth=0.9)
    warmth.plot(middles, days[0].outside_degc, color="#555555", linewidth=1, label="outside")
    warmth.set_title(f"{days[0].sky}  (dashed: opening, dotted: closing)", fontsize=10)
    warmth.set_ylabel("°C")
    warmth.legend(fontsize=8, loc="upper left")
    lid.set_ylabel("lid, %")
    lid.set_ylim(0, 105)
    lid.set_xlim(0, 24)
    lid.set_xticks(range(0, 25, 3))
