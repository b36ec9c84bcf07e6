"""Each layer is watched by the next: frame, broker, keeper, the way to the phone; and a storm stays readable."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from sashkeeper import notify
from sashkeeper.alarms import AlarmDesk, catalogue
from sashkeeper.alarms.picture import Around, Limits
from sashkeeper.alarms.rules import Wishes
from sashkeeper.clock import SetClock
from sashkeeper.config import Channel
from sashkeeper.notify import Notifier
from sashkeeper.store import Event, Reading, Store

NOON = 1_767_268_800.0
LIMITS = Limits(29.0, 32.0, -6.0, "spinach", "spinach", ("spinach",))
WISHES = Wishes(life_at_min=None, advice_at_min=None)


class Garden:
    """Frames, a desk, and two phones, of which one may be dead."""

    def __init__(self, frames: Sequence[str] = ("north",), wishes: Wishes = WISHES) -> None:
        self.clock, self.store, self.frames = SetClock(NOON), Store(":memory:"), frames
        self.phone: list[tuple[float, str]] = []
        self.dead: set[str] = set()
        for frame in frames:
            self.store.frame_add(frame, b"k" * 32, NOON, frame.title())
        self.wishes, self.seq = wishes, 0
        self.start()

    def start(self) -> None:
        """Start the keeper (again)."""
        channels = [Channel(name="phone", url="json://127.0.0.1/a"), Channel(name="tablet", url="json://127.0.0.1/b")]
        self.notifier = Notifier(self.store, channels, self.clock, self._send)
        self.desk = AlarmDesk(self.store, catalogue.default(), self.notifier, self.clock, wishes=self.wishes,
                              around=lambda frame, now_s: Around(frame.title(), LIMITS, 25.0))

    def _send(self, url: str, title: str, body: str) -> str:
        if url[-1] in self.dead:
            return "nothing answers at that address"
        if url.endswith("b"):
            self.phone.append((self.clock.now_s(), title))
        return ""

    def hear(self, frame: str) -> None:
        """A pack of readings of a healthy frame."""
        self.seq += 1
        now_s = self.clock.now_s()
        values = {"air": 12.0, "outside": 4.0, "lid": 0.0, "target": 0.0}
        self.desk.observe(frame, "readings", Reading(frame, 1, self.seq, now_s, values), now_s)

    def jam(self, frame: str) -> None:
        """The lid of a frame is stuck."""
        self.seq += 1
        body = {"kind": "fault", "fault": "stuck-shut", "detail": ""}
        self.desk.observe(frame, "events", Event(frame, 1, self.seq, self.clock.now_s(), "fault", body),
                          self.clock.now_s())

    def run(self, seconds: float, heard: Sequence[str] = (), step: float = 30.0) -> None:
        """Let time pass; `heard` frames report every minute."""
        for n in range(round(seconds / step)):
            self.clock.advance(step)
            for frame in heard if n % 2 == 0 else ():
                self.hear(frame)
            self.desk.tick()
            self.notifier.tick(self.clock.now_s())


def test_lost_frame_is_noticed_by_the_keeper_in_its_declared_time() -> None:
    """Silent under the sun: told at 10 min and not before."""
    garden = Garden()
    garden.run(120, ["north"])
    last_s = garden.clock.now_s()
    garden.run(900)
    at_s, title = garden.phone[0]
    assert title == "Urgent: North frame: silent, and the sun is out"
    assert 570 <= at_s - last_s <= 660


def test_lost_broker_is_noticed_in_its_declared_time() -> None:
    """No connection for 5 min: told then, once; a restart of two minutes is not told."""
    garden = Garden()
    garden.run(60, ["north"])
    garden.desk.broker(False)
    garden.run(120)
    garden.desk.broker(True)
    garden.run(120, ["north"])
    assert garden.phone == []
    garden.desk.broker(False)
    lost_s = garden.clock.now_s()
    garden.run(900)
    assert [title for _, title in garden.phone] == ["Soon: No frame can be heard"]
    assert 300 <= garden.phone[0][0] - lost_s <= 360


def test_lost_keeper_is_noticed_by_the_missing_sign_of_life_and_says_so_itself() -> None:
    """Every morning one message; none while the keeper is away; the first one after it names the gap."""
    garden = Garden(wishes=Wishes(advice_at_min=None))
    garden.run(20 * 3600, ["north"], step=300)
    assert [title for _, title in garden.phone] == ["Good morning: 1 frame watched"]
    garden.clock.advance(40 * 3600)  # two mornings pass and nobody runs
    assert len(garden.phone) == 1
    garden.start()
    garden.run(20 * 3600, ["north"], step=300)
    assert len(garden.phone) == 2
    life = [d.text for d in garden.store.delivery_list() if d.data["kind"] == "life"]
    assert "The keeper was not running" in life[-1]


def test_lost_way_to_the_phone_is_told_by_the_other_way() -> None:
    """A phone that takes nothing for all tries is named by a message to the other; when it answers again, all clear."""
    garden = Garden()
    garden.dead = {"a"}
    garden.hear("north")
    garden.jam("north")
    given_up_s = garden.clock.now_s() + sum(notify.PAUSES_S)
    garden.run(sum(notify.PAUSES_S) + 1200, ["north"], step=60)
    told = [(at_s, title) for at_s, title in garden.phone if "do not reach" in title]
    assert [title for _, title in told][:1] == ["Today: Messages do not reach a phone"]
    assert told[0][0] - given_up_s <= 600
    garden.dead = set()
    garden.notifier.test("Sashkeeper test", "a test")
    garden.jam("north")
    garden.run(26 * 3600, ["north"], step=120)
    assert "All clear: Messages do not reach a phone" in [title for _, title in garden.phone]


@pytest.mark.parametrize("away_s", [120, 480])
def test_storm_of_twenty_frames_around_a_broker_restart(away_s: int) -> None:
    """Twenty lids jam while the broker is away: never over ten messages in ten minutes, and every frame is named."""
    frames = [f"bed{n:02}" for n in range(20)]
    garden = Garden(frames)
    garden.run(120, frames)
    garden.desk.broker(False)
    garden.run(away_s)
    garden.desk.broker(True)
    for frame in frames:
        garden.hear(frame)
        garden.jam(frame)
    garden.run(3600, frames)
    times = [at_s for at_s, _ in garden.phone]
    assert max(sum(t - 600 < u <= t for u in times) for t in times) <= 10
    text = "\n".join(d.text for d in garden.store.delivery_list() if d.channel == "tablet")
    assert all(frame.title() in text for frame in frames)
