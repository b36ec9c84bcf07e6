"""The demo's phone: a small HTTP server on loopback that keeps what reaches it.

The alert goes out through the same notification library as in real life and
arrives here over real HTTP; whatever the demo prints as "the phone heard" was
received by this server.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass(frozen=True)
class Heard:
    """One message as the phone received it. ``time_s`` is the demo's clock (Unix seconds, virtual)."""

    time_s: int
    title: str
    text: str


class Phone:
    """Listens on a free loopback port from construction until ``close``."""

    def __init__(self, now_s: Callable[[], int]) -> None:
        self.heard: list[Heard] = []
        self._now_s = now_s
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                size = min(int(self.headers.get("Content-Length", 0)), 65_536)
                fields = json.loads(self.rfile.read(size))
                phone.heard.append(Heard(phone._now_s(), str(fields.get("title", "")), str(fields.get("message", ""))))
                self.send_response(204)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """Silent: the demo tells its own story."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        """Notification URL that delivers to this phone."""
        return f"json://127.0.0.1:{self._server.server_address[1]}/"

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=5)
