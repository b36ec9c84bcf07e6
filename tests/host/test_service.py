"""The service stores before it believes, believes before it rings, and loses nothing on the way."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

import pytest

from sash import signing
from sash.settings import defaults
from sashkeeper.clock import SetClock
from sashkeeper.errors import InputError, StoreFull, UnknownFrame
from sashkeeper.service import Service
from sashkeeper.store import Store
from sashkeeper.wire.inbox import BATCH
from sashkeeper.wire.outbox import Outbox

T0 = 1_770_724_800
KEY = bytes(range(32))

Pack = Callable[..., bytes]
Report = Callable[..., dict[str, Any]]


class Ears:
    """An alarm engine that only writes down what it is told, and what the store knew at that moment."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.heard: list[tuple[str, str, bool]] = []
        self.stored: list[int] = []
        self.ticks: list[float] = []
        self.links: list[bool] = []

    def hear(self, frame: str, suffix: str, message: Any, received_s: float, retained: bool) -> None:
        self.heard.append((frame, suffix, retained))

    def judge(self, frame: str, received_s: float) -> None:
        self.stored.append(self.store.reading_count())

    def tick(self, now_s: float) -> None:
        self.ticks.append(now_s)

    def broker(self, connected: bool) -> None:
        self.links.append(connected)


class Wire:
    """A place for outgoing messages instead of a broker."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes, bool]] = []

    def __call__(self, topic: str, payload: bytes, *, retain: bool) -> None:
        self.sent.append((topic, payload, retain))


@pytest.fixture
def wire() -> Wire:
    return Wire()


@pytest.fixture
def ears(store: Store) -> Ears:
    return Ears(store)


@pytest.fixture
def service(store: Store, clock: SetClock, wire: Wire, ears: Ears) -> Service:
    return Service(store, Outbox(store, clock, wire), clock, ears)


def test_a_reading_is_stored_seen_and_passed_on(service: Service, ears: Ears, pack: Pack) -> None:
    """After one message the store has it, the picture shows it, and the alarms were told after storing."""
    service.on_message("frames/north/readings", pack("north", 1, 1, T0 - 5, air=12.4), T0)
    live = service.live("north")
    assert live.reading is not None
    assert (live.reading.values, live.reading_s, live.heard_s) == ({"air": 12.4}, T0, T0)
    assert ears.heard == [("north", "readings", False)]
    assert ears.stored == [1]


def test_nothing_is_believed_before_it_is_stored(service: Service, ears: Ears, store: Store, pack: Pack) -> None:
    """With a full disk a batch waits, unheard by the alarms; afterwards it goes in once and in order."""
    for n in range(3000):
        service.take("frames/north/readings", pack("north", 1, n, T0 + n, air=n / 100), T0 + n)
    store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store.db.execute(f"PRAGMA max_page_count = {store.row('PRAGMA page_count')[0]}")
    with pytest.raises(StoreFull):
        service.flush()
    service.tick()
    assert "No space" in service.trouble
    assert ears.heard == []
    store.db.execute("PRAGMA max_page_count = 100000")
    assert service.flush() == 3000
    assert service.trouble == ""
    assert (store.reading_count(), len(ears.heard)) == (3000, 3000)
    assert ears.stored == [3000]


def test_refused_messages_are_counted_and_shown(service: Service, store: Store, clock: SetClock, pack: Pack) -> None:
    """What is not believed leaves its reason in the counters, also over a restart, and nothing in the store."""
    service.on_message("frames/north/readings", b"{", T0)
    service.on_message("frames/south/readings", pack("south", 1, 1, T0, air=1), T0)
    service.on_message("frames/north/readings", pack("south", 1, 1, T0, air=1), T0)
    service.on_message("frames/north/secret", b"{}", T0)
    assert service.inbox.refused == {"json": 1, "unknown-frame": 1, "name": 1, "topic": 1}
    assert store.reading_count() == 0
    service.tick()
    again = Service(store, None, clock)
    again.on_message("frames/north/readings", b"{", T0)
    again.tick()
    again.tick()
    assert store.note("refused")["totals"]["json"] == 2


def test_our_own_words_coming_back_are_not_refused(service: Service) -> None:
    """Subscribed to everything, the host hears its own orders, and passes over them."""
    service.on_message("frames/north/orders", b"whatever", T0)
    service.on_message("frames/north/settings/wanted", b"whatever", T0)
    assert not service.inbox.refused


def test_any_order_and_repetition_gives_the_same_rows(service: Service, store: Store, pack: Pack) -> None:
    """Shuffled and repeated messages leave exactly the published rows."""
    rng = random.Random(3)
    sent = [(n, pack("north", 1, n, T0 + 60 * n, air=n / 10)) for n in range(300)]
    stream = sent + rng.sample(sent, 150)
    rng.shuffle(stream)
    for n, payload in stream:
        service.take("frames/north/readings", payload, T0 + n)
        if rng.random() < 0.05:
            service.flush()
    service.flush()
    found = store.readings("north", 0, 1e12)
    assert [(r.seq, r.values["air"]) for r in found] == [(n, n / 10) for n in range(300)]
    assert service.inbox.stored == {"readings": 300, "again": 150, "events": 0}


def test_old_readings_from_a_journal_do_not_replace_the_present(service: Service, pack: Pack) -> None:
    """The picture shows the newest by the frame's own time, whatever arrives later."""
    service.on_message("frames/north/readings", pack("north", 1, 9, T0, air=20), T0)
    service.on_message("frames/north/readings", pack("north", 1, 2, T0 - 3600, air=5), T0 + 1)
    reading = service.live("north").reading
    assert reading is not None
    assert reading.values["air"] == 20


def test_retained_messages_are_no_sign_of_life(service: Service, report: Report) -> None:
    """What the broker kept tells what was, and is not taken for having heard the frame."""
    service.on_message("frames/north/report", json.dumps(report()).encode(), T0, retained=True)
    reset = json.dumps(report(time_s=None)).encode()
    service.on_message("frames/north/report", reset, T0 + 1, retained=True)
    live = service.live("north")
    assert (live.heard_s, live.report_s) == (T0, None)  # by the frame's own time, and then not known
    assert live.report is not None


def test_a_retained_repeat_writes_nothing(service: Service, store: Store, report: Report) -> None:
    """A broker that hands a retained message out twice makes no second row and no write."""
    body = json.dumps(report()).encode()
    service.on_message("frames/north/report", body, T0)
    before = store.db.total_changes
    service.on_message("frames/north/report", body, T0 + 50, retained=True)
    service.on_message("frames/north/report", body, T0 + 51, retained=True)
    assert store.db.total_changes == before
    assert len(store.report_changes("north")) == 1


def test_the_picture_survives_a_restart(
    service: Service, store: Store, clock: SetClock, pack: Pack, report: Report
) -> None:
    """A new service knows what the old one knew."""
    service.on_message("frames/north/readings", pack("north", 1, 1, T0, air=12.4), T0)
    service.on_message("frames/north/report", json.dumps(report(faults=["stuck-shut"])).encode(), T0)
    presence = {"v": 1, "here": True, "boot": 1, "time_s": T0, "position_permille": 300}
    service.on_message("frames/north/presence", json.dumps(presence).encode(), T0)
    event = {"v": 1, "boot": 1, "seq": 1, "time_s": T0, "kind": "reset", "cause": "power"}
    service.on_message("frames/north/events", json.dumps(event).encode(), T0)
    old, new = service.live("north"), Service(store, None, clock).live("north")
    assert new.reading == old.reading
    assert (new.report, new.here, new.boot, new.position_permille) == (old.report, True, 1, 300)
    assert new.last_event is not None
    assert new.last_event.kind == "reset"


def test_a_frame_without_a_clock_is_given_the_time(
    service: Service, wire: Wire, clock: SetClock, report: Report
) -> None:
    """A frame that does not know the time gets a signed order with it, once in a while and not at every word."""
    body = json.dumps(report(time_s=None)).encode()
    service.on_message("frames/north/report", body, T0)
    service.on_message("frames/north/report", body, T0 + 1)
    assert [t for t, _, _ in wire.sent] == ["frames/north/orders"]
    order = signing.open_envelope(KEY, "frames/north/orders", wire.sent[0][1])
    assert (order["order"], order["arg"]) == ("clock", T0)
    clock.advance(601)
    service.on_message("frames/north/report", body, T0 + 601)
    assert len(wire.sent) == 2


@pytest.mark.parametrize(("off_s", "sends"), [(0, False), (-100, False), (100, False), (-121, True), (4000, True)])
def test_a_clock_that_is_wrong_is_put_right(
    service: Service, wire: Wire, report: Report, off_s: int, sends: bool
) -> None:
    """More than two minutes off is put right; a delay on the way is not."""
    service.on_message("frames/north/report", json.dumps(report(time_s=T0 + off_s)).encode(), T0)
    assert bool(wire.sent) is sends
    assert service.live("north").clock_off_s == off_s


def test_a_frame_that_is_gone_is_sent_nothing(service: Service, wire: Wire) -> None:
    """The last will has no clock; there is nobody there to set it."""
    will = {"v": 1, "here": False, "boot": 1, "time_s": None, "position_permille": 0}
    service.on_message("frames/north/presence", json.dumps(will).encode(), T0)
    assert wire.sent == []
    assert service.live("north").here is False


def test_removed_frames_do_not_block_the_rest(service: Service, store: Store, pack: Pack) -> None:
    """A frame removed while its messages wait takes only its own messages with it."""
    store.frame_add("south", KEY, T0)
    service.take("frames/south/readings", pack("south", 1, 1, T0, air=1), T0)
    service.take("frames/north/readings", pack("north", 1, 1, T0, air=1), T0)
    store.frame_remove("south")
    assert service.flush() == 1
    assert store.reading_count() == 1


def test_settings_are_checked_signed_and_recorded(service: Service, wire: Wire, store: Store) -> None:
    """What goes out is what the frame will take, under the next number, retained, and marked when taken."""
    assert service.bus is not None
    n = service.bus.publish_wanted("north", {"open_mdegc": 16000}, "spinach")
    topic, payload, retain = wire.sent[0]
    assert (topic, retain) == ("frames/north/settings/wanted", True)
    assert signing.open_envelope(KEY, topic, payload) == {"n": n, "settings": {"open_mdegc": 16000}}
    assert store.settings_sent("north")[0].outcome == ""
    service.on_connect()
    assert wire.sent[1] == wire.sent[0]
    actual = {"v": 1, "n": n, "settings": {**defaults(), "open_mdegc": 16000}, "refused": None}
    service.on_message("frames/north/settings/actual", json.dumps(actual).encode(), T0 + 2)
    assert store.settings_sent("north")[0].outcome == "taken"
    service.on_connect()
    assert len(wire.sent) == 2


def test_settings_that_the_frame_would_refuse_are_not_sent(service: Service, wire: Wire, store: Store) -> None:
    """Every fault is named, and neither a number is used nor a message sent."""
    assert service.bus is not None
    with pytest.raises(InputError) as fault:
        service.bus.publish_wanted("north", {"open_mdegc": 10000, "close_mdegc": 12000, "dwell_s": 1})
    assert "Nothing was changed" in fault.value.sentence
    assert "dwell_s" in fault.value.sentence
    with pytest.raises(UnknownFrame):
        service.bus.publish_wanted("nort", {"open_mdegc": 16000})
    assert wire.sent == []
    assert store.settings_sent("north") == []


def test_orders_expire_and_their_answers_are_kept(service: Service, wire: Wire, store: Store) -> None:
    """An order carries its end, is not retained, and the frame's answer is recorded with it."""
    assert service.bus is not None
    n = service.bus.publish_order("north", "open", 300, life_s=60)
    topic, payload, retain = wire.sent[0]
    assert retain is False
    assert signing.open_envelope(KEY, topic, payload) == {"n": n, "exp": T0 + 60, "order": "open", "arg": 300}
    answer = {"v": 1, "n": n, "done": False, "why": "wind"}
    service.on_message("frames/north/orders/answer", json.dumps(answer).encode(), T0 + 3)
    assert (store.orders("north")[0].done, store.orders("north")[0].why) == (False, "wind")
    with pytest.raises(InputError, match="no order"):
        service.bus.publish_order("north", "dance")


def test_time_passing_rolls_up_and_tells_the_alarms(
    service: Service, ears: Ears, store: Store, clock: SetClock, pack: Pack
) -> None:
    """A tick passes the time on and writes roll-ups of what is over, also after the clock was set back."""
    for n in range(30):
        service.on_message("frames/north/readings", pack("north", 1, n, T0 + 60 * n, air=n), T0)
    clock.set(T0 + 7200)
    service.tick()
    assert store.rolls_waiting() == 0
    clock.set(T0 - 5000)
    service.tick()
    assert ears.ticks == [T0 + 7200, T0 - 5000]
    service.link(False)
    assert ears.links == [False]


def test_a_backlog_is_judged_seldom_but_in_the_end(
    service: Service, store: Store, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Full batches that follow each other are judged once; the tick that comes after them judges what was left."""
    monkeypatch.setattr("sashkeeper.service.JUDGE_AGAIN_S", 1e9)
    judged: list[str] = []
    monkeypatch.setattr(service.alarms, "judge", lambda frame, _received_s: judged.append(frame))
    for batch in range(3):
        for n in range(BATCH):
            service.take("frames/north/readings", pack("north", 1, BATCH * batch + n, T0 + n, air=n % 30), T0)
        service.flush()
    assert judged == ["north"]
    service.tick()
    assert judged == ["north", "north"]
    service.tick()
    assert judged == ["north", "north"]


def test_a_mistake_about_one_frame_leaves_the_others_watched(
    service: Service, ears: Ears, store: Store, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In `serve` one frame that cannot be judged is logged and the rest goes on; elsewhere it is not hidden."""
    store.frame_add("south", KEY, T0)
    judged = []

    def judge(frame: str, received_s: float) -> None:
        if frame == "north":
            raise RuntimeError("ours")
        judged.append(frame)

    monkeypatch.setattr(ears, "judge", judge)
    service.keep_going = True
    service.take("frames/north/readings", pack("north", 1, 1, T0, air=1), T0)
    service.take("frames/south/readings", pack("south", 1, 1, T0, air=1), T0)
    assert service.flush() == 2
    assert judged == ["south"]
    assert "judging north failed" in service.trouble
    service.keep_going = False
    with pytest.raises(RuntimeError):
        service.on_message("frames/north/readings", pack("north", 1, 2, T0, air=1), T0)


def test_a_message_that_trips_us_stops_nobody(
    service: Service, ears: Ears, store: Store, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under serve a mistake of ours about one message is logged; it is stored, and the next ones are believed."""
    service.keep_going = True
    hear = ears.hear

    def trip(frame: str, suffix: str, *rest: Any) -> None:
        if suffix == "events":
            raise ValueError("a mistake")
        hear(frame, suffix, *rest)

    monkeypatch.setattr(ears, "hear", trip)
    service.take("frames/north/events", b'{"v":1,"boot":1,"seq":0,"time_s":null,"kind":"reset","cause":"power"}')
    service.take("frames/north/readings", pack("north", 1, 0, None, air=1))
    service.flush()
    assert "ValueError" in service.trouble
    assert len(store.events("north")) == 1
    assert ("north", "readings", False) in ears.heard
