"""``sashkeeper advice``: cover tonight, pick now, air the bed."""

from __future__ import annotations

import click

from ..alarms.around import StoreAround
from ..cli import App, json_option, pass_app, print_json
from ..errors import InputError
from ..tonight import look


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


def _forecast(app: App, given: float | None) -> float | None:
    if given is None:
        return None
    degc = (given - 32) * 5 / 9 if app.fahrenheit else given
    if not -60 <= degc <= 40:
        raise InputError(f"A lowest temperature of {given:g} tonight is not possible. Nothing was changed.")
    return degc
