"""The same modules on the real MicroPython interpreter, with a real littlefs under the storage."""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = Path(__file__).with_name("on_board.py")
CHECKS = re.findall(r"^def check_(\w+)", SCRIPT.read_text(encoding="utf-8"), re.MULTILINE)


@pytest.fixture(scope="module")
def output(micropython: str) -> str:
    """What the script printed."""
    body = json.dumps({"n": 7, "text": "\u00e9"})
    mac = hmac.new(bytes(range(32)), f"frames/north/orders\n{body}".encode(), hashlib.sha256).hexdigest()
    envelope = json.dumps({"v": 1, "body": body, "mac": mac})
    done = subprocess.run(
        [micropython, str(SCRIPT), str(ROOT / "controller")],
        input=envelope + "\n",
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("name", CHECKS)
def test_on_micropython(output: str, name: str) -> None:
    """Every check of on_board.py must pass on the board's interpreter."""
    assert f"ok {name}\n" in output, output


WORDS = [
    "app",
    "board",
    "clock",
    "dating",
    "journal",
    "link",
    "mqtt_core",
    "names",
    "net",
    "signing",
    "slots",
    "storage",
    "templates",
    "boards/virtual",
]
MODULES = ["boot.py", "main.py", "main_virtual.py", *(f"sash/{word}.py" for word in WORDS)]
SHELL = [ROOT / "controller" / name for name in MODULES]


@pytest.mark.parametrize("path", SHELL, ids=lambda path: path.name)
def test_no_module_that_boards_lack(path: Path) -> None:
    """The shell must not import what a standard MicroPython does not have."""
    lacking = "typing|dataclasses|enum|logging|datetime|hmac|pathlib|unittest|contextlib|functools|itertools|queue"
    text = path.read_text(encoding="utf-8")
    assert not re.search(rf"^\s*(?:from|import) (?:{lacking})\b", text, re.MULTILINE)
    assert len(text.splitlines()) < 400


@pytest.mark.parametrize("path", SHELL, ids=lambda path: path.name)
def test_compiles_on_micropython(path: Path, micropython: str) -> None:
    """Every file of the shell must compile on the board's interpreter."""
    code = "import sys; compile(open(sys.argv[1]).read(), sys.argv[1], 'exec'); print('ok')"
    done = subprocess.run([micropython, "-c", code, str(path)], capture_output=True, text=True, timeout=30)
    assert done.stdout == "ok\n", done.stderr
