"""Setpoints on the page: suggested from what grows, looked at before sending, and what the frame really took."""

from __future__ import annotations

import asyncio
import importlib.util
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import wording
from ..errors import InputError, SashkeeperError
from ..season import season_now
from ..season.place import need_site, site_of
from ..season.setpoint_words import WORDS, in_unit, word
from ..season.setpoints import Suggestion
from ..units import from_fahrenheit, to_fahrenheit
from .bodies import form
from .render import render

if TYPE_CHECKING:
    from .site import Site

EXPLAINED = {
    "open_mdegc": "inside air at which the lid opens",
    "close_mdegc": "inside air at which it shuts again",
    "scorch_mdegc": "inside air at which it opens fully, whatever else",
    "frost_mdegc": "an open lid below this is a fault",
    "min_outside_mdegc": "colder outside than this: a crack at most",
    "stage_mdegc": "warmth between one stage of opening and the next (a difference)",
}
DIFFERENCES = ("stage_mdegc",)


@dataclass(frozen=True)
class Row:
    """One setpoint: wire name, word, what it is, in force, suggested with its reason, and what the form holds."""

    name: str
    word: str
    explained: str
    now: str
    suggested: str
    reason: str
    value: str


@dataclass(frozen=True)
class Change:
    """One setpoint that would change."""

    word: str
    before: str
    after: str
    reason: str


def routes(site: Site) -> list[Route]:
    """Return the addresses of this part."""
    own, guard = SetpointPages(site), site.gate.guard
    return [
        Route("/frame/{frame}/setpoints", guard(own.show), methods=["GET"]),
        Route("/frame/{frame}/setpoints/look", guard(own.look), methods=["POST"]),
        Route("/frame/{frame}/setpoints/try", guard(own.try_out), methods=["POST"]),
        Route("/frame/{frame}/setpoints", guard(own.send), methods=["POST"]),
    ]


class SetpointPages:
    """Handlers of the setpoint pages."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._trying = asyncio.Lock()

    async def show(self, request: Request) -> Response:
        """What is in force, what is suggested, and a form."""
        return self._form(request, self._id(request), {}, [])

    async def look(self, request: Request) -> Response:
        """Show what would change, checked, before anything is sent."""
        frame, sent = self._id(request), await form(request)
        changes, faults = self._changes(frame, sent)
        if not faults:
            faults = self.site.hands.faults(frame, changes)
        if faults:
            return self._form(request, frame, sent, faults, 422)
        return self._looked(request, frame, sent, changes)

    async def try_out(self, request: Request) -> Response:
        """Show a simulated day under the new setpoints beside those in force."""
        frame, sent = self._id(request), await form(request)
        changes, faults = self._changes(frame, sent)
        faults = faults or self.site.hands.faults(frame, changes)
        if faults:
            return self._form(request, frame, sent, faults, 422)
        from ..season.preview import preview

        site = need_site(self.site.app.config)
        day = site.today(self.site.state.now_s) + timedelta(days=1)
        have = self.site.hands.in_force(frame)
        async with self._trying:  # one at a time: it takes a whole core for some seconds
            days = await asyncio.to_thread(preview, {"new": {**have, **changes}, "in force": have}, site, day)
        return self._looked(request, frame, sent, changes, days, day.strftime("%A"))

    async def send(self, request: Request) -> Response:
        """Send, wait a little, and say what the frame really took."""
        frame, sent = self._id(request), await form(request)
        changes, faults = self._changes(frame, sent)
        if faults:
            return self._form(request, frame, sent, faults, 422)
        if not changes:
            raise InputError("There is nothing to send: all values are as the frame has them. Nothing was changed.")
        by_crops = sent.get("kind") == "suggested"
        wire = {**changes, **self._place()} if by_crops else changes
        outcome = await self.site.hands.send(frame, wire, "suggested for the crops" if by_crops else "set on the page")
        held = [Row(n, word(n).capitalize(), EXPLAINED[n], self._shown(n, v), "", "", "")
                for n, v in outcome.settings.items() if n in WORDS]  # fmt: skip
        missed = [word(n) for n in changes if outcome.result == "taken" and outcome.settings.get(n) != changes[n]]
        return render(request, "setpoints_sent.html", id=frame, name=self._name(frame), outcome=outcome, held=held,
                      missed=missed)  # fmt: skip

    # -- inside ---------------------------------------------------------------------------------

    def _id(self, request: Request) -> str:
        return self.site.app.store.frame(request.path_params["frame"]).id

    def _name(self, frame: str) -> str:
        return self.site.app.store.frame(frame).name

    def _suggested(self, frame: str) -> tuple[Suggestion | None, str]:
        app = self.site.app
        try:
            return season_now.gather(app.store, app.config, app.home, frame, app.clock.now_s()).suggest(), ""
        except SashkeeperError as fault:
            return None, fault.sentence

    def _place(self) -> dict[str, int]:
        # The frame works out the sun's height itself; it gets its place together with the setpoints.
        site = site_of(self.site.app.config)
        if site is None:
            return {}
        return {"lat_mdeg": round(site.lat_deg * 1000), "lon_mdeg": round(site.lon_deg * 1000)}

    def _changes(self, frame: str, sent: Mapping[str, str]) -> tuple[dict[str, int], list[str]]:
        """Return the settings that a form changes, and a sentence for each value that is no number."""
        have = self.site.hands.in_force(frame)
        if sent.get("kind") == "suggested":
            suggestion, fault = self._suggested(frame)
            if suggestion is None:
                return {}, [fault]
            return {n: v for n, v in suggestion.settings.items() if have.get(n) != v}, []
        changes, faults = {}, []
        for name in WORDS:
            text = sent.get(name, "").strip().replace(",", ".").replace("−", "-")
            if not text:
                continue
            try:
                value = self._wire(name, float(text))
            except (ValueError, OverflowError):
                faults.append(f'{word(name).capitalize()}: "{text[:20]}" is not a number.')
                continue
            if have.get(name) != value:
                changes[name] = value
        return changes, faults

    def _wire(self, name: str, value: float) -> int:
        if not math.isfinite(value) or abs(value) > 1000:
            raise ValueError
        if self.site.app.fahrenheit:
            value = value * 5 / 9 if name in DIFFERENCES else from_fahrenheit(value)
        return round(value * 1000)

    def _number(self, name: str, wire: int) -> str:
        value = wire / 1000
        if self.site.app.fahrenheit:
            value = value * 9 / 5 if name in DIFFERENCES else to_fahrenheit(value)
        return f"{round(value, 1):g}"

    def _shown(self, name: str, wire: int) -> str:
        return f"{self._number(name, wire)} {'°F' if self.site.app.fahrenheit else '°C'}"

    def _reason(self, suggestion: Suggestion | None, name: str) -> str:
        found = next((v for v in suggestion.values if v.name == name), None) if suggestion else None
        return "" if found is None else in_unit(f"{found.crop}: {found.reason}", self.site.app.fahrenheit)

    def _form(
        self, request: Request, frame: str, sent: Mapping[str, str], faults: list[str], status: int = 200
    ) -> Response:  # fmt: skip
        store, have = self.site.app.store, self.site.hands.in_force(frame)
        suggestion, why_not = self._suggested(frame)
        wished = suggestion.settings if suggestion else {}
        rows = [
            Row(n, word(n).capitalize(), EXPLAINED[n], self._shown(n, have[n]),
                self._shown(n, wished[n]) if n in wished else "", self._reason(suggestion, n),
                sent.get(n, "")[:20] or self._number(n, have[n]))
            for n in WORDS
        ]  # fmt: skip
        f = self.site.app.fahrenheit
        cautions = [in_unit(c, f) for c in suggestion.cautions] if suggestion else []
        actual, last = store.actual(frame), store.settings_sent(frame, 1)
        return render(
            request, "setpoints.html", status, id=frame, name=self._name(frame), rows=rows, faults=faults,
            why_not=why_not, cautions=cautions, confirmed_s=actual.received_s if actual else None,
            differs=any(have.get(n) != v for n, v in wished.items()), last=last[0] if last else None,
            unit="°F" if f else "°C",
        )  # fmt: skip

    def _looked(
        self, request: Request, frame: str, sent: Mapping[str, str], changes: Mapping[str, int], days: Any = (),
        weekday: str = "",
    ) -> Response:  # fmt: skip
        have = self.site.hands.in_force(frame)
        by_crops = sent.get("kind") == "suggested"
        suggestion = self._suggested(frame)[0] if by_crops else None
        rows = [
            Change(word(n), self._shown(n, have[n]), self._shown(n, v), self._reason(suggestion, n))
            for n, v in changes.items()
        ]
        f = self.site.app.fahrenheit
        shown = [(d.sky, d.settings_name, wording.temperature_words(round(d.peak_degc, 1), f),
                  wording.temperature_words(round(d.lowest_degc, 1), f), f"{d.open_h:.0f} h")
                 for d in days]  # fmt: skip
        can_try = importlib.util.find_spec("framesim") is not None and importlib.util.find_spec("numba") is not None
        return render(
            request, "setpoints_look.html", id=frame, name=self._name(frame), changes=rows,
            hidden={n: sent[n] for n in ("kind", *WORDS) if n in sent}, days=shown, weekday=weekday,
            can_try=can_try and site_of(self.site.app.config) is not None,
        )  # fmt: skip


