"""The firmware's files are checked while it runs: every flipped bit within one round, and then nothing moves."""

from __future__ import annotations

import random
import sys
from pathlib import Path
from zlib import crc32

import pytest

from sash.file_rounds import SLICE, FileRounds

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import CoreBench


def install(folder: Path) -> list[list[object]]:
    """A few files of awkward sizes and their manifest."""
    dice = random.Random(5)
    files = []
    for number, size in enumerate((0, 1, SLICE - 1, SLICE, SLICE + 1, 3 * SLICE, 5_000)):
        data = dice.randbytes(size)
        (folder / f"m{number}.mpy").write_bytes(data)
        files.append([f"m{number}.mpy", size, crc32(data)])
    return files


def round_of(rounds: FileRounds) -> list[str]:
    """What one round finds."""
    before, found = rounds.rounds, []
    while rounds.rounds == before:
        if path := rounds.step():
            found.append(path)
    return found


def test_whole_files_are_found_whole(tmp_path: Path) -> None:
    """Whatever their size, again and again."""
    rounds = FileRounds(str(tmp_path), install(tmp_path))
    assert [round_of(rounds) for _ in range(3)] == [[], [], []]


def test_a_thousand_flipped_bits_are_all_found(tmp_path: Path) -> None:
    """Each single flipped bit in any file is named in the round after it; so are cut, grown and missing files."""
    files = install(tmp_path)
    dice = random.Random(6)
    names = [str(path) for path, size, _ in files if size]
    for _ in range(1_000):
        name = dice.choice(names)
        good = (tmp_path / name).read_bytes()
        bad = bytearray(good)
        bad[dice.randrange(len(bad))] ^= 1 << dice.randrange(8)
        (tmp_path / name).write_bytes(bad)
        assert round_of(FileRounds(str(tmp_path), files)) == [name]
        (tmp_path / name).write_bytes(good)
    (tmp_path / "m5.mpy").write_bytes((tmp_path / "m5.mpy").read_bytes()[:SLICE])
    (tmp_path / "m4.mpy").write_bytes(b"x" * 9_000)
    (tmp_path / "m6.mpy").unlink()
    assert round_of(FileRounds(str(tmp_path), files)) == ["m4.mpy", "m5.mpy", "m6.mpy"]


@pytest.mark.parametrize("kilobytes", [150, 300])
def test_a_round_takes_less_than_an_hour(kilobytes: int) -> None:
    """At one slice in five seconds all files of a firmware are through within the hour."""
    assert kilobytes * 1024 / SLICE * 5 <= 3_600


def test_changed_files_stop_the_lid_and_are_told() -> None:
    """Safe mode, the fault self-check with the file's name, and no movement in the greatest heat."""
    bench = CoreBench().run(70)
    bench.core.distrust("sash/x.mpy differs from its manifest")
    bench.temperatures["air"] = 38_000
    bench.run(120)
    assert bench.core.mode == "safe"
    assert bench.at == 0
    assert bench.events("fault")[-1]["fault"] == "self-check"
    assert "sash/x.mpy" in bench.events("fault")[-1]["detail"]
