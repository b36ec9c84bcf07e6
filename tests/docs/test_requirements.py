"""The conformance table names every row, and every file, test and fault it points to exists."""

from __future__ import annotations

import re
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "controller-requirements.md").read_text()
ROWS = {"REL": 12, "MQ": 17, "STO": 7, "MPY": 12, "SAF": 12}


@pytest.mark.parametrize("family", ROWS)
def test_every_row_is_on_the_page(family: str) -> None:
    """No requirement is left out."""
    named = {int(n) for n in re.findall(rf"{family}-(\d+)", PAGE)}
    for first, last in re.findall(rf"{family}-(\d+) to {family}-(\d+)", PAGE):
        named |= set(range(int(first), int(last) + 1))
    assert named == set(range(1, ROWS[family] + 1))


def test_everything_it_points_to_exists() -> None:
    """Files are there, and each fault named is a scenario of the bench."""
    scenarios = [path.stem for path in (ROOT / "tests/faults/scenarios").glob("*.toml")]
    for name in re.findall(r"`((?:controller|tests|docs|hardware)/[\w./-]+)`", PAGE):
        assert (ROOT / name).is_file(), name
    for line in PAGE.splitlines():
        for part in re.findall(r"faults? ((?:`[\w*-]+`(?:, )?)+)", line):
            for pattern in re.findall(r"`([\w*-]+)`", part):
                assert any(fnmatch(name, pattern) for name in scenarios), pattern
