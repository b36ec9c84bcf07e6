"""Every check value of the electrics by its id: probes, battery, cables, drive; or a reason why not."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from sash import probes
from sash.boards import one_wire

ROOT = Path(__file__).resolve().parents[2]
TABLE = json.loads((ROOT / "tests" / "reference" / "physics-values.json").read_text(encoding="utf-8"))
ROWS: dict[str, Any] = {row["id"]: row for row in TABLE if row["id"].startswith("EL-")}
COUNT = 35  # ids when the table was copied

REGISTER = [name for name in ROWS if name.startswith("EL-T")]
SCRATCHPAD = [name for name in ROWS if name.startswith("EL-S")]
ROM = ["EL-10", "EL-20", "EL-21", "EL-22", "EL-23"]
ALONE = ["EL-01", "EL-02", "EL-03", "EL-11", "EL-12", "EL-30", "EL-31", "EL-60"]
ELSEWHERE = {"EL-50": "test_sizing.py", "EL-61": "test_sizing.py"}
EXCUSED = {
    "EL-40": "thermistors: the frame has digital probes only",
    "EL-41": "as EL-40; the source itself has a misprint",
    "EL-42": "as EL-40",
    "EL-51": "from memory, and nobody here measures acid; rest voltage is EL-50",
}


def hexed(text: str) -> bytes:
    """Bytes written as in the table."""
    return bytes.fromhex(text.replace(" ", ""))


def test_every_id_is_tested_here_or_there_or_excused() -> None:
    """No id of the electrics is forgotten, and none stands in two lists."""
    lists = [REGISTER, SCRATCHPAD, ROM, ALONE, list(ELSEWHERE), list(EXCUSED)]
    named = [name for part in lists for name in part]
    assert sorted(named) == sorted(ROWS)
    assert len(ROWS) == COUNT
    text = Path(__file__).read_text(encoding="utf-8")
    assert all(len(re.findall(f"[\"']{name}[\"']", text)) >= 2 for name in ALONE), "named in a list and used in a test"
    for name, file in ELSEWHERE.items():
        assert f'"{name}"' in (Path(__file__).parent / file).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", REGISTER)
def test_register_to_celsius(name: str) -> None:
    """The register becomes the printed temperature, cut to thousandths. Source: EL-T rows, data sheet table."""
    register = hexed(ROWS[name]["inputs"]["hex"])
    raw = probes.scratchpad_raw(bytes(reversed(register)) + bytes(7))
    assert raw == ROWS[name]["inputs"]["raw"]
    assert probes.raw_mdegc(raw) == int(ROWS[name]["expected"] * 1000 // 1)


@pytest.mark.parametrize("name", SCRATCHPAD)
def test_checksum_of_a_scratchpad(name: str) -> None:
    """Eight bytes have the printed ninth, and read as the printed temperature. Source: EL-S rows."""
    data, wanted = hexed(ROWS[name]["inputs"]["bytes"]), ROWS[name]["expected"]
    assert probes.crc8(data) == int(wanted["crc"], 16)
    assert probes.raw_mdegc(probes.scratchpad_raw(data + b"\0")) == int(wanted["T_C"] * 1000 // 1)


@pytest.mark.parametrize("name", ROM)
def test_checksum_of_a_rom_code(name: str) -> None:
    """Seven bytes have the printed eighth, with which the sum is nil. Source: EL-10, EL-20 to EL-23."""
    data, wanted = hexed(ROWS[name]["inputs"]["bytes"]), int(ROWS[name]["expected"], 16)
    assert probes.crc8(data) == wanted
    assert probes.crc8(data + bytes([wanted])) == 0


def test_checksum_of_the_catalogue_and_its_table() -> None:
    """Check string and table are those of the published sum. Source: EL-11, EL-12, application note 27."""
    assert probes.crc8(ROWS["EL-11"]["inputs"]["ascii"].encode()) == int(ROWS["EL-11"]["expected"], 16)
    table = [probes.crc8(bytes([n])) for n in (*range(16), 255)]
    assert table == [int(entry, 16) for entry in ROWS["EL-12"]["expected"]]


def test_a_dead_bus_is_no_temperature() -> None:
    """Nine zeros pass the sum and are refused all the same; nine FF fail it. Source: EL-30, EL-31."""
    assert ROWS["EL-30"]["expected"] == {"crc_ok": True, "must_reject": True}
    assert probes.crc8(bytes(9)) == 0
    assert probes.form_of(bytes(9)) != probes.GOOD
    ones = b"\xff" * 9
    assert probes.crc8(ones[:8]) == int(ROWS["EL-31"]["expected"]["crc_of_first_8"], 16)
    assert probes.form_of(ones) != probes.GOOD


def test_power_on_value_and_time_to_measure() -> None:
    """85.0 is known as the power-on value; a measurement gets the longest time of 12 bits. Source: EL-01, EL-02."""
    assert int(ROWS["EL-01"]["inputs"]["hex"], 16) == probes.POWER_ON_RAW
    assert probes.raw_mdegc(probes.POWER_ON_RAW) == ROWS["EL-01"]["expected"] * 1000
    assert max(ROWS["EL-02"]["expected"]["max_ms"]) <= one_wire.CONVERT_MS


def test_the_pages_ask_for_such_probes_and_cables() -> None:
    """Parts page and wiring page name the published accuracy and branch length. Source: EL-03, EL-60."""
    low, high = ROWS["EL-03"]["inputs"]["range_C"]
    parts = (ROOT / "hardware" / "parts.md").read_text(encoding="utf-8")
    assert f"+-{ROWS['EL-03']['expected']} K from {low} to {high} degC" in parts
    wiring = re.sub(r"\s+", " ", (ROOT / "hardware" / "wiring.md").read_text(encoding="utf-8"))
    assert f"branches below {ROWS['EL-60']['expected']['stub_m']} m" in wiring
