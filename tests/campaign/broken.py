"""The same winters with one fault each: what breaks, which alarm may tell it, and by when.

Limits [s]: for a lid that cannot move 130 s, the travel time of 40 s plus the 90 s of the host's incident tests;
for the others the delays of the alarm catalogue and of the slowest report between them; where the catalogue only says
when a person has to act ("time_to_respond"), that time. Faults and their moments are invented.
"""

from __future__ import annotations

import gc
import random
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path

from sashkeeper.alarms import catalogue

from .fork import in_a_fork
from .winter import DAY_S, FAST, QUICK, USUAL, Outcome, Winter, first_day, healthy

PACE = replace(QUICK, report_s=USUAL.report_s)  # readings as often as usual
BEFORE_DAYS, AFTER_DAYS = 1, 10  # a run of a fault alone begins so long before it; any waits so long for the alarm
SETTLE_S = 3600.0  # before the fault, for what the frame is asked to report
RESPOND_S = {"within-30-min": 1800.0, "within-3-h": 3 * 3600.0, "within-24-h": 86_400.0}


@dataclass(frozen=True)
class Break:
    """A fault: what breaks, which alarms may tell, what the clock starts at (see CLOCKS), the limit [s].

    limit_s 0: the time to respond of the alarm that tells, as the catalogue has it. tables: further happenings.
    """

    part: str
    kind: str
    alarms: tuple[str, ...]
    since: str = "fault"
    limit_s: float = 0.0
    more: str = ""
    tables: str = ""
    hours: tuple[int, int] = (6, 23)  # of the day in which it may begin


NIGHT, NOON = (0, 5), (11, 15)  # a latch is left on a shut lid, an open lid is blocked by day
SHUT = ("stuck-shut", "stuck-shut-cool", "no-drop", "motor-fault", "lid-iced")
OPEN = ("stuck-open", "open-in-frost", "motor-fault")
SILENT = ("frame-silent", "frame-silent-sun", "frame-silent-open")
ALONE = ("moved-alone", "open-in-frost", "open-at-dusk")
FOOLED = '[[fault]]\npart = "switch-shut"\nkind = "stuck-off"\nwhen = "moving"\nat = "{at}"\n'
COVERED = '[[fault]]\npart = "battery"\nkind = "panel-covered"\nat = "{at}"\n'

BREAKS = {
    "lid blocked from opening": Break("lid", "blocked", SHUT, "opening", 130, hours=NIGHT),
    "latch left on": Break("lid", "latch", SHUT, "opening", 130, "slack_permille = 5.0", hours=NIGHT),
    "weight on the lid": Break("lid", "weight", SHUT, "opening", 130, "kg = 150.0", hours=NIGHT),
    "lid frozen to its rim": Break("lid", "ice", SHUT, "opening", 130, "bond_n = 3000.0\nthaws_degc = 12.0",
                                   hours=NIGHT),
    "arm off its bracket": Break("lid", "arm-off", SHUT, "opening", 130, hours=NIGHT),
    "motor wire broken": Break("motor", "broken-wire", (*SHUT, *OPEN), "opening", 130, hours=NIGHT),
    "motor shorted": Break("motor", "short", (*SHUT, *OPEN), "opening", 130, hours=NIGHT),
    "lid blocked from shutting": Break("lid", "blocked", OPEN, "shutting", 130,
                                        'direction = "shut"\nwhen = "lid-above"\nvalue = 30.0', hours=NOON),
    "lid lifted by a person": Break("lid", "lifted", ALONE, "open alone"),
    "lid lifted by wind": Break("lid", "wind-lift", ALONE, "open alone", more="wind_m_s = 4.0"),
    "arm off, shut switch lies": Break("lid", "arm-off", (*SHUT, "position-unknown", "too-hot", "hot-though-open"),
                                       "shut and hot", tables=FOOLED, hours=NIGHT),
    "cover left on": Break("cover", "on", ("blind-lid",), "dark", hours=NIGHT),
    "air probe silent": Break("probe-air", "no-answer", ("probe-lost",), limit_s=900),
    "outside probe silent": Break("probe-outside", "no-answer", ("probe-spare-lost",), limit_s=1200),
    "hold left on": Break("hold", "pressed", ("hold-left-on",), limit_s=3700),
    "network gone": Break("link", "down", SILENT, limit_s=2000),
    "power gone": Break("power", "cut", SILENT, limit_s=2000),
    "battery flat, panel covered": Break("battery", "flat", ("battery-low", "battery-empty"), "low",
                                         more="charge = 0.0", tables=COVERED),
}
# Two faults at once: only when asked for by name.
PAIRS = ("arm off, shut switch lies",)
TABLES = {"link": "outage", "power": "outage", "hold": "press"}


class Watch:
    """What tells that a fault has begun to matter, looked at after every step."""

    def __init__(self, winter: Winter) -> None:
        self.winter, self.runner, self.model = winter, winter.runner, winter.model
        self._air: list[tuple[float, float]] = []  # (time, degC) of the last two hours
        self._alone = 0  # readings in a row with the lid higher than it was put

    def fault(self) -> bool:
        """At once."""
        return True

    def opening(self) -> bool:
        """The motor is told to open."""
        return self.runner.turn.motor > 0

    def shutting(self) -> bool:
        """The motor is told to shut a lid that is blocked."""
        return self.runner.turn.motor < 0 and bool(self.runner.frame.faults.of("lid"))

    def open_alone(self) -> bool:
        """The lid stands a good crack higher than it was put."""
        lid = self.runner.frame.lid
        alone = bool(lid.lid_permille > lid.arm_permille + 60 and self.runner.turn.motor == 0)
        self._alone = self._alone + 1 if alone else 0
        return alone

    def one_gust(self) -> bool:
        """The lid stood up at one reading and lies shut at the next; call at each step after `open_alone` said so."""
        stood = self._alone
        return not self.open_alone() and stood == 1

    def shut_and_hot(self) -> bool:
        """The lid is down and the bed ten degrees over the usual opening temperature."""
        return self.runner.frame.lid.lid_permille < 20 and self.model.air_degc > 25.0

    def dark(self) -> bool:
        """Sun and the bed as flat and cold as under snow for two hours: one for "flat", one for the alarm's on-delay.

        On other days only a light cell could tell.
        """
        now_s, model = self.runner.time_s, self.model
        kept = [(t, v) for t, v in self._air if t >= now_s - 7200] if model.sun_height_deg > 12.0 else []
        self._air = [*kept, (now_s, model.air_degc)]
        airs = [v for _, v in self._air]
        flat = max(airs) - min(airs) < 0.4 and max(map(abs, airs)) < 1.8
        return flat and now_s - self._air[0][0] >= 7000

    def low(self) -> bool:
        """The supply is at or below the frame's battery_low."""
        return bool(self.runner.frame.volts * 1000 <= self.runner.core.settings["battery_low_mv"])


CLOCKS: dict[str, Callable[[Watch], bool]] = {
    "fault": Watch.fault, "opening": Watch.opening, "shutting": Watch.shutting, "open alone": Watch.open_alone,
    "shut and hot": Watch.shut_and_hot, "dark": Watch.dark, "low": Watch.low,
}  # fmt: skip


@dataclass(frozen=True)
class Strike:
    """A fault drawn for the n-th frame of a winter: name in BREAKS, day and minute of local standard time, scenario."""

    frame: int
    name: str
    day: int
    minute: int
    text: str

    def at_s(self, winter: Winter) -> float:
        """The moment [Unix s]."""
        return winter.midnight_s + self.day * DAY_S + self.minute * 60


def draw(seed: int, days: int, name: str = "", frame: int = 0) -> Strike:
    """A fault for this winter, at a moment drawn by chance. Kinds go round: each once in as many seeds, shuffled."""
    rng = random.Random(f"fault {seed} {frame}")
    kinds = sorted(set(BREAKS) - set(PAIRS))
    turn, place = divmod(seed + 5 * frame, len(kinds))
    name = name or random.Random(f"turn {turn}").sample(kinds, len(kinds))[place]
    one = BREAKS[name]
    day = rng.randrange(BEFORE_DAYS, max(BEFORE_DAYS + 1, days - AFTER_DAYS))
    minute = rng.randrange(one.hours[0] * 60, one.hours[1] * 60)
    at = f"{first_day(seed, days) + timedelta(day)}T{minute // 60:02d}:{minute % 60:02d}"
    table = TABLES.get(one.part, "fault")
    text = f'[[{table}]]\npart = "{one.part}"\nkind = "{one.kind}"\nat = "{at}"\n{one.more}\n'
    return Strike(frame, name, day, minute, text + one.tables.format(at=at))


def broken(seed: int, days: int, name: str = "") -> Outcome:
    """The same weather with one fault, from a day before it until it is told."""
    strike = draw(seed, days, name)
    with tempfile.TemporaryDirectory(prefix="sashkeeper-campaign-", dir=FAST) as home:
        winter = Winter(Path(home), seed, days, strike.day - BEFORE_DAYS, PACE)
        try:
            return _struck(winter, strike)
        finally:
            winter.rehearsal.close()


def with_faults(seed: int, days: int) -> list[Outcome]:
    """A winter played whole and healthy, then for each of its frames the same winter parting from it at one fault."""
    found: list[Outcome] = []

    def meanwhile(winter: Winter) -> None:
        strikes = [draw(seed, days, frame=n) for n in range(len(winter.runners))]
        for strike in sorted(strikes, key=lambda one: one.at_s(winter)):
            winter.rehearsal.run_until(strike.at_s(winter) - SETTLE_S)
            found.append(in_a_fork(winter, partial(_struck, winter, strike)))

    return [healthy(seed, days, meanwhile=meanwhile), *found]


def _struck(winter: Winter, strike: Strike) -> Outcome:
    """Play on with the fault until it is told.

    Around the fault, and from the moment at which it matters, time goes at the usual pace, so that seconds count.
    """
    winter.strike(strike.text, strike.frame)
    outcome = Outcome(winter.seed, strike.name, 0.0)
    return winter.tally(_wait(winter, outcome, BREAKS[strike.name], strike.at_s(winter)))


def _wait(winter: Winter, outcome: Outcome, one: Break, fault_s: float) -> Outcome:
    """Run until an alarm tells, or the limit is long past."""
    began_s = winter.rehearsal.now_s
    winter.rehearsal.run_until(fault_s - 900)
    winter.take(USUAL)
    winter.rehearsal.run_until(fault_s)
    store, watch, clock = winter.house.store, Watch(winter), CLOCKS[one.since]
    known = {a.id for a in store.alarm_list()}
    before_s, due_s = fault_s, None
    if one.since != "fault":
        winter.take(PACE)
    end_s = min(winter.end_s, fault_s + AFTER_DAYS * DAY_S)
    outcome.verdict = "missed"
    while winter.rehearsal.now_s < end_s:
        now_s = winter.rehearsal.now_s
        if due_s is None and clock(watch):
            due_s = now_s if one.since in ("opening", "shutting") else before_s
            winter.take(USUAL)
        elif due_s is not None and one.since == "open alone" and watch.one_gust():
            due_s = None  # the frame believes a switch only when two readings agree, and nothing is open any more
            winter.take(PACE)
        before_s = now_s
        if one.since == "opening" and due_s is not None and winter.runner.frame.open_frac > 0.03:
            outcome.verdict = "not provoked"  # it opened all the same: thawed, lifted
            break
        limit_s = one.limit_s or max(RESPOND_S[catalogue.default()[a].time_to_respond] for a in one.alarms)
        if due_s is not None and now_s > due_s + max(4 * limit_s, 7200):
            break
        rung = [a for a in store.alarm_list(open_only=True) if a.id not in known and a.kind in one.alarms]
        if not rung and due_s is not None and standing(winter, one.alarms):
            outcome.verdict = "not provoked"  # the same alarm stood before, for another reason
            break
        if rung:
            outcome.said = rung[-1].kind
            # Found before it mattered (by warmth, by a switch): earlier than asked.
            outcome.took_s = rung[-1].opened_s - (now_s if due_s is None else due_s)
            limit_s = one.limit_s or RESPOND_S[catalogue.default()[outcome.said].time_to_respond]
            outcome.verdict = "found" if outcome.took_s <= limit_s else "late"
            break
        winter.rehearsal.step()
    if outcome.verdict == "missed" and due_s is None:
        outcome.verdict = "not provoked"
    outcome.frame_days = (winter.rehearsal.now_s - began_s) / DAY_S * len(winter.runners)
    return outcome


def standing(winter: Winter, alarms: tuple[str, ...]) -> bool:
    """Whether one of these alarms stands."""
    return any(shown.alarm in alarms for shown in winter.house.desk.standing())


Job = tuple[str, int, int]


def play(job: Job) -> tuple[Job, list[Outcome]]:
    """Run one job (kind, seed, days), in a process of its own."""
    kind, seed, days = job
    gc.set_threshold(200_000, 50, 50)  # nothing here makes rings that would have to be sought every few steps
    if kind == "both":
        return job, with_faults(seed, days)
    return job, [(healthy if kind == "healthy" else broken)(seed, days)]
