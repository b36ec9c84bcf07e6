"""The way in for a second phone: /join/<code>, with a code that "sashkeeper join phone" shows once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ..joining import phone
from .gate import address_of
from .render import render

if TYPE_CHECKING:
    from .site import Site


def routes(site: Site) -> list[Route]:
    """Return the table of addresses."""

    async def join(request: Request) -> Response:
        """Show a button, because programs look at links before people do; the button uses the code up."""
        if request.method != "POST":
            return render(request, "join.html", wrong=False)
        now_s, address = site.app.clock.now_s(), address_of(request)
        patience = site.gate.patience
        patience.check(address, now_s)
        if not phone.use_code(site.app.store, request.path_params["code"][:40], now_s):
            patience.wrong(address, now_s)
            return render(request, "join.html", 403, wrong=True)
        patience.right(address)
        return site.gate.let_in(RedirectResponse("/", 303))

    return [Route("/join/{code}", join, methods=["GET", "POST"])]

