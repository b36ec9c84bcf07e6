"""A browser's side of the page for tests: no network, no second thread, time is set."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import httpx

from sash import signing
from sashkeeper.clock import SetClock
from sashkeeper.context import App
from sashkeeper.page import vault
from sashkeeper.page.settings import PageSettings
from sashkeeper.page.site import Site, build

PASSPHRASE = "four plain garden words"


class FakeFrame:
    """Answers settings and orders as a frame does, at once; `answers` = False lets it be away."""

    def __init__(self, app: App) -> None:
        self.app = app
        self.answers = True
        self.refuse = ""
        self.orders: list[str] = []
        self.settings: dict[str, int] = {}

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """What the page sends."""
        _, frame, suffix = topic.split("/", 2)
        body = signing.open_envelope(self.app.store.frame(frame).key, topic, payload)
        if not self.answers:
            return
        now_s = self.app.clock.now_s()
        if suffix == "orders":
            self.orders.append(body["order"])
            self.app.store.order_answered(frame, body["n"], not self.refuse, self.refuse, now_s)
            return
        from sash import settings

        if self.refuse:
            have = {**settings.defaults(), **self.settings}
            actual = {"v": 1, "n": 0, "settings": have, "refused": {"n": body["n"], "why": self.refuse}}
        else:
            self.settings.update(body["settings"])
            have = {**settings.defaults(), **self.settings}
            actual = {"v": 1, "n": body["n"], "settings": have, "refused": None}
        self.app.store.save_actual(frame, actual, now_s)


class Web:
    """A browser with a cookie jar, straight onto the application."""

    def __init__(self, home: Path, clock: SetClock, settings: PageSettings | None = None, **how: Any) -> None:
        self.loop = asyncio.new_event_loop()
        self.app = App(home, clock=clock)
        self.frame = FakeFrame(self.app)
        self.site = Site(self.app, self.frame.publish, settings or PageSettings(), wait_s=0.05, **how)
        self.asgi = build(self.site)
        self.jar = httpx.Cookies()
        self.address = "10.0.0.7"
        self.host = "frames.test"

    def ask(self, method: str, path: str, **how: Any) -> httpx.Response:
        """One request; redirects are not followed."""
        transport = httpx.ASGITransport(self.asgi, raise_app_exceptions=False, client=(self.address, 4711))

        async def one() -> httpx.Response:
            scheme = "https" if self.site.settings.tls else "http"
            async with httpx.AsyncClient(
                transport=transport, base_url=f"{scheme}://{self.host}", cookies=self.jar
            ) as client:
                answer = await client.request(method, path, **how)
                self.jar = client.cookies
                return answer

        return self.loop.run_until_complete(one())

    def get(self, path: str, **how: Any) -> httpx.Response:
        """GET."""
        return self.ask("GET", path, **how)

    def form(self, path: str, fields: Mapping[str, str], origin: str | None = "", **how: Any) -> httpx.Response:
        """POST a form, with the origin a browser sends ("" = our own, None = none)."""
        headers = dict(how.pop("headers", {}))
        if origin is not None:
            headers["origin"] = origin or f"http://{self.host}"
        return self.ask("POST", path, data=dict(fields), headers=headers, **how)

    def sign_in(self, passphrase: str = PASSPHRASE) -> httpx.Response:
        """Sign in by the form."""
        return self.form("/sign-in", {"passphrase": passphrase, "next": "/"})

    @property
    def token(self) -> str:
        """The token that forms must carry."""
        found = re.search(r'name="token" value="([^"]+)"', self.get("/").text)
        return found[1] if found else ""

    def call(self, method: str, path: str, body: Any = None, token: str | None = None) -> httpx.Response:
        """Call the JSON interface with the session's token."""
        headers = {"x-sashkeeper-token": self.token if token is None else token}
        if body is not None:
            headers["content-type"] = "application/json"
        return self.ask(method, path, content=None if body is None else json.dumps(body), headers=headers)

    def close(self) -> None:
        """Put away."""
        self.app.close()
        self.loop.close()


def set_passphrase(web: Web, passphrase: str = PASSPHRASE) -> None:
    """Set the passphrase without the form, with a hash that is quick to check."""
    from argon2 import PasswordHasher

    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    vault.Vault(web.app.store).set_passphrase(quick.hash(passphrase))
