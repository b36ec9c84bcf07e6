"""Runs on MicroPython: what a cycle of the firmware costs. Arguments: folder of the firmware, cycles.

Prints one JSON object: microseconds and bytes of heap per step of the law, of the core and of the whole shell, and
the heap that is free after the start. The board is of plain objects, there is no link.
"""

import gc

if hasattr(gc, "threshold"):
    gc.threshold(4096)  # as main.py does

import json
import sys
import time

sys.path.insert(0, sys.argv[1])
CYCLES = int(sys.argv[2])
gc.collect()
EMPTY = gc.mem_free()

from sash import app, lid_law, link, reading  # noqa: E402, F401 - link only for its size
from sash.frame_core import FrameCore  # noqa: E402

gc.collect()
LOADED = gc.mem_free()


class Storage:
    """Records in a dict."""

    def __init__(self):
        self.files = {}

    def read(self, name):
        return self.files.get(name)

    def write(self, name, data):
        self.files[name] = bytes(data)

    def names(self):
        return list(self.files)


class Board:
    """A quiet frame at noon, five seconds a cycle."""

    name = "plain"

    def __init__(self):
        self.storage = Storage()
        self.inputs = reading.Inputs()
        self.inputs.at_shut, self.inputs.at_open, self.inputs.motor_ma, self.inputs.battery_mv = 1, 0, 0, 12600
        self.pads = (b"\x80\x00KF\x7f\xff\x10\x10\x90", b"\x81\x00KF\x7f\xff\x0f\x10\xaf")
        self.s = 1773316800

    async def wait(self, next_ms):
        self.s += 5
        return 5000

    def read(self):
        self.inputs.probes = {"air": self.pads[self.s // 5 % 2], "outside": self.pads[0]}
        return self.inputs

    def apply(self, actions):
        pass

    def unix_s(self):
        return self.s

    def feed(self):
        pass

    def reset_cause(self):
        return "power-on"


def nothing():
    pass


def spent(job, count, shell):
    """Return (microseconds, heap bytes) of one call of `job`."""
    # Bytes with collection off, over ten minutes so that every message comes up; time with it on, as on a board.
    taken = 0
    gc.disable()
    shell._collect = nothing  # its own tidying in the middle of the count would be taken for heap given back
    for n in range(120):
        if n % 10 == 0:
            gc.collect()
        before = gc.mem_alloc()
        job()
        taken += gc.mem_alloc() - before
    taken /= 120
    gc.enable()
    del shell._collect
    began = time.ticks_us()
    for _ in range(count):
        job()
    return time.ticks_diff(time.ticks_us(), began) / count, taken


def main():
    fittings = {"frame": "north", "key": "5a" * 32, "probes": {"air": "1", "outside": "2"}}
    board = Board()
    shell = app.Shell(board, fittings, None, app._frame_core)
    gc.collect()
    started = gc.mem_free()
    core = FrameCore(fittings, {}, None, 1, "power-on")
    sense, state, settings = list(core._sense), list(lid_law.START), list(core.law_settings)
    inputs = board.read()

    def law():
        lid_law.decide(sense, state, settings)

    def step():
        board.s += 5
        core.step(5000, board.s, inputs, (), 1)

    def cycle():
        try:
            shell.cycle().send(None)
        except StopIteration:
            return

    for _ in range(30):
        step()
        cycle()
    result = {"loaded_bytes": EMPTY - LOADED, "free_bytes": started}
    for name, job in (("law", law), ("core", step), ("shell", cycle)):
        result[name + "_us"], result[name + "_bytes"] = spent(job, CYCLES, shell)
    print(json.dumps(result))


main()
