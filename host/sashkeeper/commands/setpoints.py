"""sashkeeper setpoints: opening, closing and limits, from the crops to the frame and back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import InputError, JobError
from sashkeeper.season import season_now
from sashkeeper.season.place import need_site, site_of
from sashkeeper.season.planting import read_day
from sashkeeper.season.setpoint_send import WAIT_S, Outcome, wait
from sashkeeper.season.setpoint_words import WORDS, controller, faults, in_unit, word
from sashkeeper.season.setpoints import Suggestion
from sashkeeper.units import from_fahrenheit

PLACE = ("lat_mdeg", "lon_mdeg")
GUIDE = "Guide values, not measurements: you can set your own, and crops.toml in the home folder changes them for good."


@click.group("setpoints", help="Opening, closing and limits of a frame: suggested, shown, set, sent.")
def command() -> None:
    """Group of the setpoint commands."""


def _shown(app: App, wire: int) -> str:
    return app.temperature(wire / 1000).replace(".0 ", " ")


def _said(app: App, name: str, wire: int) -> str:
    """A setting in a grower's words, or by its own name and number where there are none."""
    return f"{word(name)} {_shown(app, wire)}" if name in WORDS else f"{name} {wire}"


def _suggested(app: App, frame: str) -> Suggestion:
    return season_now.gather(app.store, app.config, app.home, frame, app.clock.now_s()).suggest()


def _in_force(app: App, frame: str) -> dict[str, int]:
    actual = app.store.actual(frame)
    return dict(actual.body["settings"]) if actual else dict(controller.defaults())


def _with_place(app: App, frame: str, settings: Mapping[str, int]) -> dict[str, int]:
    # The frame works out the sun's height itself; it gets its place together with the setpoints.
    site = site_of(app.config)
    if site is None:
        return dict(settings)
    return {**settings, "lat_mdeg": round(site.lat_deg * 1000), "lon_mdeg": round(site.lon_deg * 1000)}


@command.command("suggest")
@click.argument("frame")
@json_option
@pass_app
def suggest(app: App, frame: str, as_json: bool) -> None:
    """Work out setpoints for what grows in FRAME, each with its reason. Sends nothing."""
    found = _suggested(app, frame)
    force = _in_force(app, frame) if app.store.actual(frame) else {}
    if as_json:
        print_json(_suggestion_json(frame, found, force))
        return
    _print_suggestion(app, frame, found, force)
    click.echo(paragraph(f'"sashkeeper setpoints send {frame}" sends them.'))


def _suggestion_json(frame: str, found: Suggestion, force: Mapping[str, int]) -> dict[str, Any]:
    return {
        "frame": frame,
        "settings": found.settings,
        "in_force": {k: force.get(k) for k in found.settings},
        "values": [
            {"name": v.name, "word": v.word, "degc": v.degc, "crop": v.crop, "reason": v.reason, "source": v.source}
            for v in found.values
        ],
        "crops": [
            {
                "crop": c.crop.id,
                "stage": c.stage.name,
                "why": c.stage.why,
                "class": c.vent_class,
                "leaf_damage_degc": round(c.hard.damage_degc, 1),
                "leaf_damage_range_degc": [round(c.hard.cold_degc, 1), round(c.hard.warm_degc, 1)],
                "wishes_degc": {k: w.degc for k, w in c.wishes.items()},
            }
            for c in found.crops
        ],
        "cautions": list(found.cautions),
    }


def _print_suggestion(app: App, frame: str, found: Suggestion, force: Mapping[str, int]) -> None:
    f = app.fahrenheit
    click.echo(f"{frame}: setpoints for what grows there")
    rows = []
    for v in found.values:
        now = _shown(app, force[v.name]) if v.name in force else "?"
        rows.append([v.word, _shown(app, v.wire), now, in_unit(f"{v.crop}, {v.reason} [{v.source}]", f)])
    click.echo(table(["setpoint", "wish", "now", "because of"], rows))
    click.echo("Crops:")
    for c in found.crops:
        hard = c.hard
        band = f"{app.temperature(hard.warm_degc)} to {app.temperature(hard.cold_degc)}"
        text = f"{c.crop.name}, {c.stage.name}: leaves hurt from about {app.temperature(hard.damage_degc)} ({band})"
        click.echo(paragraph(text, "  ", "      "))
    for caution in found.cautions:
        click.echo(paragraph(in_unit(f"Note: {caution}", f), "", "  "))
    click.echo(paragraph(GUIDE))


@command.command("preview")
@click.argument("frame")
@click.option("--day", "day_text", help="Day to look at, like 2027-01-15. [default: tomorrow]")
@click.option("--weather", type=click.Path(path_type=Path, exists=True), help="EPW or TMY3 file that holds such a day.")
@click.option("--plot", type=click.Path(path_type=Path), help="Write a picture, like tomorrow.png.")
@json_option
@pass_app
def preview_(
    app: App, frame: str, day_text: str | None, weather: Path | None, plot: Path | None, as_json: bool
) -> None:
    """Simulate a day under the suggested setpoints, beside those in force."""
    from sashkeeper.season import preview

    site = need_site(app.config)
    day = read_day(day_text, "--day") if day_text else site.today(app.clock.now_s()) + timedelta(days=1)
    sets = {"suggested": {**_in_force(app, frame), **_suggested(app, frame).settings}}
    if app.store.actual(frame) is not None:
        sets["in force"] = _in_force(app, frame)
    days = preview.preview(sets, site, day, weather)
    if plot is not None:
        preview.draw(plot, days, sets, day, f"{frame}: what the setpoints would do (simulated)")
    if as_json:
        print_json([{"sky": d.sky, "settings": d.settings_name, "peak_degc": round(d.peak_degc, 1),
                     "lowest_degc": round(d.lowest_degc, 1), "open_h": d.open_h} for d in days])  # fmt: skip
        return
    click.echo(f"{frame} on {day}, simulated:")
    rows = [[d.settings_name, app.temperature(d.peak_degc), app.temperature(d.lowest_degc), f"{d.open_h:.0f} h", d.sky]
            for d in days]  # fmt: skip
    click.echo(table(["setpoints", "peak", "lowest", "open", "sky"], rows))
    click.echo(paragraph("A simulated frame, not yours: good for comparing, not for promising."))
    if plot is not None:
        click.echo(f"Picture: {plot}")


@command.command("show")
@click.argument("frame")
@click.option("--all", "everything", is_flag=True, help="Also the settings that are seldom changed.")
@json_option
@pass_app
def show(app: App, frame: str, everything: bool, as_json: bool) -> None:
    """Show what is in force in FRAME, and what was sent to it."""
    app.store.frame(frame)
    actual = app.store.actual(frame)
    sent = app.store.settings_sent(frame, 5)
    if as_json:
        print_json({
            "frame": frame,
            "n": actual.body.get("n") if actual else None,
            "in_force": actual.body["settings"] if actual else None,
            "refused": actual.body.get("refused") if actual else None,
            "heard_s": actual.received_s if actual else None,
            "sent": [{"n": s.n, "sent_s": s.sent_s, "settings": s.settings, "why": s.why, "outcome": s.outcome}
                     for s in sent],
        })  # fmt: skip
        return
    if actual is None:
        click.echo(paragraph(f"{frame} has not said yet what is in force."))
    else:
        rows = [[word(n), _shown(app, v)] for n, v in actual.body["settings"].items() if n in WORDS]
        click.echo(f"{frame}: in force (number {actual.body.get('n')})")
        click.echo(table(["setpoint", "value"], rows))
        if everything:
            click.echo(table(["other", "value", "what"], _other_rows(actual.body["settings"])))
    for s in sent:
        changed = ", ".join(_said(app, n, v) for n, v in s.settings.items() if n not in PLACE)
        state = s.outcome or "no answer yet"
        click.echo(paragraph(f"sent number {s.n}: {changed} - {state}", "  ", "      "))


def _other_rows(settings: Mapping[str, int]) -> list[list[str]]:
    return [[n, f"{v}", controller.field(n)[4]] for n, v in settings.items() if n not in WORDS and controller.field(n)]


def _setting_options(function: Callable[..., None]) -> Callable[..., None]:
    helps = {
        "open_mdegc": "Air temperature at which the lid opens.",
        "close_mdegc": "Air temperature at which it is shut again.",
        "scorch_mdegc": "Air temperature at which it opens fully.",
        "frost_mdegc": "An open lid below this is a fault.",
        "min_outside_mdegc": "No opening while it is colder outside.",
        "stage_mdegc": "Warmth between two stages (a difference).",
    }
    for name, text in reversed(helps.items()):
        function = click.option(f"--{WORDS[name]}", name, type=float, help=text)(function)
    return function


def _others(pairs: tuple[str, ...]) -> dict[str, int]:
    """Read NAME=NUMBER pairs, names and whole numbers as they go over the wire."""
    found: dict[str, int] = {}
    for pair in pairs:
        name, _, number = (part.strip() for part in pair.partition("="))
        if controller.field(name) is None:
            known = ", ".join(n for n in controller.NAMES if n not in WORDS)
            raise InputError(f'A frame has no setting "{name}". The others are {known}. Nothing was changed.')
        if name in WORDS:
            raise InputError(f"Set {name} with --{WORDS[name]}. Nothing was changed.")
        if not number.removeprefix("-").isdecimal():
            raise InputError(f'"{pair}" is not NAME=NUMBER with a whole number, like dwell_s=900. Nothing was changed.')
        found[name] = int(number)
    return found


def _wire(app: App, name: str, value: float) -> int:
    if app.fahrenheit:
        value = value * 5 / 9 if name == "stage_mdegc" else from_fahrenheit(value)
    return round(value * 1000)


@command.command("set")
@click.argument("frame")
@_setting_options
@click.option("--other", "others", multiple=True, metavar="NAME=NUMBER",
              help='Any other setting by its own name ("setpoints show --all" lists them), such as the battery limits '
              'that "size power" prints; repeatable.')  # fmt: skip
@click.option("--wait", "wait_s", type=click.FloatRange(0, 600), default=WAIT_S, show_default=True, help="Seconds.")
@json_option
@pass_app
def set_(
    app: App, /, frame: str, others: tuple[str, ...], wait_s: float, as_json: bool, **given: float | None
) -> None:
    """Send your own setpoints to FRAME and wait until it confirms them."""
    app.store.frame(frame)
    changes = {name: _wire(app, name, value) for name, value in given.items() if value is not None}
    changes |= _others(others)
    if not changes:
        raise InputError("Nothing to set: give at least one value, like --opening 16. Nothing was changed.")
    _send(app, frame, changes, "set by hand", wait_s, as_json)


@command.command("send")
@click.argument("frame")
@click.option("--wait", "wait_s", type=click.FloatRange(0, 600), default=WAIT_S, show_default=True, help="Seconds.")
@json_option
@pass_app
def send_(app: App, frame: str, wait_s: float, as_json: bool) -> None:
    """Send the suggested setpoints to FRAME and wait until it confirms them."""
    found = _suggested(app, frame)
    why = ", ".join(dict.fromkeys(f"{c.crop.id} {c.stage.name}" for c in found.crops))
    _send(app, frame, _with_place(app, frame, found.settings), why, wait_s, as_json)


def _send(app: App, frame: str, changes: Mapping[str, int], why: str, wait_s: float, as_json: bool) -> None:
    wrong = faults(changes, _in_force(app, frame), app.fahrenheit)
    if wrong:
        raise InputError(f"{' '.join(wrong)} Nothing was changed.")
    from sashkeeper.line import open_line

    with open_line(app, frame, ("settings/actual", "presence")) as (bus, outbox, service):
        n = outbox.publish_wanted(frame, changes, why)
        result = wait(app.store, bus, service, frame, n, wait_s)
        away = service.live(frame).here is False
    if as_json:
        print_json({"frame": frame, "n": result.n, "result": result.result, "why": result.why,
                    "in_force": dict(result.settings)})  # fmt: skip
    if result.result == "refused":
        raise JobError(f"{frame} refused the setpoints: {result.why}. It keeps what it had.")
    if result.result == "no answer":
        gone = " It is not connected at present." if away else ""
        raise JobError(
            f"{frame} has not answered within {wait_s:g} s.{gone} The setpoints (number {result.n}) wait at the broker "
            f'and are taken when it comes back; "sashkeeper setpoints show {frame}" tells.'
        )
    if not as_json:
        _print_taken(app, frame, changes, result)


def _print_taken(app: App, frame: str, changes: Mapping[str, int], result: Outcome) -> None:
    # The place goes along with the crops' setpoints: nobody asked for it.
    named = [n for n in changes if n in result.settings and n not in PLACE]
    parts = [_said(app, n, result.settings[n]) for n in named]
    click.echo(paragraph(f"{frame} has taken them (number {result.n}): {', '.join(parts)}."))
    other = [n for n in changes if result.settings.get(n) != changes[n]]
    if other:
        raise JobError(f"{frame} confirmed number {result.n}, but holds another {', '.join(map(word, other))}.")
