"""sashkeeper report: a frame's season on one page, to read, print and keep."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from sashkeeper import report
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.errors import JobError
from sashkeeper.season import season_now
from sashkeeper.season.place import site_of
from sashkeeper.season.planting import read_day


@click.command("report", help="A frame's season on one page: temperatures, crops, lid, alarms, picking.")
@click.argument("frame")
@click.option("--from", "from_text", metavar="DAY", help="First day, like 2026-09-01. [default: 1 September]")
@click.option("--to", "to_text", metavar="DAY", help="Last day. [default: yesterday]")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="The page. [default: FRAME-report.html]")
@click.option("--pdf", is_flag=True, help="Write a PDF beside it.")
@json_option
@pass_app
def command(
    app: App, frame: str, from_text: str | None, to_text: str | None, out: Path | None, pdf: bool, as_json: bool
) -> None:
    """Put FRAME's season together from the store."""
    site = site_of(app.config)
    today = season_now.today_at(site, app.clock.now_s())
    last = read_day(to_text, "--to") if to_text else today - timedelta(days=1)
    autumn = 9 if site is None or site.lat_deg >= 0 else 3
    first = read_day(from_text, "--from") if from_text else _last_start(last, autumn)
    made = report.gather(app.store, app.config, app.home, frame, first, last)
    if as_json and out is None and not pdf:
        print_json(figures(made))
        return
    from sashkeeper.report import page as report_page
    from sashkeeper.report import pdf as report_pdf

    path = out or Path(f"{frame}-report.html")
    html = report_page.page(made, app.clock.now_s(), app.fahrenheit)
    _write(path, html)
    how = None
    if pdf:
        how = report_pdf.write(path.with_suffix(".pdf"), html, made, app.fahrenheit, report_pdf.browser())
    if as_json:
        print_json({**figures(made), "page": str(path), "pdf": str(path.with_suffix(".pdf")) if pdf else None})
        return
    click.echo(f"Report of {made.name}, {first} to {last}: {path}")
    if how is not None:
        click.echo(f"PDF, {how}: {path.with_suffix('.pdf')}")


def _last_start(last: Any, month: int) -> Any:
    begun = last.replace(month=month, day=1)
    return begun if begun < last else begun.replace(year=begun.year - 1)


def _write(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise JobError(f"{path} cannot be written: {fault.strerror}. Give another name with --out.") from fault


def figures(made: report.SeasonReport) -> dict[str, Any]:
    """Return the report's figures for other programs."""
    return {
        "frame": made.frame,
        "from": made.first.isoformat(),
        "to": made.last.isoformat(),
        "lowest_degc": round(min(d.low for d in made.days), 2),
        "highest_degc": round(max(d.high for d in made.days), 2),
        "hours_with_readings": made.hours,
        "open_h": made.total("open_h"),
        "moves": int(made.total("moves")),
        "strokes": round(made.total("strokes"), 2),
        "picking_days": made.picking_days,
        "alarms": [{"kind": a.kind, "priority": a.priority, "opened_s": a.opened_s, "closed_s": a.closed_s}
                   for a in made.alarms],
        "faults": [{"fault": e.body.get("fault"), "time_s": e.time_s} for e in made.faults],
        "crops": [_crop(c) for c in made.crops],
        "advice": list(made.advice),
    }  # fmt: skip


def _crop(c: report.CropSeason) -> dict[str, Any]:
    return {
        "crop": c.crop.id,
        "frost_kh": round(c.frost, 2),
        "frost_range_kh": [round(c.frost_low, 2), round(c.frost_high, 2)],
        "frost_words": c.frost_words,
        "heat_kh": round(c.heat, 2),
        "growing_h": round(c.growing_h, 1),
    }
