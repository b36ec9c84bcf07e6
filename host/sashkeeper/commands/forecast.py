"""sashkeeper forecast: tomorrow's peak, what the lid will do, and tonight's lowest at the leaf."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from sashkeeper import forecast, forecast_file
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import InputError
from sashkeeper.forecast import Outlook, Span
from sashkeeper.season.place import site_of


@click.command("forecast", help="Tomorrow's peak, the lid's plan, and tonight's lowest at the leaf.")
@click.argument("frame")
@click.option("--file", "path", type=click.Path(path_type=Path), help="A weather forecast, CSV or JSON.")
@click.option("--lid", "lid_word", type=click.Choice(sorted(forecast.LIDS)), default="twin", show_default=True,
              help="Twin-wall sheet or single glass: how leaves stand to the air at night.")  # fmt: skip
@json_option
@pass_app
def command(app: App, frame: str, path: Path | None, lid_word: str, as_json: bool) -> None:
    """Predict from FRAME's own past days, or from a forecast file and those."""
    app.store.frame(frame)
    now_s = app.clock.now_s()
    site = site_of(app.config)
    zone = UTC if site is None else site.zone
    now = datetime.fromtimestamp(now_s, zone)
    given = None
    if path is not None:
        end = datetime(now.year, now.month, now.day, tzinfo=zone) + timedelta(days=2)
        given = forecast_file.read(path, zone, now_s, end.timestamp())
    days = forecast.past_days(app.store, frame, now_s, zone)
    lid = forecast.LIDS[lid_word]
    found = forecast.outlook(days, lid, now.date(), given, zone)
    if found is None:
        raise InputError(
            f"{frame} has no whole day of readings (air and outside) up to yesterday, so there is nothing to go by. "
            "Look again after its first day. Nothing was forecast."
        )
    damage = _damage(app, frame, now_s)
    if as_json:
        print_json({"frame": frame, **asdict(found), "day": found.day.isoformat(), "lid_kind": lid_word,
                    "leaf_damage_degc": damage})  # fmt: skip
        return
    _tell(app, frame, found, lid, damage)


def _damage(app: App, frame: str, now_s: float) -> float | None:
    from sashkeeper.season import season_now

    danger = season_now.gather(app.store, app.config, app.home, frame, now_s).danger()
    return None if danger is None else round(danger.frost_warn_degc, 1)


def _tell(app: App, frame: str, found: Outlook, lid: forecast.LidKind, damage: float | None) -> None:
    def degc(span: Span) -> list[str]:
        return [app.temperature(v) for v in (span.about, span.low, span.high)]

    click.echo(f"{frame}: tonight, and {found.day}")
    rows: list[list[str]] = [
        ["tonight's lowest at the leaf, bare", *degc(found.leaf_bare)],
        ["the same under a cover", *degc(found.leaf_covered)],
        ["tomorrow's peak in the frame", *degc(found.peak)],
        ["hours with the lid open", *(f"{v:.0f} h" for v in (found.open_h.about, found.open_h.low, found.open_h.high))],
    ]
    click.echo(table(["", "about", "low", "high"], rows))
    click.echo(paragraph(plan_words(found)))
    if damage is not None:
        click.echo(paragraph(cover_words(app, found, damage)))
    origin = "your forecast and " if found.by_forecast else ""
    click.echo(paragraph(
        f"Low to high holds about four of five times. From {origin}{found.days} past days of this frame; leaves and "
        f"cover from: {lid.source}. Look at the sky too."
    ))  # fmt: skip


def plan_words(found: Outlook) -> str:
    """Return what the lid will do, in a sentence."""
    if found.opens is None or found.shuts is None:
        likely = "It may open for a while." if found.open_h.high >= 1.0 else ""
        return f"The lid will most likely stay shut. {likely}".strip()
    first, last = clock(found.opens), clock(found.shuts)
    return f"The lid will most likely open at about {first} and be shut at about {last}, as on the last days."


def clock(hour: float) -> str:
    """Return an hour of the day as 09:30."""
    return f"{int(hour):02d}:{round(hour % 1 * 60):02d}"


def cover_words(app: App, found: Outlook, damage_degc: float) -> str:
    """Return whether a cover is worth it, in a sentence."""
    limit = app.temperature(damage_degc)
    if found.leaf_bare.low > damage_degc:
        return f"No cover needed: leaves here are hurt from about {limit}."
    if found.leaf_covered.low > damage_degc:
        return f"Cover tonight: leaves here may be hurt from about {limit}."
    return f"Cover tonight, and pick what is ready: even covered it may come to {limit}, where leaves here may be hurt."
