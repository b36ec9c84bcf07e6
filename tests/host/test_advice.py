"""Advice: the coming night, and airing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sashkeeper import advice, wording
from sashkeeper.advice import Night
from sashkeeper.cli import main
from sashkeeper.clock import SetClock
from sashkeeper.context import App
from sashkeeper.store import Event, Reading

NOW = 1_769_871_600.0  # 2026-01-31 15:00 UTC
HOUR, DAY = 3600.0, 86_400.0


def test_growers_log_nights_fall_inside_the_covered_range() -> None:
    """Source: one grower's max-min log: outside -10.0 and -11.1 with an insulated cover gave -1.1 and -1.7 inside."""
    for outside, inside in ((-10.0, -1.1), (-11.1, -1.7)):
        found = advice.cover_tonight([], None, -6.0, forecast_min_degc=outside)
        assert found.covered is not None
        leaf = inside - advice.LEAF_BELOW_COVERED_K
        assert found.covered.low <= leaf <= found.covered.high, (outside, found.covered)


def test_verdict_follows_the_crop() -> None:
    """The same night needs no cover for hard spinach, a cover for soft lettuce, and picking for seedlings."""
    nights = [Night(4.0, -6.0 + d, -3.5 + d) for d in (-0.5, 0.0, 0.5, 0.2, -0.2)]
    verdicts = [advice.cover_tonight(nights, 4.0, damage).verdict for damage in (-12.0, -5.0, 0.0, None)]
    assert verdicts == ["no-cover", "cover", "cover-and-pick", "no-cover"]


def test_own_nights_are_used_and_widen_with_their_spread() -> None:
    """By hand: falls of 10 K and lifts of 2.5 K from 4 degC give 4 - 10 + 2.5 - 2 = -5.5 for bare leaves."""
    steady = [Night(4.0, -6.0, -3.5)] * 5
    found = advice.cover_tonight(steady, 4.0, None)
    assert found.bare is not None
    assert found.bare.about == pytest.approx(-5.5)
    wild = [Night(4.0, -6.0 + d, -3.5 + d) for d in (-4, 4, -4, 4, 0)]
    wider = advice.cover_tonight(wild, 4.0, None)
    assert wider.bare is not None
    assert wider.bare.high - wider.bare.low > found.bare.high - found.bare.low


def test_covered_nights_do_not_teach_bare_ones() -> None:
    """Nights under the cover do not make the bare frame look warmer."""
    bare = [Night(4.0, -6.0, -3.5)] * 4
    covered = [Night(4.0, -6.0, 2.0, True)] * 4
    assert advice.cover_tonight(bare + covered, 4.0, None).bare == advice.cover_tonight(bare, 4.0, None).bare


def test_nothing_known_is_said() -> None:
    """Without outside temperature and forecast there is no prediction, and the words say why."""
    found = advice.cover_tonight([], None, -5.0)
    assert found.verdict == "unknown"
    assert "no outside temperature" in wording.cover_words("unknown", None, None, -5.0, "spinach", 0, False)


def moved(t: float, position: int) -> Event:
    """The lid came to rest."""
    return Event("north", 1, int(t), NOW + t, "moved", {"position_permille": position})


def test_hours_since_airing() -> None:
    """Ten minutes of a crack count, three do not; open now is zero; never seen is None."""
    assert advice.hours_since_airing([], NOW) is None
    aired = [moved(-5 * HOUR, 100), moved(-4 * HOUR, 0), moved(-2 * HOUR, 300), moved(-2 * HOUR + 180, 0)]
    assert advice.hours_since_airing(aired, NOW) == pytest.approx(4.0)
    assert advice.hours_since_airing([*aired, moved(-1200, 1000)], NOW) == 0.0
    assert "mould" in wording.airing_words(400.0)


def test_command_reads_the_frames_own_nights(tmp_path: Path) -> None:
    """From two weeks of stored readings the command predicts tonight within its range; JSON and words agree."""
    app = App(tmp_path, clock=SetClock(NOW))
    app.store.frame_add("north", b"k" * 32, NOW - 30 * DAY, "North")
    rows = []
    for i in range(14 * 48):
        t = NOW - 14 * DAY + i * 1800
        hour = (t / HOUR) % 24
        outside = 3.0 if 9 <= hour < 16 else 3.0 - min(9.0, (hour - 16) % 24 * 0.6)
        rows.append(Reading("north", 1, i, t, {"air": outside + 2.0, "outside": outside}))
    rows.append(Reading("north", 1, 9999, NOW - 60, {"air": 12.0, "outside": 3.0}))
    app.store.add_readings(rows)
    result = CliRunner().invoke(main, ["advice", "--json"], obj=app)
    assert result.exit_code == 0, result.output
    (row,) = json.loads(result.output)
    assert row["cover"]["nights"] >= 12
    about, low, high = row["cover"]["bare_degc"]
    assert low <= -6.0 <= high  # outside falls to -6, the bed stays 2 K over it, leaves 2 K under the bed
    assert about == pytest.approx(-6.0, abs=1.0)
    plain = CliRunner().invoke(main, ["advice", "north"], obj=app)
    assert "Leaves tonight, from" in plain.output
    wrong = CliRunner().invoke(main, ["advice", "nort"], obj=app)
    assert wrong.exit_code == 2
    assert 'Did you mean "north"' in wrong.output
    cold = CliRunner().invoke(main, ["advice", "--forecast-min", "-200"], obj=app)
    assert cold.exit_code == 2
    app.close()
