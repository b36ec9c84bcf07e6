"""Jam to phone with the real firmware code, a simulated frame and the real host, in virtual time.

The weather is invented. Within one travel time (40 s) plus 90 s from the first drive that cannot
succeed, the message has left; a lying 'open' switch within 12 min. Healthy days ring nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from sashkeeper.rehearsal.household import Household
from sashkeeper.rehearsal.rehearse import Rehearsal
from sashkeeper.rehearsal.wire import DirectWire

framesim = pytest.importorskip("framesim.model")

LAT, LON = 47.0, 8.0
FIRST = date(2027, 2, 10)
PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}
TRAVEL_S = 40


class Story:
    """One frame, its household, and a phone that remembers."""

    def __init__(self, home: Path, days: int, kinds: list[str] | None, faults: str = "", seed: int = 3,
                 first: date = FIRST, warmth_k: float = 8.0) -> None:
        from framesim import frame, invented, scenario
        from framesim.faults import Faults
        from framesim.runner_in_process import InProcess
        from framesim.virtual_frame import Parts, VirtualFrame

        weather = invented.invent(LAT, LON, first, first + timedelta(days=days), seed=seed, days=kinds,
                                  warmth_k=warmth_k, utc_offset_h=1.0)
        start = weather.start_s + 5 * 3600
        place = {"lat_deg": LAT, "lon_deg": LON, "timezone": "Europe/Berlin"}
        quiet = {"sign_of_life": "off", "evening_advice": "off"}
        self.house = Household(home, start, place, ("json://127.0.0.1:9/",), quiet)
        self.phone: list[tuple[float, str, str]] = []
        self.house.notifier._send = self._hear
        name = self.house.add_frame("North")
        for crop in ("spinach", "leaf lettuce"):
            self.house.plant(name, crop, f"{first.year - 1}-09-10", 0.5)
        fittings = self.house.fittings(name, probes=PROBES)
        model = framesim.FrameModel(frame.load("garden-frame"), weather)
        model.reset(start)
        self.runner: Any = InProcess(
            VirtualFrame(model, Parts.for_fittings(fittings), Faults(), seed), fittings, start,
            scenario=scenario.parse(faults, 1.0), settings=self.house.suggested(name),
        )
        self.rehearsal = Rehearsal(self.house, DirectWire(self.house))
        self.rehearsal.add(self.runner)
        self.start_s, self.end_s = start, weather.start_s + days * 86_400

    def _hear(self, url: str, title: str, body: str) -> str:
        self.phone.append((self.house.clock.now_s(), title, body))
        return ""

    def until_drive(self) -> float:
        """Run until the motor is told to open; return when that was."""
        while self.runner.turn.motor <= 0:
            assert self.rehearsal.now_s < self.end_s, "the lid was never told to open"
            self.rehearsal.step()
        return self.rehearsal.now_s


@pytest.fixture
def stories(tmp_path: Path) -> Iterator[Any]:
    """Makes stories and closes them."""
    made: list[Story] = []

    def make(*args: Any, **kwargs: Any) -> Story:
        made.append(Story(tmp_path / str(len(made)), *args, **kwargs))
        return made[-1]

    yield make
    for story in made:
        story.rehearsal.close()


def fault(part: str, kind: str, more: str = "") -> str:
    """A fault from before sunrise on."""
    return f'[[fault]]\npart = "{part}"\nkind = "{kind}"\nat = "2027-02-10T05:30"\n{more}\n'


JAMS = {
    "lid blocked": fault("lid", "blocked"),
    "latch left on": fault("lid", "latch"),
    "motor wire broken": fault("motor", "broken-wire"),
    "arm off its bracket": fault("lid", "arm-off"),
    "end switch stuck on shut": fault("switch-shut", "stuck-on"),
    "end switch stuck on open": fault("lid", "blocked")
    + '[[fault]]\npart = "switch-open"\nkind = "stuck-on"\nat = "2027-02-10T05:30"\nwhen = "opening"\n',
    "controller restarts in the move": fault("lid", "blocked")
    + '[[outage]]\npart = "power"\nkind = "cut"\nat = "2027-02-10T05:30"\nwhen = "opening"\nafter_s = 1\nfor_s = 10\n',
}


@pytest.mark.parametrize("name", JAMS)
def test_jam_to_phone_in_time(stories: Any, name: str) -> None:
    """From the drive that cannot succeed to the message leaving: at most the travel time plus 90 s, one alert,
    in words that name frame, crop and what to do."""
    story = stories(1, ["clear"], JAMS[name])
    drive_s = story.until_drive()
    story.rehearsal.run_until(drive_s + TRAVEL_S + 90)
    alerts = [(t, title, body) for t, title, body in story.phone if title.startswith("Urgent")]
    assert len(alerts) == 1, story.phone
    at_s, title, body = alerts[0]
    assert drive_s <= at_s <= drive_s + TRAVEL_S + 90
    assert "lid stuck" in title
    for needed in ("North", "spinach", "leaf lettuce", "°C", "Press hold", "closing edge"):
        assert needed in body


def test_lying_open_switch_before_the_drive_is_found_by_warmth(stories: Any) -> None:
    """When both switches are made the frame does not drive at all; the urgent alert comes before the bed is
    3 K over its opening temperature."""
    story = stories(1, ["clear"], fault("switch-open", "stuck-on"))
    while story.rehearsal.now_s < story.end_s and not any(t.startswith("Urgent") for _, t, _ in story.phone):
        story.rehearsal.step()
    assert any("lid stuck" in t for _, t, _ in story.phone), story.phone
    opening = story.house.store.actual("north").body["settings"]["open_mdegc"] / 1000
    assert story.runner.frame.model.air_degc < opening + 3


def test_healthy_days_ring_nothing(stories: Any) -> None:
    """Two healthy days of clear and broken sky give no message at all."""
    story = stories(2, ["clear", "broken"])
    story.rehearsal.run_until(story.end_s)
    assert story.phone == []


@pytest.mark.slow
def test_thirty_healthy_days_ring_nothing(stories: Any) -> None:
    """Thirty healthy days from February to March, cold and mild, give no alarm about the lid and on average at
    most one message a day about anything, though nobody acknowledges."""
    sent = 0
    for seed, warmth_k in ((5, 0.0), (6, 10.0)):
        story = stories(15, None, seed=seed, first=date(2027, 2, 20), warmth_k=warmth_k)
        story.rehearsal.run_until(story.end_s)
        lid = [a.kind for a in story.house.store.alarm_list() if "stuck" in a.kind or a.kind in ("no-drop", "lid-iced")]
        assert lid == []
        sent += len(story.phone)
    assert sent <= 30, [title for _, title, _ in story.phone]
