"""Every check value of the simulator's subjects is tested, or excused in tests/reference/physics-not-used.md."""

from __future__ import annotations

import json
import re
from pathlib import Path

HERE = Path(__file__).parent
REFERENCE = HERE.parent / "reference"
GROUPS = re.compile(r"^(OPT|HT|VEN|PSY|SOL-P|SOL-F)")
TESTS = ("test_glazing_values.py", "test_solar_sky_values.py", "test_heat_values.py", "test_air_values.py")


def test_every_id_is_tested_or_excused() -> None:
    """No id of our subjects is forgotten, and none is both tested and excused."""
    ids = {entry["id"] for entry in json.loads((REFERENCE / "physics-values.json").read_text(encoding="utf-8"))}
    ours = {entry for entry in ids if GROUPS.match(entry)}
    text = "".join((HERE / name).read_text(encoding="utf-8") for name in TESTS)
    # Parametrised ids are built in the tests: name them here as they are built there.
    built = {f"SOL-P0{k}" for k in range(1, 9)} | {f"HT-BM{k}" for k in range(1, 6)} | {f"PSY-1{k}" for k in range(7)}
    built |= {f"VEN-L{a:02d}" for a in (5, 10, 15, 20, 30, 45, 60, 90)}
    tested = {entry for entry in ours if f'"{entry}"' in text} | built
    excused = set(re.findall(r"^\| ([A-Z0-9-]+) \|", _excuses(), re.MULTILINE))
    assert ours - tested - excused == set()
    assert tested & excused == set()
    assert excused - ids == set()


def _excuses() -> str:
    return (REFERENCE / "physics-not-used.md").read_text(encoding="utf-8")
