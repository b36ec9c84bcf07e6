"""What the search for settings needs from the garden: crops as daily limits, weather years, and words for the answer.

The search itself is the simulator's (``framesim.tune``); this file is imported without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sashkeeper.errors import InputError
from sashkeeper.season import hardening
from sashkeeper.season.crops import Crop, CropBook
from sashkeeper.season.hardening import DayTemps

if TYPE_CHECKING:
    from framesim.frame import Frame
    from framesim.tune import Candidate, Problem, YearSpec
    from framesim.weather import Weather

LEAD_DAYS = 30  # run before the season so that plants come into it as hard as the autumn made them
BASELINE_STEP_S = 120.0


@dataclass(frozen=True)
class Stand:
    """A crop and its share of the bed."""

    crop: Crop
    share: float


def stands(book: CropBook, crops: Iterable[tuple[str, float]]) -> tuple[Stand, ...]:
    """Return crops with shares that add up to one. Raises UnknownCrop, and InputError when there is none."""
    found = [(book.find(word), share) for word, share in crops]
    total = sum(share for _, share in found)
    if not found or total <= 0.0:
        raise InputError(
            "There is nothing to tune for. Name crops with --crop, or a frame in which something stands. "
            "Nothing was run."
        )
    return tuple(Stand(crop, share / total) for crop, share in found)


def base_settings(book: CropBook, stand: Sequence[Stand], weather: Weather, force: Mapping[str, int]) -> dict[str, int]:
    """Return the full set the search starts from: what is in force, with scorch limit and place filled in."""
    scorch = min(book.classes[s.crop.winter_class].scorch_degc for s in stand)
    place = {"lat_mdeg": round(weather.lat * 1000), "lon_mdeg": round(weather.lon * 1000)}
    return {**force, "scorch_mdegc": round(scorch * 1000), **place}


def year(frame: Frame, weather: Weather, book: CropBook, stand: Sequence[Stand], season: tuple[str, str]) -> YearSpec:
    """Return one weather year with the limits of the crops on each day.

    Frost: where leaf damage begins, following the hardening under the controller's default settings
    (``hardening``), the tenderest crop first. Heat: the strain limit of the winter class. Growing: the crop's band
    of best temperatures. Raises the simulator's WeatherError when the season is not in the record.
    """
    from framesim.season import season_days
    from framesim.tune import YearSpec
    from framesim.tune_batch import DayLimits

    from_s, to_s = season_days(weather, *season)
    temps = _days(frame, weather, from_s, to_s)
    return YearSpec(weather, from_s, to_s, DayLimits(_limits(temps, book, stand, _day(from_s, weather), from_s, to_s)))


def _days(frame: Frame, weather: Weather, from_s: float, to_s: float) -> list[DayTemps]:
    from framesim import policies
    from framesim.season import run_season

    lead = min(LEAD_DAYS, int((from_s - weather.start_s) // 86_400))
    start = from_s - lead * 86_400.0
    got = run_season(frame, weather, policies.law(), start, to_s, BASELINE_STEP_S)
    low, mean, high = (got.hourly[k] for k in ("t_air_min", "t_air", "t_air_max"))
    first = _day(start, weather)
    return [
        DayTemps(first + timedelta(days=n), float(low[h].min()), float(mean[h].mean()), float(high[h].max()))
        for n in range(len(mean) // 24)
        for h in [slice(24 * n, 24 * n + 24)]
    ]


def _day(time_s: float, weather: Weather) -> date:
    return date(1970, 1, 1) + timedelta(days=int((time_s + weather.utc_offset_h * 3600.0 + 60.0) // 86_400))


def _limits(
    temps: Sequence[DayTemps], book: CropBook, stand: Sequence[Stand], first: date, from_s: float, to_s: float
) -> Any:
    import numpy as np

    count = round((to_s - from_s) / 86_400)
    table = np.zeros((count, 2 + 3 * len(stand)))
    table[:, 0] = min(book.classes[s.crop.winter_class].high_degc for s in stand)
    table[:, 1] = -99.0
    for k, s in enumerate(stand):
        states = dict(hardening.trace(s.crop, temps))
        known = [states[d] for d in sorted(states) if d < first]
        state = known[-1] if known else s.crop.unhardened_degc
        for n in range(count):
            # A night is stood with the hardness that the days before it have made.
            table[n, 1] = max(table[n, 1], state)
            state = states.get(first + timedelta(days=n), state)
        table[:, 2 + 3 * k : 5 + 3 * k] = (s.share, s.crop.best_low_degc, s.crop.best_high_degc)
    return table


def weathers(
    files: Sequence[Path], seeds: Sequence[int], place: tuple[float, float, float] | None, season: tuple[str, str],
    hints: Mapping[str, Any] | None = None,
) -> list[Weather]:
    """Return weather years: files as they are, seeds invented at `place` (lat, lon, elevation) or at the first file's.

    Raises InputError.
    """
    from framesim.weather import WeatherError, invent, read

    found: list[Any] = []
    try:
        for path in files:
            if not path.is_file():
                raise InputError(f"There is no weather file {path}. Give an EPW, a TMY3 or a table. Nothing was run.")
            found.append(read(path, **dict(hints or {})))
        where = place or ((found[0].lat, found[0].lon, found[0].elevation_m) if found else None)
        if seeds and where is None:
            raise InputError("Invented weather needs a place. Enter it with sashkeeper site set. Nothing was run.")
        for seed in seeds:
            assert where is not None
            first, last = _span(season, where[0])
            found.append(
                invent(where[0], where[1], first, last, seed=seed, elevation_m=where[2], name=f"seed {seed}")
            )
    except WeatherError as fault:
        raise InputError(f"{fault} Nothing was run.") from fault
    return found


def _span(season: tuple[str, str], lat_deg: float) -> tuple[date, date]:
    """Days of invented weather around a season, with the lead."""
    (m1, d1), (m2, d2) = (tuple(int(x) for x in text.split("-")) for text in season)
    first = date(2026, m1, d1)
    last = date(2026 + ((m2, d2) < (m1, d1)), m2, d2)
    return first - timedelta(days=LEAD_DAYS + 2), last + timedelta(days=2)


# -- words ---------------------------------------------------------------------------------------

WORDS = {
    "open_mdegc": "opening", "close_mdegc": "closing", "stage_mdegc": "warmth between stages",
    "stage_permille": "width of a stage", "crack_permille": "crack", "dwell_s": "pause between moves",
    "evening_sun_cdeg": "evening close, height of the sun",
}  # fmt: skip
FIGURES = {
    "heat_kh": "heat, degree-hours over the limit",
    "frost_kh": "frost, degree-hours under damage",
    "growing_h": "growing light, h",
    "moves": "moves of the lid",
    "battery_mah_day": "battery, mAh a day",
}


def value_words(name: str, value: int, temperature: Any) -> str:
    """Return a setting as a grower reads it; temperature: turns degC into text."""
    if name == "stage_mdegc":
        return f"{value / 1000:g} K"
    if name.endswith("_mdegc"):
        return str(temperature(value / 1000)).replace(".0 ", " ")
    if name.endswith("_permille"):
        return f"{value / 10:g} %"
    if name.endswith("_cdeg"):
        return f"{value / 100:g} degrees"
    return f"{value // 60} min"


def spread_of(before: Candidate, after: Candidate) -> dict[str, dict[str, float]]:
    """Return by figure: mean before and after, and the least and greatest change over the weather years."""
    old, new = before.figures(), after.figures()
    return {
        name: {
            "before": round(float(old[name].mean()), 2),
            "after": round(float(new[name].mean()), 2),
            "least_change": round(float((new[name] - old[name]).min()), 2),
            "greatest_change": round(float((new[name] - old[name]).max()), 2),
        }
        for name in FIGURES
    }


ENOUGH_YEARS = 24  # with fewer, what is chosen fits these years more than the next; see docs/tuning.md


def by_year(before: Candidate, after: Candidate, names: Sequence[str]) -> list[dict[str, Any]]:
    """Return each weather year: its figures before and after, and whether it is no worse.

    no_worse: but for differences that do not matter; strictly: not even by those.
    """
    from framesim.tune import good_years

    old, new = before.figures(), after.figures()
    fair, strict = good_years(after, before), good_years(after, before, 0.0)
    return [
        {
            "name": name,
            "before": {f: round(float(old[f][k]), 2) for f in FIGURES},
            "after": {f: round(float(new[f][k]), 2) for f in FIGURES},
            "no_worse": bool(fair[k]),
            "strictly": bool(strict[k]),
        }
        for k, name in enumerate(names)
    ]


def problem(frame: Frame, years: Sequence[YearSpec]) -> Problem:
    """Return what the search works on."""
    from framesim.tune import Problem

    return Problem(frame, tuple(years))
