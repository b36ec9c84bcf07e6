"""When leaves can be cut."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import settings as few
from hypothesis import strategies as st

from sashkeeper.season import picking
from sashkeeper.season.picking import LeafRow, windows

STEP_S = 300.0


def _morning(lowest: float, highest: float, soil: float | None = 3.0) -> list[LeafRow]:
    # A day from midnight: coldest at 6, warmest at 14 o'clock, five-minute rows.
    middle, half = (lowest + highest) / 2, (highest - lowest) / 2
    rows = []
    for n in range(288):
        hour = n * STEP_S / 3600
        after = hour - 14 if hour > 14 else hour + 10
        swing = -math.cos((hour - 6) / 8 * math.pi) if 6 <= hour <= 14 else math.cos(after / 16 * math.pi)
        rows.append(LeafRow(n * STEP_S, middle + half * swing, soil))
    return rows


def test_the_window_opens_after_the_thaw_and_closes_with_the_evening() -> None:
    """Leaves that froze at night can be cut once they have been above 2 degC for 90 min, until they cool again.

    Source: common practice, no source: hardy leaves freeze at night, thaw as the frame warms, and may be cut then.
    """
    rows = _morning(-3.0, 12.0)
    thawed = next(r.time_s for r in rows if r.time_s > 6 * 3600 and r.leaf_degc >= 2.0)
    cooled = next(r.time_s for r in rows if r.time_s > 14 * 3600 and r.leaf_degc < 2.0)
    got = windows(rows)
    assert len(got) == 1
    assert got[0].from_s == pytest.approx(thawed + 90 * 60, abs=STEP_S)
    assert got[0].until_s == cooled
    assert "froze to -3.0" in got[0].why


def test_a_hard_frost_asks_for_more() -> None:
    """After a night below -4.4 degC leaves have to be above 4 degC for two hours.

    Source: a farm's note, hard frost limit 24 degF = -4.4 degC, wait until well above freezing.
    """
    rows = _morning(-8.0, 12.0)
    level = next(r.time_s for r in rows if r.time_s > 6 * 3600 and r.leaf_degc >= 4.0)
    assert windows(rows)[0].from_s == pytest.approx(level + 120 * 60, abs=STEP_S)


def test_no_window_on_a_day_that_never_thaws() -> None:
    """A day at 1 degC, or soil that stays frozen, gives no window."""
    assert windows(_morning(-5.0, 1.0)) == []
    assert windows(_morning(-3.0, 12.0, soil=-0.5)) == []


def test_a_cloud_that_freezes_leaves_again_starts_the_wait_again() -> None:
    """Falling below 2 degC before the wait is over means waiting in full again."""
    rows = [LeafRow(n * STEP_S, 5.0 if n != 15 else 1.0) for n in range(60)]
    got = windows(rows)
    assert got[0].from_s == pytest.approx(16 * STEP_S + 90 * 60, abs=STEP_S)


def test_silence_is_no_thaw() -> None:
    """After half an hour without readings the wait starts again, and old readings never say yes."""
    rows = [LeafRow(n * STEP_S, 8.0) for n in range(6)]
    later = [LeafRow(7200 + n * STEP_S, 8.0) for n in range(6)]
    assert windows(rows + later) == []
    warm = [LeafRow(n * STEP_S, 8.0) for n in range(30)]
    assert picking.now(warm, 29 * STEP_S).yes
    assert not picking.now(warm, 29 * STEP_S + 3600).yes
    assert "no fresh readings" in picking.now([], 0.0).why


@few(max_examples=200, deadline=None)
@given(st.lists(st.floats(-15, 20), min_size=1, max_size=120))
def test_it_never_says_yes_while_leaves_are_frozen(temps: list[float]) -> None:
    """Whatever the readings, no window holds a leaf below 2 degC, and 'now' is never yes below it."""
    rows = [LeafRow(n * 600.0, t) for n, t in enumerate(temps)]
    found = windows(rows)
    for row in rows:
        for w in found:
            if w.from_s <= row.time_s < w.until_s:
                assert row.leaf_degc >= picking.THAWED_DEGC
    for a, b in pairwise(found):
        assert a.until_s < b.from_s
    if picking.now(rows, rows[-1].time_s).yes:
        assert rows[-1].leaf_degc >= picking.THAWED_DEGC


@pytest.mark.parametrize(
    ("leaf", "soil", "part"),
    [(-2.0, 1.0, "frozen"), (1.0, 1.0, "not clearly thawed"), (6.0, -1.0, "soil is still frozen"), (6.0, 1.0, "time")],
)
def test_no_comes_with_its_reason(leaf: float, soil: float, part: str) -> None:
    """Each no says what is missing."""
    got = picking.now([LeafRow(0.0, leaf, soil)], 60.0)
    assert not got.yes
    assert part in got.why


def test_leaves_are_taken_colder_than_the_air_at_night() -> None:
    """At night the leaf counts as 2 degC colder than the air, by day as warm; stale soil values are left out."""
    rows = picking.leaf_rows([(0.0, 1.0), (600.0, 1.0), (6000.0, 5.0)], [(0.0, 2.0)], [False, True, True])
    assert [r.leaf_degc for r in rows] == [-1.0, 1.0, 5.0]
    assert [r.soil_degc for r in rows] == [2.0, 2.0, None]
