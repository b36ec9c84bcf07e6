"""A small JSON interface for own programs; described by OpenAPI at /api.

The same session as the page: sign in with POST /api/session, send the cookie back, and with every change
the token from its answer in the header "x-sashkeeper-token". Times are seconds since 1970 UTC; values have
the units of their names; temperatures of readings are in the grower's unit, which the answer names.
"""

from __future__ import annotations

import base64
import ipaddress
import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from .. import wording
from ..notify import BROWSER, WAITING
from ..season.setpoint_words import word
from ..store import history
from . import openapi
from .bodies import read, whole
from .hands import DIARY, LEAST_HOURS, MOST_HOURS
from .push import PushKey
from .state import AlarmView, FrameView

if TYPE_CHECKING:
    from .site import Site

LONGEST_S = 400 * 86_400
MOST_ROWS = 20_000


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class SignIn(_Body):
    """The passphrase of the page."""

    passphrase: str = Field(max_length=200)


class Wanted(_Body):
    """Settings by their wire names (thousandths of a degree, seconds ...), and why."""

    settings: dict[str, Annotated[int, Field(ge=-(2**31), lt=2**31)]] = Field(min_length=1, max_length=40)
    why: str = Field("", max_length=200)


class Order(_Body):
    """An order to a frame; for release and auto, `clear` says that hands and tools are out."""

    order: Literal["hold", "release", "locate", "auto"]
    clear: bool = False


class Entry(_Body):
    """A line for the diary."""

    kind: Literal["covered", "picked", "snow", "watered", "note"]
    text: str = Field("", max_length=500)


class PhoneKeys(_Body):
    """Keys of a push subscription, base64url."""

    p256dh: str = Field(min_length=80, max_length=100)
    auth: str = Field(min_length=20, max_length=30)


class Phone(BaseModel):
    """A push subscription as a browser gives it."""

    model_config = ConfigDict(extra="ignore", strict=True)
    endpoint: str = Field(min_length=12, max_length=1000)
    keys: PhoneKeys


class Forget(_Body):
    """The endpoint of the phone to be forgotten."""

    endpoint: str = Field(max_length=1000)


class Silence(_Body):
    """How long an alarm should be silent [h]."""

    hours: float = Field(ge=LEAST_HOURS, le=MOST_HOURS)


class Nothing(_Body):
    """An empty object."""


MODELS: tuple[type[BaseModel], ...] = (SignIn, Wanted, Order, Entry, Phone, Forget, Silence, Nothing)
assert set(Entry.model_fields["kind"].annotation.__args__) == set(DIARY)  # type: ignore[union-attr]


def routes(site: Site) -> list[Route]:
    """Return the addresses of this part."""
    own, guard = Api(site), site.gate.guard
    get, post, put, delete = ["GET"], ["POST"], ["PUT"], ["DELETE"]
    return [
        Route("/api", own.describe, methods=get),
        Route("/api/session", own.sign_in, methods=post),
        Route("/api/session", guard(own.session), methods=get),
        Route("/api/session", guard(own.sign_out), methods=delete),
        Route("/api/frames", guard(own.frames), methods=get),
        Route("/api/frames/{frame}", guard(own.frame), methods=get),
        Route("/api/frames/{frame}/readings", guard(own.readings), methods=get),
        Route("/api/frames/{frame}/events", guard(own.events), methods=get),
        Route("/api/frames/{frame}/settings", guard(own.settings), methods=get),
        Route("/api/frames/{frame}/settings", guard(own.send_settings), methods=put),
        Route("/api/frames/{frame}/orders", guard(own.order), methods=post),
        Route("/api/frames/{frame}/diary", guard(own.diary), methods=post),
        Route("/api/alarms", guard(own.alarms), methods=get),
        Route("/api/alarms/{number:int}", guard(own.alarm), methods=get),
        Route("/api/alarms/{number:int}/known", guard(own.acknowledge), methods=post),
        Route("/api/alarms/{number:int}/silence", guard(own.shelve), methods=put),
        Route("/api/alarms/{number:int}/silence", guard(own.unshelve), methods=delete),
        Route("/api/phones", guard(own.add_phone), methods=post),
        Route("/api/phones/key", guard(own.push_key), methods=get),
        Route("/api/phones/test", guard(own.test_phones), methods=post),
        Route("/api/phones/forget", guard(own.forget_endpoint), methods=post),
        Route("/api/phones/{phone}", guard(own.forget_phone), methods=delete),
    ]


class Api:
    """Handlers for programs."""

    def __init__(self, site: Site) -> None:
        self.site = site

    async def describe(self, request: Request) -> Response:
        """The description of this interface."""
        return JSONResponse(openapi.document(MODELS))

    # -- session --------------------------------------------------------------------------------

    async def sign_in(self, request: Request) -> Response:
        """Sign in; the answer sets the cookie and tells the token for changes."""
        sent = await read(request, SignIn)
        if not self.site.vault.passphrase_hash:
            raise HTTPException(403, 'No passphrase is set yet. "sashkeeper serve" prints an address for it.')
        if not await self.site.gate.try_passphrase(request, sent.passphrase):
            raise HTTPException(403, "That is not the passphrase.")
        response = self.site.gate.let_in(Response())
        cookie = response.headers["set-cookie"]
        session = self.site.vault.session(cookie.split(";")[0].split("=", 1)[1], self.site.app.clock.now_s())
        assert session is not None
        return JSONResponse({"token": session.csrf, "ends_s": session.ends_s}, headers={"set-cookie": cookie})

    async def session(self, request: Request) -> Response:
        """The present session."""
        return JSONResponse({"token": request.state.session.csrf, "ends_s": request.state.session.ends_s})

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        self.site.vault.sign_out(request.state.session)
        return self.site.gate.let_out(Response(status_code=204))

    # -- frames ---------------------------------------------------------------------------------

    async def frames(self, request: Request) -> Response:
        """All frames, the worst first."""
        return JSONResponse([frame_dict(f) for f in self.site.state.frames()])

    async def frame(self, request: Request) -> Response:
        """One frame."""
        return JSONResponse(frame_dict(self.site.state.frame(self._frame_of(request))))

    async def readings(self, request: Request) -> Response:
        """Readings, or means of ten minutes or an hour."""
        frame, app = self._frame_of(request), self.site.app
        asked, now_s = request.query_params, int(app.clock.now_s())
        to_s = whole(asked.get("to_s"), "to_s", now_s + 1)
        from_s = whole(asked.get("from_s"), "from_s", max(0, to_s - 86_400))
        step_s = whole(asked.get("step_s"), "step_s", 600)
        if step_s not in (0, 600, 3600):
            raise HTTPException(422, "step_s should be 0 (every reading), 600 or 3600.")
        if not 0 < to_s - from_s <= LONGEST_S:
            raise HTTPException(422, "to_s should be later than from_s, by at most 400 days.")
        longest_s = step_s * MOST_ROWS if step_s else 14 * 86_400
        if to_s - from_s > longest_s:
            raise HTTPException(422, "So long a span needs a longer step_s.")
        _, rows = history.rows(app.store, frame, from_s, to_s, step_s)
        f = app.fahrenheit
        out = [{"time_s": r.time_s, "n": r.n, **{k: history.shown(k, v, f) for k, v in r.values.items()}}
               for r in rows[:MOST_ROWS]]  # fmt: skip
        return JSONResponse({"frame": frame, "step_s": step_s, "unit": "°F" if f else "°C",
                             "zone": str(self.site.zone), "rows": out})  # fmt: skip

    async def events(self, request: Request) -> Response:
        """Events of a frame, newest first."""
        frame = self._frame_of(request)
        limit = whole(request.query_params.get("limit"), "limit", 100, 1, 1000)
        found = self.site.app.store.events(frame, limit=limit, newest_first=True)
        return JSONResponse([{"time_s": e.time_s, "kind": e.kind, "body": e.body} for e in found])

    async def settings(self, request: Request) -> Response:
        """Settings in force, and what was sent last."""
        frame, store = self._frame_of(request), self.site.app.store
        actual = store.actual(frame)
        sent = store.settings_sent(frame, 10)
        return JSONResponse({
            "frame": frame,
            "in_force": actual.body["settings"] if actual else None,
            "n": actual.body.get("n") if actual else None,
            "told_s": actual.received_s if actual else None,
            "sent": [{"n": s.n, "sent_s": s.sent_s, "settings": s.settings, "why": s.why, "outcome": s.outcome}
                     for s in sent],
        })  # fmt: skip

    async def send_settings(self, request: Request) -> Response:
        """Send settings, and say what the frame made of them."""
        frame = self._frame_of(request)
        sent = await read(request, Wanted)
        outcome = await self.site.hands.send(frame, sent.settings, sent.why or "set by a program")
        differ = [word(n) for n, v in sent.settings.items() if outcome.settings.get(n) != v]
        missed = differ if outcome.result == "taken" else []
        return JSONResponse({"n": outcome.n, "result": outcome.result, "why": outcome.why,
                             "in_force": dict(outcome.settings), "differs": missed})  # fmt: skip

    async def order(self, request: Request) -> Response:
        """Give an order."""
        frame = self._frame_of(request)
        sent = await read(request, Order)
        if sent.order in ("release", "auto") and not sent.clear:
            raise HTTPException(422, "Say with clear = true that hands, tools and children are clear of the lid.")
        result, why = await self.site.hands.order(frame, sent.order)
        return JSONResponse({"result": result, "why": why})

    async def diary(self, request: Request) -> Response:
        """Write in the diary."""
        frame = self._frame_of(request)
        sent = await read(request, Entry)
        self.site.hands.write_diary(frame, sent.kind, sent.text)
        self.site.state.forget_advice(frame)
        return Response(status_code=204)

    def _frame_of(self, request: Request) -> str:
        return self.site.app.store.frame(request.path_params["frame"]).id

    # -- alarms ---------------------------------------------------------------------------------

    async def alarms(self, request: Request) -> Response:
        """Alarms that stand and that are kept silent, and with over=1 also the last ones that are over."""
        state = self.site.state
        found = state.standing() + state.silent()
        over = request.query_params.getlist("over")
        if not set(over) <= {"0", "1"}:
            raise HTTPException(422, "over should be 0 or 1.")
        if "1" in over:
            found += state.past()
        return JSONResponse([alarm_dict(a) for a in found])

    async def alarm(self, request: Request) -> Response:
        """One alarm with its steps."""
        store, number = self.site.app.store, self._number(request)
        view = self.site.state.alarm_view(store.alarm_get(number))
        steps = [{"time_s": s.time_s, "from": s.from_state, "to": s.to_state, "why": s.why}
                 for s in store.alarm_log(number)]  # fmt: skip
        return JSONResponse({**alarm_dict(view), "steps": steps})

    async def acknowledge(self, request: Request) -> Response:
        """Say that somebody knows."""
        await read(request, Nothing)
        record = await self.site.hands.acknowledge(self._number(request), "program")
        return JSONResponse(alarm_dict(self.site.state.alarm_view(record)))

    async def shelve(self, request: Request) -> Response:
        """Keep an alarm silent for a while."""
        sent = await read(request, Silence)
        record = await self.site.hands.shelve(self._number(request), sent.hours, "program")
        return JSONResponse(alarm_dict(self.site.state.alarm_view(record)))

    async def unshelve(self, request: Request) -> Response:
        """Hear an alarm again."""
        record = await self.site.hands.unshelve(self._number(request), "program")
        return JSONResponse(alarm_dict(self.site.state.alarm_view(record)))

    def _number(self, request: Request) -> int:
        number = int(request.path_params["number"])
        if number > 2**53:
            raise HTTPException(404, "There is no alarm of that number.")
        return number

    # -- phones ---------------------------------------------------------------------------------

    async def push_key(self, request: Request) -> Response:
        """The public key that a browser wants with a subscription."""
        return JSONResponse({"key": PushKey(self.site.vault).public})

    async def add_phone(self, request: Request) -> Response:
        """Subscribe a phone."""
        sent = await read(request, Phone)
        fault = phone_fault(sent, self.site.near_phones)
        if fault:
            raise HTTPException(422, f"{fault} Nothing was changed.")
        keys = {"p256dh": sent.keys.p256dh, "auth": sent.keys.auth}
        phone = self.site.vault.add_phone({"endpoint": sent.endpoint, "keys": keys}, self.site.app.clock.now_s())
        return JSONResponse({"phone": phone}, 201)

    async def forget_phone(self, request: Request) -> Response:
        """Forget a phone."""
        if not self.site.vault.drop_phone(request.path_params["phone"][:64]):
            raise HTTPException(404, "There is no such phone.")
        return Response(status_code=204)

    async def forget_endpoint(self, request: Request) -> Response:
        """Forget the phone that asks."""
        from .vault import digest

        sent = await read(request, Forget)
        self.site.vault.drop_phone(digest(sent.endpoint)[:16])
        return Response(status_code=204)

    async def test_phones(self, request: Request) -> Response:
        """Send a real test to all phones."""
        await read(request, Nothing)
        if not self.site.vault.phones():
            raise HTTPException(409, "No phone is subscribed. Nothing was sent.")
        words, now_s = wording.test_message(), self.site.app.clock.now_s()
        self.site.app.store.delivery_add(BROWSER, words.body, now_s, state=WAITING, next_s=now_s,
                                         data={"title": words.title, "kind": "test"})  # fmt: skip
        return JSONResponse({"result": "waiting"}, 202)


def phone_fault(phone: Phone, near: bool) -> str:
    """Return what is wrong with a subscription, or an empty text. near: also take services on this computer."""
    try:
        parts = urlsplit(phone.endpoint)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        return "The endpoint is not an address."
    if near and host == "127.0.0.1":
        pass
    elif parts.scheme != "https" or not host or "@" in parts.netloc or not phone.endpoint.isascii():
        return "The endpoint should be the https address of a push service."
    elif _inside(host):
        # Else a subscription could make us call on the router, or on ourselves.
        return "The endpoint is inside your own network, where no push service is."
    for text, size in ((phone.keys.p256dh, 65), (phone.keys.auth, 16)):
        try:
            raw = base64.urlsafe_b64decode(text.encode("ascii") + b"=" * (-len(text) % 4))
        except ValueError:
            raw = b""
        if len(raw) != size:
            return "The keys are not those of a subscription."
    return ""


def _inside(host: str) -> bool:
    try:
        return not ipaddress.ip_address(host).is_global
    except ValueError:
        return "." not in host or host.endswith((".local", ".internal", ".lan", ".home.arpa", ".localhost"))


def alarm_dict(alarm: AlarmView) -> dict[str, Any]:
    """Return an alarm for programs."""
    return {**asdict(alarm), "known": alarm.known}


def frame_dict(frame: FrameView) -> dict[str, Any]:
    """Return a frame for programs."""
    out = asdict(frame)
    out["alarms"] = [alarm_dict(a) for a in frame.alarms]
    out["silent"] = [alarm_dict(a) for a in frame.silent]
    del out["rank"], out["tone"]
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in out.items()}
