"""Firmware over the air: in order, resumed after cuts, refused when anything about it is wrong."""

from __future__ import annotations

import importlib.util
import os
import random
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from sash import signing, update_pack
from sashkeeper.board.image import Image
from sashkeeper.board.pack import SLICE_BYTES, Sender

ROOT = Path(__file__).resolve().parents[2]
TOPIC, KEY = "frames/north/update", bytes(range(32))
NOW = 1_800_000_000


def the_loader() -> ModuleType:
    """controller/loader.py."""
    spec = importlib.util.spec_from_file_location("pack_loader", ROOT / "controller" / "loader.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


LOADER = the_loader()


def image(version: str = "0.2.0", seed: int = 1) -> Image:
    """A firmware of four modules, one of them empty. Contents are random."""
    noise = random.Random(seed)
    files = {"sash/__init__.mpy": noise.randbytes(150), "sash/app.mpy": noise.randbytes(2500),
             "sash/boards/__init__.mpy": b"", "sash/boards/rp2.mpy": noise.randbytes(900)}  # fmt: skip
    return Image(files, {}, version)


def receiver(root: Path, running: tuple[int, str] = (3, "0.1.0")) -> Any:
    """The board's side, as it comes up after a restart."""
    return update_pack.Receiver(f"{root}/b", TOPIC, KEY, running, LOADER.file_crc)


def sender(made: Image | None = None, number: int = 4, key: bytes = KEY, n: int = 10) -> Sender:
    """The host's side."""
    return Sender(made or image(), number, TOPIC, key, n)


def put(board: Any, payload: bytes, at_rest: int = 1, freezing: int = 0, unix_s: int = NOW) -> dict[str, Any]:
    """Hand a message to the board."""
    answer: dict[str, Any] = board.handle(payload, at_rest, freezing, unix_s)
    return answer


def send_all(board: Any, host: Sender, each: Callable[[Any], Any] = lambda board: board) -> Any:
    """Send until the pack is whole or refused; `each` may restart the board after every message."""
    answer = put(board, host.begin())
    while (message := host.answered(answer)) is not None:
        board = each(board)
        answer = put(board, message)
    return board


def runs(root: Path) -> str | None:
    """The folder that the next start takes."""
    folder, _ = LOADER.pick(f"{root}/")
    return None if folder is None else Path(folder).name


def old(root: Path) -> None:
    """Put a running firmware into folder a."""
    made = image("0.1.0", seed=9)
    for name, data in made.files.items():
        (root / "a" / name).parent.mkdir(parents=True, exist_ok=True)
        (root / "a" / name).write_bytes(data)
    (root / "a" / "manifest.json").write_bytes(made.manifest(3))


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A board's files with an old firmware."""
    old(tmp_path)
    return tmp_path


def test_a_pack_goes_on_and_runs_next(root: Path) -> None:
    """All slices in order, then commit: the new folder is whole, on trial, and starts next."""
    host = sender()
    board = send_all(receiver(root), host)
    assert host.whole
    assert runs(root) == "a"
    host.answered(put(board, host.commit(NOW + 60)))
    assert host.done
    assert runs(root) == "b"
    assert (root / "b" / "trial").read_bytes() == b""
    assert (root / "b" / "sash" / "app.mpy").read_bytes() == image().files["sash/app.mpy"]


def test_every_message_fits_the_boards_limit() -> None:
    """The largest slice in its envelope stays below what a board takes in."""
    host = Sender(Image({"sash/app.mpy": bytes(5000)}, {}, "0.2.0"), 4, "frames/" + "n" * 32 + "/update", KEY, 10)
    message = host.answered({"pack": host.pack, "want": host.total - 5000})
    assert message is not None
    assert len(message) <= signing.MAX_BYTES
    assert len(message) > SLICE_BYTES * 4 / 3


def test_a_board_that_restarts_after_every_message_still_gets_it(root: Path) -> None:
    """Progress lives on the flash alone: a restart after each message costs nothing."""
    host = sender()
    board = send_all(receiver(root), host, each=lambda _: receiver(root))
    assert host.whole
    assert put(board, host.commit(NOW + 60)) == {"pack": host.pack, "done": 1}
    assert runs(root) == "b"


def test_power_cut_at_every_write(root: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Cut at any one file operation: the old firmware starts, or the new one whole, and sending again heals."""
    operations = count_operations(root, tmp_path_factory.mktemp("count"))
    for cut in range(operations):
        spot = tmp_path_factory.mktemp("cut")
        shutil.copytree(root, spot, dirs_exist_ok=True)
        run_cut(spot, cut)
        assert runs(spot) in ("a", "b"), cut
        if runs(spot) == "a":
            host = sender(n=11 + cut)
            board = send_all(receiver(spot), host)
            assert put(board, host.commit(NOW + 60)).get("done") == 1, cut
        assert runs(spot) == "b", cut


class Cut(BaseException):
    """Power is gone."""


def run_cut(root: Path, cut: int) -> int:
    """Send a pack with power cut at the given file operation; return how many operations there were."""
    count = 0

    def one(real: Callable[..., Any]) -> Callable[..., Any]:
        def run(*arguments: Any) -> Any:
            nonlocal count
            count += 1
            if count == cut + 1:
                raise Cut
            return real(*arguments)

        return run

    patch = pytest.MonkeyPatch()
    for name in ("_write", "_remove"):
        patch.setattr(update_pack, name, one(getattr(update_pack, name)))
    patch.setattr(update_pack, "open", one(open), raising=False)
    patch.setattr(update_pack.os, "rename", one(update_pack.os.rename))
    try:
        host = sender()
        board = send_all(receiver(root), host)
        put(board, host.commit(NOW + 60))
    except Cut:
        pass
    finally:
        patch.undo()
    return count


def count_operations(root: Path, spot: Path) -> int:
    """How many file operations an uncut pack takes."""
    shutil.copytree(root, spot, dirs_exist_ok=True)
    return run_cut(spot, 10**9)


def test_a_thousand_changed_packs_change_nothing(root: Path) -> None:
    """One changed bit anywhere in any message: refused, and the pack still comes out right afterwards."""
    host, noise = sender(), random.Random(2)
    board = receiver(root)
    answer = put(board, host.begin())
    messages = [host.begin()]
    while (message := host.answered(answer)) is not None:
        messages.append(message)
        answer = put(board, message)
    messages.append(host.commit(NOW + 60))
    shutil.rmtree(root / "b")
    board = receiver(root)
    put(board, messages[0])
    for _ in range(1000):
        bad = bytearray(noise.choice(messages))
        bit = noise.randrange(len(bad) * 8)
        bad[bit // 8] ^= 1 << bit % 8
        assert put(board, bytes(bad)).get("refused") in ("mac", "json", "form", "size"), bytes(bad)
    assert runs(root) == "a"
    board = send_all(receiver(root), host)
    assert put(board, host.commit(NOW + 60)).get("done") == 1


@pytest.mark.parametrize(
    ("made", "word"),
    [
        (lambda: sender(number=3).begin(), "older"),
        (lambda: sender(image("0.0.9")).begin(), "older"),
        (lambda: sender(key=bytes(32)).begin(), "mac"),
        (lambda: sender().commit(NOW + 60), "unknown"),
        (lambda: b"x" * 5000, "size"),
        (lambda: signing.seal(KEY, "frames/south/update", {"n": 1}), "mac"),
        (lambda: signing.seal(KEY, TOPIC, {"n": 1}), "form"),
        (lambda: signing.seal(KEY, TOPIC, {"n": True, "number": 4, "size": 99, "pack": "0" * 64}), "form"),
        (lambda: signing.seal(KEY, TOPIC, {"n": 1, "number": 4, "size": 99, "pack": "0" * 64, "version": "x"}), "form"),
    ],
)
def test_what_is_refused(root: Path, made: Callable[[], bytes], word: str) -> None:
    """Older, foreign, oversized and malformed messages are refused with a word, and nothing changes."""
    assert put(receiver(root), made()) == {"refused": word}
    assert runs(root) == "a"
    assert word in update_pack.REFUSED


@pytest.mark.parametrize(
    ("circumstances", "word"),
    [
        ({"at_rest": 0}, "moving"),
        ({"freezing": 1}, "frost"),
        ({"unix_s": -1}, "clock"),
        ({"unix_s": NOW + 61}, "expired"),
    ],
)
def test_commit_waits_for_a_good_moment(root: Path, circumstances: dict[str, int], word: str) -> None:
    """No change of firmware while the lid moves, in frost, without a clock, or by an order that is too old."""
    host = sender()
    board = send_all(receiver(root), host)
    assert put(board, host.commit(NOW + 60), **circumstances) == {"refused": word}
    assert runs(root) == "a"
    assert put(board, host.commit(NOW + 60)).get("done") == 1


def test_commit_before_the_end_is_refused(root: Path) -> None:
    """A pack that is not whole cannot be put in charge."""
    host = sender()
    board = receiver(root)
    put(board, host.begin())
    assert put(board, host.commit(NOW + 60)) == {"refused": "unfinished"}


def test_slices_out_of_order_are_answered_with_the_place(root: Path) -> None:
    """A slice that comes early, late or twice changes nothing and is answered with where we are."""
    host = sender()
    board = receiver(root)
    first = host.answered(put(board, host.begin()))
    assert first is not None
    second_answer = put(board, first)
    assert put(board, first) == second_answer
    later = host.answered({"pack": host.pack, "want": host.total - 1})
    assert later is not None
    assert put(board, later) == second_answer


def test_an_earlier_pack_cannot_push_out_a_later_one(root: Path) -> None:
    """A replayed begin of an abandoned pack is refused."""
    abandoned, host = sender(image(seed=5), n=10), sender(n=11)
    board = receiver(root)
    put(board, abandoned.begin())
    put(board, host.begin())
    assert put(board, abandoned.begin()) == {"refused": "replayed"}
    assert put(receiver(root), abandoned.begin()) == {"refused": "replayed"}


def test_flash_that_lost_a_bit_is_found_before_the_change(root: Path) -> None:
    """A file that no longer matches is thrown away and asked for again; then it goes through."""
    host = sender()
    board = send_all(receiver(root), host)
    path = root / "b" / "sash" / "app.mpy"
    data = bytearray(path.read_bytes())
    data[7] ^= 1
    path.write_bytes(data)
    assert put(board, host.commit(NOW + 60)) == {"refused": "damaged"}
    assert runs(root) == "a"
    board = send_all(board, host)
    assert put(board, host.commit(NOW + 60)).get("done") == 1


@pytest.mark.parametrize(
    "path", ["../main.py", "main.py", "sash/../../main.py", "sash/x.txt", "/sash/x.py", "sash/" + "x" * 60 + ".py", 5]
)
def test_paths_lead_nowhere_else(path: Any) -> None:
    """A signed manifest still cannot write outside the firmware's folder."""
    with pytest.raises(update_pack.Refused):
        update_pack._check_path(path)


def test_full_flash_is_refused_not_raised(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the flash is answered, never raised into the firmware."""
    host, board = sender(), receiver(root)
    message = host.answered(put(board, host.begin()))
    assert message is not None

    def full(*_: Any) -> Any:
        raise OSError(28, "no space")

    monkeypatch.setattr(update_pack, "open", full, raising=False)
    assert put(board, message) == {"refused": "flash"}


def test_the_same_on_micropython(tmp_path: Path) -> None:
    """The interpreter of the boards takes a pack in, within a small heap."""
    interpreter = shutil.which("micropython")
    if interpreter is None:
        pytest.skip("no MicroPython for this platform")
    case = Path(__file__).parent / "fake_machine" / "pack_case.py"
    env = {**os.environ, "MICROPYPATH": f"{ROOT / 'controller'}:.frozen"}
    done = subprocess.run(
        [interpreter, "-X", "heapsize=128K", str(case), str(tmp_path / "b")], env=env, capture_output=True, text=True,
        timeout=30,
    )  # fmt: skip
    assert done.stdout.split("\n")[:3] == ["['pack', 'whole']", "['done', 'pack']", "0.2.0"], done.stdout + done.stderr
