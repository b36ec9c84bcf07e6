"""When to sow for winter: earliest, best, safe and last day of each crop.

Two rules. By day length: growth nearly stops when the day gets shorter than a
threshold (10 h unless changed; common practice, no source), so a crop has to be
three quarters grown by then. By degree-days: the same aim, reached in the
temperatures and light of a year of days in the frame.

earliest  fully grown when the dark weeks begin, with the margin in hand
best      three quarters of full size by then, with the margin in hand
safe      three quarters of baby size by then, no margin
last      still reaches baby size before the light returns; sown later it is for spring
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from sashkeeper.errors import InputError
from sashkeeper.season.crops import Crop
from sashkeeper.season.daylight import DarkWeeks, dark_weeks, midwinter
from sashkeeper.season.growth import LIGHT_FACTOR, FrameDay, day_reached, effective_need
from sashkeeper.season.place import Season, Site

# How much longer than in summer a sowing takes, by days before the dark weeks begin.
# Source: common practice at 44 N (late August 1.2, early September 1.4, mid September 1.7, late
# September 2.2, October 3 or more), put on days before 7 November, the 10 h day there.
# Outside it: 1.0 from 120 days before, and on at the same slope after the last row (chosen).
AUTUMN_FACTOR = ((0.0, 3.92), (23.0, 3.0), (43.0, 2.2), (53.0, 1.7), (63.0, 1.4), (74.0, 1.2), (120.0, 1.0))
# Sown from three weeks before the dark weeks on, a crop is for spring.
# Source: UNH winter spinach trials 2014-16 (summary): planted mid-October on, spring harvest only, at 43-44 N.
SPRING_ONLY_DAYS = 21
TRAY_DAYS = 28  # from sowing in trays to planting out (chosen)
# Repeat sowings. Source: a seed vendor's culture page (7 days in the growing season); nearer the
# deadline every 3-5 days, from memory.
REPEAT_DAYS, REPEAT_LATE_DAYS = 7, 4
SEARCH_DAYS = 200


@dataclass(frozen=True)
class Window:
    """Sowing days of one crop for one winter; `first_cut` is the expected span for a sowing on the best day."""

    crop: Crop
    rule: str  # "day length" or "degree-days"
    earliest: date
    best: date
    safe: date
    last: date
    first_cut: tuple[date, date]
    repeats: tuple[date, ...]
    tray: bool  # better raised in trays
    plant_out: date | None
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Darkness:
    """The dark weeks the plan counts back from, and a note where the threshold had to give way."""

    begins: date
    ends: date
    shortest_h: float
    shortest_day: date
    threshold_h: float
    note: str


def darkness(site: Site, winter: int) -> Darkness:
    """Return the dark weeks of a winter at a place.

    Where the day never gets as short as the threshold, the shortest day stands in
    for them. Raises InputError where the sun does not rise at all.
    """
    season = site.season
    light: dict[date, float] = {}

    def length(day: date) -> float:
        if day not in light:
            light[day] = site.light_h(day)
        return light[day]

    found: DarkWeeks | None = dark_weeks(winter, season.growth_stops_h, site.lat_deg, length)
    middle = midwinter(winter, site.lat_deg)
    shortest_day = min((middle + timedelta(days=n) for n in range(-12, 13)), key=length)
    shortest = found.shortest_h if found else length(shortest_day)
    if shortest <= 0.0:
        where = "over your skyline " if season.light == "lit" else ""
        raise InputError(
            f"The sun does not rise {where}at {site.lat_deg:g}° around {shortest_day}: in such a winter no sowing date "
            "can be worked out. Nothing was changed."
        )
    if found is None:
        note = (
            f"The day never falls under {season.growth_stops_h:g} h here (shortest {shortest:.1f} h), so dates are "
            "counted back from the shortest day."
        )
        return Darkness(shortest_day, shortest_day + timedelta(days=1), shortest, shortest_day,
                        season.growth_stops_h, note)
    return Darkness(found.begins, found.ends, found.shortest_h, found.shortest_day, season.growth_stops_h, "")


def autumn_factor(days_before: float) -> float:
    """Return how many times longer than in summer a crop takes when sown so many days before the dark weeks."""
    rows = AUTUMN_FACTOR
    if days_before >= rows[-1][0]:
        return rows[-1][1]
    if days_before <= 0:
        return rows[0][1] - 0.04 * days_before
    for (d0, f0), (d1, f1) in pairwise(rows):
        if d0 <= days_before <= d1:
            return f0 + (f1 - f0) * (days_before - d0) / (d1 - d0)
    return rows[-1][1]


def _latest(begins: date, fits: Callable[[date], bool], floor_days: int = SEARCH_DAYS) -> date | None:
    # The latest day, going back from the dark weeks, on which a sowing still fits.
    for n in range(floor_days):
        day = begins - timedelta(days=n)
        if fits(day):
            return day
    return None


def by_day_length(crop: Crop, dark: Darkness, season: Season) -> Window:
    """Return the sowing window of a crop by the day-length rule."""
    margin, share = season.margin_days, season.grown_share

    def left(day: date) -> float:
        return float((dark.begins - day).days)

    def takes(summer_days: float) -> Callable[[date], float]:
        return lambda day: summer_days * autumn_factor(left(day))

    full_low, full_high = crop.full_days
    baby_low = crop.baby_days[0] if season.baby else full_low
    grown, usual = takes(full_high), takes(share * (full_low + full_high) / 2)
    thin, any_leaf = takes(share * baby_low), takes(baby_low)
    earliest = _latest(dark.begins, lambda d: grown(d) + margin <= left(d))
    best = _latest(dark.begins, lambda d: usual(d) + margin <= left(d))
    safe = _latest(dark.begins, lambda d: thin(d) <= left(d))
    late = dark.begins - timedelta(days=SPRING_ONLY_DAYS)
    last = _latest(late, lambda d: d + timedelta(days=any_leaf(d)) <= dark.ends)
    return _window(crop, "day length", dark, (earliest, best, safe, last), lambda d: _cut_by_factor(crop, dark, d))


def _cut_by_factor(crop: Crop, dark: Darkness, sown: date) -> tuple[date, date]:
    factor = autumn_factor((dark.begins - sown).days)
    return (
        sown + timedelta(days=round(crop.baby_days[0] * factor)),
        sown + timedelta(days=round(crop.baby_days[1] * factor)),
    )


def by_degree_days(
    crop: Crop, dark: Darkness, season: Season, days: Sequence[FrameDay], factor: float = LIGHT_FACTOR
) -> Window | None:
    """Return the sowing window of a crop in given days in the frame, or None where none of them fits.

    days: a run of days from midsummer to the return of the light at least, dated in this winter.
    """
    full = effective_need(crop, crop.full_days, factor)
    baby = effective_need(crop, crop.baby_days if season.baby else crop.full_days, factor)
    margin = timedelta(days=season.margin_days)

    def ready(sown: date, need: float) -> date:
        return day_reached(crop, sown, need, days, factor) or date.max

    usual = season.grown_share * (full[0] + full[1]) / 2
    earliest = _latest(dark.begins, lambda d: ready(d, full[1]) <= dark.begins - margin)
    best = _latest(dark.begins, lambda d: ready(d, usual) <= dark.begins - margin)
    safe = _latest(dark.begins, lambda d: ready(d, season.grown_share * baby[0]) <= dark.begins)
    last = _latest(dark.begins, lambda d: ready(d, baby[0]) <= dark.ends)
    if best is None:
        return None
    until = max(d.day for d in days)
    return _window(
        crop,
        "degree-days",
        dark,
        (earliest, best, safe, last),
        lambda d: (min(ready(d, baby[0]), until), min(ready(d, baby[1]), until)),
    )


def _window(
    crop: Crop,
    rule: str,
    dark: Darkness,
    found: tuple[date | None, date | None, date | None, date | None],
    cut: Callable[[date], tuple[date, date]],
) -> Window:
    floor = dark.begins - timedelta(days=SEARCH_DAYS)
    earliest = found[0] or floor
    best = max(found[1] or floor, earliest)
    safe = max(found[2] or best, best)
    last = max(found[3] or safe, safe)
    tray = crop.starts[0] == "transplant" or ("transplant" in crop.starts and crop.in_row_cm >= 20)
    return Window(
        crop,
        rule,
        earliest,
        best,
        safe,
        last,
        cut(best),
        _repeats(crop, tray, earliest, best, safe),
        tray,
        best + timedelta(days=TRAY_DAYS) if tray else None,
        tuple(_cautions(crop, earliest)),
    )


def _repeats(crop: Crop, tray: bool, earliest: date, best: date, safe: date) -> tuple[date, ...]:
    # Repeat sowings suit what is cut young; long crops and those in trays are sown once or twice.
    if tray or crop.baby_days[0] > 40:
        return (earliest, best) if best > earliest else (best,)
    days: list[date] = []
    day = earliest
    while day <= safe:
        days.append(day)
        day += timedelta(days=REPEAT_DAYS if day < best else REPEAT_LATE_DAYS)
    return tuple(days)


def _cautions(crop: Crop, earliest: date) -> list[str]:
    found = []
    if crop.soil_warn_degc is not None:
        found.append(
            f"comes up poorly in soil above {crop.soil_warn_degc:g} °C: sow early ones only if the soil is cooler, "
            "or shade the bed"
        )
    return found


def shares(area_m2: float, share: float, crop: Crop) -> dict[str, float]:
    """Return what a share of a bed takes: baby seeds in bands, or plants at full spacing.

    area_m2: the whole bed. Keys: area_m2, band_m, baby_seeds, full_plants. Raises InputError.
    """
    if not 0.0 < area_m2 <= 1000.0:
        raise InputError(f"A bed of {area_m2:g} m2 is not possible: give its area above 0 and up to 1000.")
    if not 0.0 < share <= 1.0:
        raise InputError(f"A share of {share:g} is not possible: give a number above 0 and up to 1.")
    part = area_m2 * share
    band_m = part / (crop.row_cm[0] / 100.0)
    plants = part / (crop.row_cm[1] / 100.0 * crop.in_row_cm / 100.0)
    return {
        "area_m2": part,
        "band_m": band_m,
        "baby_seeds": band_m * crop.baby_seeds_per_m,
        "full_plants": plants,
    }
