"""Turning templates into answers."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from ..units import age, span
from .charts import lid_sketch
from .state import FrameView


@cache
def _templates() -> Environment:
    made = Environment(
        loader=PackageLoader("sashkeeper.page", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["span"] = span
    return made


def render(request: Request, template: str, /, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page. Every template knows `token` (for forms), `signed_in`, `said`, `ago`, `clock`."""
    site = request.app.state.site
    now_s = site.app.clock.now_s()
    session = getattr(request.state, "session", None)
    zone = site.zone

    def ago(time_s: float | None) -> Markup:
        """Say how old something is; the script on the page keeps it right."""
        if time_s is None:
            return Markup("never")
        when = datetime.fromtimestamp(time_s, zone)
        return Markup('<time datetime="{}" data-s="{}">{}</time>').format(
            when.isoformat(timespec="seconds"), int(time_s), age(now_s - time_s)
        )

    def clock(time_s: float, form: str = "%a %d %b, %H:%M") -> str:
        """Say a moment in local time."""
        return datetime.fromtimestamp(time_s, zone).strftime(form)

    text = _templates().get_template(template).render(
        token=session.csrf if session else "", signed_in=session is not None, ago=ago, clock=clock, now_s=now_s,
        path=request.url.path, sketch=_sketch, said=site.take_note(session), dusk=site.dusk(),
        **values,
    )
    return HTMLResponse(text, status, {"cache-control": "no-store"})


def safe_markup(drawn: str) -> Markup:
    """Mark a chart, all of whose words were escaped when it was drawn, as ready for the page."""
    return Markup(drawn)


def _sketch(frame: FrameView) -> Markup:
    return Markup(lid_sketch(frame.opening, frame.lid))
