"""The library's broker, held to the standard, to our table of rights, and to the host's store.

Three things differ from the library (amqtt 0.11 and 0.12):

* It sends retained messages at every log-in, for anybody's subscriptions. Here only a subscription
  brings them (OASIS MQTT 3.1.1, section 3.3.1.3), and only those that the account may hear.
* It walks through its subscriptions with pauses, and stumbles when somebody subscribes meanwhile.
* It acknowledges a frame's message at once. With `until_stored` it does so when the host has
  acknowledged, and the host does that when the message is stored: a frame that has its
  acknowledgement may forget. Without it the frame's connection is closed, so that it sends again.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from typing import Any

from amqtt.broker import Broker
from amqtt.contexts import Action, BrokerConfig
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.mqtt.puback import PubackPacket
from amqtt.session import INCOMING, Session

from .access import HOST_USER, may_hear
from .bus import CLIENT_ID


class _Filters(dict[str, list[tuple[Session, int]]]):
    """Subscriptions by filter; walking through them sees them as they were when the walk began."""

    def __iter__(self) -> Iterator[str]:
        return iter(list(super().keys()))

    def items(self) -> Any:
        """Return them as they are now."""
        return [(key, list(value)) for key, value in super().items()]


class _HoldingHandler(BrokerProtocolHandler):  # type: ignore[misc]
    """One connection; an incoming QoS 1 message is acknowledged when the broker says that it is safe."""

    held: dict[int, asyncio.Future[bool]]  # by identity of the message: whether it is safe

    async def _handle_qos1_message_flow(self, app_message: Any) -> None:
        if app_message.direction != INCOMING or self.session is None:
            await super()._handle_qos1_message_flow(app_message)
            return
        safe = self.held[id(app_message)] = asyncio.get_running_loop().create_future()
        await self.session.delivered_message_queue.put(app_message)
        if await safe:
            app_message.puback_packet = PubackPacket.build(app_message.packet_id)
            await self._send_packet(app_message.puback_packet)
        elif self.writer is not None:
            with contextlib.suppress(OSError):
                await self.writer.close()


class HeldBroker(Broker):  # type: ignore[misc]
    """See the top of this file."""

    def __init__(self, config: BrokerConfig, until_stored: bool = False) -> None:
        """until_stored: acknowledge to frames what the host has acknowledged to us."""
        super().__init__(config)
        self._subscriptions = _Filters()
        self._until_stored = until_stored
        self._serving: set[BrokerProtocolHandler] = set()
        self._under_way: dict[str, list[asyncio.Task[Any]]] = {}  # client -> hand-overs of its newest message
        self._tasks: set[asyncio.Task[Any]] = set()

    async def _initialize_client_session(self, *args: Any) -> tuple[BrokerProtocolHandler, Session]:
        handler, session = await super()._initialize_client_session(*args)
        if self._until_stored and session.username != HOST_USER:
            handler.__class__ = _HoldingHandler
            handler.held = {}
        return handler, session

    async def _client_message_loop(self, client_session: Session, handler: Any) -> None:
        self._serving.add(handler)
        try:
            await super()._client_message_loop(client_session, handler)
        finally:
            self._serving.discard(handler)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        a_filter, qos = subscription
        handler = self._get_handler(session)
        if handler not in self._serving:
            return  # a log-in, not a subscription
        sending = []
        for topic, kept in list(self._retained_messages.items()):
            if not self._matches(topic, a_filter) or not may_hear(session.username or "", topic):
                continue
            least = qos if kept.qos is None else min(qos, kept.qos)
            sending.append(asyncio.ensure_future(handler.mqtt_publish(topic, kept.data, least, retain=True)))
        if sending:
            await asyncio.wait(sending)

    # -- acknowledging only what is stored -------------------------------------------------------

    async def _handle_message_delivery(
        self, client_session: Session, handler: Any, wait_deliver: asyncio.Future[Any]
    ) -> bool:
        message, name = wait_deliver.result(), str(client_session.client_id)
        safe = handler.held.pop(id(message), None) if isinstance(handler, _HoldingHandler) else None
        if safe is None:
            return bool(await super()._handle_message_delivery(client_session, handler, wait_deliver))
        self._under_way.pop(name, None)
        try:
            going_on = bool(await super()._handle_message_delivery(client_session, handler, wait_deliver))
        finally:
            # Absent: the message was refused, and a frame that must not say it need not say it again.
            under_way = self._under_way.pop(name, None)
        self._keep(self._answer(safe, under_way))
        return going_on

    async def _broadcast_message(
        self, session: Session | None, topic: str | None, data: Any, force_qos: int | None = None
    ) -> None:
        if not self._until_stored or topic is None:
            await super()._broadcast_message(session, topic, data, force_qos)
            return
        host: list[asyncio.Task[Any]] = []
        for a_filter, subscriptions in self._subscriptions.items():
            if not self._matches(topic, a_filter):
                continue
            for target, qos in subscriptions:
                handler = self._get_handler(target)
                if handler is None or target.transitions.state != "connected":
                    continue
                if not await self._topic_filtering(target, topic=topic, action=Action.RECEIVE):
                    continue
                wished = qos if force_qos is None else force_qos
                task = self._keep(handler.mqtt_publish(topic, data, wished, retain=False))
                if target.client_id == CLIENT_ID and wished:
                    host.append(task)
        if session is not None:
            self._under_way[str(session.client_id)] = host

    async def _answer(self, safe: asyncio.Future[bool], under_way: list[asyncio.Task[Any]] | None) -> None:
        done = True
        if under_way is not None:
            got = await asyncio.gather(*under_way, return_exceptions=True)
            done = bool(got) and not any(isinstance(one, BaseException) for one in got)
        if not safe.done():
            safe.set_result(done)

    def _keep(self, work: Any) -> asyncio.Task[Any]:
        """Run something beside; the loop itself holds tasks only weakly."""
        task: asyncio.Task[Any] = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._let_go)
        return task

    def _let_go(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            task.exception()  # looked at, so that nothing complains; an unanswered hand-over is not an error
