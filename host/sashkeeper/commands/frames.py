"""sashkeeper frames: which frames there are, their names, keys and board files."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from sashkeeper import frames as registry
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import InputError, JobError


@click.group("frames", help="List, add, show, rename and remove frames.")
def command() -> None:
    """Group of the frame commands."""


def _day(app: App, time_s: float) -> str:
    return datetime.fromtimestamp(time_s, ZoneInfo(app.config.place.timezone)).strftime("%Y-%m-%d")


@command.command("list")
@json_option
@pass_app
def list_frames(app: App, as_json: bool) -> None:
    """List all frames."""
    found = app.store.frames()
    if as_json:
        print_json([{"frame": f.id, "name": f.name, "added_s": f.added_s} for f in found])
        return
    if not found:
        click.echo('No frame yet. Add one: "sashkeeper frames add north".')
        return
    click.echo(table(("FRAME", "SINCE", "NAME"), [(f.id, _day(app, f.added_s), f.name) for f in found]))


@command.command("add")
@click.argument("name")
@click.option("--title", default="", help="A longer name to show, such as 'By the south wall'.")
@json_option
@pass_app
def add(app: App, name: str, title: str, as_json: bool) -> None:
    """Add a frame called NAME under a secret key of its own."""
    frame = registry.add(app.store, name, app.clock.now_s(), title)
    if as_json:
        print_json({"frame": frame.id, "name": frame.name, "added_s": frame.added_s})
        return
    click.echo(paragraph(f"Frame {frame.id} is added under a new key of its own."))
    click.echo(
        paragraph(f'Next: "sashkeeper frames fittings {frame.id} --to fittings.json" writes the file for its board.')
    )


@command.command("show")
@click.argument("frame")
@json_option
@pass_app
def show(app: App, frame: str, as_json: bool) -> None:
    """Show what is known about FRAME; never its key."""
    found = app.store.frame(frame)
    report = app.store.report(frame)
    body: dict[str, Any] = report.body if report else {}
    crops = [p.crop for p in app.store.plantings(frame, _day(app, app.clock.now_s()))]
    facts = {
        "frame": found.id,
        "name": found.name,
        "added_s": found.added_s,
        "readings": app.store.reading_count(frame),
        "crops": crops,
        "firmware": body.get("firmware"),
        "board": body.get("board"),
        "interpreter": body.get("interpreter"),
        "key": len(found.key) == registry.KEY_BYTES,
    }
    if as_json:
        print_json(facts)
        return
    click.echo(f"{found.id}: {found.name}")
    lines = [
        ("added", _day(app, found.added_s)),
        ("readings", str(facts["readings"])),
        ("crops", ", ".join(dict.fromkeys(crops)) or "none entered"),
        (
            "board",
            " ".join(str(body[k]) for k in ("board", "interpreter", "firmware") if body.get(k)) or "not heard yet",
        ),
        ("key", "kept in the store" if facts["key"] else 'missing: make a new one with "sashkeeper frames key"'),
    ]
    for name, text in lines:
        click.echo(f"  {name:9} {text}")


@command.command("rename")
@click.argument("frame")
@click.argument("title")
@pass_app
def rename(app: App, frame: str, title: str) -> None:
    """Show FRAME under another name. Its short name on the wire stays."""
    if not title.strip() or len(title) > 60:
        raise InputError("A name has 1 to 60 characters. Nothing was changed.")
    app.store.frame_change(frame, name=title.strip())
    click.echo(f"{frame} is now shown as {title.strip()}.")


@command.command("remove")
@click.argument("frame")
@click.option("--yes", is_flag=True, help="Do not ask.")
@pass_app
def remove(app: App, frame: str, yes: bool) -> None:
    """Remove FRAME with all that was stored about it."""
    app.store.frame(frame)
    count = app.store.reading_count(frame)
    if not yes and not click.confirm(f"Remove {frame} with {count} readings, its plantings, alarms and diary?"):
        click.echo("Nothing was changed.")
        return
    app.store.frame_remove(frame)
    click.echo(f"{frame} is removed. Its board is refused from now on.")


@command.command("key")
@click.argument("frame")
@click.option("--yes", is_flag=True, help="Do not ask.")
@pass_app
def key(app: App, frame: str, yes: bool) -> None:
    """Give FRAME a new key; its board then needs a new fittings file."""
    app.store.frame(frame)
    if not yes and not click.confirm(f"The board of {frame} is refused until it gets the new file. Go on?"):
        click.echo("Nothing was changed.")
        return
    registry.new_key(app.store, frame)
    click.echo(f'New key made. Now: "sashkeeper frames fittings {frame} --to fittings.json --overwrite".')


@command.command("fittings")
@click.argument("frame")
@click.option("--to", "target", type=click.Path(dir_okay=False, path_type=Path), required=True, help="File to write.")
@click.option("--host", help="Broker as the board reaches it (else guessed).")
@click.option("--port", type=click.IntRange(1, 65535), help="Port of the broker.")
@click.option("--overwrite", is_flag=True, help="Replace the file, keeping what was measured at the frame.")
@pass_app
def fittings(app: App, frame: str, target: Path, host: str | None, port: int | None, overwrite: bool) -> None:
    """Write the file that goes onto FRAME's board. It holds the frame's secret key."""
    from sashkeeper.wire.broker import lan_host

    found = app.store.frame(frame)
    old: dict[str, Any] = {}
    if target.exists():
        if not overwrite:
            raise InputError(f"{target} is there already. Nothing was written. Add --overwrite to renew it.")
        old = _read(target)
    host = host or lan_host(app)
    content = registry.fittings(found, host, port or app.config.broker.port, old)
    _write_private(target, json.dumps(content, indent=2) + "\n")
    click.echo(
        paragraph(f"{target} is written. It holds the secret key of {frame}: copy it onto the board, then delete it.")
    )
    if host in ("127.0.0.1", "localhost", "::1"):
        click.echo(
            paragraph(
                "Its broker is on this computer only, which a real board cannot reach: "
                'set listen = "0.0.0.0" under [broker] in sashkeeper.toml, or name the address with --host.'
            )
        )


def _read(path: Path) -> dict[str, Any]:
    try:
        old = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise InputError(f"{path} cannot be read as a fittings file ({fault}). Nothing was written.") from None
    if not isinstance(old, dict):
        raise InputError(f"{path} is not a fittings file. Nothing was written.")
    return old


def _write_private(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")
    try:
        with os.fdopen(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "w", encoding="utf-8") as out:
            out.write(text)
        os.replace(part, path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise JobError(f"{path} cannot be written: {fault.strerror}. Nothing was written.") from fault
