"""The controller's law once more: its own source, run here and compiled for the season loop.

`sash.lid_law` itself stays plain. The copy stands in a module of its own, with a name,
because compiled code that is kept on disk looks its functions up by module.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from types import FunctionType
from typing import Any

from framesim.jit import loop_jit
from sash import lid_law

decide: Callable[..., Any]

exec(compile(inspect.getsource(lid_law), str(lid_law.__file__), "exec"), globals())

for _name, _value in list(globals().items()):
    # `const` only serves while the file is read.
    if isinstance(_value, FunctionType) and _value.__code__.co_filename == lid_law.__file__ and _name != "const":
        globals()[_name] = loop_jit(_value)
