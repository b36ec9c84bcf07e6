"""How much compost, lime, sulfur and nitrogen a bed takes, as a range, with what to mind.

Amounts are grams or kilograms for the whole bed and per square metre. Tables
differ from each other by up to three times, so both ends are given, the low
one is recommended, split where it is much, and the soil tested again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from sashkeeper.errors import InputError
from sashkeeper.season.crops import Crop

TARGET_PH = 6.5
TEXTURES = ("sand", "loam", "clay")
G_PER_LB = 453.59237
# 1 lb per acre and 1 lb per 100 sq ft in g/m2, by definition of the units.
LB_PER_ACRE = G_PER_LB / 4046.8564224
LB_PER_100_FT2 = G_PER_LB / 9.290304

# Elemental sulfur [g/m2] from a starting pH to 6.5, top 15-18 cm, no free lime: (pH, sand, loam, clay).
# Source: Knott's Handbook for Vegetable Growers, lb per acre turned to g/m2; from memory.
SULFUR_TO_6_5 = ((7.0, 11, 17, 34), (7.5, 56, 90, 112), (8.0, 135, 168, 224), (8.5, 224, 280, 336))
# Second opinion, same aim, sand and clay only. Source: a sulfur maker's table (checked).
SULFUR_SECOND = ((7.5, 44, 68), (8.0, 112, 166), (8.5, 166, 225), (9.0, 225, 337))
# At most so much at once, and so far apart. Source: Clemson turf rule (checked).
SULFUR_AT_ONCE_G_M2 = (24.0, 49.0)
SULFUR_APART_DAYS = 75
# 1 % of free lime in 15 cm of soil eats this much before the pH moves. Source: 3.12 kg CaCO3 per kg S,
# soil at 1300 kg/m3 (worked out).
SULFUR_PER_PERCENT_LIME_G_M2 = 625.0

# Ground limestone [g/m2] from a starting pH to 6.5, CaCO3 equivalent 100: (pH, sandy loam, loam, clay loam).
# Source: a garden page's table, lb per 100 sq ft times 48.82 (checked).
LIME_TO_6_5 = ((4.0, 560, 780, 1125), (4.5, 465, 660, 950), (5.0, 390, 515, 730), (5.5, 295, 390, 515),
               (6.0, 145, 195, 270))  # fmt: skip
LIME_SPLIT_G_M2, LIME_THIRDS_G_M2 = 540.0, 980.0  # two doses from the first on, three from the second

# Compost before winter spinach, dug in 10-20 cm. Source: Utah State University 2012 (checked).
COMPOST_KG_M2 = (1.0, 1.2)
# Nitrogen for the season [g/m2]. Source: Univ. of Maryland, vegetables in general and heavy feeders (checked);
# spinach and greens 10-16 in the field (from memory). Winter beds stay at the low end.
NITROGEN_G_M2 = (9.8, 14.6)
# Raw manure before harvest, edible part on the soil or not. Source: US 7 CFR 205.203(c) (checked).
MANURE_DAYS_LEAVES, MANURE_DAYS_OTHER = 120, 90


@dataclass(frozen=True)
class Amount:
    """How much of something: per m2 and for the bed, low to high; `doses` at `apart_days`."""

    what: str
    low_g_m2: float
    high_g_m2: float
    low_g: float
    high_g: float
    doses: int
    apart_days: int
    text: str
    source: str


@dataclass(frozen=True)
class BedAdvice:
    """Amounts and cautions for one bed."""

    amounts: tuple[Amount, ...]
    cautions: tuple[str, ...]


def _between(rows: Sequence[Sequence[float]], ph: float, column: int) -> float:
    if ph <= rows[0][0]:
        return float(rows[0][column])
    for low, high in pairwise(rows):
        if low[0] <= ph <= high[0]:
            part = (ph - low[0]) / (high[0] - low[0])
            return low[column] + part * (high[column] - low[column])
    return float(rows[-1][column])


def lime_g_m2(ph: float, texture: str, cce_percent: float = 100.0) -> float:
    """Return ground limestone [g/m2] to bring a bed to pH 6.5; 0 at 6.5 and above.

    cce_percent: calcium carbonate equivalent of the product. Sand is taken as sandy loam, clay as clay loam.
    """
    column = 1 + TEXTURES.index(texture)
    if ph >= TARGET_PH:
        return 0.0
    top = LIME_TO_6_5[-1]
    pure = _between(LIME_TO_6_5, ph, column) if ph <= top[0] else top[column] * (TARGET_PH - ph) / (TARGET_PH - top[0])
    return pure * 100.0 / cce_percent


def sulfur_g_m2(ph: float, texture: str) -> tuple[float, float]:
    """Return elemental sulfur [g/m2] to bring a lime-free bed to pH 6.5, as the low and high of the tables."""
    column = 1 + TEXTURES.index(texture)
    if ph <= TARGET_PH:
        return (0.0, 0.0)
    knott = _reaching(SULFUR_TO_6_5, ph, column)
    sand, clay = _reaching(SULFUR_SECOND, ph, 1), _reaching(SULFUR_SECOND, ph, 2)
    second = {"sand": sand, "loam": (sand + clay) / 2, "clay": clay}[texture]
    return (min(knott, second), max(knott, second))


def _reaching(rows: Sequence[Sequence[float]], ph: float, column: int) -> float:
    # Under its first row a table runs straight down to nothing at pH 6.5; past its last row
    # it goes on as steeply as before (worked out, both).
    first, last, before = rows[0], rows[-1], rows[-2]
    if ph < first[0]:
        return first[column] * (ph - TARGET_PH) / (first[0] - TARGET_PH)
    if ph > last[0]:
        slope = (last[column] - before[column]) / (last[0] - before[0])
        return last[column] + slope * (ph - last[0])
    return _between(rows, ph, column)


def fertilizer_g_m2(nitrogen_g_m2: float, nitrogen_percent: float, released_share: float = 1.0) -> float:
    """Return the mass of a fertilizer [g/m2] that gives so much nitrogen in the season."""
    if not 0.0 < nitrogen_percent <= 100.0:
        raise InputError(f"A fertilizer with {nitrogen_percent:g} % nitrogen is not possible: give above 0 up to 100.")
    if not 0.0 < released_share <= 1.0:
        raise InputError(f"A released share of {released_share:g} is not possible: give above 0 up to 1.")
    return nitrogen_g_m2 / (nitrogen_percent / 100.0) / released_share


def advise(
    area_m2: float,
    texture: str,
    ph: float | None,
    crops: Sequence[Crop] = (),
    *,
    fizzes: bool | None = None,
    cce_percent: float = 100.0,
    nitrogen_percent: float | None = None,
) -> BedAdvice:
    """Return amounts and cautions for a bed.

    fizzes: whether soil fizzes with vinegar; None when not tried. ph None: not tested,
    so neither lime nor sulfur is advised. Raises InputError for impossible values.
    """
    _check(area_m2, texture, ph, cce_percent)
    amounts, cautions = [], []
    low, high = (k * 1000 for k in COMPOST_KG_M2)
    dug = "dug in 10 to 20 cm deep"
    amounts.append(_amount("compost", low, high, area_m2, 1, 0, dug, "Utah State University 2012"))
    if ph is None:
        cautions.append("No pH given: have the soil tested (every 2 to 3 years) before liming or adding sulfur.")
    elif ph < TARGET_PH:
        amounts += _lime(area_m2, texture, ph, cce_percent, crops, cautions)
    elif ph > TARGET_PH:
        amounts += _sulfur(area_m2, texture, ph, crops, fizzes, cautions)
    amounts.append(_nitrogen(area_m2, nitrogen_percent))
    cautions += _always()
    return BedAdvice(tuple(amounts), tuple(cautions))


def _check(area_m2: float, texture: str, ph: float | None, cce_percent: float) -> None:
    if not 0.0 < area_m2 <= 1000.0:
        raise InputError(f"A bed of {area_m2:g} m2 is not possible: give its area above 0 and up to 1000.")
    if texture not in TEXTURES:
        raise InputError(f'A soil of "{texture}" is not known: say {", ".join(TEXTURES)}.')
    if ph is not None and not 3.5 <= ph <= 9.5:
        raise InputError(f"A pH of {ph:g} is not one of a garden bed: give 3.5 to 9.5, or test again.")
    if not 20.0 <= cce_percent <= 180.0:
        raise InputError(f"A lime of {cce_percent:g} % calcium carbonate equivalent is not possible: give 20 to 180.")


def _amount(
    what: str, low: float, high: float, area_m2: float, doses: int, apart_days: int, text: str, source: str
) -> Amount:
    return Amount(what, low, high, low * area_m2, high * area_m2, doses, apart_days, text, source)


def ph_range(crops: Sequence[Crop]) -> tuple[float, float] | None:
    """Return the pH range that suits all crops, or None when there is none."""
    if not crops:
        return None
    low, high = max(c.ph[0] for c in crops), min(c.ph[1] for c in crops)
    return (low, high) if low <= high else None


def _lime(
    area_m2: float, texture: str, ph: float, cce_percent: float, crops: Sequence[Crop], cautions: list[str]
) -> list[Amount]:
    suits = ph_range(crops)
    if suits and suits[0] <= ph <= suits[1]:
        cautions.append(f"pH {ph:g} suits all these crops already ({suits[0]:g} to {suits[1]:g}): lime is not needed.")
        return []
    g = lime_g_m2(ph, texture, cce_percent)
    pure = g * cce_percent / 100.0
    doses = 1 if pure < LIME_SPLIT_G_M2 else 2 if pure < LIME_THIRDS_G_M2 else 3
    text = f"to pH {TARGET_PH:g}, autumn to spring, mixed in"
    cautions.append("Never spread lime and fresh manure together: ammonia is driven off.")
    return [_amount("ground limestone", g, g, area_m2, doses, 182 if doses > 1 else 0, text, "garden page table")]


def _sulfur(
    area_m2: float, texture: str, ph: float, crops: Sequence[Crop], fizzes: bool | None, cautions: list[str]
) -> list[Amount]:
    suits = ph_range(crops)
    if fizzes:
        per_percent = f"each 1 % of lime eats {SULFUR_PER_PERCENT_LIME_G_M2:.0f} g/m2 of sulfur first"
        cautions.append(
            f"The soil fizzes with vinegar, so it holds free lime and cannot be made sour ({per_percent}): no sulfur. "
            "Use compost, and watch for pale leaves."
        )
        return []
    if suits and suits[0] <= ph <= suits[1]:
        cautions.append(f"pH {ph:g} suits all these crops already ({suits[0]:g} to {suits[1]:g}): no sulfur needed.")
        return []
    low, high = sulfur_g_m2(ph, texture)
    if fizzes is None:
        cautions.append("Pour vinegar on a little dry soil first: if it fizzes, do not use sulfur at all.")
    if ph >= 7.5:
        cautions.append("Do not chase 6.5: spinach, beet, chard and arugula do well up to 7.5; compost helps more.")
    cautions.append("Sulfur dust bites: gloves, goggles, mask, still air. It works in 6 to 8 weeks of warm moist soil.")
    at_once = SULFUR_AT_ONCE_G_M2[1]
    doses = max(1, -int(-low // at_once))
    text = f"to pH {TARGET_PH:g}; start with the low figure, at most {at_once:g} g/m2 at once, test again"
    source = "Knott's Handbook (from memory) and a maker's table"
    return [_amount("elemental sulfur", low, high, area_m2, doses, SULFUR_APART_DAYS if doses > 1 else 0, text, source)]


def _nitrogen(area_m2: float, nitrogen_percent: float | None) -> Amount:
    low, high = NITROGEN_G_M2
    # Organic nitrogen hardly comes free in soil under about 10 degC.
    text = "worked in by mid September; for winter cutting stay low, nitrate builds up in dull light"
    if nitrogen_percent is not None:
        mass = fertilizer_g_m2(low, nitrogen_percent)
        text = f"= {mass:.0f} g/m2 ({mass * area_m2:.0f} g) of a {nitrogen_percent:g} % fertilizer; {text}"
    return _amount("nitrogen (N)", low, high, area_m2, 1, 0, text, "Univ. of Maryland Extension")


def _always() -> list[str]:
    return [
        f"Raw manure: {MANURE_DAYS_LEAVES} days before harvest where leaves touch soil (all greens), "
        f"{MANURE_DAYS_OTHER} days otherwise; composted is exempt. Your own rules may be stricter.",
        "Compost counts towards nitrogen: add less fertilizer where you give much.",
    ]


def manure_clear(spread: date, touches_soil: bool = True) -> date:
    """Return the first day of harvest after raw manure was spread."""
    return spread + timedelta(days=MANURE_DAYS_LEAVES if touches_soil else MANURE_DAYS_OTHER)


def as_dict(advice: BedAdvice) -> Mapping[str, object]:
    """Return advice as plain values for JSON."""
    return {
        "amounts": [
            {"what": a.what, "g_m2": [round(a.low_g_m2, 1), round(a.high_g_m2, 1)],
             "g": [round(a.low_g, 1), round(a.high_g, 1)], "doses": a.doses, "apart_days": a.apart_days,
             "text": a.text, "source": a.source}
            for a in advice.amounts
        ],
        "cautions": list(advice.cautions),
    }  # fmt: skip
