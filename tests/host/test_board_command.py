"""The board commands as a grower meets them, against a real MicroPython console behind a pseudo-terminal."""

from __future__ import annotations

import json
import shutil
import ssl
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import pytest
from click.testing import CliRunner, Result

from sashkeeper.board import runtime, wire
from sashkeeper.board.bench_parts import Look
from sashkeeper.cli import main
from sashkeeper.commands.board import learn_places
from sashkeeper.errors import InputError, JobError

sys.path.insert(0, str(Path(__file__).parent))
from pty_board import PtyBoard

needs_micropython = pytest.mark.skipif(
    shutil.which("micropython") is None or sys.platform == "win32", reason="no MicroPython for this platform"
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home folder with the frame north."""
    folder = tmp_path / "home"
    assert run(folder, "frames", "add", "north").exit_code == 0
    return folder


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PtyBoard]:
    """A blank board."""
    root = tmp_path / "board"
    root.mkdir()
    with PtyBoard(root) as made:
        yield made


def run(home: Path, *words: str, answers: str = "") -> Result:
    """Run the command line."""
    result = CliRunner().invoke(main, ["--home", str(home), *words], input=answers)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@needs_micropython
def test_install_look_update_back_forget(home: Path, board: PtyBoard) -> None:
    """From a blank board to a set-up one, updated, rolled back, and forgotten."""
    port = ["--port", board.port]
    said = run(home, "board", "install", "north", *port)
    assert said.exit_code == 0, said.output
    assert "does not move on its own yet" in said.output
    fittings = json.loads((board.root / "fittings.json").read_text())
    assert (fittings["frame"], fittings["bench"]) == ("north", 1)
    assert len(fittings["key"]) == 64
    assert "mqtt" not in fittings  # no Wi-Fi was named: the frame works alone
    seen = json.loads(run(home, "board", "look", *port, "--json").stdout)
    assert (seen["running"], seen["frame"]) == ("a", "north")
    assert run(home, "board", "install", "north", *port).exit_code == 0
    assert json.loads(run(home, "board", "look", *port, "--json").stdout)["running"] == "b"
    assert "starts firmware" in run(home, "board", "back", *port).output
    assert json.loads(run(home, "board", "look", *port, "--json").stdout)["running"] == "a"
    assert run(home, "board", "forget", *port, "--yes").exit_code == 0
    assert not (board.root / "fittings.json").exists()
    assert json.loads(run(home, "board", "look", *port, "--json").stdout)["frame"] is None


@needs_micropython
def test_what_was_measured_outlives_an_update(home: Path, board: PtyBoard) -> None:
    """Travel time, probes and a passed bench check stay over an update; the key is the frame's present one."""
    port = ["--port", board.port]
    assert run(home, "board", "install", "north", *port).exit_code == 0
    path = board.root / "fittings.json"
    fittings = json.loads(path.read_text())
    path.write_text(json.dumps({**fittings, "travel_ms": 61_000, "bench": 0, "probes": {"air": "28" + "0" * 14}}))
    assert run(home, "frames", "key", "north", "--yes").exit_code == 0
    assert run(home, "board", "install", "north", *port).exit_code == 0
    again = json.loads(path.read_text())
    assert (again["travel_ms"], again["bench"], again["probes"]) == (61_000, 0, {"air": "28" + "0" * 14})
    assert again["key"] != fittings["key"]


@needs_micropython
def test_figures_of_the_drive_are_taken_and_checked_again(home: Path, board: PtyBoard) -> None:
    """What sizing printed goes onto the board; a changed figure makes the bench check due, the same one does not."""
    install = ["board", "install", "north", "--port", board.port]
    figures = ["--fitting", "travel_ms=33152", "--fitting", "shut_power_permille=770"]
    assert run(home, *install, *figures).exit_code == 0
    path = board.root / "fittings.json"
    fittings = json.loads(path.read_text())
    assert (fittings["travel_ms"], fittings["shut_power_permille"], fittings["bench"]) == (33_152, 770, 1)
    path.write_text(json.dumps({**fittings, "bench": 0}))
    assert run(home, *install, *figures).exit_code == 0
    assert json.loads(path.read_text())["bench"] == 0
    assert run(home, *install, "--fitting", "stall_ma=1100").exit_code == 0
    assert json.loads(path.read_text())["bench"] == 1


@pytest.mark.parametrize(
    ("text", "why"),
    [("speed=3", "names no fitting"), ("stall_ma", "whole number from 100"), ("stall_ma=1e3", "whole number"),
     ("stall_ma=-5", "whole number"), ("travel_ms=9999999", "from 2000 to 300000")],
)  # fmt: skip
def test_a_wrong_figure_is_refused_before_the_board_is_touched(home: Path, text: str, why: str) -> None:
    """One sentence, exit code 2; no port is even opened."""
    said = run(home, "board", "install", "north", "--port", "no-such-port", "--fitting", text)
    assert said.exit_code == 2
    assert why in " ".join(said.output.split())


@needs_micropython
def test_wifi_is_encrypted_unless_said_otherwise(home: Path, board: PtyBoard, tmp_path: Path) -> None:
    """A network without a certificate is refused in a sentence; with one the board is told to check it."""
    port = ["--port", board.port]
    said = run(home, "board", "install", "north", *port, "--wifi", "garden", answers="secret\n")
    assert said.exit_code == 2
    assert "in clear" in said.output
    assert not (board.root / "fittings.json").exists()
    ca = tmp_path / "ca.pem"
    ca.write_text("make-believe certificate")
    said = run(home, "board", "install", "north", *port, "--wifi", "garden", "--ca", str(ca), answers="secret\n")
    assert said.exit_code == 2
    assert "is not a certificate" in said.output
    assert not (board.root / "fittings.json").exists()
    ca.write_text(ssl.DER_cert_to_PEM_cert(b"\x30\x03abc"))
    said = run(home, "board", "install", "north", *port, "--wifi", "garden", "--ca", str(ca), answers="secret\n")
    assert said.exit_code == 0, said.output
    assert "secret" not in said.output
    fittings = json.loads((board.root / "fittings.json").read_text())
    assert fittings["wifi"] == {"ssid": "garden", "password": "secret"}
    assert fittings["mqtt"]["ca"] == "ca.der"
    assert (board.root / "ca.der").read_bytes() == b"\x30\x03abc"


@needs_micropython
def test_another_frames_board_is_not_overwritten(home: Path, board: PtyBoard) -> None:
    """A board that belongs to another frame is left as it is."""
    (board.root / "fittings.json").write_text('{"frame": "south"}')
    said = run(home, "board", "install", "north", "--port", board.port)
    assert said.exit_code == 2
    assert "belongs to south" in said.output
    assert json.loads((board.root / "fittings.json").read_text()) == {"frame": "south"}
    said = run(home, "board", "check", "north", "--port", board.port)
    assert said.exit_code == 2
    assert "not north's" in said.output


def test_rehearsal_of_the_bench_check(home: Path) -> None:
    """The rehearsal passes on a sound simulated frame, and is never taken for the real check."""
    pytest.importorskip("numba")
    said = run(home, "board", "check", "north", "--virtual", "--json")
    assert said.exit_code == 0, said.output
    record = json.loads(said.stdout)
    assert (record["safe"], record["virtual"]) == (True, True)
    assert record["steps"]["hold"] == "passed"
    assert "key" in json.loads(run(home, "frames", "show", "north", "--json").stdout)


def test_ports_are_named_in_sentences(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No port, several ports and a wrong one are each told in a sentence."""
    for there, words, said in (
        ([], [], "carries data"),
        ([("/dev/x0", ""), ("/dev/x1", "")], [], "name one with --port"),
        ([("/dev/x0", "")], ["--port", "/dev/y"], "There is no port /dev/y"),
    ):
        monkeypatch.setattr(wire, "ports", lambda there=there: there)
        result = run(home, "board", "look", *words)
        assert result.exit_code == 2
        assert said in " ".join(result.output.split())
    monkeypatch.setattr(wire, "ports", lambda: [("/dev/x0", "a cable")])
    assert "/dev/x0  a cable" in run(home, "board", "find").output


def block(number: int, family: int = 0xE48BFF56, flags: int = 0x2000) -> bytes:
    """One block of a make-believe image. Source of the layout: the published UF2 format, from memory."""
    head = struct.pack("<IIIIIIII", 0x0A324655, 0x9E5D5157, flags, 0x10000000 + 256 * number, 256, number, 2, family)
    return head + bytes(476) + struct.pack("<I", 0x0AB16F30)


def test_runtime_images_are_checked(tmp_path: Path) -> None:
    """Damaged, cut, foreign and unknown images are refused; good ones say their chip."""
    path = tmp_path / "image"
    for data, said in (
        (block(0) + block(1)[:-1], "cut short"),
        (block(0) + bytes(512), "damaged at byte 512"),
        (block(0, family=1), "not for the RP2040"),
        (b"\xe9" + bytes(50), "too short"),
        (b"hello", "no runtime image"),
    ):
        path.write_bytes(data)
        with pytest.raises(InputError, match=said):
            runtime.read(path)
    with pytest.raises(InputError, match="cannot be read"):
        runtime.read(tmp_path / "none")
    path.write_bytes(block(0) + block(1))
    assert runtime.read(path).chip == "RP2040"
    path.write_bytes(b"\xe9" + bytes(11) + b"\x09\x00" + bytes(200_000))
    assert (runtime.read(path).kind, runtime.read(path).chip) == ("esp", "9")


def test_uf2_goes_onto_the_one_waiting_board(tmp_path: Path) -> None:
    """The image lands on the one drive that is a board of its chip, and on no other."""
    path = tmp_path / "image"
    path.write_bytes(block(0) + block(1))
    ready = runtime.read(path)
    media = tmp_path / "media"
    (media / "stick").mkdir(parents=True)
    with pytest.raises(JobError, match="No board waits"):
        runtime.write_uf2(ready, [media])
    drive = media / "board"
    drive.mkdir()
    (drive / "INFO_UF2.TXT").write_text("Loader\nModel: x\nBoard-ID: RP2350\n")
    with pytest.raises(InputError, match="RP2350"):
        runtime.write_uf2(ready, [media])
    assert not (drive / "runtime.uf2").exists()
    (drive / "INFO_UF2.TXT").write_text("Loader\nModel: x\nBoard-ID: RPI-RP2 RP2040\n")
    assert runtime.write_uf2(ready, [media]) == drive
    assert (drive / "runtime.uf2").read_bytes() == path.read_bytes()
    shutil.copytree(drive, media / "other")
    with pytest.raises(JobError, match="Several boards"):
        runtime.write_uf2(ready, [media])


class FakeChip:
    """Stands in for a connected chip; numbers are those of esptool 5's table."""

    CHIP_NAME, IMAGE_CHIP_ID, BOOTLOADER_FLASH_OFFSET = "ESP32-S3", 9, 0x0

    def __enter__(self) -> FakeChip:
        return self

    def __exit__(self, *_: object) -> None:
        pass


class FakeTool:
    """Stands in for esptool."""

    class FatalError(Exception):
        """As the real one's."""

    def __init__(self, fails: bool = False) -> None:
        self.calls: list[str] = []
        self.written: list[tuple[int, bytes]] = []
        self.fails = fails

    def detect_chip(self, port: str) -> FakeChip:
        """Find the chip, or fail."""
        if self.fails:
            raise FakeTool.FatalError("no serial data received")
        return FakeChip()

    def write_flash(self, chip: Any, data: list[tuple[int, bytes]]) -> None:
        """Record."""
        self.calls.append("write")
        self.written += data

    def run_stub(self, chip: Any) -> Any:
        """Nothing to load."""
        return chip

    def __getattr__(self, name: str) -> Any:
        return lambda *_: self.calls.append(name)


def esp(number: int) -> runtime.Runtime:
    """A make-believe image for a chip number."""
    return runtime.Runtime("esp", str(number), b"\xe9" + bytes(100))


def test_esp_runtime_is_written_at_the_chips_own_place() -> None:
    """The flash is erased, the image written where this chip boots from, the chip restarted."""
    tool = FakeTool()
    assert runtime.write_esp(esp(9), "/dev/x", tool) == "ESP32-S3"
    assert tool.calls == ["attach_flash", "erase_flash", "write", "reset_chip"]
    assert tool.written == [(0x0, esp(9).data)]


def test_esp_runtime_for_another_chip_is_not_written() -> None:
    """An image for another chip of the family changes nothing; a silent chip is a sentence."""
    tool = FakeTool()
    with pytest.raises(InputError, match="another chip"):
        runtime.write_esp(esp(5), "/dev/x", tool)
    assert tool.calls == []
    with pytest.raises(JobError, match="BOOT button"):
        runtime.write_esp(esp(9), "/dev/x", FakeTool(fails=True))


def test_esptool_has_what_we_use() -> None:
    """The real library still offers every call that the stand-in stands in for."""
    tool = pytest.importorskip("esptool")
    for name in ("detect_chip", "run_stub", "attach_flash", "erase_flash", "write_flash", "reset_chip", "FatalError"):
        assert hasattr(tool, name)
    rom = tool.CHIP_DEFS["esp32s3"]
    assert (rom.CHIP_NAME, rom.IMAGE_CHIP_ID, rom.BOOTLOADER_FLASH_OFFSET) == ("ESP32-S3", 9, 0x0)


class Hand:
    """A bench on which the probe that is held gets warmer."""

    def __init__(self) -> None:
        self.held = ""

    def wait(self, ms: int) -> None:
        """Nothing to wait for."""

    def look(self) -> Look:
        """All at 10 degC, the held one at 20. Pads from the data table of the 12-bit 1-Wire thermometer."""
        cold, warm = bytes.fromhex("a2004b467fff0e10e5"), bytes.fromhex("91014b467fff0f1025")
        pads = {name: warm if name == self.held else cold for name in ("probe 1", "probe 2")}
        return Look(pads, 0, 0, 0, 12_600, -1, 0, 0)

    def drive(self, *_: Any) -> NoReturn:
        """Learning places moves nothing."""
        raise AssertionError("the lid was moved")

    def siren(self, on: bool) -> None:
        """Not used."""

    def radio(self) -> bool:
        """Not used."""
        return False


def test_places_of_probes_are_learnt_by_hand() -> None:
    """The warmed probe gets the place; places without a probe are left out."""
    hand = Hand()

    def do(sentence: str) -> None:
        hand.held = "probe 2" if "crop height" in sentence else "probe 1"

    codes = {"probe 1": "28c652b604000023", "probe 2": "283ce7b50400008b"}
    places = learn_places(hand, codes, lambda question: "soil" in question, do)
    assert places == {"air": "283ce7b50400008b", "soil": "28c652b604000023"}
    with pytest.raises(JobError, match="No probe got warmer"):
        learn_places(Hand(), codes, lambda question: False, lambda sentence: None)
