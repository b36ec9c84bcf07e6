"""Where the frames stand, as the season needs it: coordinates, time zone, skyline, season dates.

Read from the tables ``[place]`` and ``[season]`` of ``sashkeeper.toml``. Works
without a network: the time zone is looked up in a package that carries the
map with it, when it is installed, and asked for otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from sashkeeper.errors import InputError, nearest
from sashkeeper.season import daylight
from sashkeeper.season.skyline import Skyline, read_obstacles, read_pairs

if TYPE_CHECKING:
    from sashkeeper.config import Config


@dataclass(frozen=True)
class Season:
    """What the grower believes about the year; every value can be changed in ``[season]``.

    Dates are (month, day). Defaults marked in the docs: 10 h and the margin are
    common practice, the two cold dates are empty until entered.
    """

    growth_stops_h: float = 10.0
    light: str = "sky"  # "sky": sunrise to sunset; "lit": hours of sun over the skyline
    margin_days: int = 14
    grown_share: float = 0.75  # how far grown a crop should be when the dark weeks begin
    first_snow: tuple[int, int] | None = None
    cold_onset: tuple[int, int] | None = None
    baby: bool = True  # cut as baby leaves where the crop allows
    follow_season: bool = True  # the service sends setpoints anew when the season changes them


@dataclass(frozen=True)
class Site:
    """A place, its zone and what is known about its sun and season."""

    lat_deg: float
    lon_deg: float
    zone: ZoneInfo
    elevation_m: float = 0.0
    name: str = ""
    skyline: Skyline = field(default_factory=Skyline)
    season: Season = field(default_factory=Season)

    def today(self, now_s: float) -> date:
        """Return the calendar day at the place."""
        return datetime.fromtimestamp(now_s, UTC).astimezone(self.zone).date()

    def light_h(self, day: date) -> float:
        """Return the hours of light of a day, by the grower's choice with or without the skyline."""
        if self.season.light == "lit":
            from sashkeeper.season.skylight import lit_hours

            return lit_hours(self, day)
        return daylight.day_length_h(day, self.lat_deg, self.lon_deg)


def find_zone(lat_deg: float, lon_deg: float) -> str | None:
    """Return the time zone of a point, offline; None where the map package is missing or the point lies at sea."""
    try:
        from timezonefinder import TimezoneFinder
    except ImportError:
        return None
    found = TimezoneFinder(in_memory=False).timezone_at_land(lat=lat_deg, lng=lon_deg)
    return None if found is None else str(found)


def site_of(config: Config) -> Site | None:
    """Return the place of a configuration, or None while it has none.

    Raises InputError for coordinates by halves, a missing time zone, a skyline that
    crosses itself or a season that makes no sense.
    """
    place = config.place
    if place.lat_deg is None and place.lon_deg is None:
        return None
    if place.lat_deg is None or place.lon_deg is None:
        raise InputError(
            "The place has only one coordinate. Give both: sashkeeper site set --lat 41.4 --lon -75.6. "
            "Nothing was changed."
        )
    zone = place.timezone
    if "timezone" not in place.model_fields_set:
        zone = find_zone(place.lat_deg, place.lon_deg) or ""
    if not zone:
        raise InputError(
            "The place has no time zone, and it cannot be looked up here. Give it: "
            'sashkeeper site set --timezone "Europe/Berlin". Nothing was changed.'
        )
    skyline = Skyline(
        read_pairs(place.skyline, "place.skyline"),
        read_obstacles(place.obstacles, "place.obstacles"),
    )
    return Site(
        place.lat_deg,
        place.lon_deg,
        ZoneInfo(zone),
        place.elevation_m,
        place.name,
        skyline,
        read_season(config.season),
    )


def need_site(config: Config) -> Site:
    """Return the place; raises InputError that says how to enter it."""
    site = site_of(config)
    if site is None:
        raise InputError(
            "The place is not known yet. Enter it once: sashkeeper site set --lat 41.4 --lon -75.6 "
            "(degrees, north and east are positive)."
        )
    return site


def read_season(table: Mapping[str, Any]) -> Season:
    """Return the checked ``[season]`` table; raises InputError naming every fault."""
    known = Season.__dataclass_fields__
    faults = [f'season.{k} is not a setting we know.{nearest(k, known)}' for k in table if k not in known]
    values: dict[str, Any] = {k: v for k, v in table.items() if k in known}
    limits: Sequence[tuple[str, float, float]] = (
        ("growth_stops_h", 4, 16),
        ("margin_days", 0, 60),
        ("grown_share", 0.2, 1.0),
    )
    for name, low, high in limits:
        value = values.get(name, low)
        if not isinstance(value, int | float) or isinstance(value, bool) or not low <= value <= high:
            faults.append(f"season.{name} is {value!r}, but has to be a number from {low} to {high}")
    if values.get("light", "sky") not in ("sky", "lit"):
        faults.append('season.light has to be "sky" (sunrise to sunset) or "lit" (sun over your skyline)')
    faults += [
        f"season.{name} has to be true or false"
        for name in ("baby", "follow_season")
        if not isinstance(values.get(name, True), bool)
    ]
    for name in ("first_snow", "cold_onset"):
        if name in values:
            try:
                values[name] = read_month_day(str(values[name]))
            except ValueError:
                faults.append(f'season.{name} "{values[name]}" has to be month-day, like "10-14"')
    if faults:
        raise InputError("; ".join(faults).rstrip(".") + ". Nothing was changed.")
    return Season(**values)


def read_month_day(text: str) -> tuple[int, int]:
    """Return (month, day) of ``10-14``; raises ValueError."""
    month, day = (int(part) for part in text.split("-"))
    date(2024, month, day)  # a leap year, so that 02-29 passes
    return month, day
