"""Every check value of the simulator's subjects is tested, or excused in tests/reference/physics-not-used.md."""

from __future__ import annotations

import ast
import importlib
import json
import re
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
REFERENCE = HERE.parent / "reference"
VALUES = REFERENCE / "physics-values.json"
EXCUSES = REFERENCE / "physics-not-used.md"
# Glazing, heat and sky and ground, ventilation, moist air, mechanics, the simulator's sun, free-float cases, stations.
GROUPS = re.compile(r"^(OPT|HT|VEN|PSY|ME|SOL-P|SOL-F|BES|WX)")
TESTS = (
    "tests.sim.test_glazing_values",
    "tests.sim.test_solar_sky_values",
    "tests.sim.test_heat_values",
    "tests.sim.test_air_values",
    "tests.sim.test_lid_mechanics",
    "tests.sim.test_weather_files",
    "tests.host.test_sizing",
)
# How many ids each subject has: a table that was cut short would go unnoticed otherwise.
COUNTS = {"OPT": 30, "HT": 38, "VEN": 18, "PSY": 21, "ME": 13, "SOL": 20, "BES": 10, "WX": 9}


def ids() -> set[str]:
    """All ids of our subjects in the table."""
    entries = json.loads(VALUES.read_text(encoding="utf-8"))
    return {entry["id"] for entry in entries if GROUPS.match(entry["id"])}


def test_every_id_is_tested_or_excused() -> None:
    """No id of our subjects is forgotten, and none is both tested and excused."""
    ours, tested, excused = ids(), _tested(), _excused()
    assert ours - tested - excused == set()
    assert tested & excused == set()
    assert excused - ours == set()


def test_the_table_is_whole() -> None:
    """Each subject has as many ids as when it was copied, and a source stands beside each."""
    assert Counter(re.split(r"[-\d]", entry)[0] for entry in ids()) == COUNTS
    for entry in json.loads(VALUES.read_text(encoding="utf-8")):
        assert entry["source"].strip(), entry["id"]


def _tested() -> set[str]:
    """Ids that stand in the code of a test function or in its parameters; docstrings and remarks do not count."""
    found: set[str] = set()
    for name in TESTS:
        module = importlib.import_module(name)
        tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
        for function in (node for node in tree.body if isinstance(node, ast.FunctionDef)):
            if not function.name.startswith("test_"):
                continue
            words = {n.value for part in function.body for n in ast.walk(part) if isinstance(n, ast.Constant)}
            for mark in getattr(getattr(module, function.name), "pytestmark", []):
                if mark.name == "parametrize":
                    words |= {word for case in mark.args[1] for word in (case if isinstance(case, tuple) else (case,))}
            found |= {word for word in words if isinstance(word, str)}
    return found & ids()


def _excused() -> set[str]:
    return set(re.findall(r"^\| ([A-Za-z0-9_-]+) \| \S", EXCUSES.read_text(encoding="utf-8"), re.MULTILINE)) - {"id"}
