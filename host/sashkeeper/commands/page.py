"""sashkeeper page: the passphrase of the page, the browsers that are signed in, the phones it pushes to."""

from __future__ import annotations

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.errors import InputError


@click.group("page", help="The page in the browser: its passphrase, who is signed in, which phones get messages.")
def command() -> None:
    """Group of the page commands."""


@command.command("passphrase")
@click.password_option("--passphrase", prompt="New passphrase", help="Asked for when not given.")
@pass_app
def passphrase_(app: App, passphrase: str) -> None:
    """Set a new passphrase. Every browser is signed out."""
    from sashkeeper.page import vault

    fault = vault.passphrase_fault(passphrase)
    if fault:
        raise InputError(f"{fault} Nothing was changed.")
    vault.Vault(app.store).set_passphrase(vault.HASHER.hash(passphrase))
    click.echo("The passphrase is set. All browsers have to sign in again.")


@command.command("sign-out")
@pass_app
def sign_out(app: App) -> None:
    """Sign every browser out, for instance after a phone was lost."""
    from sashkeeper.page.vault import Vault

    Vault(app.store).sign_out_all()
    click.echo("All browsers have to sign in again.")


@command.command("phones")
@click.option("--forget", metavar="PHONE", help="Forget one phone, by its id; all: forget every one.")
@json_option
@pass_app
def phones(app: App, forget: str | None, as_json: bool) -> None:
    """List the phones that subscribed on the page, or forget them."""
    from sashkeeper.page.vault import Vault

    vault = Vault(app.store)
    known = vault.phones()
    if forget:
        gone = list(known) if forget == "all" else [p for p in known if p == forget]
        if not gone and forget != "all":
            raise InputError(f'There is no phone "{forget}". "sashkeeper page phones" lists them. Nothing was changed.')
        for phone in gone:
            vault.drop_phone(phone)
        click.echo(f"Forgotten: {len(gone)}.")
        return
    rows = [{"phone": k, "service": v["endpoint"].split("/")[2], "since_s": v["since_s"]} for k, v in known.items()]
    if as_json:
        print_json(rows)
    elif not rows:
        click.echo("No phone has subscribed.")
    else:
        for row in rows:
            click.echo(f"{row['phone']}  by {row['service']}")
