"""How messages travel in a rehearsal: by a direct call, or over a real broker.

A wire keeps virtual time honest: when `settle` returns, everything a frame has said so far is in the
store, and everything said to a frame has reached its firmware, whatever the network's own pace.
"""

from __future__ import annotations

import contextlib
import time
from collections import Counter
from typing import Any, Protocol

from ..errors import BrokerError
from ..wire.bus import Address, Bus
from ..wire.messages import FROM_HOST, split_topic, topic_of
from .household import Household

PATIENCE_S = 5.0


class Wire(Protocol):
    """Joins runners and household."""

    def attach(self, runner: Any) -> None:
        """Take a frame's runner on board."""
        ...

    def settle(self, runner: Any) -> None:
        """Let everything that was said arrive, both ways."""
        ...

    def close(self) -> None:
        """Hang up."""
        ...


class DirectWire:
    """No broker: messages are handed over by a call, in order. For runners in this process."""

    def __init__(self, house: Household) -> None:
        self._house = house
        self._runners: dict[str, Any] = {}
        self.messages = 0
        house.connect(self._to_frame)

    def attach(self, runner: Any) -> None:
        """Hear this runner's frame."""
        self._runners[runner.frame_id] = runner
        runner.hooks.on_message = self._from_frame

    def _from_frame(self, frame: str, suffix: str, payload: bytes) -> None:
        self.messages += 1
        self._house.clock.set(self._runners[frame].time_s)
        self._house.service.on_message(topic_of(frame, suffix), payload)

    def _to_frame(self, topic: str, payload: bytes, retain: bool) -> None:
        with contextlib.suppress(KeyError):
            frame, suffix = split_topic(topic)
            self._runners[frame].send(suffix, payload, retain)

    def settle(self, runner: Any) -> None:
        """Nothing is ever under way."""

    def close(self) -> None:
        """Nothing to hang up."""


class _Counting:
    """Hands messages to the service and counts those that frames have sent."""

    def __init__(self, house: Household) -> None:
        self._house = house
        self.received: Counter[str] = Counter()
        self.seen: list[tuple[str, bytes]] | None = None

    def take(self, topic: str, payload: bytes, received_s: float | None = None, retained: bool = False) -> None:
        frame, suffix = split_topic(topic)
        if suffix not in FROM_HOST and not retained:
            self.received[frame] += 1
        if self.seen is not None:
            self.seen.append((topic, payload))
        self._house.service.take(topic, payload, received_s, retained)

    def flush(self) -> int:
        return self._house.service.flush()

    def tick(self) -> None:
        """The rehearsal ticks the service itself, in virtual time."""

    def on_connect(self) -> None:
        self._house.service.on_connect()

    def link(self, connected: bool) -> None:
        self._house.service.link(connected)


class BrokerWire:
    """A real broker between frames that run as processes of their own (Lockstep) and the household."""

    def __init__(self, house: Household, address: Address, keep_messages: bool = False) -> None:
        self._house = house
        self._address = address
        self._ingest = _Counting(house)
        if keep_messages:
            self._ingest.seen = []
        self._bus: Bus | None = None
        self._asked: Counter[str] = Counter()
        self._connections = 0
        house.connect(self._to_frame)
        self._connect()

    @property
    def seen(self) -> list[tuple[str, bytes]]:
        """Every message that came over the broker, ours too, when they are kept."""
        return self._ingest.seen or []

    @property
    def connected(self) -> bool:
        """Whether the household hears the broker."""
        return self._bus is not None and self._bus.connected

    def attach(self, runner: Any) -> None:
        """Nothing to do: the frame's firmware knows the broker's address."""

    def _connect(self) -> None:
        self._bus = Bus(self._address, "rehearsal-host")
        self._bus.connect()
        self._ingest.on_connect()

    def _to_frame(self, topic: str, payload: bytes, retain: bool) -> None:
        frame, _ = split_topic(topic)
        self._asked[frame] += 1
        if self._bus is not None:
            self._bus.publish(topic, payload, retain=retain)

    def broker_gone(self) -> None:
        """The broker is being stopped: do not wait for it."""
        if self._bus is not None:
            self._bus.close()
        self._bus = None

    def broker_back(self) -> None:
        """The broker answers again."""
        self._connect()

    def settle(self, runner: Any) -> None:
        """See Wire."""
        bus = self._bus
        if bus is None:
            return
        if not bus.connected:
            with contextlib.suppress(BrokerError):
                bus.connect()
                self._ingest.on_connect()
        frame = runner.frame_id
        if self._ingest.received[frame] < runner.sent:
            bus.pump(lambda: self._ingest.received[frame] >= runner.sent, PATIENCE_S, self._ingest)
        self._deliver(bus, runner)

    def _deliver(self, bus: Bus, runner: Any) -> None:
        """Push what we said through the broker and into the firmware."""
        frame = runner.frame_id
        if not self._asked[frame]:
            return
        before = runner.answer.got
        bus.pump(bus.sent_all, PATIENCE_S, self._ingest)
        give_up = time.monotonic() + PATIENCE_S
        while runner.process is not None and runner.answer.link_up and runner.answer.got < before + self._asked[frame]:
            if time.monotonic() > give_up:
                break
            runner.answer = runner.process.poll()
        self._asked[frame] = 0

    def close(self) -> None:
        """Hang up."""
        if self._bus is not None:
            self._bus.close()
            self._bus = None
