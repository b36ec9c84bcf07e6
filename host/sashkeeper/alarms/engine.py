"""What follows from the findings: state changes and messages. Pure: time comes in, actions go out.

The engine remembers one `Standing` for every alarm of every frame that is not simply normal. It applies
delays, the life cycle (states.py), shelving, what covers what, reminders, the second channel, quiet hours,
and the limit on messages in a storm (rules.py). It sends nothing and stores nothing; desk.py does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from . import states
from .catalogue import HIGH, LOW, MEDIUM, URGENT, Alarm, Catalogue
from .evidence import FALSE, TRUE, Finding
from .incident import ALERT, ALL_CLEAR, FIRST, GROUP, LIFE, REMINDER, SECOND, Action, Change, Message, Standing
from .rules import DAY_S, Rules
from .states import ACKNOWLEDGED, NORMAL, RETURNED, SHELVED, STANDING_STATES, SUPPRESSED, UNACKNOWLEDGED


class Engine:
    """The alarms of all frames."""

    def __init__(self, catalogue: Catalogue, rules: Rules | None = None, next_incident: int = 1) -> None:
        self.catalogue = catalogue
        self.rules = rules or Rules()
        self.standings: dict[tuple[str, str], Standing] = {}
        self.modes: dict[str, frozenset[str]] = {}
        self.next_incident = next_incident
        self.pushes_s: list[float] = []  # messages of the last ten minutes
        self.group_s: float | None = None
        self.life_day: int | None = None
        self.touched: set[tuple[str, str]] = set()  # what the desk has to store
        self._actions: list[Action] = []

    def __repr__(self) -> str:
        standing = [s for s in self.standings.values() if s.state in STANDING_STATES]
        return f"<Engine {len(standing)} standing, {len(self.pushes_s)} messages in 10 min>"

    # -- the step ------------------------------------------------------------------------------

    def look(self, now_s: float, frame: str, found: Mapping[str, Finding], modes: Iterable[str] = ()) -> None:
        """Take the findings about one frame; call `settle` afterwards for the actions."""
        self.modes[frame] = frozenset(modes)
        for alarm_id, finding in found.items():
            key = (frame, alarm_id)
            standing = self.standings.get(key)
            if standing is None:
                if finding.truth != TRUE:
                    continue
                standing = self.standings[key] = Standing(frame, alarm_id)
            self._weigh(now_s, standing, finding, self.catalogue[alarm_id])

    def settle(self, now_s: float, frame: str | None = None) -> list[Action]:
        """Apply what follows from time and covers, and return all actions since the last call.

        frame: only this one, right after a message of it; what does not fit is left to the next full call.
        """
        ours = [s for s in self.standings.values() if frame is None or s.frame == frame]
        for standing in ours:
            self._mind_time(now_s, standing)
        for standing in ours:
            self._mind_cover(now_s, standing)
        for standing in ours:
            self._remind(now_s, standing)
        self._send_due(now_s, ours)
        self._sign_of_life(now_s)
        self._forget(now_s, ours)
        actions, self._actions = self._actions, []
        return actions

    def begin_delays_anew(self) -> None:
        """Forget since when conditions hold that have not rung yet: after a time in which nobody watched."""
        for standing in self.standings.values():
            if not standing.condition:
                standing.true_s = None

    def step(self, now_s: float, found: Mapping[str, Mapping[str, Finding]]) -> list[Action]:
        """Take the findings of several frames and return what follows."""
        for frame, of_frame in found.items():
            self.look(now_s, frame, of_frame, self.modes.get(frame, ()))
        return self.settle(now_s)

    # -- what people do ------------------------------------------------------------------------

    def acknowledge(self, now_s: float, frame: str, alarm_id: str, who: str) -> bool:
        """Note that somebody knows; False when there was nothing to acknowledge."""
        standing = self.standings.get((frame, alarm_id))
        if standing is None or standing.state not in (UNACKNOWLEDGED, RETURNED):
            return False
        standing.ack_s, standing.ack_by = now_s, who
        self._go(now_s, standing, states.ACKNOWLEDGE, f"acknowledged by {who}")
        return True

    def shelve(self, now_s: float, frame: str, alarm_id: str, end_s: float, who: str) -> None:
        """Keep an alarm silent until `end_s`; ValueError when that has passed or is over 30 days away."""
        if not now_s < end_s <= now_s + 30 * DAY_S:
            raise ValueError("shelving needs an end between now and 30 days from now")
        self.catalogue[alarm_id]
        standing = self.standings.setdefault((frame, alarm_id), Standing(frame, alarm_id))
        if standing.incident == 0:
            self._new_incident(now_s, standing, standing.condition)
        standing.shelf_end_s, standing.due, standing.said = end_s, "", ""
        self._go(now_s, standing, states.SHELVE, f"shelved by {who}")

    def unshelve(self, now_s: float, frame: str, alarm_id: str, who: str) -> bool:
        """End shelving now; False when it was not shelved."""
        standing = self.standings.get((frame, alarm_id))
        if standing is None or standing.state != SHELVED:
            return False
        self._back(now_s, standing, f"shelving ended by {who}")
        return True

    def take_out(self, now_s: float, frame: str, alarm_id: str, who: str) -> None:
        """Take an alarm out of service."""
        self.catalogue[alarm_id]
        standing = self.standings.setdefault((frame, alarm_id), Standing(frame, alarm_id))
        if standing.incident == 0:
            self._new_incident(now_s, standing, standing.condition)
        standing.due, standing.said, standing.shelf_end_s = "", "", None
        self._go(now_s, standing, states.TAKE_OUT, f"out of service by {who}")

    def put_back(self, now_s: float, frame: str, alarm_id: str, who: str) -> bool:
        """Put an alarm back into service; False when it was not out."""
        standing = self.standings.get((frame, alarm_id))
        if standing is None or standing.state != states.OUT_OF_SERVICE:
            return False
        self._back(now_s, standing, f"back in service by {who}")
        return True

    # -- inside --------------------------------------------------------------------------------

    def _weigh(self, now_s: float, standing: Standing, finding: Finding, alarm: Alarm) -> None:
        """Apply the delays of one alarm to one finding."""
        was_beginning, was_ending = standing.true_s is not None, standing.false_s is not None
        if finding.facts:
            standing.facts = dict(finding.facts)
        if finding.truth == TRUE:
            # A clock set back must not stretch a delay.
            standing.true_s = now_s if standing.true_s is None else min(standing.true_s, now_s)
            standing.false_s = None
        elif finding.truth == FALSE:
            standing.false_s = now_s if standing.false_s is None else min(standing.false_s, now_s)
            standing.true_s = None
        elif not standing.condition:
            standing.true_s = None
        if standing.condition and _is_frost(alarm):
            self._mind_spell(standing)
        # A restart must not begin a delay afresh: a keeper that restarts every few minutes would never ring.
        if standing.condition:
            begun = was_ending != (standing.false_s is not None)
        else:
            begun = alarm.on_delay_s > 0 and was_beginning != (standing.true_s is not None)
        if begun:
            self.touched.add((standing.frame, standing.alarm))
        if not standing.condition and standing.true_s is not None and now_s - standing.true_s >= alarm.on_delay_s:
            standing.condition = True
            self._rise(now_s, standing)
        gone = standing.false_s is not None and now_s - standing.false_s >= alarm.off_delay_s
        if standing.condition and gone:
            standing.condition = False
            self._clear(now_s, standing)

    def _rise(self, now_s: float, standing: Standing) -> None:
        closed = standing.closed_s
        if standing.state == RETURNED and closed is not None and now_s - closed >= self.rules.new_after_s:
            standing.ack_by = "time"
            self._go(now_s, standing, states.ACKNOWLEDGE, "returned and taken as read")
        if standing.state == NORMAL:
            self._new_incident(now_s, standing)
        cover = self._cover(now_s, standing)
        if cover and standing.state in (NORMAL, RETURNED):
            standing.covered_by, standing.due, standing.closed_s = cover, "", None
            self._go(now_s, standing, states.SUPPRESS, f"silent by design: {cover}")
            return
        if standing.state in (NORMAL, RETURNED):
            standing.closed_s = None
            # An all-clear that was still waiting is simply dropped: the grower never heard of it.
            standing.due = "" if standing.said == ALERT else ALERT
            if standing.due and self._same_spell(now_s, standing):
                standing.due, standing.said = "", ALERT  # heard last night; `_mind_spell` tells if it gets worse
        self._go(now_s, standing, states.RISES, "condition holds")

    def _same_spell(self, now_s: float, standing: Standing) -> bool:
        """True for frost that follows on frost which was told."""
        ended = standing.spell_end_s
        return _is_frost(self.catalogue[standing.alarm]) and ended is not None and now_s - ended < self.rules.spell_s

    def _mind_spell(self, standing: Standing) -> None:
        """Note the coldest of a frost; one that was not told, being no worse than last night's, is told once it is."""
        air = standing.facts.get("air_degc")
        if not isinstance(air, int | float):
            return
        standing.low_degc = air if standing.low_degc is None else min(standing.low_degc, air)
        quiet = standing.said == ALERT and standing.told == 0 and standing.state in STANDING_STATES
        if quiet and standing.spell_degc is not None and air <= standing.spell_degc - self.rules.worse_k:
            standing.due, standing.said = ALERT, ""

    def _clear(self, now_s: float, standing: Standing) -> None:
        was = standing.state
        if standing.said == ALERT and _is_frost(self.catalogue[standing.alarm]):
            before = standing.spell_degc if self._same_spell(standing.opened_s or now_s, standing) else None
            known = [degc for degc in (before, standing.low_degc) if degc is not None]
            standing.spell_degc, standing.spell_end_s = min(known, default=None), now_s
        self._go(now_s, standing, states.CLEARS, "condition gone")
        if was not in STANDING_STATES:
            return
        standing.closed_s = now_s
        # What was never told needs no all-clear; low ones only lived in the daily message.
        alarm = self.catalogue[standing.alarm]
        told = standing.said == ALERT and alarm.priority != LOW and not alarm.ends_by_itself
        standing.due = ALL_CLEAR if told else ""

    def _new_incident(self, now_s: float, standing: Standing, condition: bool = True) -> None:
        kept = standing.facts, standing.true_s, standing.shelf_end_s
        spell = standing.spell_degc, standing.spell_end_s
        fresh = Standing(
            standing.frame, standing.alarm, incident=self.next_incident, opened_s=now_s, condition=condition
        )
        self.next_incident += 1
        standing.__dict__.update(fresh.__dict__)
        standing.facts, standing.true_s, standing.shelf_end_s = kept
        standing.spell_degc, standing.spell_end_s = spell

    def _go(self, now_s: float, standing: Standing, event: str, why: str) -> None:
        before = standing.state
        standing.state = states.after(before, event)
        self.touched.add((standing.frame, standing.alarm))
        if standing.state != before:
            self._actions.append(Change(_copy(standing), before, standing.state, why))

    def _back(self, now_s: float, standing: Standing, why: str) -> None:
        """End a quiet state: look at the condition again."""
        by_alarm = standing.covered_by.startswith("alarm ")
        standing.shelf_end_s, standing.covered_by = None, ""
        if standing.condition:
            standing.closed_s = None
            if standing.state == SUPPRESSED and by_alarm and self.catalogue[standing.alarm].ends_by_itself:
                standing.said = ALERT  # the grower has heard of worse: a frost that eases needs no new message
            standing.due = "" if standing.said == ALERT else ALERT
        knew = standing.state == SUPPRESSED and standing.condition and standing.ack_s is not None
        self._go(now_s, standing, states.BACK_TRUE if standing.condition else states.BACK_CLEAR, why)
        if knew:  # the same incident after a pause, such as hands in the frame: whoever knew still knows
            self._go(now_s, standing, states.ACKNOWLEDGE, f"still known to {standing.ack_by}")

    def _mind_time(self, now_s: float, standing: Standing) -> None:
        """Ends of shelving, and returned alarms that nobody acknowledges."""
        if standing.state == SHELVED and standing.shelf_end_s is not None and now_s >= standing.shelf_end_s:
            self._back(now_s, standing, "end of shelving")
        closed = standing.closed_s
        if standing.state == RETURNED and closed is not None and now_s - closed >= self.rules.forget_s:
            standing.ack_by = "time"
            self._go(now_s, standing, states.ACKNOWLEDGE, "returned and taken as read")

    def _cover(self, now_s: float, standing: Standing) -> str:
        """Return what silences this alarm by design right now, or an empty text."""
        alarm = self.catalogue[standing.alarm]
        for mode in alarm.quiet_in:
            if mode in self.modes.get(standing.frame, ()):
                return f"mode {mode}"
        for other in alarm.covered_by:
            for frame in (standing.frame, ""):  # alarms of the keeper itself (no frame) cover all frames
                cover = self.standings.get((frame, other))
                if cover is None or cover.state in states.QUIET_STATES:
                    continue
                lately = cover.closed_s is not None and now_s - cover.closed_s < self.rules.linger_s
                if cover.state in STANDING_STATES or lately:
                    return f"alarm {other}"
        return ""

    def _mind_cover(self, now_s: float, standing: Standing) -> None:
        if standing.state not in (*STANDING_STATES, SUPPRESSED):
            return
        cover = self._cover(now_s, standing)
        if cover and standing.state in STANDING_STATES:
            standing.covered_by, standing.due = cover, ""
            self._go(now_s, standing, states.SUPPRESS, f"silent by design: {cover}")
        elif not cover and standing.state == SUPPRESSED:
            if not standing.condition:
                standing.closed_s = now_s
            self._back(now_s, standing, "no longer silent by design")

    def _remind(self, now_s: float, standing: Standing) -> None:
        """Second channel and reminders for what stands and was told."""
        if standing.due or standing.told_s is None or standing.state not in STANDING_STATES:
            return
        priority = self.catalogue[standing.alarm].priority
        if standing.state == ACKNOWLEDGED:
            waited = now_s - (standing.ack_s or now_s)
            if priority == URGENT and not standing.still_told and waited >= self.rules.still_after_ack_s:
                standing.still_told = True
                self._push(now_s, REMINDER, standing)
            return
        after = self.rules.second_after_s.get(priority)
        # Without another way only what is urgent is repeated so soon.
        other_way = self.rules.second_channel or priority == URGENT
        if after is not None and other_way and standing.second_s is None and now_s - standing.told_s >= after:
            if self._may_push(now_s, standing):
                standing.second_s = now_s
                self._push(now_s, REMINDER, standing, SECOND)
            return
        pauses = () if self.catalogue[standing.alarm].ends_by_itself else self.rules.reminders_s.get(priority, ())
        last = max(standing.told_s, standing.second_s or 0.0)
        due = standing.reminded < len(pauses) and now_s - last >= pauses[standing.reminded]
        if due and self._may_push(now_s, standing):
            standing.reminded += 1
            standing.told_s = now_s
            self._push(now_s, REMINDER, standing)

    # -- messages ------------------------------------------------------------------------------

    def quiet(self, now_s: float) -> bool:
        """True inside the quiet hours."""
        minute = ((now_s + self.rules.local_offset_s) % DAY_S) / 60.0
        start, end = self.rules.quiet_from_min, self.rules.quiet_to_min
        if start == end:
            return False
        return start <= minute < end if start < end else minute >= start or minute < end

    def breaks_quiet(self, alarm: Alarm) -> bool:
        """True for what quiet hours never hold back: anything urgent, and frost unless it is only a note."""
        return alarm.priority == URGENT or (alarm.kind == "frost" and alarm.priority != LOW)

    def _may_push(self, now_s: float, standing: Standing) -> bool:
        """True when quiet hours and the storm limit allow one more single message about this."""
        if self.quiet(now_s) and not self.breaks_quiet(self.catalogue[standing.alarm]):
            return False
        return self._recent(now_s) < self.rules.storm_singles

    def _recent(self, now_s: float) -> int:
        self.pushes_s = [t for t in self.pushes_s if now_s - self.rules.storm_window_s < t <= now_s]
        return len(self.pushes_s)

    def _push(self, now_s: float, kind: str, standing: Standing, channel: str = FIRST) -> None:
        self.pushes_s.append(now_s)
        self.touched.add((standing.frame, standing.alarm))
        priority = self.catalogue[standing.alarm].priority
        self._actions.append(Message(kind, priority, (_copy(standing),), channel))

    def _send_due(self, now_s: float, ours: list[Standing]) -> None:
        """Send what waits: single messages, or one grouped message in a storm."""
        due = [s for s in ours if s.due and self._due_now(now_s, s)]
        if not due:
            return
        due.sort(key=lambda s: (_RANK[self.catalogue[s.alarm].priority], s.frame))
        room = self.rules.storm_singles - self._recent(now_s)
        if len(due) < self.rules.group_from and len(due) <= room:
            for standing in due:
                kind = self._told(now_s, standing)
                self._push(now_s, kind, standing)
            return
        gap = self.group_s is None or now_s - self.group_s >= self.rules.group_gap_s or now_s < self.group_s
        if not gap or self._recent(now_s) >= self.rules.storm_total:
            return
        self.group_s = now_s
        self.pushes_s.append(now_s)
        copies = tuple(_copy(s) for s in due)
        for standing in due:
            self._told(now_s, standing)
        self._actions.append(Message(GROUP, self.catalogue[due[0].alarm].priority, copies))

    def _due_now(self, now_s: float, standing: Standing) -> bool:
        alarm = self.catalogue[standing.alarm]
        if alarm.priority == LOW and self.rules.life_at_min is not None:
            return False  # told by the daily message
        if self.quiet(now_s) and not self.breaks_quiet(alarm):
            return False
        again = standing.due == ALERT and standing.told_s is not None
        return not (again and 0 <= now_s - (standing.told_s or 0.0) < self.rules.again_s)

    def _told(self, now_s: float, standing: Standing) -> str:
        kind, standing.due = standing.due, ""
        standing.said = kind
        if kind == ALERT:
            standing.told += 1
            standing.told_s = now_s
            standing.reminded, standing.second_s = 0, None
        self.touched.add((standing.frame, standing.alarm))
        return kind

    def _sign_of_life(self, now_s: float) -> None:
        at = self.rules.life_at_min
        if at is None:
            return
        local = now_s + self.rules.local_offset_s
        day, minute = int(local // DAY_S), (local % DAY_S) / 60.0
        if self.life_day is None:  # first start: the next morning is soon enough
            self.life_day = day if minute >= at else day - 1
        if day <= self.life_day or minute < at:
            return
        self.life_day = day
        low = [s for s in self.standings.values() if s.due and self.catalogue[s.alarm].priority == LOW]
        for standing in low:
            self._told(now_s, standing)
        open_ = tuple(_copy(s) for s in self.standings.values() if s.state in STANDING_STATES)
        self.pushes_s.append(now_s)
        self._actions.append(Message(LIFE, LOW, open_))

    def _forget(self, now_s: float, ours: list[Standing]) -> None:
        """Drop what is normal and silent; what ended lately is kept as a cover for its echo, or for its spell."""
        for s in ours:
            idle = s.state == NORMAL and not s.due and s.true_s is None and not s.condition
            lately = s.closed_s is not None and 0 <= now_s - s.closed_s < self.rules.linger_s
            if idle and not lately and not self._same_spell(now_s, s):
                del self.standings[(s.frame, s.alarm)]
                self.touched.add((s.frame, s.alarm))


def _is_frost(alarm: Alarm) -> bool:
    return alarm.kind == "frost" and alarm.ends_by_itself


_RANK = {URGENT: 0, HIGH: 1, MEDIUM: 2, LOW: 3}


def _copy(standing: Standing) -> Standing:
    return Standing(**{**standing.__dict__, "facts": dict(standing.facts)})
