"""sashkeeper calendar: when to sow what for this winter."""

from __future__ import annotations

import dataclasses
from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import JobError
from sashkeeper.season import calendar_page, crops, ical_feed, planting_next, sowing
from sashkeeper.season.calendar import Plan, eating_order, next_day_of, plan, short
from sashkeeper.season.crops import Crop, CropBook
from sashkeeper.season.daylight import winter_of
from sashkeeper.season.place import Site, need_site, read_season
from sashkeeper.store import Store

FEW_CROPS = 6  # so many are shown with all their repeat sowings


@click.command("calendar", help="When to sow for winter: earliest, best and last day of each crop.")
@click.argument("crop_words", metavar="[CROP]...", nargs=-1)
@click.option("--winter", type=click.IntRange(1980, 2099), help="Year in which the winter begins. [default: the next]")
@click.option("--hours", type=float, help="Hours of light that growth needs. [default: season.growth_stops_h, 10]")
@click.option("--lit", is_flag=True, help="Count sun over your skyline instead of sunrise to sunset.")
@click.option("--snow", help="Day on which snow has come, month-day like 10-14.")
@click.option("--cold", help="Day on which the real cold begins, month-day like 12-01.")
@click.option("--area", type=float, help="Area of the bed in m2, for seed and plants.")
@click.option("--share", type=float, default=1.0, show_default=True, help="Share of that bed for each crop.")
@click.option("--weather", type=click.Path(path_type=Path), help="EPW or TMY3 file: count degree-days with it.")
@click.option("--ics", type=click.Path(path_type=Path), help="Write an iCalendar feed.")
@click.option("--page", type=click.Path(path_type=Path), help="Write one page to print (HTML).")
@json_option
@pass_app
def command(
    app: App, crop_words: tuple[str, ...], winter: int | None, hours: float | None, lit: bool, snow: str | None,
    cold: str | None, area: float | None, share: float, weather: Path | None, ics: Path | None, page: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Plan the sowings of a winter."""
    given = {"growth_stops_h": hours, "light": "lit" if lit else None, "first_snow": snow, "cold_onset": cold}
    season = {**app.config.season, **{k: v for k, v in given.items() if v is not None}}
    site = dataclasses.replace(need_site(app.config), season=read_season(season))
    kinds = _crops(crops.load(app.home), crop_words)
    year = winter if winter is not None else winter_of(site.today(app.clock.now_s()), site.lat_deg)
    seeds = {c.id: sowing.shares(area, share, c) for c in kinds} if area is not None else {}
    days = None
    if weather is not None:
        from sashkeeper.season.frame_days import frame_days

        days = frame_days(weather, site, year)
    made = _with_slots(app, plan(site, kinds, year, days), site)
    if ics is not None:
        _write(ics, _feed(app.store, made, app.clock.now_s()))
    if page is not None:
        _write(page, calendar_page.page(made))
    if as_json:
        print_json(_json(made, seeds))
        return
    _print(made, site, seeds)
    for file, what in ((ics, "Calendar feed"), (page, "Page to print")):
        if file is not None:
            click.echo(f"{what}: {file}")


def _with_slots(app: App, made: Plan, site: Site) -> Plan:
    """Add the days on which parts of the beds come free, where something stands there."""
    frames = app.store.frames()
    if not any(app.store.plantings(f.id, site.today(app.clock.now_s()).isoformat()) for f in frames):
        return made
    from sashkeeper.commands.plant import free_slots

    start = next_day_of((6, 21) if site.lat_deg >= 0 else (12, 21), made.winter, site.lat_deg)
    slots = [s for s in free_slots(app, [f.id for f in frames]) if start <= s.since < start + timedelta(days=365)]
    added = planting_next.entries(slots, {f.id: f.name for f in frames}, crops.load(app.home))
    return dataclasses.replace(made, entries=tuple(sorted([*made.entries, *added], key=lambda e: (e.day, e.key))))


def _crops(book: CropBook, words: tuple[str, ...]) -> list[Crop]:
    if not words:
        return list(book.crops.values())
    return list({c.id: c for c in (book.find(w) for w in words)}.values())


def _write(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(text.encode("utf-8"))
        part.replace(path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise JobError(f"{path} cannot be written: {fault.strerror}. Nothing was changed.") from fault


def _feed(store: Store, made: Plan, now_s: float) -> str:
    before = ical_feed.recall(store.note(ical_feed.MEMORY_NOTE))
    known = ical_feed.editions(made.entries, before, now_s)
    store.note_set(ical_feed.MEMORY_NOTE, ical_feed.remember({**before, **known}))
    return ical_feed.feed(made.entries, known, f"Sowing for winter {made.winter}")


def _print(made: Plan, site: Site, seeds: dict[str, dict[str, float]]) -> None:
    dark = made.dark
    click.echo(f"Sowing for winter {made.winter}/{(made.winter + 1) % 100:02d}, {site.name or f'{site.lat_deg:g}°'}")
    if not dark.note:
        click.echo(paragraph(f"Under {dark.threshold_h:g} h of light from {short(dark.begins)} to {short(dark.ends)}; "
                             f"shortest {dark.shortest_h:.1f} h."))  # fmt: skip
    for note in made.notes:
        click.echo(paragraph(f"Note: {note}", "", "  "))
    rows = [
        [w.crop.id, short(w.earliest), short(w.best), short(w.safe), short(w.last), short(w.first_cut[0])]
        for w in made.windows
    ]
    click.echo(table(["crop", "from", "best", "safe", "last", "cut"], rows))
    trays = [f"{w.crop.id} (out {short(w.plant_out)})" for w in made.windows if w.plant_out]
    if trays:
        click.echo(paragraph(f"In trays, planted out four weeks later: {', '.join(trays)}.", "", "  "))
    if len(made.windows) <= FEW_CROPS:
        for w in made.windows:
            days = ", ".join(short(d) for d in w.repeats)
            click.echo(paragraph(f"{w.crop.id}, little and often: {days}.", "", "  "))
    for entry in made.entries:
        if entry.key.endswith(("-snow", "-cold", "-free")):
            click.echo(paragraph(f"{short(entry.day)}: {entry.title}. {entry.text}", "", "  "))
    order = ", ".join(c.id for c in eating_order([w.crop for w in made.windows]))
    click.echo(paragraph(f"Eat in this order: {order}.", "", "  "))
    for crop_id, need in seeds.items():
        click.echo(paragraph(
            f"{crop_id}: on {need['area_m2']:.2f} m2 about {need['baby_seeds']:.0f} seeds for baby leaf "
            f"({need['band_m']:.1f} m of band), or {need['full_plants']:.0f} plants at full spacing.", "", "  "
        ))  # fmt: skip
    click.echo(paragraph("Guide values. Sown between safe and last, crops stay thin; later, they are for spring. "
                         "Cut: first leaves if sown on the best day."))  # fmt: skip


def _json(made: Plan, seeds: dict[str, dict[str, float]]) -> dict[str, Any]:
    dark = made.dark
    return {
        "winter": made.winter,
        "dark": {"begins": dark.begins.isoformat(), "ends": dark.ends.isoformat(), "threshold_h": dark.threshold_h,
                 "shortest_h": round(dark.shortest_h, 2), "note": dark.note},
        "windows": [
            {
                "crop": w.crop.id,
                "rule": w.rule,
                "earliest": w.earliest.isoformat(),
                "best": w.best.isoformat(),
                "safe": w.safe.isoformat(),
                "last": w.last.isoformat(),
                "first_cut": [d.isoformat() for d in w.first_cut],
                "repeats": [d.isoformat() for d in w.repeats],
                "tray": w.tray,
                "plant_out": w.plant_out.isoformat() if w.plant_out else None,
                "cautions": list(w.cautions),
                **({"seed": {k: round(v, 2) for k, v in seeds[w.crop.id].items()}} if w.crop.id in seeds else {}),
            }
            for w in made.windows
        ],
        "entries": [{"key": e.key, "day": e.day.isoformat(), "days": e.days, "title": e.title, "text": e.text}
                    for e in made.entries],
        "notes": list(made.notes),
    }  # fmt: skip
