"""Everything `serve` runs, put together and taken apart in the right order."""

from __future__ import annotations

import contextlib
import fcntl
import importlib
import importlib.util
import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Protocol

from . import alarms, notify
from .context import App
from .errors import InputError, JobError
from .reach import home_file
from .season.season_keeper import SeasonKeeper
from .service import Service
from .store import Store
from .wire import broker
from .wire.bus import CLIENT_ID, Address, Bus
from .wire.inbox import Inbox
from .wire.messages import TOPIC_ROOT
from .wire.outbox import Outbox

log = logging.getLogger("sashkeeper.keeper")

TICK_S = 0.5
# Rows of these have a number of their own, so that several ingesters may take them in any order, even twice.
NUMBERED = (f"{TOPIC_ROOT}/+/readings", f"{TOPIC_ROOT}/+/events")
INGEST, ALARMS = "ingest", "alarms"
ROLES = (INGEST, ALARMS)


class Page(Protocol):
    """The page in the browser while it runs."""

    url: str

    def stop(self) -> None:
        """End it."""
        ...


@contextmanager
def only_one(home: Path, name: str = "") -> Iterator[None]:
    """Hold the home folder for one keeper, or one ingester of a name. Raises JobError when another one runs."""
    try:
        home.mkdir(parents=True, exist_ok=True)
        with (home / f"serve{name and '-'}{name}.lock").open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                what = f"an ingester called {name}" if name else '"sashkeeper serve"'
                raise JobError(f"{what} runs already for {home}. Nothing was started.") from None
            yield
    except OSError as fault:
        raise JobError(f"{home} cannot be used: {fault.strerror}. Nothing was started.") from fault


class _Announced(Service):
    """A service that says when it begins to hear the frames."""

    say: Callable[[str], None]
    own_broker: broker.EmbeddedBroker | None = None

    def on_connect(self) -> None:
        """Connection stands and is subscribed."""
        super().on_connect()
        if self.own_broker is not None:
            self.own_broker.host_is_here(True)
        self.say(f"connected; keeping {len(self.store.frames())} frames")

    def link(self, connected: bool) -> None:
        """Pass on whether the connection stands; without it no new frame gets in."""
        super().link(connected)
        if self.own_broker is not None and not connected:
            self.own_broker.host_is_here(False)


    def tick(self) -> None:
        """Let time pass; what the broker turned away is counted with what we refuse."""
        if self.own_broker is not None:
            for reason, (times, what) in self.own_broker.tally.take().items():
                self.inbox.count_refusal(reason, what, times)
        super().tick()


class Keeper:
    """The running host: broker, connection, service, alarms, delivery, and the page when there is one."""

    def __init__(self, app: App, say: Callable[[str], None] = log.info, only: str = "") -> None:
        """say: told in words what comes up and goes down. only: "alarms" leaves storing rows to ingesters.

        Raises InputError when the broker cannot be shared.
        """
        if only and app.config.broker.kind == "embedded":
            raise InputError(
                f'"--only {only}" needs a broker of its own, such as Mosquitto: the one inside "serve" serves one '
                'program. Nothing was started. "sashkeeper broker mosquitto" writes files for Mosquitto.'
            )
        self.app = app
        self.only = only
        self.say = say
        self.stop = threading.Event()
        self.address: Address | None = None

    def run(self) -> None:
        """Run until `stop` is set; returns after everything is put away. Raises SashkeeperError."""
        app = self.app
        config = app.config
        notify.check_channels(config.channels)
        with ExitStack() as stack:
            stack.enter_context(only_one(app.home))
            store = app.store
            self.address = broker.address(app)
            own = self._start_broker(stack) if config.broker.kind == "embedded" else None
            bus = Bus(self.address)
            stack.callback(bus.close)
            worker = notify.Worker(self._open_store, config.channels, app.clock)
            outgoing = notify.Notifier(store, config.channels, app.clock, wake=worker.wake)
            desk = alarms.build(store, config, app.clock, app.home, outgoing)
            outbox = Outbox(store, app.clock, bus.publish)
            season = SeasonKeeper(store, config, app.home, outbox, self.say)
            inbox = Inbox(store, rows=self.only != ALARMS)
            service = _Announced(store, outbox, app.clock, desk, season=season, inbox=inbox)
            service.say, service.own_broker = self.say, own
            service.keep_going = True
            worker.start()
            stack.callback(worker.stop)
            store.copying = bool(config.influx.url)
            self._start_copy(stack)
            self._start_page(stack, bus)
            bus.run(service, self.stop, TICK_S)
            service.tick()
            service.inbox.save_counts()
        self.say("stopped")

    def _open_store(self) -> Store:
        return Store(self.app.store_path, create=False)

    def _start_broker(self, stack: ExitStack) -> broker.EmbeddedBroker:
        b = self.app.config.broker
        cert_file, key_file = (home_file(self.app.home, name) for name in (b.cert_file, b.key_file))
        own = broker.EmbeddedBroker(self.app.store_path, b.listen, b.port, cert_file, key_file, wait_for_host=True)
        own.start()
        stack.callback(own.stop)
        self.say(f"broker listens on {b.listen}:{own.port}" + ("" if b.cert_file else ", without TLS"))
        return own

    def _start_copy(self, stack: ExitStack) -> None:
        if not self.app.config.influx.url:
            return
        from .influx import CopyWorker

        copier = CopyWorker(self._open_store, self.app.config.influx)
        copier.start()
        stack.callback(copier.stop)

    def _start_page(self, stack: ExitStack, bus: Bus) -> None:
        """Start the page when its package is there: ``page.start(app, publish, stop) -> Page``.

        It runs in threads of its own, opens its own stores, and hands what it sends to `publish`.
        """
        if importlib.util.find_spec("sashkeeper.page") is None:
            return
        try:
            start: Any = getattr(importlib.import_module("sashkeeper.page"), "start", None)
            if start is None:
                return
            page: Page = start(self.app, bus.publish, self.stop)
        except ModuleNotFoundError as missing:
            self.say(f"no page: the package {missing.name} is not installed (pip install 'sashkeeper[page]')")
            return
        except JobError as fault:  # a port that is taken must not leave the frames unwatched
            self.say(f"no page: {fault.sentence}")
            return
        stack.callback(page.stop)
        self.say(f"page at {page.url}")


class Ingester(Keeper):
    """One of several processes that only store readings and events; the broker gives each its share."""

    def __init__(self, app: App, name: str, say: Callable[[str], None] = log.info) -> None:
        """name: must differ from the other ingesters' and stay the same, for the broker keeps its part under it."""
        super().__init__(app, say, INGEST)
        self.name = name

    def run(self) -> None:
        """Run until `stop` is set. Raises SashkeeperError."""
        app = self.app
        with ExitStack() as stack:
            stack.enter_context(only_one(app.home, self.name))
            self.address = broker.address(app)
            bus = Bus(self.address, f"{CLIENT_ID}-{INGEST}-{self.name}", topics=NUMBERED, shared=True)
            stack.callback(bus.close)
            app.store.copying = bool(app.config.influx.url)
            app.store.take_turns()
            service = _Announced(app.store, None, app.clock, inbox=Inbox(app.store, in_order=False))
            service.say, service.keep_going = self.say, True
            bus.run(service, self.stop, TICK_S)
            service.tick()
            service.inbox.save_counts()
        self.say("stopped")


def run_until_signal(keeper: Keeper) -> None:
    """Run a keeper in the main thread; SIGTERM and SIGINT stop it cleanly."""
    import signal

    def leave(_number: int, _frame: object) -> None:
        keeper.stop.set()

    old = {number: signal.signal(number, leave) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        keeper.run()
    finally:
        for number, handler in old.items():
            with contextlib.suppress(ValueError):
                signal.signal(number, handler)
