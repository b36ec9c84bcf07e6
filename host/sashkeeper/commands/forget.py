"""sashkeeper forget: remove everything about a frame that is sold or given away, and look whether it is gone."""

from __future__ import annotations

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.errors import BrokerError


@click.command("forget")
@click.argument("frame")
@click.option("--yes", is_flag=True, help="Do not ask.")
@json_option
@pass_app
def command(app: App, frame: str, yes: bool, as_json: bool) -> None:
    """Remove everything about FRAME: rows, account, what the broker keeps, messages. Backups are named, not changed."""
    from sashkeeper.broker import address
    from sashkeeper.joining import leaving

    found = app.store.frame(frame)
    count = app.store.reading_count(frame)
    question = f"Remove {frame} with {count} readings, its plantings, alarms, diary and account, for good?"
    if not yes and not click.confirm(question, err=True):
        click.echo("Nothing was changed.")
        return
    host = address(app)
    heard = leaving.clear_broker(found, host)
    leaving.clear_store(app.store, frame)
    left = leaving.search(app.home, app.store, found)
    if heard:
        try:
            left += [f"broker keeps {topic}" for topic in leaving.kept_by_broker(frame, host)]
        except BrokerError:
            heard = False
    if as_json:
        print_json({"frame": frame, "broker_cleared": heard, "left": left})
    else:
        _say(frame, heard, left, app.config.broker.kind == "external", bool(app.config.influx.url))
    if left or not heard:
        click.get_current_context().exit(1)


def _say(frame: str, heard: bool, left: list[str], external: bool, copied: bool) -> None:
    click.echo(f"{frame} is removed from the store.")
    if not heard:
        click.echo(paragraph(
            "The broker does not answer, so what it keeps could not be cleared. The broker that comes with serve "
            "forgets when it stops; with Mosquitto, start it and clear by hand: mosquitto_pub -r -n -t "
            f"frames/{frame}/presence, and the same for report, settings/actual and settings/wanted."
        ))  # fmt: skip
    for place in left:
        click.echo(paragraph(f"still there: {place}", "  ", "    "))
    if left:
        click.echo(paragraph("Files above are yours to delete: old backups, or files of Mosquitto to write again."))
    elif heard:
        click.echo("All stores were searched: nothing is left.")
    if external and not left:
        click.echo("If Mosquitto's files are kept elsewhere, write them again: sashkeeper broker mosquitto FOLDER.")
    if copied:
        click.echo("The copies in the time-series server are not touched: delete them there.")
    click.echo(paragraph('On the board itself: "sashkeeper board forget", with the cable, before it goes.'))
