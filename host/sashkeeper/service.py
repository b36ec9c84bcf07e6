"""The host's heart: messages in, rows stored, picture kept, alarms looked at.

It has no thread and no clock of its own. `serve` drives it from the broker's
connection; tests and the demo call `on_message` and `tick` in virtual time.
"""

from __future__ import annotations

import logging
import time
from typing import Any, Protocol

from . import picture
from .clock import Clock
from .errors import SashkeeperError, StoreError
from .picture import Live
from .store import Event, Reading, Store
from .wire.inbox import BATCH, Heard, Inbox
from .wire.outbox import Outbox

log = logging.getLogger("sashkeeper.service")

# A frame's clock is set by us when it is unset or this wrong, at most once in a while [s]; chosen.
CLOCK_OFF_S = 120.0
CLOCK_AGAIN_S = 600.0
ROLL_UP_EVERY_S = 30.0
# The host's own clock is said to have jumped when it went back, or ran ahead of the real time that passed, by more [s].
CLOCK_JUMP_S = 30.0
CLOCK_JUMPS = "clock-jumps"
ROLL_UP_SETTLE_S = 60.0
# While full batches follow each other a frame is judged no more often than this [s]; chosen, far below a second.
JUDGE_AGAIN_S = 0.25


class Alarms(Protocol):
    """What the service asks of the alarm engine. Called after the message is stored."""

    def hear(self, frame: str, suffix: str, message: Any, received_s: float, retained: bool) -> None:
        """Take evidence. message: Reading for "readings", Event for "events", else the checked dict.

        Messages may be old (a frame's journal) or repeated; their own times tell.
        """
        ...

    def judge(self, frame: str, received_s: float) -> None:
        """Draw conclusions about a frame; called once for each frame that a batch of messages was about."""
        ...

    def tick(self, now_s: float) -> None:
        """Let time pass: delays, silence, reminders."""
        ...

    def broker(self, connected: bool) -> None:
        """Note whether the broker answers."""
        ...


class Notifier(Protocol):
    """What the service asks of the messenger, where that has no thread of its own."""

    def tick(self, now_s: float) -> object:
        """Send what is due."""
        ...


class Season(Protocol):
    """What the service asks of whoever keeps setpoints in step with the season."""

    def tick(self, now_s: float) -> object:
        """Look once a day, and send what has changed."""
        ...


class Service:
    """Everything the host does with a message, in one place."""

    def __init__(
        self,
        store: Store,
        bus: Outbox | None,
        clock: Clock,
        alarms: Alarms | None = None,
        notifier: Notifier | None = None,
        season: Season | None = None,
        inbox: Inbox | None = None,
    ) -> None:
        """bus: where settings and orders go out; None = listen only. inbox: default stores everything itself."""
        self.store = store
        self.bus = bus
        self.clock = clock
        self.alarms = alarms
        self.notifier = notifier
        self.season = season
        self.inbox = Inbox(store) if inbox is None else inbox  # an empty one is false
        self.trouble = ""
        self.keep_going = False  # `serve` sets it: a mistake of ours about one frame is logged and the rest goes on
        self._pictures: dict[str, Live] = {}
        self._clock_sent_s: dict[str, float] = {}
        self._rolled_s: float | None = None
        self._clocks: tuple[float, float] | None = None  # at the last tick: wall clock, monotonic [s]
        self._to_judge: dict[str, float] = {}  # frame -> when it was last heard [s]
        self._judged_s = float("-inf")  # monotonic

    def live(self, frame: str) -> Live:
        """Return the present picture of a frame. Raises KeyError when it is not registered."""
        if frame not in self._pictures:
            self._pictures[frame] = picture.load(self.store, frame)
        return self._pictures[frame]

    def pictures(self) -> list[Live]:
        """Return the present picture of every registered frame, by id."""
        return [self.live(f.id) for f in self.store.frames()]

    # -- messages ----------------------------------------------------------------------------

    def on_message(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        """Take one message all the way: checked, stored, believed."""
        self.take(topic, payload, received_s, retained)
        self.flush()

    def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        """Check a message and put it aside; `flush` stores a whole batch at once."""
        self.inbox.take(topic, payload, self.clock.now_s() if received_s is None else received_s, retained)

    def flush(self) -> int:
        """Store what waits and believe it; return how many messages that was.

        Raises StoreError (disk full ...) with everything still waiting: do not acknowledge then.
        """
        try:
            heard = self.inbox.flush()
        except StoreError as fault:
            self.trouble = fault.sentence
            raise
        self.trouble = ""
        for one in heard:
            try:
                self._believe(one)
            except KeyError:
                log.info("%s was removed while its messages were under way", one.frame)
            except Exception as fault:
                if not self.keep_going:
                    raise
                # It is stored and will come again after a restart: one odd message must not stop the keeper for ever.
                self.trouble = f"a message of {one.frame} could not be used: {type(fault).__name__}"
                log.exception("a message of %s on %s could not be used", one.frame, one.suffix)
        # A frame's long journal is judged once, by how it ends, and not reading by reading.
        self._to_judge.update((one.frame, one.received_s) for one in heard)
        # A full batch means that more waits: hundreds of frames would be judged again for every few readings.
        if len(heard) < BATCH or time.monotonic() - self._judged_s >= JUDGE_AGAIN_S:
            self._judge_heard()
        return len(heard)

    def _judge_heard(self) -> None:
        self._judged_s = time.monotonic()
        frames, self._to_judge = self._to_judge, {}
        for frame, received_s in frames.items():
            self._judge(frame, received_s)

    def _judge(self, frame: str, received_s: float) -> None:
        if self.alarms is None or not self.store.has_frame(frame):
            return
        try:
            self.alarms.judge(frame, received_s)
        except Exception as fault:
            if not self.keep_going:
                raise
            # One frame that we fail to judge must not leave all the others unwatched.
            self.trouble = f"judging {frame} failed: {type(fault).__name__}"
            log.exception("judging %s failed", frame)

    def _believe(self, heard: Heard) -> None:
        live = self.live(heard.frame)
        if not heard.retained:
            live.heard_s = heard.received_s
        if heard.suffix == "readings":
            self._see_reading(live, heard.message, heard.received_s)
        elif heard.suffix == "events":
            self._see_event(live, heard.message)
        elif heard.suffix == "presence":
            live.here, live.here_s = heard.message["here"], heard.said_s or None
            live.boot, live.position_permille = heard.message["boot"], heard.message.get("position_permille")
        elif heard.suffix == "report":
            live.report, live.report_s, live.boot = heard.message, heard.said_s or None, heard.message["boot"]
        elif heard.suffix == "settings/actual":
            live.actual, live.actual_s = heard.message, heard.said_s or None
        if heard.suffix in ("presence", "report"):
            self._mind_clock(live, heard)
        if self.alarms is not None:
            self.alarms.hear(heard.frame, heard.suffix, heard.message, heard.received_s, heard.retained)

    @staticmethod
    def _see_reading(live: Live, reading: Reading, received_s: float) -> None:
        if live.reading is None or reading.time_s >= live.reading.time_s:
            live.reading, live.reading_s = reading, received_s

    @staticmethod
    def _see_event(live: Live, event: Event) -> None:
        if live.last_event is None or event.time_s >= live.last_event.time_s:
            live.last_event = event

    def _mind_clock(self, live: Live, heard: Heard) -> None:
        """Give the time to a frame that has none, or has it wrong."""
        told = heard.message.get("time_s")
        if heard.retained and told is not None:
            return  # says when it was sent, not what the clock says now
        live.clock_off_s = None if told is None else told - heard.received_s
        if heard.message.get("here") is False or self.bus is None:
            return
        if live.clock_off_s is not None and abs(live.clock_off_s) < CLOCK_OFF_S:
            return
        last_s = self._clock_sent_s.get(live.frame)
        now_s = self.clock.now_s()
        if last_s is not None and 0 <= now_s - last_s < CLOCK_AGAIN_S:
            return
        self._clock_sent_s[live.frame] = now_s
        self.bus.publish_order(live.frame, "clock", int(now_s))

    # -- time --------------------------------------------------------------------------------

    def on_connect(self) -> None:
        """Called when the broker's connection (again) stands: unanswered settings go out once more."""
        if self.bus is None:
            return
        for frame in self.store.frames():
            self.bus.repeat_wanted(frame.id)

    def link(self, connected: bool) -> None:
        """Told by the connection whether it stands."""
        if self.alarms is not None:
            self.alarms.broker(connected)

    def tick(self) -> None:
        """Let time pass: alarms, deliveries, roll-ups. Never raises for a full disk; see `trouble`."""
        now_s = self.clock.now_s()
        try:
            self._mind_own_clock(now_s)
            self.flush()
            self._judge_heard()
            self.store.forget_numbers()
            self._roll_up(now_s)
        except StoreError as fault:
            self.trouble = fault.sentence
        try:
            if self.alarms is not None:
                self.alarms.tick(now_s)
            if self.notifier is not None:
                self.notifier.tick(now_s)
            if self.season is not None:
                self.season.tick(now_s)
        except SashkeeperError as fault:
            self.trouble = fault.sentence
            log.error("%s", fault.sentence)

    def _mind_own_clock(self, now_s: float) -> None:
        """Write down when the clock of this computer was set; nobody else would notice."""
        real_s = time.monotonic()
        before, self._clocks = self._clocks, (now_s, real_s)
        if before is None:
            return
        went_s = now_s - before[0]
        # Ahead can be told only where the clock is a real one: tests and the demo let hours pass in a moment.
        by_s = went_s - (real_s - before[1]) if self.keep_going else min(0.0, went_s)
        if abs(by_s) > CLOCK_JUMP_S:
            log.warning("the clock of this computer was set by %.0f s", by_s)
            jumps = self.store.note(CLOCK_JUMPS, {"count": 0})
            self.store.note_set(CLOCK_JUMPS, {"count": jumps["count"] + 1, "at_s": now_s, "by_s": round(by_s)})

    def _roll_up(self, now_s: float) -> None:
        if self._rolled_s is not None and 0 <= now_s - self._rolled_s < ROLL_UP_EVERY_S:
            return
        self._rolled_s = now_s
        if self.inbox.in_order:  # one of several ingesters leaves it to the process that watches
            self.store.roll_up(now_s - ROLL_UP_SETTLE_S)
        self.inbox.save_counts()
