"""sashkeeper simulate: one simulated frame through a season of weather, under one lid rule."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import InputError, JobError
from sashkeeper.season import crops

if TYPE_CHECKING:
    from framesim.frame import Frame
    from framesim.policies import Policy
    from framesim.season import SeasonResult
    from framesim.weather import Weather

DEFAULT_FRAME = "garden-frame"


@click.command("simulate", help="Try a frame and a lid rule on a winter of weather.")
@click.option("--weather", "weather_file", metavar="FILE", required=True, help="EPW, TMY3 or a table with a header.")
@click.option("--frame", "frame_name", metavar="FRAME", default=DEFAULT_FRAME, show_default=True,
              help="A TOML file, or the name of a frame that comes with Sashkeeper.")  # fmt: skip
@click.option("--lid", "lid_rule", metavar="RULE", default="law", show_default=True,
              help="closed, fixed:0.10, two-point:18:12:600, passive, law or foresight.")  # fmt: skip
@click.option("--set", "changes", metavar="KEY=VALUE", multiple=True, help="Change a figure of the frame; repeatable.")
@click.option("--settings", "settings_file", metavar="FILE", help="Settings of the law, JSON or TOML, by wire name.")
@click.option("--from", "from_day", metavar="MM-DD", default="11-01", show_default=True, help="First day.")
@click.option("--to", "to_day", metavar="MM-DD", default="03-31", show_default=True, help="Last day.")
@click.option("--step", "step_s", type=float, default=60.0, show_default=True, help="Seconds a step.")
@click.option("--hourly", "hourly_file", metavar="OUT.csv", help="Write hourly means here.")
@click.option("--lat", type=float, help="Latitude, north positive, where the file does not say.")
@click.option("--lon", type=float, help="Longitude, east positive.")
@click.option("--elevation", type=float, help="Height above the sea in metres.")
@click.option("--utc-offset", type=float, help="Standard time minus UTC in hours.")
@click.option("--fill", is_flag=True, help="Fill short gaps of the weather file by interpolation.")
@json_option
@pass_app
def command(
    app: App,
    weather_file: str,
    frame_name: str,
    lid_rule: str,
    changes: tuple[str, ...],
    settings_file: str | None,
    from_day: str,
    to_day: str,
    step_s: float,
    hourly_file: str | None,
    lat: float | None,
    lon: float | None,
    elevation: float | None,
    utc_offset: float | None,
    fill: bool,
    as_json: bool,
) -> None:
    """Read what was asked for, run the season, say what came of it."""
    from framesim.frame import FrameError, load
    from framesim.policies import PolicyError
    from framesim.season import run_season, season_days
    from framesim.weather import WeatherError, read

    hints = {"lat": lat, "lon": lon, "elevation_m": elevation, "utc_offset_h": utc_offset}
    try:
        frame = load(frame_name, _changes(changes))
        if not Path(weather_file).is_file():
            raise InputError(f"There is no weather file {weather_file}. Give an EPW, a TMY3 or a table.")
        weather = read(weather_file, fill=fill, **{k: v for k, v in hints.items() if v is not None})
        from_s, to_s = season_days(weather, from_day, to_day)
        policy = _policy(lid_rule, _settings(settings_file), frame, weather, from_s, to_s, step_s)
        result = run_season(frame, weather, policy, from_s, to_s, step_s)
    except (FrameError, WeatherError, PolicyError) as fault:
        raise InputError(str(fault)) from fault
    if hourly_file:
        _write_hourly(result, hourly_file)
    answer = _answer(app, result, weather, lid_rule)
    if as_json:
        print_json(answer)
        return
    _tell(app, answer, hourly_file)


def _changes(pairs: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals or not key.strip():
            raise InputError(f'"{pair}" is not KEY=VALUE, as in --set night_cover=true. Nothing was run.')
        found[key.strip()] = value.strip()
    return found


def _settings(path: str | None) -> dict[str, int] | None:
    """Read settings of the law by wire name; {"settings": {...}} is taken as well."""
    if path is None:
        return None
    try:
        text = Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise InputError(f"Cannot read the settings {path}: {fault}. Nothing was run.") from fault
    try:
        values = json.loads(text) if text.lstrip().startswith("{") else tomllib.loads(text)
    except (json.JSONDecodeError, tomllib.TOMLDecodeError) as fault:
        raise InputError(f"{path} is neither JSON nor TOML: {fault}. Nothing was run.") from fault
    return dict(values.get("settings", values))


def _policy(
    rule: str,
    settings: dict[str, int] | None,
    frame: Frame,
    weather: Weather,
    from_s: float,
    to_s: float,
    step_s: float,
) -> Policy:
    from framesim.policies import PolicyError, parse

    if settings is not None and rule != "law":
        raise PolicyError(f'Settings belong to the law: "--settings" has no meaning with "--lid {rule}".')
    if rule == "foresight":
        import importlib
        import importlib.util

        if importlib.util.find_spec("framesim.foresight") is None:
            raise PolicyError("This installation cannot look ahead. Use closed, fixed, two-point, passive or law.")
        best: Policy = importlib.import_module("framesim.foresight").policy(frame, weather, from_s, to_s, step_s)
        return best
    return parse(rule, settings)


def _write_hourly(result: SeasonResult, path: str) -> None:
    try:
        result.write_hourly(path)
    except OSError as fault:
        raise JobError(f"{path} cannot be written: {fault.strerror}. Give another name with --hourly.") from fault


def _answer(app: App, result: SeasonResult, weather: Weather, lid_rule: str) -> dict[str, Any]:
    """All that is printed, by name."""
    return {
        "frame": result.frame,
        "lid": lid_rule,
        "weather": weather.name,
        "weather_invented": weather.invented,
        "weather_notes": list(weather.notes),
        **result.summary(),
        "crops": _crop_hours(app, result),
        "balance_error": result.balance_error(),
    }


def _crop_hours(app: App, result: SeasonResult) -> dict[str, dict[str, float]]:
    """Hours at the leaf per crop: too hot, too cold, and light in the growing band (guide values, hardened plants).

    Too hot: above the scorch temperature of the crop's winter class. Too cold: below where leaf damage begins
    on hardened leaves. Growing: daylight between the crop's best temperatures.
    """
    book = crops.load(app.home)
    found = {}
    for crop in book.crops.values():
        scorch = book.classes[crop.winter_class].scorch_degc
        found[crop.id] = {
            "heat_damage_h": round(result.leaf_hours_above(scorch), 1),
            "frost_damage_h": round(result.leaf_hours_below(crop.leaf_damage_degc[0]), 1),
            "growing_light_h": round(
                result.leaf_daylight_hours_between(crop.best_low_degc, crop.best_high_degc), 1
            ),
        }
    return found


def _tell(app: App, answer: dict[str, Any], hourly_file: str | None) -> None:
    degc = app.temperature
    click.echo(paragraph(f"{answer['frame']}, lid {answer['lid']}, {answer['days']} days of {answer['weather']}"))
    if answer["weather_invented"]:
        click.echo("This weather is invented: no station ever saw it.")
    rows = [
        ["mean daily peak of the air", degc(answer["mean_daily_peak_degc"])],
        ["mean daily minimum", degc(answer["mean_daily_minimum_degc"])],
        ["lowest, highest", f"{degc(answer['lowest_degc'])}, {degc(answer['highest_degc'])}"],
        *[[f"hours above {degc(float(t))}", f"{h:g}"] for t, h in answer["hours_above"].items()],
        *[[f"hours below {degc(float(t))}", f"{h:g}"] for t, h in answer["hours_below"].items()],
        ["lid moves, hours open", f"{answer['lid_moves']}, {answer['open_hours']:g}"],
    ]
    click.echo(table(["figure", "value"], rows))
    lines = [
        [name, f"{h['heat_damage_h']:g}", f"{h['frost_damage_h']:g}", f"{h['growing_light_h']:g}"]
        for name, h in answer["crops"].items()
    ]
    click.echo(table(["crop", "too hot, h", "too cold, h", "growing light, h"], lines))
    click.echo(paragraph("Hours at the leaf, guide values of hardened plants: an estimate, not a promise."))
    if hourly_file:
        click.echo(f"Hourly means are in {hourly_file}.")
