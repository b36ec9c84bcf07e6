"""The simulator: against a general solver, winters a second, batches, and the law on three interpreters."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from framesim import batch, heat_balance, law_copy, policies, tangents
from framesim import layout as at
from framesim.jit import kernel_jit
from framesim.season import SeasonRunner
from sash import lid_law, settings
from tests.bench import winters
from tests.bench.figure import Figure, in_turn

ROOT = Path(__file__).parents[2]
ACCURACY_K = 0.01
DAYS = 5
BATCHES = (1, 16, 256, 4096)
LAW_STEPS = 200_000


def figures() -> Iterator[Figure]:
    """Measure."""
    yield from _against_solver()
    yield from _winters()
    yield from _batches()
    yield from _law()


# ---- a general solver on the same balance ---------------------------------------------------------------


@kernel_jit
def slopes(t, z, p, rows, wind_area, stack, work, y, flow):  # type: ignore[no-untyped-def]
    """dz/dt of every node with a heat capacity; the lid, which has none, is found by Newton's steps on its two faces.

    z: state without the lid's faces and the film. A tangent drawn at the state itself is the curved law there.
    """
    unpack(z, y)
    place = -0.5 + t / at.ROW_S
    heat_balance._force(rows, place, work, heat_balance.W_F1)
    c, f = work, heat_balance.W_F1
    for _ in range(4):
        tangents.draw(p, y, f, wind_area, stack, 0.0, c)
        tangents.sources(p, f, c)
        lid = at.LID
        g = c[tangents.C_CONV_G + lid]
        seen = p[at.P_SEEN + lid] * c[tangents.C_RAD_G + lid]
        b = c[tangents.C_RHS + lid] + g * y[at.Y_AIR] + c[tangents.C_LIGHT] * c[f + at.D_LID_INNER]
        for j in range(at.N_SURFACE):
            b += p[at.P_EXCHANGE + lid * at.N_SURFACE + j] * c[tangents.C_RAD_G + j] * y[at.Y_SURFACE + j]
        on_outer = c[tangents.C_LIGHT] * c[f + at.D_LID_OUTER] + c[tangents.C_SOURCE + 4]
        both = c[tangents.C_BOTH]
        diagonal = g + seen + c[tangents.C_GAP] * c[tangents.C_OUT_H + 4] * both
        new = (b + c[tangents.C_GAP] * both * on_outer) / diagonal
        change = abs(new - y[at.Y_LID_IN])
        y[at.Y_LID_IN] = new
        y[at.Y_LID_OUT] = both * (on_outer + c[tangents.C_GAP] * new)
        if change < 1e-7:
            break
    tangents.draw(p, y, f, wind_area, stack, 0.0, c)
    tangents.sources(p, f, c)
    for i in range(at.N_SURFACE):
        flow[at.Y_SURFACE + i] = c[tangents.C_RHS + i] + c[tangents.C_CONV_G + i] * (y[at.Y_AIR] - y[at.Y_SURFACE + i])
        flow[at.Y_SURFACE + i] -= p[at.P_SEEN + i] * c[tangents.C_RAD_G + i] * y[at.Y_SURFACE + i]
        for j in range(at.N_SURFACE):
            exchange = p[at.P_EXCHANGE + i * at.N_SURFACE + j] * c[tangents.C_RAD_G + j]
            flow[at.Y_SURFACE + i] += exchange * y[at.Y_SURFACE + j]
    air = c[tangents.C_EX_0] + (c[tangents.C_EX_G] + p[at.P_RIM]) * (c[f + at.D_OUT] - y[at.Y_AIR])
    for i in range(at.N_SURFACE):
        air += c[tangents.C_CONV_0 + i] + c[tangents.C_CONV_G + i] * (y[at.Y_SURFACE + i] - y[at.Y_AIR])
    flow[at.Y_AIR] = air / c[tangents.C_AIR_C]
    light = c[tangents.C_LIGHT]
    flow[at.Y_LEAF] = (flow[at.Y_LEAF] + light * c[f + at.D_LEAF]) / p[at.P_LEAF_C]
    _soil_and_walls(p, c, f, light, y, flow)
    return pack(flow, z)


@kernel_jit
def _soil_and_walls(p, c, f, light, y, flow):  # type: ignore[no-untyped-def]
    flow[at.Y_SOIL] += light * c[f + at.D_SOIL]
    above = at.Y_SOIL
    for k in range(at.N_SOIL):
        below = y[at.Y_DEEP + k] if k < at.N_SOIL - 1 else c[f + at.D_BASE]
        down = p[at.P_SOIL_K + k] * (below - y[above])
        flow[above] = (flow[above] + down) / p[at.P_SOIL_C + k]
        if k < at.N_SOIL - 1:
            above = at.Y_DEEP + k
            flow[above] = -down
    for w in range(at.WALLS):
        here = at.Y_SURFACE + 1 + w
        flow[here] += light * c[f + at.D_WALL_IN + w]
        for n in range(at.N_WALL):
            k = n * at.WALLS + w
            if n < at.N_WALL - 1:
                further = at.Y_OUT + w if n == at.N_WALL - 2 else at.Y_IN_WALL + k
                out = p[at.P_WALL_K + k] * (y[further] - y[here])
                flow[here] = (flow[here] + out) / p[at.P_WALL_C + k]
                flow[further] = -out
                here = further
            else:
                sun = c[f + at.D_WALL_OUT + w] * c[tangents.C_OUT_LIGHT + w]
                flow[here] += c[tangents.C_SOURCE + w] + sun - c[tangents.C_OUT_H + w] * y[here]
                flow[here] /= p[at.P_WALL_C + k]


@kernel_jit
def unpack(z, y):  # type: ignore[no-untyped-def]
    """Solver's vector into the kernel's state."""
    k = 0
    for i in range(at.N_STATE - 2):
        if i != at.Y_LID_IN and i != at.Y_LID_OUT:
            y[i] = z[k]
            k += 1


@kernel_jit
def pack(y, like):  # type: ignore[no-untyped-def]
    """Kernel's order into a new vector of the solver's."""
    out = np.empty(like.shape[0])
    k = 0
    for i in range(at.N_STATE - 2):
        if i != at.Y_LID_IN and i != at.Y_LID_OUT:
            out[k] = y[i]
            k += 1
    return out


def _against_solver() -> Iterator[Figure]:
    """Both with moisture off (dry frame), lid a crack open, to 0.01 K rms of a solution a hundred times tighter."""
    from scipy.integrate import solve_ivp

    frame = winters.frame().with_(evaporation=False, snow_on_lid=0.0)
    p = frame.parameters
    runner = SeasonRunner(winters.weather(), None, None, 60.0)
    rows = runner._rows(p)
    heat_balance.forget(runner.work)
    runner._run_in(p, rows)
    start = runner.y.copy()
    wind_area, stack = (float(a.max()) for a in winters.openings())
    ends = 600.0 * np.arange(1, DAYS * 144 + 1)
    y, work, flow = start.copy(), heat_balance.new_work(), np.zeros(at.N_STATE)
    z0 = pack(start, np.zeros(at.N_STATE - 4))
    air = at.Y_AIR - (1 if at.Y_LID_IN < at.Y_AIR else 0)

    def general(tolerance: float) -> Any:
        y[:] = start
        return solve_ivp(
            slopes, (0.0, ends[-1]), z0, method="LSODA", t_eval=ends, rtol=tolerance, atol=tolerance,
            max_step=600.0, args=(p, rows, wind_area, stack, work, y, flow),
        ).y[air]  # fmt: skip

    def ours(step_s: float) -> Any:
        return _own(p, start.copy(), rows, len(ends), 600.0, step_s, wind_area, stack, heat_balance.new_work())

    tight = general(1e-9)
    tolerance = next(t for t in (1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 1e-5, 1e-6) if _rms(general(t) - tight) <= ACCURACY_K)
    errors = {s: _rms(ours(s) - tight) for s in (300.0, 150.0, 60.0, 30.0, 20.0, 10.0, 5.0)}
    for step_s, error in errors.items():
        if step_s == 60.0:
            yield Figure("kernel: error of 10-minute air at 60 s steps against LSODA", error, "K")
    fit = next((s for s, error in errors.items() if error <= ACCURACY_K), None)
    if fit is None:
        yield Figure("kernel: smallest error reached", min(errors.values()), "K", at_most=ACCURACY_K)
        return
    own_s, general_s = winters.processor_s(5, lambda: ours(fit), lambda: general(tolerance))
    note = f"kernel step {fit:g} s: {errors[fit]:.4f} K; LSODA tolerance {tolerance:g}; {DAYS} days, dry frame"
    yield Figure("solve_ivp LSODA, jitted slopes, at 0.01 K, against the kernel", general_s, "s", own_s,
                 at_least=10.0, note=note)  # fmt: skip


@kernel_jit
def _own(p, y, rows, count, span_s, step_s, wind_area, stack, work):  # type: ignore[no-untyped-def]
    air, sums = np.zeros(count), np.zeros(at.N_SUMS)
    heat_balance.forget(work)
    steps = int(span_s / step_s + 0.5)
    for k in range(count):
        for n in range(steps):
            place = -0.5 + (k * span_s + n * step_s) / at.ROW_S
            heat_balance.advance(p, y, rows, place, step_s, wind_area, stack, 0.0, work, sums)
        air[k] = y[at.Y_AIR]
    return air


def _rms(values: Any) -> float:
    return float(np.sqrt((values**2).mean()))


# ---- winters ----------------------------------------------------------------------------------------------


def _winters() -> Iterator[Figure]:
    """Winters a second with everything switched on under the law; one core and all."""
    frame, weather = winters.frame(), winters.weather()
    count, cores = 24, os.cpu_count() or 1
    rules = [policies.law()] * count
    batch.run_batch([frame], weather, rules[:2], threads=1)
    jobs = [partial(batch.run_batch, [frame], weather, rules, threads=n) for n in (1, cores)]
    cpu_s = winters.processor_s(3, jobs[0])[0]
    one_s, all_s = in_turn(2, *jobs)
    yield Figure("winters a second under the law, one core, everything on", count / cpu_s, "1/s", at_least=10.0,
                 note=f"by processor time; by the clock {count / one_s:.1f}")  # fmt: skip
    yield Figure(f"winters a second, {cores} cores, by the clock", count / all_s, "1/s", count / one_s)


def _batches() -> Iterator[Figure]:
    """Cost of a winter as the batch grows, and the peak memory of the largest, each in a process of its own."""
    alone: float | None = None
    for count in BATCHES:
        command = [sys.executable, "-m", "tests.bench.bench_simulator", str(count)]
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(str(ROOT / d) for d in ("sim", "controller", "."))}
        done = subprocess.run(command, cwd=ROOT, env=environment, check=True, capture_output=True, text=True)
        found = json.loads(done.stdout)
        ms = 1000.0 * found["processor_s"] / count
        yield Figure(f"batch of {count}: one winter", ms, "ms", alone, at_most=None if alone is None else 1.1,
                     note=f"processor time; by the clock {1000.0 * found['seconds'] / count:.3g} ms")  # fmt: skip
        alone = alone or ms
        if count == BATCHES[-1]:
            yield Figure(f"batch of {count}: peak memory", found["peak_mib"], "MiB", at_most=1024.0)


def run_one_batch(count: int) -> None:
    """Print the time of one batch and this process's peak memory."""
    import resource

    frame, weather = winters.frame(), winters.weather()
    rules = [policies.closed()] * count
    batch.run_batch([frame], weather, policies.closed())
    least = processor = 1e18
    for _ in range(max(1, 64 // count)):
        began, used = time.perf_counter(), time.process_time()
        batch.run_batch([frame], weather, rules)
        processor = min(processor, time.process_time() - used)
        least = min(least, time.perf_counter() - began)
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(json.dumps({"seconds": least, "processor_s": processor, "peak_mib": peak_mib}))


# ---- the law ---------------------------------------------------------------------------------------------

LAW_CODE = """
import sys, time
sys.path.insert(0, sys.argv[1])
from sash import lid_law, settings
sense = [10, 14000, 8000, 9000, 3000, 0, 80, 0, 12600, -1, 0, 0, 400, 1]
state, values = list(lid_law.START), list(settings.law_values(settings.defaults()))
count = int(sys.argv[2])
began = time.ticks_us() if hasattr(time, "ticks_us") else time.perf_counter()
for n in range(count):
    sense[1] = 5000 + n * 37 % 25000
    lid_law.decide(sense, state, values)
took = time.ticks_diff(time.ticks_us(), began) / 1e6 if hasattr(time, "ticks_us") else time.perf_counter() - began
print(count / took)
"""


@kernel_jit
def _decide_often(sense, state, values, count):  # type: ignore[no-untyped-def]
    total = 0
    for n in range(count):
        sense[1] = 5000 + n * 37 % 25000
        total += law_copy.decide(sense, state, values)
    return total


def _law() -> Iterator[Figure]:
    """Steps a second; the same air each time."""
    rates = {}
    for name, program in (("CPython", sys.executable), ("MicroPython", shutil.which("micropython"))):
        if program:
            command = [program, "-c", LAW_CODE, str(ROOT / "controller"), str(LAW_STEPS)]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            rates[name] = float(done.stdout)
    arrays = [np.array(v, np.int64) for v in ([10, 0, 8000, 9000, 3000, 0, 80, 0, 12600, -1, 0, 0, 400, 1],
                                              lid_law.START, settings.law_values(settings.defaults()))]  # fmt: skip
    _decide_often(*arrays, 10)
    count = 100 * LAW_STEPS
    rates["compiled"] = count / in_turn(2, lambda: _decide_often(*arrays, count))[0]
    for name, rate in rates.items():
        yield Figure(f"law steps a second, {name}", rate, "1/s", None if name == "CPython" else rates["CPython"])


if __name__ == "__main__":
    run_one_batch(int(sys.argv[1]))
