"""The invented day of the demo: place, crops and weather. No such place, people or weather exist.

A clear February day after a frosty night. A bank of cloud passes before noon, so the lid shuts once more;
meanwhile somebody hooks the storm tie and forgets it. Then the sun comes back.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from framesim.weather import Weather

PLACE: dict[str, Any] = {
    "name": "Fennel Rise (invented)",
    "lat_deg": 45.9,
    "lon_deg": 14.8,
    "elevation_m": 310.0,
    "timezone": "Europe/Ljubljana",
}
ZONE = ZoneInfo(PLACE["timezone"])
DAY = date(2027, 2, 16)
START_HOUR, END_HOUR = 5, 20
FRAME = "North"
CROPS = (("spinach", "2026-09-20", 0.6), ("leaf lettuce", "2026-09-05", 0.4))
CLOUD_HOURS_UTC = (10,)  # from 11:00 to 12:00 local
CLOUD_HOUR = 11
ANSWER_AFTER_S = 60  # from hearing the phone to saying "I know"
NEIGHBOUR_AFTER_S = 18 * 60  # and until a neighbour stands at the frame
HANDS_IN_S = 90  # hold pressed while the tie is unhooked
SEED = 5


def at_s(hour: int, minute: int = 0) -> float:
    """Unix time of a local clock time on the day."""
    return datetime(DAY.year, DAY.month, DAY.day, hour, minute, tzinfo=ZONE).timestamp()


def local(time_s: float) -> str:
    """Local clock time, hours and minutes."""
    return datetime.fromtimestamp(time_s, ZONE).strftime("%H:%M")


def iso(time_s: float | None) -> str | None:
    """Local time as ISO 8601 with its offset."""
    return None if time_s is None else datetime.fromtimestamp(time_s, ZONE).isoformat(timespec="seconds")


def weather() -> Weather:
    """Three invented days; the middle one is the demo's."""
    from framesim.invented import invent

    days = invent(
        PLACE["lat_deg"], PLACE["lon_deg"], date(2027, 2, 15), date(2027, 2, 17), seed=SEED,
        days=["clear", "clear", "clear"], warmth_k=9.0, elevation_m=PLACE["elevation_m"], name=PLACE["name"],
    )  # fmt: skip
    dni, dhi, ghi = days.dni.copy(), days.dhi.copy(), days.ghi.copy()
    for n, end_s in enumerate(days.time_s):
        begins = datetime.fromtimestamp(float(end_s) - 3600.0, UTC)
        if begins.date() == DAY and begins.hour in CLOUD_HOURS_UTC:
            dni[n] = 0.0
            dhi[n] = ghi[n] = 0.16 * ghi[n]
    return replace(days, dni=dni, dhi=dhi, ghi=ghi, notes=(*days.notes, "a bank of cloud before noon on the 16th"))
