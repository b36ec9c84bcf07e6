"""sashkeeper store: check, back up, restore, export and import what the host remembers."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.errors import InputError, JobError


@click.group("store", help="Check, back up, restore, export and import the store.")
def command() -> None:
    """Group of the store commands."""


@command.command("check")
@json_option
@pass_app
def check(app: App, as_json: bool) -> None:
    """Look whether the store is sound."""
    from sashkeeper.store import Store

    with Store(app.store_path, create=False) as store:
        faults = store.integrity()
        facts = {
            "path": str(app.store_path),
            "sound": not faults,
            "faults": faults,
            "bytes": store.size_bytes(),
            "frames": len(store.frames()),
            "readings": store.reading_count(),
        }
    if as_json:
        print_json(facts)
    if faults:
        raise JobError(
            f"The store {app.store_path} is damaged: {faults[0]}"
            + (f" and {len(faults) - 1} more." if len(faults) > 1 else ".")
            + ' Stop "sashkeeper serve" and restore a backup.'
        )
    if not as_json:
        size = f"{facts['bytes'] / 1e6:.1f} MB"
        click.echo(f"{app.store_path} is sound: {facts['frames']} frames, {facts['readings']} readings, {size}.")


@command.command("backup")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--with-keys", is_flag=True, help="Also the frames' keys: then keep the file as safe as a key.")
@pass_app
def backup(app: App, file: Path, with_keys: bool) -> None:
    """Copy the store into FILE while everything runs."""
    from sashkeeper.joining.leaving import remember_folder
    from sashkeeper.store import Store

    with Store(app.store_path, create=False) as store:
        store.backup(file, with_keys=with_keys)
        remember_folder(store, file.parent, app.clock.now_s())
    extra = "It holds the frames' keys." if with_keys else "Keys are not in it."
    click.echo(f"{file} is written. {extra}")


@command.command("restore")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
@pass_app
def restore(app: App, file: Path, yes: bool) -> None:
    """Put the backup FILE in the place of the store. The old store is kept beside it."""
    from sashkeeper.keeper import only_one
    from sashkeeper.store.restore import restore as put_back

    if not yes and not click.confirm(f"Replace the store {app.store_path} by {file}?"):
        click.echo("Nothing was changed.")
        return
    with only_one(app.home):
        old, keyless = put_back(file, app.store_path)
    click.echo(f"{file} is now the store." + (f" The old one is {old}." if old else ""))
    for frame in keyless:
        click.echo(paragraph(f'{frame} has no key any more: "sashkeeper frames key {frame}" makes one for its board.'))


@command.command("export")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--from", "start", default="1970-01-01", help="First day or moment.")
@click.option("--to", "end", default="now", help="Last day or moment.")
@click.option("--parquet", is_flag=True, help="Parquet files instead of CSV (needs the package pyarrow).")
@pass_app
def export(app: App, folder: Path, start: str, end: str, parquet: bool) -> None:
    """Write all readings, events, plantings, alarms and the diary into FOLDER. Keys never leave."""
    from sashkeeper.spans import between
    from sashkeeper.store import Store
    from sashkeeper.store.exchange import export_all

    zone = ZoneInfo(app.config.place.timezone)
    start_s, end_s = between(start, end, zone, app.clock.now_s())
    with Store(app.store_path, create=False) as store:
        for path, count in export_all(store, folder, start_s, end_s, parquet=parquet):
            click.echo(f"{path}: {count} rows")


@command.command("copy")
@pass_app
def copy(app: App) -> None:
    """Mark all stored readings to be copied to the time-series server (for one that starts empty)."""
    if not app.config.influx.url:
        raise InputError("No time-series server is set: write its url under [influx] in sashkeeper.toml.")
    count = app.store.copy_all()
    click.echo(paragraph(f'{count} readings wait to be copied; "sashkeeper serve" does it.'))


@command.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--frame", help="Frame of rows that name none.")
@pass_app
def import_log(app: App, file: Path, frame: str | None) -> None:
    """Take over a hand-kept log: CSV with the columns time, kind, text and perhaps frame.

    Times are 2026-01-31 or 2026-01-31 08:00, local. All rows are taken or none.
    """
    from sashkeeper.store.exchange import import_diary

    zone = ZoneInfo(app.config.place.timezone)
    count, known = import_diary(app.store, file, zone, frame)
    click.echo(f"{count} entries are in the diary" + (f", {known} were there already." if known else "."))
