"""The firmware loader: whatever was cut off, a whole folder starts."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import zlib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
LOADER = ROOT / "controller" / "loader.py"
MICROPYTHON = shutil.which("micropython")


@pytest.fixture
def loader(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The loader as a module; sys.path is put back afterwards."""
    spec = importlib.util.spec_from_file_location("board_loader", LOADER)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(sys, "path", list(sys.path))
    return module


def manifest(folder: Path, number: int) -> bytes:
    """The bytes of a manifest for the files of a folder."""
    files = []
    for path in sorted(folder.rglob("*.py")):
        data = path.read_bytes()
        files.append([str(path.relative_to(folder)), len(data), zlib.crc32(data)])
    line = json.dumps({"v": 1, "n": number, "version": f"0.{number}", "files": files}).encode()
    return line + b"\n%08x" % zlib.crc32(line)


def install(root: Path, name: str, number: int) -> Path:
    """Make a whole firmware folder whose `sash` says its number."""
    folder = root / name
    (folder / "sash").mkdir(parents=True, exist_ok=True)
    (folder / "sash" / "__init__.py").write_text(f"NUMBER = {number}\n" + "# padding\n" * 90)
    (folder / "sash" / "more.py").write_text("MORE = 1\n")
    (folder / "manifest.json").write_bytes(manifest(folder, number))
    return folder


def picked(loader: ModuleType, root: Path) -> str | None:
    """Which folder would run."""
    folder, _ = loader.pick(f"{root}/")
    return None if folder is None else Path(folder).name


def test_the_newer_of_two_whole_folders_runs(loader: ModuleType, tmp_path: Path) -> None:
    """Of two whole folders the one with the higher number runs, whichever its name."""
    assert picked(loader, tmp_path) is None
    install(tmp_path, "b", 1)
    assert picked(loader, tmp_path) == "b"
    install(tmp_path, "a", 2)
    assert picked(loader, tmp_path) == "a"
    install(tmp_path, "b", 3)
    assert picked(loader, tmp_path) == "b"


def test_a_manifest_cut_at_every_byte_leaves_the_old_folder(loader: ModuleType, tmp_path: Path) -> None:
    """A manifest that was cut off anywhere does not count; only the last byte makes it whole."""
    install(tmp_path, "a", 1)
    path = install(tmp_path, "b", 2) / "manifest.json"
    whole = path.read_bytes()
    for length in range(len(whole)):
        path.write_bytes(whole[:length])
        assert picked(loader, tmp_path) == "a", length
    path.write_bytes(whole)
    assert picked(loader, tmp_path) == "b"


def test_every_flipped_bit_of_the_manifest_is_seen(loader: ModuleType, tmp_path: Path) -> None:
    """One wrong bit in the manifest makes the folder not count."""
    install(tmp_path, "a", 1)
    path = install(tmp_path, "b", 2) / "manifest.json"
    whole = path.read_bytes()
    for bit in range(len(whole) * 8):
        bad = bytearray(whole)
        bad[bit // 8] ^= 1 << bit % 8
        if bytes(bad).lower() == whole:  # the mark may be written in capitals
            continue
        path.write_bytes(bad)
        assert picked(loader, tmp_path) == "a", bit


def test_flipped_bits_short_and_missing_files_are_seen(loader: ModuleType, tmp_path: Path) -> None:
    """A file with one wrong bit, a byte missing or gone altogether makes its folder not count."""
    install(tmp_path, "a", 1)
    path = install(tmp_path, "b", 2) / "sash" / "__init__.py"
    whole = path.read_bytes()
    for bit in range(0, len(whole) * 8, 7):
        bad = bytearray(whole)
        bad[bit // 8] ^= 1 << bit % 8
        path.write_bytes(bad)
        assert picked(loader, tmp_path) == "a", bit
    path.write_bytes(whole[:-1])
    assert picked(loader, tmp_path) == "a"
    path.unlink()
    assert picked(loader, tmp_path) == "a"


def test_a_trial_that_never_settles_loses_after_three_starts(loader: ModuleType, tmp_path: Path) -> None:
    """New firmware gets three starts; unless one of them settles, the old one runs from then on."""
    install(tmp_path, "a", 1)
    (install(tmp_path, "b", 2) / "trial").touch()
    root = f"{tmp_path}/"
    assert [Path(loader.use(root)).name for _ in range(5)] == ["b", "b", "b", "a", "a"]
    (tmp_path / "b" / "trial").unlink()
    assert Path(loader.use(root)).name == "b"


def test_a_settled_trial_stays(loader: ModuleType, tmp_path: Path) -> None:
    """Firmware that ran well for long is not on trial any more."""
    install(tmp_path, "a", 1)
    (install(tmp_path, "b", 2) / "trial").touch()
    folder = loader.use(f"{tmp_path}/")
    loader.settle(folder)
    loader.settle(folder)
    assert all(Path(loader.use(f"{tmp_path}/")).name == "b" for _ in range(5))


def test_a_tired_trial_still_runs_when_it_is_all_there_is(loader: ModuleType, tmp_path: Path) -> None:
    """With no other whole folder, firmware that failed its trial is better than none."""
    (install(tmp_path, "a", 1) / "trial").write_bytes(b"xxx")
    assert picked(loader, tmp_path) == "a"


def test_service_is_asked_for_once(loader: ModuleType, tmp_path: Path) -> None:
    """The request to stay idle holds for one start only."""
    (tmp_path / "service").touch()
    assert loader.service(f"{tmp_path}/") is True
    assert loader.service(f"{tmp_path}/") is False


def test_damaged_manifests_never_raise(loader: ModuleType, tmp_path: Path) -> None:
    """Nonsense with a right checksum is turned away, too."""
    folder = install(tmp_path, "a", 1)
    for line in (b"", b"[]", b"{}", b'{"v":2,"n":1,"files":[["x",1,1]]}', b'{"v":1,"n":1,"files":[["x"]]}', b"\xff"):
        (folder / "manifest.json").write_bytes(line + b"\n%08x" % zlib.crc32(line))
        assert picked(loader, tmp_path) is None, line


def test_the_same_on_micropython(tmp_path: Path) -> None:
    """The interpreter of the boards picks, counts and imports from the right folder."""
    if MICROPYTHON is None:
        pytest.skip("no MicroPython for this platform")
    install(tmp_path, "a", 1)
    (install(tmp_path, "b", 2) / "trial").touch()
    shutil.copy(LOADER, tmp_path / "loader.py")
    numbers = []
    for _ in range(4):
        done = subprocess.run(
            [MICROPYTHON, "-X", "heapsize=64K", "-c", "import loader; loader.use(); import sash; print(sash.NUMBER)"],
            cwd=tmp_path, env={**os.environ, "MICROPYPATH": f"{tmp_path}:.frozen"}, capture_output=True, text=True,
            timeout=30,
        )  # fmt: skip
        numbers.append(done.stdout.strip() or done.stderr)
    assert numbers == ["2", "2", "2", "1"]


def run_main(root: Path, case: str) -> list[str]:
    """Run main.py on MicroPython in a board's root, with a make-believe app; return what happened."""
    if MICROPYTHON is None:
        pytest.skip("no MicroPython for this platform")
    here = Path(__file__).parent / "fake_machine" / "main_case.py"
    path = f"{ROOT / 'controller'}:.frozen"
    done = subprocess.run(
        [MICROPYTHON, str(here), case], cwd=root, env={**os.environ, "MICROPYPATH": path}, capture_output=True,
        text=True, timeout=30,
    )  # fmt: skip
    calls: list[str] = json.loads(done.stdout.splitlines()[-1]) if done.stdout else [done.stderr]
    return calls


def test_main_ends_the_trial_only_after_long_enough(tmp_path: Path) -> None:
    """The trial of a folder ends when the firmware has run for the settling time, not before."""
    (tmp_path / "fittings.json").write_text('{"frame": "north"}')
    trial = install(tmp_path, "a", 1) / "trial"
    trial.touch()
    assert run_main(tmp_path, "plain") == ["ran north"]
    assert trial.read_bytes() == b"x"
    assert run_main(tmp_path, "settles") == ["ran north"]
    assert not trial.exists()


def test_main_stops_the_motor_for_somebody_at_the_console(tmp_path: Path) -> None:
    """An interrupt from the serial line takes the motor's power before the console opens."""
    (tmp_path / "fittings.json").write_text('{"frame": "north"}')
    assert run_main(tmp_path, "console") == ["ran north", "safe", "interrupted"]


def test_main_stays_idle_when_service_is_asked_for(tmp_path: Path) -> None:
    """A start in service does nothing, the one after it runs."""
    (tmp_path / "fittings.json").write_text('{"frame": "north"}')
    (tmp_path / "service").touch()
    assert run_main(tmp_path, "plain") == []
    assert run_main(tmp_path, "plain") == ["ran north"]


def test_main_with_damaged_fittings_leaves_the_lid(tmp_path: Path) -> None:
    """Fittings that cannot be read stop the start with a sentence, not with a restart for ever."""
    (tmp_path / "fittings.json").write_text("{")
    assert run_main(tmp_path, "plain") == []
