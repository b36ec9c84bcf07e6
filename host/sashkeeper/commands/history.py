"""sashkeeper history: what a frame measured and did, as a table, CSV or picture."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.errors import InputError, JobError
from sashkeeper.spans import between
from sashkeeper.store import history

STEPS = {"every": 0, "10min": 600, "hour": 3600}
SHOWN = 48


@click.command("history")
@click.argument("frame")
@click.option(
    "--from", "start", default="24h", show_default=True, help="2026-01-31, '2026-01-31 08:00', or 12h, 3d, 2w back."
)
@click.option("--to", "end", default="now", show_default=True, help="The same; a day means until its end.")
@click.option("--step", type=click.Choice(list(STEPS)), help="Every reading, or means of 10 minutes or an hour.")
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(dir_okay=False, path_type=Path, allow_dash=True),
    help="Write CSV; - for the screen.",
)
@click.option("--plot", "plot_path", type=click.Path(dir_okay=False, path_type=Path), help="Draw a PNG picture.")
@click.option("--events", "with_events", is_flag=True, help="List what happened instead of what was measured.")
@json_option
@pass_app
def command(
    app: App,
    frame: str,
    start: str,
    end: str,
    step: str | None,
    csv_path: Path | None,
    plot_path: Path | None,
    with_events: bool,
    as_json: bool,
) -> None:
    """Show what FRAME measured and did. Long spans are shown as means; --step every shows all."""
    name = app.store.frame(frame).name
    zone = ZoneInfo(app.config.place.timezone)
    start_s, end_s = between(start, end, zone, app.clock.now_s())
    if with_events:
        _events(app, frame, start_s, end_s, zone, as_json)
        return
    step_s, found = history.rows(app.store, frame, start_s, end_s, None if step is None else STEPS[step])
    if not found and not as_json:
        raise JobError(f"{frame} has no readings between {_say(start_s, zone)} and {_say(end_s, zone)}.")
    if csv_path is not None:
        _save(csv_path, history.as_csv(found, zone, app.fahrenheit))
    if plot_path is not None:
        _plot(app, frame, name, found, start_s, end_s, plot_path)
    if as_json:
        print_json(
            {"frame": frame, "from_s": start_s, "to_s": end_s, "step_s": step_s,
             "rows": [{"time_s": r.time_s, "n": r.n, **r.values} for r in found]}
        )  # fmt: skip
    elif csv_path is None and plot_path is None:
        _table(app, found, zone)


def _say(time_s: float, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(time_s, zone).strftime("%Y-%m-%d %H:%M")


def _save(path: Path, text: str) -> None:
    if str(path) == "-":
        click.echo(text, nl=False)
        return
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise JobError(f"{path} cannot be written: {fault.strerror}. Nothing was written.") from fault
    click.echo(f"{path} is written.", err=True)


def _plot(app: App, frame: str, name: str, found: list[history.Row], start_s: float, end_s: float, path: Path) -> None:
    if path.suffix.lower() != ".png":
        raise InputError(f"{path} should end in .png. Nothing was written.")
    zone = ZoneInfo(app.config.place.timezone)
    part = path.with_name(path.name + ".part.png")
    try:
        history.draw(
            found,
            history.bands(app.store, frame, start_s, end_s),
            f"{name}, {_say(start_s, zone)} to {_say(end_s, zone)}",
            zone,
            app.fahrenheit,
            part,
        )
        os.replace(part, path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise JobError(f"{path} cannot be written: {fault.strerror}. Nothing was written.") from fault
    click.echo(f"{path} is drawn.", err=True)


def _table(app: App, found: list[history.Row], zone: ZoneInfo) -> None:
    names = [n for n in ("air", "outside", "soil", "lid") if any(n in r.values for r in found)]
    heads = {"air": "INSIDE", "outside": "OUTSIDE", "soil": "SOIL", "lid": "LID"}
    unit = "F" if app.fahrenheit else "C"
    click.echo("TIME              " + "".join(f"{heads[n]:>9}" for n in names))
    for row in found[-SHOWN:]:
        cells = [_cell(n, history.shown(n, row.values.get(n), app.fahrenheit), unit) for n in names]
        click.echo(f"{_say(row.time_s, zone)}  " + "".join(f"{c:>9}" for c in cells))
    if len(found) > SHOWN:
        click.echo(paragraph(f"The last {SHOWN} of {len(found)} rows; --csv - gives all, --plot FILE.png draws them."))


def _cell(name: str, value: float | None, unit: str) -> str:
    if value is None:
        return "-"
    return f"{100 * value:.0f} %" if name == "lid" else f"{value:.1f} {unit}"


def _events(app: App, frame: str, start_s: float, end_s: float, zone: ZoneInfo, as_json: bool) -> None:
    found = app.store.events(frame, start_s, end_s)
    if as_json:
        print_json([{"time_s": e.time_s, "kind": e.kind, **e.body} for e in found])
        return
    for e in found:
        rest: dict[str, Any] = {k: v for k, v in e.body.items() if k not in ("v", "boot", "seq", "time_s", "kind")}
        click.echo(
            paragraph(f"{_say(e.time_s, zone)}  {e.kind}  " + ", ".join(f"{k} {v}" for k, v in rest.items()), "", "  ")
        )
    if not found:
        click.echo("Nothing happened in that time.")
