"""The desk board's lines, and how the firmware is started on a desk and on a real board."""

from __future__ import annotations

import json
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MAIN = ROOT / "controller" / "main_virtual.py"
SENSE = "S 5000 1767225600 1 0 0 12600 -1 5000 1000 0 800 0 0 air=80004b467fff0c1098 soil=-\n"
FITTINGS = {"frame": "north", "key": "", "probes": {"air": "28", "soil": "28"}, "travel_ms": 4000, "end_switches": 1}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with fittings."""
    (tmp_path / "fittings.json").write_text(json.dumps(FITTINGS))
    return tmp_path


def run(interpreter: str, folder: Path, text: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the firmware on some lines of input."""
    words = arguments or (str(folder), "-", "0", "lockstep")
    return subprocess.run([interpreter, str(MAIN), *words], input=text, capture_output=True, text=True, timeout=30)


def test_each_line_is_answered_once(interpreter: str, folder: Path) -> None:
    """S and P are each answered by one A line of nine numbers, Q ends with exit code 0."""
    done = run(interpreter, folder, SENSE + "P\n" + SENSE + "Q\n")
    lines = [line for line in done.stdout.splitlines() if not line.startswith("# ")]
    assert len(lines) == 3
    assert lines[0] == lines[1]
    for line in lines:
        word, *numbers = line.split()
        assert word == "A"
        assert len([int(number) for number in numbers]) == 9
    assert (done.returncode, done.stderr) == (0, "")


def test_end_of_input_is_a_power_cut(interpreter: str, folder: Path) -> None:
    """When the world is gone the firmware must end at once, without an error."""
    done = run(interpreter, folder, SENSE)
    assert (done.returncode, done.stderr) == (0, "")


def test_boots_are_counted_in_the_folder(interpreter: str, folder: Path) -> None:
    """Each start on the same folder is the next boot; a cause left there is used once."""
    from sash.slots import Slots
    from sash.storage import FileStorage

    for expected in (1, 2):
        (folder / "reset-cause").write_text("watchdog")
        run(interpreter, folder, SENSE + "Q\n")
        record = Slots(FileStorage(str(folder))).load("boot")
        assert record is not None
        assert record["boot"] == expected
        assert not (folder / "reset-cause").exists()


@pytest.mark.parametrize("line", ["X\n", "S 1 2\n", "S a b c\n"])
def test_nonsense_on_the_line_is_a_crash_with_a_reset(interpreter: str, folder: Path, line: str) -> None:
    """A line that is none must be written down as a crash, and the firmware must ask for a restart (exit code 3)."""
    done = run(interpreter, folder, SENSE + line)
    assert done.returncode == 3
    assert "# crash:" in done.stdout
    assert done.stdout.splitlines()[-1] == "# reset"


@pytest.mark.parametrize(
    "words",
    [(), ("only",), ("folder", "-", "0", "sideways"), ("no-such-folder", "-", "0", "lockstep")],
)
def test_wrong_usage_is_told_in_a_sentence(interpreter: str, folder: Path, words: tuple[str, ...]) -> None:
    """Wrong arguments and missing fittings end with code 2 and one line that says what to do."""
    done = run(interpreter, folder, "", *(words or ("x",)))
    assert done.returncode == 2
    assert done.stdout.startswith("# ")
    assert len(done.stdout.splitlines()) == 1


def test_real_mode_paces_itself(interpreter: str, folder: Path) -> None:
    """In real mode the firmware asks for each reading with the time that has passed by its own clock."""
    (folder / "fittings.json").write_text(json.dumps({**FITTINGS, "rest_ms": 100}))
    command = [interpreter, str(MAIN), str(folder), "-", "0", "real"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    passed, began_s = [], time.monotonic()
    for _ in range(4):
        word, number = process.stdout.readline().split()
        assert word == "N"
        passed.append(int(number))
        process.stdin.write(SENSE)
        process.stdin.flush()
        assert process.stdout.readline().startswith("A ")
    ended_s = time.monotonic()
    process.stdin.write("Q\n")
    process.stdin.flush()
    assert process.wait(10) == 0
    process.stdout.close()
    process.stdin.close()
    assert min(passed[1:]) >= 100
    assert sum(passed[1:]) <= (ended_s - began_s) * 1000 + 3  # by the same seconds as ours; rounded three times


def test_real_boards_start_without_their_network(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """Damaged or missing network settings must leave the frame without a link, not without its law."""
    import importlib.util

    spec = importlib.util.spec_from_file_location("board_main", ROOT / "controller" / "main.py")
    assert spec is not None
    assert spec.loader is not None
    main = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(main)
    assert main.make_link({"frame": "north"}, object()) is None
    assert main.make_link({"frame": "north", "mqtt": {"port": 1883}}, object()) is None
    assert "network is left out" in capsys.readouterr().out
    with pytest.raises(RuntimeError, match="no board file"):
        main.make_board({})
    monkeypatch.setattr(main, "FITTINGS", "/nonexistent/fittings.json")
    main.main()
    assert "cannot be read" in capsys.readouterr().out
