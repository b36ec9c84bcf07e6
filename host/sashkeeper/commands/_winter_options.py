"""The options of commands that carry a simulated frame through a winter: which frame, weather, days and settings."""

from __future__ import annotations

import functools
import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sashkeeper.errors import InputError

if TYPE_CHECKING:
    from framesim.frame import Frame
    from framesim.weather import Weather

DEFAULT_FRAME = "garden-frame"
# Option, and what it is called in framesim.weather.
HINTS = {"lat": "lat", "lon": "lon", "elevation": "elevation_m", "utc_offset": "utc_offset_h"}
ASKED = ("weather_file", "frame_name", "changes", "settings_file", "from_day", "to_day", "step_s", "fill", *HINTS)

_OPTIONS = (
    click.option("--weather", "weather_file", metavar="FILE", required=True,
                 help="EPW, TMY3 or a table with a header."),
    click.option("--frame", "frame_name", metavar="FRAME", default=DEFAULT_FRAME, show_default=True,
                 help="A TOML file, or the name of a frame that comes with Sashkeeper."),
    click.option("--set", "changes", metavar="KEY=VALUE", multiple=True,
                 help="Change a figure of the frame; repeatable."),
    click.option("--settings", "settings_file", metavar="FILE",
                 help="Settings of the law, JSON or TOML, by wire name."),
    click.option("--from", "from_day", metavar="MM-DD", default="11-01", show_default=True, help="First day."),
    click.option("--to", "to_day", metavar="MM-DD", default="03-31", show_default=True, help="Last day."),
    click.option("--step", "step_s", type=float, default=60.0, show_default=True, help="Seconds a step."),
    click.option("--lat", type=float, help="Latitude, north positive, where the file does not say."),
    click.option("--lon", type=float, help="Longitude, east positive."),
    click.option("--elevation", type=float, help="Height above the sea in metres."),
    click.option("--utc-offset", type=float, help="Standard time minus UTC in hours."),
    click.option("--fill", is_flag=True, help="Fill short gaps of the weather file by interpolation."),
)  # fmt: skip


@dataclass(frozen=True)
class Winter:
    """What was asked for, read: from_s and to_s in Unix s, settings of the law by wire name or None."""

    frame: Frame
    weather: Weather
    from_s: float
    to_s: float
    step_s: float
    settings: dict[str, int] | None
    days: str  # as typed: "11-01 to 03-31"


def winter_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command these options; it is called with `read_winter` instead of them.

    read_winter() reads the files and gives a Winter. It raises InputError, and what framesim says of a frame or
    a weather file that is wrong (FrameError, WeatherError).
    """

    @functools.wraps(command)
    def with_winter(*args: Any, **given: Any) -> None:
        asked = {name: given.pop(name) for name in ASKED}
        command(*args, read_winter=functools.partial(_read, asked), **given)

    for option in reversed(_OPTIONS):
        with_winter = option(with_winter)
    return with_winter


def _read(asked: Mapping[str, Any]) -> Winter:
    from framesim.frame import load
    from framesim.season import season_days
    from framesim.weather import read

    frame = load(asked["frame_name"], changes_of(asked["changes"]))
    path = asked["weather_file"]
    if not Path(path).is_file():
        raise InputError(f"There is no weather file {path}. Give an EPW, a TMY3 or a table.")
    hints = {field: asked[name] for name, field in HINTS.items() if asked[name] is not None}
    weather = read(path, fill=asked["fill"], **hints)
    from_s, to_s = season_days(weather, asked["from_day"], asked["to_day"])
    settings = _settings(asked["settings_file"])
    days = f"{asked['from_day']} to {asked['to_day']}"
    return Winter(frame, weather, from_s, to_s, asked["step_s"], settings, days)


def changes_of(pairs: tuple[str, ...]) -> dict[str, str]:
    """Read KEY=VALUE pairs. Raises InputError."""
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
