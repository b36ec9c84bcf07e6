"""What each planting asks of its frame: one crop, one stage, one set of limits.

Guide values by vent class (see ``data/crops.json``), moved by stage and by the
last days' temperatures. Every figure carries its reason and where it comes
from. ``setpoints.py`` then lets the tightest crop of a mixed bed rule.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sashkeeper.season.crops import Crop, CropBook, VentClass
from sashkeeper.season.hardening import WARM_DAY_DEGC, DayTemps, Hardness, hardness
from sashkeeper.season.planting import HARDENS_BELOW_DEGC, UNKNOWN, Conditions, Stage, stage_of
from sashkeeper.store import Planting

# Keep this far under the temperature at which quality falls (chosen: half of the growers' 5 degC habit).
UNDER_QUALITY_DEGC = 2.5
# Inside temperature under which an open lid is a fault to report, by stage (chosen; leaves stand more,
# but a lid that is open at freezing has missed its evening).
FROST_BY_STAGE_DEGC = {"germinating": 2.0, "seedling": 3.0, "growing": 2.0, "hardened": 1.0, "resting": 1.0}
OPEN_FLOOR_DEGC = 10.0


@dataclass(frozen=True)
class Wish:
    """One figure that a crop asks for [degC], why, and where it comes from."""

    degc: float
    reason: str
    source: str


@dataclass(frozen=True)
class CropLimits:
    """All that one planting asks for."""

    planting: Planting
    crop: Crop
    stage: Stage
    vent_class: str
    hard: Hardness
    wishes: Mapping[str, Wish]  # open, close, scorch, high, frost, min_outside


def limits_of(
    planting: Planting,
    book: CropBook,
    today: date,
    days: Sequence[DayTemps] = (),
    conditions: Conditions = UNKNOWN,
) -> CropLimits:
    """Return what one planting asks for today; raises UnknownCrop."""
    crop = book.find(planting.crop)
    stage = stage_of(planting, crop, today, days, conditions)
    since = date.fromisoformat(planting.since_day)
    lived = [d for d in days if d.day >= since]
    hard = hardness(crop, lived, today)
    winter = stage.name in ("hardened", "resting")
    class_name = crop.winter_class if winter else crop.growing_class
    vent = book.classes[class_name]
    wishes = {
        "open": _opening(crop, vent, stage, days, hard, today),
        "high": _class_wish(vent, vent.high_degc, "above this the crop is under strain"),
        "scorch": _class_wish(vent, vent.scorch_degc, "above this leaves scorch"),
        "frost": Wish(
            FROST_BY_STAGE_DEGC[stage.name],
            f"a lid open below this has missed its evening ({stage.name})",
            "chosen by Sashkeeper",
        ),
        "min_outside": _outside(crop, vent, stage, hard),
    }
    wishes["close"] = _closing(vent, stage, wishes["open"])
    return CropLimits(planting, crop, stage, class_name, hard, wishes)


def _class_wish(vent: VentClass, degc: float, reason: str) -> Wish:
    return Wish(degc, reason, f"guide, class {vent.name.replace('_', ' ')}")


def _opening(
    crop: Crop, vent: VentClass, stage: Stage, days: Sequence[DayTemps], hard: Hardness, today: date
) -> Wish:
    guide = f"guide, class {vent.name.replace('_', ' ')}"
    wish = Wish(vent.open_degc, f"{stage.name}: {stage.why}", guide)
    if stage.name == "resting" and _soft_spell(days, hard, today):
        low = vent.open_range_degc[0]
        wish = Wish(low, "warm spell in the dark weeks: open sooner, so that leaves stay hardened", guide + ", low end")
    if stage.name == "germinating" and crop.soil_best_degc < wish.degc:
        degc = max(OPEN_FLOOR_DEGC, crop.soil_best_degc)
        wish = Wish(degc, f"germinates best at {crop.soil_best_degc:g} °C soil", _from(crop, "germination",
                                                                                    "soil_best_degc"))
    ceiling = crop.quality_falls_degc[0] - UNDER_QUALITY_DEGC
    if ceiling < wish.degc:
        degc = max(OPEN_FLOOR_DEGC, ceiling)
        why = f"quality falls above {crop.quality_falls_degc[0]:g} °C, opening stays {UNDER_QUALITY_DEGC:g} under it"
        wish = Wish(degc, why, _from(crop, "heat", "quality_falls_degc"))
    return wish


def _soft_spell(days: Sequence[DayTemps], hard: Hardness, today: date) -> bool:
    week_soft = hard.week_min_degc is not None and hard.week_min_degc >= HARDENS_BELOW_DEGC
    warm_day = any(d.mean_degc > WARM_DAY_DEGC and 0 < (today - d.day).days <= 2 for d in days)
    return week_soft or warm_day


def _closing(vent: VentClass, stage: Stage, opening: Wish) -> Wish:
    width = vent.open_degc - vent.close_degc
    if opening.degc == vent.open_degc:
        return Wish(vent.close_degc, f"{stage.name}: keeps warmth for the night", _class_wish(vent, 0, "").source)
    return Wish(
        opening.degc - width, f"{width:g} °C under opening, as wide as the class has it", "worked out from the guide"
    )


def _outside(crop: Crop, vent: VentClass, stage: Stage, hard: Hardness) -> Wish:
    if stage.name == "seedling":
        degc = max(vent.min_outside_degc, crop.seedling_outside_degc)
        return Wish(degc, "seedlings are not aired in colder air", "Univ. of Maryland Extension, hardening seedlings")
    soft = stage.name in ("hardened", "resting") and hard.week_min_degc is not None
    if soft and (hard.week_min_degc or 0.0) >= HARDENS_BELOW_DEGC:
        return Wish(
            max(2.0, vent.min_outside_degc), "leaves have softened in a mild week, so no freezing air", "chosen by "
            "Sashkeeper (class hardy growing has 2 °C)"
        )
    return _class_wish(vent, vent.min_outside_degc, "no opening while the air outside is colder, unless it is hot")


def _from(crop: Crop, group: str, value: str) -> str:
    ids = ", ".join(crop.sources(group))
    return f"{crop.name}, {crop.mark(group, value)} ({ids})" if ids else f"{crop.name}, {crop.mark(group, value)}"
