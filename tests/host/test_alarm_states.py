"""The life cycle table: every cell, and long random walks through the engine."""

from __future__ import annotations

import random

import pytest

from sashkeeper.alarms import catalogue, states
from sashkeeper.alarms.engine import Engine
from sashkeeper.alarms.evidence import BETWEEN, FALSE, TRUE, UNKNOWN, Finding
from sashkeeper.alarms.incident import Change

CATALOGUE = catalogue.default()


def test_every_cell_is_filled() -> None:
    """Every state answers every event with a state of the table."""
    for state in states.STATES:
        assert set(states.NEXT[state]) == set(states.EVENTS), state
        assert set(states.NEXT[state].values()) <= set(states.STATES), state


def test_unknown_words_are_named() -> None:
    """An unknown state or event is refused by a sentence that names both."""
    with pytest.raises(ValueError, match=r"'normal'.*'melts'"):
        states.after(states.NORMAL, "melts")
    with pytest.raises(ValueError, match="'half'"):
        states.after("half", states.RISES)


@pytest.mark.parametrize(
    ("state", "event", "then"),
    [
        # Source: state diagram of ISA-18.2-2016 (also IEC 62682), from memory: A normal, B unacknowledged,
        # C acknowledged, D returned unacknowledged, G shelved, H suppressed by design, I out of service.
        ("normal", "rises", "unacknowledged"),
        ("unacknowledged", "acknowledge", "acknowledged"),
        ("unacknowledged", "clears", "returned-unacknowledged"),
        ("acknowledged", "clears", "normal"),
        ("returned-unacknowledged", "acknowledge", "normal"),
        ("returned-unacknowledged", "rises", "unacknowledged"),
        ("unacknowledged", "shelve", "shelved"),
        ("shelved", "back-true", "unacknowledged"),
        ("shelved", "back-clear", "normal"),
        ("suppressed", "back-true", "unacknowledged"),
        ("suppressed", "back-clear", "normal"),
        ("out-of-service", "back-true", "unacknowledged"),
        ("out-of-service", "back-clear", "normal"),
    ],
)
def test_isa_18_2_transitions(state: str, event: str, then: str) -> None:
    """The transitions of the standard are those of the table."""
    assert states.after(state, event) == then


def test_random_walk_never_leaves_the_table() -> None:
    """In 200,000 random steps each change of state is a cell of the table, starts where the last ended,
    and the engine's own book-keeping (delays, shelving ends, closing times) stays sound."""
    rng = random.Random(20260101)
    engine = Engine(CATALOGUE)
    frames = ("north", "south")
    alarms = ("stuck-shut", "too-hot", "battery-low", "frost-danger", "hold-left-on")
    truths = (TRUE, FALSE, BETWEEN, UNKNOWN)
    last: dict[tuple[str, str], str] = {}
    allowed = {(s, t) for s in states.STATES for t in states.NEXT[s].values()}
    now_s, seen = 1_700_000_000.0, set()
    for _ in range(200_000):
        now_s += rng.choice((0.0, 1.0, 20.0, 200.0, 4000.0))
        frame, alarm = rng.choice(frames), rng.choice(alarms)
        act = rng.random()
        if act < 0.70:
            modes = [m for m in ("hold", "storage") if rng.random() < 0.05]
            engine.look(now_s, frame, {alarm: Finding(rng.choice(truths), {})}, modes)
        elif act < 0.80:
            engine.acknowledge(now_s, frame, alarm, "walker")
        elif act < 0.85:
            engine.shelve(now_s, frame, alarm, now_s + rng.uniform(1, 9000), "walker")
        elif act < 0.90:
            engine.unshelve(now_s, frame, alarm, "walker")
        elif act < 0.93:
            engine.take_out(now_s, frame, alarm, "walker")
        else:
            engine.put_back(now_s, frame, alarm, "walker")
        for action in engine.settle(now_s):
            if not isinstance(action, Change):
                continue
            key = (action.standing.frame, action.standing.alarm)
            assert last.get(key, states.NORMAL) == action.from_state, action
            assert (action.from_state, action.to_state) in allowed, action
            last[key] = action.to_state
            seen.add((action.from_state, action.to_state))
        engine.touched.clear()
        for standing in engine.standings.values():
            shelved = standing.state == states.SHELVED
            assert (standing.shelf_end_s is not None) or not shelved, standing
            assert not (standing.due and standing.state in states.QUIET_STATES), standing
            if standing.state in states.STANDING_STATES:
                assert standing.closed_s is None, standing
                assert standing.condition, standing
                assert standing.incident > 0, standing
    assert len(seen) >= 20, f"the walk saw only {sorted(seen)}"
