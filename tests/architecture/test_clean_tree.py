"""What must never be in the tree."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
AGREED = {
    ".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "SECURITY.md",
    "controller", "docs", "hardware", "host", "pyproject.toml", "sim", "tests",
}  # fmt: skip
HOME_PATH = re.compile(r"(?<![\w.])/(home|root|Users)/[a-z]")


def tracked() -> list[Path]:
    """Every file that git tracks."""
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True).stdout
    return [ROOT / name for name in names.split("\0") if name]


def test_top_level_is_the_agreed_one() -> None:
    """A newcomer must find the agreed folders and nothing beside them."""
    assert {path.relative_to(ROOT).parts[0] for path in tracked()} <= AGREED


def test_no_path_of_one_machine() -> None:
    """A file must not name somebody's home folder."""
    bad = []
    for path in tracked():
        if path.suffix in {".gz", ".png", ".mpy"} or not path.is_file():
            continue
        for number, line in enumerate(path.read_text(errors="replace").splitlines(), 1):
            if HOME_PATH.search(line):
                bad.append(f"{path.relative_to(ROOT)}:{number}")
    assert not bad


def test_no_private_key_or_token_in_the_tree() -> None:
    """Secrets are made on the grower's machine, never shipped."""
    marks = ("BEGIN PRIVATE" + " KEY", "BEGIN RSA PRIVATE" + " KEY", "BEGIN EC PRIVATE" + " KEY")
    for path in tracked():
        if path.is_file():
            text = path.read_bytes()
            assert not any(mark.encode() in text for mark in marks), path
