"""The bench check on the simulated frame: a sound frame passes, every wiring fault is found and named."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("numba")
from framesim import frame as frame_files
from framesim.faults import Fault
from framesim.model import FrameModel
from framesim.virtual_frame import Parts, VirtualFrame
from framesim.weather import invent
from sashkeeper.board import bench
from sashkeeper.board.bench_parts import Report, Result
from sashkeeper.board.bench_virtual import VirtualBench, VirtualGrower

ROMS = {"air": "28c652b604000023", "soil": "283ce7b50400008b", "outside": "28e1e6b5040000c8"}
FITTINGS: dict[str, Any] = {"frame": "north", "travel_ms": 40_000, "stall_ma": 3000, "end_switches": 1, "pot": 1,
                            "probes": ROMS}  # fmt: skip


@pytest.fixture(scope="module")
def model() -> FrameModel:
    """A frame on an invented cloudy day."""
    weather = invent(47.0, 9.0, date(2027, 3, 1), date(2027, 3, 2), seed=5, name="Testwood")
    return FrameModel(frame_files.load("reference-box"), weather)


def run(
    model: FrameModel, faults: list[Fault] | None = None, changes: Mapping[str, Any] | None = None, **wiring: Any
) -> tuple[Report, VirtualBench, VirtualGrower]:
    """Check a simulated frame with these faults, fittings changed so, and wiring."""
    fittings = {**FITTINGS, **(changes or {})}
    frame = VirtualFrame(model, Parts.for_fittings(FITTINGS))
    frame.reset(model.weather.start_s + 36 * 3600)
    for fault in faults or []:
        frame.faults.start(fault)
    board = VirtualBench(frame, fittings.get("reverse", 0), **wiring)
    grower = VirtualGrower(board)
    return bench.check(board, grower, fittings, lambda _: None), board, grower


def failed(report: Report) -> dict[str, Result]:
    """Steps that did not pass."""
    return {result.step: result for result in report.results if not result.passed}


def test_a_sound_frame_passes(model: FrameModel) -> None:
    """Nothing is wrong: every step passes, the lid may move on its own, and the figures are measured."""
    report, board, _ = run(model)
    assert failed(report) == {}
    assert report.safe
    assert len(report.results) == len(bench.STEPS)
    assert report.measured["travel_ms"] == pytest.approx(40_000, rel=0.2)
    assert 0 < report.measured["run_ma"] < 3000 <= report.measured["blocked_ma"]
    assert board.frame.lid.lid_permille < 10
    assert not board.sounding


CASES: dict[str, tuple[list[tuple[str, str]], dict[str, Any], dict[str, Any], str, str]] = {
    # name: faults, changed fittings, wiring, step that fails, words it says
    "swapped motor wires": ([("motor", "wrong-way")], {}, {}, "motor direction", "wires are swapped"),
    "swapped end switches": ([], {}, {"swapped_switches": True}, "end switches", "end switches are swapped"),
    "missing probe": ([("probe-soil", "no-answer")], {}, {}, "probes", "soil: no answer"),
    "probe swapped": ([("probe-air", "swapped")], {}, {}, "warm hand", "shows as 'soil'"),
    "wrong voltage": ([], {}, {"volts_share": 2.0}, "battery", "25."),
    "stall limit too high": ([], {"stall_ma": 6000}, {}, "stick", "too high"),
    "dead siren": ([], {}, {"dead_siren": True}, "siren", "not heard"),
    "no motor current": ([("motor", "broken-wire")], {}, {}, "motor direction", "no current"),
    "latch left on": ([("lid", "latch")], {}, {}, "motor direction", "does not move"),
    "hold not wired": ([], {}, {"deaf_hold": True}, "hold", "did not see it"),
    "open switch dead": ([("switch-open", "stuck-off")], {}, {}, "travel", "OPEN was not made"),
    "shut switch dead": ([("switch-shut", "stuck-off")], {}, {}, "end switches", "none is made"),
    "open switch wire broken": ([("switch-open", "stuck-on")], {}, {}, "end switches", "both are made"),
    "bus shorted": ([("probe-air", "bus-low")], {}, {}, "probes", "air: all zero"),
    "travel time wrong": ([], {"travel_ms": 20_000}, {}, "travel", "s up"),
    "no network": ([], {"wifi": {"ssid": "garden"}}, {"no_radio": True}, "radio", "not joined"),
    "no air probe named": ([], {"probes": {"soil": ROMS["soil"]}}, {}, "probes", "no air probe"),
    "probe does not get warmer": ([("probe-air", "stuck")], {}, {}, "warm hand", "did not get warmer"),
}


@pytest.mark.parametrize("name", CASES)
def test_every_wiring_fault_is_found_and_named(model: FrameModel, name: str) -> None:
    """Each fault fails the step that is about it, in words that name it, with advice."""
    faults, changes, wiring, step, said = CASES[name]
    report, _, _ = run(model, [Fault(part, kind) for part, kind in faults], changes, **wiring)
    found = failed(report)
    assert step in found, [f"{r.step}: {r.found}" for r in report.results]
    assert said in found[step].found
    assert found[step].advice
    assert report.safe == (step == "radio")


@pytest.mark.parametrize(
    ("faults", "changes", "fix"),
    [
        ([("motor", "wrong-way")], {}, {"reverse": 1}),
        ([("probe-air", "swapped")], {}, {"probes": {**ROMS, "air": ROMS["soil"], "soil": ROMS["air"]}}),
    ],
)
def test_what_can_be_put_right_in_the_fittings_is_offered(
    model: FrameModel, faults: list[tuple[str, str]], changes: dict[str, Any], fix: dict[str, Any]
) -> None:
    """A fault that a change of the fittings cures comes with that change."""
    report, _, _ = run(model, [Fault(part, kind) for part, kind in faults], changes)
    assert [dict(result.fix) for result in report.results if result.fix] == [fix]


@pytest.mark.parametrize(
    ("faults", "changes"),
    [([("motor", "wrong-way")], {}), ([], {"stall_ma": 6000}), ([], {"travel_ms": 20_000})],
)
def test_the_offered_change_makes_the_check_pass(
    model: FrameModel, faults: list[tuple[str, str]], changes: dict[str, Any]
) -> None:
    """With the offered change the same frame passes."""
    report, _, _ = run(model, [Fault(part, kind) for part, kind in faults], changes)
    fixes: dict[str, Any] = {}
    for result in report.results:
        fixes.update(result.fix)
    again, _, _ = run(model, [Fault(part, kind) for part, kind in faults], {**changes, **fixes})
    assert failed(again) == {}, fixes


def test_dangerous_failures_end_the_check(model: FrameModel) -> None:
    """Without a working HOLD nothing is moved, not even a little."""
    report, board, grower = run(model, deaf_hold=True)
    assert [result.step for result in report.results] == ["hold"]
    assert board.frame.stroke_ms == 0
    assert grower.asked == ["press-hold"]


def test_hands_are_warned_before_every_movement(model: FrameModel) -> None:
    """Every step that moves the lid first asks for hands out of the frame."""
    _, _, grower = run(model)
    moving = [act for act in grower.asked if act in ("hands-out", "stick", "went-up")]
    assert moving == ["hands-out", "went-up", "hands-out", "stick"]


def test_the_record_is_plain_data(model: FrameModel) -> None:
    """What is stored with the frame is JSON, says each step, and whether it is safe."""
    report, _, _ = run(model, dead_siren=True)
    record = json.loads(json.dumps(report.record(1_800_000_000)))
    assert record["safe"] is False
    assert record["steps"]["siren"] == "failed"
    assert record["steps"]["radio"] == "left out"
    assert record["found"] == {"siren": "not heard"}


def test_a_report_without_steps_is_not_safe() -> None:
    """Nothing checked is not the same as nothing wrong."""
    assert not Report().safe


def test_the_bench_of_a_real_board_over_the_console(tmp_path: Path) -> None:
    """The same questions reach the board's own bench through a real MicroPython console with a make-believe chip."""
    pytest.importorskip("mpremote")
    if shutil.which("micropython") is None or sys.platform == "win32":
        pytest.skip("no MicroPython for this platform")
    sys.path.insert(0, str(Path(__file__).parent))
    from pty_board import PtyBoard

    from sashkeeper.board import image, install
    from sashkeeper.board.bench_real import RealBench
    from sashkeeper.board.wire import BoardWire

    fake = Path(__file__).parents[1] / "controller" / "fake_machine"
    for name in ("machine.py", "onewire.py", "network.py"):
        shutil.copy(fake / name, tmp_path / name)
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        install.install(wire, image.build("rp2", compiled=False))
        wire.run("import os, onewire, time\nonewire.state['now_ms'] = time.ticks_ms")
        wire.run(f"onewire.devices[{ROMS['air']!r}] = bytes.fromhex('91014b467fff0f1025')")
        real = RealBench(wire, {"frame": "north", "probes": {"air": ROMS["air"]}}, "rp2")
        real.wait(1500)
        look = real.look()
        assert look.degc("air") == 25.0625
        assert look.hold == 1  # nothing is plugged in: all contacts read open
        driven = real.drive(1, 600, 1000, 3000)
        assert (driven.stopped, driven.ms) == ("hold", 0)
        real.siren(True)
        real.siren(False)
        assert real.radio() is False
