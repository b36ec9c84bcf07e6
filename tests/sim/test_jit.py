"""The folder of compiled code must change when anything that is compiled into something else changes."""

from __future__ import annotations

import ast
from pathlib import Path

from framesim import jit

PACKAGE = Path(jit.__file__).parent


def test_every_file_that_kernels_import_is_in_the_digest() -> None:
    """Starting from the season loop, every module of ours that is imported at the top belongs to the digest."""
    wanted, queue = set(), ["season_loop.py", "drivers.py"]
    outside_the_kernel = {"frame.py", "weather.py"}  # plain Python, nothing of theirs is compiled in
    while queue:
        name = queue.pop()
        if name in wanted or name in outside_the_kernel or not (PACKAGE / name).exists():
            continue
        wanted.add(name)
        for node in ast.parse((PACKAGE / name).read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("framesim"):
                parts = node.module.split(".")
                modules = [parts[1]] if len(parts) > 1 else [alias.name for alias in node.names]
                queue += [f"{module}.py" for module in modules]
    assert wanted <= set(jit.SHARED)


def test_an_edit_changes_the_digest() -> None:
    """The digest is made of file contents: the same files give the same digest."""
    assert jit._digest() == jit._digest()
    assert len(jit._digest()) == 16
