"""The fault bench itself: its book is complete, its watch sees what it should, and a dozen faults in each run of tests.

`make faults` runs all of them.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sash.reading import OPEN_DIRECTION

from .book import SCENARIOS, all_entries, read
from .house import Story
from .play import Result, play
from .watch import Watch

QUICK = [
    ("lid-jams-as-it-opens", "sun"), ("latch-left-on", "frost"), ("cannot-shut-at-dusk", "frost"),
    ("wire-broken-in-mid-move", "sun"), ("hold-in-mid-move", "sun"), ("narrow-something-under-the-lid", "frost"),
    ("wind-lifts-the-lid", "sun"), ("air-probe-sticks", "sun"), ("both-switches-made", "sun"),
    ("memory-flip-lid", "sun"), ("power-cut-in-mid-move", "frost"), ("link-gone-and-open-in-frost", "frost"),
    ("program-hangs-in-mid-move", "sun"), ("message-forged", "sun"),
]  # fmt: skip
# A20 (never aired in a dull fortnight) needs no hands at once: it is advice, see tests/host/test_advice.py.
GROWERS_ROWS = {f"A{n}" for n in range(1, 20)}
# REL-11 and REL-12 are about months, not faults: tests/controller/test_endurance.py.
CHECK_ROWS = {f"REL-{n}" for n in range(1, 11)}


@pytest.mark.parametrize(("name", "weather"), QUICK)
def test_quick_faults(name: str, weather: str) -> None:
    """No invariant broken, told in time, well again afterwards."""
    result = play(read(SCENARIOS / f"{name}.toml"), weather)
    assert result.verdict == "ok", result


def test_the_book_covers_every_row() -> None:
    """At least sixty scenarios, every row of the growers' list and of the self-checks, and combinations of two."""
    entries = all_entries()
    assert len(entries) >= 60
    covered = {row for entry in entries for row in entry.covers}
    assert covered >= GROWERS_ROWS | CHECK_ROWS
    assert covered <= GROWERS_ROWS | CHECK_ROWS
    assert sum(len(re.findall(r"^\[\[", entry.text, re.M)) >= 2 for entry in entries) >= 25
    assert all('says = "invented"' in entry.text for entry in entries)


@pytest.mark.parametrize(
    "line", ['covers = []', 'covers = ["A1"]\nsince = "noon"', 'covers = ["A1"]\nalarms = ["too-hot"]',
             'covers = ["A1"]\nwithin = 5', 'covers = ["A1"]\nfit = ["wings"]'],
)  # fmt: skip
def test_expectations_that_cannot_be_meant_are_refused(tmp_path: Path, line: str) -> None:
    """A missing row, an unknown word, an alarm without its time: refused by name."""
    path = tmp_path / "bad.toml"
    path.write_text(f'name = "x"\n[[fault]]\npart = "lid"\nkind = "latch"\nwhen = "shut"\n[expect]\n{line}\n')
    with pytest.raises(ValueError, match=r"bad\.toml"):
        read(path)


@pytest.fixture
def watched(tmp_path: Path) -> tuple[Story, Watch]:
    """A healthy frame in the sun and its watch."""
    story = Story(tmp_path, "sun", 'name = "none"')
    return story, Watch(story, True)


def look(story: Story, watch: Watch, minutes: float) -> None:
    """Let the watch see the same moment for some time."""
    for _ in range(int(minutes * 6)):
        story.runner.time_ms += 10_000
        watch.step()


def test_the_watch_sees_a_bed_cook_and_freeze_in_silence(watched: tuple[Story, Watch]) -> None:
    """Forty degrees under a shut lid, or a lid open in frost, with nobody told: both are violations."""
    story, watch = watched
    story.rehearsal.step()
    model = story.runner.frame.model
    for air, lid, words in ((40.0, 0.0, "scorching"), (-3.0, 300.0, "frost limit")):
        model._y[:] = air
        story.runner.frame.lid.lid_permille = lid
        seen = [model.air_degc]
        look(story, watch, 8)
        assert any(words in text for text in watch.broken), (words, watch.broken, seen)
    story.close()


def test_the_watch_sees_movement_under_hold_and_a_late_stop(watched: tuple[Story, Watch]) -> None:
    """A motor told to run with hands in the frame, a stall of two seconds, and a drive of two minutes."""
    story, watch = watched
    story.rehearsal.step()
    runner = story.runner
    runner.turn.motor = OPEN_DIRECTION
    runner.frame.lid.motor_ma = 3_500
    for _ in range(10):
        runner.time_ms += 200
        watch.step()
    assert any("current limit" in text for text in watch.broken)
    look(story, watch, 2)
    assert any("too long" in text for text in watch.broken)
    from framesim.faults import Fault

    runner.frame.faults.start(Fault("hold", "pressed"))
    watch.step()
    watch.step()
    assert any("under hold" in text for text in watch.broken)
    story.close()


def test_a_frame_that_nobody_mends_is_a_violation() -> None:
    """The bench can fail: a wire that stays broken is not well again, and an alarm that never comes is missed."""
    entry = read(SCENARIOS / "wire-broken-before-it-opens.toml")
    text = entry.text.replace("for_s = 3600", "for_s = 600").replace("person", "itself")
    bad = type(entry)(entry.name, entry.title, text, entry.covers, ("sun",), {
        "sun": type(entry.expected["sun"])(entry.covers, alarms=("battery-low",), within_s=5.0)})  # fmt: skip
    result: Result = play(bad, "sun")
    assert "no alarm battery-low" in result.verdict
