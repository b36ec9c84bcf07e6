"""``sashkeeper alarms``: what needs hands now, what did, and whether the phone can be reached."""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from typing import Any

import click

from .. import wording
from ..alarms import AlarmDesk, Shown, build, catalogue, log, metrics
from ..cli import App, json_option, pass_app, print_json
from ..config import FILE_NAME
from ..errors import InputError, JobError
from ..notify import Notifier, check_channels
from ..units import span

KEEPER_IDLE_S = 90.0  # no sign of a running keeper for this long: this program does the work itself
DAY_S = 86_400.0


def desk_for(app: App) -> AlarmDesk:
    """Build the desk from the home folder, as `serve` does."""
    return build(app.store, app.config, app.clock, app.home, fahrenheit=app.fahrenheit)


@click.group("alarms")
def command() -> None:
    """See what needs hands, say that you know, and test the way to your phone."""


@command.command("list")
@click.option("--all", "everything", is_flag=True, help="Also what is silent, and the last 20 that are over.")
@json_option
@pass_app
def list_(app: App, everything: bool, as_json: bool) -> None:
    """List what stands now, the most urgent first."""
    desk = desk_for(app)
    shown = desk.standing(all_states=everything)
    past = [a for a in app.store.alarm_list(limit=60) if a.closed_s is not None][:20] if everything else []
    if as_json:
        rows = [as_dict(s) for s in shown]
        rows += [
            {"id": a.id, "frame": a.frame, "alarm": a.kind, "priority": a.priority, "state": a.state,
             "opened_s": a.opened_s, "closed_s": a.closed_s, "text": a.text}
            for a in past
        ]
        print_json(rows)
        return
    if not shown:
        click.echo("Nothing needs hands.")
    now_s = app.clock.now_s()
    for one in shown:
        click.echo(line(one, now_s))
    for old in past:
        ended_s = app.store.alarm_ended_s(old.id) or old.closed_s or old.opened_s
        lasted = span(ended_s - old.opened_s)
        click.echo(f"{old.id:>5}  over     {old.frame or 'keeper'}: {old.kind}, lasted {lasted}, "
                   f"{span(now_s - old.opened_s)} ago")


@command.command()
@click.argument("number", type=int)
@json_option
@pass_app
def show(app: App, number: int, as_json: bool) -> None:
    """Show one alarm: what happened, what was said when, and by which way it went out."""
    record = app.store.alarm_get(number)
    steps = app.store.alarm_log(number)
    sent = app.store.delivery_list(alarm=number)
    if as_json:
        print_json({
            "id": record.id, "frame": record.frame, "alarm": record.kind, "priority": record.priority,
            "state": record.state, "opened_s": record.opened_s, "closed_s": record.closed_s, "text": record.text,
            "steps": [{"time_s": s.time_s, "from": s.from_state, "to": s.to_state, "why": s.why} for s in steps],
            "deliveries": [
                {"id": d.id, "channel": d.channel, "state": d.state, "tries": d.tries, "made_s": d.made_s,
                 "done_s": d.done_s, "result": d.result} for d in sent
            ],
        })
        return
    start_s = record.opened_s
    click.echo(f"{record.id}: {record.frame or 'keeper'}, {record.kind} ({record.priority}), "
               f"{wording.STATE_WORDS.get(record.state, record.state)}")
    click.echo(record.text)
    for step in steps:
        words = wording.STATE_WORDS.get(step.to_state, step.to_state)
        click.echo(f"  after {span(step.time_s - start_s):>7}: {words} ({step.why})")
    for row in sent:
        result = f": {row.result}" if row.result else ""
        tries = f"{row.tries} {'try' if row.tries == 1 else 'tries'}"
        click.echo(f"  after {span(row.made_s - start_s):>7}: by {row.channel}, {row.state} ({tries}){result}")


@command.command()
@click.argument("number", type=int)
@click.option("--who", default=None, help="Your name, for the record.")
@pass_app
def acknowledge(app: App, number: int, who: str | None) -> None:
    """Say that you know about alarm NUMBER, so that its reminders stop."""
    record = app.store.alarm_get(number)
    if record.closed_s is not None:
        click.echo(f"Alarm {number} is over already.")
        return
    _ask(app, {"what": "acknowledge", "id": number, "who": who or _me()})
    click.echo(f"Noted: you know about alarm {number}. You hear again when it is over.")


@command.command()
@click.argument("frame")
@click.argument("alarm")
@click.option("--for", "hours", type=float, required=True, metavar="HOURS", help="How long; at most 720.")
@click.option("--who", default=None, help="Your name, for the record.")
@pass_app
def shelve(app: App, frame: str, alarm: str, hours: float, who: str | None) -> None:
    """Keep ALARM of FRAME silent for a while; it comes back by itself."""
    desk_for(app).check(frame, alarm)
    if not 0.02 <= hours <= 720:  # shorter ones would be over before the keeper looks
        raise InputError(f"Silence for {hours:g} hours is not possible. Choose from 0.02 to 720. "
                         "Nothing was changed.")
    end_s = app.clock.now_s() + hours * 3600
    _ask(app, {"what": "shelve", "frame": frame, "alarm": alarm, "end_s": end_s, "who": who or _me()})
    click.echo(f"{alarm} of {frame} is silent for {span(hours * 3600)} and then comes back by itself.")


@command.command()
@click.argument("frame")
@click.argument("alarm")
@click.option("--who", default=None, help="Your name, for the record.")
@pass_app
def unshelve(app: App, frame: str, alarm: str, who: str | None) -> None:
    """End the silence of ALARM of FRAME now."""
    desk_for(app).check(frame, alarm)
    _ask(app, {"what": "unshelve", "frame": frame, "alarm": alarm, "who": who or _me()})
    click.echo(f"{alarm} of {frame} can be heard again.")


@command.command()
@json_option
@pass_app
def test(app: App, as_json: bool) -> None:
    """Send a real test message by every channel now."""
    channels = app.config.channels
    if not channels:
        raise InputError(
            f"No channel to a phone is set. Add a [[channels]] table with name and url to {app.home / FILE_NAME}."
        )
    check_channels(channels)
    words = wording.test_message()
    results = Notifier(app.store, channels, app.clock).test(words.title, words.body)
    if as_json:
        print_json([{"channel": r.channel, "ok": r.ok, "why": r.why} for r in results])
    else:
        for result in results:
            click.echo(f"{result.channel}: {'accepted' if result.ok else 'not sent, ' + result.why}")
    if not all(r.ok for r in results):
        failed = ", ".join(r.channel for r in results if not r.ok)
        raise JobError(f"The test did not go out by: {failed}. Check the address and the password in sashkeeper.toml.")


@command.command("metrics")
@click.option("--days", type=click.IntRange(1, 3660), default=30, show_default=True, help="How far back to look.")
@json_option
@pass_app
def metrics_(app: App, days: int, as_json: bool) -> None:
    """Measure the alarms themselves: how many, how urgent, how long, against the yardsticks."""
    end_s = app.clock.now_s()
    found = metrics.measure(app.store, end_s - days * DAY_S, end_s)
    if as_json:
        print_json(found.to_dict())
        return
    for text in metrics.lines(found):
        click.echo(text)


@command.command("catalogue")
@json_option
@pass_app
def catalogue_(app: App, as_json: bool) -> None:
    """Print the written record of every alarm."""
    book = catalogue.default()
    if as_json:
        print_json([vars(alarm) for alarm in book])
        return
    for alarm in book:
        click.echo(f"{alarm.id} ({alarm.priority}; {alarm.harm}, {alarm.time_to_respond})")
        click.echo(f"  Cause: {alarm.cause}\n  Otherwise: {alarm.consequence}\n  Do: {alarm.response}")
        click.echo(f"  Rings when: {alarm.limit} ({alarm.limit_reason}); "
                   f"after {span(alarm.on_delay_s)}, ends after {span(alarm.off_delay_s)}")


def line(one: Shown, now_s: float) -> str:
    """Return one alarm in one line."""
    since = "" if one.opened_s is None else f", since {span(now_s - one.opened_s)}"
    number = "-" if one.id is None else str(one.id)
    until = "" if one.shelf_end_s is None else f", {span(one.shelf_end_s - now_s)} more"
    return f"{number:>5}  {one.words.title} ({wording.STATE_WORDS[one.state]}{until}{since})"


def as_dict(one: Shown) -> dict[str, Any]:
    """Return one alarm for other programs."""
    words = one.words
    return {
        "id": one.id, "frame": one.frame, "alarm": one.alarm, "priority": one.priority, "state": one.state,
        "opened_s": one.opened_s, "title": words.title, "happened": words.happened, "doing": words.doing,
        "hands": words.hands, "acknowledged_by": one.ack_by, "shelf_end_s": one.shelf_end_s,
        "covered_by": one.covered_by, "facts": dict(one.facts),
    }


def _ask(app: App, request: Mapping[str, Any]) -> None:
    """Hand a request to the running keeper, or carry it out here when none runs."""
    now_s = app.clock.now_s()
    alive_s = app.store.note(log.ALIVE)
    log.ask(app.store, dict(request), now_s)
    if alive_s is None or not 0 <= now_s - alive_s <= KEEPER_IDLE_S:
        desk_for(app).carry_out_requests()


def _me() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "command line"
