"""The page: what every frame does, on a phone beside the frame, without the internet.

`serve` calls `start`. The page runs in threads of its own, opens its own stores, and hands what goes to
frames to `publish`.
"""

from __future__ import annotations

import socket
import ssl
import threading
from typing import Any

from ..alarms import rules
from ..context import App
from ..errors import JobError
from ..store import Store
from . import settings as page_settings
from .hands import Publish
from .settings import PageSettings

__all__ = ["RunningPage", "start"]


class RunningPage:
    """The page while it runs."""

    def __init__(self, app: App, publish: Publish, stop: threading.Event, settings: PageSettings) -> None:
        # Imported here so that a missing package is named as such before anything is started.
        import uvicorn

        from .push import NOBODY, CourierThread
        from .vault import Vault

        self._app, self._publish, self._settings = app, publish, settings
        self._ended = threading.Event()
        self._keeper_stop = stop
        host = "127.0.0.1" if settings.listen == "localhost" else settings.listen
        config = uvicorn.Config(
            self._make, factory=True, host=host, port=settings.port, log_config=None, access_log=False,
            server_header=False, proxy_headers=False, lifespan="on", timeout_graceful_shutdown=2, timeout_keep_alive=20,
            limit_concurrency=200, h11_max_incomplete_event_size=16_384, http="h11", ws="none", loop="asyncio",
            ssl_certfile=str(app.home / settings.cert_file) if settings.tls else None,
            ssl_keyfile=str(app.home / settings.key_file) if settings.tls else None,
        )  # fmt: skip
        try:
            if settings.tls:
                ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
                    app.home / settings.cert_file, app.home / settings.key_file
                )
        except (OSError, ssl.SSLError) as fault:
            raise JobError(f"The certificate of the page cannot be used: {fault}. Nothing was started.") from fault
        try:
            self._socket = _bind(host, settings.port)
        except OSError as fault:
            raise JobError(
                f"The page cannot listen on {host}:{settings.port}: {fault.strerror or fault}. Is the port taken? "
                "Choose another with port in the [page] table."
            ) from fault
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        contact = settings.contact or NOBODY
        self._courier = CourierThread(
            lambda: Store(app.store_path, create=False), app.clock,
            contact if contact.startswith(("mailto:", "https://")) else f"mailto:{contact}",
        )  # fmt: skip
        port = self._socket.getsockname()[1]
        shown = socket.gethostname() if host in ("0.0.0.0", "::") else host
        self.url = f"{'https' if settings.tls else 'http'}://{f'[{shown}]' if ':' in shown else shown}:{port}"
        with Store(app.store_path) as store:
            vault = Vault(store)
            self.first = "" if vault.passphrase_hash else f"/first/{vault.first_word()}"

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()
        self._courier.start()
        while not self._server.started and self._thread.is_alive():
            self._ended.wait(0.01)
        if not self._server.started:
            raise JobError("The page could not be started; see the messages before this one.")

    def stop(self) -> None:
        """End it; open pages notice and say so."""
        self._ended.set()
        self._server.should_exit = True
        self._courier.stop()
        self._thread.join(10)
        self._socket.close()

    def _make(self) -> Any:
        """Build the application, in the page's thread, so that its store belongs to that."""
        from .site import Site, build

        own = App(self._app.home, self._app.fahrenheit, self._app.clock)
        own.use_config(self._app.config)
        return build(Site(own, self._publish, self._settings, self._ended))

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


def _bind(host: str, port: int) -> Any:
    made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.set_inheritable(False)
    except OSError:
        made.close()
        raise
    return made


def start(app: App, publish: Publish, stop: threading.Event) -> RunningPage:
    """Start the page of a home folder. Raises InputError, JobError, ModuleNotFoundError (an extra is missing)."""
    import argon2  # noqa: F401  # named first when the extra is missing
    import jinja2  # noqa: F401
    import pywebpush  # noqa: F401
    import starlette  # noqa: F401

    rules.read(app.config.alarms)
    page = RunningPage(app, publish, stop, page_settings.read(app.config.page, app.home))
    page.start()
    page.url += page.first  # the first visit goes where the passphrase is set
    return page
