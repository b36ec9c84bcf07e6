"""The compiled kernel against the same method written by hand in C (kernel.c), and their results."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from framesim import convection, heat_balance, longwave, moist_air, tangents
from framesim import layout as at
from tests.bench import winters
from tests.bench.figure import Figure, Skipped

HERE = Path(__file__).parent
SAME_K = 1e-9
ROUNDS = 15
FLAGS = ("-O3", "-march=native", "-ffp-contract=fast", "-fno-math-errno", "-fPIC", "-shared")


def header() -> str:
    """Places and constants as C macros, from the kernel's own modules."""
    found: dict[str, Any] = {}
    for name, value in vars(at).items():
        if name[:2] in ("P_", "D_", "Y_", "S_") or name.startswith("N_") or name in ("SOIL", "LID", "AIR", "LEAF"):
            found[name] = value
    found |= {name: value for name, value in vars(tangents).items() if name.startswith(("C_", "SNOW_"))}
    found |= {"N_TANGENTS": tangents.N_TANGENTS, "NN": at.N_SURFACE, "NS": at.N_SOIL, "NW": at.N_WALL}
    found |= {"WALLS": at.WALLS, "ROW_S": at.ROW_S, "ROOT_STEP_K": convection.ROOT_STEP_K}
    found["STEFAN_BOLTZMANN"] = longwave.STEFAN_BOLTZMANN
    for name in ("ZERO_K", "GAS_DRY_AIR", "MASS_RATIO", "CP_DRY_AIR", "CP_VAPOUR", "LATENT_HEAT"):
        found[name] = getattr(moist_air, name)
    for name in ("GAMMA", "FORWARD", "AIR_LIMIT_K", "SMALLEST_S", "DRIFT_K", "FILM_MAX_KG_M2",
                 "MOVE_AREA_M2", "STACK_AS_WIND", "AFTER_MOVE_S"):  # fmt: skip
        found[name] = getattr(heat_balance, name)
    return "".join(f"#define {name} {value!r}\n" for name, value in sorted(found.items()))


def build(folder: Path) -> Any:
    """Compile kernel.c with gcc and load it."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        raise Skipped("no C compiler here")
    (folder / "layout_for_c.h").write_text(header())
    library = folder / "kernel.so"
    command = [compiler, *FLAGS, f"-I{folder}", str(HERE / "kernel.c"), "-o", str(library), "-lm"]
    subprocess.run(command, check=True)
    return ctypes.CDLL(str(library))


class InC:
    """The C kernel with the call of winters.run."""

    def __init__(self, folder: Path) -> None:
        self.run = build(folder).run
        doubles = ctypes.POINTER(ctypes.c_double)
        self.run.argtypes = [doubles, doubles, doubles, doubles, ctypes.c_int, ctypes.c_double, ctypes.c_int,
                             ctypes.c_double, doubles, doubles, ctypes.c_int, doubles]  # fmt: skip
        self.run.restype = None

    def __call__(
        self, p: Any, y: Any, rows: Any, place: float, steps: int, dt: float, wind_area: Any, stack: Any, sums: Any
    ) -> None:
        """Carry y through the season."""
        at_ = [a.ctypes.data_as(ctypes.POINTER(ctypes.c_double)) for a in (convection.ROOTS, p, y, rows)]
        more = [a.ctypes.data_as(ctypes.POINTER(ctypes.c_double)) for a in (wind_area, stack, sums)]
        self.run(*at_, len(rows), place, steps, dt, more[0], more[1], len(wind_area), more[2])


def figures() -> Iterator[Figure]:
    """Ratio of times, at most 1.2, and the largest difference of results."""
    p = winters.frame().parameters
    y0, rows, place, steps = winters.start()
    wind_area, stack = winters.openings()
    work = heat_balance.new_work()
    states = [y0.copy(), y0.copy()]
    sums = [np.zeros(at.N_SUMS), np.zeros(at.N_SUMS)]

    with tempfile.TemporaryDirectory(prefix="sashkeeper-bench-") as folder:
        in_c = InC(Path(folder))

        def ours() -> None:
            states[0][:], sums[0][:] = y0, 0.0
            winters.run(p, states[0], rows, place, steps, winters.STEP_S, wind_area, stack, work, sums[0])

        def theirs() -> None:
            states[1][:], sums[1][:] = y0, 0.0
            in_c(p, states[1], rows, place, steps, winters.STEP_S, wind_area, stack, sums[1])

        ours()
        own_s, c_s = winters.processor_s(ROUNDS, ours, theirs)
        yield Figure("kernel: one winter at 60 s, against C -O3", own_s, "s", c_s, at_most=1.2)
        # A season is long: rounding grows where a step is cut or a tangent drawn anew a hair earlier. Days are not.
        day = round(86400.0 / winters.STEP_S)
        for state in states:
            state[:] = y0
        winters.run(p, states[0], rows, place, 10 * day, winters.STEP_S, wind_area, stack, work, sums[0])
        in_c(p, states[1], rows, place, 10 * day, winters.STEP_S, wind_area, stack, sums[1])
        apart = float(np.abs(states[0] - states[1]).max())
        yield Figure("kernel: largest difference from C after ten days", apart, "K", at_most=SAME_K)
