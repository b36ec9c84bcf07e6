"""sashkeeper join: certificates for this household, and a way in for a second phone."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph


@click.group("join", help="Make certificates; let a second phone in.")
def command() -> None:
    """Group of the joining commands."""


@command.command("certificates")
@click.option("--address", "addresses", multiple=True, help="Address or name of this computer (else found out).")
@click.option("--port", type=click.IntRange(1, 65535), default=8883, show_default=True, help="Port for TLS.")
@click.option("--page/--no-page", default=True, show_default=True, help="Use the certificate for the page as well.")
@json_option
@pass_app
def certificates(app: App, addresses: tuple[str, ...], port: int, page: bool, as_json: bool) -> None:
    """Make the household's certificates and switch the broker that comes along to TLS on all addresses.

    Run it again to renew, or when the address has changed; boards keep trusting.
    """
    from sashkeeper.joining import authority

    chosen = list(addresses) or authority.own_addresses()
    where = authority.make(app.home, chosen, app.clock.now_s())
    under = {name: str(path.relative_to(app.home)) for name, path in
             (("cert_file", where.cert), ("key_file", where.key), ("ca_file", where.ca_pem))}  # fmt: skip
    changes: dict[str, object] = {}
    if app.config.broker.kind == "embedded":
        changes["broker"] = {"listen": "0.0.0.0", "port": port, "plain": None, **under}
    else:
        changes["broker"] = {"tls": True, "port": port, "ca_file": under["ca_file"], "plain": None}
    if page:
        changes["page"] = {"cert_file": under["cert_file"], "key_file": under["key_file"]}
    app.change_config(**changes)
    made = authority.look(where.cert)
    if as_json:
        print_json({"folder": str(where.folder), "names": made.names, "ends_s": made.ends_s})
        return
    end = datetime.fromtimestamp(made.ends_s, UTC).strftime("%Y-%m-%d")
    click.echo(paragraph(f"Certificates are in {where.folder}, good for {', '.join(made.names)} until {end}."))
    click.echo(paragraph(f"{where.ca_key.name} there never leaves this computer. Keep a copy of the folder in a safe "
                         "place: without it every board needs a visit with the cable."))  # fmt: skip
    click.echo(paragraph(f"\"sashkeeper board install\" gives boards {where.ca_der.name} by itself. For browsers "
                         f"that complain, install {where.ca_pem.name} on the phone once."))  # fmt: skip


@command.command("phone")
@click.option("--url", help="Address of the page as the phone reaches it (else guessed).")
@json_option
@pass_app
def phone(app: App, url: str | None, as_json: bool) -> None:
    """Show a QR code that lets one more phone in; it counts once, for ten minutes."""
    from sashkeeper.joining import authority, phone
    from sashkeeper.page import settings as page_settings

    page = page_settings.read(app.config.page, app.home)
    code = phone.make_code(app.store, app.clock.now_s())
    if url is None:
        host = page.listen
        if host in ("0.0.0.0", "::", ""):
            host = next(iter(authority.own_addresses()), "localhost")
        url = f"{'https' if page.tls else 'http'}://{host}:{page.port}"
    address = f"{url.rstrip('/')}/join/{code}"
    if as_json:
        print_json({"url": address, "code": code, "life_s": phone.LIFE_S})
        return
    click.echo(phone.picture(address))
    click.echo(f"Open {address} on the phone within ten minutes; it counts once.")
    if page.only_here:
        click.echo(paragraph('The page can be reached from this computer only: set listen = "0.0.0.0" under [page] '
                             "in sashkeeper.toml and restart serve."))  # fmt: skip
