"""sashkeeper serve: take in what frames say, keep it, raise alarms, until told to stop."""

from __future__ import annotations

import logging

import click

from sashkeeper.cli import App, pass_app


@click.command("serve")
@click.option("--listen", help="Address for the broker that comes along (else from sashkeeper.toml).")
@click.option("--port", type=click.IntRange(1, 65535), help="Its port.")
@click.option("--verbose", "-v", is_flag=True, help="Say more.")
@pass_app
def command(app: App, listen: str | None, port: int | None, verbose: bool) -> None:
    """Keep all frames of this home: broker, store, alarms, deliveries. Ends cleanly on SIGTERM."""
    from sashkeeper.keeper import Keeper, run_until_signal

    logging.basicConfig(level=logging.INFO if verbose else logging.WARNING, format="%(asctime)s %(name)s: %(message)s")
    changes = {k: v for k, v in (("listen", listen), ("port", port)) if v is not None}
    if changes:
        app.use_config(app.config.model_copy(update={"broker": app.config.broker.model_copy(update=changes)}))
    run_until_signal(Keeper(app, say=lambda text: click.echo(f"sashkeeper: {text}")))
