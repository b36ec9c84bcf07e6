"""The alarm desk: messages in, alarms kept, messages to the phone written down. What the service talks to.

It joins the pure parts (picture, evidence, engine, wording) to the store and the notifier. It has no thread
and no clock of its own. Nothing is sent from here: the notifier sends what is written down.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

from .. import wording
from ..clock import Clock
from ..errors import InputError, StoreError, nearest
from ..notify import FAILED
from ..store import Event, Reading, Store
from . import links, log, states
from . import words as alarm_words
from .catalogue import Catalogue
from .engine import Engine
from .evening import MODE as COVER_ADVISED
from .evening import Evening
from .evidence import FALSE, GONE_S, TRUE, Fact, Finding, findings
from .fitted import Models
from .heat_answer import HeatModel
from .incident import ALERT, ALL_CLEAR, FIRST, GROUP, LIFE, Action, Change, Message, Standing
from .neighbours import dull_sky
from .picture import Around, LiveFrame, Picture
from .recall import as_heard, recall
from .rules import Wishes, offset_s

_log = logging.getLogger("sashkeeper.alarms")

ALIVE_EVERY_S = 20.0
LOOKS_A_TICK = 500  # about a fifth of a second on a slow core
LOOK_EVERY_S = 20.0  # a frame without anything on its mind is judged at each message and this often
DOWN_S = 600.0
ADVICE = "advice"  # kind of a delivery
KEEPER = ""  # the frame of alarms about the keeper itself


class Mailbox(Protocol):
    """What the desk needs of a notifier; see notify.Notifier."""

    @property
    def has_second(self) -> bool: ...

    def ways(self, priority: str, second: bool) -> list[str]: ...

    def put(self, title: str, body: str, ways: list[str], alarm: int | None = None, kind: str = "") -> list[int]: ...

    def send_unrecorded(self, title: str, body: str, ways: list[str]) -> None: ...


@dataclass(frozen=True)
class Shown:
    """One alarm as the page and the command line show it."""

    id: int | None
    frame: str
    name: str
    alarm: str
    priority: str
    state: str
    opened_s: float | None
    words: wording.Words
    ack_by: str
    shelf_end_s: float | None
    covered_by: str
    facts: Mapping[str, Any]


class AlarmDesk:
    """All alarms of one household."""

    def __init__(
        self,
        store: Store,
        catalogue: Catalogue,
        notifier: Mailbox,
        clock: Clock,
        *,
        around: Callable[[str, float], Around] | None = None,
        wishes: Wishes | None = None,
        zone: str = "UTC",
        fahrenheit: bool = False,
        models: Callable[[str, float], HeatModel | None] | None = None,
    ) -> None:
        """around: surroundings of a frame at a time (around.StoreAround); models: default as fitted."""
        self.store, self.catalogue, self.notifier, self.clock = store, catalogue, notifier, clock
        self.wishes, self.zone, self.fahrenheit = wishes or Wishes(), zone, fahrenheit
        self._around = around or (lambda frame, _now_s: Around(name=frame))
        self._models = models or Models(store)
        self.live: dict[str, LiveFrame] = {}
        self.engine = Engine(catalogue, self.wishes.rules())
        self.evening = Evening(store, self._around, fahrenheit)
        self._rows = log.load(store, self.engine)
        if (last_s := store.note(log.ALIVE)) is None or clock.now_s() - last_s > DOWN_S:
            self.engine.begin_delays_anew()  # nobody saw whether the conditions held all that time
        self._key = store.secret("alarm-links")
        self._waiting: list[Action] = []  # what a full store could not take yet
        self._alive_s: float | None = None
        self._broker_down = False
        self._down_checked = False
        self._phones_s: float | None = None
        self._looked_s: dict[str, float] = {}
        self._unjudged: set[str] = set()  # heard of since they were last judged

    def __repr__(self) -> str:
        return f"<AlarmDesk {len(self.live)} frames, {self.engine!r}>"

    # -- what the service calls ----------------------------------------------------------------

    def observe(self, frame: str, suffix: str, message: Any, received_s: float, retained: bool = False) -> None:
        """Take one checked message and judge the frame at once: `hear`, then `judge`."""
        self.hear(frame, suffix, message, received_s, retained)
        self.judge(frame, received_s)

    def hear(self, frame: str, suffix: str, message: Any, received_s: float, retained: bool = False) -> None:
        """Take one checked message: Reading for "readings", Event for "events", else its dictionary."""
        live = self._live(frame)
        self._unjudged.add(frame)
        if suffix == "readings":
            reading: Reading = message
            live.hear_readings(reading.time_s, reading.values, received_s)
        elif suffix == "events":
            event: Event = message
            live.hear_event(as_heard(event), received_s)
        elif suffix == "presence":
            live.hear_presence(bool(message["here"]), received_s, retained)
        elif suffix == "report":
            live.hear_report(message, received_s, retained)
        elif suffix == "settings/actual":
            live.hear_actual(message, received_s, retained)

    def judge(self, frame: str, received_s: float) -> None:
        """Judge a frame by all that was heard; once after a batch of messages is enough."""
        now_s = max(received_s, self.clock.now_s())
        self.update(self._picture(frame, now_s))

    def update(self, frame_picture: Picture) -> None:
        """Judge one frame as it is now, and write down what follows at once."""
        now_s, frame = frame_picture.now_s, frame_picture.frame
        self._look(now_s, frame_picture)
        try:
            self._keep(now_s, self.engine.settle(now_s, frame))
        except StoreError as fault:  # the service must go on; tick says so again
            _log.error("%s", fault.sentence)

    def tick(self, now_s: float | None = None) -> None:
        """Let time pass: delays, silence, reminders, quiet hours, sign of life, requests from elsewhere."""
        now_s = self.clock.now_s() if now_s is None else now_s
        self.engine.rules = self.wishes.rules(offset_s(self.zone, now_s), self.notifier.has_second)
        self._was_down(now_s)
        for frame in self._due_frames(now_s):
            self._look(now_s, self._picture(frame, now_s))
        self.engine.look(now_s, KEEPER, {"broker-lost": Finding(TRUE if self._broker_down else FALSE, {})})
        self._phones(now_s)
        self.carry_out_requests()
        self._keep(now_s, self.engine.settle(now_s))
        self._advise(now_s)
        self._say_alive(now_s)

    def carry_out_requests(self) -> None:
        """Do what other programs (the command line) asked for through the store."""
        for request in log.take_requests(self.store):
            self._carry_out(request)

    def broker(self, connected: bool) -> None:
        """Note whether the broker answers; rings after the delay of broker-lost."""
        self._broker_down = not connected

    # -- what people do ------------------------------------------------------------------------

    def acknowledge(self, alarm: int, who: str) -> bool:
        """Note that somebody knows about an incident, by its number; False when that was known or is over."""
        standing = self._by_row(alarm)
        if standing is None:
            self.store.alarm_get(alarm)  # says so when there never was one
            return False
        now_s = self.clock.now_s()
        done = self.engine.acknowledge(now_s, standing.frame, standing.alarm, who)
        self._keep(now_s, self.engine.settle(now_s, standing.frame))
        return done

    def read_link(self, token: str) -> Shown:
        """Return what a link is about, without using it up. Raises links.LinkRefused."""
        return self._shown_row(links.read(self._key, token, self.clock.now_s()).incident)

    def acknowledge_link(self, token: str, who: str = "link") -> Shown:
        """Use a link up and acknowledge its alarm. Raises links.LinkRefused."""
        now_s = self.clock.now_s()
        good = links.spend(self._key, token, now_s, lambda n, e: log.first_use(self.store, n, e, now_s))
        shown = self._shown_row(good.incident)
        self.acknowledge(good.incident, who)
        return shown

    def shelve(self, frame: str, alarm: str, end_s: float, who: str) -> None:
        """Keep an alarm silent until a time. Raises InputError for a bad end or an unknown alarm or frame."""
        self.check(frame, alarm)
        now_s = self.clock.now_s()
        try:
            self.engine.shelve(now_s, frame, alarm, end_s, who)
        except ValueError:
            raise InputError(
                "Silence needs an end between now and 30 days from now, so that no alarm is forgotten. "
                "Nothing was changed."
            ) from None
        self._keep(now_s, self.engine.settle(now_s, frame))

    def unshelve(self, frame: str, alarm: str, who: str) -> bool:
        """End the silence now."""
        self.check(frame, alarm)
        return self._do(frame, lambda now_s: self.engine.unshelve(now_s, frame, alarm, who))

    def take_out(self, frame: str, alarm: str, who: str) -> None:
        """Take an alarm of a frame out of service until it is put back."""
        self.check(frame, alarm)
        now_s = self.clock.now_s()
        self.engine.take_out(now_s, frame, alarm, who)
        self._keep(now_s, self.engine.settle(now_s, frame))

    def put_back(self, frame: str, alarm: str, who: str) -> bool:
        """Put an alarm back into service."""
        self.check(frame, alarm)
        return self._do(frame, lambda now_s: self.engine.put_back(now_s, frame, alarm, who))

    def check(self, frame: str, alarm: str) -> None:
        """Raise InputError when there is no such alarm or frame."""
        if alarm not in self.catalogue:
            hint = nearest(alarm, self.catalogue.ids()) or ' "sashkeeper alarms catalogue" lists them.'
            raise InputError(f'No alarm called "{alarm}".{hint} Nothing was changed.')
        if frame != KEEPER:
            self.store.frame(frame)

    # -- what is shown -------------------------------------------------------------------------

    def standing(self, *, all_states: bool = False) -> list[Shown]:
        """Return what stands now, the most urgent first; all_states: also what is silent."""
        wanted = (states.UNACKNOWLEDGED, states.ACKNOWLEDGED, states.RETURNED)
        found = [s for s in self.engine.standings.values() if s.state in wanted or (all_states and s.incident
                 and s.state != states.NORMAL)]
        shown = [self._show(s) for s in found]
        return sorted(shown, key=lambda s: (_RANKS.index(s.priority), wanted.index(s.state) if s.state in wanted
                                            else 9, s.frame))

    # -- inside --------------------------------------------------------------------------------

    def _do(self, frame: str, act: Callable[[float], bool]) -> bool:
        now_s = self.clock.now_s()
        done = act(now_s)
        self._keep(now_s, self.engine.settle(now_s, frame))
        return done

    def _live(self, frame: str) -> LiveFrame:
        if frame not in self.live:
            self.live[frame] = recall(self.store, frame, self.clock.now_s())
        return self.live[frame]

    def _picture(self, frame: str, now_s: float) -> Picture:
        live, around = self._live(frame), self._around(frame, now_s)
        if live.heard_s is not None and now_s - live.heard_s > GONE_S:  # only then the sky has to be asked for
            others = (other for name, other in self.live.items() if name != frame)
            around = replace(around, dull_sky=dull_sky(others, now_s, around.sun_height_deg))
        return live.picture(now_s, around)

    def _due_frames(self, now_s: float) -> list[str]:
        """Return the frames to be judged in this tick, the longest waiting first; a club's thousands take turns."""
        busy = {s.frame for s in self.engine.standings.values() if s.state != states.NORMAL or s.true_s is not None}
        due = []
        for frame in self.store.frames():
            looked_s = self._looked_s.get(frame.id)
            every_s = 0.0 if frame.id in busy else LOOK_EVERY_S
            known = looked_s == now_s and frame.id not in self._unjudged
            if looked_s is None or not (known or 0 <= now_s - looked_s < every_s):
                due.append((looked_s or 0.0, frame.id))
        return [frame for _, frame in sorted(due)[:LOOKS_A_TICK]]

    def _look(self, now_s: float, seen: Picture) -> None:
        # Hands in the frame only: an order from afar is also called hold, and its lid can stick.
        modes = [m for m, on in (("hold", seen.lid_state == "held"), ("storage", seen.around.storage),
                                 (COVER_ADVISED, self.evening.advised(seen.frame))) if on]
        self._looked_s[seen.frame] = now_s
        self._unjudged.discard(seen.frame)
        found = findings(seen, self.catalogue, self._models(seen.frame, now_s))
        self.engine.look(now_s, seen.frame, found, modes)

    def _was_down(self, now_s: float) -> None:
        """Once after a start: was nobody watching for a while?"""
        if self._down_checked:
            # It stands until it was told, with the morning's message as a rule: then it is history.
            standing = self.engine.standings.get((KEEPER, "keeper-was-down"))
            if standing is not None and not standing.due:
                self.engine.look(now_s, KEEPER, {"keeper-was-down": Finding(FALSE, {})})
            return
        self._down_checked = True
        last_s = self.store.note(log.ALIVE)
        if last_s is not None and now_s - last_s > DOWN_S:
            self.engine.look(now_s, KEEPER, {"keeper-was-down": Finding(TRUE, {"gap_s": now_s - last_s})})

    def _phones(self, now_s: float) -> None:
        """Look in the record of deliveries, half-minutely, for channels that gave a message up."""
        if self._phones_s is not None and 0 <= now_s - self._phones_s < 30.0:
            return
        self._phones_s = now_s
        day = self.store.delivery_list(start_s=now_s - 86_400)
        last = {d.channel: d for d in day if d.done_s is not None and d.data.get("kind") != "test"}
        lost = [d for d in last.values() if d.state == FAILED]
        facts: dict[str, Fact] = {"channel": lost[0].channel, "why": lost[0].result} if lost else {}
        self.engine.look(now_s, KEEPER, {"phone-unreached": Finding(TRUE if lost else FALSE, facts)})

    def _advise(self, now_s: float) -> None:
        """Once an evening: what the night may bring, one message for all frames."""
        local_s = now_s + offset_s(self.zone, now_s)
        if not self.evening.due(local_s, self.wishes.advice_at_min):
            return
        with self.store.transaction(lasting=True):
            words = self.evening.look(now_s, local_s, lambda frame: self._outside(frame, now_s))
            if words is not None:
                self.engine.pushes_s.append(now_s)
                self.notifier.put(words.title, words.body, self.notifier.ways("medium", False), None, ADVICE)

    def _outside(self, frame: str, now_s: float) -> float | None:
        live = self._live(frame)
        fresh = live.values_s is not None and now_s - live.values_s < 3600
        return live.values.get("outside") if fresh else None

    def _say_alive(self, now_s: float) -> None:
        if self._alive_s is None or not 0 <= now_s - self._alive_s < ALIVE_EVERY_S:
            self._alive_s = now_s
            self.store.note_set(log.ALIVE, now_s)

    def _carry_out(self, request: Mapping[str, Any]) -> None:
        """Do what another program asked for; what no longer fits is passed over."""
        who, frame, alarm = str(request.get("who", "")), str(request.get("frame", "")), str(request.get("alarm", ""))
        what = request.get("what")
        try:
            if what == "acknowledge":
                self.acknowledge(int(request["id"]), who)
            elif what == "shelve":
                self.shelve(frame, alarm, float(request["end_s"]), who)
            elif what == "unshelve":
                self.unshelve(frame, alarm, who)
            elif what == "take-out":
                self.take_out(frame, alarm, who)
            elif what == "put-back":
                self.put_back(frame, alarm, who)
        except (InputError, KeyError, ValueError) as fault:
            _log.warning("a request about alarms was passed over: %s", fault)

    def _keep(self, now_s: float, actions: list[Action]) -> None:
        """Write changes and messages down in one transaction; what a full store refuses is sent all the same."""
        actions = self._waiting + actions
        if not actions and not self.engine.touched:
            return
        try:
            with self.store.transaction(lasting=True):
                for action in actions:
                    if isinstance(action, Change):
                        self._log_change(now_s, action)
                    else:
                        self._write_message(now_s, action)
                log.save(self.store, self.engine, self._rows)
        except StoreError:
            self._send_without_store(now_s, actions)
            self._waiting = [a for a in actions if isinstance(a, Change)]
            raise
        self._waiting = []
        self.engine.touched.clear()

    def _log_change(self, now_s: float, change: Change) -> None:
        standing = change.standing
        row = self._rows.get(standing.incident)
        priority = self.catalogue[standing.alarm].priority
        if row is None:
            words = self._words(standing)
            self._rows[standing.incident] = self.store.alarm_open(
                standing.frame or None, standing.alarm, priority, change.to_state, now_s, words.body,
                _data(standing, words), change.why,
            )
        else:
            closed = change.to_state == states.NORMAL
            self.store.alarm_update(row, now_s, state=change.to_state, closed=closed, why=change.why)

    def _write_message(self, now_s: float, message: Message) -> None:
        words, row = self._compose(now_s, message), None
        if len(message.standings) == 1 and message.kind != LIFE:
            standing = message.standings[0]
            row = self._rows.get(standing.incident)
            if row is not None and message.kind == ALERT:
                self.store.alarm_update(row, now_s, text=words.body, data=_data(standing, words))
        ways = self.notifier.ways(message.priority, message.channel != FIRST)
        for way in ways:
            body = words.body + self._link(row, message, now_s)
            self.notifier.put(words.title, body, [way], row, message.kind)

    def _link(self, row: int | None, message: Message, now_s: float) -> str:
        if row is None or not self.wishes.page_url or message.kind == ALL_CLEAR:
            return ""
        return f"\nI know about it: {self.wishes.page_url}/known/{links.make(self._key, row, now_s)}"

    def _send_without_store(self, now_s: float, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Message):
                words = self._compose(now_s, action)
                ways = self.notifier.ways(action.priority, action.channel != FIRST)
                self.notifier.send_unrecorded(words.title, words.body, ways)

    def _compose(self, now_s: float, message: Message) -> wording.Words:
        if message.kind == GROUP:
            return alarm_words.group([self._group_line(s) for s in message.standings])
        if message.kind == LIFE:
            return wording.sign_of_life(self._frame_lines(now_s), [self._words(s).title for s in message.standings])
        standing = message.standings[0]
        name = self._name(standing.frame)
        lasted_s = now_s - (standing.opened_s or now_s)
        if message.kind == ALL_CLEAR:
            return alarm_words.all_clear(standing.alarm, name, standing.facts, lasted_s, self.fahrenheit)
        if message.kind == ALERT:
            return self._words(standing)
        known = standing.state == states.ACKNOWLEDGED
        return alarm_words.reminder(standing.alarm, name, standing.facts, lasted_s, known, self.fahrenheit)

    def _group_line(self, standing: Standing) -> str:
        title = self._words(standing).title
        return f"All clear: {title}" if standing.due == ALL_CLEAR else title

    def _frame_lines(self, now_s: float) -> list[str]:
        return [
            wording.frame_line(self._name(f.id), live.air_now(), live.lid_state,
                               None if live.heard_s is None else now_s - live.heard_s, self.fahrenheit)
            for f in self.store.frames()
            for live in [self._live(f.id)]
        ]

    def _words(self, standing: Standing) -> wording.Words:
        priority = self.catalogue[standing.alarm].priority
        return alarm_words.alert(standing.alarm, self._name(standing.frame), standing.facts, priority, self.fahrenheit)

    def _name(self, frame: str) -> str:
        return "" if frame == KEEPER else self._around(frame, self.clock.now_s()).name or frame

    def _by_row(self, row: int) -> Standing | None:
        return next((s for s in self.engine.standings.values() if self._rows.get(s.incident) == row), None)

    def _show(self, standing: Standing) -> Shown:
        return Shown(
            self._rows.get(standing.incident), standing.frame, self._name(standing.frame), standing.alarm,
            self.catalogue[standing.alarm].priority, standing.state, standing.opened_s, self._words(standing),
            standing.ack_by, standing.shelf_end_s, standing.covered_by, dict(standing.facts),
        )

    def _shown_row(self, row: int) -> Shown:
        standing = self._by_row(row)
        if standing is not None:
            return self._show(standing)
        try:
            old = self.store.alarm_get(row)
        except InputError:
            raise links.LinkRefused("The alarm of this link is no longer kept.") from None
        words = wording.Words(*old.data.get("words", (old.kind, old.text, "", "")))
        return Shown(row, old.frame or "", self._name(old.frame or ""), old.kind, old.priority, old.state,
                     old.opened_s, words, "", None, "", {})


_RANKS = ("urgent", "high", "medium", "low")


def _data(standing: Standing, words: wording.Words) -> dict[str, Any]:
    return {"facts": standing.facts, "words": [words.title, words.happened, words.doing, words.hands]}
