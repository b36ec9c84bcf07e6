"""Compost, lime, sulfur and nitrogen."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sashkeeper.errors import InputError
from sashkeeper.season import bed, crops

BOOK = crops.load()


def test_units_of_the_tables() -> None:
    """1 lb per 100 sq ft is 48.82 g/m2 and 1 lb per acre 0.1121 g/m2. Source: definition of the units."""
    assert pytest.approx(48.82, abs=0.01) == bed.LB_PER_100_FT2
    assert pytest.approx(0.1121, abs=0.0001) == bed.LB_PER_ACRE


@pytest.mark.parametrize(
    ("ph", "sand", "loam", "clay"),
    [(4.0, 560, 780, 1125), (4.5, 465, 660, 950), (5.0, 390, 515, 730), (5.5, 295, 390, 515), (6.0, 145, 195, 270)],
)
def test_lime_table_rows(ph: float, sand: float, loam: float, clay: float) -> None:
    """Ground limestone to pH 6.5 is the table's at its rows.

    Source: a garden page's table in lb per 100 sq ft, times 48.82 (rounded to 5 g).
    """
    assert [bed.lime_g_m2(ph, t) for t in bed.TEXTURES] == [sand, loam, clay]


def test_weak_lime_needs_more() -> None:
    """From pH 5.5 on loam 390 g/m2 of pure lime are 557 of one with 70 % calcium carbonate equivalent.

    Source: Penn State soil report notes: recommended x 100 / CCE.
    """
    assert bed.lime_g_m2(5.5, "loam", 70) == pytest.approx(557, abs=0.5)


@pytest.mark.parametrize(
    ("ph", "texture", "low", "high"),
    [
        # Source: Knott's Handbook (from memory), sand, loam, clay:
        # 8.5: 224, 280, 336; 8.0: 135, 168, 224; 7.5: 56, 90, 112; 7.0: 11, 17, 34.
        # Source of the second opinion: a sulfur maker's table, sand and clay:
        # 8.5: 166, 225; 8.0: 112, 166; 7.5: 44, 68; 9.0: 225, 337. Outside its rows a table goes on straight.
        (8.5, "sand", 166, 224),
        (8.5, "clay", 225, 336),
        (8.0, "sand", 112, 135),
        (8.0, "clay", 166, 224),
        (7.5, "sand", 44, 56),
        (7.5, "clay", 68, 112),
        (7.0, "sand", 11, 22),
        (7.0, "clay", 34, 34),
        (9.0, "clay", 337, 448),
        (6.5, "loam", 0, 0),
        (5.0, "loam", 0, 0),
    ],
)  # fmt: skip
def test_sulfur_table_rows(ph: float, texture: str, low: float, high: float) -> None:
    """Sulfur to pH 6.5 is the range of both tables at their rows, and nothing at or under 6.5."""
    assert bed.sulfur_g_m2(ph, texture) == (low, high)


def test_blood_meal_by_hand() -> None:
    """9.8 g of nitrogen are 82 g of a 12 % fertilizer. Source: hand calculation, 9.8 / 0.12."""
    assert bed.fertilizer_g_m2(9.8, 12) == pytest.approx(81.7, abs=0.1)
    assert bed.fertilizer_g_m2(9.8, 12, 0.5) == pytest.approx(163.3, abs=0.1)


def _amounts(advice: bed.BedAdvice) -> dict[str, bed.Amount]:
    return {a.what: a for a in advice.amounts}


def test_amounts_for_the_whole_bed() -> None:
    """A bed of 2.9 m2: amounts per square metre times the area.

    Source of compost and nitrogen: Utah State University 2012; Univ. of Maryland Extension.
    """
    got = _amounts(bed.advise(2.9, "loam", 5.5))
    assert got["compost"].low_g == pytest.approx(2900)
    assert got["ground limestone"].low_g == pytest.approx(1131)
    assert got["nitrogen (N)"].high_g == pytest.approx(14.6 * 2.9)


def test_soil_that_fizzes_gets_no_sulfur() -> None:
    """With free lime in the soil sulfur is refused, and the reason told."""
    advice = bed.advise(3, "loam", 8.0, fizzes=True)
    assert "elemental sulfur" not in _amounts(advice)
    assert any("cannot be made sour" in c and "625 g/m2" in c for c in advice.cautions)


def test_untried_soil_is_to_be_tried_with_vinegar_first() -> None:
    """Before sulfur the grower is sent to the vinegar test, and warned of the dust."""
    advice = bed.advise(3, "loam", 8.0)
    assert "elemental sulfur" in _amounts(advice)
    assert any("vinegar" in c for c in advice.cautions)
    assert any("goggles" in c for c in advice.cautions)


def test_much_sulfur_is_split() -> None:
    """Sulfur is given in doses of 49 g/m2 at most, 75 days apart. Source: Clemson turf rule."""
    got = _amounts(bed.advise(3, "clay", 8.5))["elemental sulfur"]
    assert (got.doses, got.apart_days) == (5, 75)
    assert got.low_g_m2 / got.doses <= 49


@pytest.mark.parametrize(("ph", "texture", "doses"), [(6.0, "clay", 1), (5.0, "clay", 2), (4.0, "clay", 3)])
def test_much_lime_is_split(ph: float, texture: str, doses: int) -> None:
    """Lime of 540 g/m2 and more goes in two doses half a year apart, above 980 in three.

    Source: garden page, 11-20 lb per 100 sq ft in two doses.
    """
    assert _amounts(bed.advise(3, texture, ph))["ground limestone"].doses == doses


def test_crops_that_like_the_ph_need_nothing() -> None:
    """Spinach does well from 6.0 to 7.5, so at 7.2 and 6.2 neither sulfur nor lime is advised. Source: FAO EcoCrop."""
    for ph in (7.2, 6.2):
        got = bed.advise(3, "loam", ph, [BOOK.find("spinach")])
        assert not {"elemental sulfur", "ground limestone"} & set(_amounts(got))
        assert any("suits all these crops" in c for c in got.cautions)


def test_raw_manure_waits() -> None:
    """Raw manure before greens waits 120 days, 90 where the crop does not touch the soil.

    Source: US 7 CFR 205.203(c).
    """
    assert bed.manure_clear(date(2026, 5, 1)) == date(2026, 8, 29)
    assert bed.manure_clear(date(2026, 5, 1), touches_soil=False) == date(2026, 7, 30)
    assert any("120 days" in c for c in bed.advise(3, "loam", None).cautions)


@pytest.mark.parametrize(
    ("area", "texture", "ph", "cce"),
    [(0, "loam", 6.5, 100), (-1, "loam", 6.5, 100), (2000, "loam", 6.5, 100), (3, "peat", 6.5, 100),
     (3, "loam", 14, 100), (3, "loam", 6.5, 5), (float("nan"), "loam", 6.5, 100)],
)  # fmt: skip
def test_impossible_beds_are_refused(area: float, texture: str, ph: float, cce: float) -> None:
    """Area, soil, pH and lime outside sense are refused."""
    with pytest.raises(InputError):
        bed.advise(area, texture, ph, cce_percent=cce)


@given(st.floats(3.5, 9.4), st.sampled_from(bed.TEXTURES))
def test_amounts_never_fall_with_distance_from_the_aim(ph: float, texture: str) -> None:
    """A more sour bed never needs less lime, a more alkaline one never less sulfur."""
    assert bed.lime_g_m2(ph, texture) >= bed.lime_g_m2(ph + 0.1, texture)
    for end in (0, 1):
        assert bed.sulfur_g_m2(ph + 0.1, texture)[end] >= bed.sulfur_g_m2(ph, texture)[end]
