"""From what grows in a frame to the settings its controller keeps.

``suggest`` answers "what should be set, and why"; ``limits_for`` answers "what
hurts these crops today" for the alarms. Both are pure: the caller brings the
plantings, the crop book, the day and the temperatures of the last days. In a
mixed bed the tightest crop rules: lowest opening and scorch temperature,
highest closing, frost and outside limit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sashkeeper.errors import InputError
from sashkeeper.season.crop_limits import CropLimits, Wish, limits_of
from sashkeeper.season.crops import CropBook
from sashkeeper.season.hardening import FROST_LOSS_DEGC_H, FROST_URGENT_DEGC_H, DayTemps
from sashkeeper.season.planting import UNKNOWN, Conditions
from sashkeeper.store import Planting

# Opening and closing of a mixed bed are kept this far apart: nearer, the lid would work all day.
# The controller itself refuses less than 2 degC.
LEAST_BAND_DEGC = 3.0
MDEGC = 1000

# wire name -> (grower's word, wish, which crop rules)
RULES: Mapping[str, tuple[str, str, Callable[[Sequence[float]], float]]] = {
    "open_mdegc": ("opening", "open", min),
    "close_mdegc": ("closing", "close", max),
    "scorch_mdegc": ("scorch", "scorch", min),
    "frost_mdegc": ("frost", "frost", max),
    "min_outside_mdegc": ("outside", "min_outside", max),
}


@dataclass(frozen=True)
class Value:
    """One setting: wire name, grower's word, value [degC], the crop that rules it, reason and source."""

    name: str
    word: str
    degc: float
    crop: str
    reason: str
    source: str

    @property
    def wire(self) -> int:
        """Return the value as the controller takes it, thousandths of a degree."""
        return round(self.degc * MDEGC)


@dataclass(frozen=True)
class Suggestion:
    """A set of setpoints with reasons, what each planting asked for, and cautions."""

    values: tuple[Value, ...]
    crops: tuple[CropLimits, ...]
    cautions: tuple[str, ...]

    @property
    def settings(self) -> dict[str, int]:
        """Return the settings by wire name, ready to be sent."""
        return {v.name: v.wire for v in self.values}

    def value(self, name: str) -> Value:
        """Return one value by its wire name; KeyError for another name."""
        return {v.name: v for v in self.values}[name]


@dataclass(frozen=True)
class CropDanger:
    """What hurts one planting today [degC]; frost figures are leaf temperatures."""

    crop_id: str
    crop_name: str
    stage: str
    frost_damage_degc: float  # leaf damage begins here (estimate)
    frost_warn_degc: float  # cautious end of the estimate
    frost_kill_degc: float  # the plant itself may die
    high_degc: float
    scorch_degc: float


@dataclass(frozen=True)
class FrameDanger:
    """The tightest of all crops in a frame, for alarms. Doses in degC h below ``frost_damage_degc``."""

    frost_damage_degc: float
    frost_warn_degc: float
    frost_kill_degc: float
    frost_crop: str
    high_degc: float
    scorch_degc: float
    heat_crop: str
    crops: tuple[CropDanger, ...]
    frost_urgent_degc_h: float = FROST_URGENT_DEGC_H
    frost_loss_degc_h: float = FROST_LOSS_DEGC_H


def _limits(
    plantings: Sequence[Planting],
    book: CropBook,
    today: date,
    days: Sequence[DayTemps],
    conditions: Conditions,
) -> list[CropLimits]:
    iso = today.isoformat()
    standing = [p for p in plantings if p.since_day <= iso and (p.until_day is None or p.until_day > iso)]
    return [limits_of(p, book, today, days, conditions) for p in standing]


def suggest(
    plantings: Sequence[Planting],
    book: CropBook,
    today: date,
    days: Sequence[DayTemps] = (),
    conditions: Conditions = UNKNOWN,
) -> Suggestion:
    """Return the setpoints for the crops that stand in one frame today.

    days: daily temperatures at the plant, as many as known.
    Raises InputError when nothing stands in the frame, and UnknownCrop.
    """
    asked = _limits(plantings, book, today, days, conditions)
    if not asked:
        raise InputError(
            "Nothing stands in this frame, so there is nothing to take setpoints from. "
            'Enter what grows there, like "sashkeeper plant add north spinach --since 2026-09-20".'
        )
    values = {name: _ruled(name, asked) for name in RULES}
    cautions = []
    opening, closing = values["open_mdegc"], values["close_mdegc"]
    if closing.degc > opening.degc - LEAST_BAND_DEGC:
        kept = opening.degc - LEAST_BAND_DEGC
        cautions.append(
            f"{closing.crop} would like the lid shut at {closing.degc:g} °C, but {opening.crop.lower()} needs it open "
            f"from {opening.degc:g} °C: closing is set to {kept:g} °C. They would do better in two frames."
        )
        reason = f"kept {LEAST_BAND_DEGC:g} °C under opening, or the lid would work all day"
        values["close_mdegc"] = Value("close_mdegc", "closing", kept, opening.crop, reason, "chosen by Sashkeeper")
    cautions += _young_beside_hard(asked)
    if not days:
        cautions.append("No readings of the last days yet: plants count as unhardened.")
    if conditions.light_h is None:
        cautions.append("The place is not known, so the dark weeks are not taken into account.")
    return Suggestion(tuple(values.values()), tuple(asked), tuple(cautions))


def _ruled(name: str, asked: Sequence[CropLimits]) -> Value:
    word, wish_name, pick = RULES[name]
    wanted = pick([a.wishes[wish_name].degc for a in asked])
    ruler = next(a for a in asked if a.wishes[wish_name].degc == wanted)
    wish: Wish = ruler.wishes[wish_name]
    return Value(name, word, wish.degc, ruler.crop.name, wish.reason, wish.source)


def _young_beside_hard(asked: Sequence[CropLimits]) -> list[str]:
    young = sorted({a.crop.name for a in asked if a.stage.name in ("germinating", "seedling")})
    hard = sorted({a.crop.name for a in asked if a.stage.name in ("hardened", "resting")})
    if not young or not hard:
        return []
    return [
        f"{', '.join(young)} is still young and {', '.join(hard).lower()} is in winter rest: the frame is kept cool "
        "for the old leaves and shut in cold air for the young ones, which suits neither fully."
    ]


def limits_for(
    plantings: Sequence[Planting],
    book: CropBook,
    today: date,
    days: Sequence[DayTemps] = (),
    conditions: Conditions = UNKNOWN,
) -> FrameDanger | None:
    """Return what hurts the crops of one frame today, the tightest first of all; None when nothing stands there."""
    asked = _limits(plantings, book, today, days, conditions)
    if not asked:
        return None
    crops = tuple(_danger(a) for a in asked)
    frost = max(crops, key=lambda c: c.frost_warn_degc)
    heat = min(crops, key=lambda c: (c.scorch_degc, c.high_degc))
    return FrameDanger(
        frost_damage_degc=max(c.frost_damage_degc for c in crops),
        frost_warn_degc=frost.frost_warn_degc,
        frost_kill_degc=max(c.frost_kill_degc for c in crops),
        frost_crop=frost.crop_name,
        high_degc=min(c.high_degc for c in crops),
        scorch_degc=heat.scorch_degc,
        heat_crop=heat.crop_name,
        crops=crops,
    )


def _danger(asked: CropLimits) -> CropDanger:
    crop, hard = asked.crop, asked.hard
    damage, warn = hard.damage_degc, hard.warm_degc
    if asked.stage.name == "seedling":
        # Even hardy kinds are hurt before hardening. Source: Univ. of Maryland Extension; FAO EcoCrop
        # gives 0 degC as killing in early growth of spinach, lettuce and coriander.
        damage, warn = max(damage, crop.unhardened_degc), 0.0
    if asked.stage.name == "germinating":  # no leaves yet
        damage = warn = crop.unhardened_degc
    share = 0.0 if asked.stage.name in ("seedling", "germinating") else hard.hardened_share
    # The kill figure holds for hardened plants; unhardened ones die about where hardened leaves are hurt.
    soft_kill = min(crop.leaf_damage_degc[0], crop.unhardened_degc)
    kill = soft_kill + share * (crop.kill_degc[0] - soft_kill)
    return CropDanger(
        crop.id,
        crop.name,
        asked.stage.name,
        damage,
        warn,
        min(kill, damage),
        asked.wishes["high"].degc,
        asked.wishes["scorch"].degc,
    )
