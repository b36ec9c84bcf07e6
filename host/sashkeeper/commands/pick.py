"""sashkeeper pick: can leaves be cut now."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.season.crop_state import picking_of
from sashkeeper.season.picking import PickingWindow
from sashkeeper.season.place import site_of
from sashkeeper.season.setpoint_words import in_unit


@click.command("pick", help="Tell whether leaves have thawed and can be cut.")
@click.argument("frame", required=False)
@json_option
@pass_app
def command(app: App, frame: str | None, as_json: bool) -> None:
    """Look at the readings of the last day, of FRAME or of all frames."""
    site = site_of(app.config)
    now_s = app.clock.now_s()
    names = [app.store.frame(frame).id] if frame else [f.id for f in app.store.frames()]
    found = {name: picking_of(app.store, name, now_s, site) for name in names}
    if as_json:
        print_json([
            {"frame": name, "now": p.now.yes, "why": p.now.why,
             "windows": [{"from_s": w.from_s, "until_s": w.until_s, "why": w.why} for w in p.windows]}
            for name, p in found.items()
        ])  # fmt: skip
        return
    zone = UTC if site is None else site.zone
    for name, p in found.items():
        answer = "yes" if p.now.yes else "not now"
        click.echo(paragraph(in_unit(f"{name}: {answer}, {p.now.why}.", app.fahrenheit), "", "  "))
        for w in p.windows:
            still = p.now.yes and w is p.windows[-1]
            click.echo(paragraph(_window_words(w, now_s, zone, still), "  ", "    "))
    if not names:
        click.echo('No frame yet. Add one: "sashkeeper frames add NAME".')
    click.echo(paragraph("Look before you cut: leaves that are stiff or glassy are still frozen."))


def _window_words(window: PickingWindow, now_s: float, zone: tzinfo, still: bool) -> str:
    """When leaves could be cut, with the day where it is not today; still: they can be cut now."""
    today = datetime.fromtimestamp(now_s, UTC).astimezone(zone).date()

    def at(time_s: float) -> str:
        moment = datetime.fromtimestamp(time_s, UTC).astimezone(zone)
        day = "" if moment.date() == today else "yesterday "
        return f"{day}{moment:%H:%M}"

    if still:
        return f"thawed since {at(window.from_s)}"
    begins, ends = at(window.from_s), at(window.until_s)
    if begins.startswith("yesterday") and not ends.startswith("yesterday"):
        ends = f"today {ends}"
    return f"could be cut from {begins} to {ends.removeprefix('yesterday ')}"
