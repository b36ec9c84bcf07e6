"""sashkeeper crops: what we know about each crop, and where the figure comes from."""

from __future__ import annotations

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.season import crops
from sashkeeper.season.crops import Crop, CropBook, Pair


@click.group("crops", help="Look up crops: temperatures, days, spacing, each with its source.")
def command() -> None:
    """Group of the crop commands."""


def _degc(app: App, value: float) -> str:
    return app.temperature(value).replace(".0 ", " ")


def _span(app: App, pair: Pair) -> str:
    if pair[0] == pair[1]:
        return _degc(app, pair[0])
    return f"{_degc(app, pair[0])[:-2]} to {_degc(app, pair[1])}"


@command.command("list")
@json_option
@pass_app
def show_all(app: App, as_json: bool) -> None:
    """List all crops with their cold limits."""
    book = crops.load(app.home)
    if as_json:
        print_json([c.data for c in book.crops.values()])
        return
    rows = [
        [c.id, _span(app, c.leaf_damage_degc), f"{c.full_days[0]:g}-{c.full_days[1]:g}",
         ("own values; " if c.own else "") + ", ".join(c.also)]
        for c in book.crops.values()
    ]  # fmt: skip
    click.echo(table(["crop", "leaf damage from", "days", "also called"], rows))
    click.echo(paragraph('Guide values for hardened plants. "sashkeeper crops show NAME" gives all, with sources.'))


@command.command("show")
@click.argument("crop")
@json_option
@pass_app
def show(app: App, crop: str, as_json: bool) -> None:
    """Show all about one CROP."""
    book = crops.load(app.home)
    found = book.find(crop)
    if as_json:
        print_json(found.data)
        return
    names = f" ({', '.join(found.also)})" if found.also else ""
    click.echo(paragraph(f"{found.name}{names}, {found.data['latin']}", rest="  "))
    click.echo(table(["what", "guide value", "how sure"], _rows(app, found)))
    for text in (found.care, found.notes):
        if text:
            click.echo(paragraph(text, "  "))
    click.echo("Sources:")
    groups = ("germination", "growth", "heat", "cold", "harvest", "spacing", "ph")
    ids = dict.fromkeys(i for g in groups for i in found.sources(g))
    for source in ids:
        click.echo(paragraph(f"{source}: {_title(book, source)}", "  ", "      "))
    click.echo(paragraph(f"All can be changed in {app.home / crops.OWN_FILE}."))


def _title(book: CropBook, source: str) -> str:
    return book.sources.get(source, "")


def _rows(app: App, c: Crop) -> list[list[str]]:
    def both(pair: Pair, unit: str) -> str:
        return f"{pair[0]:g} {unit}" if pair[0] == pair[1] else f"{pair[0]:g} to {pair[1]:g} {unit}"

    soil = (c.soil_min_degc, c.soil_max_degc)
    return [
        ["soil to come up", f"{_span(app, soil)}, best {_degc(app, c.soil_best_degc)}", c.mark("germination",
                                                                                         "soil_min_degc")],
        ["grows from", _degc(app, c.base_degc), c.mark("growth", "base_degc")],
        ["grows best", _span(app, (c.best_low_degc, c.best_high_degc)), c.mark("growth")],
        ["quality falls", _span(app, c.quality_falls_degc), c.mark("heat")],
        ["leaves hurt", _span(app, c.leaf_damage_degc), c.mark("cold", "leaf_damage_degc")],
        ["not hardened", _degc(app, c.unhardened_degc), c.mark("cold", "unhardened_degc")],
        ["plant dies", f"{_span(app, c.kill_degc)}, ± {c.cold_plus_minus_degc:g}", c.mark("cold", "kill_degc")],
        ["baby leaf", both(c.baby_days, "days"), c.mark("harvest")],
        ["full size", both(c.full_days, "days"), c.mark("harvest")],
        ["rows", f"{both(c.row_cm, 'cm')}, {c.in_row_cm:g} in the row", c.mark("spacing")],
        ["seed", f"{c.baby_seeds_per_m:g} a m of band, {c.depth_cm:g} cm deep", c.mark("spacing")],
        ["start", " or ".join(c.starts), "see notes"],
        ["cut again", c.regrows, c.regrows_note],
        ["soil pH", both(c.ph, "").strip(), c.mark("ph")],
        ["vent class", c.growing_class.replace("_", " "), "guide"],
        ["when hardened", c.winter_class.replace("_", " "), "guide"],
    ]
