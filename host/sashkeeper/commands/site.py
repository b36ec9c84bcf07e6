"""sashkeeper site: where the frames stand, and how much sun the spot gets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import InputError, JobError
from sashkeeper.season import skylight
from sashkeeper.season.calendar import MONTHS, short
from sashkeeper.season.daylight import winter_of
from sashkeeper.season.place import Site, find_zone, need_site
from sashkeeper.season.skylight import Month, Spot
from sashkeeper.season.sowing import darkness
from sashkeeper.season.spots import own_spot, read_spots


@click.group("site", help="Where the frames stand: set the place, see the sun it gets.")
def command() -> None:
    """Group of the site commands."""


@command.command("set")
@click.option("--lat", type=float, help="Latitude, degrees, north positive.")
@click.option("--lon", type=float, help="Longitude, degrees, east positive.")
@click.option("--elevation", type=float, help="Height above sea level, m.")
@click.option("--timezone", help='Time zone, like "America/New_York". [default: looked up offline]')
@click.option("--name", help="Name of the place.")
@json_option
@pass_app
def set_(
    app: App, lat: float | None, lon: float | None, elevation: float | None, timezone: str | None, name: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Enter the place; only what is given is changed."""
    given: dict[str, Any] = {"lat_deg": lat, "lon_deg": lon, "elevation_m": elevation, "timezone": timezone,
                             "name": name}  # fmt: skip
    changes = {k: v for k, v in given.items() if v is not None}
    if not changes:
        raise InputError("Nothing to set: give at least --lat and --lon. Nothing was changed.")
    place = app.config.place
    new_lat, new_lon = changes.get("lat_deg", place.lat_deg), changes.get("lon_deg", place.lon_deg)
    if (new_lat is None) != (new_lon is None):
        raise InputError("One coordinate alone is no place: give --lat and --lon together. Nothing was changed.")
    moved = "lat_deg" in changes or "lon_deg" in changes
    if new_lat is not None and new_lon is not None and timezone is None and moved:
        changes["timezone"] = _zone(new_lat, new_lon)
    app.change_config(place=changes)
    site = need_site(app.config)
    if as_json:
        print_json(_site_json(site))
    else:
        click.echo(paragraph(f"Place: {site.lat_deg:g}°, {site.lon_deg:g}°, {site.elevation_m:g} m, {site.zone.key}."))
        click.echo(paragraph('"sashkeeper site show" tells what sun it gets, "sashkeeper calendar" when to sow.'))


def _zone(lat: float, lon: float) -> str:
    # Out of range is told by the settings file's own check; the map would only trip over it.
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        return "UTC"
    zone = find_zone(lat, lon)
    if zone is None:
        raise InputError(
            f"The time zone of {lat:g}°, {lon:g}° cannot be looked up (at sea, or the package timezonefinder is not "
            'installed). Give it: --timezone "America/New_York". Nothing was changed.'
        )
    return zone


def _site_json(site: Site) -> dict[str, Any]:
    return {
        "name": site.name,
        "lat_deg": site.lat_deg,
        "lon_deg": site.lon_deg,
        "elevation_m": site.elevation_m,
        "timezone": site.zone.key,
        "skyline_points": len(site.skyline.pairs),
        "obstacles": [o.name for o in site.skyline.obstacles],
    }


@command.command("show")
@click.option("--spots", "file", type=click.Path(path_type=Path), help="TOML file of candidate spots to compare.")
@click.option("--bearing", type=float, help="Where the lid faces, degrees from north. [default: the noon sun]")
@click.option("--tilt", type=float, default=6.0, show_default=True, help="Slope of the shut lid, degrees.")
@click.option("--plot", type=click.Path(path_type=Path), help="Write a picture, like site.png.")
@json_option
@pass_app
def show(
    app: App, file: Path | None, bearing: float | None, tilt: float, plot: Path | None, as_json: bool
) -> None:
    """Show hours of sun and light on the lid by month, for one spot or several side by side."""
    site = need_site(app.config)
    spots = read_spots(file, site) if file else [own_spot(site, bearing, tilt)]
    light = [skylight.months(site, s) for s in spots]
    advice = [skylight.advise(site, s) for s in spots]
    if plot is not None:
        from sashkeeper.season.site_picture import draw

        try:
            draw(plot, site, spots, light)
        except (OSError, ValueError) as fault:
            raise JobError(f"The picture {plot} cannot be written: {fault}.") from fault
    if as_json:
        print_json({**_site_json(site), "spots": [_spot_json(s, m, a.sentences) for s, m, a in
                                                  zip(spots, light, advice, strict=True)]})  # fmt: skip
        return
    click.echo(f"{site.name or 'Place'}: {site.lat_deg:g}°, {site.lon_deg:g}°, {site.elevation_m:g} m, {site.zone.key}")
    _print_dark(app, site)
    _print_light(spots, light)
    for s, m, a in zip(spots, light, advice, strict=True):
        click.echo(paragraph(f"{s.name}: {' '.join([*a.sentences, *_crowns(site, m)])}", "", "  "))
    click.echo(paragraph("Clear-sky light; clouds take half or more of it. To compare spots, not to promise."))
    if plot is not None:
        click.echo(f"Picture: {plot}")


def _print_dark(app: App, site: Site) -> None:
    winter = winter_of(site.today(app.clock.now_s()), site.lat_deg)
    dark = darkness(site, winter)
    if dark.note:
        click.echo(paragraph(dark.note))
        return
    days = (dark.ends - dark.begins).days
    kind = "sun over your skyline" if site.season.light == "lit" else "daylight"
    click.echo(paragraph(
        f"Under {dark.threshold_h:g} h of {kind} from {short(dark.begins)} to {short(dark.ends)} "
        f"({days} days, shortest {dark.shortest_h:.1f} h)."
    ))  # fmt: skip


def _print_light(spots: Sequence[Spot], light: Sequence[Sequence[Month]]) -> None:
    heads, rows = ["month"], [[name] for name in MONTHS]
    for spot, months in zip(spots, light, strict=True):
        short_name = spot.name if len(spot.name) <= 12 else spot.name[:11].rstrip() + "…"
        heads += [f"{short_name} sun", "MJ/m2"]
        for row, m in zip(rows, months, strict=True):
            row += [f"{m.lit_h:.1f} h", f"{m.lid_mj_m2:.1f}"]
    click.echo(table(heads, rows))


def _crowns(site: Site, months: Sequence[Month]) -> list[str]:
    winter = [m for m in months if m.month in skylight.winter_months(site.lat_deg)]
    lost = sum(m.bare_crowns_mj_m2 for m in winter) / sum(m.open_lid_mj_m2 for m in winter)
    shade = 1.0 - sum(m.lid_mj_m2 for m in winter) / sum(m.open_lid_mj_m2 for m in winter)
    found = [f"Of the winter light {shade:.0%} is lost to what stands around."] if shade > 0.02 else []
    if lost > 0.02:
        found.append(f"Bare crowns alone take {lost:.0%} (a guide; dense ones more).")
    return found


def _spot_json(spot: Spot, months: Sequence[Month], sentences: Sequence[str]) -> dict[str, Any]:
    return {
        "name": spot.name,
        "bearing_deg": spot.bearing_deg,
        "tilt_deg": spot.tilt_deg,
        "advice": list(sentences),
        "months": [
            {"month": m.month, "lit_h": round(m.lit_h, 2), "possible_h": round(m.possible_h, 2),
             "lid_mj_m2": round(m.lid_mj_m2, 2), "open_lid_mj_m2": round(m.open_lid_mj_m2, 2),
             "bare_crowns_mj_m2": round(m.bare_crowns_mj_m2, 2)}
            for m in months
        ],
    }  # fmt: skip
