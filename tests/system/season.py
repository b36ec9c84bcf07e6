"""The grower's winter, scripted: a new place, two frames, three crops each, the Greensboro typical year."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sashkeeper.rehearsal import DirectWire, Household, Rehearsal

ZONE = ZoneInfo("America/New_York")
# The weather station's own place; garden, frames and grower are invented.
PLACE: dict[str, Any] = {"name": "invented garden", "lat_deg": 36.1, "lon_deg": -79.95, "elevation_m": 270.0,
                         "timezone": "America/New_York"}  # fmt: skip
PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}
FIRST, LAST = date(2026, 8, 25), date(2027, 4, 15)
REST_MS = 10_000


def local_s(day: date, hour: int = 0, minute: int = 0) -> float:
    """Unix time of a local clock time."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE).timestamp()


def greensboro() -> Any:
    """The typical year of the station. Source: TMY3 723170 (NREL), as shipped with pvlib."""
    import pvlib

    from framesim.weather import read

    return read(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV", season_year=2026)


class Garden:
    """Two frames in this process, and the household that keeps them."""

    def __init__(self, home: Path, start: date, **fittings: Any) -> None:
        from framesim.frame import load
        from framesim.model import FrameModel
        from framesim.runner import InProcess
        from framesim.virtual_frame import Parts, VirtualFrame

        self.weather = greensboro()
        start_s = local_s(start)
        self.house = Household(home, start_s, PLACE, (), {"sign_of_life": "off"}, follow_season=True)
        self.rehearsal = Rehearsal(self.house, DirectWire(self.house))
        self.runners: dict[str, Any] = {}
        for n, name in enumerate(("North", "South")):
            frame = self.house.add_frame(name)
            own = self.house.fittings(frame, probes=PROBES, **{"rest_ms": REST_MS, **fittings})
            model = FrameModel(load("garden-frame"), self.weather)
            virtual = VirtualFrame(model, Parts.for_fittings(own), seed=n + 1)  # battery and panel
            self.runners[frame] = InProcess(virtual, own, start_s)
            self.rehearsal.add(self.runners[frame])

    def until(self, day: date, hour: int = 0) -> None:
        """Let time pass to a local time."""
        self.rehearsal.run_until(local_s(day, hour))

    def sow(self, frame: str, crop: str, day: date, share: float) -> None:
        """Sow on the day it is."""
        self.house.plant(frame, crop, day.isoformat(), share)
        self.house.store.diary_add(self.rehearsal.now_s, "sown", f"{crop}, share {share:g}", frame=frame)

    def close(self) -> None:
        """Stop everything."""
        self.rehearsal.close()


def next_day(day: date, count: int = 1) -> date:
    """Some days on."""
    return day + timedelta(days=count)
