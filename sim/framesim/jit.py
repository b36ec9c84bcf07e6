"""One decorator for every function of the kernel: compiled by numba where it is there, plain Python where not.

Set SASHKEEPER_NO_JIT=1 to run without compiling (slow, for stepping through and for tests).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])

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
    return numba.njit(cache=True, nogil=True, error_model="numpy")(function)  # type: ignore[no-any-return]


def loop_jit(function: Function) -> Function:
    """As kernel_jit, but not kept on disk: for loops that are built around a policy at run time."""
    if not COMPILED:
        return function
    return numba.njit(nogil=True, error_model="numpy")(function)  # type: ignore[no-any-return]
