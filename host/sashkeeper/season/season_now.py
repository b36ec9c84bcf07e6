"""What the season's rules need to know about one frame today, gathered from store, place and crop book.

This is the only file here that reads the store for temperatures; the rules
themselves (``setpoints``, ``hardening``, ``planting``) are pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from sashkeeper.config import Config
from sashkeeper.season import crops, setpoints
from sashkeeper.season.crops import CropBook
from sashkeeper.season.hardening import DayTemps
from sashkeeper.season.place import Site, site_of
from sashkeeper.season.planting import Conditions
from sashkeeper.store import Planting, Store

LOOK_BACK_DAYS = 45
HOURS_FOR_A_DAY = 18  # fewer hours with readings than this are not called a day
SOIL_BACK_DAYS = 150  # seed that is not up after that will not come


@dataclass(frozen=True)
class SeasonNow:
    """One frame on one day, ready for the rules."""

    frame: str
    today: date
    plantings: tuple[Planting, ...]
    book: CropBook
    days: tuple[DayTemps, ...]
    conditions: Conditions

    def suggest(self) -> setpoints.Suggestion:
        """Return the setpoints for what grows here; see ``setpoints.suggest``."""
        return setpoints.suggest(self.plantings, self.book, self.today, self.days, self.conditions)

    def due(self, in_force: Mapping[str, int]) -> dict[str, int]:
        """Return the suggested settings that differ from those in force; empty when nothing is to be sent."""
        return {name: value for name, value in self.suggest().settings.items() if in_force.get(name) != value}

    def danger(self) -> setpoints.FrameDanger | None:
        """Return what hurts the crops here; see ``setpoints.limits_for``."""
        return setpoints.limits_for(self.plantings, self.book, self.today, self.days, self.conditions)


def gather(store: Store, config: Config, home: Path | None, frame: str, now_s: float) -> SeasonNow:
    """Return what is known about a frame now. Raises UnknownFrame and the faults of place and crop files."""
    store.frame(frame)
    site = site_of(config)
    today = today_at(site, now_s)
    return SeasonNow(
        frame,
        today,
        tuple(store.plantings(frame, today.isoformat())),
        crops.load(home),
        tuple(day_temps(store, frame, today, site)),
        conditions_on(today, soil_days(store, frame, today, site), site),
    )


def conditions_on(day: date, soil: Mapping[date, float], site: Site | None) -> Conditions:
    """Return light and soil of a day, with soil temperatures that were measured."""
    if site is None:
        return Conditions(soil=soil)
    return Conditions(site.light_h(day), site.season.growth_stops_h, soil)


def today_at(site: Site | None, now_s: float) -> date:
    """Return the calendar day at the place, or in UTC while there is none."""
    return site.today(now_s) if site is not None else datetime.fromtimestamp(now_s, UTC).date()


def day_start_s(day: date, site: Site | None) -> float:
    """Return when a calendar day begins at the place [s since 1970]."""
    zone = UTC if site is None else site.zone
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()


def day_temps(
    store: Store, frame: str, today: date, site: Site | None, back_days: int = LOOK_BACK_DAYS
) -> list[DayTemps]:
    """Return the whole days before today with their air minimum, mean and maximum [degC], oldest first.

    Days with fewer than 18 hours of readings are left out rather than guessed.
    """
    first = today - timedelta(days=back_days)
    rolls = store.rolls(frame, ["air"], day_start_s(first, site), day_start_s(today, site)).get("air", [])
    result: list[DayTemps] = []
    for n in range(back_days):
        day = first + timedelta(days=n)
        start, end = day_start_s(day, site), day_start_s(day + timedelta(days=1), site)
        hours = [r for r in rolls if start <= r.start_s < end and r.n > 0]
        if len(hours) >= HOURS_FOR_A_DAY:
            mean = sum(r.mean for r in hours) / len(hours)
            result.append(DayTemps(day, min(r.low for r in hours), mean, max(r.high for r in hours)))
    return result


def soil_days(
    store: Store, frame: str, today: date, site: Site | None, back_days: int = SOIL_BACK_DAYS
) -> dict[date, float]:
    """Return the mean soil temperature [degC] of each day before today that a probe has measured for 18 hours."""
    first = today - timedelta(days=back_days)
    rolls = store.rolls(frame, ["soil"], day_start_s(first, site), day_start_s(today, site)).get("soil", [])
    zone = UTC if site is None else site.zone
    means: dict[date, list[float]] = {}
    for roll in rolls:
        if roll.n > 0:
            means.setdefault(datetime.fromtimestamp(roll.start_s, zone).date(), []).append(roll.mean)
    return {day: sum(m) / len(m) for day, m in means.items() if len(m) >= HOURS_FOR_A_DAY}
