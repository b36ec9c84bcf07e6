"""Put the MicroPython runtime, as a file that the user brings, on a bare board.

ESP family: through esptool over the serial line. RP2 family: the board shows
itself as a drive when its start button is held while it is plugged in.
"""

from __future__ import annotations

import importlib
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sashkeeper.errors import InputError, JobError

# Source: the published UF2 format and its list of families; from memory.
UF2_BLOCK, UF2_MAGIC = 512, (0x0A324655, 0x9E5D5157, 0x0AB16F30)
UF2_HAS_FAMILY = 0x2000
UF2_FAMILIES = {0xE48BFF56: "RP2040", 0xE48BFF59: "RP2350"}
UF2_MARK = "INFO_UF2.TXT"
ESP_MAGIC = 0xE9  # Source: image format of the ESP family's boot loader
ESP_LEAST = 100_000  # bytes; a runtime is ten times larger


@dataclass(frozen=True)
class Runtime:
    """A checked image. kind "uf2" or "esp"; chip a name (uf2) or the maker's chip number (esp)."""

    kind: str
    chip: str
    data: bytes


def read(path: Path) -> Runtime:
    """Read and check an image file. Raises InputError with what is wrong with it."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}.") from None
    if data[:4] == struct.pack("<I", UF2_MAGIC[0]):
        return Runtime("uf2", _uf2_family(path, data), data)
    if data[:1] == bytes([ESP_MAGIC]):
        if len(data) < ESP_LEAST:
            raise InputError(f"{path} is too short ({len(data)} bytes) for a runtime. Fetch it again.")
        return Runtime("esp", str(struct.unpack_from("<H", data, 12)[0]), data)
    raise InputError(
        f"{path} is no runtime image for these boards: it begins neither like a .uf2 (RP2 family) nor like a .bin "
        "(ESP family). Take the image for exactly your board."
    )


def _uf2_family(path: Path, data: bytes) -> str:
    """Check every block and return the family's name."""
    if len(data) % UF2_BLOCK:
        raise InputError(f"{path} is cut short: its size is not a multiple of {UF2_BLOCK}. Fetch it again.")
    families = set()
    for at in range(0, len(data), UF2_BLOCK):
        first, second, flags = struct.unpack_from("<III", data, at)
        if (first, second, struct.unpack_from("<I", data, at + UF2_BLOCK - 4)[0]) != UF2_MAGIC:
            raise InputError(f"{path} is damaged at byte {at}. Fetch it again.")
        if flags & UF2_HAS_FAMILY:
            families.add(struct.unpack_from("<I", data, at + 28)[0])
    known = [UF2_FAMILIES[family] for family in families if family in UF2_FAMILIES]
    if not known:
        raise InputError(f"{path} is not for the RP2040 or RP2350. Take the image for exactly your board.")
    return known[0]


def drives(roots: list[Path] | None = None) -> list[Path]:
    """Return the mounted drives that are boards waiting for an image."""
    found = []
    for root in roots if roots is not None else _mount_roots():
        try:
            inside = [root, *sorted(path for path in root.iterdir() if path.is_dir())]
            found += [path for path in inside if (path / UF2_MARK).is_file()]
        except OSError:
            continue
    return found


def _mount_roots() -> list[Path]:
    if os.name == "nt":
        return [Path(f"{letter}:/") for letter in "DEFGHIJKLMNOPQRSTUVWXYZ"]
    user = os.environ.get("USER", "")
    return [Path("/Volumes"), Path("/media") / user, Path("/run/media") / user, Path("/media")]


def write_uf2(runtime: Runtime, roots: list[Path] | None = None) -> Path:
    """Copy the image onto the one waiting board; return its drive. Raises JobError when there is none or several."""
    found = drives(roots)
    if len(found) != 1:
        many = ", ".join(str(path) for path in found)
        raise JobError(
            f"Several boards wait for an image ({many}). Unplug all but one." if found else
            "No board waits for an image. Hold its start button (BOOT or BOOTSEL) while you plug it in, then try again."
        )  # fmt: skip
    info = (found[0] / UF2_MARK).read_text(errors="replace")
    if runtime.chip not in info.replace("-", "").upper():
        shown = info.strip().splitlines()[-1][:60] if info.strip() else "nothing"
        raise InputError(f"The image is for the {runtime.chip}, the board says: {shown}. Nothing was written.")
    target = found[0] / "runtime.uf2"
    try:
        with open(target, "wb") as out:
            out.write(runtime.data)
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise JobError(f"The image could not be copied to {found[0]}: {error.strerror}. Try again.") from error
    return found[0]


def write_esp(runtime: Runtime, port: str, tool: Any = None) -> str:
    """Erase the chip and write the image; return the chip's name. All that was on the board is gone.

    tool: stands in for esptool in tests.
    """
    tool = tool or importlib.import_module("esptool")
    try:
        with tool.detect_chip(port) as chip:
            name, number = str(chip.CHIP_NAME), int(chip.IMAGE_CHIP_ID)
            if str(number) != runtime.chip:
                raise InputError(
                    f"The image is for another chip of the family than the {name} on {port}. Nothing was written. "
                    "Take the image for exactly your board."
                )
            stub = tool.run_stub(chip)
            tool.attach_flash(stub)
            tool.erase_flash(stub)
            tool.write_flash(stub, [(int(chip.BOOTLOADER_FLASH_OFFSET), runtime.data)])
            tool.reset_chip(stub, "hard-reset")
            return name
    except (OSError, tool.FatalError) as error:
        raise JobError(
            f"The chip on {port} did not take the image ({error}). Hold its BOOT button while you plug it in, "
            "and run the command again."
        ) from error
