"""The ranks of the law: every pair of conditions, against the page and against openings worked out by hand."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from law_pairs import outcome, pairs

PAGE = Path(__file__).parents[2] / "docs" / "decisions" / "law-ranks.md"

# What each condition by itself allows or wants on the bench (lid at 400 permille, air 14 C unless
# the condition says otherwise). Worked out from the ranks, not from the code.
STAYS = {"hold", "lid fault", "battery empty"}
AT_MOST = {"wind above shut": 0, "wind above part": 150, "frost inside": 0, "freezing outside": 100, "evening": 0}
WANTS = {"scorch over": 400, "heat ahead": 700, "warm": 700, "cool": 100, "air probe lost": 100}
HELD_BACK = {"dwell", "budget spent"}


def by_hand(first: str, second: str) -> int:
    """The opening that the ranks give for two conditions."""
    both = {first, second}
    if both & STAYS:
        return 400
    if "scorch" in both:
        return {"wind above shut": 150, "wind above part": 400}.get(second, 1000)
    wants = next((WANTS[name] for name in both if name in WANTS), 400)
    if both & HELD_BACK and both & {"warm", "cool", "air probe lost"}:
        wants = 400
    most = min((AT_MOST[name] for name in both if name in AT_MOST), default=1000)
    if both == {"freezing outside", "scorch over"}:
        most = 400  # the hour after a scorch
    if both == {"evening", "scorch over"}:
        most = 1000  # within 3 K of scorch it is not shut for the night
    if "battery low" in both:
        warm = both & {"scorch over", "heat ahead", "warm", "air probe lost"}
        most = min(most, 400 if warm else 0)
    if both == {"freezing outside", "air probe lost"}:
        most = 0
    return min(wants, most)


def page_rows() -> dict[tuple[str, str], tuple[int, str]]:
    """The table of pairs as the page prints it."""
    rows = {}
    table = PAGE.read_text().split("## Every pair", 1)[1]
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 4 and cells[2].isdigit():
            rows[cells[0], cells[1]] = int(cells[2]), cells[3]
    return rows


@pytest.mark.parametrize(("first", "second"), list(pairs()), ids=lambda name: name.replace(" ", "-"))
def test_pair_of_conditions(first: str, second: str) -> None:
    """Two conditions at once must give the opening of the ranks, and the reason the page promises."""
    opening, reason = outcome(first, second)
    assert opening == by_hand(first, second)
    assert page_rows()[first, second] == (opening, reason)


def test_the_page_lists_exactly_the_pairs_that_can_meet() -> None:
    """No pair may be forgotten on the page, and none invented."""
    assert set(page_rows()) == set(pairs())
    assert len(page_rows()) > 100
