"""sashkeeper tune: from crops and weather to settings, said in words; clear refusals."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from sash import settings as controller
from sashkeeper import tune_words, tuning
from sashkeeper.commands.tune import _seeds
from sashkeeper.season import crops
from sashkeeper.store import Store

Run = Callable[..., Result]
# A week of invented March in place of a winter: the same way through the program in seconds.
WEEK = ("--from", "03-06", "--to", "03-12", "--candidates", "24", "--years", "0", "--invent", "1", "--cores", "2")


@pytest.fixture
def place(run: Run) -> None:
    """A place in which weather can be invented."""
    run("site", "set", "--lat", "45.9", "--lon", "14.8", "--timezone", "Europe/Ljubljana")


def test_tune_recommends_draws_and_goes_on(run: Run, store: Store, place: None, home: Path) -> None:
    """One search gives settings the controller takes, a picture and JSON; a second call takes all from the run file."""
    store.planting_add("north", "spinach", "2025-09-10", share_permille=600)
    store.planting_add("north", "mache", "2025-09-10", share_permille=400)
    kept, picture, out = home / "run.jsonl", home / "tune.png", home / "settings.json"
    words = ("tune", "north", *WEEK, "--hold-invent", "7", "--run", str(kept))
    text = run(*words, "--plot", str(picture), "--out", str(out)).output
    assert "On years it has not seen (seed 7 (invented))" in text
    words_only = " ".join(text.split())
    assert "Tuned on one weather year only" in words_only
    assert re.search(r"^seed 7 +\d+\.\d > \d+\.\d +\d+\.\d > \d+\.\d +\d+\.\d > \d+\.\d$", text, re.MULTILINE)
    assert "opening" in text
    assert picture.read_bytes().startswith(b"\x89PNG")
    settings = json.loads(out.read_text())["settings"]
    assert controller.check(settings) == []
    body = json.loads(run(*words, "--json").stdout)
    assert body["settings"] == settings
    assert body["winters"] == 0  # nothing was worked out again
    assert set(body["gain"]) == set(body["held"]) == set(tuning.FIGURES)
    assert body["weather"][0]["invented"] is True
    held = body["held_years"][0]
    assert held["before"]["heat_kh"] == body["held"]["heat_kh"]["before"]
    assert held["strictly"] <= held["no_worse"]
    assert tune_words.held_words(body["held_years"]) in words_only


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("tune", "--crop", "spinach", "--years", "0"), "Give weather to tune on"),
        (("tune", "--crop", "spinach", *WEEK, "--hold-invent", "1"), "Seed 1 is given to tune on and to hold back"),
        (("tune", *WEEK), "Name a frame in which crops stand, or crops with --crop"),
        (("tune", "--crop", "spinich", *WEEK), 'Did you mean "spinach"'),
        (("tune", "nort", *WEEK), 'Did you mean "north"'),
        (("tune", "north", *WEEK), "There is nothing to tune for"),
        (("tune", "--crop", "mache", "--weather", "none.epw"), "There is no weather file none.epw"),
        (("tune", "--crop", "mache", *WEEK, "--send"), "--send needs a frame"),
        (("tune", "--crop", "mache", *WEEK, "--model", "my-frme"), "There is no frame called"),
        (("tune", "--crop", "mache", *WEEK, "--set", "panes"), "is not KEY=VALUE"),
        pytest.param(
            ("tune", "--crop", "mache", *WEEK, "--dask", "127.0.0.1:1"),
            "No Dask scheduler answers at 127.0.0.1:1",
            marks=pytest.mark.slow,
        ),
    ],
)
def test_tune_refuses_in_a_sentence(run: Run, store: Store, place: None, words: tuple[str, ...], said: str) -> None:
    """What cannot be searched is said at once, before any work."""
    if "--dask" in words:
        pytest.importorskip("distributed")
    assert said in " ".join(run(*words, code=2).output.split())


def test_held_seeds_are_never_tuned_on() -> None:
    """The invented years added by themselves leave out what is held back and what was given already."""
    assert _seeds((), 4, (2, 11)) == (1, 3, 4, 5)
    assert _seeds((3, 40), 3, (1,)) == (3, 40, 2, 4, 5)


def test_many_years_are_said_in_a_few_words() -> None:
    """Two dozen years do not fill the screen with their names."""
    assert tune_words.names_of(["a", "b"]) == "a, b"
    assert tune_words.names_of([f"seed {n}" for n in range(1, 25)]) == "seed 1, seed 2 ... seed 24: 24 years"


@pytest.mark.parametrize(
    ("strictly", "no_worse", "said"),
    [
        (True, True, "in 1 of 1 of these years."),
        (False, True, "in 0 of 1 of these years; worse by less than one degree-hour or hour, or 2 %, in seed 7."),
        (False, False, "in 0 of 1 of these years; worse in seed 7."),
    ],
)
def test_held_years_are_said_as_they_are(strictly: bool, no_worse: bool, said: str) -> None:
    """A year that is no worse, one that is worse by what does not matter, and one that is worse are told apart."""
    words = tune_words.held_words([{"name": "seed 7", "strictly": strictly, "no_worse": no_worse}])
    assert words.endswith(said)


def test_invented_weather_needs_a_place(run: Run, store: Store) -> None:
    """Without a place and a weather file there is nowhere to invent for."""
    assert "Invented weather needs a place" in run("tune", "--crop", "mache", *WEEK, code=2).output


def test_limits_harden_with_the_autumn(home: Path) -> None:
    """Leaves stand more frost after a cold fortnight than on the first day; the tenderest crop rules."""
    from datetime import date

    from framesim.frame import load
    from framesim.weather import invent

    book = crops.load(home)
    weather = invent(45.9, 14.8, date(2026, 9, 25), date(2026, 12, 25), seed=3, days=["clear"], warmth_k=-3.0)

    def frost(*names: str) -> list[float]:
        stand = tuning.stands(book, [(n, 1.0) for n in names])
        year = tuning.year(load("garden-frame"), weather, book, stand, ("11-01", "12-20"))
        return [float(v) for v in year.limits.table[:, 1]]

    hardy, mixed = frost("mache"), frost("mache", "leaf lettuce")
    assert hardy[-1] < hardy[0] - 2.0
    assert all(m >= h for m, h in zip(mixed, hardy, strict=True))
    assert mixed[-1] > hardy[-1]


def test_shares_add_up(home: Path) -> None:
    """Shares are taken as parts of what is planted."""
    found = tuning.stands(crops.load(home), [("spinach", 0.2), ("mache", 0.6)])
    assert [s.share for s in found] == pytest.approx([0.25, 0.75])
