"""What stands in which frame, and how far it is."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from sashkeeper.errors import InputError, UnknownFrame
from sashkeeper.season import crops, planting
from sashkeeper.season.emergence import progress
from sashkeeper.season.hardening import DayTemps
from sashkeeper.season.planting import Conditions
from sashkeeper.store import Planting, Store

TODAY = date(2026, 11, 25)
BOOK = crops.load()


@pytest.fixture
def store() -> Iterator[Store]:
    """A store with one frame."""
    with_frame = Store(":memory:")
    with_frame.frame_add("north", b"k" * 32, 0)
    yield with_frame
    with_frame.close()


def _add(store: Store, crop: str, share: float | None = None, since: date = date(2026, 9, 20), **more: object) -> int:
    return planting.add(store, BOOK, "north", crop, since, TODAY, share=share, **more)[0].id  # type: ignore[arg-type]


def test_crops_share_a_bed(store: Store) -> None:
    """Shares add up to one; a crop without a share takes what is free."""
    _add(store, "spinach", 0.5)
    _add(store, "arugula", 0.2)
    _add(store, "kale")
    assert [p.share_permille for p in store.plantings("north")] == [500, 200, 300]


@pytest.mark.parametrize(
    ("crop", "share", "since", "part"),
    [
        ("spinich", 0.3, date(2026, 9, 1), 'Did you mean "spinach"?'),
        ("kale", 0.6, date(2026, 9, 1), "only 0.5 of the bed is free"),
        ("kale", 1.2, date(2026, 9, 1), "share of 1.2 of the bed is not possible"),
        ("kale", 0.0, date(2026, 9, 1), "not possible"),
        ("kale", -0.1, date(2026, 9, 1), "not possible"),
        ("kale", 0.1, date(2026, 11, 26), "still to come"),
    ],
)
def test_wrong_plantings_are_refused_and_change_nothing(
    store: Store, crop: str, share: float, since: date, part: str
) -> None:
    """Unknown crops, full beds, impossible shares and days ahead are refused in words; nothing is stored."""
    _add(store, "mache", 0.5)
    with pytest.raises(InputError) as fault:
        _add(store, crop, share, since)
    assert part in fault.value.sentence
    assert fault.value.sentence.endswith("Nothing was changed.")
    assert len(store.plantings("north")) == 1


def test_an_unknown_frame_is_refused(store: Store) -> None:
    """A planting needs a frame that is registered."""
    with pytest.raises(UnknownFrame, match="north"):
        planting.add(store, BOOK, "nrth", "kale", TODAY, TODAY)


def test_a_crop_that_left_makes_room(store: Store) -> None:
    """A bed that was full is free again from the day on which its crop left."""
    _add(store, "lettuce", 1.0, until=date(2026, 11, 1))
    _add(store, "spinach", 1.0, since=date(2026, 11, 1))
    with pytest.raises(InputError, match="the bed is full"):
        _add(store, "kale", since=date(2026, 10, 30), until=None)


def test_carrots_cannot_be_transplanted(store: Store) -> None:
    """A way of starting that the crop does not stand is refused."""
    with pytest.raises(InputError, match="Carrot is started direct"):
        _add(store, "carrot", 0.2, start="transplant")


def _standing(since: date, crop: str = "spinach", **data: object) -> Planting:
    return Planting(1, "north", crop, since.isoformat(), None, 1000, {"start": "direct", **data})


def _nights(low: float, days: int = 10) -> list[DayTemps]:
    return [DayTemps(TODAY - timedelta(days=n + 1), low, low + 5) for n in range(days)]


def _soil(degc: float | None) -> dict[date, float]:
    return {} if degc is None else {TODAY - timedelta(days=n): degc for n in range(1, 100)}


@pytest.mark.parametrize(
    ("age", "data", "nights", "light", "soil", "stage"),
    [
        (3, {}, 9.0, 11.0, 12.0, "germinating"),
        (20, {}, 9.0, 11.0, 12.0, "seedling"),
        (20, {}, 9.0, 11.0, 2.0, "germinating"),  # colder soil: not up yet
        (50, {}, 9.0, 11.0, 12.0, "growing"),
        (50, {}, 1.0, 11.0, 12.0, "hardened"),
        (50, {}, 9.0, 9.5, 12.0, "resting"),
        (50, {}, 1.0, 9.5, 12.0, "resting"),
        (3, {"start": "transplant"}, 9.0, 11.0, None, "seedling"),
        (10, {"start": "transplant"}, 9.0, 11.0, None, "growing"),
        (50, {"stage": "seedling"}, 1.0, 9.5, 12.0, "seedling"),
        (30, {"emerged": (TODAY - timedelta(days=5)).isoformat()}, 9.0, 9.5, 12.0, "seedling"),
    ],
)
def test_stage_follows_age_nights_light_and_soil(
    age: int, data: dict[str, object], nights: float, light: float, soil: float | None, stage: str
) -> None:
    """Each stage is reached by its own rule, and what the grower entered wins."""
    planted = _standing(TODAY - timedelta(days=age), **data)
    got = planting.stage_of(
        planted, BOOK.find("spinach"), TODAY, _nights(nights), Conditions(light, soil=_soil(soil) or {})
    )
    assert got.name == stage, got.why


def test_a_sowing_that_is_up_stays_up_when_the_soil_gets_cold() -> None:
    """Arugula sown into warm soil is up, whatever the soil is in January; days without a probe count as 12 degC."""
    sown = TODAY - timedelta(days=60)
    soil = {TODAY - timedelta(days=n): 2.0 for n in range(1, 30)}
    here = Conditions(11, soil=soil)
    got = planting.stage_of(_standing(sown, "arugula"), BOOK.find("arugula"), TODAY, _nights(0), here)
    assert got.name == "hardened"


def test_progress_adds_up_day_by_day() -> None:
    """Ten days at 10 degC and then 5 degC: carrot is up after 17 x and 51 x shares that add to one.

    Source: Harrington and Minges 1954: carrot 17 days at 10 degC, 51 at 5 degC; by hand 10/17 + 21/51 = 1.0.
    """
    soil = {date(2026, 9, 1) + timedelta(days=n): 10.0 if n < 10 else 5.0 for n in range(60)}
    got = progress(BOOK.find("carrot"), date(2026, 9, 1), date(2026, 11, 1), soil, 12.0)
    assert got.up_on == date(2026, 9, 1) + timedelta(days=31)


def test_unknown_nights_are_not_called_hard() -> None:
    """With fewer than three known nights a crop is not taken as hardened."""
    got = planting.stage_of(_standing(date(2026, 9, 1)), BOOK.find("spinach"), TODAY, _nights(-5, 2), Conditions(11))
    assert got.name == "growing"


@pytest.mark.parametrize("text", ["2026-13-01", "20.9.2026", "tomorrow", ""])
def test_days_are_iso_or_refused(text: str) -> None:
    """Anything that is not year-month-day is refused with an example."""
    with pytest.raises(InputError, match="2026-09-20"):
        planting.read_day(text, "--since")
