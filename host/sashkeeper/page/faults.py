"""What went wrong, for programs as application/problem+json (RFC 9457), for people as a plain page."""

from __future__ import annotations

import json
import logging
from http import HTTPStatus
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match, Route

from ..alarms.links import LinkRefused
from ..errors import InputError, SashkeeperError, StoreError, UnknownFrame
from .bodies import is_api
from .render import render

log = logging.getLogger("sashkeeper.page")

TITLES = {
    400: "It cannot be read", 401: "Not signed in", 403: "Not allowed", 404: "Not here", 405: "Not possible here",
    409: "It does not fit", 410: "No longer good", 413: "Too long", 415: "Wrong kind of body", 422: "It does not fit",
    429: "Too many tries", 500: "A mistake of ours", 503: "Not at the moment",
}  # fmt: skip


def status_of(fault: Exception) -> tuple[int, str]:
    """Return the HTTP status and the sentence of a fault."""
    if isinstance(fault, HTTPException):
        usual = HTTPStatus(fault.status_code).phrase
        sentence = fault.detail if fault.detail and fault.detail != usual else ""
        if fault.status_code == 404 and not sentence:
            sentence = "There is nothing at this address."
        return fault.status_code, sentence or f"{usual}."
    if isinstance(fault, UnknownFrame):
        return 404, fault.sentence
    if isinstance(fault, LinkRefused):
        return 410, str(fault)
    if isinstance(fault, InputError):
        return (404 if fault.sentence.startswith("There is no alarm number") else 422), fault.sentence
    if isinstance(fault, StoreError):
        return 503, fault.sentence
    if isinstance(fault, SashkeeperError):
        return 422, fault.sentence
    return 500, "Something went wrong here, and it is our mistake. The frames go on by themselves. Try again."


async def answer(request: Request, fault: Exception) -> Response:
    """Turn any fault into an answer."""
    status, sentence = status_of(fault)
    if status >= 500:
        log.error("%s %s: %s", request.method, request.url.path, type(fault).__name__, exc_info=fault)
    headers = dict(fault.headers or {}) if isinstance(fault, HTTPException) else {}
    if status == 405:
        headers = {**{k: v for k, v in headers.items() if k.lower() != "allow"}, "allow": _allowed(request)}
    title = TITLES.get(status, HTTPStatus(status).phrase)
    if is_api(request):
        problem = {"type": "about:blank", "title": title, "status": status, "detail": sentence,
                   "instance": request.url.path}  # fmt: skip
        return Response(json.dumps(problem), status, headers, "application/problem+json")
    response = render(request, "fault.html", status, heading=title, sentence=sentence)
    response.headers.update(headers)
    return response


def _allowed(request: Request) -> str:
    """Return what can be done at an address; the library names only the first entry's methods (RFC 9110, 15.5.6)."""
    fit = [r for r in request.app.routes if isinstance(r, Route) and r.matches(request.scope)[0] is not Match.NONE]
    exact = [r for r in fit if r.path == request.url.path]
    return ", ".join(sorted({method for route in exact or fit for method in route.methods or ()}))


# Given to the application one by one, because it takes a bare Exception for a crash and shows it as one.
OURS: dict[type[Exception], Any] = {SashkeeperError: answer, LinkRefused: answer}
