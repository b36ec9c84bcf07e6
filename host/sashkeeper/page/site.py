"""The page put together: what its parts share, and the table of addresses."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from importlib.resources import files
from threading import Event
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ..context import App
from ..season.daylight import sun_position
from . import api, faults, join_page, live, pages
from .gate import HEADERS, Gate, check_origin
from .hands import Hands, Publish
from .settings import PageSettings
from .spans import zone_of
from .state import State
from .vault import Session, Vault


class Site:
    """What all parts of one page share. Belongs to the page's thread."""

    def __init__(
        self, app: App, publish: Publish, settings: PageSettings, stop: Event | None = None, wait_s: float = 8.0,
        near_phones: bool = False,
    ) -> None:  # fmt: skip
        """near_phones: also take push services on this computer (for tests)."""
        self.app, self.settings = app, settings
        self.stop = stop or Event()
        self.near_phones = near_phones
        self.state = State(app)
        self.hands = Hands(app, publish, wait_s)
        self.vault = Vault(app.store)
        self.gate = Gate(self.vault, app.clock, settings.tls)
        self.zone = zone_of(app)
        self._notes: dict[str, str] = {}

    def leave_note(self, session: Session, text: str) -> None:
        """Have something said on the next page that this browser loads."""
        self._notes[session.digest] = text

    def take_note(self, session: Session | None) -> str:
        """Return what was to be said, once."""
        return "" if session is None else self._notes.pop(session.digest, "")

    def dusk(self) -> bool:
        """Return whether the sun is well down at the place: the page is dark then, whatever the phone wishes."""
        place = self.app.config.place
        if place.lat_deg is None or place.lon_deg is None:
            return False
        return sun_position(self.app.clock.now_s(), place.lat_deg, place.lon_deg)[0] < -6.0


class Covers:
    """Puts the headers of safety on every answer, and turns changes from other sites away."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def covered(message: Message) -> None:
            if message["type"] == "http.response.start":
                have = {name.lower() for name, _ in message["headers"]}
                extra = {"cache-control": "no-store", **HEADERS}
                message["headers"] = [
                    *message["headers"],
                    *((k.encode(), v.encode()) for k, v in extra.items() if k.encode() not in have),
                ]
            await send(message)

        request = Request(scope, receive)
        try:
            check_origin(request)
        except HTTPException as fault:
            await (await faults.answer(request, fault))(scope, receive, covered)
            return
        await self.app(scope, receive, covered)


class Kept(StaticFiles):
    """Files of the page's look; small, so a phone asks for them once a day."""

    def file_response(self, *args: Any, **kw: Any) -> Response:
        """Return a file with its time to keep."""
        response = super().file_response(*args, **kw)
        response.headers["cache-control"] = "max-age=600"
        return response


def build(site: Site) -> Starlette:
    """Return the web application of a site."""
    look = files("sashkeeper.page").joinpath("look")
    routes = [
        *pages.routes(site),
        *join_page.routes(site),
        *live.routes(site),
        *api.routes(site),
        Route("/worker.js", pages.worker),
        Mount("/look", Kept(directory=str(look))),
    ]

    @contextlib.asynccontextmanager
    async def span(_app: Starlette) -> AsyncIterator[None]:
        yield
        site.app.close()

    made = Starlette(
        routes=routes, lifespan=span,
        exception_handlers={HTTPException: faults.answer, Exception: faults.answer, **faults.OURS},
    )  # fmt: skip
    made.state.site = site
    made.add_middleware(Covers)
    return made
