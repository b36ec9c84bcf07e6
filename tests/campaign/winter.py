"""One simulated frame-winter: invented weather, one frame, its household, a phone that remembers. Picklable in and out.

Weather, crops' dates and faults are invented. Time limits are ours: 130 s is the travel time of 40 s plus the
90 s that the host's incident tests allow; the others are the on-delays of the alarm catalogue with the slowest
report between them.
"""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from framesim import frame, invented, model, scenario
from framesim.faults import Faults
from framesim.runner_in_process import InProcess
from framesim.virtual_frame import Parts, VirtualFrame
from sashkeeper.rehearsal.household import Household
from sashkeeper.rehearsal.rehearse import Rehearsal
from sashkeeper.rehearsal.wire import DirectWire

PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}
STUCK = ("stuck-shut", "stuck-shut-cool", "no-drop", "stuck-open", "lid-iced")
REST_MS = 10_000
DAY_S = 86_400
BEFORE_DAYS, AFTER_DAYS = 1, 4  # a fault run begins this long before its fault, and waits so long for its alarm


@dataclass(frozen=True)
class Break:
    """A fault: what breaks, which alarms may tell, what the clock starts at, the limit [s]."""

    part: str
    kind: str
    alarms: tuple[str, ...]
    since: str  # "fault", "opening", "shutting"
    limit_s: float
    more: str = ""


SHUT = ("stuck-shut", "stuck-shut-cool", "no-drop", "motor-fault", "lid-iced")
OPEN = ("stuck-open", "open-in-frost", "motor-fault")
BREAKS = {
    "lid blocked from opening": Break("lid", "blocked", SHUT, "opening", 130),
    "latch left on": Break("lid", "latch", SHUT, "opening", 130, "slack_permille = 5.0"),
    "arm off its bracket": Break("lid", "arm-off", SHUT, "opening", 130),
    "motor wire broken": Break("motor", "broken-wire", (*SHUT, *OPEN), "opening", 130),
    "lid blocked from shutting": Break("lid", "blocked", OPEN, "shutting", 130, 'direction = "shut"'),
    "air probe silent": Break("probe-air", "no-answer", ("probe-lost",), "fault", 900),
    "outside probe silent": Break("probe-outside", "no-answer", ("probe-spare-lost",), "fault", 1200),
    "hold left on": Break("hold", "pressed", ("hold-left-on",), "fault", 3700),
    "network gone": Break("link", "down", ("frame-silent", "frame-silent-sun", "frame-silent-open"), "fault", 2000),
    "battery flat": Break("battery", "flat", ("battery-low", "battery-empty"), "fault", 6 * 3600),
}

# Hours of the day in which a fault may begin: a latch is left on a shut lid, an open lid is blocked by day.
HOURS = {"fault": (6, 23), "opening": (0, 5), "shutting": (11, 15)}


@dataclass
class Outcome:
    """What a run gave. fault "": the healthy run. said: first alarm after the fault; took_s from the clock's start.

    verdict: "found", "late", "missed", "not provoked" (the lid was never told to move that way), "" when healthy.
    """

    seed: int
    fault: str
    frame_days: float
    alarms: dict[str, int] = field(default_factory=dict)
    pushes: int = 0
    worst_day: int = 0
    moves: int = 0
    verdict: str = ""
    said: str = ""
    took_s: float | None = None
    notes: list[str] = field(default_factory=list)


def first_day(seed: int) -> date:
    """From the first of November to the end of February."""
    return date(2026, 11, 1) + timedelta(random.Random(f"day {seed}").randrange(120))


class Winter:
    """The frame and its household from one day to another."""

    def __init__(self, home: Path, seed: int, days: int, from_day: int = 0, fault_text: str = "") -> None:
        rng = random.Random(seed)
        first = first_day(seed)
        lat = rng.choice((42.0, 45.0, 47.0, 50.0, 53.0))
        weather = invented.invent(lat, 8.0, first, first + timedelta(days=days), seed=seed,
                                  warmth_k=rng.uniform(-3.0, 9.0), utc_offset_h=1.0)
        self.start_s = weather.start_s + 5 * 3600 + from_day * DAY_S
        self.end_s = weather.start_s + days * DAY_S
        place = {"lat_deg": lat, "lon_deg": 8.0, "timezone": "Europe/Berlin"}
        self.house = Household(home, self.start_s, place, ("json://127.0.0.1:9/",), {"sign_of_life": "off"})
        self.phone: list[tuple[float, str]] = []
        self.house.notifier._send = self._hear
        name = self.house.add_frame("North")
        for crop in ("spinach", "leaf lettuce"):
            self.house.plant(name, crop, f"{first.year - (first.month < 9)}-09-10", 0.5)
        fittings = self.house.fittings(name, probes=PROBES, rest_ms=REST_MS)
        frame_model = model.FrameModel(frame.load("garden-frame"), weather)
        frame_model.reset(self.start_s)
        self.runner: Any = InProcess(
            VirtualFrame(frame_model, Parts.for_fittings(fittings), Faults(), seed), fittings, self.start_s,
            scenario=scenario.parse(fault_text, 1.0), settings=self.house.suggested(name),
        )  # fmt: skip
        self.rehearsal = Rehearsal(self.house, DirectWire(self.house))
        self.rehearsal.add(self.runner)

    def _hear(self, url: str, title: str, body: str) -> str:
        self.phone.append((self.house.clock.now_s(), title))
        return ""

    def tally(self, outcome: Outcome) -> Outcome:
        """Count alarms, messages and moves."""
        alarms = self.house.store.alarm_list()
        outcome.alarms = dict(Counter(a.kind for a in alarms))
        outcome.pushes = len(self.phone)
        by_day = Counter(int((t - self.start_s) // DAY_S) for t, _ in self.phone)
        outcome.worst_day = max(by_day.values(), default=0)
        outcome.moves = sum(e.kind == "moved" for e in self.house.store.events("north"))
        outcome.notes = [f"{self.when(t)} {title}" for t, title in self.phone][:40]
        return outcome

    def when(self, time_s: float) -> str:
        """A moment as day and hour since the start."""
        day, rest = divmod(time_s - self.start_s + 5 * 3600, DAY_S)
        return f"day {day:.0f} {rest / 3600:04.1f} h"


def healthy(seed: int, days: int) -> Outcome:
    """A winter with nothing broken."""
    with tempfile.TemporaryDirectory(prefix="sashkeeper-campaign-") as home:
        winter = Winter(Path(home), seed, days)
        try:
            winter.rehearsal.run_until(winter.end_s)
            return winter.tally(Outcome(seed, "", (winter.end_s - winter.start_s) / DAY_S))
        finally:
            winter.rehearsal.close()


def broken(seed: int, days: int) -> Outcome:
    """The same weather with one fault at a moment drawn by chance, from a day before it until it is told."""
    rng = random.Random(f"fault {seed}")
    name = rng.choice(sorted(BREAKS))
    one = BREAKS[name]
    day = rng.randrange(BEFORE_DAYS, max(BEFORE_DAYS + 1, days - AFTER_DAYS))
    low_h, high_h = HOURS[one.since]
    minute = rng.randrange(low_h * 60, high_h * 60)
    with tempfile.TemporaryDirectory(prefix="sashkeeper-campaign-") as home:
        at = f"{first_day(seed) + timedelta(day)}T{minute // 60:02d}:{minute % 60:02d}"
        table = {"link": "outage", "hold": "press"}.get(one.part, "fault")
        text = f'[[{table}]]\npart = "{one.part}"\nkind = "{one.kind}"\nat = "{at}"\n{one.more}\n'
        winter = Winter(Path(home), seed, days, day - BEFORE_DAYS, text)
        try:
            fault_s = winter.start_s - 5 * 3600 + BEFORE_DAYS * DAY_S + minute * 60
            return winter.tally(_wait(winter, Outcome(seed, name, 0.0), one, fault_s))
        finally:
            winter.rehearsal.close()


def _wait(winter: Winter, outcome: Outcome, one: Break, fault_s: float) -> Outcome:
    """Run until an alarm tells, or the limit is long past."""
    winter.rehearsal.run_until(fault_s)
    known = {a.id for a in winter.house.store.alarm_list()}
    wanted = {"opening": 1, "shutting": -1, "fault": 0}[one.since]
    due_s = fault_s if wanted == 0 else None
    end_s = min(winter.end_s, fault_s + AFTER_DAYS * DAY_S)
    outcome.verdict = "missed"
    while winter.rehearsal.now_s < end_s:
        now_s = winter.rehearsal.now_s
        if due_s is None and winter.runner.turn.motor * wanted > 0:
            due_s = now_s
        if due_s is not None and now_s > due_s + max(4 * one.limit_s, 7200):
            break
        rung = [a for a in winter.house.store.alarm_list(open_only=True) if a.id not in known and a.kind in one.alarms]
        if rung:
            outcome.said = rung[-1].kind
            # Found before the lid was told to move (by warmth, by a switch): earlier than asked.
            outcome.took_s = rung[-1].opened_s - (now_s if due_s is None else due_s)
            outcome.verdict = "found" if outcome.took_s <= one.limit_s else "late"
            break
        winter.rehearsal.step()
    if outcome.verdict == "missed" and due_s is None:
        outcome.verdict = "not provoked"
    outcome.frame_days = (winter.rehearsal.now_s - winter.start_s) / DAY_S
    return outcome


Job = tuple[str, int, int]


def play(job: Job) -> tuple[Job, Outcome]:
    """Run one job (kind, seed, days), in a process of its own."""
    kind, seed, days = job
    return job, (healthy if kind == "healthy" else broken)(seed, days)
