"""What a person does on the page: acknowledge, hold and release, send setpoints, write in the diary.

Alarms belong to the running keeper's thread, so an acknowledgement is a request left in the store, as the
command line does it; with no keeper running it is carried out here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any, Protocol, TypeVar

from ..alarms import build, links, log, states
from ..context import App
from ..errors import InputError
from ..season import setpoint_send
from ..season.setpoint_send import Outcome
from ..season.setpoint_words import controller, faults
from ..store import Alarm
from ..wire.outbox import Outbox
from ..wording import ORDER_REFUSED

T = TypeVar("T")

KEEPER_IDLE_S = 90.0  # no sign of a running keeper for this long: the page does the work itself
LOOK_S = 0.05
ACKNOWLEDGE_WAIT_S = 2.0
# Offered on the page, shorter for what is urgent (chosen); the command line and programs may choose up to 30 days.
SHELF_HOURS = (1, 4, 12, 24, 72, 168)
SHELF_HOURS_URGENT = (1, 4, 12)
LEAST_HOURS, MOST_HOURS = 0.02, 720
CAN_BE_SHELVED = (states.UNACKNOWLEDGED, states.ACKNOWLEDGED, states.RETURNED)
ORDERS = ("hold", "release", "locate", "auto")
DIARY = {
    "covered": "Cover laid on",
    "picked": "Picked",
    "snow": "Snow brushed off",
    "watered": "Watered",
    "note": "Note",
}


class Publish(Protocol):
    """Hands a message to the broker."""

    def __call__(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish at QoS 1."""
        ...


class Hands:
    """Everything that changes something, for one page."""

    def __init__(self, app: App, publish: Publish, wait_s: float = 8.0) -> None:
        """wait_s: how long a form waits for a frame's answer before it says that none has come yet."""
        self.app = app
        self.outbox = Outbox(app.store, app.clock, publish)
        self.wait_s = wait_s

    # -- alarms ---------------------------------------------------------------------------------

    async def shelve(self, alarm: int, hours: float, who: str) -> Alarm:
        """Keep a standing alarm silent for some hours; return it as it then is. Raises InputError."""
        record = self.app.store.alarm_get(alarm)
        if record.closed_s is not None or record.state not in CAN_BE_SHELVED:
            raise InputError("This alarm does not stand any more, or is silent already. Nothing was changed.")
        if not LEAST_HOURS <= hours <= MOST_HOURS:  # also false for what is not a number
            raise InputError(f"Silence needs from {LEAST_HOURS} to {MOST_HOURS} hours. Nothing was changed.")
        end_s = self.app.clock.now_s() + hours * 3600
        self._ask({"what": "shelve", "frame": record.frame or "", "alarm": record.kind, "end_s": end_s, "who": who})
        return await self._until(lambda: self.app.store.alarm_get(alarm), lambda a: a.state != record.state,
                                 ACKNOWLEDGE_WAIT_S)

    async def unshelve(self, alarm: int, who: str) -> Alarm:
        """End the silence of an alarm now; return it as it then is. Raises InputError."""
        record = self.app.store.alarm_get(alarm)
        if record.state != states.SHELVED:
            raise InputError("This alarm is not silent. Nothing was changed.")
        self._ask({"what": "unshelve", "frame": record.frame or "", "alarm": record.kind, "who": who})
        return await self._until(lambda: self.app.store.alarm_get(alarm), lambda a: a.state != record.state,
                                 ACKNOWLEDGE_WAIT_S)

    async def acknowledge(self, alarm: int, who: str) -> Alarm:
        """Say that somebody knows about an alarm; return it as it then is. Raises InputError for no such alarm."""
        record = self.app.store.alarm_get(alarm)
        if record.closed_s is not None:
            return record
        self._ask({"what": "acknowledge", "id": alarm, "who": who})
        return await self._until(lambda: self.app.store.alarm_get(alarm), lambda a: a.state != record.state,
                                 ACKNOWLEDGE_WAIT_S)

    def read_link(self, token: str) -> Alarm:
        """Return what a link of a message is about, without using it up. Raises links.LinkRefused."""
        store = self.app.store
        good = links.read(store.secret("alarm-links"), token, self.app.clock.now_s())
        return self._linked(good.incident)

    async def use_link(self, token: str) -> Alarm:
        """Acknowledge by a link; it works once. Raises links.LinkRefused."""
        store, now_s = self.app.store, self.app.clock.now_s()
        self.read_link(token)
        good = links.spend(store.secret("alarm-links"), token, now_s, lambda n, e: log.first_use(store, n, e, now_s))
        return await self.acknowledge(good.incident, "link")

    def _linked(self, incident: int) -> Alarm:
        try:
            return self.app.store.alarm_get(incident)
        except InputError:
            raise links.LinkRefused("The alarm of this link is no longer kept.") from None

    def _ask(self, request: dict[str, Any]) -> None:
        store, now_s = self.app.store, self.app.clock.now_s()
        alive_s = store.note(log.ALIVE)
        log.ask(store, request, now_s)
        if alive_s is None or not 0 <= now_s - alive_s <= KEEPER_IDLE_S:
            build(store, self.app.config, self.app.clock, self.app.home).carry_out_requests()

    # -- the frame ------------------------------------------------------------------------------

    async def order(self, frame: str, order: str) -> tuple[str, str]:
        """Give an order and wait a little; return ("done" | "refused" | "no answer", why). Raises UnknownFrame."""
        if order not in ORDERS:
            raise InputError(f'From the page a frame takes the orders {", ".join(ORDERS)}. Nothing was sent.')
        store = self.app.store
        n = self.outbox.publish_order(frame, order)
        sent = await self._until(
            lambda: next(o for o in store.orders(frame, 10) if o.n == n), lambda o: o.done is not None, self.wait_s
        )
        if sent.done is None:
            return "no answer", ""
        return ("done", "") if sent.done else ("refused", ORDER_REFUSED.get(sent.why or "", sent.why or ""))

    def in_force(self, frame: str) -> dict[str, int]:
        """Return the settings that the frame says it holds, or the built-in ones while it has said nothing."""
        actual = self.app.store.actual(frame)
        return dict(actual.body["settings"]) if actual else dict(controller.defaults())

    def faults(self, frame: str, changes: Mapping[str, int]) -> list[str]:
        """Return one sentence for each fault of new settings."""
        return faults(changes, self.in_force(frame), self.app.fahrenheit)

    async def send(self, frame: str, changes: Mapping[str, int], why: str) -> Outcome:
        """Send settings and wait a little for what the frame really took. Raises InputError, UnknownFrame."""
        wrong = self.faults(frame, changes)
        if wrong:
            raise InputError(f"{' '.join(wrong)} Nothing was changed.")
        n = self.outbox.publish_wanted(frame, changes, why)
        return await self._until(
            lambda: setpoint_send.outcome(self.app.store, frame, n), lambda o: o.result != "no answer", self.wait_s
        )

    def write_diary(self, frame: str, kind: str, text: str) -> None:
        """Write in the diary. Raises InputError, UnknownFrame."""
        if kind not in DIARY:
            raise InputError(f"The diary takes {', '.join(DIARY)}. Nothing was written.")
        text = " ".join(text.split())
        if len(text) > 500 or (kind == "note" and not text):
            raise InputError("A note needs between 1 and 500 letters. Nothing was written.")
        self.app.store.diary_add(self.app.clock.now_s(), kind, text or DIARY[kind], frame=frame)

    async def _until(self, see: Callable[[], T], good: Callable[[T], bool], wait_s: float) -> T:
        """Look again and again, leaving the loop to others between, until it is so or time is up."""
        end_s = asyncio.get_running_loop().time() + wait_s
        while not good(found := see()) and asyncio.get_running_loop().time() < end_s:
            await asyncio.sleep(LOOK_S)
        return found
