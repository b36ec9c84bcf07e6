"""Keeping an alarm silent: always with an end, listed, logged, and back by itself if it is still so (ALM-6)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from sashkeeper.alarms import AlarmDesk, build
from sashkeeper.clock import SetClock
from sashkeeper.page.hands import MOST_HOURS, SHELF_HOURS, SHELF_HOURS_URGENT
from sashkeeper.store import Event, Reading, Store
from tests.host.page_web import Web, set_passphrase

HOUR_S = 3600.0


class House:
    """A page and an alarm desk on one store, with a lid that reports itself stuck until it is freed."""

    def __init__(self, web: Web, store: Store, clock: SetClock) -> None:
        self.web, self.store, self.clock = web, store, clock
        self.seq = 0
        self.stuck = True

    def desk(self) -> AlarmDesk:
        """A desk that begins anew from what is stored, as after a restart."""
        desk = build(self.store, self.web.app.config, self.clock, self.web.app.home)
        self.say(desk, "fault" if self.stuck else "cleared")
        desk.tick()
        self.store.note_set("alarm-alive", None)  # no keeper runs: the page does itself what it is asked for
        return desk

    def say(self, desk: AlarmDesk, kind: str) -> None:
        now_s = int(self.clock.now_s())
        self.seq += 1
        desk.hear("north", "readings", Reading("north", 1, self.seq, float(now_s), {"air": 24.0, "lid": 0.0}), now_s)
        event = Event("north", 1, self.seq, now_s, kind, {"fault": "stuck-shut", "detail": ""})
        desk.observe("north", "events", event, now_s)

    def pass_time(self, hours: float) -> None:
        """Let hours pass, with the desk looking every ten minutes."""
        for _ in range(int(hours * 6) + 1):
            self.clock.advance(600)
            self.desk()

    def alarm(self) -> Any:
        """The stuck lid."""
        return next(a for a in self.store.alarm_list(frame="north") if a.kind == "stuck-shut")

    def alerts(self) -> int:
        """How many first messages about it were written down."""
        return len([d for d in self.store.delivery_list(alarm=self.alarm().id) if d.data["kind"] == "alert"])


@pytest.fixture
def house(home: Path, store: Store, clock: SetClock) -> Iterator[House]:
    """A signed-in browser; the lid of the one frame is stuck, and the phone was told."""
    (home / "sashkeeper.toml").write_text('[[channels]]\nname = "phone"\nurl = "json://127.0.0.1:1/"\n')
    web = Web(home, clock)
    web.site.hands.wait_s = 0.0
    set_passphrase(web)
    web.sign_in()
    made = House(web, store, clock)
    made.desk()
    assert made.alarm().state == "unacknowledged"
    assert made.alerts() == 1
    yield made
    web.close()


def silence(house: House, hours: str) -> str:
    """Send the form; return what the page says next."""
    number = house.alarm().id
    answer = house.web.form(f"/alarms/{number}/silent", {"token": house.web.token, "hours": hours})
    assert answer.status_code == 303
    said = re.search(r'class="said" role="status">([^<]+)<', house.web.get(answer.headers["location"]).text)
    return said[1] if said else ""


def test_silent_listed_logged_and_back_if_it_is_still_so(house: House) -> None:
    """The form sets an end; until then nothing is sent; then the alarm stands again and is told once more."""
    said = silence(house, "4")
    assert said.startswith("Silent until Tue 10 Feb, 16:00.")
    assert house.alarm().state == "shelved"
    assert "shelved by page" in [step.why for step in house.store.alarm_log(house.alarm().id)]
    listed = house.web.get("/alarms").text
    assert "Nothing else needs hands." in listed
    assert "Kept silent by you" in listed
    assert "Tue 10 Feb, 16:00" in listed
    for path in ("/", "/frame/north"):
        assert "Silent until Tue 16:00" in house.web.get(path).text
        assert "All is well" not in house.web.get(path).text
    story = house.web.get(f"/alarms/{house.alarm().id}").text
    assert "silent until the time you chose" in story
    assert "shelved by page" in story
    house.pass_time(3.5)
    assert house.alarm().state == "shelved"
    assert house.alerts() == 1
    house.pass_time(0.5)
    assert house.alarm().state == "unacknowledged"
    assert house.alerts() == 2
    assert "Kept silent" not in house.web.get("/alarms").text
    assert "end of shelving" in house.web.get(f"/alarms/{house.alarm().id}").text


def test_what_ended_meanwhile_does_not_come_back(house: House) -> None:
    """The lid is freed during the silence: at its end the alarm is over, and nothing is sent."""
    silence(house, "1")
    house.stuck = False
    house.pass_time(1.5)
    assert house.alarm().closed_s is not None
    assert house.alerts() == 1


def test_it_can_be_heard_again_at_once(house: House) -> None:
    """The button ends the silence, the alarm stands again, and the phone is told."""
    silence(house, "12")
    house.pass_time(2)
    number = house.alarm().id
    answer = house.web.form(f"/alarms/{number}/heard", {"token": house.web.token, "next": "/alarms"})
    assert answer.headers["location"] == "/alarms"
    assert house.alarm().state == "unacknowledged"
    house.desk()
    assert house.alerts() == 2


@pytest.mark.parametrize("hours", ["", "0", "-1", "24", "nan", "1e9", "for ever"])
def test_no_silence_without_a_good_end(house: House, hours: str) -> None:
    """What the form does not offer changes nothing and is said; an urgent alarm is silent for half a day at most."""
    assert "Choose how long" in silence(house, hours)
    assert house.alarm().state == "unacknowledged"


def test_the_form_offers_what_is_taken(house: House) -> None:
    """Urgent alarms get the short list, others also days; all of it within what the engine allows."""
    page = house.web.get(f"/alarms/{house.alarm().id}").text
    assert re.findall(r'<option value="(\d+)"', page) == [str(h) for h in SHELF_HOURS_URGENT]
    number = house.store.alarm_open("north", "battery-low", "medium", "unacknowledged", int(house.clock.now_s()), "x")
    page = house.web.get(f"/alarms/{number}").text
    assert re.findall(r'<option value="(\d+)"', page) == [str(h) for h in SHELF_HOURS]
    assert max(SHELF_HOURS) < MOST_HOURS


def test_programs_can_do_it_too(house: House, run: Callable[..., Any]) -> None:
    """PUT and DELETE on the alarm's silence; the command line lists how much of it is left."""
    number = house.alarm().id
    answer = house.web.call("PUT", f"/api/alarms/{number}/silence", {"hours": 2})
    assert answer.status_code == 200
    assert answer.json()["silent_until_s"] == int(house.clock.now_s() + 2 * HOUR_S)
    assert house.web.get("/api/alarms").json()[0]["state"] == "shelved"
    assert house.web.get("/api/frames/north").json()["silent"][0]["id"] == number
    assert house.web.call("PUT", f"/api/alarms/{number}/silence", {"hours": 2}).status_code == 422
    assert "silent until the time you chose, 2 h more" in run("alarms", "list", "--all").output
    assert house.web.call("DELETE", f"/api/alarms/{number}/silence").json()["silent_until_s"] is None
    for wrong in ({"hours": 0}, {"hours": 721}, {"hours": "1"}, {}):
        assert house.web.call("PUT", f"/api/alarms/{number}/silence", wrong).status_code == 422
    assert house.web.call("DELETE", f"/api/alarms/{number}/silence").status_code == 422
    assert house.web.call("PUT", "/api/alarms/999/silence", {"hours": 1}).status_code == 404
    assert house.alarm().state == "unacknowledged"


def test_how_long_it_lasted_is_how_long_it_was_so(house: House) -> None:
    """Nobody says that they know, so the alarm is closed half a day after its end; the list says when it ended."""
    house.pass_time(2)
    house.stuck = False
    house.pass_time(14)
    assert house.alarm().closed_s - house.alarm().opened_s > 12 * HOUR_S
    assert "lasted 2 h" in house.web.get("/alarms").text
