"""The controller's law, compiled: the same source, a private copy.

`law()` gives the law's namespace (decide, START, SENSE, ...) with every
function compiled by numba, or the plain ones where numba is not installed.
The module `sash.lid_law` itself stays plain: its source is run a second time
in a namespace of its own, and the functions are compiled in the order in which
they are written, because a compiled function may only call compiled ones.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from functools import lru_cache
from types import FunctionType, ModuleType, SimpleNamespace
from typing import Any

from sash import lid_law


def compiled_copy(module: ModuleType, jit: Callable[[Any], Any] | None) -> SimpleNamespace:
    """Run the module's source in a new namespace; `jit` is applied to each function in file order.

    Functions named `const` are left alone (they only serve while the file is read).
    """
    space: dict[str, Any] = {"__name__": module.__name__ + ".compiled"}
    source = inspect.getsource(module)
    exec(compile(source, str(module.__file__), "exec"), space)
    if jit is not None:
        for name, value in list(space.items()):
            if isinstance(value, FunctionType) and name != "const":
                space[name] = jit(value)
    return SimpleNamespace(**{name: value for name, value in space.items() if not name.startswith("__")})


def numba_jit() -> Callable[[Any], Any] | None:
    """Return numba's compiler without Python fallback, or None without numba."""
    try:
        from numba import njit
    except ImportError:
        return None
    compiler: Callable[[Any], Any] = njit(cache=False, nogil=True)
    return compiler


@lru_cache(maxsize=1)
def law() -> SimpleNamespace:
    """Return the law, compiled when numba is there; `law().is_compiled` says which."""
    jit = numba_jit()
    space = compiled_copy(lid_law, jit)
    space.is_compiled = jit is not None
    return space


def whole_numbers(values: Sequence[int]) -> Any:
    """Return the values as the compiled law wants them: an int64 array, or a plain list without numba."""
    if not law().is_compiled:
        return list(values)
    import numpy as np

    return np.array(values, dtype=np.int64)
