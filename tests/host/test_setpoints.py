"""From crops to setpoints, and to what hurts them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import settings as few
from hypothesis import strategies as st

from sash import settings as controller
from sashkeeper.errors import InputError
from sashkeeper.season import crops, setpoint_words
from sashkeeper.season.hardening import DayTemps
from sashkeeper.season.planting import Conditions
from sashkeeper.season.setpoints import FrameDanger, Suggestion, limits_for, suggest
from sashkeeper.store import Planting

BOOK = crops.load()
TODAY = date(2027, 1, 15)


def _stand(*names: str, stage: str | None = None, since: date = date(2026, 9, 20)) -> list[Planting]:
    data = {"stage": stage} if stage else {"start": "direct"}
    share = 1000 // len(names)
    return [Planting(n, "north", c, since.isoformat(), None, share, data) for n, c in enumerate(names)]


def _days(low: float, mean: float, count: int = 30, end: date = TODAY) -> list[DayTemps]:
    return [DayTemps(end - timedelta(days=n), low, mean) for n in range(count, 0, -1)]


def _degc(found: Suggestion) -> Mapping[str, float]:
    return {v.word: v.degc for v in found.values}


# Guide values by class. Source: crop table, vent classes (northern tunnel programme, national gardening
# association 1998, Univ. of Maryland; closing values common practice, no source).
def test_hardened_greens_get_the_winter_class() -> None:
    """Hardened spinach in a cold dark week: 15/10, nothing opened under 0 outside, scorch at 32."""
    got = suggest(_stand("spinach"), BOOK, TODAY, _days(-3, 2), Conditions(9.5))
    assert _degc(got) == {"opening": 15, "closing": 10, "scorch": 32, "frost": 1, "outside": 0}
    assert got.cautions == ()


def test_growing_greens_get_the_growing_class() -> None:
    """Spinach in mild autumn nights: 18/13, nothing opened under 2 outside, scorch at 35."""
    got = suggest(_stand("spinach"), BOOK, date(2026, 11, 5), _days(9, 14, end=date(2026, 11, 5)), Conditions(10.5))
    assert _degc(got) == {"opening": 18, "closing": 13, "scorch": 35, "frost": 2, "outside": 2}


def test_seedlings_are_not_aired_in_cold_air() -> None:
    """Seedlings of hardy kinds wait for 4 degC outside, half-hardy ones for 7.

    Source: Univ. of Maryland Extension, hardening vegetable seedlings.
    """
    for name, outside in (("spinach", 4.0), ("leaf-lettuce", 7.0)):
        got = suggest(_stand(name, stage="seedling"), BOOK, TODAY, _days(3, 8), Conditions(11))
        assert _degc(got)["outside"] == outside


def test_a_warm_spell_in_the_dark_weeks_opens_sooner() -> None:
    """After a mild week, or one warm day, resting crops are opened at the low end, 13, to stay hard."""
    mild = suggest(_stand("spinach"), BOOK, TODAY, _days(6, 12), Conditions(9.5))
    assert _degc(mild)["opening"] == 13
    assert _degc(mild)["outside"] == 2
    one_day = [*_days(-3, 2)[:-1], DayTemps(TODAY - timedelta(days=1), 5, 18)]
    assert _degc(suggest(_stand("spinach"), BOOK, TODAY, one_day, Conditions(9.5)))["opening"] == 13


def test_a_cool_germinator_lowers_the_opening() -> None:
    """Claytonia germinates best at 12 degC soil, so the lid opens no later than that."""
    got = suggest(_stand("claytonia", stage="germinating"), BOOK, TODAY, _days(5, 9), Conditions(11))
    assert got.value("open_mdegc").degc == 12
    assert "germinates best at 12" in got.value("open_mdegc").reason


def test_the_tightest_crop_of_a_mixed_bed_rules() -> None:
    """Each value of a mixed bed is the tightest of its crops', and names the crop that rules it."""
    both = suggest(_stand("spinach", "chard"), BOOK, TODAY, _days(-3, 2), Conditions(9.5))
    alone = [suggest(_stand(n), BOOK, TODAY, _days(-3, 2), Conditions(9.5)) for n in ("spinach", "chard")]
    assert both.value("open_mdegc").degc == min(a.value("open_mdegc").degc for a in alone)
    assert both.value("scorch_mdegc").degc == min(a.value("scorch_mdegc").degc for a in alone)
    assert both.value("min_outside_mdegc").degc == max(a.value("min_outside_mdegc").degc for a in alone)
    assert both.value("open_mdegc").crop == "Spinach"
    assert both.value("min_outside_mdegc").crop == "Chard"


def test_crops_that_do_not_suit_one_frame_are_told() -> None:
    """Where one crop wants the lid shut warmer than another wants it open, closing gives way and it is said."""
    got = suggest(_stand("mache", "chard"), BOOK, TODAY, _days(-3, 2), Conditions(9.5))
    assert _degc(got)["opening"] - _degc(got)["closing"] == 3
    assert "better in two frames" in got.cautions[0]


def test_every_value_has_reason_and_source() -> None:
    """No setpoint of any crop in any stage comes without a reason and a source."""
    for name, stage in itertools.product(BOOK.crops, ("germinating", "seedling", "growing", "hardened", "resting")):
        got = suggest(_stand(name, stage=stage), BOOK, TODAY, _days(0, 4), Conditions(9.5))
        assert all(v.reason and v.source for v in got.values), (name, stage)


@few(max_examples=300, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(sorted(BOOK.crops)), st.integers(0, 120)), min_size=1, max_size=6),
    st.floats(-20, 20),
    st.floats(0, 12),
    st.one_of(st.none(), st.floats(6, 16)),
)
def test_whatever_grows_the_controller_takes_the_setpoints(
    stand: list[tuple[str, int]], low: float, above: float, light: float | None
) -> None:
    """Any mixed bed in any weather gives settings that pass the controller's own checks, with a band of 3 or more."""
    plants = [
        Planting(n, "north", c, (TODAY - timedelta(days=age)).isoformat(), None, 100, {"start": "direct"})
        for n, (c, age) in enumerate(stand)
    ]
    got = suggest(plants, BOOK, TODAY, _days(low, low + above), Conditions(light))
    merged = controller.merge(controller.defaults(), got.settings)
    assert controller.check(merged) == []
    assert got.settings["open_mdegc"] - got.settings["close_mdegc"] >= 3000


def test_an_empty_frame_has_no_setpoints() -> None:
    """Nothing standing: the grower is told to enter something; alarms get no limits."""
    gone = [Planting(1, "north", "kale", "2026-09-01", "2026-12-01", 1000, {})]
    with pytest.raises(InputError, match="Nothing stands"):
        suggest(gone, BOOK, TODAY)
    assert limits_for(gone, BOOK, TODAY) is None


def _danger(*names: str, days: list[DayTemps], **more: str) -> FrameDanger:
    got = limits_for(_stand(*names, **more), BOOK, TODAY, days, Conditions(9.5))  # type: ignore[arg-type]
    assert got is not None
    return got


def test_frost_danger_follows_hardening_and_the_tenderest_crop() -> None:
    """Hardened spinach stands more than soft spinach; lettuce beside it sets the limit."""
    hard = _danger("spinach", days=_days(-5, -1))
    soft = _danger("spinach", days=_days(8, 14))
    mixed = _danger("spinach", "leaf-lettuce", days=_days(-5, -1))
    assert hard.frost_damage_degc < -10 < soft.frost_damage_degc
    assert mixed.frost_crop == "Leaf lettuce"
    assert mixed.frost_damage_degc == max(c.frost_damage_degc for c in mixed.crops)
    for d in (hard, soft, mixed):
        assert d.frost_kill_degc <= d.frost_damage_degc <= d.frost_warn_degc <= 0


def test_seedlings_are_warned_of_at_freezing() -> None:
    """Seedlings are warned of from 0 degC, whatever the adult plant stands.

    Source: FAO EcoCrop, killing temperature in early growth of spinach, lettuce and coriander: 0 degC.
    """
    assert _danger("spinach", days=_days(-5, -1), stage="seedling").frost_warn_degc == 0.0


def test_heat_limits_are_the_class_values() -> None:
    """High and scorch temperature of hardened greens are 27 and 32; of a mixed bed the lowest."""
    got = _danger("spinach", "chard", days=_days(-5, -1))
    assert (got.high_degc, got.scorch_degc, got.heat_crop) == (27, 32, "Spinach")


def test_inconsistent_setpoints_are_refused_in_words() -> None:
    """Closing that is not below opening is told with both values and what to choose."""
    words = setpoint_words.faults({"open_mdegc": 10000, "close_mdegc": 12000}, controller.defaults())
    assert words == [
        "Closing at 12 C is not far enough below opening at 10 C, so the lid would open and shut all day. "
        "Choose 8 C or lower for closing."
    ]
    assert setpoint_words.faults({"open_mdegc": 60000}, controller.defaults()) == [
        "Opening at 60 C is outside what a frame takes (5 C to 35 C)."
    ]
    fahrenheit = setpoint_words.faults({"open_mdegc": 10000, "close_mdegc": 12000}, controller.defaults(), True)
    assert "50 F" in fahrenheit[0]
    assert setpoint_words.faults({"open_mdegc": 16000}, controller.defaults()) == []


def test_every_fault_of_the_controller_has_words() -> None:
    """For every rule of the controller that a setpoint can break, there is at least one sentence."""
    for lower, higher, _gap in controller.GAPS:
        values = controller.defaults()
        low, high = controller.field(lower)[2:4]
        if not low <= values[higher] <= high:
            continue
        assert setpoint_words.faults({lower: values[higher]}, values), lower


def test_texts_can_be_read_in_fahrenheit() -> None:
    """Temperatures are converted as points, and differences as differences."""
    assert setpoint_words.in_unit("at 10 °C, kept 5 °C under opening", True) == "at 50 F, kept 9 F under opening"
    assert setpoint_words.in_unit("at -2.5 °C", False) == "at -2.5 C"
