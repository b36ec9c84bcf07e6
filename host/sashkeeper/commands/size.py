"""sashkeeper size: is the lid safe with its drive, does the battery last."""

from __future__ import annotations

import dataclasses
import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from sashkeeper.columns import paragraph
from sashkeeper.context import App
from sashkeeper.errors import InputError
from sashkeeper.sizing import drawing, judge_lid, linkage, loads, power
from sashkeeper.sizing.lid import Drive, Lid, snow_limit_m
from sashkeeper.sizing.linkage import Place
from sashkeeper.sizing.rows import Row, Verdict, advice_of, worst

FRESH_KG_M3, WET_KG_M3 = 100.0, 320.0  # Source: fresh snow 48-112, wet 320 or more; public snow-load pages.
CAUTION = (
    "These sums are help, not approval. A moving lid can crush: prop it before you reach in, and follow local rules."
)


@click.group(help="Work out forces, power, wire and fuse before you buy or build.")
def size() -> None:
    """Group of the sizing commands."""


def _positive(_ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    if value is not None and not 0 < value < 1e6:
        raise click.BadParameter(f"{value:g} must be above zero.", param=param)
    return value


def _number(
    name: str, default: float | None, text: str, required: bool = False
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    # A default of None would count as given, and nothing would be required any more.
    known: dict[str, Any] = {} if default is None else {"default": default, "show_default": True}
    return click.option(name, type=float, required=required, help=text, callback=_positive, **known)


@size.command("lid", help="Forces, speeds and current of a lid and its drive, against the safety rows.")
@_number("--depth", None, "Lid from hinge to front edge, m.", required=True)
@_number("--width", None, "Lid along the hinge, m.", required=True)
@_number("--mass", None, "Whole lid, kg. Left out: from sheet and rails.")
@_number("--sheet", 1.3, "Glazing, kg/m2 (6 mm twin wall 1.3; 4 mm glass 10).")
@_number("--rail", 45.0, "Side of the square softwood rails, mm.")
@click.option("--bars", type=click.IntRange(0, 10), default=1, show_default=True, help="Bars between the side rails.")
@click.option("--slope", type=click.FloatRange(0, 60), default=10.0, show_default=True, help="Fall of shut lid, deg.")
@click.option("--opening", type=click.FloatRange(1, 85), default=30.0, show_default=True, help="Turn when open, deg.")
@_number("--wall", 0.40, "Back wall, m: how deep the drive can be fixed.")
@_number("--force", None, "Rated force of the drive, N.", required=True)
@_number("--speed", None, "Speed of the drive at that force, mm/s.", required=True)
@_number("--current", None, "Current of the drive at that force, A.", required=True)
@_number("--idle", None, "Current running free, A. [default: 0.3 of the rated]")
@_number("--stall", None, "Current blocked, A. [default: 2.5 of the rated]")
@_number("--limit-a", None, "Current limit of the motor driver itself, A.")
@_number("--supply", 12.0, "Supply, V d.c.")
@click.option("--place", nargs=3, type=float, default=None, metavar="ON_LID X DOWN",
              help="Drive: m along the lid; fixed end m in front of and m below the hinge. Left out: a place is found.")
@click.option("--slotted", is_flag=True, help="The drive only pushes; the lid falls shut by its own weight.")
@click.option("--guarded", is_flag=True, help="I have guarded the gap so that no hand can be caught.")
@click.option("--snow", type=click.FloatRange(0, 10), default=0.0, help="Snow on the ground, kPa (10 kg/m2 = 0.1).")
@click.option("--ice", type=click.FloatRange(0, 100), default=0.0, help="Clear ice on the lid, mm.")
@click.option("--storm", type=click.FloatRange(5, 70), default=25.0, show_default=True, help="Gust to stand shut, m/s.")
@click.option("--drawing", "picture", type=click.Path(dir_okay=False, path_type=Path), help="Write a side view (SVG).")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
@click.pass_context
def size_lid(ctx: click.Context, /, picture: Path | None, as_json: bool, **given: Any) -> None:  # fmt: skip
    """Judge a lid; exit code 1 when it is refused."""
    depth, width, wall = given["depth"], given["width"], given["wall"]
    mass = given["mass"] or loads.lid_mass_kg(depth, width, given["sheet"], given["rail"], given["bars"])
    shape = Lid(
        depth, width, mass, given["slope"], given["opening"], storm_m_s=given["storm"], snow_kpa=given["snow"],
        ice_mm=given["ice"], slotted=given["slotted"], guarded=given["guarded"],
    )  # fmt: skip
    drive = _drive(given)
    place = _place(given["place"], shape, wall)
    figures, rows = judge_lid.judge(shape, drive, place)
    if picture is not None:
        drawing.lid(picture, shape, place, figures, wall, rows)
    fittings = judge_lid.fittings(shape, drive, figures)
    snow = {name: snow_limit_m(shape, drive, place, kg) for name, kg in (("fresh", FRESH_KG_M3), ("wet", WET_KG_M3))}
    if as_json:
        _say_json(rows, {**dataclasses.asdict(figures), "mass_kg": mass, "place": dataclasses.asdict(place),
                         "snow_limit_m": snow, "fittings": fittings})  # fmt: skip
    else:
        click.echo(paragraph(
            f"Lid {depth:g} x {width:g} m, {mass:.1f} kg. "
            f"Drive on the lid {place.attach_m * 1000:.0f} mm from the hinge, "
            f"fixed {place.pivot_x_m * 1000:.0f} mm in front of and {-place.pivot_y_m * 1000:.0f} mm below it."
        ))  # fmt: skip
        _say_rows(rows)
        click.echo(paragraph(
            f"Snow the drive could lift: {snow['fresh'] * 100:.0f} cm fresh, {snow['wet'] * 100:.0f} cm wet. "
            "A lid frozen to its rim counts as blocked."
        ))  # fmt: skip
        click.echo("When you set up the board, put this behind the command:")
        click.echo("  " + " ".join(f"--fitting {name}={figure}" for name, figure in fittings.items()))
        _say_verdict(rows)
    ctx.exit(1 if worst(rows) is Verdict.REFUSED else 0)


def _drive(given: dict[str, Any]) -> Drive:
    idle = given["idle"] if given["idle"] is not None else 0.3 * given["current"]
    if idle >= given["current"]:
        raise click.UsageError("The current running free must be below the current at the rated force (--current).")
    return Drive(
        given["force"], given["speed"], given["current"], given["supply"],
        given["idle"], given["stall"], given["limit_a"],
    )  # fmt: skip


def _place(given: Sequence[float] | None, shape: Lid, wall_m: float) -> Place:
    if given:
        along, x, down = given
        if not 0 < along <= shape.depth_m:
            raise click.UsageError(
                f"The drive meets the lid {along:g} m from the hinge, but the lid ends at {shape.depth_m:g} m."
            )
        return Place(along, x, -down)
    found = linkage.best_place(shape.depth_m, wall_m, shape.shut_deg, shape.top_deg)
    if found is None:
        raise click.UsageError(
            "No place inside this frame fits a drive for that opening. Open less far, raise the back wall, "
            "or name a place with --place."
        )
    return found


@size.command("power", help="Battery, panel, wire and fuse for the darkest month.")
@click.option("--lat", type=click.FloatRange(-66, 66), help="Latitude, deg, south negative. Left out: your place.")
@_number("--battery", None, "Battery, Ah.", required=True)
@_number("--panel", None, "Solar panel, W.", required=True)
@_number("--volts", 12.0, "Nominal voltage, V d.c.")
@click.option("--lithium", is_flag=True, help="Lithium iron phosphate instead of lead.")
@click.option("--tilt", type=click.FloatRange(0, 90), default=65.0, show_default=True, help="Tilt of the panel, deg.")
@click.option("--clearness", type=click.FloatRange(0.05, 0.8), default=0.30, show_default=True,
              help="Share of the sun that reaches the ground in a dull month.")
@click.option("--month-sun", default=None, metavar="12 NUMBERS",
              help="Sun on level ground from a weather file, kWh/m2 a day, January to December, commas between.")
@click.option("--weather", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="Weather file of your place (EPW, TMY3, CSV) instead of a guess.")
@_number("--days", 7.0, "Days without any sun that it must stand.")
@_number("--idle-ma", 60.0, "Board, radio and probes at the battery, mA. Measure yours.")
@_number("--moves", 12.0, "Lid moves a day.")
@_number("--travel", 60.0, "Length of one move, s.")
@_number("--motor", 2.0, "Motor current while moving, A.")
@_number("--stall", 5.0, "Motor current blocked, A.")
@_number("--cable", 5.0, "Battery to motor, one way, m.")
@_number("--wire", None, "Cross section you have, mm2. Left out: one is chosen.")
@click.option("--drawing", "picture", type=click.Path(dir_okay=False, path_type=Path), help="Write a chart (SVG).")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
@click.pass_context
def size_power(ctx: click.Context, /, picture: Path | None, as_json: bool, **given: Any) -> None:  # fmt: skip
    """Judge a supply; exit code 1 when it is refused."""
    load = power.Load(given["idle_ma"], given["moves"], given["travel"], given["motor"], given["stall"])
    lat, months = _sun(given["lat"], given["month_sun"], given["weather"])
    supply = power.Supply(
        given["battery"], given["panel"], lat, given["volts"], given["lithium"], given["tilt"],
        given["clearness"], given["days"], given["cable"], given["wire"] or 0.0, months,
    )  # fmt: skip
    figures, rows = power.judge(load, supply)
    if picture is not None:
        drawing.power(picture, load, supply, figures)
    limits = {"battery_low_mv": figures.low_mv, "battery_empty_mv": figures.empty_mv}
    if as_json:
        _say_json(rows, {**dataclasses.asdict(figures), "settings": {} if supply.lithium else limits})
    else:
        _say_rows(rows)
        if supply.lithium:
            click.echo(paragraph(
                "The pack's own electronics guard a lithium battery; ask its maker for the low and empty voltage."
            ))  # fmt: skip
        else:
            click.echo("Settings for a lead battery, to be sent once the frame runs:")
            for name, value in limits.items():
                click.echo(f"  --other {name}={value}")
        _say_verdict(rows)
    ctx.exit(1 if worst(rows) is Verdict.REFUSED else 0)


def _sun(lat: float | None, month_sun: str | None, weather: Path | None) -> tuple[float, tuple[float, ...]]:
    """Return latitude and the monthly sun, () when unknown, from options, weather file and the grower's place."""
    months = _months(month_sun)
    if weather is not None:
        if months:
            raise click.UsageError("Give either --weather or --month-sun, not both.")
        place, months = weather_months(weather)
        lat = place if lat is None else lat
    app = click.get_current_context().find_object(App)
    if lat is None and app is not None:
        lat = app.config.place.lat_deg
    if lat is None:
        raise click.UsageError("Where is the frame? Give --lat, or enter your place once with: sashkeeper site.")
    return lat, months


def weather_months(path: Path) -> tuple[float, tuple[float, ...]]:
    """Return latitude and sun on level ground by month [kWh/m2 a day] of a weather file that holds a whole year."""
    from framesim.weather import WeatherError, read

    try:
        weather = read(path)
    except WeatherError as error:
        raise InputError(str(error)) from None
    total, hours = [0.0] * 12, [0] * 12
    for time_s, ghi in zip(weather.time_s, weather.ghi, strict=True):
        # The middle of the interval, in standard time.
        month = time.gmtime(time_s - 1800.0 + weather.utc_offset_h * 3600.0).tm_mon - 1
        total[month] += float(ghi) / 1000.0
        hours[month] += 1
    if min(hours) < 24:
        raise InputError(f"{path} does not hold every month of a year. Take one that does, or use --month-sun.")
    return weather.lat, tuple(24.0 * sun / count for sun, count in zip(total, hours, strict=True))


def _months(text: str | None) -> tuple[float, ...]:
    if text is None:
        return ()
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise click.UsageError("--month-sun needs twelve numbers with commas between, January first.") from None
    if len(numbers) != 12 or not all(0 <= number <= 12 for number in numbers):
        raise click.UsageError(f"--month-sun needs twelve numbers of 0 to 12 kWh/m2 a day, and got {len(numbers)}.")
    return numbers


def _say_rows(rows: Sequence[Row]) -> None:
    for row in rows:
        mark = {Verdict.SOUND: "ok", Verdict.REPORT: "--", Verdict.CONDITION: "IF", Verdict.REFUSED: "NO"}[row.verdict]
        limit = f" (limit: {row.limit})" if row.limit else ""
        click.echo(paragraph(f"{mark}  {row.id:6} {row.what}: {row.value}{limit}", "  ", " " * 13))


def _say_verdict(rows: Sequence[Row]) -> None:
    verdict = worst(list(rows))
    click.echo({
        Verdict.SOUND: "Verdict: sound.",
        Verdict.CONDITION: "Verdict: sound, but only if:",
        Verdict.REFUSED: "Verdict: do NOT build it like this.",
    }[verdict])  # fmt: skip
    for kind, lead in ((Verdict.REFUSED, "No: "), (Verdict.CONDITION, "If: "), (Verdict.REPORT, "Know: ")):
        for sentence in dict.fromkeys(advice_of(list(rows), kind)):
            click.echo(paragraph(lead + sentence, "  ", " " * (2 + len(lead))))
    click.echo(paragraph(CAUTION))


def _say_json(rows: Sequence[Row], figures: dict[str, Any]) -> None:
    out = {
        "verdict": worst(list(rows)).name.lower(),
        "rows": [{**dataclasses.asdict(row), "verdict": row.verdict.name.lower()} for row in rows],
        "figures": {key: _finite(value) for key, value in figures.items()},
        "caution": CAUTION,
    }
    click.echo(json.dumps(out, indent=2, allow_nan=False))


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and value in (float("inf"), float("-inf")) else value

command = size
