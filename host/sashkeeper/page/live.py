"""Tells open pages that something has changed, by server-sent events; the page then fetches itself anew."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

if TYPE_CHECKING:
    from .site import Site

LOOK_S = 1.0
STILL_HERE_S = 15.0  # so that both ends notice a line that has gone dead
MOST_LISTENERS = 24


def routes(site: Site) -> list[Route]:
    """Return the addresses of this part."""
    listeners = 0

    async def news(request: Request) -> Response:
        """Stream "change" with a rising number whenever the store was written to."""
        if listeners >= MOST_LISTENERS:
            raise HTTPException(503, "Too many pages are open at once. Close some.")
        return StreamingResponse(stream(request), media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def stream(request: Request) -> AsyncIterator[str]:
        nonlocal listeners
        listeners += 1
        try:
            yield "retry: 3000\n\n"
            seen, quiet_s = _version(site), 0.0
            while not site.stop.is_set() and not await request.is_disconnected():
                await asyncio.sleep(LOOK_S)
                quiet_s += LOOK_S
                now = _version(site)
                if now != seen:
                    seen, quiet_s = now, 0.0
                    yield f"event: change\ndata: {now}\n\n"
                elif quiet_s >= STILL_HERE_S:
                    quiet_s = 0.0
                    # A page that is left open stays signed in only as long as its session lasts.
                    if site.gate.session(request) is None:
                        return
                    yield ": still here\n\n"
        finally:
            listeners -= 1

    return [Route("/news", site.gate.guard(news))]


def _version(site: Site) -> str:
    """Return a word that differs after anybody has written: another connection, or the page itself."""
    store = site.app.store
    return f"{store.row('PRAGMA data_version')[0]}-{store.db.total_changes}"
