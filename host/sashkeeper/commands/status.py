"""sashkeeper status: what every frame does now, why, and how old that knowledge is; the worst first."""

from __future__ import annotations

from typing import Any

import click

from sashkeeper import picture, wording
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.picture import Live
from sashkeeper.reach import in_clear
from sashkeeper.service import CLOCK_JUMPS
from sashkeeper.store import Alarm
from sashkeeper.units import age, span

# Values older than this are said to be old. Frames send one a minute and a report every ten.
OLD_S = 900.0
WEEK_S = 7 * 86_400.0
REFUSALS = {
    "log-in": "log-ins at the broker refused",
    "publish": "messages refused by the broker, on topics that are not the sender's",
    "subscribe": "subscriptions refused by the broker",
    "unknown-frame": "messages of unknown frames",
    "topic": "messages on unknown topics",
}
RANKS = ("urgent", "high", "medium", "low")


@click.command("status")
@click.argument("frame", required=False)
@json_option
@pass_app
def command(app: App, frame: str | None, as_json: bool) -> None:
    """Say what is going on now, in all frames or in one: lid, reason, values with their age, what to do."""
    now_s = app.clock.now_s()
    refused, jumps = app.store.note("refused", {}), app.store.note(CLOCK_JUMPS)
    wanted = [app.store.frame(frame)] if frame else app.store.frames()
    rows = [_row(app, f.id, f.name, now_s) for f in wanted]
    rows.sort(key=lambda r: (r["rank"], r["frame"]))
    if as_json:
        shown = [{k: v for k, v in r.items() if k != "rank"} for r in rows]
        print_json({"now_s": now_s, "frames": shown, "refused": refused.get("totals", {}),
                    "clock_jumps": jumps, "in_clear": in_clear(app.config.broker)})  # fmt: skip
        return
    if in_clear(app.config.broker):
        click.echo("! Messages cross the network without TLS, as plain = true under [broker] says.")
    if not rows:
        click.echo('No frame yet. Add one: "sashkeeper frames add north".')
        return
    for n, row in enumerate(rows):
        if n:
            click.echo()
        _print(app, row, now_s)
    if not frame:
        _print_odd(refused, jumps, now_s)


def _print_odd(refused: dict[str, Any], jumps: dict[str, Any] | None, now_s: float) -> None:
    """Say what was turned away so far, and when this computer's clock was last set."""
    for reason, times in sorted(refused.get("totals", {}).items()):
        last = refused.get("last", {}).get(reason, "")
        words = REFUSALS.get(reason, f"messages refused ({reason})")
        click.echo(paragraph(f"So far {times} {words}; the last: {last}", "", "  "))
    if jumps:
        way = "ahead" if jumps["by_s"] > 0 else "back"
        click.echo(f"This computer's clock was set {way} by {span(abs(jumps['by_s']))}, {age(now_s - jumps['at_s'])}.")


def _row(app: App, frame: str, name: str, now_s: float) -> dict[str, Any]:
    live = picture.load(app.store, frame)
    alarms = app.store.alarm_list(open_only=True, frame=frame)
    alarms.sort(key=lambda a: RANKS.index(a.priority) if a.priority in RANKS else len(RANKS))
    report = live.report or {}
    lid = report.get("lid", {})
    heard_s = live.heard_s
    values = live.reading.values if live.reading else {}
    return {
        "frame": frame,
        "name": name,
        "rank": _rank(live, alarms, now_s),
        "here": live.here,
        "heard_s": heard_s,
        "heard_age_s": None if heard_s is None else now_s - heard_s,
        "lid": lid.get("state"),
        "position_permille": lid.get("position_permille"),
        "target_permille": lid.get("target_permille"),
        "reason": report.get("reason"),
        "reason_words": wording.reason_words(report["reason"]) if report else None,
        "mode": report.get("mode"),
        "faults": report.get("faults", []),
        "lockouts": report.get("lockouts", []),
        "report_s": live.report_s,
        "values": values,
        "values_s": live.reading.time_s if live.reading else None,
        "settings_n": report.get("settings_n"),
        "missing_in_week": app.store.missing(frame, now_s - WEEK_S),
        "alarms": [{"id": a.id, "alarm": a.kind, "priority": a.priority, "state": a.state, "text": a.text,
                    "opened_s": a.opened_s} for a in alarms],
    }  # fmt: skip


def _rank(live: Live, alarms: list[Alarm], now_s: float) -> tuple[int, int]:
    """Order of showing: by the worst alarm, then faults, then silence, then the rest."""
    worst = min((RANKS.index(a.priority) for a in alarms if a.priority in RANKS), default=len(RANKS))
    faults = bool(live.report and live.report["faults"])
    silent = live.heard_s is None or now_s - live.heard_s > OLD_S or live.here is False
    return worst, 0 if faults else 1 if silent else 2


def _print(app: App, row: dict[str, Any], now_s: float) -> None:
    title = row["name"] if row["name"] == row["frame"] else f"{row['name']} ({row['frame']})"
    if row["heard_s"] is None:
        click.echo(f"{title}: never heard")
        click.echo(
            paragraph(f'Has its board been set up? "sashkeeper frames fittings {row["frame"]}" writes its file.', "  ")
        )
        return
    away = ", not connected" if row["here"] is False else ""
    click.echo(f"{title}: heard {age(now_s - row['heard_s'])}{away}")
    for alarm in row["alarms"]:
        word = wording.PRIORITY_WORDS.get(alarm["priority"], alarm["priority"])
        click.echo(
            paragraph(f"{word}, alarm {alarm['id']}, {age(now_s - alarm['opened_s'])}: {alarm['text']}", "  ! ", "    ")
        )
    if row["lid"]:
        place = row["position_permille"]
        shown = "" if place is None or place < 0 or row["lid"] == "shut" else f" {place / 10:g} %"
        where = f"lid {wording.lid_state_words(row['lid'])}{shown}"
        told = "" if row["report_s"] is None else f" (told {age(now_s - row['report_s'])})"
        text = f"{where}{told}: {row['reason_words']}"
        click.echo(paragraph(text, "  ", "    "))
        if row["mode"] != "auto":
            click.echo(f"  mode {row['mode']}")
        for fault in row["faults"]:
            click.echo(paragraph(f"fault: {wording.fault_words(fault)}", "  ! ", "    "))
    if row["values"]:
        old = now_s - row["values_s"]
        parts = [_value(app, name, value) for name, value in row["values"].items() if name not in ("lid", "target")]
        mark = "old, " if old > OLD_S else ""
        click.echo(paragraph(f"{mark}{age(old)}: {', '.join(parts)}", "  ", "    "))
    if n := row["missing_in_week"]:
        click.echo(f"  {n} {'reading' if n == 1 else 'readings'} of the last week {'is' if n == 1 else 'are'} missing")


NAMES = {"air": "inside", "air2": "inside, second probe", "soil": "soil", "outside": "outside"}
UNITS = {"battery": "V", "current": "A", "light": "lx", "wind": "m/s", "humidity": "%"}


def _value(app: App, name: str, value: float) -> str:
    if name in NAMES:
        return f"{NAMES[name]} {app.temperature(value)}"
    return f"{name} {value:g} {UNITS.get(name, '')}".strip()
