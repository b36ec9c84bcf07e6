"""The invariants, looked at after every step, against what is physically true in the simulated frame."""

from __future__ import annotations

from typing import Any

from sash import lid_table
from sash.reading import STOP
from sashkeeper.alarms import states

from .house import TRAVEL_S, Story

ACTIVE = (states.UNACKNOWLEDGED, states.ACKNOWLEDGED)
# All limits chosen by us, see README.md.
STALL_MS = 800           # starting surge 300, then two steps of 200, rounded up
SHORT_MS = 400           # beyond twice the limit the surge is not waited for
LONGEST_MS = TRAVEL_S * 1000 * 1250 // 800 + 2500  # travel + 25 % at the power of a search
SCORCH_TOLD_S = 300      # shut while it scorches: two minutes of frame delay, one of the host's, probe lag
FROST_TOLD_S = 420       # open below the frost value: time to shut, delays of frame and host, probe lag
OPEN_ENOUGH = 20         # permille, as lid_law
LITTLE_OPEN = 160        # permille: the most that a wind limit leaves at scorch
HEAT_ALARMS = {"too-hot", "stuck-shut", "no-drop", "hot-though-open", "probe-lost", "position-unknown", "safe-mode",
               "hold-left-on", "wind-held", "battery-empty", "battery-low", "motor-fault", "frame-silent-sun",
               "frame-silent", "broker-lost"}  # fmt: skip
FROST_ALARMS = {"open-in-frost", "stuck-open", "open-at-dusk", "probe-lost", "position-unknown", "safe-mode",
                "hold-left-on", "frame-silent-open", "frame-silent", "broker-lost", "moved-alone", "frost-damage",
                "frost-danger", "battery-empty", "motor-fault"}  # fmt: skip


class Watch:
    """Looks on after every step and keeps what was broken in `broken`."""

    def __init__(self, story: Story, truth_counts: bool) -> None:
        self.story = story
        self.broken: list[str] = []
        self.first_alarm: dict[str, float] = {}  # alarm -> when it was first active since `begin`
        self.first_word: dict[str, float] = {}
        self.from_s = 0.0
        self._truth = truth_counts
        self._before_ms = story.runner.time_ms
        self._held = False
        self._arm = story.runner.frame.lid.arm_permille
        self._stall_ms = self._short_ms = self._drive_ms = 0
        self._scorch_s = self._frost_s = 0.0

    def begin(self, now_s: float) -> None:
        """Count response times from here."""
        self.from_s = now_s
        self.first_alarm.clear()
        self.first_word.clear()

    def active(self) -> set[str]:
        """Alarms that stand now, about the frame or the keeper; one that a worse alarm covers counts with it."""
        standings = self.story.house.desk.engine.standings.values()
        return {s.alarm for s in standings if s.state in ACTIVE}

    def step(self) -> None:
        """Look once."""
        runner = self.story.runner
        dt_ms = runner.time_ms - self._before_ms
        self._before_ms = runner.time_ms
        active = self.active()
        for alarm in active:
            self.first_alarm.setdefault(alarm, runner.time_s)
        if runner.powered:
            for word in runner.core.faults.words():
                self.first_word.setdefault(word, runner.time_s)
        self._look_at_hold(runner)
        self._look_at_motor(runner, dt_ms)
        self._look_at_bed(runner, dt_ms / 1000, active)
        self._arm = runner.frame.lid.arm_permille

    def _break(self, what: str) -> None:
        at = (self.story.runner.time_s - self.story.start_s) / 60
        if what not in [old.split(" (")[0] for old in self.broken]:
            self.broken.append(f"{what} (minute {at:.1f})")

    def _look_at_hold(self, runner: Any) -> None:
        """Never under hold: neither told nor real."""
        frame = runner.frame
        held = bool(frame.faults.of("hold"))
        hung = frame.faults.of("board")
        if held and self._held and runner.powered and not hung:
            if runner.turn.motor != STOP:
                self._break("told to move under hold")
            if abs(frame.lid.arm_permille - self._arm) > 0.01:
                self._break("moved under hold")
        self._held = held

    def _look_at_motor(self, runner: Any, dt_ms: int) -> None:
        """Stall and short circuit end within their time, every drive within its own."""
        faults, lid = runner.frame.faults, runner.frame.lid
        running = runner.turn.motor != STOP
        self._drive_ms = self._drive_ms + dt_ms if running else 0
        if self._drive_ms > LONGEST_MS:
            self._break("drove too long")
        if faults.of("current-sensor") or faults.of("board") or faults.find("motor", "relay-stuck"):
            return
        limit_ma = int(runner.fittings.get("stall_ma", 3000))
        self._stall_ms = self._stall_ms + dt_ms if running and lid.motor_ma >= limit_ma else 0
        self._short_ms = self._short_ms + dt_ms if running and lid.motor_ma >= 2 * limit_ma else 0
        if self._stall_ms > STALL_MS or self._short_ms > SHORT_MS:
            self._break("current limit too late")

    def _look_at_bed(self, runner: Any, dt_s: float, active: set[str]) -> None:
        """Neither cooks nor freezes in silence."""
        air, lid = runner.frame.model.air_degc, runner.frame.lid.lid_permille
        wanted = self.story.house.store.actual(self.story.name)
        if wanted is None or not self._truth:
            return
        values = wanted.body["settings"]
        # What the frame itself shows and sounds counts where no message can get out.
        local = runner.powered and runner.link_out and runner.core.faults.words() and runner.turn.lamp
        scorching = air >= values["scorch_mdegc"] / 1000 + 0.5 and lid <= LITTLE_OPEN
        told = active & HEAT_ALARMS or local
        self._scorch_s = self._scorch_s + dt_s if scorching and not told else 0.0
        if self._scorch_s > SCORCH_TOLD_S:
            self._break("shut on a scorching bed without an alarm")
        freezing = air < values["frost_mdegc"] / 1000 - 0.5 and lid > OPEN_ENOUGH
        told = active & FROST_ALARMS or local
        self._frost_s = self._frost_s + dt_s if freezing and not told else 0.0
        if self._frost_s > FROST_TOLD_S:
            self._break("open below the frost limit without an alarm")


def recovered(story: Story, watch: Watch, left: tuple[str, ...]) -> str:
    """An empty text when all is as before the fault, else what is not."""
    runner = story.runner
    if not runner.powered:
        return "off"
    core, motion = runner.core, runner.core.motion
    if core.mode != "auto":
        return f"mode {core.mode}"
    if motion.fault or motion.latched:
        return f"lid {lid_table.FAULTS[motion.fault]}"
    words = set(core.faults.words()) - set(left)
    if words:
        return f"says {', '.join(sorted(words))}"
    alarms = watch.active() - set(left)
    if alarms:
        return f"alarms {', '.join(sorted(alarms))}"
    if core.position_permille < 0:
        return "lid unknown"
    if not motion.moving and abs(core.position_permille - runner.frame.lid.lid_permille) > 100:
        return f"lid is at {runner.frame.lid.lid_permille:.0f}, thinks {core.position_permille}"
    return ""
