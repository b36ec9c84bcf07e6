"""The crop book: our values, a grower's changes, names."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import pytest

from sashkeeper.errors import InputError
from sashkeeper.season import crops
from sashkeeper.season.crop_check import check_book
from sashkeeper.season.emergence import emergence_days


@pytest.fixture
def book() -> crops.CropBook:
    """Our own crops."""
    return crops.load()


def test_every_group_of_figures_names_source_and_mark(book: crops.CropBook) -> None:
    """Each group of every crop has a mark, and sources that are listed."""
    for crop in book.crops.values():
        for group in ("germination", "growth", "heat", "cold", "harvest", "spacing", "ph"):
            assert crop.data[group]["mark"], (crop.id, group)
            assert crop.sources(group), (crop.id, group)
            assert all(s in book.sources for s in crop.sources(group)), (crop.id, group)


def test_shipped_figures_pass_the_grower_check() -> None:
    """Our own file is held to the checks that a grower's file has to pass."""
    data = crops.shipped()
    assert check_book({c["id"]: c for c in data["crops"]}, data["classes"]) == []


def test_hardened_crops_stand_more_than_unhardened_ones(book: crops.CropBook) -> None:
    """Leaves are hurt before the plant dies, and hardened ones stand at least as much as unhardened."""
    for c in book.crops.values():
        assert c.leaf_damage_degc[0] >= c.kill_degc[0], c.id
        assert c.leaf_damage_degc[0] >= c.leaf_damage_degc[1] >= c.kill_degc[1], c.id
        assert c.unhardened_degc >= c.leaf_damage_degc[1], c.id


def test_vent_classes_rise_from_closing_to_scorch(book: crops.CropBook) -> None:
    """Closing, opening, high and scorch temperature rise in this order in every class."""
    assert set(book.classes) == {"hardy_winter", "hardy_growing", "seedling_tender"}
    for v in book.classes.values():
        assert v.close_degc < v.open_degc < v.high_degc < v.scorch_degc
        assert v.open_range_degc[0] <= v.open_degc <= v.open_range_degc[1]


@pytest.mark.parametrize(
    ("crop", "soil", "days", "percent"),
    [
        # Source: Harrington and Minges 1954, vegetable seed germination tables, typed from a reprint.
        ("spinach", 5, 23, 96),
        ("spinach", 20, 6, 52),
        ("leaf-lettuce", 25, 2, 99),
        ("leaf-lettuce", 20, 3, 99),
        ("carrot", 10, 17, 93),
        ("turnip", 15, 3, 98),
    ],
)
def test_harrington_minges_1954_emergence(
    book: crops.CropBook, crop: str, soil: float, days: float, percent: float
) -> None:
    """At the columns of the table, emergence days and percent are the table's."""
    got = emergence_days(book.find(crop), soil)
    assert got.days == pytest.approx(days)
    assert got.percent == pytest.approx(percent)
    assert got.basis == "table"


def test_emergence_between_columns_lies_between(book: crops.CropBook) -> None:
    """Between two columns the days lie between theirs and follow the rate, not the days."""
    got = emergence_days(book.find("carrot"), 12.5).days
    assert got == pytest.approx(2 / (1 / 17 + 1 / 10))


def test_warm_soil_is_warned_of_and_hot_soil_refused(book: crops.CropBook) -> None:
    """Spinach is warned of above 20 degC soil and given no days above its highest soil temperature."""
    spinach = book.find("spinach")
    assert "poorly above 20" in emergence_days(spinach, 22).caution
    assert emergence_days(spinach, 18).caution == ""
    hot = emergence_days(spinach, 31)
    assert hot.days is None
    assert "does not come up above 29" in hot.caution


@pytest.mark.parametrize(
    ("word", "crop_id"),
    [("Spinach", "spinach"), ("lamb's lettuce", "mache"), ("LETTUCE", "leaf-lettuce"), ("pak choi", "pak-choi"),
     ("pak_choi", "pak-choi"), ("rocket", "arugula"), ("Swiss chard", "chard")],
)  # fmt: skip
def test_crops_go_by_all_their_names(book: crops.CropBook, word: str, crop_id: str) -> None:
    """Case, dashes, apostrophes and second names do not matter."""
    assert book.find(word).id == crop_id


def test_an_unknown_crop_gets_the_nearest_name(book: crops.CropBook) -> None:
    """A typing mistake is answered with the nearest crop and exit code 2."""
    with pytest.raises(crops.UnknownCrop) as fault:
        book.find("spinich")
    assert fault.value.sentence == 'No crop called "spinich". Did you mean "spinach"? Nothing was changed.'
    assert fault.value.exit_code == 2


def test_a_grower_changes_and_adds_crops(tmp_path: Path) -> None:
    """crops.toml changes one figure, marks it as the grower's, and adds a crop that starts from another."""
    (tmp_path / "crops.toml").write_text(
        '[crops.spinach.cold]\nleaf_damage_degc = [-8, -13]\n'
        '[crops.garden-cress]\nlike = "arugula"\nalso = ["cress"]\nharvest.baby_days = [14, 20]\n'
    )
    book = crops.load(tmp_path)
    spinach = book.find("spinach")
    assert spinach.leaf_damage_degc == (-8.0, -13.0)
    assert spinach.mark("cold", "leaf_damage_degc") == crops.OWN_MARK
    assert spinach.mark("harvest") == "checked"
    cress = book.find("cress")
    assert (cress.name, cress.baby_days, cress.base_degc) == ("Garden cress", (14.0, 20.0), 4.0)
    assert crops.load().find("spinach").leaf_damage_degc == (-7.0, -12.0)


def test_all_faults_of_a_growers_file_are_told_at_once(tmp_path: Path) -> None:
    """Wrong names, wrong order and unknown starts are all named, with the nearest name; exit code 2."""
    (tmp_path / "crops.toml").write_text(
        '[crops.spinach.cold]\nkil_degc = [-1, -2]\n[crops.cress]\nlike = "arugla"\n[crops.mache]\nheat = 3\n'
    )
    with pytest.raises(InputError) as fault:
        crops.load(tmp_path)
    text = fault.value.sentence
    for part in ("cold.kil_degc", 'Did you mean "kill_degc"?', "arugla", 'Did you mean "arugula"?', "group of values"):
        assert part in text


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ("cold.leaf_damage_degc = [-12, -7]", "the milder temperature comes first"),
        ("cold.kill_degc = [-3, -4]", "hurt before the plant dies"),
        ("cold.unhardened_degc = -14", "cannot stand more than hardened"),
        ("harvest.baby_days = [40, 20]", "the lower one comes first"),
        ("germination.soil_best_degc = 35", "must rise in this order"),
        ('growing_class = "warm"', "not one of"),
        ("start = []", "start has to be a list"),
        ("cold.plus_minus_degc = true", "has to be a number"),
        ("ph.range = [6]", "two numbers"),
    ],
)
def test_values_that_make_no_sense_are_refused(tmp_path: Path, line: str, part: str) -> None:
    """A value outside sense is refused in words that say what is wrong with it."""
    (tmp_path / "crops.toml").write_text(f"[crops.spinach]\n{line}\n")
    with pytest.raises(InputError, match=part):
        crops.load(tmp_path)


def test_broken_toml_says_where(tmp_path: Path) -> None:
    """A file that is not TOML is refused with its line."""
    (tmp_path / "crops.toml").write_text("[crops.spinach\n")
    with pytest.raises(InputError, match=r"not proper TOML.*line 1"):
        crops.load(tmp_path)


def test_the_data_file_is_our_schema() -> None:
    """The shipped file carries its schema name and explains its marks."""
    data = json.loads(resources.files("sashkeeper").joinpath("data", "crops.json").read_text("utf-8"))
    assert data["schema"] == crops.SCHEMA
    assert {"checked", "from memory", "common practice, no source"} <= set(data["marks"])
    assert len(data["crops"]) == 21
