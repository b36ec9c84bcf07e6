"""How good the alarms are: the yardsticks for alarm systems, applied to the log of one household.

Source of the yardsticks: ISA-18.2-2016 section 16.4 (figures as commonly transcribed). Ours: at least 30
days, at least 100 activations before shares of priorities are judged, the rules for chattering (3 in a
minute) and fleeting (under 10 s with no repeat in a minute), and the pushes allowed a day.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from ..store import Store
from .catalogue import PRIORITIES
from .states import ACKNOWLEDGED, NORMAL, QUIET_STATES, RETURNED, STANDING_STATES, SUPPRESSED, UNACKNOWLEDGED

DAY_S = 86_400.0
FULL_SPAN_DAYS = 30.0
ENOUGH = 100
SLOT_S = 600.0
# Highest share of each priority [%], target of the standard: about 80 / 15 / 5 and under 1 at the top.
SHARES = {"urgent": 1.0, "high": 5.0, "medium": 15.0, "low": 80.0}


@dataclass(frozen=True)
class Step:
    """One line of the log, with the alarm's identity: time [s], which alarm, and what it went from and to."""

    time_s: float
    frame: str
    alarm: str
    priority: str
    incident: int
    from_state: str
    to_state: str
    why: str = ""


@dataclass(frozen=True)
class Metrics:
    """Figures over one span; shares in percent."""

    days: float
    short: bool  # under 30 days: do not judge by it
    activations: int
    per_day: float
    slots_over_10_percent: float
    shares_percent: dict[str, float]
    shares_judged: bool
    chattering: int
    fleeting: int
    stale_now: int
    shelved_now: int
    suppressed: int
    uncontrolled_suppression: int
    pushes: int
    pushes_per_day: float
    frames: int
    pushes_per_frame_day: float

    def to_dict(self) -> dict[str, Any]:
        """Return a plain dictionary."""
        return asdict(self)


def measure(store: Store, start_s: float, end_s: float) -> Metrics:
    """Measure a span of a store's log; the span is cut to what the log covers."""
    alarms = {a.id: a for a in store.alarm_list(end_s=end_s + 1)}
    steps = [
        Step(s.time_s, a.frame or "", a.kind, a.priority, s.alarm, s.from_state, s.to_state, s.why)
        for s in store.alarm_log(end_s=end_s + 1)
        if (a := alarms.get(s.alarm)) is not None
    ]
    sent = [d for d in store.delivery_list(start_s=start_s) if d.data.get("kind") != "test"]
    pushes = [float(d.made_s) for d in sent]
    life = [float(d.made_s) for d in sent if d.data.get("kind") == "life"]
    frames = store.frames()
    first = min((float(f.added_s) for f in frames), default=end_s)
    return compute(steps, _messages(pushes), max(start_s, min(first, end_s)), end_s, len(frames), _messages(life))


def _messages(times: Sequence[float]) -> list[float]:
    """One message by several channels at once counts as one push."""
    return sorted(set(times))


def compute(
    steps: Iterable[Step], pushes_s: Sequence[float], start_s: float, end_s: float, frames: int,
    life_s: Sequence[float] = (),
) -> Metrics:
    """Work the figures out from log lines and push times; pure.

    life_s: which of the pushes were the daily sign of life. It is a message to the grower, about no frame.
    """
    steps = sorted(steps, key=lambda s: s.time_s)
    inside = [s for s in steps if start_s <= s.time_s <= end_s]
    rises = [s for s in inside if s.to_state == UNACKNOWLEDGED and s.from_state not in STANDING_STATES]
    span_s = max(1.0, end_s - start_s)
    days = span_s / DAY_S
    last = _last_states(steps)
    sent = [t for t in pushes_s if start_s <= t <= end_s]
    about = len(sent) - sum(start_s <= t <= end_s for t in life_s)
    quiet = [s for s in inside if s.to_state == SUPPRESSED]
    return Metrics(
        days=round(days, 2),
        short=days < FULL_SPAN_DAYS,
        activations=len(rises),
        per_day=round(len(rises) / max(days, 1e-9), 3),
        slots_over_10_percent=round(_slots_over([s.time_s for s in rises], start_s, end_s), 3),
        shares_percent=_shares(rises),
        shares_judged=len(rises) >= ENOUGH,
        chattering=_chattering(rises),
        fleeting=_fleeting(inside),
        stale_now=sum(1 for s in last.values() if s.to_state in STANDING_STATES and end_s - s.time_s > DAY_S),
        shelved_now=sum(1 for s in last.values() if s.to_state in QUIET_STATES and s.to_state != SUPPRESSED),
        suppressed=len(quiet),
        uncontrolled_suppression=sum(1 for s in quiet if "mode " not in s.why and "alarm " not in s.why),
        pushes=len(sent),
        pushes_per_day=round(len(sent) / max(days, 1e-9), 3),
        frames=frames,
        pushes_per_frame_day=round(about / max(days, 1e-9) / max(frames, 1), 3),
    )


def lines(found: Metrics) -> list[str]:
    """Return the figures as text, each with its yardstick."""
    short = "  (shorter than 30 days: do not judge by it)" if found.short else ""
    shares = ", ".join(f"{p} {found.shares_percent[p]:.0f} %" for p in PRIORITIES)
    judged = "" if found.shares_judged else "  (fewer than 100 alarms: too few to judge)"
    return [
        f"Span                      {found.days:g} days{short}",
        f"Alarms                    {found.activations} ({found.per_day:g} a day; yardstick 150 a day)",
        f"Ten minutes with over 10  {found.slots_over_10_percent:g} %  (under 1 %)",
        f"By urgency                {shares}  (under 1, 5, 15, about 80 %){judged}",
        f"Chattering                {found.chattering}  (0)",
        f"Fleeting                  {found.fleeting}  (0)",
        f"Standing over 24 h        {found.stale_now}  (under 5)",
        f"Silent by wish now        {found.shelved_now}",
        f"Silent by design          {found.suppressed}, without a named reason {found.uncontrolled_suppression}  (0)",
        f"Messages to the phone     {found.pushes} ({found.pushes_per_day:g} a day, at most 6; "
        f"{found.pushes_per_frame_day:g} a frame and day without the sign of life, at most 1)",
    ]


def _last_states(steps: Sequence[Step]) -> dict[int, Step]:
    """Return for each incident the step that began its present state."""
    last: dict[int, Step] = {}
    for step in steps:
        before = last.get(step.incident)
        # Acknowledging does not make a standing alarm younger.
        standing = before is not None and before.to_state in STANDING_STATES and step.to_state in STANDING_STATES
        if before is not None and standing:
            last[step.incident] = Step(before.time_s, step.frame, step.alarm, step.priority, step.incident,
                                       step.from_state, step.to_state, step.why)
        else:
            last[step.incident] = step
    return last


def _slots_over(times: Sequence[float], start_s: float, end_s: float, limit: int = 10) -> float:
    """Return the share [%] of 10-minute slots with more than `limit` activations."""
    slots = max(1, int((end_s - start_s) / SLOT_S + 0.999999))
    counts: dict[int, int] = {}
    for t in times:
        slot = min(slots - 1, int((t - start_s) // SLOT_S))
        counts[slot] = counts.get(slot, 0) + 1
    return 100.0 * sum(1 for n in counts.values() if n > limit) / slots


def _shares(rises: Sequence[Step]) -> dict[str, float]:
    total = max(1, len(rises))
    return {p: round(100.0 * sum(1 for s in rises if s.priority == p) / total, 2) for p in PRIORITIES}


def _by_alarm(steps: Iterable[Step]) -> dict[tuple[str, str], list[Step]]:
    found: dict[tuple[str, str], list[Step]] = {}
    for step in steps:
        found.setdefault((step.frame, step.alarm), []).append(step)
    return found


def _chattering(rises: Sequence[Step]) -> int:
    """Count runs of three or more activations of one alarm within a minute; a run counts once."""
    count = 0
    for steps in _by_alarm(rises).values():
        times = [s.time_s for s in steps]
        i = 0
        while i + 2 < len(times):
            if times[i + 2] - times[i] > 60:
                i += 1
                continue
            count += 1
            first = times[i]
            while i < len(times) and times[i] - first <= 60:
                i += 1
    return count


def _fleeting(steps: Sequence[Step]) -> int:
    """Count activations over within 10 s that do not come back within 60 s."""
    count = 0
    for of_alarm in _by_alarm(steps).values():
        for i, step in enumerate(of_alarm):
            if step.to_state != UNACKNOWLEDGED or step.from_state in STANDING_STATES:
                continue
            rest = of_alarm[i + 1 :]
            over = next((s for s in rest if s.to_state in (NORMAL, RETURNED) and s.from_state in
                         (UNACKNOWLEDGED, ACKNOWLEDGED)), None)
            if over is None or over.time_s - step.time_s >= 10:
                continue
            again = any(s.to_state == UNACKNOWLEDGED and 0 <= s.time_s - over.time_s <= 60 for s in rest)
            count += not again
    return count
