"""The whole alarm path on a real store, in virtual time: messages in, messages to the phone out."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sashkeeper.alarms import AlarmDesk, LinkRefused, catalogue, log
from sashkeeper.alarms.picture import Around, Limits
from sashkeeper.alarms.recall import recall
from sashkeeper.alarms.rules import Wishes
from sashkeeper.clock import SetClock
from sashkeeper.config import Channel
from sashkeeper.errors import InputError, StoreFull
from sashkeeper.notify import Notifier
from sashkeeper.store import Event, Reading, Store

NOON = 1_767_268_800.0
LIMITS = Limits(29.0, 32.0, -6.0, "spinach", "spinach", ("spinach",))


class House:
    """A store, a clock, a desk and a phone that only remembers."""

    def __init__(self, path: Path | str = ":memory:", now_s: float = NOON, frames: Sequence[str] = ("north",)) -> None:
        self.path, self.clock, self.phone = path, SetClock(now_s), []  # type: ignore[var-annotated]
        self.sun = 25.0
        self.open()
        for name in frames:
            if not self.store.has_frame(name):
                self.store.frame_add(name, b"k" * 32, now_s - 90 * 86_400, name.title())
        self.seq = 0

    def open(self) -> None:
        """Start the host (again)."""
        self.store = Store(self.path)
        channels = [Channel(name="phone", url="json://127.0.0.1/"),
                    Channel(name="neighbour", url="json://127.0.0.1/", second=True)]
        self.notifier = Notifier(self.store, channels, self.clock, self._send)
        self.desk = AlarmDesk(
            self.store, catalogue.default(), self.notifier, self.clock,
            around=lambda frame, now_s: Around(frame.title(), LIMITS, self.sun),
            wishes=Wishes(life_at_min=None, page_url="http://192.168.1.20:8080"),
        )

    def restart(self) -> None:
        """End without any goodbye and start again."""
        self.store.close()
        self.open()

    def _send(self, url: str, title: str, body: str) -> str:
        self.phone.append((self.clock.now_s(), title, body))
        return ""

    def reading(self, air: float, frame: str = "north", **more: float) -> None:
        """One pack of readings now."""
        self.seq += 1
        now_s = self.clock.now_s()
        one = Reading(frame, 1, self.seq, now_s, {"air": air, "outside": 4.0, "lid": 0.0, "target": 0.0, **more})
        self.store.add_readings([one])
        self.desk.observe(frame, "readings", one, now_s)

    def event(self, kind: str, frame: str = "north", **body: Any) -> None:
        """One event now."""
        self.seq += 1
        now_s = self.clock.now_s()
        one = Event(frame, body.get("boot", 1), self.seq, now_s, kind, {"kind": kind, **body})
        self.store.add_event(one)
        self.desk.observe(frame, "events", one, now_s)

    def report(
        self, state: str, faults: Sequence[str], position: int = 0, target: int = 300, mode: str = "auto"
    ) -> None:
        """The frame's report now."""
        now_s = self.clock.now_s()
        body = {"lid": {"state": state, "position_permille": position, "target_permille": target},
                "faults": list(faults), "mode": mode, "reason": "warm"}
        self.store.save_report("north", body, now_s, now_s)
        self.desk.observe("north", "report", body, now_s)

    def run(self, seconds: float, air: float | None = None, rate: float = 0.0, step: float = 10.0) -> None:
        """Let time pass with a reading a minute."""
        end = self.clock.now_s() + seconds
        start = self.clock.now_s()
        while self.clock.now_s() < end:
            self.clock.advance(step)
            t = self.clock.now_s() - start
            if air is not None and t % 60 < step:
                self.reading(air + rate * t / 60)
            self.desk.tick()
            self.notifier.tick(self.clock.now_s())

    def jam(self) -> None:
        """A warm morning, then the lid is told to open and does not."""
        self.run(900, 8.5, 0.5)
        self.event("move", from_permille=0, to_permille=300, reason="warm")
        self.event("moved", position_permille=0, took_ms=1200, peak_ma=3100)
        self.event("fault", fault="stuck-shut", detail="peak 3100 mA")
        self.notifier.tick(self.clock.now_s())

    def titles(self) -> list[str]:
        """Titles that reached the phone."""
        return [title for _, title, _ in self.phone]


def test_jam_reaches_the_phone_at_once_in_plain_words() -> None:
    """The fault event alone, without a tick, puts a message on the phone with all that is needed."""
    house = House()
    house.jam()
    ((at_s, title, body),) = house.phone
    assert at_s == house.clock.now_s()
    assert title == "Urgent: North frame: lid stuck, bed heating"
    for needed in ("North frame (spinach)", "16 °C, rising 0.5 °C a minute", "32 °C is about", "Press hold", "prop",
                   "http://192.168.1.20:8080/known/"):
        assert needed in body, (needed, body)
    (shown,) = house.desk.standing()
    assert (shown.alarm, shown.priority, shown.state) == ("stuck-shut", "urgent", "unacknowledged")


def test_whole_incident_by_link() -> None:
    """Alert, acknowledged by the link in it, silence, freed, all-clear; the log and deliveries tell it all."""
    house = House()
    house.jam()
    token = re.search(r"/known/(\S+)", house.phone[0][2])[1]  # type: ignore[index]
    assert house.desk.read_link(token).alarm == "stuck-shut"
    assert house.desk.read_link(token).state == "unacknowledged"
    house.desk.acknowledge_link(token)
    with pytest.raises(LinkRefused, match="used before"):
        house.desk.acknowledge_link(token)
    house.run(3000, 18.0, 0.05)
    assert len(house.phone) == 1
    house.event("cleared", fault="stuck-shut")
    house.event("moved", position_permille=300)
    house.run(240, 18.0)
    assert house.titles()[1:] == ["All clear: North frame: lid stuck, bed heating"]
    (alarm,) = house.store.alarm_list()
    assert alarm.state == "normal"
    assert alarm.closed_s is not None
    assert [s.to_state for s in house.store.alarm_log(alarm.id)] == ["unacknowledged", "acknowledged", "normal"]
    assert [d.state for d in house.store.delivery_list(alarm=alarm.id)] == ["sent", "sent"]


def test_unacknowledged_goes_to_the_neighbour() -> None:
    """After ten minutes without an acknowledgement the second channel is used."""
    house = House()
    house.jam()
    house.run(620, 16.5, 0.1)
    ways = [d.channel for d in house.store.delivery_list()]
    assert ways == ["phone", "neighbour"]
    assert house.titles()[1].startswith("Still: North frame: lid stuck")


def test_restart_at_any_moment_neither_repeats_nor_forgets(tmp_path: Path) -> None:
    """Restarting the host after every single step of an incident gives the same messages as never restarting."""
    calm = House(tmp_path / "calm.db")
    wild = House(tmp_path / "wild.db")
    for house in (calm, wild):
        house.run(900, 8.5, 0.5)
    script: list[tuple[str, dict[str, Any]]] = [
        ("move", {"from_permille": 0, "to_permille": 300, "reason": "warm"}),
        ("moved", {"position_permille": 0, "took_ms": 1200, "peak_ma": 3100}),
        ("fault", {"fault": "stuck-shut", "detail": ""}),
    ]
    for kind, body in script:
        for house in (calm, wild):
            house.event(kind, **body)
        wild.restart()
    for minute in range(45):
        if minute == 40:
            for house in (calm, wild):
                house.event("cleared", fault="stuck-shut")
                house.event("moved", position_permille=300)
        for house in (calm, wild):
            if minute < 40:  # the report is what a started host learns the fault from
                report = {"lid": {"state": "stuck", "position_permille": 0, "target_permille": 300},
                          "faults": ["stuck-shut"], "mode": "auto", "reason": "lid-fault"}
                house.store.save_report("north", report, house.clock.now_s(), house.clock.now_s())
                house.desk.observe("north", "report", report, house.clock.now_s())
            else:
                report = {"lid": {"state": "part", "position_permille": 300, "target_permille": 300},
                          "faults": [], "mode": "auto", "reason": "warm"}
                house.store.save_report("north", report, house.clock.now_s(), house.clock.now_s())
                house.desk.observe("north", "report", report, house.clock.now_s())
            house.run(60, 16.0)
        wild.restart()
    assert wild.titles() == calm.titles()
    assert [t for t in calm.titles() if t.startswith("Urgent")] == ["Urgent: North frame: lid stuck, bed heating"]
    assert calm.titles()[-1].startswith("All clear")


def test_written_but_unsent_message_leaves_after_a_restart(tmp_path: Path) -> None:
    """Killed between deciding and sending, the host sends the message after its start, once."""
    house = House(tmp_path / "s.db")
    house.run(900, 8.5, 0.5)
    house.event("fault", fault="stuck-shut")
    assert house.phone == []
    house.restart()
    house.notifier.tick(0)
    house.notifier.tick(0)
    assert len(house.phone) == 1


@pytest.mark.parametrize("reported", [False, True])
def test_what_was_stored_but_not_judged_rings_after_a_restart(tmp_path: Path, reported: bool) -> None:
    """Killed after a fault was stored and acknowledged, before any judging, the host rings after its start."""
    house = House(tmp_path / "s.db")
    house.run(900, 8.5, 0.5)
    if reported:  # the last word of before the fault
        house.report("opening", faults=[])
    house.clock.advance(5)
    now_s = house.clock.now_s()
    house.store.add_event(Event("north", 1, 900, now_s, "fault", {"kind": "fault", "fault": "stuck-shut"}))
    house.restart()
    house.desk.tick()
    house.notifier.tick(now_s)
    assert house.titles() == ["Urgent: North frame: lid stuck, bed heating"]
    house.restart()
    house.desk.tick()
    house.notifier.tick(now_s)
    assert len(house.phone) == 1


def test_a_later_report_outweighs_an_older_fault_after_a_restart(tmp_path: Path) -> None:
    """A fault that the frame no longer names does not ring again because its event is kept."""
    house = House(tmp_path / "s.db")
    house.run(900, 8.5, 0.5)
    house.store.add_event(Event("north", 1, 900, house.clock.now_s(), "fault", {"fault": "stuck-shut"}))
    house.clock.advance(60)
    house.report("part", faults=[], position=300, target=300)
    house.restart()
    house.run(300, 16.0)
    assert house.phone == []


def test_a_fault_told_by_a_clock_far_ahead_does_not_outlive_its_end(tmp_path: Path) -> None:
    """An event that bears a time to come is not taken for the newest word when the host starts."""
    house = House(tmp_path / "s.db")
    house.run(900, 8.5, 0.5)
    ahead_s = house.clock.now_s() + 400 * 86_400
    house.store.add_event(Event("north", 1, 900, ahead_s, "fault", {"fault": "stuck-shut"}))
    house.report("part", faults=[], position=300, target=300)
    house.restart()
    house.run(300, 16.0)
    assert house.phone == []


def life(scenes: Sequence[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    """What a frame says, word by word, while these things happen to it."""
    lid, boot, jammed = 0, 1, False

    def said(state: str, target: int, **more: Any) -> tuple[str, dict[str, Any]]:
        faults = ["stuck-shut"] if jammed else []
        return "report", {"state": state, "position": lid, "target": target, "faults": faults, **more}

    for scene in scenes:
        if scene == "minute":
            yield "reading", {"air": 12.0 + lid / 100, "lid": lid / 1000, "target": lid / 1000}
        elif scene in ("open", "shut", "jam") and not jammed:
            goal = 0 if scene == "shut" else min(1000, lid + 300)
            yield "move", {"from_permille": lid, "to_permille": goal}
            yield said("opening" if goal > lid else "shutting", goal)
            if scene == "jam":
                jammed = True
                yield "moved", {"position_permille": lid}
                yield "fault", {"fault": "stuck-shut"}
                yield said("stuck", goal)
            else:
                lid = goal
                yield "moved", {"position_permille": lid}
                yield said("part" if lid else "shut", goal)
        elif scene == "freed" and jammed:
            jammed = False
            yield "cleared", {"fault": "stuck-shut"}
            yield said("part" if lid else "shut", lid)
        elif scene == "hands":
            yield "hold", {"on": True}
            yield said("held", lid, mode="hold")
            yield "hold", {"on": False}
            yield said("stuck" if jammed else "part" if lid else "shut", lid)
        elif scene == "start":
            boot += 1
            yield "reset", {"cause": "watchdog", "boot": boot}


SCENES = ("minute", "open", "shut", "jam", "freed", "hands", "start")


@given(st.lists(st.sampled_from(SCENES), min_size=1, max_size=25), st.data())
@settings(max_examples=200, deadline=None)
def test_a_started_host_knows_what_the_old_one_knew(scenes: list[str], data: st.DataObject) -> None:
    """Whatever happens to a frame, and after whichever word the host is killed: what the store tells had grown."""
    house = House()
    words = list(life(["minute", *scenes]))
    for kind, body in words[: data.draw(st.integers(1, len(words)))]:
        house.clock.advance(data.draw(st.integers(1, 30)))
        say = {"reading": house.reading, "report": house.report}.get(kind, partial(house.event, kind))
        say(**body)
    assert vars(recall(house.store, "north", house.clock.now_s())) == vars(house.desk.live["north"])


def test_healthy_day_is_silent() -> None:
    """A day of opening and closing as told gives no message at all."""
    house = House(now_s=NOON - 6 * 3600)
    house.run(3 * 3600, 2.0, 0.07, step=30)
    for to in (300, 600, 1000, 600, 0):
        house.event("move", from_permille=0, to_permille=to, reason="warm")
        house.run(40, 15.0)
        house.event("moved", position_permille=to, took_ms=30000, peak_ma=900)
        house.desk.live["north"].lid_state = "part"
        house.run(1800, 14.0, -0.05, step=30)
    assert house.titles() == []


@pytest.mark.parametrize(("away_s", "soonest_s", "latest_s"), [(5, 600, 665), (1200, 1920, 1920)])
def test_restarts_do_not_begin_a_delay_anew(tmp_path: Path, away_s: int, soonest_s: int, latest_s: int) -> None:
    """A low battery rings after ten minutes though the host restarts every other one; not so when nobody watched."""
    house = House(tmp_path / "s.db")
    first = house.clock.now_s() + 60
    for minute in range(22):
        house.clock.advance(60)
        if minute == 2 or (minute % 2 and away_s < 60):
            house.clock.advance(away_s)
            house.restart()
        house.reading(8.0, battery=11.7)
        house.desk.tick()
    opened_s = house.store.alarm_list(kind="battery-low")[0].opened_s
    assert soonest_s <= opened_s - first <= latest_s


def test_keeper_that_was_down_says_so(tmp_path: Path) -> None:
    """After an hour without the host, it says how long nobody watched; that waits for the morning message."""
    house = House(tmp_path / "s.db")
    house.run(60, 10.0)
    house.clock.advance(3600)
    house.restart()
    house.desk.tick()
    shown = house.desk.standing()
    assert "keeper-was-down" in [s.alarm for s in house.desk.standing()] or "keeper-was-down" in [
        a.kind for a in house.store.alarm_list()
    ], shown


def test_silent_frame_by_day_is_urgent_and_its_voice_ends_it() -> None:
    """Ten minutes of silence under the sun ring; the first word back clears."""
    house = House()
    house.run(300, 12.0)
    house.run(700)
    assert house.titles() == ["Urgent: North frame: silent, and the sun is out"]
    house.run(180, 12.0)
    assert house.titles()[-1] == "All clear: North frame: silent, and the sun is out"


def test_broker_loss_is_one_message_for_all_frames() -> None:
    """When the broker is gone for long, one message says so and no frame is called silent on top."""
    house = House(frames=("north", "south", "east"))
    for frame in ("north", "south", "east"):
        house.reading(12.0, frame)
    house.desk.broker(False)
    house.run(1500)
    assert house.titles()[0] == "Soon: No frame can be heard"
    assert not [t for t in house.titles() if "silent" in t]


def test_requests_of_the_command_line_reach_a_running_desk() -> None:
    """What another program leaves in the store is carried out at the next tick, once."""
    house = House()
    house.jam()
    (shown,) = house.desk.standing()
    log.ask(house.store, {"what": "acknowledge", "id": shown.id, "who": "Ann"}, NOON)
    log.ask(house.store, {"what": "shelve", "frame": "north", "alarm": "nonsense", "end_s": 5, "who": "Ann"}, NOON)
    house.desk.tick()
    assert house.desk.standing()[0].ack_by == "Ann"
    assert log.take_requests(house.store) == []


def test_unknown_names_get_the_nearest() -> None:
    """A mistyped alarm or frame is answered with the nearest known name; nothing changes."""
    house = House()
    with pytest.raises(InputError, match='Did you mean "too-hot"'):
        house.desk.shelve("north", "to-hot", NOON + 60, "Ann")
    with pytest.raises(InputError, match='Did you mean "north"'):
        house.desk.shelve("nort", "too-hot", NOON + 60, "Ann")
    with pytest.raises(InputError, match="needs an end"):
        house.desk.shelve("north", "too-hot", NOON - 60, "Ann")
    assert house.desk.standing(all_states=True) == []


def test_full_disk_still_rings(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the store cannot be written the urgent message goes out all the same; the record follows later."""
    house = House()
    house.run(900, 8.5, 0.5)

    def full(*_: object, **__: object) -> int:
        raise StoreFull("No space is left.")

    with monkeypatch.context() as patch:
        patch.setattr(house.store, "alarm_open", full)
        house.desk.observe("north", "events", Event("north", 1, 999, house.clock.now_s(), "fault",
                                                    {"fault": "stuck-shut"}), house.clock.now_s())
    assert house.titles() == ["Urgent: North frame: lid stuck, bed heating"]
    house.run(30, 16.0)
    assert house.titles() == ["Urgent: North frame: lid stuck, bed heating"]
    assert [a.kind for a in house.store.alarm_list()] == ["stuck-shut"]


def test_standing_alarms_are_kept_as_plain_json(tmp_path: Path) -> None:
    """What is kept for a restart can be read by anything that reads JSON."""
    house = House(tmp_path / "s.db")
    house.jam()
    (row,) = house.store.rows("SELECT value FROM notes WHERE key = 'alarm-standing/north/stuck-shut'")
    kept = json.loads(row[0])
    assert (kept["state"], kept["told"], kept["row"]) == ("unacknowledged", 1, 1)
