"""What can be set, and that nothing gets past the limits.

The limits are our own (the table in controller/sash/settings.py); the checks here protect their rules.
"""

from __future__ import annotations

import pytest

from sash import lid_law, settings

LIMITS = {name: (low, high) for name, _, low, high, _ in settings.FIELDS}


def names_of(values: dict[str, object]) -> list[str]:
    """Names that a check complains about."""
    return [name for name, _ in settings.check(values)]


def test_defaults_pass() -> None:
    """The built-in settings must be a set that the frame would accept."""
    assert settings.check(settings.defaults()) == []
    assert len(settings.FIELDS) == 20


def test_defaults_are_a_new_dict() -> None:
    """Changing a copy must not change the built-in settings."""
    settings.defaults()["open_mdegc"] = 1
    assert settings.defaults()["open_mdegc"] == 15_000


@pytest.mark.parametrize("name", settings.NAMES)
def test_limits_are_inclusive_and_hard(name: str) -> None:
    """Each value may be at its limit and not one beyond it."""
    low, high = LIMITS[name]
    for value, fine in ((low, True), (high, True), (low - 1, False), (high + 1, False)):
        found = [entry for entry in settings.check_values({name: value}) if entry[0] == name]
        assert (found == []) is fine, value
    assert settings.check_values({name: low - 1}) == [(name, f"{low - 1} is not between {low} and {high}")]


@pytest.mark.parametrize("value", [True, 1.5, "12000", None, [1], {}])
def test_only_whole_numbers_pass(value: object) -> None:
    """True, fractions, text and nothing are no settings."""
    assert settings.check_values({"open_mdegc": value}) == [("open_mdegc", "must be a whole number")]


@pytest.mark.parametrize(
    ("changes", "lower"),
    [
        ({"close_mdegc": 13_001}, "close_mdegc"),
        ({"open_mdegc": 29_001, "scorch_mdegc": 32_000}, "open_mdegc"),
        ({"frost_mdegc": 2_001, "close_mdegc": 2_000}, "frost_mdegc"),
        ({"wind_part_mms": 11_001}, "wind_part_mms"),
        ({"battery_empty_mv": 11_601}, "battery_empty_mv"),
    ],
)
def test_rules_between_two_settings(changes: dict[str, int], lower: str) -> None:
    """The distance between two settings is kept: exactly at it passes, one less does not."""
    values = settings.merge(settings.defaults(), changes)
    assert names_of(values) == [lower]
    values[lower] -= 1
    assert settings.check(values) == []


def test_all_faults_are_named_at_once() -> None:
    """Someone who mistyped three values wants to hear of all three."""
    values = settings.merge(settings.defaults(), {"open_mdegc": 99_999, "warn_s": -1, "colour": 3})
    del values["dwell_s"]
    assert sorted(names_of(values)) == ["colour", "dwell_s", "open_mdegc", "warn_s"]
    text = settings.sentence(settings.check(values))
    assert "colour: no setting has this name" in text
    assert "dwell_s: is missing" in text


def test_sentence_tells_both_values() -> None:
    """A rule between two settings must name both and the distance."""
    values = settings.merge(settings.defaults(), {"close_mdegc": 14_000})
    assert settings.sentence(settings.check(values)) == (
        "close_mdegc: 14000 must be at least 2000 below open_mdegc, which is 15000"
    )


def test_merge_leaves_the_old_set_alone() -> None:
    """A refused change must leave what is in force untouched."""
    current = settings.defaults()
    merged = settings.merge(current, {"open_mdegc": 12_000})
    assert current["open_mdegc"] == 15_000
    assert merged["open_mdegc"] == 12_000


def test_law_values_are_in_the_order_of_the_law() -> None:
    """The flat tuple must give each slot its own setting."""
    values = {name: number for number, name in enumerate(settings.NAMES)}
    flat = settings.law_values(values)
    assert [settings.NAMES[number] for number in flat] == list(lid_law.SETTINGS)


def test_every_field_says_what_it_is() -> None:
    """Each setting has a sentence, its default within its limits, and a unit in its name."""
    units = ("_mdegc", "_permille", "_s", "_mms", "_cdeg", "_mv", "_mdeg", "_per_day")
    for name, default, low, high, sentence in settings.FIELDS:
        assert low <= default <= high
        assert len(sentence) > 15
        assert name.endswith(units)
        assert settings.field(name)[1] == default
    assert settings.field("colour") is None
