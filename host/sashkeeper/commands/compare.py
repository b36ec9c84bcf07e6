"""sashkeeper compare: ways to keep a lid through one winter, from never opened to perfect foresight."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.commands._winter_options import Winter, winter_options
from sashkeeper.errors import InputError, JobError
from sashkeeper.season import crops
from sashkeeper.season.crops import Crop, CropBook
from sashkeeper.season.setpoints import LEAST_BAND_DEGC, MDEGC
from sashkeeper.season.winter_hardness import winter_hardness

if TYPE_CHECKING:
    from framesim.compare import Comparison, Score
    from framesim.foresight import Aim
    from framesim.weather import Weather

DEFAULT_CROPS = "spinach,leaf-lettuce"


@click.command("compare", help="Compare ways to keep a lid through one winter.")
@winter_options
@click.option("--crops", "crop_words", metavar="A,B", default=DEFAULT_CROPS, show_default=True,
              help="What grows in the frame; the mean of the crops is judged.")  # fmt: skip
@click.option("--only", metavar="A,B", help="Only these ways: closed, crack, two-point, passive, law, foresight.")
@click.option("--plot", "plot_file", metavar="OUT.png", help="Draw a picture.")
@json_option
@pass_app
def command(
    app: App,
    read_winter: Callable[[], Winter],
    crop_words: str,
    only: str | None,
    plot_file: str | None,
    as_json: bool,
) -> None:
    """Read what was asked for, run every way, say what came of it."""
    from framesim import compare
    from framesim.frame import FrameError
    from framesim.policies import PolicyError
    from framesim.weather import WeatherError

    book = crops.load(app.home)
    planted = [book.find(word) for word in crop_words.split(",") if word.strip()]
    if not planted:
        raise InputError("Name at least one crop, as in --crops spinach,leaf-lettuce. Nothing was run.")
    names = _names(only, compare.NAMES)
    aim = aim_of(planted, book)
    try:
        winter = read_winter()
        settings = setpoints_of(planted, book) | (winter.settings or {})
        comparison = compare.run(
            winter.frame, winter.weather, aim, winter.from_s, winter.to_s, winter.step_s, settings, names, _progress
        )
    except (FrameError, WeatherError, PolicyError) as fault:
        raise InputError(str(fault)) from fault
    finally:
        _progress("")
    frame, weather = winter.frame, winter.weather
    if plot_file:
        _plot(comparison, weather, f"{frame.name}, {winter.days}, {weather.name}", plot_file)
    answer = _answer(comparison, planted, weather, frame.name) | {"law_settings": settings}
    if as_json:
        print_json(answer)
        return
    _tell(answer, planted, plot_file)


def aim_of(planted: list[Crop], book: CropBook) -> Aim:
    """The temperatures that count: scorch of the winter class, first leaf damage when hardened, best growth."""
    from framesim.foresight import Aim

    return Aim(
        tuple(book.classes[c.winter_class].scorch_degc for c in planted),
        tuple(c.leaf_damage_degc[0] for c in planted),
        tuple(c.best_low_degc for c in planted),
        tuple(c.best_high_degc for c in planted),
    )


def setpoints_of(planted: list[Crop], book: CropBook) -> dict[str, int]:
    """What the law is set to, by wire name: the guide values of the crops' winter classes, the tightest rules.

    As `sashkeeper setpoints` suggests them for hardened plants; everything else stays as built in.
    """
    kinds = [book.classes[c.winter_class] for c in planted]
    opening = min(k.open_degc for k in kinds)
    degrees = {
        "open_mdegc": opening,
        "close_mdegc": min(max(k.close_degc for k in kinds), opening - LEAST_BAND_DEGC),
        "scorch_mdegc": min(k.scorch_degc for k in kinds),
        "min_outside_mdegc": max(k.min_outside_degc for k in kinds),
    }
    return {name: round(MDEGC * degc) for name, degc in degrees.items()}


def _names(only: str | None, known: tuple[str, ...]) -> tuple[str, ...]:
    if only is None:
        return known
    asked = [word.strip() for word in only.split(",")]
    for word in asked:
        if word not in known:
            raise InputError(f'There is no way called "{word}". Use some of: {", ".join(known)}. Nothing was run.')
    return tuple(name for name in known if name in asked)


def _progress(name: str) -> None:
    """On a terminal, say which way is being run; perfect foresight takes a minute or more."""
    import sys

    if sys.stderr.isatty():
        sys.stderr.write(f"\r\033[K{name + ' ...' if name else ''}")
        sys.stderr.flush()


def _plot(comparison: Comparison, weather: Weather, title: str, path: str) -> None:
    from framesim.compare_picture import draw

    try:
        draw(comparison, weather, title, path)
    except (OSError, ValueError) as fault:
        raise JobError(f"The picture {path} cannot be written: {fault}. Give another name with --plot.") from fault


def _answer(comparison: Comparison, planted: list[Crop], weather: Weather, frame: str) -> dict[str, Any]:
    ways = [_way(comparison, score, planted, weather) for score in comparison.scores.values()]
    return {
        "frame": frame,
        "weather": weather.name,
        "weather_invented": weather.invented,
        "weather_notes": list(weather.notes),
        "crops": [c.id for c in planted],
        "ways": ways,
    }


def _way(comparison: Comparison, score: Score, planted: list[Crop], weather: Weather) -> dict[str, Any]:
    """All figures of one way; shares only where closed lid and bound were run."""
    leaf = score.result.hourly["t_leaf"]
    hard = [winter_hardness(c, list(score.result.time_end_s), list(leaf), weather.utc_offset_h) for c in planted]
    both = "closed" in comparison.scores and "foresight" in comparison.scores
    shares = {
        "damage_share": comparison.way(score.name, "damage_h") if both else None,
        "growing_share": comparison.way(score.name, "growing_h") if both else None,
        "overall_share": comparison.overall(score.name) if both else None,
    }
    return {
        **score.figures(),
        "hardening_lost_k": round(sum(h.lost_k for h in hard) / len(hard), 1),
        "frost_below_own_hardness_h": round(sum(h.frost_h for h in hard) / len(hard), 1),
        **{key: None if share is None else round(share, 3) for key, share in shares.items()},
        "cost": round(comparison.cost(score.name), 1),
        "crops": {c.id: {k: round(v, 1) for k, v in got.items()}
                  for c, got in zip(planted, score.crops, strict=True)},
    }  # fmt: skip


def _tell(answer: dict[str, Any], planted: list[Crop], plot_file: str | None) -> None:
    names = ", ".join(c.name for c in planted)
    click.echo(paragraph(f"{answer['frame']} with {names}, {answer['weather']}"))
    if answer["weather_invented"]:
        click.echo("This weather is invented: no station ever saw it.")
    rows = [
        [
            w["label"], f"{w['heat_damage_h']:g}", f"{w['frost_damage_h']:g}", f"{w['growing_light_h']:g}",
            f"{w['hardening_lost_k']:g}", f"{w['lid_moves']}",
            "-" if w["motor_ah"] is None else f"{w['motor_ah']:.1f}", _percent(w["damage_share"]),
            _percent(w["growing_share"]), _percent(w["overall_share"]),
        ]
        for w in answer["ways"]
    ]  # fmt: skip
    heads = ["lid", "heat", "frost", "grow", "soft K", "moves", "Ah", "harm%", "grow%", "all%"]
    click.echo(table(heads, rows))
    degrees = answer["law_settings"]
    click.echo(
        paragraph(
            f"The law opens at {degrees['open_mdegc'] / MDEGC:g} C and shuts at {degrees['close_mdegc'] / MDEGC:g} C, "
            "as these crops are kept in winter or as --settings says. "
            "heat, frost, grow: hours at the leaf with damage, and of daylight in the growing band; mean of the crops, "
            "guide values of hardened plants: an estimate, not a promise. soft: frost resistance lost in warm spells, "
            "summed. Ah: charge the motor drew. harm%, grow%, all%: share of the way from the closed lid to perfect "
            "foresight, the best that a lid with the same pauses and travel could have done had it known the weather. "
            "That bound is good to a few percent; it weighs an hour of damage as ten of growth (all%), so that in one "
            "of the two a rule may pass it."
        )
    )
    if plot_file:
        click.echo(f"The picture is {plot_file}.")


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.0f}"
