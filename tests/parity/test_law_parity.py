"""The law decides the same on CPython, compiled, and on the real MicroPython interpreter."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import pytest

from framesim import compiled
from sash import lid_law

HERE = Path(__file__).parent
CONTROLLER = HERE.parents[1] / "controller"
# Steps and seed of each part: 1,000,000 steps in all.
PARTS = [(100_000, seed) for seed in (1, 77, 1234, 4321, 9999, 10_007, 12_345, 15_000, 17_171, 20_001)]
SENSE = (0, 15000, 5000, 8000, 2000, 0, 40, 0, 12500, -1, 0, 0, 0, 1)


def start_walk(interpreter: str, parts: list[tuple[int, int]]) -> subprocess.Popen[str]:
    """Start the walk in a process of its own."""
    words = [f"{steps}:{seed}" for steps, seed in parts]
    script = [str(HERE / "run_walk.py"), str(CONTROLLER), str(HERE / "law_walk.py"), *words]
    return subprocess.Popen([interpreter, *script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def finish_walk(process: subprocess.Popen[str]) -> list[list[int]]:
    """Hash and counts of each part."""
    out, err = process.communicate(timeout=240)
    assert process.returncode == 0, err
    return [[int(word) for word in line.split()] for line in out.splitlines()]


def compiled_walk(parts: list[tuple[int, int]]) -> list[list[int]]:
    """The same walk with law and walk compiled."""
    import numba
    import numpy as np

    space: dict[str, object] = {"decide": compiled.law().decide}
    exec((HERE / "law_walk.py").read_text(), space)
    for name in ("roll", "mix", "draw_settings", "draw_sense", "walk"):
        space[name] = numba.njit(space[name])
    results = []
    for steps, seed in parts:
        seen = np.zeros(48, dtype=np.int64)
        dice = np.array([seed, 1000 + seed, 2000 + seed], dtype=np.int64)
        state, settings = compiled.whole_numbers(lid_law.START), np.zeros(len(lid_law.SETTINGS), dtype=np.int64)
        total = space["walk"](steps, dice, compiled.whole_numbers(SENSE), state, settings, seen)  # type: ignore[operator]
        results.append([int(total), *(int(count) for count in seen)])
    return results


@pytest.fixture(scope="module")
def walks(micropython: str) -> dict[str, list[list[int]]]:
    """A million steps on each interpreter; two of them at the same time."""
    pytest.importorskip("numba")
    board = start_walk(micropython, PARTS)
    desk = start_walk(sys.executable, PARTS)
    return {"compiled": compiled_walk(PARTS), "desk": finish_walk(desk), "board": finish_walk(board)}


def test_a_million_steps_are_the_same_on_three_interpreters(walks: dict[str, list[list[int]]]) -> None:
    """Answers and memory of the law must agree after every part of the walk, to the last bit."""
    assert sum(steps for steps, _ in PARTS) >= 1_000_000
    assert len(walks["desk"]) == len(PARTS)
    assert walks["board"] == walks["desk"]
    assert walks["compiled"] == walks["desk"]


def test_the_walk_meets_every_reason_and_every_lockout(walks: dict[str, list[list[int]]]) -> None:
    """A walk that never reaches a rule proves nothing about it."""
    totals = [sum(part[place] for part in walks["desk"]) for place in range(1, 49)]
    rare = {word: totals[number] for number, word in enumerate(lid_law.REASONS) if totals[number] < 100}
    assert not rare
    assert all(totals[32 + bit] >= 100 for bit in range(len(lid_law.LOCKOUTS)))


def test_the_walk_notices_a_changed_law() -> None:
    """The hash must differ when one figure of the law differs, or the comparison is worth nothing."""
    results = []
    for old, new in (("", ""), ("SCORCH_BAND = const(2000)", "SCORCH_BAND = const(2100)")):
        space: dict[str, object] = {}
        exec(inspect.getsource(lid_law).replace(old, new, 1) if old else inspect.getsource(lid_law), space)
        exec((HERE / "law_walk.py").read_text(), space)
        walk = space["walk"]
        start, settings = list(lid_law.START), [0] * len(lid_law.SETTINGS)
        results.append(walk(20_000, [1, 1001, 2001], list(SENSE), start, settings, [0] * 48))  # type: ignore[operator]
    assert results[0] != results[1]


HEAP_LOCKED = """
import gc, micropython, sys
sys.path.insert(0, sys.argv[1])
from sash import lid_law, lid_motion
space = {"decide": lid_law.decide}
exec(open(sys.argv[2]).read(), space)
sense = [0, 15000, 5000, 8000, 2000, 0, 40, 0, 12500, -1, 0, 0, 0, 1]
state = list(lid_law.START)
settings = [0] * len(lid_law.SETTINGS)
seen = [0] * 48
dice = [5, 1005, 2005]
walk = space["walk"]
motion = lid_motion.Motion({"travel_ms": 40000, "boot_wait_s": 0}, 0, 0, 5000)
step = motion.step


def ride(steps):
    at = 0
    for n in range(steps):
        dt_ms = 200 if motion.motor else 1000
        at = max(0, min(1000, at + motion.motor * 5))
        want = n // 600 % 5 * 250
        blocked = 1 if n % 5000 > 4900 else 0
        step(dt_ms, want, 1 if at <= 3 else 0, 1 if at >= 997 else 0,
             3500 if blocked else 300 if motion.motor else 0, -1, 1 if n % 7000 > 6990 else 0)
    return at


walk(10, dice, sense, state, settings, seen)
ride(10)
gc.collect()
micropython.heap_lock()
walk(20000, dice, sense, state, settings, seen)
ride(20000)
micropython.heap_unlock()
gc.collect()
gc.disable()
before = gc.mem_alloc()
walk(2000, dice, sense, state, settings, seen)
law_bytes = gc.mem_alloc() - before
before = gc.mem_alloc()
ride(2000)
print(law_bytes, gc.mem_alloc() - before)
"""


def test_law_and_lid_take_nothing_from_the_heap(micropython: str) -> None:
    """Law and lid must run with the heap locked: a full heap may not stop the lid.

    The count may show a few bytes in all (the lists that the measurement itself builds), never one per step.
    """
    command = [micropython, "-c", HEAP_LOCKED, str(CONTROLLER), str(HERE / "law_walk.py")]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert result.returncode == 0, result.stdout + result.stderr
    law_bytes, lid_bytes = (int(word) for word in result.stdout.split())
    assert law_bytes < 500, law_bytes
    assert lid_bytes < 500, lid_bytes
