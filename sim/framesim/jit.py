"""One decorator for every function of the kernel: compiled by numba where it is there, plain Python where not.

Compiled code is kept on disk, because compiling takes many seconds. numba looks only at the file
in which a function stands, not at the functions it calls; so the folder's name carries a
digest of all kernel files, and an edit in any of them compiles anew.

Set SASHKEEPER_NO_JIT=1 to run without compiling (slow, for stepping through and for tests).
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

Function = TypeVar("Function", bound=Callable[..., Any])

STALE_S = 30 * 86400.0

try:
    if os.environ.get("SASHKEEPER_NO_JIT"):
        raise ImportError
    import numba

    COMPILED = True
except ImportError:
    COMPILED = False


def kernel_jit(function: Function) -> Function:
    """Compile a function of numbers and float64 arrays; the compiled code is kept on disk.

    Division by zero gives inf as in numpy, and the interpreter lock is let go, so
    that several threads can run winters side by side.
    """
    if not COMPILED:
        return function
    compiler: Any = numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
    return cast(Function, compiler(function))


def loop_jit(function: Function) -> Function:
    """As kernel_jit, but not kept on disk: for loops that are built around a decision function at run time."""
    if not COMPILED:
        return function
    compiler: Any = numba.njit(nogil=True, error_model="numpy")
    return cast(Function, compiler(function))


# The files whose functions or constants are compiled into others. numba sees changes in all other files by itself.
SHARED = (
    "convection.py",
    "drivers.py",
    "glazing.py",
    "heat_balance.py",
    "jit.py",
    "layout.py",
    "light.py",
    "longwave.py",
    "moist_air.py",
    "policies.py",
    "season_loop.py",
    "season_steps.py",
    "sky.py",
    "solar.py",
    "tangents.py",
    "ventilation.py",
)
# The law is compiled into the loop that carries it.
LAW = "sash.lid_law"


def _digest() -> str:
    seen = hashlib.sha256()
    for name in SHARED:
        seen.update(Path(__file__).with_name(name).read_bytes())
    law = importlib.util.find_spec(LAW)
    if law is not None and law.origin is not None:
        seen.update(Path(law.origin).read_bytes())
    return seen.hexdigest()[:16]


def _keep_compiled_code() -> None:
    """Point numba to this package's own folder, and clear folders of other versions unused for a month."""
    if os.environ.get("NUMBA_CACHE_DIR"):
        return
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "sashkeeper"
    folder = home / f"kernel-{_digest()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        os.utime(folder)
        for other in home.glob("kernel-*"):
            if time.time() - other.stat().st_mtime > STALE_S:
                shutil.rmtree(other, ignore_errors=True)
    except OSError:
        return  # a read-only home: numba then finds a place of its own
    config: Any = numba.config
    config.CACHE_DIR = str(folder)


if COMPILED:
    _keep_compiled_code()
