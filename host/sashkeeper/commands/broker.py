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
    from sashkeeper.errors import BrokerError
    from sashkeeper.reach import in_clear
    from sashkeeper.wire.broker import address, lan_host
    from sashkeeper.wire.bus import Bus

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
        clear = in_clear(app.config.broker)
        print_json({"kind": kind, "host": where.host, "port": where.port, "tls": where.tls, "in_clear": clear,
                    "answers": not fault, "for_boards": lan_host(app), "fault": fault})  # fmt: skip
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
@click.option("--plain", is_flag=True, help="Really without TLS, though others on the network can reach it.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there.")
@pass_app
def mosquitto(
    app: App, folder: Path, listen: str, port: int, cert_file: str | None, key_file: str | None, plain: bool,
    overwrite: bool,
) -> None:  # fmt: skip
    """Write mosquitto.conf, accounts and access rules for all frames into FOLDER.

    Certificates made by "sashkeeper join certificates" are used without being named.
    """
    from sashkeeper.errors import InputError
    from sashkeeper.joining.files import FOLDER, Files
    from sashkeeper.reach import stays_here
    from sashkeeper.wire import mosquitto as files

    if bool(cert_file) != bool(key_file):
        raise InputError("TLS needs both --cert-file and --key-file. Nothing was written.")
    own = Files(app.home.resolve() / FOLDER)
    if not cert_file and not plain and own.cert.exists():
        cert_file, key_file = str(own.cert), str(own.key)
    if not cert_file and not plain and not stays_here(listen):
        raise InputError(
            "Without TLS passwords would travel in clear. Nothing was written. Make certificates with "
            '"sashkeeper join certificates", or say --plain if you trust everybody on that network.'
        )
    paths = files.write(
        app.store, folder.resolve(), listen=listen, port=port, cert_file=cert_file or "", key_file=key_file or "",
        overwrite=overwrite,
    )  # fmt: skip
    for path in paths:
        click.echo(str(path))
    click.echo(paragraph('Start it with "mosquitto -c" and the first file, and set kind = "external" under [broker].'))
