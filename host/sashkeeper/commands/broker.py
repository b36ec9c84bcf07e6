"""sashkeeper broker: where the broker is, and the configuration for Mosquitto."""

from __future__ import annotations

from pathlib import Path

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph


@click.group("broker", help="Show the broker in use; write the configuration for Mosquitto.")
def command() -> None:
    """Group of the broker commands."""


@command.command("show")
@json_option
@pass_app
def show(app: App, as_json: bool) -> None:
    """Say which broker is used and whether it answers."""
    from sashkeeper.broker import address, lan_host
    from sashkeeper.bus import Bus
    from sashkeeper.errors import BrokerError

    where = address(app)
    fault = ""
    bus = Bus(where, "sashkeeper-look", clean=True, topics=("frames/+/presence",))
    try:
        bus.connect(3.0)
    except BrokerError as error:
        fault = error.sentence
    finally:
        bus.close()
    kind = app.config.broker.kind
    if as_json:
        print_json({"kind": kind, "host": where.host, "port": where.port, "tls": where.tls, "answers": not fault,
                    "for_boards": lan_host(app), "fault": fault})  # fmt: skip
        return
    click.echo(f"{kind} broker at {where}, {'TLS' if where.tls else 'no TLS: for a network that you trust'}")
    click.echo(f"boards reach it at {lan_host(app)}:{where.port}")
    click.echo(paragraph(fault) if fault else "it answers")


@command.command("mosquitto")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--listen", default="0.0.0.0", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), default=1883, show_default=True)
@click.option("--cert-file", type=click.Path(exists=True, dir_okay=False), help="Certificate, for TLS.")
@click.option("--key-file", type=click.Path(exists=True, dir_okay=False), help="Its private key.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
@pass_app
def mosquitto(
    app: App, folder: Path, listen: str, port: int, cert_file: str | None, key_file: str | None, overwrite: bool
) -> None:
    """Write mosquitto.conf, accounts and access rules for all frames into FOLDER."""
    from sashkeeper import mosquitto as files
    from sashkeeper.errors import InputError

    if bool(cert_file) != bool(key_file):
        raise InputError("TLS needs both --cert-file and --key-file. Nothing was written.")
    paths = files.write(
        app.store, folder.resolve(), listen=listen, port=port, cert_file=cert_file or "", key_file=key_file or "",
        overwrite=overwrite,
    )  # fmt: skip
    for path in paths:
        click.echo(str(path))
    click.echo(paragraph('Start it with "mosquitto -c" and the first file, and set kind = "external" under [broker].'))
