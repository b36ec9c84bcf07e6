"""How many small mistakes in the law and the lid's drive would the tests notice?

    python tests/controller/mutants.py lid_law|lid_motion|lid_current|lid_place [--show] [--every N [--from K]]

Makes one change at a time (a comparison, a sign, a number by one, an and/or, a condition turned round), runs the
tests of that file against it in a child process, and counts the changes that no test noticed; with
--every N only each N-th place, from the K-th on, so that several processes can share the work. A change that
cannot matter (the same behaviour for every input) counts as unnoticed, too, so 100 % is not reachable.
"""

from __future__ import annotations

import ast
import copy
import importlib
import importlib.util
import inspect
import itertools
import os
import resource
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
DRIVE = (
    "test_lid_motion_edges.py", "test_lid_motion.py", "test_lid_motion_proofs.py", "test_lid_place.py",
    "test_lid_current.py", "test_lid_stuck.py", "test_lid_faults_found.py", "test_latched_lid.py",
)  # fmt: skip
TESTS = {
    "lid_law": (
        "test_lid_law.py", "test_lid_law_limits.py", "test_lid_law_blind.py", "test_lid_law_ranks.py",
        "test_lid_law_edges.py",
    ),
    "lid_motion": DRIVE, "lid_place": DRIVE, "lid_current": DRIVE,
}  # fmt: skip
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
CHILD_CPU_S = 5


def places(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Each place in the tree where something can be changed, and how."""
    for number, node in enumerate(ast.walk(tree)):
        if isinstance(node, ast.Compare):
            for part, operator in enumerate(node.ops):
                if type(operator) in SWAPS:
                    yield number, f"compare {part}"
        elif isinstance(node, (ast.BinOp, ast.BoolOp, ast.AugAssign)) and type(node.op) in SWAPS:
            yield number, "swap"
        elif isinstance(node, ast.Constant) and type(node.value) is int:
            yield number, "number"
        elif isinstance(node, (ast.If, ast.IfExp)):
            yield number, "turn round"


def mutate(tree: ast.Module, number: int, how: str) -> tuple[ast.Module, int]:
    """A copy with one change; also the line it is on."""
    changed = copy.deepcopy(tree)
    node: Any = next(itertools.islice(ast.walk(changed), number, None))
    if how.startswith("compare"):
        part = int(how.split()[1])
        node.ops[part] = SWAPS[type(node.ops[part])]()
    elif how == "swap":
        node.op = SWAPS[type(node.op)]()
    elif how == "number":
        # A 1 is nearly always a flag, and 2 would be as true as 1.
        node.value = 0 if node.value == 1 else node.value + 1
    else:
        node.test = ast.UnaryOp(ast.Not(), node.test)
    return ast.fix_missing_locations(changed), getattr(node, "lineno", 0)


def calls(module: ModuleType) -> Iterator[Callable[[], Any]]:
    """Every test of a module, its parameters filled in."""
    for name, function in inspect.getmembers(module, inspect.isfunction):
        if not name.startswith("test_") or "page" in name:
            continue
        sets: list[dict[str, Any]] = [{}]
        for mark in getattr(function, "pytestmark", []):
            names, values = mark.args[0], mark.args[1]
            names = [part.strip() for part in names.split(",")] if isinstance(names, str) else list(names)
            rows = [value if len(names) > 1 else (value,) for value in values]
            sets = [{**old, **dict(zip(names, row, strict=True))} for old in sets for row in rows]
        for arguments in sets:
            yield lambda function=function, arguments=arguments: function(**arguments)


def load(file: str) -> ModuleType:
    """Import a test file by path."""
    spec = importlib.util.spec_from_file_location(Path(file).stem, HERE / file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def noticed(target: ModuleType, tree: ast.Module, tests: list[Callable[[], Any]]) -> bool:
    """Run the tests against the changed module in a child; True when one fails or never ends."""
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (CHILD_CPU_S, CHILD_CPU_S))
        signal.signal(signal.SIGXCPU, lambda *_: os._exit(1))
        try:
            old = {name: value for name, value in vars(target).items() if inspect.isclass(value)}
            exec(compile(tree, target.__file__ or "", "exec"), vars(target))
            for name, value in old.items():
                # Test benches hold the class itself: give it the changed methods.
                for attribute, method in vars(vars(target)[name]).items():
                    if inspect.isfunction(method) or isinstance(method, property):
                        setattr(value, attribute, method)
            for test in tests:
                test()
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitpid(child, 0)[1] != 0


def run(name: str, show: bool = False, every: int = 1, first: int = 0) -> tuple[int, int, list[str]]:
    """Return (changes made, changes noticed, the unnoticed ones in words)."""
    target = importlib.import_module(f"sash.{name}")
    files = [list(calls(load(file))) for file in TESTS[name]]
    # The quickest kill first: in turn from each file, so that what a file is about comes early.
    tests = [call for row in itertools.zip_longest(*files) for call in row if call is not None]
    tree = ast.parse(inspect.getsource(target))
    if noticed(target, tree, tests) is not False:
        raise RuntimeError("the tests fail without any change")
    made = found = 0
    missed = []
    for number, how in itertools.islice(places(tree), first, None, every):
        changed, line = mutate(tree, number, how)
        made += 1
        if noticed(target, changed, tests):
            found += 1
        else:
            text = inspect.getsource(target).splitlines()[line - 1].strip() if line else ""
            missed.append(f"line {line} ({how}): {text}")
            if show:
                print(missed[-1], flush=True)
    return made, found, missed


if __name__ == "__main__":
    sys.path[:0] = [str(ROOT / "controller"), str(ROOT / "sim"), str(HERE)]
    every = int(sys.argv[sys.argv.index("--every") + 1]) if "--every" in sys.argv else 1
    first = int(sys.argv[sys.argv.index("--from") + 1]) if "--from" in sys.argv else 0
    made, found, _ = run(sys.argv[1], "--show" in sys.argv, every, first)
    print(f"{sys.argv[1]}: {found} of {made} changes noticed, {100 * found / made:.1f} %")
