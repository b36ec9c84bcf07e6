"""The evening's advice to cover: one message a household, on change, and silence for what it has said."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from sashkeeper import advice
from sashkeeper.advice import CoverAdvice, Range
from sashkeeper.alarms import AlarmDesk, catalogue
from sashkeeper.alarms.picture import Around, Limits
from sashkeeper.alarms.rules import Wishes, read
from sashkeeper.clock import SetClock
from sashkeeper.config import Channel
from sashkeeper.notify import Notifier
from sashkeeper.store import Reading, Store

MIDNIGHT = 1_767_225_600.0  # 2026-01-01 00:00 UTC
HOUR, DAY = 3600.0, 86_400.0
LIMITS = Limits(29.0, 32.0, -4.0, "lettuce", "lettuce", ("lettuce",))


class Place:
    """A desk whose prediction of the night is set by the test: frame -> lowest likely bare leaf [degC]."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, frames: Sequence[str] = ("north",), wishes: Wishes | None = None
    ) -> None:
        self.clock = SetClock(MIDNIGHT)
        self.phone: list[tuple[float, str, str]] = []
        self.low = dict.fromkeys(frames, 3.0)
        self.store = Store(":memory:")
        for frame in frames:
            if not self.store.has_frame(frame):
                self.store.frame_add(frame, b"k" * 32, MIDNIGHT, frame.title())
        self.wishes = wishes or Wishes(life_at_min=None)
        monkeypatch.setattr(advice, "past_nights", lambda store, frame, now_s: [frame])
        monkeypatch.setattr(advice, "cover_tonight", lambda nights, outside, damage: self.night(nights[0], damage))
        self.start()

    def start(self) -> None:
        """Start the host (again)."""
        notifier = Notifier(self.store, [Channel(name="phone", url="json://127.0.0.1/")], self.clock, self._send)
        self.notifier = notifier
        self.desk = AlarmDesk(self.store, catalogue.default(), notifier, self.clock, wishes=self.wishes,
                              around=lambda frame, now_s: Around(frame.title(), LIMITS, -20.0))

    def night(self, frame: str, damage: float) -> CoverAdvice:
        """Advice as advice.py gives it for a night with this lowest bare leaf; the cover is worth 6 K."""
        low = self.low[frame]
        verdict = "no-cover" if low > damage else "cover" if low + 6 > damage else "cover-and-pick"
        return CoverAdvice(verdict, Range(low + 2, low, low + 4), Range(low + 8, low + 6, low + 10), damage, 9, False)

    def _send(self, url: str, title: str, body: str) -> str:
        self.phone.append((self.clock.now_s(), title, body))
        return ""

    def evening(self, day: int) -> list[str]:
        """Let the evening of a day pass; what reached the phone."""
        before = len(self.phone)
        for minute in range(15 * 60 + 50, 17 * 60, 5):
            self.clock.set(MIDNIGHT + day * DAY + minute * 60)
            self.desk.tick()
            self.notifier.tick(self.clock.now_s())
        return [title for _, title, _ in self.phone[before:]]

    def cold(self, air: float) -> None:
        """Readings of ten minutes of this temperature, now."""
        for n in range(11):
            self.clock.advance(60)
            now_s = self.clock.now_s()
            one = Reading("north", 1, int(now_s) % 100_000 + n, now_s, {"air": air, "outside": air, "lid": 0.0})
            self.desk.observe("north", "readings", one, now_s)
            self.desk.tick()
            self.notifier.tick(now_s)


def test_a_spell_is_advised_once_and_its_end_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cold: one message; the same night after night: none; worse: one; over, with room to spare: one."""
    place = Place(monkeypatch)
    assert place.evening(0) == []
    place.low["north"] = -5.0
    assert place.evening(1) == ["Cover tonight: North"]
    assert place.evening(2) == []
    place.low["north"] = -11.0
    assert place.evening(3) == ["Cover and pick today: North"]
    place.low["north"] = -5.0
    assert place.evening(4) == []
    place.low["north"] = -3.0
    assert place.evening(5) == []
    place.low["north"] = -2.0
    assert place.evening(6) == ["No cover needed tonight"]
    assert place.evening(7) == []


def test_a_standing_advice_is_said_again_after_a_week(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a long spell nobody is told more often than once in seven days."""
    place = Place(monkeypatch)
    place.low["north"] = -5.0
    assert [day for day in range(20) if place.evening(day)] == [0, 7, 14]


def test_all_frames_are_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty frames that need a cover make one message that names each."""
    names = [f"bed{n}" for n in range(20)]
    place = Place(monkeypatch, names)
    place.low = dict.fromkeys(names, -5.0)
    (title,) = place.evening(0)
    assert all(name.title() in title for name in names)


def test_a_cover_in_the_diary_needs_no_message(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who wrote this afternoon that the cover is on is not told to lay it on."""
    place = Place(monkeypatch)
    place.low["north"] = -5.0
    place.store.diary_add(MIDNIGHT + 14 * HOUR, "covered", "Cover laid on", frame="north")
    assert place.evening(0) == []
    assert place.desk.evening.advised("north")


def test_advised_cover_silences_danger_but_not_damage(monkeypatch: pytest.MonkeyPatch) -> None:
    """At night "frost danger" is silent while the advice stands, and logged so; "too cold" rings all the same."""
    place = Place(monkeypatch)
    place.low["north"] = -5.0
    place.evening(0)
    place.phone.clear()
    place.clock.set(MIDNIGHT + 26 * HOUR)
    place.cold(-3.0)
    assert place.phone == []
    log = [step.why for step in place.store.alarm_log()]
    assert "silent by design: mode cover-advised" in log
    place.cold(-6.0)
    assert [title for _, title, _ in place.phone] == ["Soon: North frame: too cold for lettuce"]


def test_without_advice_danger_rings_at_night(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the evening saw no need and the night is colder than thought, the alarm wakes the grower."""
    place = Place(monkeypatch)
    place.evening(0)
    place.clock.set(MIDNIGHT + 26 * HOUR)
    place.cold(-3.0)
    assert [title for _, title, _ in place.phone] == ["Today: North frame: frost danger for lettuce"]


def test_a_restart_neither_repeats_nor_forgets(monkeypatch: pytest.MonkeyPatch) -> None:
    """The advice stands in the store: started again the same evening or the next, the host says nothing new."""
    place = Place(monkeypatch)
    place.low["north"] = -5.0
    assert len(place.evening(0)) == 1
    place.start()
    assert place.evening(0) == []
    assert place.evening(1) == []
    assert place.desk.evening.advised("north")


def test_evening_advice_can_be_switched_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """evening_advice = "off" in the [alarms] table sends none; a time of day moves it."""
    assert read({"evening_advice": "off"}).advice_at_min is None
    assert read({"evening_advice": "18:30"}).advice_at_min == 18 * 60 + 30
    place = Place(monkeypatch, wishes=Wishes(life_at_min=None, advice_at_min=None))
    place.low["north"] = -5.0
    assert place.evening(0) == []
