"""The pages for people. Everything can be read without a script; changes are plain forms."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from .. import wording
from ..alarms.links import LinkRefused
from ..store import Alarm
from . import charts, setpoint_pages, spans, vault
from .bodies import form
from .gate import safe_next
from .hands import CAN_BE_SHELVED, DIARY, SHELF_HOURS, SHELF_HOURS_URGENT
from .render import render, safe_markup
from .state import RANKS

if TYPE_CHECKING:
    from .site import Site

NIGHT_FROM_H, NIGHT_TO_H = 16, 10
ORDER_SAID = {
    "hold": "The frame holds: its lid does not move. Release it when your hands and tools are out.",
    "release": "Released. The lid stays where it is for a minute, then the frame decides again.",
    "locate": "The frame blinks and sounds.",
    "auto": "The frame decides again by itself.",
}


async def worker(_request: Request) -> Response:
    """Return the script that shows messages while no page is open; it has to lie at the top."""
    text = files("sashkeeper.page").joinpath("look/worker.js").read_text(encoding="utf-8")
    return Response(text, media_type="text/javascript", headers={"cache-control": "no-cache"})


def routes(site: Site) -> list[Route]:
    """Return the addresses of this part."""
    own, guard = Pages(site), site.gate.guard
    get, post = ["GET"], ["POST"]
    return [
        Route("/", guard(own.all_frames), methods=get),
        Route("/frame/{frame}", guard(own.one_frame), methods=get),
        Route("/frame/{frame}/night", guard(own.night), methods=get),
        Route("/frame/{frame}/day/{day}", guard(own.day), methods=get),
        Route("/frame/{frame}/season", guard(own.season), methods=get),
        Route("/frame/{frame}/order", guard(own.order), methods=post),
        Route("/frame/{frame}/diary", guard(own.diary), methods=post),
        *setpoint_pages.routes(site),
        Route("/alarms", guard(own.alarms), methods=get),
        Route("/alarms/{number:int}", guard(own.alarm), methods=get),
        Route("/alarms/{number:int}/known", guard(own.acknowledge), methods=post),
        Route("/alarms/{number:int}/silent", guard(own.shelve), methods=post),
        Route("/alarms/{number:int}/heard", guard(own.unshelve), methods=post),
        Route("/phone", guard(own.phone), methods=get),
        Route("/kept", guard(own.kept), methods=get),
        Route("/sign-in", own.sign_in, methods=["GET", "POST"]),
        Route("/sign-out", guard(own.sign_out), methods=post),
        Route("/first/{word}", own.first, methods=["GET", "POST"]),
        Route("/known/{token}", own.known, methods=["GET", "POST"]),
    ]


class Pages:
    """Handlers of the pages for people."""

    def __init__(self, site: Site) -> None:
        self.site = site

    # -- looking --------------------------------------------------------------------------------

    async def all_frames(self, request: Request) -> Response:
        """All frames, the worst first."""
        state = self.site.state
        frames = state.frames()
        general = [a for a in state.standing() if a.frame is None]
        # The keeper's own alarms stand above the frames only when they are at least as urgent as the worst of those.
        before = RANKS[: frames[0].rank[0] + 1] if frames else RANKS
        return render(request, "frames.html", frames=frames, general=general, before=before,
                      summary=_summary(frames, general))  # fmt: skip

    async def one_frame(self, request: Request) -> Response:
        """One frame, with today's chart."""
        frame = self._frame_of(request)
        now_s = self.site.state.now_s
        today = datetime.fromtimestamp(now_s, self.site.zone).date()
        view = self.site.state.frame(frame)
        return render(request, "frame.html", frame=view, diary_kinds=DIARY, day=today.isoformat(),
                      **self._day_values(frame, *self._day_bounds(today)))  # fmt: skip

    async def day(self, request: Request) -> Response:
        """One day of one frame."""
        frame = self._frame_of(request)
        try:
            day = date.fromisoformat(request.path_params["day"])
            start_s, end_s = self._day_bounds(day)
            before, after = day - timedelta(days=1), day + timedelta(days=1)
        except (ValueError, OverflowError, OSError):
            raise HTTPException(404, "There is no such day. Write it like 2027-01-31.") from None
        values = self._day_values(frame, start_s, end_s)
        return render(request, "day.html", heading=f"{day:%A}, {day.day} {day:%B %Y}", what="day",
                      before=before.isoformat(), after=after.isoformat(), **values)  # fmt: skip

    async def night(self, request: Request) -> Response:
        """Last night, from the afternoon before to the morning after."""
        frame = self._frame_of(request)
        now = datetime.fromtimestamp(self.site.state.now_s, self.site.zone)
        morning = now.date()
        start_s = spans.midnight(morning - timedelta(days=1), self.site.zone) + NIGHT_FROM_H * 3600
        end_s = min(now.timestamp(), spans.midnight(morning, self.site.zone) + NIGHT_TO_H * 3600)
        return render(request, "day.html", heading="Last night", what="night",
                      before=(morning - timedelta(days=1)).isoformat(), after=morning.isoformat(),
                      **self._day_values(frame, start_s, max(end_s, start_s + 3600)))  # fmt: skip

    async def season(self, request: Request) -> Response:
        """The season of one frame."""
        frame = self._frame_of(request)
        span = spans.season_span(self.site.app, frame, self.site.state.now_s)
        drawn = [safe_markup(charts.season_chart(span, p)) for p in (charts.NARROW, charts.WIDE)]
        return render(request, "season.html", id=frame, name=span.name, span=span, words=charts.season_words(span),
                      drawn=drawn if span.air else [], month=charts.MONTHS)  # fmt: skip

    def _frame_of(self, request: Request) -> str:
        return self.site.app.store.frame(request.path_params["frame"]).id

    def _day_bounds(self, day: date) -> tuple[float, float]:
        zone = self.site.zone
        return spans.midnight(day, zone), spans.midnight(day + timedelta(days=1), zone)

    def _day_values(self, frame: str, start_s: float, end_s: float) -> dict[str, Any]:
        span = spans.day_span(self.site.app, frame, start_s, end_s)
        drawn = [] if span.empty else [safe_markup(charts.day_chart(span, p)) for p in (charts.NARROW, charts.WIDE)]
        return {"id": frame, "name": span.name, "span": span, "drawn": drawn, "words": spans.words_of_day(span),
                "table": _hourly(span), "papers": (charts.NARROW, charts.WIDE)}  # fmt: skip

    # -- alarms ---------------------------------------------------------------------------------

    async def alarms(self, request: Request) -> Response:
        """What stands, and what did."""
        state = self.site.state
        names = {f.id: f.name for f in self.site.app.store.frames()}
        return render(request, "alarms.html", standing=state.standing(), silent=state.silent(), past=state.past(),
                      names=names)  # fmt: skip

    async def alarm(self, request: Request) -> Response:
        """One alarm with its history."""
        store, number = self.site.app.store, request.path_params["number"]
        record = store.alarm_get(_small(number))
        view = self.site.state.alarm_view(record)
        name = store.frame(record.frame).name if record.frame else "Keeper"
        steps = [(s.time_s, wording.STATE_WORDS.get(s.to_state, s.to_state), s.why) for s in store.alarm_log(record.id)]
        hours = _shelf_hours(record) if record.closed_s is None and record.state in CAN_BE_SHELVED else ()
        return render(request, "alarm.html", alarm=view, name=name, steps=steps, shelf=hours,
                      sent=store.delivery_list(alarm=record.id))  # fmt: skip

    async def acknowledge(self, request: Request) -> Response:
        """Note that somebody knows."""
        number = _small(request.path_params["number"])
        record = await self.site.hands.acknowledge(number, "page")
        said = "It is over already." if record.closed_s else "Noted: you know. You hear again when it is over."
        return self._go_on(request, (await form(request)).get("next", f"/alarms/{number}"), said)

    async def shelve(self, request: Request) -> Response:
        """Keep an alarm silent for a while; always with an end."""
        number = _small(request.path_params["number"])
        given, record = (await form(request)).get("hours", ""), self.site.app.store.alarm_get(number)
        offered = {str(h): h for h in _shelf_hours(record)}
        if given not in offered:
            said = f"Choose how long it should be silent: {', '.join(offered)} hours. Nothing was changed."
            return self._go_on(request, f"/alarms/{number}", said)
        record = await self.site.hands.shelve(number, offered[given], "page")
        view = self.site.state.alarm_view(record)
        if view.silent_until_s is None:
            said = "Asked for; the keeper has not done it yet. Load this page again in a moment."
        else:
            until = datetime.fromtimestamp(view.silent_until_s, self.site.zone)
            said = f"Silent until {until:%a %d %b, %H:%M}. Then it comes back by itself, if it is still so."
        return self._go_on(request, f"/alarms/{number}", said)

    async def unshelve(self, request: Request) -> Response:
        """Hear an alarm again."""
        number = _small(request.path_params["number"])
        await self.site.hands.unshelve(number, "page")
        after = (await form(request)).get("next", f"/alarms/{number}")
        return self._go_on(request, after, "It can be heard again.")

    async def known(self, request: Request) -> Response:
        """What a link in a message leads to: GET shows, the button acknowledges. No sign-in: the link is signed."""
        token, hands = request.path_params["token"], self.site.hands
        name = ""
        try:
            record = await hands.use_link(token) if request.method == "POST" else hands.read_link(token)
        except LinkRefused as fault:
            return render(request, "fault.html", 410, heading="This link is no longer good", sentence=str(fault))
        if record.frame and self.site.app.store.has_frame(record.frame):
            name = self.site.app.store.frame(record.frame).name
        view = self.site.state.alarm_view(record)
        return render(request, "known.html", alarm=view, name=name, token_path=request.url.path,
                      done=request.method == "POST")  # fmt: skip

    # -- doing ----------------------------------------------------------------------------------

    async def order(self, request: Request) -> Response:
        """Hold, release, locate."""
        frame, sent = self._frame_of(request), await form(request)
        order = sent.get("order", "")
        if order in ("release", "auto") and sent.get("clear") != "yes":
            said = "Say first that hands, tools and children are clear of the lid. Nothing was sent."
            return self._go_on(request, f"/frame/{frame}", said)
        result, why = await self.site.hands.order(frame, order)
        said = {
            "done": ORDER_SAID.get(order, "Done."),
            "refused": f"The frame did not do it: {why}.",
            "no answer": "The frame has not answered yet. The order is good for two minutes, then it expires.",
        }[result]
        return self._go_on(request, f"/frame/{frame}", said)

    async def diary(self, request: Request) -> Response:
        """Write in the diary."""
        frame, sent = self._frame_of(request), await form(request)
        self.site.hands.write_diary(frame, sent.get("kind", ""), sent.get("text", ""))
        self.site.state.forget_advice(frame)
        return self._go_on(request, f"/frame/{frame}", "Written in the diary.")

    def _go_on(self, request: Request, where: str, said: str) -> Response:
        self.site.leave_note(request.state.session, said)
        return RedirectResponse(safe_next(where), 303)

    # -- this phone, and what is kept -----------------------------------------------------------

    async def phone(self, request: Request) -> Response:
        """Messages on this phone."""
        phones = [(key, one["since_s"], _host(one["endpoint"])) for key, one in self.site.vault.phones().items()]
        return render(request, "phone.html", phones=phones)

    async def kept(self, request: Request) -> Response:
        """What is measured, kept and sent: one page that lists all of it."""
        store = self.site.app.store
        counts = {f.name: store.reading_count(f.id) for f in store.frames()}
        channels = [c.name for c in self.site.app.config.channels]
        return render(request, "kept.html", counts=counts, channels=channels, size_mb=store.size_bytes() / 1e6,
                      influx=bool(self.site.app.config.influx.url), phones=len(self.site.vault.phones()),
                      plain=not self.site.settings.tls)  # fmt: skip

    # -- coming in ------------------------------------------------------------------------------

    async def sign_in(self, request: Request) -> Response:
        """Ask for the passphrase."""
        gate, after = self.site.gate, safe_next(request.query_params.get("next", "/"))
        unset = not self.site.vault.passphrase_hash
        if request.method == "GET":
            return render(request, "sign_in.html", after=after, fault="", unset=unset)
        sent = await form(request)
        after = safe_next(sent.get("next", "/"))
        if not unset and await gate.try_passphrase(request, sent.get("passphrase", "")):
            return gate.let_in(RedirectResponse(after, 303))
        return render(request, "sign_in.html", 403, after=after, fault="That is not the passphrase.", unset=unset)

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        self.site.vault.sign_out(request.state.session)
        return self.site.gate.let_out(RedirectResponse("/sign-in", 303))

    async def first(self, request: Request) -> Response:
        """Set the passphrase, once, with the word that the first start printed."""
        site, word = self.site, request.path_params["word"]
        if not site.vault.first_word_fits(word):
            sentence = 'This address was good for one start only. "sashkeeper serve" prints the present one.'
            return render(request, "fault.html", 404, heading="Not here", sentence=sentence)
        if request.method == "GET":
            return render(request, "first.html", fault="", least=vault.LEAST_LETTERS)
        sent = await form(request)
        given = sent.get("passphrase", "")
        fault = vault.passphrase_fault(given)
        if not fault and given != sent.get("again", ""):
            fault = "The two passphrases differ. Write the same one twice."
        if fault:
            return render(request, "first.html", 422, fault=fault, least=vault.LEAST_LETTERS)
        site.vault.set_passphrase(vault.HASHER.hash(given))
        return site.gate.let_in(RedirectResponse("/", 303))


def _shelf_hours(record: Alarm) -> tuple[int, ...]:
    return SHELF_HOURS_URGENT if record.priority == RANKS[0] else SHELF_HOURS


def _summary(frames: Any, general: Any) -> str:
    """Return one sentence about all frames."""
    bad = [f.name for f in frames if f.tone in ("urgent", "high")]
    odd = [f.name for f in frames if f.tone in ("medium", "low", "new")]
    if not frames:
        return "There is no frame yet."
    if bad:
        return f"{_list(bad)} {'needs' if len(bad) == 1 else 'need'} hands."
    if general:
        return "The keeper itself needs a look."
    if odd:
        return f"Nothing urgent. Look at {_list(odd)} when you are there."
    return "All frames are well." if len(frames) > 1 else "The frame is well."


def _list(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _hourly(span: spans.DaySpan) -> list[tuple[str, list[str]]]:
    """Return rows of (hour, values) for a table that can be read aloud."""
    rows: dict[int, dict[str, list[float]]] = {}
    for metric, points in (*span.lines.items(), ("lid", span.lid)):
        for time_s, value in points:
            rows.setdefault(int(time_s) // 3600, {}).setdefault(metric, []).append(value)
    out = []
    for hour, values in sorted(rows.items()):
        cells = [f"{sum(v) / len(v):.1f}" if (v := values.get(m)) else "" for m in spans.LINES]
        lid = values.get("lid")
        cells.append(f"{100 * max(lid):.0f} %" if lid else "")
        out.append((datetime.fromtimestamp(hour * 3600, span.zone).strftime("%H:%M"), cells))
    return out


def _small(number: int) -> int:
    """Refuse numbers that the store cannot hold."""
    if number > 2**53:
        raise HTTPException(404, "There is no alarm of that number.")
    return number


def _host(endpoint: str) -> str:
    return endpoint.split("/")[2] if endpoint.count("/") >= 2 else ""
