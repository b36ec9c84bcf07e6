"""The arrows of the architecture point inward only."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SASH = sorted((ROOT / "controller" / "sash").rglob("*.py"))
HOST = sorted((ROOT / "host").rglob("*.py"))
SIM = sorted((ROOT / "sim").rglob("*.py"))

# The files that decide: no clock, pins, files or network.
DECIDE = (
    "lid_law.py", "lid_motion.py", "lid_current.py", "lid_place.py", "frame_core.py", "safety.py", "probes.py",
    "sun.py",
)  # fmt: skip
TOUCHING = {"asyncio", "socket", "ssl", "select", "time", "os", "machine", "network", "sys", "io"}


def imports(path: Path, top_level_only: bool = False) -> set[str]:
    """Names of the packages that a file imports."""
    tree = ast.parse(path.read_text())
    nodes = tree.body if top_level_only else ast.walk(tree)
    found: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module.split(".")[0])
    return found


def label(path: Path) -> str:
    """A short name for a parametrised file."""
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", SASH, ids=label)
def test_controller_imports_neither_host_nor_simulator(path: Path) -> None:
    """The controller must stand alone on its board."""
    assert not imports(path) & {"sashkeeper", "framesim", "numpy", "numba"}


@pytest.mark.parametrize("path", SIM, ids=label)
def test_simulator_does_not_import_host(path: Path) -> None:
    """The simulated frame must not know who is watching."""
    assert "sashkeeper" not in imports(path)


@pytest.mark.parametrize("path", HOST, ids=label)
def test_host_imports_the_simulator_only_when_asked(path: Path) -> None:
    """The host must start on a small board where no simulator is installed."""
    assert not imports(path, top_level_only=True) & {"framesim", "numpy", "numba", "scipy", "matplotlib"}


@pytest.mark.parametrize("name", DECIDE)
def test_deciding_files_touch_nothing(name: str) -> None:
    """Time and IO are injected: a deciding file must not be able to reach them."""
    assert not imports(ROOT / "controller" / "sash" / name) & TOUCHING


def test_the_law_imports_nothing() -> None:
    """The law is compiled from its own source, so it must need no other file."""
    assert imports(ROOT / "controller" / "sash" / "lid_law.py") == set()


SETPOINT = re.compile(r"(?<![a-z_])(open|close|scorch|frost|stage|min_outside)_mdegc")


@pytest.mark.parametrize("path", [p for p in SASH if p.name not in ("lid_law.py", "settings.py")], ids=label)
def test_only_the_law_compares_a_temperature_with_a_setpoint(path: Path) -> None:
    """One law: no other file of the controller may hold a comparison that names a setpoint."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Compare):
            text = ast.unparse(node)
            assert not SETPOINT.search(text), f"{path.name}:{node.lineno} compares with a setpoint: {text}"


# The host from the inside out: a ring may use what stands before it, never what comes after.
RINGS: tuple[frozenset[str], ...] = tuple(
    frozenset(names.split())
    for names in (
        "errors clock units spans columns",
        "config",
        "store context",
        "frames wire reach",
        "season picture wording influx",
        "forecast forecast_file tuning tune_picture tune_words report notify advice",
        "alarms service line",
        "tonight",
        "board sizing keeper",
        "joining page units_for_systemd",
        "rehearsal demo",
        "commands cli",
        "__main__",
    )
)


def ring_of(module: str) -> int | None:
    """The ring that a part of the host belongs to."""
    return next((n for n, ring in enumerate(RINGS) if module in ring), None)


def host_arrows(path: Path) -> set[str]:
    """Parts of the host that a file imports, as far as they are another part than its own."""
    package = ROOT / "host" / "sashkeeper"
    place = path.relative_to(package).with_suffix("").parts
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.ImportFrom):
            continue
        base = (node.module or "").split(".")
        if node.level:
            base = ["sashkeeper", *place[: len(place) - node.level], *([node.module] if node.module else [])]
            base = ".".join(base).split(".")
        if base[0] == "sashkeeper":
            found |= {base[1]} if len(base) > 1 else {alias.name for alias in node.names}
    return found - {place[0], "__version__"}


@pytest.mark.parametrize("path", HOST, ids=label)
def test_the_rings_of_the_host_point_inward(path: Path) -> None:
    """The store knows no alarm, the season no page: what is used stands further in."""
    place = path.relative_to(ROOT / "host" / "sashkeeper").with_suffix("").parts
    if place == ("__init__",):
        return
    mine = ring_of(place[0])
    assert mine is not None, f"{place[0]} stands in no ring: name one in RINGS"
    outward = {name: ring_of(name) for name in host_arrows(path)}
    assert {n for n, ring in outward.items() if ring is None or ring > mine} == set()
