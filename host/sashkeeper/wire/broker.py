"""The broker that `serve` brings along, so that a first frame needs nothing installed.

It runs in a thread of its own. Accounts and access rules come from the store
at every log-in, so a frame that was just added can connect at once. It keeps
nothing on disk: what must not be lost is in the host's store and in the
frames' journals. Many frames are better served by Mosquitto; see `mosquitto`.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import hmac
import logging
import socket
import threading
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amqtt.contexts import Action, BrokerConfig, ListenerConfig
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin

from ..errors import JobError, SashkeeperError
from ..frames import mqtt_password
from ..reach import home_file, refuse_plain
from ..store import Store
from .access import HOST_USER, may_hear, may_publish
from .broker_held import HeldBroker
from .bus import Address

if TYPE_CHECKING:
    from ..context import App

log = logging.getLogger("sashkeeper.wire.broker")

START_WAIT_S = 10.0
GATE_WAIT_S = 3.0  # below the time that a frame waits for an answer to its log-in

# The library makes the plugins itself and gives them only words, so what they share with us is passed by name.
_GATES: dict[str, threading.Event] = {}
_TALLIES: dict[str, Tally] = {}


class Tally:
    """What the broker turned away since it was last asked; counted in its thread, taken in another."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._found: dict[str, tuple[int, str]] = {}

    def add(self, reason: str, what: str) -> None:
        """Count one."""
        with self._lock:
            self._found[reason] = (self._found.get(reason, (0, ""))[0] + 1, what[:120])

    def take(self) -> dict[str, tuple[int, str]]:
        """Return reason -> (how often, the last one), and begin anew."""
        with self._lock:
            found, self._found = self._found, {}
        return found


def host_password(store: Store) -> str:
    """Return the host's own password at the broker; made once for each store."""
    return store.secret("host-mqtt", 24).hex()


def address(app: App) -> Address:
    """Return where this installation's broker is, with the host's account.

    Raises InputError when messages would cross the network in clear and nobody said that they may.
    """
    b = app.config.broker
    refuse_plain(b)
    ca_file = home_file(app.home, b.ca_file)
    if b.kind == "external":
        user = b.user or HOST_USER
        password = b.password or host_password(app.store)
        return Address(b.host, b.port, user, password, b.tls, ca_file)
    host = "127.0.0.1" if b.listen in ("0.0.0.0", "", "::") else b.listen
    return Address(host, b.port, HOST_USER, host_password(app.store), bool(b.cert_file), ca_file)


def lan_host(app: App) -> str:
    """Return the broker's address as a board on the local network reaches it (best guess)."""
    b = app.config.broker
    if b.kind == "external":
        return b.host
    if b.listen not in ("0.0.0.0", "", "::"):
        return b.listen
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # No packet is sent: connecting a datagram socket only asks which address would be used.
        probe.connect(("192.0.2.1", 9))
        return str(probe.getsockname()[0])
    return socket.gethostname()


class Accounts(BaseAuthPlugin):
    """Lets frames in under their own name and password, and the host under its own."""

    @dataclass
    class Config:
        """store: path of the store file. gate: name of the event that lets frames in, "" = always open.

        tally: name of the count of what is refused.
        """

        store: str = ""
        gate: str = ""
        tally: str = ""

    def __init__(self, context: Any) -> None:
        super().__init__(context)
        self._store = Store(self.config.store, create=False)

    async def authenticate(self, *, session: Any) -> bool | None:
        """Return whether user and password fit."""
        user, given = session.username or "", session.password or ""
        if user != HOST_USER and not await self._opened():
            return False
        try:
            if user == HOST_USER:
                right = host_password(self._store)
            else:
                right = mqtt_password(self._store.frame(user))
        except SashkeeperError:
            right = ""
        known = bool(right) and hmac.compare_digest(right.encode(), str(given).encode())
        if not known:
            log.warning("refused a log-in as %r", user[:40])
            if tally := _TALLIES.get(self.config.tally):
                tally.add("log-in", f"as {user[:40]!r}")
        return known

    async def _opened(self) -> bool:
        """Wait a little for the host; a frame that is turned away keeps its readings and tries again."""
        gate = _GATES.get(self.config.gate)
        tries = 0
        while gate is not None and not gate.is_set() and tries < GATE_WAIT_S / 0.05:
            await asyncio.sleep(0.05)
            tries += 1
        return gate is None or gate.is_set()

    async def close(self) -> None:
        """Close the store."""
        self._store.close()


class Rules(BaseTopicPlugin):
    """Lets every account use only its own topics."""

    @dataclass
    class Config:
        """tally: name of the count of what is refused."""

        tally: str = ""

    async def topic_filtering(
        self, *, session: Any = None, topic: str | None = None, action: Action | None = None
    ) -> bool | None:
        """Return whether an account may do this with this topic."""
        user = (session.username if session else None) or ""
        may = may_publish(user, topic or "") if action == Action.PUBLISH else may_hear(user, topic or "")
        # Not what is merely passed over on its way to other listeners.
        if not may and action != Action.RECEIVE and (tally := _TALLIES.get(self.config.tally)):
            what = "publish" if action == Action.PUBLISH else "subscribe"
            tally.add(what, f"{user[:40]} to {(topic or '')[:80]}")
        return may


class EmbeddedBroker:
    """A broker in a thread of this program."""

    def __init__(
        self,
        store: str | Path,
        listen: str = "127.0.0.1",
        port: int = 1883,
        cert_file: str = "",
        key_file: str = "",
        wait_for_host: bool = False,
    ) -> None:
        """store: file with the accounts (it must exist). port 0 takes a free one, see `port` after start.

        wait_for_host: frames get in only while `host_is_here`, and are told that a message arrived when the
        host has stored it. Without a subscriber this broker would acknowledge their readings and drop them.
        """
        self._gate = threading.Event()
        self._gate_name = str(id(self)) if wait_for_host else ""
        if wait_for_host:
            _GATES[self._gate_name] = self._gate
        self._tally_name = str(id(self))
        self.tally = _TALLIES[self._tally_name] = Tally()
        self._store = Path(store)
        self.listen = listen
        self.port = port or free_port(listen)
        self._tls = {"ssl": True, "certfile": cert_file, "keyfile": key_file} if cert_file else {}
        self._up = threading.Event()
        self._fault: BaseException | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def __repr__(self) -> str:
        return f"<EmbeddedBroker {self.listen}:{self.port} {'up' if self._up.is_set() else 'down'}>"

    def start(self) -> None:
        """Start and return once it listens. Raises JobError with what to do."""
        self._refuse_taken_port()
        self._thread.start()
        self._up.wait(START_WAIT_S)
        if self._fault is not None or not self._up.is_set():
            raise JobError(
                f"The broker cannot listen on {self.listen}:{self.port} ({self._fault or 'it does not start'}). "
                "Choose another address or port for the broker in sashkeeper.toml."
            )

    def _refuse_taken_port(self) -> None:
        """Say so when another program has the port: the library itself would only log it."""
        with socket.socket(socket.AF_INET6 if ":" in self.listen else socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((self.listen, self.port))
            except OSError as fault:
                raise JobError(
                    f"The broker cannot listen on {self.listen}:{self.port}: {fault.strerror}. Another program may be "
                    "using it. Stop that one, or choose another port for the broker in sashkeeper.toml."
                ) from fault

    def host_is_here(self, here: bool) -> None:
        """Say whether the host is subscribed; only then do frames get in (see wait_for_host)."""
        if here:
            self._gate.set()
        else:
            self._gate.clear()

    def stop(self) -> None:
        """Stop; connections are closed."""
        _GATES.pop(self._gate_name, None)
        _TALLIES.pop(self._tally_name, None)
        if self._loop is not None and self._stop is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stop.set)
        if self._thread.is_alive():
            self._thread.join(START_WAIT_S)

    def __enter__(self) -> EmbeddedBroker:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _run(self) -> None:
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            asyncio.run(self._serve())
        except BaseException as fault:  # told to the starter, which waits for it
            self._fault = fault
            self._up.set()
        # The library forgets the sockets of clients that vanished; close them here and without complaint.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        broker = HeldBroker(
            BrokerConfig(
                listeners={"default": ListenerConfig(bind=f"{self.listen}:{self.port}", **self._tls)},
                plugins={
                    f"{__name__}.Accounts": {
                        "store": str(self._store), "gate": self._gate_name, "tally": self._tally_name,
                    },
                    f"{__name__}.Rules": {"tally": self._tally_name},
                },
            ),
            until_stored=bool(self._gate_name),
        )
        await broker.start()
        self._up.set()
        try:
            await self._stop.wait()
        finally:
            await broker.shutdown()
            await asyncio.sleep(0)  # lets closed connections leave


def free_port(listen: str = "127.0.0.1") -> int:
    """Return a TCP port that is free at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind((listen, 0))
        return int(probe.getsockname()[1])
