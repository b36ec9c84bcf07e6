"""The firmware's one loop: wait, read, decide, save, apply, report.

Order matters: what must survive a power cut is stored before anything moves,
and the watchdog is fed once a cycle, only after every stage has reported, in
order. Nothing here waits for the network; the link is a task of its own.
"""

import asyncio
import gc
import json
import sys

from . import reading
from .board import Stopped
from .clock import Clock
from .slots import Slots

WAIT, READ, DECIDE, SAVE, APPLY, TELL = range(6)
_STAGES = 6
STEADY_S = 600  # chosen: after this long without a crash the count of crashes in a row starts anew
MANY_CRASHES = 3
CRASHES_KEPT = 4
LINK_HOLD_OFF_MS = 900_000  # chosen: a message that crashes us must not do so every few seconds
SAVE_RETRY_S = 60
TRY_BLOCKS = (65536, 32768, 16384, 8192, 4096, 2048, 1024)  # sizes tried to learn the largest free block
TRY_BLOCKS_EVERY = 120  # cycles, a multiple of those between two collections


class Stages:
    """Says whether every stage of the cycle has run, in order, exactly once.

    One mistake is remembered for good: the watchdog then starves and restarts the board.
    """

    def __init__(self):
        self._next = WAIT
        self._broken = 0

    def mark(self, stage):
        """Note that `stage` is done."""
        if stage != self._next:
            self._broken = 1
        self._next = stage + 1

    def complete(self):
        """Return 1 when the cycle was whole, and begin the next."""
        whole = self._next == _STAGES and not self._broken
        if not whole:
            self._broken = 1
        self._next = WAIT
        return 1 if whole else 0


class Shell:
    """Everything around the core that one cycle needs.

    cycles        completed
    clock         uptime, in time as the board's `wait` tells it
    free_bytes    of the heap, None on a desk's CPython
    free_block    of which one block of at least this size could be had, likewise
    failed_saves  records that could not be stored so far
    """

    def __init__(self, board, fittings, link, make_core):
        self.board = board
        self.link = link
        self.slots = Slots(board.storage)
        self.stages = Stages()
        self.cycles = self.failed_saves = 0
        self.clock = Clock()
        self._pending = {}  # slot name -> dict that could not be stored
        self._pending_ms = 0
        self._next_ms = 0
        self.free_bytes = None  # right after the last collection
        self.free_block = None
        self.boot, self.crashes, self.cause = self._count_boot()
        self.core = self._make_core(make_core, fittings, self.cause)
        if self.cause == "crash":
            self.core.crash_text = (self.slots.load("crash") or {}).get("error", "")
        self.updates = self._make_updates(fittings)
        self.files = getattr(board, "files", None)  # FileRounds, where there is a manifest
        if link is not None:
            link.boot = self.boot
            if self.crashes >= MANY_CRASHES:
                link.held_off_ms = LINK_HOLD_OFF_MS

    def _count_boot(self):
        """Return (boot number, crashes in a row, cause), counted in a record of their own."""
        told = self.slots.load("boot") or {}
        crashed = told.get("crashed", 0)
        boot, crashes = told.get("boot", 0) + 1, told.get("crashes", 0)
        if not crashed:
            crashes = 0
        self._store("boot", {"boot": boot, "crashes": crashes, "crashed": 0})
        return boot, crashes, "crash" if crashed else self.board.reset_cause()

    def _make_core(self, make_core, fittings, cause):
        """Start the core with what is stored; when that makes it fail, without."""
        settings, saved = self.slots.load("settings") or {}, self.slots.load("state")
        if not settings and self.slots.spoiled("settings"):
            settings = {"spoiled": 1}  # so that the core tells of the loss even when the boot count went with them
        try:
            return make_core(fittings, settings, saved, self.boot, cause)
        except Exception as error:
            self._note(error)
            self.cause = "crash"
            return make_core(fittings, {}, None, self.boot, "crash")

    def _make_updates(self, fittings):
        """Return the desk for firmware over the air, None where the board has no second folder for it or no key.

        main.py says where the folder is through an attribute of the board, so that an older firmware, which
        does not know of it, still starts.
        """
        place = getattr(self.board, "updates", None)
        if place is None or self.link is None or not fittings.get("key"):
            return None
        from .update_desk import UpdateDesk

        self.link.updates = 1
        return UpdateDesk(fittings["frame"], fittings["key"], place)

    def _take_updates(self, inbox):
        """Handle what is for the update desk; return the rest of the inbox."""
        rest = []
        for suffix, payload in inbox:
            if suffix == "update":
                answer = self.updates.handle(payload, self.core, self.board.unix_s())
                self.link.send("update/answer", encode(answer), 1, 0)
            else:
                rest.append((suffix, payload))
        return rest

    async def cycle(self):
        """Do one step; exceptions pass through."""
        board, stages, link = self.board, self.stages, self.link
        dt_ms = await board.wait(self._next_ms)
        self.clock.advance(dt_ms)
        stages.mark(WAIT)
        inputs = board.read()
        stages.mark(READ)
        inbox = link.take() if link is not None else ()
        if self.updates is not None and inbox:
            inbox = self._take_updates(inbox)
        actions = self.core.step(dt_ms, board.unix_s(), inputs, inbox, link.up if link is not None else 0)
        if actions.clock_s != reading.NONE:
            board.set_unix_s(actions.clock_s)
        if self.updates is not None:
            actions.next_ms = self.updates.pace(dt_ms, actions.next_ms, self.core)
        stages.mark(DECIDE)
        self._save(actions.saves, dt_ms)
        stages.mark(SAVE)
        board.apply(actions)
        stages.mark(APPLY)
        if link is not None:
            self._tell(actions.messages)
        stages.mark(TELL)
        if self.files is not None and actions.motor == reading.STOP:
            differs = self.files.step()
            if differs:
                self.core.distrust(differs + " differs from its manifest")
        self._next_ms = actions.next_ms
        self._collect()
        self.cycles += 1
        self._count_steady()
        if stages.complete():
            board.feed()
        if self.updates is not None and self.updates.restart:
            self._restart()

    def _restart(self):
        """Start the new firmware; the motor is off already, what is not told yet goes to the flash."""
        self.board.apply(reading.Actions())
        self.link.journal.spill()
        self.board.reset()

    def _count_steady(self):
        """After a good while, crashes before it no longer count as one in a row."""
        if self.crashes and self.clock.uptime_s >= STEADY_S:
            self.crashes = 0
            self._store("boot", {"boot": self.boot, "crashes": 0, "crashed": 0})

    def _collect(self):
        """Tidy the heap at one fixed point of the cycle, not in the middle of a stage."""
        if sys.implementation.name == "micropython" and self.cycles % 8 == 0:
            gc.collect()
            self.free_bytes = gc.mem_free()  # at any other moment the number says nothing
            if self.cycles % TRY_BLOCKS_EVERY == 0:
                self.free_block = largest_block()

    # -- saving --------------------------------------------------------------------------

    def _save(self, saves, dt_ms):
        """Store; what fails is tried again later. A dead flash must not stop the lid."""
        self._pending_ms += dt_ms
        if self._pending and self._pending_ms >= SAVE_RETRY_S * 1000:
            for name, value in list(self._pending.items()):
                self._store(name, value)
        for name, value in saves:
            self._store(name, value)

    def _store(self, name, value):
        try:
            self.slots.save(name, value)
            self._pending.pop(name, None)
        except OSError:
            self.failed_saves += 1
            self._pending[name] = value
            self._pending_ms = 0

    # -- telling -------------------------------------------------------------------------

    def _tell(self, messages):
        link = self.link
        link.uptime_s = self.clock.uptime_s
        for suffix, value, qos, retain in messages:
            if suffix == "report":
                self._complete_report(value)
                link.position_permille = value["lid"]["position_permille"]
            link.send(suffix, encode(value), qos, retain)

    def _complete_report(self, report):
        """Fill in what only the shell knows."""
        link = self.link
        refused = report.get("drops", {}).get("refused", 0)  # the core's own: wrongly signed, out of date
        report["drops"] = {"journal": link.journal.dropped + link.dropped, "refused": refused + link.refused}
        report["journal_waiting"] = link.journal.waiting
        report["free_bytes"] = self.free_bytes
        report["free_block_bytes"] = self.free_block
        report["board"] = self.board.name
        report["interpreter"] = "{} {}.{}".format(sys.implementation.name, *sys.implementation.version[:2])

    # -- when it goes wrong --------------------------------------------------------------

    def crash(self, error):
        """Stop the motor, write down what happened, restart. Each part is tried, whatever the others do."""
        spill = self.link.journal.spill if self.link is not None else int
        marked = {"boot": self.boot, "crashes": self.crashes + 1, "crashed": 1}
        for part in (
            lambda: self.board.apply(reading.Actions()),
            lambda: self._note(error),
            lambda: self._store("boot", marked),
            spill,
        ):
            try:
                part()
            except Exception as other:
                print("# while stopping:", other)
        self.board.reset()

    def _note(self, error):
        """Keep the last crashes in a record of their own, the newest on top, each with the cause of its start."""
        text = "{}: {}".format(type(error).__name__, error)[:300]
        print("# crash:", text)
        before = self.slots.load("crash") or {}
        old = before.pop("before", [])
        note = {"error": text, "boot": self.boot, "cause": self.cause, "cycle": self.cycles,
                "unix_s": self.board.unix_s(), "before": ([before] if before else []) + old[: CRASHES_KEPT - 2]}
        self._store("crash", note)


def largest_block():
    """Return the largest of TRY_BLOCKS that can be had now, 0 when none can: free memory in crumbs is none."""
    for size in TRY_BLOCKS:
        try:
            bytearray(size)
            return size
        except MemoryError:
            continue
    return 0


def encode(value):
    """Return compact JSON in bytes."""
    return json.dumps(value, separators=(",", ":")).encode()


def _frame_core(fittings, settings, saved, boot, cause):
    from .frame_core import FrameCore

    return FrameCore(fittings, settings, saved, boot, cause)


async def run(board, fittings, link=None, make_core=_frame_core):
    """Run the firmware on `board` until it asks to stop (desk runs) or is reset."""
    shell = Shell(board, fittings, link, make_core)
    task = asyncio.create_task(link.run()) if link is not None else None
    try:
        while True:
            await shell.cycle()
    except Stopped:
        board.apply(reading.Actions())
        if link is not None:
            await link.stop()
    except Exception as error:
        shell.crash(error)
        raise  # only if the board did not restart
    finally:
        if task is not None:
            task.cancel()
    return shell
