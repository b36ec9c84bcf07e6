"""sashkeeper doctor: is this installation secure and sound, item by item."""

from __future__ import annotations

import dataclasses

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph


@click.command("doctor")
@json_option
@pass_app
def command(app: App, as_json: bool) -> None:
    """Look at files, keys, TLS, broker, page, phone, clock, backups and frames; end with 1 when something is unsafe."""
    from sashkeeper.joining import doctor

    items = doctor.examine(app)
    unsafe, look = (sum(item.verdict == word for item in items) for word in (doctor.UNSAFE, doctor.LOOK))
    if as_json:
        print_json({"safe": not unsafe, "items": [dataclasses.asdict(item) for item in items]})
    else:
        for item in items:
            mark = {"good": "  ", "look": "? ", "unsafe": "! "}[item.verdict]
            click.echo(paragraph(f"{item.what}: {item.found}" + (f" {item.do}" if item.do else ""), mark, "    "))
        click.echo(f"{unsafe} unsafe, {look} to look at, of {len(items)} items.")
    if unsafe:
        click.get_current_context().exit(1)
