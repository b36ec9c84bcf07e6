"""One simulated winter: invented weather, one frame or three, their household, a phone that remembers. Picklable.

A whole winter is November to March. Weather and crops' dates are invented. Growers with an even seed lay the cover on
when they are advised to, and write it into the diary; those with an odd one never do anything.
"""

from __future__ import annotations

import math
import random
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from framesim import frame, invented, model, scenario, virtual_frame
from framesim.battery import BatteryParts
from framesim.faults import Fault, Faults
from framesim.runner_in_process import InProcess
from framesim.virtual_frame import Parts, VirtualFrame
from sashkeeper.rehearsal.household import Household
from sashkeeper.rehearsal.rehearse import Rehearsal
from sashkeeper.rehearsal.wire import DirectWire
from sashkeeper.sizing import power

PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}
STUCK = ("stuck-shut", "stuck-shut-cool", "no-drop", "stuck-open", "lid-iced")
REST_MS = 10_000
DAY_S = 86_400
START_H = 5
FAST = "/dev/shm" if Path("/dev/shm").is_dir() else None  # the store need not outlive the run
NIGHT_DEG = -3.0
UNCOVER_DEG = 8.0  # sun height at which a diligent grower takes the cover off (chosen)
WHOLE_DAYS = 151  # November to March of a year without 29 February
NAMES = ("North", "South", "Yard")
BEDS = (("spinach", "leaf lettuce"), ("kale", "spinach"), ("mache", "arugula"))


@dataclass(frozen=True)
class Pace:
    """Length of steps.

    day_ms, night_ms  of frame, heat balance and probes while the lid rests, with the sun up and down
    tick_s            of the host
    report_s          between readings
    crops_s           between two looks at what the crops stand as hardened
    """

    day_ms: int = 60_000
    night_ms: int = 300_000
    tick_s: float = 120.0
    report_s: int = 120
    crops_s: float = 21_600.0


USUAL = Pace(REST_MS, REST_MS, 5.0, 60, 1800.0)  # as rehearsals do; a real board rests for 5 s
QUICK = Pace()


@dataclass
class Outcome:
    """What a run gave. fault "": the healthy run. said: first alarm after the fault; took_s from the clock's start.

    frame_days  days, times the number of frames
    pushes    messages about the frames, day by day; sign of life apart
    kinds     how many of them by kind of message, or kind of alarm
    verdict   "found", "late", "missed", "not provoked" (nothing came of the fault), "" when healthy
    """

    seed: int
    fault: str
    frame_days: float
    frames: int = 1
    alarms: dict[str, int] = field(default_factory=dict)
    pushes: list[int] = field(default_factory=list)
    kinds: dict[str, int] = field(default_factory=dict)
    life: int = 0
    moves: int = 0
    verdict: str = ""
    said: str = ""
    took_s: float | None = None
    notes: list[str] = field(default_factory=list)


def first_day(seed: int, days: int) -> date:
    """A run shorter than a whole winter lies somewhere within one."""
    return date(2026, 11, 1) + timedelta(random.Random(f"day {seed}").randrange(max(1, WHOLE_DAYS - days + 1)))


def frames_of(seed: int) -> int:
    """Every tenth household has three frames, its grower of either kind."""
    return 3 if seed % 20 in (7, 14) else 1


def supply(lat_deg: float) -> BatteryParts:
    """Battery and panel as `sashkeeper size power` asks for at this latitude, the panel flat as the simulator's."""
    usual = BatteryParts()
    load = power.Load(idle_ma=usual.board_ma, travel_s=40.0)
    asked = power.work_out(load, power.Supply(usual.capacity_ah, usual.panel_w, lat_deg, tilt_deg=0.0))
    return BatteryParts(capacity_ah=math.ceil(asked.needed_ah), panel_w=math.ceil(asked.needed_w))


class Sleeper(InProcess):
    """The firmware in this process; while the lid rests the harness lets more time pass than the firmware asks for."""

    pace = USUAL

    def _step_ms(self) -> int:
        step_ms = super()._step_ms()
        if step_ms < REST_MS:
            return step_ms
        longest_ms = self.pace.night_ms if self.frame.model.sun_height_deg < NIGHT_DEG else self.pace.day_ms
        due_ms = self.scenario.next_wake_ms() if self.scenario.happenings else None
        left_ms = longest_ms if due_ms is None or due_ms <= self.time_ms else due_ms - self.time_ms
        return max(step_ms, min(longest_ms, left_ms))


class Winter:
    """Frames and their household from one day to another. runner, model: the frame that a fault is for."""

    def __init__(self, home: Path, seed: int, days: int, from_day: int = 0, pace: Pace = QUICK) -> None:
        self.seed = seed
        rng = random.Random(seed)
        first = first_day(seed, days)
        lat = rng.choice((42.0, 45.0, 47.0, 50.0, 53.0))
        self.weather = invented.invent(lat, 8.0, first, first + timedelta(days=days), seed=seed,
                                       warmth_k=rng.uniform(-3.0, 9.0), utc_offset_h=1.0)
        self.midnight_s = self.weather.start_s
        self.start_s = self.weather.start_s + START_H * 3600 + from_day * DAY_S
        self.end_s = self.weather.start_s + days * DAY_S
        place = {"lat_deg": lat, "lon_deg": 8.0, "timezone": "Europe/Berlin"}
        self.house = Household(home, self.start_s, place, ("json://127.0.0.1:9/",))
        self.phone: list[tuple[float, str]] = []
        self.house.notifier._send = self._hear
        self.rehearsal = Rehearsal(self.house, DirectWire(self.house))
        self.covers: dict[str, Fault] = {}
        sown = f"{first.year - (first.month < 9)}-09-10"
        self.runners = [self._frame(n, seed, sown, pace) for n in range(frames_of(seed))]
        self.runner = self.runners[0]
        self.model = self.runner.frame.model
        self.take(pace)

    def _frame(self, n: int, seed: int, sown: str, pace: Pace) -> Sleeper:
        name = self.house.add_frame(NAMES[n])
        for crop in BEDS[n]:
            self.house.plant(name, crop, sown, 0.5)
        fittings = self.house.fittings(name, probes=PROBES, rest_ms=REST_MS)
        bed = model.FrameModel(frame.load("garden-frame"), self.weather)
        bed.reset(self.start_s)
        settings = {**self.house.suggested(name), "report_s": pace.report_s}
        parts = Parts.for_fittings(fittings, battery=supply(self.weather.lat))
        virtual = VirtualFrame(bed, parts, Faults(), seed + 1000 * n)
        runner = Sleeper(virtual, fittings, self.start_s, scenario=scenario.parse("", 1.0), settings=settings)
        if seed % 2 == 0:
            runner.hooks.on_step = self._mind_cover
        self.rehearsal.add(runner)
        return runner

    def strike(self, fault_text: str, frame: int = 0) -> None:
        """Let a scenario begin at one frame, which from now on reports as often as usual."""
        self.runner = self.runners[frame]
        self.model = self.runner.frame.model
        self.runner.scenario = scenario.parse(fault_text, 1.0)
        self.house.outbox.publish_wanted(self.runner.frame_id, {"report_s": USUAL.report_s})

    def take(self, pace: Pace) -> None:
        """Go on with steps of this length; readings stay as often as they were."""
        virtual_frame.REST_STEP_MS = max(pace.day_ms, pace.night_ms)
        self.rehearsal.tick_s, self.house.around.keep_s = pace.tick_s, pace.crops_s
        for runner in self.runners:
            runner.pace = pace

    def _hear(self, url: str, title: str, body: str) -> str:
        self.phone.append((self.house.clock.now_s(), title))
        return ""

    def _mind_cover(self, runner: Any) -> None:
        """The diligent grower: cover on at dusk while the advice stands, off in the morning."""
        name, sun = runner.frame_id, runner.frame.model.sun_height_deg
        afternoon = (runner.time_s - self.midnight_s) % DAY_S > DAY_S / 2
        cover = self.covers.get(name)
        if cover is None and afternoon and sun < 0 and self.house.desk.evening.advised(name):
            self.covers[name] = Fault("cover", "on")
            runner.frame.faults.start(self.covers[name])
            self.house.store.diary_add(runner.time_s, "covered", "Cover laid on", frame=name)
        elif cover is not None and not afternoon and sun > UNCOVER_DEG:
            runner.frame.faults.end(self.covers.pop(name))

    def tally(self, outcome: Outcome) -> Outcome:
        """Count alarms, messages and moves."""
        store = self.house.store
        kind_of = {a.id: a.kind for a in store.alarm_list()}
        outcome.alarms = dict(Counter(kind_of.values()))
        sent = store.delivery_list()
        outcome.life = sum(d.data["kind"] == "life" for d in sent)
        about = [d for d in sent if d.data["kind"] != "life"]
        outcome.kinds = dict(Counter(
            d.data["kind"] if d.alarm is None or d.data["kind"] != "alert" else kind_of[d.alarm] for d in about))
        by_day = Counter(int((d.made_s - self.midnight_s) // DAY_S) for d in about)
        first = int((self.start_s - self.midnight_s) // DAY_S)
        last = int((min(self.rehearsal.now_s, self.end_s) - self.midnight_s - 1) // DAY_S)
        outcome.pushes = [by_day[day] for day in range(first, last + 1)]
        outcome.frames = len(self.runners)
        outcome.moves = sum(e.kind == "moved" for r in self.runners for e in store.events(r.frame_id))
        outcome.notes = [f"{self.when(t)} {title}" for t, title in self.phone if "Good morning" not in title][:40]
        return outcome

    def when(self, time_s: float) -> str:
        """A moment as day and hour since the start."""
        day, rest = divmod(time_s - self.midnight_s, DAY_S)
        return f"day {day:.0f} {rest / 3600:04.1f} h"


def healthy(seed: int, days: int, pace: Pace = QUICK, meanwhile: Callable[[Winter], None] | None = None) -> Outcome:
    """A winter with nothing broken. meanwhile: called before the rest of it is played."""
    with tempfile.TemporaryDirectory(prefix="sashkeeper-campaign-", dir=FAST) as home:
        winter = Winter(Path(home), seed, days, pace=pace)
        try:
            if meanwhile is not None:
                meanwhile(winter)
            winter.rehearsal.run_until(winter.end_s)
            frame_days = (winter.end_s - winter.start_s) / DAY_S * len(winter.runners)
            return winter.tally(Outcome(seed, "", frame_days))
        finally:
            winter.rehearsal.close()
