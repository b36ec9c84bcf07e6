"""The table of lid states: every cell, its rules, and the page that shows it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_table

sys.path.insert(0, str(Path(__file__).parent))

TRAVEL_S = 40


def test_every_cell_of_the_table_holds_a_state() -> None:
    """There is an answer for every event in every state."""
    assert len(lid_table.NEXT) == len(lid_table.EVENTS)
    for row in lid_table.NEXT:
        assert len(row) == len(lid_table.STATES)
        assert set(row) <= set(range(len(lid_table.STATES)))


def test_the_page_shows_the_table_as_it_is() -> None:
    """What the page prints must be the table that runs."""
    page = (Path(__file__).parents[2] / "docs" / "decisions" / "lid-drive.md").read_text()
    for event, row in zip(lid_table.EVENTS, lid_table.NEXT, strict=True):
        cells = ["·" if after == before else lid_table.STATES[after] for before, after in enumerate(row)]
        assert f"| {event.replace('_', ' ')} | {' | '.join(cells)} |" in page


def test_the_page_explains_every_fault_word() -> None:
    """Each word that the drive can report is explained on the page."""
    page = (Path(__file__).parents[2] / "docs" / "decisions" / "lid-drive.md").read_text()
    assert all(f"`{word}`" in page for word in lid_table.FAULTS if word)


@pytest.mark.parametrize("state", range(len(lid_table.STATES)))
@pytest.mark.parametrize("event", range(len(lid_table.EVENTS)))
def test_each_cell_obeys_the_rules(event: int, state: int) -> None:
    """The rules that make the table safe, for each of its cells."""
    after = lid_table.after(state, event)
    if event == lid_table.HOLD_ON:
        assert after == lid_table.HELD
    if state == lid_table.HELD and event != lid_table.HOLD_OFF:
        assert after == lid_table.HELD, "only the end of the hold leaves it"
    moving = (lid_table.OPENING, lid_table.SHUTTING)
    if after in moving and state != after:
        assert event in (lid_table.TOLD_OPEN, lid_table.TOLD_SHUT), "only being told to starts a movement"
    if state in moving and after in moving:
        assert after == state, "no turning round without standing still"
    if event in (lid_table.OVER_CURRENT, lid_table.BOTH_SWITCHES) and state != lid_table.HELD:
        assert after == lid_table.STUCK
    if state == lid_table.STUCK and event == lid_table.REACHED_PART:
        assert after == lid_table.STUCK, "a stuck lid is not freed by a guess of where it is"
