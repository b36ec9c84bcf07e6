"""sashkeeper bed: compost, lime, sulfur and nitrogen for a bed."""

from __future__ import annotations

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.season import bed, crops


@click.command("bed", help="How much compost, lime, sulfur and nitrogen a bed takes.")
@click.option("--area", type=float, required=True, help="Area of the bed, m2.")
@click.option("--soil", "texture", type=click.Choice(bed.TEXTURES), required=True, help="Kind of soil.")
@click.option("--ph", type=float, help="pH from a soil test.")
@click.option("--fizzes/--no-fizz", "fizzes", default=None, help="Whether dry soil fizzes with vinegar.")
@click.option("--crop", "words", multiple=True, help="Crop meant for it; may be given more than once.")
@click.option("--lime-cce", "cce", type=float, default=100.0, show_default=True, help="Strength of the lime, % CaCO3.")
@click.option("--nitrogen", type=float, help="Nitrogen in your fertilizer, %.")
@json_option
@pass_app
def command(
    app: App, area: float, texture: str, ph: float | None, fizzes: bool | None, words: tuple[str, ...], cce: float,
    nitrogen: float | None, as_json: bool,
) -> None:  # fmt: skip
    """Work out amounts for a bed, with ranges and cautions."""
    book = crops.load(app.home)
    kinds = [book.find(w) for w in words]
    found = bed.advise(area, texture, ph, kinds, fizzes=fizzes, cce_percent=cce, nitrogen_percent=nitrogen)
    if as_json:
        print_json(bed.as_dict(found))
        return
    rows = []
    for a in found.amounts:
        text = a.text if a.doses == 1 else f"{a.text}; in {a.doses} doses, {a.apart_days} days apart or more"
        rows.append([a.what, _range(a.low_g_m2, a.high_g_m2), _range(a.low_g, a.high_g), f"{text} [{a.source}]"])
    click.echo(table(["what", "a m2", "the bed", "how"], rows))
    for caution in found.cautions:
        click.echo(paragraph(f"Mind: {caution}", "", "  "))


def _range(low_g: float, high_g: float) -> str:
    if high_g >= 1000:
        low, high, unit = low_g / 1000, high_g / 1000, "kg"
        first, second = f"{low:.1f}", f"{high:.1f}"
    else:
        first, second, unit = f"{low_g:.0f}", f"{high_g:.0f}", "g"
    return f"{first} {unit}" if first == second else f"{first}-{second} {unit}"
