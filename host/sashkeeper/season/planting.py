"""What stands in which frame, since when, on which share of the bed, and how far it is.

Plantings are kept by the store; this file checks what the grower enters and
tells the stage. Stages, youngest first:

germinating  sown in place, not through the soil yet
seedling     up (or just planted out), about four true leaves to come
growing      in growth, nights still mild
hardened     nights around freezing have made the leaves tough
resting      days shorter than the threshold: hardly any growth, leaves are kept
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from sashkeeper.errors import InputError
from sashkeeper.season.crops import Crop, CropBook
from sashkeeper.season.emergence import progress
from sashkeeper.season.hardening import DayTemps, week_minimum_degc
from sashkeeper.store import Planting, Store

STAGES = ("germinating", "seedling", "growing", "hardened", "resting")
GROWTH_STOPS_H = 10.0  # hours of daylight; common practice, no source
# Nights below about 5 degC harden (common practice, no source); as a mean of seven minima.
HARDENS_BELOW_DEGC = 5.0
SEEDLING_DAYS = 21  # from emergence to about four true leaves (chosen)
SETTLING_DAYS = 7  # after planting out (chosen)
SOIL_GUESS_DEGC = 12.0  # where no soil probe has spoken (chosen: a frame in autumn)
FULL = 1000


@dataclass(frozen=True)
class Stage:
    """How far a planting is, and how we know."""

    name: str
    why: str


def today_of(now_s: float, utc_offset_s: float = 0.0) -> date:
    """Return the calendar day of a time [s since 1970] at a place with this offset from UTC [s]."""
    return date(1970, 1, 1) + timedelta(days=int((now_s + utc_offset_s) // 86_400))


def read_day(text: str, what: str) -> date:
    """Return the date of an ISO text; raises InputError in words."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(
            f'{what} "{text}" is not a date. Write year-month-day, like 2026-09-20. Nothing was changed.'
        ) from None


def read_share(share: float) -> int:
    """Return a share of the bed (0 to 1) in thousandths; raises InputError."""
    if not 0.0 < share <= 1.0:
        raise InputError(
            f"A share of {share:g} of the bed is not possible: give a number above 0 and up to 1, like 0.5 for half. "
            "Nothing was changed."
        )
    return max(1, round(share * FULL))


def add(
    store: Store,
    book: CropBook,
    frame: str,
    crop_word: str,
    since: date,
    today: date,
    *,
    share: float | None = None,
    start: str | None = None,
    until: date | None = None,
) -> tuple[Planting, Crop]:
    """Record that a crop stands in a frame; return the planting and its crop.

    share: 0 to 1; None takes what is free on that day. start: "direct",
    "transplant" or "division"; None is the crop's usual one.
    Raises InputError when the crop or frame is unknown, the day lies ahead, or
    the bed is full; then nothing is stored.
    """
    store.frame(frame)
    crop = book.find(crop_word)
    if since > today:
        raise InputError(
            f"{crop.name} cannot stand in {frame} since {since}: that day is still to come (today is {today}). "
            "Enter it once it is sown. Nothing was changed."
        )
    if until is not None and until <= since:
        raise InputError(f"{crop.name} cannot leave on {until} when it came on {since}. Nothing was changed.")
    begun = start or crop.starts[0]
    if begun not in crop.starts:
        ways = " or ".join(crop.starts)
        raise InputError(f'{crop.name} is started {ways}, not "{begun}". Nothing was changed.')
    others = [p for p in store.plantings(frame) if p.until_day is None or p.until_day > since.isoformat()]
    if until is not None:
        others = [p for p in others if p.since_day < until.isoformat()]
    free = FULL - sum(p.share_permille for p in others)
    permille = read_share(share) if share is not None else free
    if permille > free or permille <= 0:
        raise InputError(_full_bed(frame, crop, permille if share is not None else 0, free, others))
    number = store.planting_add(
        frame,
        crop.id,
        since.isoformat(),
        until_day=None if until is None else until.isoformat(),
        share_permille=permille,
        data={"start": begun},
    )
    return next(p for p in store.plantings(frame) if p.id == number), crop


def _full_bed(frame: str, crop: Crop, permille: int, free: int, others: Sequence[Planting]) -> str:
    stand = ", ".join(f"{p.crop} {p.share_permille / FULL:g}" for p in others)
    wish = f"a share of {permille / FULL:g} for {crop.name.lower()}" if permille else f"{crop.name.lower()}"
    room = f"only {free / FULL:g} of the bed is free" if free > 0 else "the bed is full"
    return (
        f"{frame} has no room for {wish}: {room} ({stand}; all shares together can be 1 at most). "
        f'Give a smaller share, or clear something with "sashkeeper plant remove {frame} CROP". Nothing was changed.'
    )


def matching(store: Store, book: CropBook, frame: str, crop_word: str, today: date) -> list[Planting]:
    """Return the plantings of a crop that stand in a frame today; raises InputError when there is none."""
    store.frame(frame)
    crop = book.find(crop_word)
    standing = store.plantings(frame, today.isoformat())
    found = [p for p in standing if p.crop == crop.id]
    if not found:
        names = ", ".join(dict.fromkeys(p.crop for p in standing)) or "nothing"
        raise InputError(f"No {crop.name.lower()} stands in {frame} today; {names} does. Nothing was changed.")
    return found


@dataclass(frozen=True)
class Conditions:
    """What makes plants grow or rest, beside the air: light and soil.

    light_h         hours of light today; None while the place is not known (then nothing counts as resting)
    growth_stops_h  hours of light under which growth stops
    soil            daily mean soil temperatures [degC] where a probe has spoken: they tell when a sowing is up
    """

    light_h: float | None = None
    growth_stops_h: float = GROWTH_STOPS_H
    soil: Mapping[date, float] = field(default_factory=dict)


UNKNOWN = Conditions()


def stage_of(
    planting: Planting, crop: Crop, today: date, days: Sequence[DayTemps] = (), conditions: Conditions = UNKNOWN
) -> Stage:
    """Return the stage of a planting today.

    days: temperatures at the plant. A stage that the grower entered (data "stage") wins.
    """
    data: dict[str, Any] = planting.data
    if data.get("stage") in STAGES:
        return Stage(str(data["stage"]), "as you entered it")
    since = date.fromisoformat(planting.since_day)
    age = (today - since).days
    young = _young_stage(crop, data, since, age, today, conditions.soil)
    if young is not None:
        return young
    light_h, stops_h = conditions.light_h, conditions.growth_stops_h
    if light_h is not None and light_h < stops_h:
        return Stage("resting", f"{light_h:.1f} h of light, under the {stops_h:g} h that growth needs")
    week = week_minimum_degc(days, today)
    if week is None:
        return Stage("growing", "too few readings of the last 7 nights to call it hardened")
    if week < HARDENS_BELOW_DEGC:
        return Stage("hardened", f"the last 7 nights fell to {week:.1f} °C on average")
    return Stage("growing", f"the last 7 nights stayed at {week:.1f} °C on average")


def _young_stage(
    crop: Crop, data: dict[str, Any], since: date, age: int, today: date, soil: Mapping[date, float]
) -> Stage | None:
    if data.get("start") in ("transplant", "division"):
        if age < SETTLING_DAYS:
            return Stage("seedling", f"planted out {age} days ago, settling in")
        return None
    if data.get("emerged"):
        up = date.fromisoformat(str(data["emerged"]))
        if today >= up:
            up_days = (today - up).days
            return Stage("seedling", f"up for {up_days} days") if up_days < SEEDLING_DAYS else None
        return Stage("germinating", f"sown {age} days ago")
    got = progress(crop, since, today, soil, SOIL_GUESS_DEGC)
    if got.up_on is None:
        origin = f"soil measured on {got.measured_days} of {age} days" if age else "just sown"
        return Stage("germinating", f"sown {age} days ago, about {got.share:.0%} of the way up ({origin})")
    past = (today - got.up_on).days
    return Stage("seedling", f"up for about {past} days") if past < SEEDLING_DAYS else None
