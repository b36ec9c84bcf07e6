"""``sashkeeper advice``: cover tonight, pick now, air the bed."""

from __future__ import annotations

from dataclasses import astuple
from typing import Any

import click

from .. import advice, picking, wording
from ..alarms.around import StoreAround
from ..cli import App, json_option, pass_app, print_json
from ..errors import InputError

DAY_S = 86_400.0


@click.command("advice")
@click.argument("frame", required=False)
@click.option("--forecast-min", type=float, metavar="DEGREES", help="Lowest outside temperature forecast for tonight.")
@json_option
@pass_app
def command(app: App, frame: str | None, forecast_min: float | None, as_json: bool) -> None:
    """Say whether to cover tonight, whether leaves can be picked now, and when the bed was last aired.

    DEGREES are in your unit (C, or F with --fahrenheit). Predictions are estimates; look at the sky too.
    """
    forecast = _forecast(app, forecast_min)
    frames = [app.store.frame(frame)] if frame else app.store.frames()
    if not frames:
        raise InputError('There is no frame yet. Add one with "sashkeeper frames add NAME".')
    now_s = app.clock.now_s()
    around = StoreAround(app.store, app.config, app.home)
    rows = []
    for one in frames:
        row = look(app, one.id, around, now_s, forecast)
        rows.append(row)
        if not as_json:
            click.echo(f"{one.name}\n  {row['cover_words']}\n  {row['pick_words']}\n  {row['airing_words']}")
    if as_json:
        print_json(rows)


def look(app: App, frame: str, around: StoreAround, now_s: float, forecast_degc: float | None) -> dict[str, Any]:
    """Return all advice for one frame, as figures and as words."""
    limits = around(frame, now_s).limits
    newest = app.store.latest(frame)
    fresh = newest is not None and now_s - newest.time_s < 3600
    outside = newest.values.get("outside") if newest is not None and fresh else None
    nights = advice.past_nights(app.store, frame, now_s)
    cover = advice.cover_tonight(nights, outside, limits.frost_damage_degc, forecast_degc)
    bare = None if cover.bare is None else astuple(cover.bare)
    covered = None if cover.covered is None else astuple(cover.covered)
    crop = limits.frost_crop or "the tightest crop"
    series = [app.store.series(frame, name, now_s - DAY_S, now_s + 1) for name in ("air", "soil")]
    pick = picking.now(picking.leaf_rows(series[0], series[1]), now_s)
    hours = advice.hours_since_airing(app.store.events(frame, now_s - 60 * DAY_S, now_s + 1, kind="moved"), now_s)
    return {
        "frame": frame,
        "time_s": now_s,
        "cover": {"verdict": cover.verdict, "bare_degc": bare, "covered_degc": covered,
                  "damage_degc": cover.damage_degc, "nights": cover.nights, "by_forecast": cover.by_forecast},
        "cover_words": wording.cover_words(cover.verdict, bare, covered, cover.damage_degc, crop, cover.nights,
                                           cover.by_forecast, app.fahrenheit),
        "pick": pick.yes,
        "pick_words": f"Pick now: {'yes' if pick.yes else 'no'}, {pick.why}.",
        "hours_since_airing": hours,
        "airing_words": wording.airing_words(hours),
    }  # fmt: skip


def _forecast(app: App, given: float | None) -> float | None:
    if given is None:
        return None
    degc = (given - 32) * 5 / 9 if app.fahrenheit else given
    if not -60 <= degc <= 40:
        raise InputError(f"A lowest temperature of {given:g} tonight is not possible. Nothing was changed.")
    return degc
