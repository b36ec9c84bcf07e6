"""Put firmware and fittings on a board, so that power may go at any moment.

Order of an install:
 1 read what is there; refuse an older version unless told
 2 root files, each in one move (a blank board: loader first, main.py last)
 3 the idle folder: its manifest goes first, so that it cannot be picked while half
 4 its files, each read back by its checksum
 5 a trial mark, then the manifest, last: from this byte on the new firmware is in charge
 6 ask the board's own loader which folder it would run

Cut anywhere, the next start runs the old firmware or, after 5, the new one.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sashkeeper.board.image import Image
from sashkeeper.board.wire import BoardFault, BoardWire
from sashkeeper.errors import InputError

FOLDERS = ("a", "b")
FITTINGS = "fittings.json"
Told = Callable[[str], None]


@dataclass(frozen=True)
class Status:
    """What a board says about itself.

    platform     "esp32", "rp2", "linux" ...; interpreter its version, "" when it runs none of ours
    running      folder that the next start picks, None when there is no whole one
    versions     folder -> (install number, version) of whole folders
    frame        name in its fittings, None when it has none
    """

    platform: str
    interpreter: str
    running: str | None
    versions: dict[str, tuple[int, str]]
    frame: str | None
    has_loader: bool


def status(wire: BoardWire) -> Status:
    """Look at a board. Raises BoardGone, BoardFault."""
    wire.run("import sys", "start")
    platform = str(wire.ask("sys.platform", "say what it is"))
    version = ".".join(str(part) for part in wire.ask("tuple(sys.implementation[1][:3])", "say its version"))
    names = wire.names()
    running: str | None = None
    versions: dict[str, tuple[int, str]] = {}
    if "loader.py" in names:
        running, versions = _folders(wire)
    return Status(platform, version, running, versions, _frame_of(wire), "loader.py" in names)


def _folders(wire: BoardWire) -> tuple[str | None, dict[str, tuple[int, str]]]:
    """Ask the board's loader, the very one that decides at start. A loader that is damaged counts as none."""
    try:
        wire.run("import sys\nsys.modules.pop('loader', None)\nimport loader", "read its loader")
    except BoardFault:
        return None, {}
    running = wire.ask("loader.pick()[0]", "check its firmware")
    versions = {}
    for folder in FOLDERS:
        found = wire.ask(f"(lambda m: m and (m['n'], m['version']))(loader.intact({folder!r}))", "check its firmware")
        if found:
            versions[folder] = (int(found[0]), str(found[1]))
    return running, versions


def _frame_of(wire: BoardWire) -> str | None:
    data = wire.read(FITTINGS)
    try:
        frame = json.loads(data)["frame"] if data else None
    except (ValueError, KeyError, TypeError):
        return None
    return str(frame) if frame is not None else None


def version_key(version: str) -> tuple[int, ...]:
    """Order of versions like 0.10.2."""
    return tuple(int("".join(c for c in part if c.isdigit()) or 0) for part in version.split("."))


def install(wire: BoardWire, image: Image, older: bool = False, told: Told = lambda _: None) -> str:
    """Put the image on the board; return the folder it is in. Raises InputError for an older version."""
    before = status(wire)
    newest = max((version for _, version in before.versions.values()), key=version_key, default="")
    if newest and version_key(image.version) < version_key(newest) and not older:
        raise InputError(
            f"The board has firmware {newest}, which is newer than {image.version}. Nothing was changed. "
            "Update sashkeeper, or say --older if you want the older one."
        )
    _put_root_files(wire, image, blank=not before.has_loader, told=told)
    running, versions = _folders(wire)
    folder = "b" if running == "a" else "a"
    number = max((n for n, _ in versions.values()), default=0) + 1
    wire.remove(f"{folder}/manifest.json")
    _put_files(wire, image, folder, told)
    if running is not None:
        wire.write(f"{folder}/trial", b"")
    else:
        wire.remove(f"{folder}/trial")
    manifest = image.manifest(number)
    wire.write(f"{folder}/manifest.json", manifest)
    picked, _ = _folders(wire)
    if picked != folder:
        raise BoardFault(
            "The board does not accept what was written: its flash may be worn or full. "
            "It keeps running what it had. Free some space or change the board."
        )
    told(f"Firmware {image.version} is in folder {folder} and starts next.")
    return folder


def _put_root_files(wire: BoardWire, image: Image, blank: bool, told: Told) -> None:
    # main.py last: without it a board sits still, with it but no loader it would stumble.
    for name in sorted(image.root_files, key=("loader.py", "boot.py", "main.py").index):
        data = image.root_files[name]
        if wire.sha256(name) != hashlib.sha256(data).digest():
            if blank and name == "main.py":
                told("This board is new to us: writing its start files.")
            wire.replace(name, data)


def _put_files(wire: BoardWire, image: Image, folder: str, told: Told) -> None:
    made = set()
    for path in [f"{folder}/x", *(f"{folder}/{name}" for name in sorted(image.files))]:
        parts = path.split("/")[:-1]
        for depth in range(1, len(parts) + 1):
            parent = "/".join(parts[:depth])
            if parent not in made:
                wire.make_folder(parent)
                made.add(parent)
    _remove_leftovers(wire, image, folder)
    for count, (name, data) in enumerate(sorted(image.files.items()), 1):
        path, digest = f"{folder}/{name}", hashlib.sha256(data).digest()
        if wire.sha256(path) == digest:
            continue  # a try that was cut off got this far
        wire.write(path, data)
        if wire.sha256(path) != digest:
            raise BoardFault(f"{path} does not read back as written. The board keeps running what it had.")
        told(f"{count} of {len(image.files)}: {name}")


def _remove_leftovers(wire: BoardWire, image: Image, folder: str) -> None:
    """Modules of an earlier version must not be imported by mistake (a .py would win over our .mpy)."""
    wanted = {f"{folder}/{name}" for name in image.files}
    for parent in sorted({path.rsplit("/", 1)[0] for path in wanted}):
        for name in wire.names(parent):
            path = f"{parent}/{name}"
            if path not in wanted and (name.endswith((".py", ".mpy"))):
                wire.remove(path)


def roll_back(wire: BoardWire) -> str:
    """Make the other whole folder run from the next start on; return it. Raises InputError when there is none."""
    running, versions = _folders(wire)
    others = [folder for folder in versions if folder != running]
    if running is None or not others:
        raise InputError("There is no other whole firmware on this board to go back to. Nothing was changed.")
    if versions[others[0]][0] < versions[running][0]:
        wire.remove(f"{running}/manifest.json")
    picked, _ = _folders(wire)
    if picked != others[0]:
        raise InputError("The board already runs the older of its two. Nothing was changed.")
    return others[0]


def put_fittings(wire: BoardWire, fittings: dict[str, Any]) -> None:
    """Write the fittings in one move and read them back."""
    data = json.dumps(fittings, indent=1, sort_keys=True).encode()
    wire.replace(FITTINGS, data)
    if wire.read(FITTINGS) != data:
        raise BoardFault("The fittings do not read back as written. Run the command again.")


def get_fittings(wire: BoardWire) -> dict[str, Any] | None:
    """Return the board's fittings, None when it has none that can be read."""
    data = wire.read(FITTINGS)
    try:
        found = json.loads(data) if data else None
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
