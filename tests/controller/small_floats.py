"""A board's arithmetic on the desk: 32-bit floats and 31-bit small integers.

`load(path)` runs a source file with every float literal and every float result of an
operation rounded to numpy.float32, `math` replaced by a 32-bit one, and an error for
whole numbers that a board would keep on the heap (2**30 and beyond), unless allowed.
"""

from __future__ import annotations

import ast
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

SMALL = 1 << 30


class TooLarge(ArithmeticError):
    """A whole number beyond a board's small integers."""


def rounded(value: Any) -> Any:
    """Round a float to 32 bits; refuse a whole number that is not small."""
    if isinstance(value, (float, np.floating)):
        return np.float32(value)
    if isinstance(value, int) and not isinstance(value, bool) and not -SMALL <= value < SMALL:
        raise TooLarge(value)
    return value


def allowed_large(value: Any) -> Any:
    """Round floats only: for functions that take Unix time."""
    return np.float32(value) if isinstance(value, (float, np.floating)) else value


class _Rounding(ast.NodeTransformer):
    """Wrap float literals and the result of each operation."""

    def __init__(self, large: set[str]) -> None:
        self.large = large
        self.wrap = "rounded"

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        self.wrap = "allowed_large" if node.name in self.large else "rounded"
        self.generic_visit(node)
        self.wrap = "rounded"
        return node

    def _call(self, node: ast.expr) -> ast.expr:
        return ast.Call(func=ast.Name(self.wrap, ast.Load()), args=[node], keywords=[])

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        self.generic_visit(node)
        return self._call(node)

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        return self._call(node) if isinstance(node.value, float) else node


def _float32(name: str) -> Any:
    function = getattr(math, name)
    return lambda *values: np.float32(function(*values))


def load(path: Path, large: set[str]) -> SimpleNamespace:
    """Return the module's names; functions in `large` may use whole numbers of any size."""
    tree = ast.fix_missing_locations(_Rounding(large).visit(ast.parse(path.read_text())))
    names = ("sin", "cos", "atan2", "asin", "acos", "sqrt")
    small_math = SimpleNamespace(pi=np.float32(math.pi), floor=math.floor, **{name: _float32(name) for name in names})
    space: dict[str, Any] = {"rounded": rounded, "allowed_large": allowed_large}
    for node in tree.body:
        if isinstance(node, ast.Import):
            space.update({alias.name: small_math for alias in node.names if alias.name == "math"})
    tree.body = [node for node in tree.body if not isinstance(node, ast.Import)]
    exec(compile(tree, str(path), "exec"), space)
    return SimpleNamespace(**space)
