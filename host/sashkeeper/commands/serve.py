"""sashkeeper serve: take in what frames say, keep it, raise alarms, until told to stop."""

from __future__ import annotations

import logging
import re

import click

from sashkeeper.cli import App, pass_app
from sashkeeper.errors import InputError


@click.command("serve")
@click.option("--listen", help="Address for the broker that comes along (else from sashkeeper.toml).")
@click.option("--port", type=click.IntRange(1, 65535), help="Its port.")
@click.option("--only", type=click.Choice(["ingest", "alarms"]), help="One part of the work, for many frames.")
@click.option("--name", default="1", show_default=True, help="With --only ingest: which of the ingesters this is.")
@click.option("--verbose", "-v", is_flag=True, help="Say more.")
@pass_app
def command(app: App, listen: str | None, port: int | None, only: str | None, name: str, verbose: bool) -> None:
    """Keep all frames of this home: broker, store, alarms, deliveries. Ends cleanly on SIGTERM.

    For a club with thousands of frames the work can be split, with a broker of its own: any number of
    "serve --only ingest --name N" store readings and events, one "serve --only alarms" does the rest.
    """
    from sashkeeper.keeper import INGEST, Ingester, Keeper, run_until_signal

    if not re.fullmatch(r"[a-z0-9-]{1,16}", name):
        raise InputError(f'"{name[:40]}" cannot name an ingester: use 1 to 16 of a-z, 0-9, "-". Nothing was started.')

    logging.basicConfig(level=logging.INFO if verbose else logging.WARNING, format="%(asctime)s %(name)s: %(message)s")
    changes = {k: v for k, v in (("listen", listen), ("port", port)) if v is not None}
    if changes:
        app.use_config(app.config.model_copy(update={"broker": app.config.broker.model_copy(update=changes)}))

    def say(text: str) -> None:
        click.echo(f"sashkeeper: {text}")

    run_until_signal(Ingester(app, name, say) if only == INGEST else Keeper(app, say, only or ""))
