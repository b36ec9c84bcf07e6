"""All advice for one frame, as figures and as words: cover tonight, pick now, air the bed."""

from __future__ import annotations

from dataclasses import astuple
from typing import Any

from . import advice, wording
from .alarms.around import StoreAround
from .context import App
from .season import picking

DAY_S = 86_400.0


def look(app: App, frame: str, around: StoreAround, now_s: float, forecast_degc: float | None) -> dict[str, Any]:
    """Return all advice for one frame, as figures and as words."""
    limits = around(frame, now_s).limits
    newest = app.store.latest(frame)
    fresh = newest is not None and now_s - newest.time_s < 3600
    outside = newest.values.get("outside") if newest is not None and fresh else None
    nights = advice.past_nights(app.store, frame, now_s)
    cover = advice.cover_tonight(nights, outside, limits.frost_damage_degc, forecast_degc)
    bare = None if cover.bare is None else astuple(cover.bare)
    covered = None if cover.covered is None else astuple(cover.covered)
    crop = limits.frost_crop or "the tightest crop"
    series = [app.store.series(frame, name, now_s - DAY_S, now_s + 1) for name in ("air", "soil")]
    pick = picking.now(picking.leaf_rows(series[0], series[1]), now_s)
    hours = advice.hours_since_airing(app.store.events(frame, now_s - 60 * DAY_S, now_s + 1, kind="moved"), now_s)
    return {
        "frame": frame,
        "time_s": now_s,
        "cover": {"verdict": cover.verdict, "bare_degc": bare, "covered_degc": covered,
                  "damage_degc": cover.damage_degc, "nights": cover.nights, "by_forecast": cover.by_forecast},
        "cover_words": wording.cover_words(cover.verdict, bare, covered, cover.damage_degc, crop, cover.nights,
                                           cover.by_forecast, app.fahrenheit),
        "pick": pick.yes,
        "pick_words": f"Pick now: {'yes' if pick.yes else 'no'}, {pick.why}.",
        "hours_since_airing": hours,
        "airing_words": wording.airing_words(hours),
    }  # fmt: skip
