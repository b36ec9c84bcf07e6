"""sashkeeper service: run the keeper whenever the computer runs; keep backups."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph

LINGER = "So that it also runs while nobody is logged in, once: loginctl enable-linger"
BY_HAND = "Start it by hand instead: sashkeeper serve. docs/host-service.md names other ways."


@click.group("service", help="Run the keeper with the computer (systemd), and keep backups.")
def command() -> None:
    """Group of the service commands."""


@command.command("install")
@click.option("--backups", type=click.Path(file_okay=False, path_type=Path), help="Folder for nightly backups.")
@click.option("--no-start", is_flag=True, help="Only write the files.")
@pass_app
def install(app: App, backups: Path | None, no_start: bool) -> None:
    """Write a unit for your own user, start it now and with the computer. Running it again brings it up to date."""
    from sashkeeper import units_for_systemd as units

    paths = units.install(app.home.resolve(), None if backups is None else backups.resolve())
    for path in paths:
        click.echo(str(path))
    if no_start:
        click.echo("Nothing was started.")
        return
    wanted = [units.SERVICE, *([units.TIMER] if backups is not None else [])]
    for words in (("daemon-reload",), ("enable", "--now", *wanted), ("restart", units.SERVICE)):
        code, said = units.manager(*words)
        if code:
            click.echo(paragraph(f"The files are written, but the service manager was not reached: {said}. {BY_HAND}"))
            click.get_current_context().exit(1)
    click.echo(f"It runs. {LINGER} {getpass.getuser()}")
    click.echo("Its log: journalctl --user -u sashkeeper (the journal limits its own size).")


@command.command("remove")
@pass_app
def remove(app: App) -> None:
    """Stop the service and remove its units. Store, settings and backups stay."""
    from sashkeeper import units_for_systemd as units

    if not (units.folder() / units.SERVICE).exists():
        click.echo("There is no such service. Nothing was changed.")
        return
    units.manager("disable", "--now", units.SERVICE, units.TIMER)
    for path in units.remove():
        click.echo(f"removed {path}")
    units.manager("daemon-reload")


@command.command("status")
@json_option
@pass_app
def status(app: App, as_json: bool) -> None:
    """Say whether the service is installed, whether it runs, and when the last backup was made."""
    from sashkeeper import units_for_systemd as units
    from sashkeeper.units import age

    installed = (units.folder() / units.SERVICE).exists()
    _, said = units.manager("is-active", units.SERVICE)
    made = (app.store.note("backup", {}) or {}).get("time_s")
    if as_json:
        print_json({"installed": installed, "state": said, "backup_s": made, "folder": str(units.folder())})
        return
    click.echo(f"installed: {'yes' if installed else 'no'}; state: {said or 'unknown'}")
    click.echo("last backup: " + ("never" if made is None else age(app.clock.now_s() - made)))


@command.command("backup")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--keep", type=click.IntRange(1, 1000), default=14, show_default=True, help="How many to keep.")
@pass_app
def backup(app: App, folder: Path, keep: int) -> None:
    """Write today's backup of the store, without keys, into FOLDER; remove the oldest. The timer calls this."""
    from sashkeeper import units_for_systemd as units
    from sashkeeper.store import Store

    with Store(app.store_path, create=False) as store:
        path, old = units.backup(store, folder, app.clock.now_s(), keep)
    click.echo(f"{path} is written" + (f"; {len(old)} old removed." if old else "."))
