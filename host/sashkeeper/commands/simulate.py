"""sashkeeper simulate: one simulated frame through a season of weather, under one lid rule."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.commands._winter_options import Winter, winter_options
from sashkeeper.errors import InputError, JobError
from sashkeeper.season import crops

if TYPE_CHECKING:
    from framesim.policies import Policy
    from framesim.season import SeasonResult
    from framesim.weather import Weather


@click.command("simulate", help="Try a frame and a lid rule on a winter of weather.")
@winter_options
@click.option("--lid", "lid_rule", metavar="RULE", default="law", show_default=True,
              help="closed, fixed:0.10, two-point:18:12:600, passive, law or foresight.")  # fmt: skip
@click.option("--hourly", "hourly_file", metavar="OUT.csv", help="Write hourly means here.")
@json_option
@pass_app
def command(
    app: App, read_winter: Callable[[], Winter], lid_rule: str, hourly_file: str | None, as_json: bool
) -> None:
    """Read what was asked for, run the season, say what came of it."""
    from framesim.frame import FrameError
    from framesim.policies import PolicyError
    from framesim.season import run_season
    from framesim.weather import WeatherError

    try:
        winter = read_winter()
        policy = _policy(lid_rule, winter)
        result = run_season(winter.frame, winter.weather, policy, winter.from_s, winter.to_s, winter.step_s)
    except (FrameError, WeatherError, PolicyError) as fault:
        raise InputError(str(fault)) from fault
    if hourly_file:
        _write_hourly(result, hourly_file)
    answer = _answer(app, result, winter.weather, lid_rule)
    if as_json:
        print_json(answer)
        return
    _tell(app, answer, hourly_file)


def _policy(rule: str, winter: Winter) -> Policy:
    from framesim.policies import PolicyError, parse

    if winter.settings is not None and rule != "law":
        raise PolicyError(f'Settings belong to the law: "--settings" has no meaning with "--lid {rule}".')
    if rule == "foresight":
        from framesim import foresight

        return foresight.policy(winter.frame, winter.weather, winter.from_s, winter.to_s, winter.step_s)
    return parse(rule, winter.settings)


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
