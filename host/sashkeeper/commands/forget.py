"""sashkeeper forget: remove everything about a frame that is sold or given away, and look whether it is gone."""

from __future__ import annotations

from pathlib import Path

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.errors import BrokerError, JobError, SashkeeperError


@click.command("forget")
@click.argument("frame")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--backups", is_flag=True, help="Take it out of old backups too (else you are asked; with --yes, named).")
@json_option
@pass_app
def command(app: App, frame: str, yes: bool, backups: bool, as_json: bool) -> None:
    """Remove everything about FRAME: rows, account, what the broker keeps, messages, and if you say so its backups."""
    from sashkeeper.joining import leaving
    from sashkeeper.wire.broker import address

    copies = leaving.copies(app.home, app.store, frame)
    if copies and frame not in {one.id for one in app.store.frames()}:
        _only_copies(copies, frame, yes or backups)
        return
    found = app.store.frame(frame)
    count = app.store.reading_count(frame)
    question = f"Remove {frame} with {count} readings, its plantings, alarms, diary and account, for good?"
    if not yes and not click.confirm(question, err=True):
        click.echo("Nothing was changed.")
        return
    backups = backups or bool(copies and not yes and click.confirm(_question(copies), err=True))
    host = address(app)
    heard = leaving.clear_broker(found, host)
    leaving.clear_store(app.store, frame)
    refused = [fault for path in (copies if backups else []) if (fault := _clean(path, frame))]
    left = leaving.search(app.home, app.store, found)
    if heard:
        try:
            left += [f"broker keeps {topic}" for topic in leaving.kept_by_broker(frame, host)]
        except BrokerError:
            heard = False
    if as_json:
        print_json({"frame": frame, "broker_cleared": heard, "left": left, "cleaned": len(copies) if backups else 0})
    else:
        for sentence in refused:
            click.echo(paragraph(sentence))
        if backups and len(copies) > len(refused):
            click.echo(f"It is taken out of {len(copies) - len(refused)} old backups.")
        _say(frame, heard, left, app.config.broker.kind == "external", bool(app.config.influx.url))
    if left or not heard:
        click.get_current_context().exit(1)


def _question(copies: list[Path]) -> str:
    listed = ", ".join(path.name for path in copies[:3]) + (f" and {len(copies) - 3} more" if copies[3:] else "")
    return f"Old backups know it too ({listed}). Take it out of them as well, for good?"


def _only_copies(copies: list[Path], frame: str, sure: bool) -> None:
    """The store has forgotten the frame already, backups have not."""
    if not sure and not click.confirm(_question(copies), err=True):
        click.echo("Nothing was changed.")
        return
    refused = [fault for path in copies if (fault := _clean(path, frame))]
    if refused:
        raise JobError(" ".join(refused))
    click.echo(f"{frame} is taken out of {len(copies)} old backups.")


def _clean(path: Path, frame: str) -> str:
    """Take the frame out of one backup; return what went wrong, "" when nothing did."""
    from sashkeeper.joining import leaving

    try:
        leaving.clean_copy(path, frame)
    except SashkeeperError as fault:
        return fault.sentence
    return ""


def _say(frame: str, heard: bool, left: list[str], external: bool, copied: bool) -> None:
    click.echo(f"{frame} is removed from the store.")
    if not heard:
        click.echo(paragraph(
            "The broker does not answer, so what it keeps could not be cleared. The broker that comes with serve "
            "forgets when it stops; with Mosquitto, start it and clear by hand: mosquitto_pub -r -n -t "
            f"frames/{frame}/presence, and the same for report, settings/actual and settings/wanted."
        ))  # fmt: skip
    for place in left:
        click.echo(f"  still there: {place}")  # unbroken, to be copied
    if left:
        click.echo(paragraph(
            "Files above are yours: delete old backups, and write files of Mosquitto again. Who holds a file with the "
            "key can give orders to the board as long as it has that key."
        ))  # fmt: skip
    elif heard:
        click.echo("All stores were searched: nothing is left.")
    if external and not left:
        click.echo("If Mosquitto's files are kept elsewhere, write them again: sashkeeper broker mosquitto FOLDER.")
    if copied:
        click.echo("The copies in the time-series server are not touched: delete them there.")
    click.echo(paragraph("Backups that you copied elsewhere are not known here: look through your disks and sticks."))
    click.echo(paragraph('On the board itself: "sashkeeper board forget", with the cable, before it goes.'))
