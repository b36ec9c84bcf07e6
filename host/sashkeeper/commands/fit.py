"""sashkeeper fit: a frame's own loss, sun, air exchange and soil, from what it has measured."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from sashkeeper.alarms import fitted
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.commands._winter_options import DEFAULT_FRAME, changes_of
from sashkeeper.errors import InputError, JobError
from sashkeeper.spans import between

if TYPE_CHECKING:
    from framesim.fit import Fit

Series = dict[str, list[tuple[float, float]]]

MEASURED = ("air", "soil", "outside", "lid", "light", "wind")
MOST_DAYS = 31


@click.command("fit", help="Find a frame's own figures from a week of readings.")
@click.argument("frame")
@click.option("--days", type=click.IntRange(3, MOST_DAYS), default=7, show_default=True, help="How many days to use.")
@click.option("--to", "end", default="now", show_default=True, help="Last day, 2026-01-31; a day means until its end.")
@click.option("--box", default=DEFAULT_FRAME, show_default=True,
              help="Its shape and build: a TOML file, or the name of a frame that comes with Sashkeeper.")  # fmt: skip
@click.option("--set", "changes", metavar="KEY=VALUE", multiple=True, help="Change a figure of the box; repeatable.")
@click.option("--soil-probe", "soil_probe_m", type=click.FloatRange(0.01, 0.4), default=0.10, show_default=True,
              help="Depth of the soil probe in metres.")  # fmt: skip
@click.option("--weather", "weather_file", metavar="FILE",
              help="A station's table of the same days, for sky and humidity.")  # fmt: skip
@click.option("--keep", is_flag=True, help="Let the alarms go by it: is the lid really as open as it says?")
@json_option
@pass_app
def command(
    app: App,
    frame: str,
    days: int,
    end: str,
    box: str,
    changes: tuple[str, ...],
    soil_probe_m: float,
    weather_file: str | None,
    keep: bool,
    as_json: bool,
) -> None:
    """Read the week from the store, fit, and say what it can and cannot tell."""
    place = app.config.place
    if place.lat_deg is None or place.lon_deg is None:
        raise InputError('A fit needs the sun\'s height. Say first where the frame stands: "sashkeeper site set".')
    app.store.frame(frame)
    _, end_s = between("2000-01-01", end, ZoneInfo(place.timezone), app.clock.now_s())
    start_s = end_s - days * 86400.0
    series: Series = {
        name: [(float(t), v) for t, v in app.store.series(frame, name, start_s, end_s)] for name in MEASURED
    }

    from framesim import layout as at
    from framesim.fit import fit
    from framesim.fit_record import RecordError, record
    from framesim.frame import FrameError, load

    try:
        built = load(box, changes_of(changes))
        if weather_file:
            series |= _station(weather_file)
        ratio = float(built.parameters[at.P_WIND_RATIO])
        week = record(series, start_s, end_s, place.lat_deg, place.lon_deg, place.elevation_m, ratio)
    except FrameError as fault:
        raise InputError(str(fault)) from fault
    except RecordError as fault:
        raise JobError(f"{frame}: {fault}") from fault
    found = fit(built, week, soil_probe_m)
    model = fitted.keep(app.store, frame, built, found) if keep else None
    if as_json:
        print_json(_answer(frame, built.name, found))
        return
    _tell(app, frame, built.name, found)
    if model is not None:
        click.echo(paragraph(f"Kept: the alarms now reckon with a loss of {model.loss:.1f} W/m2 K, "
                             f"{model.air:.0f} W/m2 K through the open lid, and {model.gain_share:.2f} of the sun."))


def _station(path: str) -> Series:
    """Sky and humidity of a station's hours, at the middles of the hours."""
    from framesim.weather import WeatherError, read

    if not Path(path).is_file():
        raise InputError(f"There is no weather file {path}. Give a table of the same days.")
    try:
        weather = read(path)
    except WeatherError as fault:
        raise InputError(str(fault)) from fault
    middles = weather.time_s - 1800.0
    return {
        name: [(float(t), float(v)) for t, v in zip(middles, values, strict=True) if v == v]
        for name, values in (("sky", weather.t_sky_degc), ("humidity", weather.rh_percent))
    }


def _answer(frame: str, box: str, found: Fit) -> dict[str, Any]:
    return {
        "frame": frame,
        "box": box,
        "hours": found.hours,
        "air_rms_k": round(found.air_rms_k, 2),
        "soil_rms_k": None if found.soil_rms_k is None else round(found.soil_rms_k, 2),
        "notes": list(found.notes),
        "figures": {
            e.name: {
                "what": e.what, "unit": e.unit, "value": float(f"{e.value:.4g}"), "low": float(f"{e.low:.4g}"),
                "high": float(f"{e.high:.4g}"), "of_description": round(e.factor, 3), "told": e.told,
                "why_not": e.why_not,
            }
            for e in found.estimates.values()
        },
    }  # fmt: skip


def _tell(app: App, frame: str, box: str, found: Fit) -> None:
    degrees = 1.8 if app.fahrenheit else 1.0
    unit = "F" if app.fahrenheit else "C"
    soil = "" if found.soil_rms_k is None else f", the soil to {degrees * found.soil_rms_k:.1f} {unit}"
    click.echo(
        paragraph(
            f"{frame}, {found.hours} hours. A box like {box} with the figures below follows the air to "
            f"{degrees * found.air_rms_k:.1f} {unit}{soil} (rms)."
        )
    )
    told = [e for e in found.estimates.values() if e.told]
    rows = [
        [f"{e.value:.3g} {e.unit}", f"{e.low:.3g} to {e.high:.3g}", f"{e.factor:.2f}", e.what] for e in told
    ]
    click.echo(table(["value", "90 % interval", "x box", "what"], rows))
    for e in found.estimates.values():
        if not e.told:
            click.echo(paragraph(f"Cannot tell: {e.what} ({e.why_not}).", rest="  "))
    for note in found.notes:
        click.echo(paragraph(f"Note: {note}.", rest="  "))
    click.echo(paragraph('"x box" is the value over what the box\'s description gives; 1 means: built as described.'))
