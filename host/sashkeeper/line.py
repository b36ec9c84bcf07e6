"""A short connection to the broker for one command: listen to one frame, send, wait for the answer."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from .context import App
from .service import Service
from .wire.broker import address
from .wire.bus import Bus
from .wire.messages import topic_of
from .wire.outbox import Outbox


@contextmanager
def open_line(app: App, frame: str, suffixes: tuple[str, ...]) -> Iterator[tuple[Bus, Outbox, Service]]:
    """Connect for the length of a with-block; yields (bus, outbox, service that stores what is heard).

    Raises UnknownFrame before anything is opened, and BrokerError.
    """
    app.store.frame(frame)
    topics = tuple(topic_of(frame, suffix) for suffix in suffixes)
    bus = Bus(address(app), f"sashkeeper-cmd-{os.getpid()}", clean=True, topics=topics)
    try:
        bus.connect()
        yield bus, Outbox(app.store, app.clock, bus.publish), Service(app.store, None, app.clock)
    finally:
        bus.close()
