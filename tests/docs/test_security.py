"""The security pages hold every provision, and everything they point to exists."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

from sashkeeper.wording import UPDATE_NOTICE

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "security-provisions.md").read_text(encoding="utf-8")
ROWS = {
    cells[0].replace("**M**", "").strip(): cells
    for line in PAGE.splitlines()
    if len(cells := [cell.strip() for cell in line.strip("|").split("|")]) == 5 and re.match(r"[56][.-]", cells[0])
}

# Section -> how many provisions it has. Source: EN 303 645 V2.1.1, from memory; 5.0-1 and 5.13-1A, -1B are later.
COUNTS = {"5.1": 5, "5.2": 3, "5.3": 16, "5.4": 4, "5.5": 8, "5.6": 9, "5.7": 2, "5.8": 3, "5.9": 3, "5.10": 1,
          "5.11": 4, "5.12": 3, "6": 5}  # fmt: skip
ALL = {f"{section}-{n}" for section, count in COUNTS.items() for n in range(1, count + 1)} | {
    "5.0-1", "5.13-1A", "5.13-1B"}  # fmt: skip
MANDATORY = ("5.0-1", "5.2-1", "5.3-13", "5.3-16", "5.4-3", "5.5-1", "5.6-2", "5.11-1", "5.13-1A", "5.13-1B", "6-1")


def test_every_provision_has_a_row() -> None:
    """None is missing, none is invented."""
    assert set(ROWS) == ALL


@pytest.mark.parametrize("provision", MANDATORY)
def test_mandatory_ones_are_met_and_marked(provision: str) -> None:
    """What holds without condition is met, marked as such, and shown by a test."""
    row = ROWS[provision]
    assert "**M**" in row[0]
    assert row[2] == "yes"
    assert "tests/" in row[4]


def test_marks_are_only_on_mandatory_ones() -> None:
    """No other row claims to be mandatory."""
    assert {name for name, row in ROWS.items() if "**M**" in row[0]} == set(MANDATORY)


@pytest.mark.parametrize("provision", sorted(ALL))
def test_each_row_is_whole(provision: str) -> None:
    """Each has a known state, words, and a test that exists (or a dash where nothing is claimed)."""
    _, sense, state, support, shown = ROWS[provision]
    assert sense
    assert support
    assert state in ("yes", "partly", "no", "n/a")
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", shown)
    assert named or (shown == "-" and state in ("no", "n/a"))
    for path, test in named:
        text = (ROOT / path).read_text(encoding="utf-8")
        assert not test or f"def {test}(" in text, f"{path}::{test}"


def test_every_file_named_exists() -> None:
    """Files named as support are there."""
    for name in re.findall(r"`((?:docs|hardware|tests)/[\w./-]+|[A-Z]+\.md)`", PAGE):
        assert (ROOT / name).is_file(), name


def test_every_sec_row_is_on_the_page() -> None:
    """Our own rows SEC-1 to SEC-20 all appear."""
    assert {int(n) for n in re.findall(r"SEC-(\d+)", PAGE)} == set(range(1, 21))


def test_security_file_holds_contact_times_and_support() -> None:
    """Contact, response times, support period, and the open console (SEC-4, SEC-7, SEC-12)."""
    text = (ROOT / "SECURITY.md").read_text(encoding="utf-8")
    for words in ("Report a vulnerability", "within 7 days", "within 30 days", "2028-12-31",
                  "serial console stays open", "no secure boot"):  # fmt: skip
        assert words in text, words


def test_the_notice_says_what_stops() -> None:
    """Before an update the grower is told that lid, measuring and alarms stand still, and for how long (SEC-6)."""
    for words in ("lid stays", "nothing is measured", "no alarm", "minute"):
        assert words in UPDATE_NOTICE


def maker() -> ModuleType:
    """docs/make_data_page.py."""
    spec = importlib.util.spec_from_file_location("make_data_page", ROOT / "docs" / "make_data_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_data_page_is_up_to_date() -> None:
    """The page is what drivers, schemas and store say today (SEC-14); made again by python docs/make_data_page.py."""
    made = maker()
    assert made.PAGE.read_text(encoding="utf-8") == made.page()


def test_a_new_sensor_cannot_be_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sensor, message or table without words stops the maker of the page."""
    made = maker()
    for known, name, build in ((made.SENSORS, "rain", made.sensors), (made.MESSAGES, "event", made.messages),
                               (made.TABLES, "diary", made.tables)):  # fmt: skip
        monkeypatch.delitem(known, name)
        with pytest.raises(SystemExit, match=name):
            build()
