"""Scenario files say what breaks when; what cannot be meant is refused with its place."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from framesim.faults import CATALOGUE, Fault, Faults
from framesim.scenario import CONDITIONS, HEADINGS, ScenarioError, Sight, load, parse, shipped
from framesim.virtual_frame import VirtualFrame

START_MS = round(datetime(2027, 3, 1, 9, tzinfo=UTC).timestamp() * 1000)  # 10:00 at UTC+1


def sight(frame: VirtualFrame, motor: int = 0, before: int = 0) -> Sight:
    """What a condition sees."""
    return Sight(frame, motor, before)


def test_times_are_local_standard_time(tiny_frame: Callable[..., VirtualFrame]) -> None:
    """10:00 at UTC+1 is 09:00 UTC; begins at its time and ends at its time."""
    story = parse('[[fault]]\npart="lid"\nkind="latch"\nat="2027-03-01T10:00"\nuntil="2027-03-01T10:30"\n', 1.0)
    faults, look = Faults(), sight(tiny_frame())
    story.tick(START_MS - 1, look, faults)
    assert not faults.active
    story.tick(START_MS, look, faults)
    assert faults.find("lid", "latch")
    story.tick(START_MS + 1_800_000, look, faults)
    assert not faults.active
    assert [(at - START_MS, what) for at, what, _ in story.log] == [(0, "begins"), (1_800_000, "ends")]


def test_second_opening_and_five_seconds_later(tiny_frame: Callable[..., VirtualFrame]) -> None:
    """nth counts how often a condition comes true, after_s waits from there."""
    story = parse('[[fault]]\npart="lid"\nkind="blocked"\nwhen="opening"\nnth=2\nafter_s=5\nfor_s=10\n', 0.0)
    frame, faults = tiny_frame(), Faults()
    for now, motor, before in [(0, 1, 0), (1, 1, 1), (2, 0, 1), (3, 1, 0), (4, 1, 1)]:
        story.tick(now * 1000, sight(frame, motor, before), faults)
        assert not faults.active
    story.tick(8000, sight(frame), faults)
    assert faults.active
    story.tick(18_000, sight(frame), faults)
    assert not faults.active


def test_condition_counts_only_after_its_time(tiny_frame: Callable[..., VirtualFrame]) -> None:
    """An opening before `at` does not count."""
    story = parse('[[fault]]\npart="lid"\nkind="blocked"\nwhen="opening"\nat="2027-03-01T10:00"\n', 1.0)
    frame, faults = tiny_frame(), Faults()
    story.tick(START_MS - 1000, sight(frame, 1, 0), faults)
    assert not faults.active
    story.tick(START_MS + 1000, sight(frame, 1, 0), faults)
    assert faults.active


def test_every_condition_can_be_asked(tiny_frame: Callable[..., VirtualFrame]) -> None:
    """Each gives true or false on a frame that has been reset."""
    frame = tiny_frame()
    frame.reset(frame.model.weather.start_s)
    answers = {name: condition(sight(frame), 3.0) for name, condition in CONDITIONS.items()}
    assert answers["shut"]
    assert not answers["open"]
    assert answers["sun-up"] != answers["sun-down"]
    assert all(isinstance(answer, bool) for answer in answers.values())


def test_every_kind_of_fault_can_be_scheduled() -> None:
    """The whole catalogue parses, under its own heading."""
    heading = {part: name for name, parts in HEADINGS.items() for part in parts}
    count = 0
    for part, kinds in CATALOGUE.items():
        for kind in kinds:
            text = f'[[{heading.get(part, "fault")}]]\npart="{part}"\nkind="{kind}"\nat="2027-03-01T10:00"\n'
            assert parse(text, 0.0).happenings[0].fault.kind == kind
            count += 1
    assert count > 80


def test_only_buttons_and_power_wake_the_board() -> None:
    """A jam does not ring a bell; a pressed switch does."""
    story = parse(
        '[[fault]]\npart="lid"\nkind="ice"\nat="2027-03-01T10:00"\n[[press]]\npart="hold"\nat="2027-03-01T10:05"\nfor_s=1\n',
        1.0,
    )
    assert story.next_wake_ms() == START_MS + 300_000


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[fault]\n", "not valid TOML"),
        ('[[break]]\npart="lid"\n', "is not known"),
        ('[[fault]]\npart="lit"\nkind="ice"\nat="2027-01-01T00:00"\n', r'number 1: No part called "lit".*"lid"'),
        ('[[fault]]\npart="power"\nkind="cut"\nat="2027-01-01T00:00"\n', r"belongs under \[\[outage\]\]"),
        ('[[outage]]\npart="lid"\nkind="ice"\nat="2027-01-01T00:00"\n', "belongs not under"),
        ('[[fault]]\npart="lid"\nkind="ice"\n', 'neither "at"'),
        ('[[fault]]\npart="lid"\nkind="ice"\nat="tomorrow"\n', "is not a time"),
        ('[[fault]]\npart="lid"\nkind="ice"\nwhen="raining"\n', "no condition"),
        ('[[fault]]\npart="lid"\nkind="ice"\nwhen="air-above"\n', '"value" has to be a number'),
        ('[[fault]]\npart="lid"\nkind="ice"\nwhen="open"\nvalue=3\n', '"value" goes with'),
        ('[[fault]]\npart="lid"\nkind="ice"\nwhen="open"\nfor_s=-1\n', '"for_s" has to be'),
        ('[[fault]]\npart="lid"\nkind="ice"\nat="2027-01-02T00:00"\nuntil="2027-01-01T00:00"\n', "is not after"),
        ('[[fault]]\npart="lid"\nkind="ice"\nwhen="open"\nuntil="2027-01-01T00:00"\nfor_s=3\n', "keep one"),
        ('[[fault]]\npart="lid"\nkind="ice"\nat="2027-01-02T00:00"\nstrength=3\n', 'no option "strength"'),
    ],
)
def test_what_cannot_be_meant_is_refused(text: str, says: str) -> None:
    """One sentence with the entry's place."""
    with pytest.raises(ScenarioError, match=says):
        parse(text, 0.0, "story.toml")


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """The path is in the sentence."""
    with pytest.raises(ScenarioError, match=r"nowhere\.toml: cannot be read"):
        load(tmp_path / "nowhere.toml", 0.0)


def test_a_file_is_read_with_its_name(tmp_path: Path) -> None:
    """Name and text for reports come along."""
    path = tmp_path / "jam.toml"
    path.write_text('name="Jam"\nsays="invented"\n[[fault]]\npart="lid"\nkind="blocked"\nwhen="opening"\n')
    story = load(path, 0.0)
    assert (story.name, story.says, len(story.happenings)) == ("Jam", "invented", 1)
    assert isinstance(story.happenings[0].fault, Fault)


def test_the_page_on_scenarios_names_everything(root: Path) -> None:
    """Every part, kind, option, condition and shipped scenario is on the page."""
    page = (root / "docs" / "scenarios.md").read_text()
    for part, kinds in CATALOGUE.items():
        for kind, about in kinds.items():
            for word in (part, kind, *about.options):
                assert f"`{word}`" in page, (part, word)
            assert about.does in page
    for word in (*CONDITIONS, *shipped()):
        assert f"`{word}`" in page
