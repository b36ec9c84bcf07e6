"""plant, setpoints, crops, site, calendar and bed as a grower types them."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sash import settings as controller
from sash import signing
from sashkeeper.clock import SetClock
from sashkeeper.config import read
from sashkeeper.frames import mqtt_password
from sashkeeper.season import season_now
from sashkeeper.store import Reading, Store

Run = Callable[..., Any]
PLACE = ("site", "set", "--lat", "41.4", "--lon", "-75.6")


@pytest.fixture(autouse=True)
def autumn(clock: SetClock) -> None:
    """An invented day: 25 November 2026, 17:00 UTC."""
    clock.set(datetime(2026, 11, 25, 17, tzinfo=UTC).timestamp())


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A phone-sized terminal."""
    monkeypatch.setenv("COLUMNS", "60")


def test_a_grower_plants_and_gets_setpoints(run: Run, store: Store) -> None:
    """Two crops entered, setpoints come with reasons, in lines of 60 columns."""
    run(*PLACE)
    run("plant", "add", "north", "spinach", "--since", "2026-09-20", "--share", "0.5")
    run("plant", "add", "north", "lettuce", "--since", "2026-11-10")
    text = run("setpoints", "suggest", "north").output
    assert "opening   15 C" in text
    assert "Spinach, resting" in text
    assert "[guide" in text
    assert all(len(line) <= 60 for line in text.splitlines())
    data = json.loads(run("setpoints", "suggest", "north", "--json").output)
    assert data["settings"]["open_mdegc"] == 15000
    assert {c["crop"] for c in data["crops"]} == {"spinach", "leaf-lettuce"}
    assert all(v["reason"] and v["source"] for v in data["values"])
    rows = json.loads(run("plant", "list", "--json").output)
    assert [(r["crop"], r["share"], r["stage"]) for r in rows] == [
        ("spinach", 0.5, "resting"),
        ("leaf-lettuce", 0.5, "seedling"),
    ]


@pytest.mark.parametrize(
    ("line", "part"),
    [
        (("plant", "add", "north", "spinich"), 'Did you mean "spinach"?'),
        (("plant", "add", "nrth", "spinach"), 'Did you mean "north"?'),
        (("plant", "add", "north", "spinach", "--since", "2026-12-24"), "still to come"),
        (("plant", "add", "north", "spinach", "--since", "24.12.2025"), "is not a date"),
        (("plant", "add", "north", "spinach", "--share", "1.5"), "share of 1.5"),
        (("plant", "remove", "north", "kale"), "No kale stands in north"),
        (("plant", "remove", "north", "7"), "No planting number 7"),
        (("setpoints", "suggest", "north"), "Nothing stands in this frame"),
        (("setpoints", "set", "north"), "Nothing to set"),
        (("setpoints", "set", "north", "--opening", "10", "--closing", "12"), "Choose 8 C or lower for closing"),
        (("setpoints", "set", "north", "--opening", "60"), "outside what a frame takes"),
        (("setpoints", "set", "north", "--other", "batery=12"), 'no setting "batery"'),
        (("setpoints", "set", "north", "--other", "dwell_s=long"), "is not NAME=NUMBER"),
        (("setpoints", "set", "north", "--other", "open_mdegc=15000"), "with --opening"),
        (("setpoints", "set", "north", "--other", "dwell_s=1"), "1 is not between 60 and 3600"),
        (("setpoints", "set", "north", "--other", "battery_empty_mv=11900"), "at least 200 below battery_low_mv"),
        (("crops", "show", "arugla"), 'Did you mean "arugula"?'),
        (("calendar",), "place is not known yet"),
        (("site", "show"), "place is not known yet"),
        (("site", "set"), "Nothing to set"),
        (("site", "set", "--lat", "41.4"), "One coordinate alone"),
        (("site", "set", "--lat", "0", "--lon", "-30"), "time zone of 0°, -30° cannot be looked up"),
        (("site", "set", "--lat", "41", "--lon", "-75", "--timezone", "Mars/Base"), "is not a time zone"),
        (("site", "set", "--lat", "80", "--lon", "20"), "place.lat_deg: at 80° the sun does not rise for weeks"),
        (("site", "set", "--lat", "95", "--lon", "20"), "lat_deg"),
        (("bed", "--area", "0", "--soil", "loam"), "bed of 0 m2"),
        (("bed", "--area", "3", "--soil", "loam", "--ph", "14"), "pH of 14"),
    ],
)
def test_what_cannot_be_is_told_in_one_sentence(
    run: Run, store: Store, home: Path, line: tuple[str, ...], part: str
) -> None:
    """Exit code 2, one sentence, nothing stored and no settings file written."""
    result = run(*line, code=2)
    assert part in result.output
    assert result.output.count("\n") == 1
    assert store.plantings() == []
    assert read(home) == read(home / "nowhere")


def test_a_place_is_found_its_time_zone_offline(run: Run, home: Path) -> None:
    """Latitude and longitude are enough; the zone is looked up without a network."""
    data = json.loads(run(*PLACE, "--elevation", "300", "--json").output)
    assert data["timezone"] == "America/New_York"
    assert read(home).place.elevation_m == 300


def test_a_place_without_a_time_zone_is_refused(run: Run, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A settings file with coordinates but no zone, where none can be looked up, is refused with what to do."""
    (home / "sashkeeper.toml").write_text("[place]\nlat_deg = 10.0\nlon_deg = -30.0\n")
    assert "has no time zone" in run("site", "show", code=2).output
    monkeypatch.setattr("sashkeeper.season.place.find_zone", lambda lat, lon: None)
    (home / "sashkeeper.toml").write_text("[place]\nlat_deg = 41.4\nlon_deg = -75.6\n")
    assert "--timezone" in run("calendar", code=2).output


def test_a_skyline_that_crosses_itself_is_refused(run: Run, home: Path) -> None:
    """The settings file's skyline is checked when it is used, with the number of the point."""
    (home / "sashkeeper.toml").write_text(
        '[place]\nlat_deg = 41.4\nlon_deg = -75.6\ntimezone = "America/New_York"\n'
        "skyline = [[90, 5], [180, 9], [120, 3]]\n"
    )
    assert "place.skyline crosses itself: point 3" in run("site", "show", code=2).output


def test_site_compares_spots_and_draws_them(run: Run, tmp_path: Path) -> None:
    """Two candidate spots stand side by side, and a picture is written."""
    run(*PLACE)
    spots = tmp_path / "spots.toml"
    spots.write_text(
        '[[spot]]\nname = "open"\n[[spot]]\nname = "maples"\ntilt_deg = 20\n'
        '[[spot.obstacles]]\nname = "row"\nkind = "deciduous"\nfrom = [140, 15]\nto = [200, 15]\nheight_m = 14\n'
    )
    picture = tmp_path / "site.png"
    text = run("site", "show", "--spots", str(spots), "--plot", str(picture)).output
    assert "open sun" in text
    assert "maples sun" in text
    assert "Bare crowns alone take" in text
    assert picture.read_bytes().startswith(b"\x89PNG")
    data = json.loads(run("site", "show", "--spots", str(spots), "--json").output)
    december = [s["months"][11] for s in data["spots"]]
    assert december[1]["lit_h"] < december[0]["lit_h"]


def test_calendar_as_table_json_feed_and_page(run: Run, store: Store, tmp_path: Path) -> None:
    """One plan in four forms; a second feed without changes is the same to the byte."""
    run(*PLACE)
    feed, page = tmp_path / "a.ics", tmp_path / "a.html"
    line = ("calendar", "spinach", "mache", "--snow", "10-14", "--cold", "12-01", "--area", "2.9", "--share", "0.5")
    text = run(*line, "--ics", str(feed), "--page", str(page)).output
    assert "spinach  30 Aug  10 Sep" in text
    assert "14 Oct: Snow has come" in text
    assert "spinach, little and often: 30 Aug, 6 Sep, 13 Sep, 17 Sep" in " ".join(text.split())
    assert all(len(x) <= 60 for x in text.splitlines() if str(tmp_path) not in x)
    first = feed.read_bytes()
    run(*line, "--ics", str(feed))
    assert feed.read_bytes() == first
    assert b"SEQUENCE:0" in first
    run(*line, "--hours", "9.5", "--ics", str(feed))
    assert b"SEQUENCE:1" in feed.read_bytes()
    assert "<svg" in page.read_text()
    data = json.loads(run(*line, "--json").output)
    assert data["winter"] == 2026
    assert {w["crop"] for w in data["windows"]} == {"spinach", "mache"}
    assert data["windows"][1]["seed"]["area_m2"] == 1.45


def test_a_feed_that_cannot_be_written_says_so(run: Run, tmp_path: Path) -> None:
    """A folder that is not there: exit code 1, a sentence."""
    run(*PLACE)
    result = run("calendar", "spinach", "--ics", str(tmp_path / "no" / "a.ics"), code=1)
    assert "cannot be written" in result.output


def test_crops_and_bed_print(run: Run) -> None:
    """A crop shows its sources and the bed its cautions, in 60 columns."""
    text = run("crops", "show", "kale").output
    assert "FAO EcoCrop" in text
    assert "30" in text
    assert len(json.loads(run("crops", "list", "--json").output)) == 21
    bed_text = run("bed", "--area", "2.9", "--soil", "loam", "--ph", "5.5", "--crop", "mache").output
    assert "390 g" in bed_text
    assert "120 days" in bed_text
    for shown in (text, bed_text):
        assert all(len(x) <= 60 for x in shown.splitlines() if "crops.toml" not in x)


def test_removing_a_crop_frees_its_share(run: Run, store: Store) -> None:
    """A crop that left makes room; one entered by mistake is forgotten."""
    run("plant", "add", "north", "kale", "--since", "2026-09-01")
    run("plant", "remove", "north", "kale", "--on", "2026-11-20")
    run("plant", "add", "north", "spinach", "--since", "2026-11-20", "--share", "0.4")
    run("plant", "remove", "north", "spinach", "--mistake")
    assert [(p.crop, p.until_day) for p in store.plantings()] == [("kale", "2026-11-20")]


def _fill(store: Store, clock: SetClock, days: int, low: float, high: float) -> None:
    now = int(clock.now_s())
    rows = []
    for n in range(days * 24):
        at = now - n * 3600 - 600
        rows.append(Reading("north", 1, n + 1, at, {"air": high if 15 <= at // 3600 % 24 <= 19 else low, "soil": 6.0}))
    store.add_readings(rows)


def test_stored_readings_change_stage_and_hardness(run: Run, store: Store, clock: SetClock, home: Path) -> None:
    """Cold nights in the store make spinach hardened, and the alarm limits follow; a fresh store counts as soft."""
    run(*PLACE)
    run("plant", "add", "north", "spinach", "--since", "2026-09-20")
    before = season_now.gather(store, read(home), home, "north", clock.now_s()).danger()
    _fill(store, clock, 20, -4.0, 4.0)
    now = season_now.gather(store, read(home), home, "north", clock.now_s())
    after = now.danger()
    assert before is not None
    assert after is not None
    assert after.frost_damage_degc < before.frost_damage_degc - 4
    assert after.frost_warn_degc < -5
    assert len(now.days) == 19
    assert now.today == date(2026, 11, 25)
    suggested = now.suggest().settings
    assert now.due({**suggested, "dwell_s": 600}) == {}
    assert now.due({**suggested, "open_mdegc": 18000}) == {"open_mdegc": 15000}
    assert set(now.conditions.soil.values()) == {6.0}


def test_half_days_are_left_out(store: Store, clock: SetClock, home: Path) -> None:
    """A day with readings of a few hours only is no day: nothing is concluded from it."""
    _fill(store, clock, 1, -4.0, 4.0)
    assert season_now.gather(store, read(home), home, "north", clock.now_s()).days == ()


# ---- sending, over real sockets -----------------------------------------------------------------


class FakeFrame:
    """Answers wanted settings as a frame does, on a real connection."""

    def __init__(self, store: Store, port: int, refuse: str = "") -> None:
        frame = store.frame("north")
        self._key, self._refuse = frame.key, refuse
        self.heard: list[dict[str, Any]] = []
        self.ready, self.got = threading.Event(), threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="north")
        self._client.username_pw_set("north", mqtt_password(frame))
        self._client.on_connect = lambda c, *_: c.subscribe("frames/north/settings/wanted", 1)
        self._client.on_subscribe = lambda *_: self.ready.set()
        self._client.on_message = self._answer
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _answer(self, client: mqtt.Client, _user: Any, message: mqtt.MQTTMessage) -> None:
        body = signing.open_envelope(self._key, message.topic, message.payload)
        self.heard.append(body)
        self.got.set()
        values = controller.defaults()
        refused = None
        if self._refuse:
            refused = {"n": body["n"], "why": self._refuse}
        else:
            values = controller.merge(values, body["settings"])
        said = {"v": 1, "n": 0 if refused else body["n"], "settings": values, "refused": refused}
        client.publish("frames/north/settings/actual", json.dumps(said), 1, retain=True)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def at_broker(home: Path, any_broker: int) -> int:
    """The home folder set up for the running broker."""
    (home / "sashkeeper.toml").write_text(
        f'[broker]\nport = {any_broker}\n[place]\nlat_deg = 41.4\nlon_deg = -75.6\ntimezone = "America/New_York"\n'
    )
    return any_broker


@pytest.mark.parametrize("refuse", ["", "close_mdegc: too near"])
def test_setpoints_are_sent_signed_and_confirmed(run: Run, store: Store, at_broker: int, refuse: str) -> None:
    """What the crops ask for, and the place, reach the frame signed; the command tells what it really took."""
    run("plant", "add", "north", "spinach", "--since", "2026-09-20")
    frame = FakeFrame(store, at_broker, refuse)
    try:
        assert frame.ready.wait(10)
        result = run("setpoints", "send", "north", "--wait", "10", code=1 if refuse else 0)
    finally:
        frame.close()
    sent = frame.heard[0]["settings"]
    assert (sent["open_mdegc"], sent["close_mdegc"], sent["lat_mdeg"]) == (15000, 10000, 41400)
    if refuse:
        assert "refused the setpoints: close_mdegc: too near" in result.output
    else:
        assert "has taken them (number 1): opening 15 C, closing 10 C" in " ".join(result.output.split())
        shown = json.loads(run("setpoints", "show", "north", "--json").output)
        assert shown["in_force"]["open_mdegc"] == 15000
        assert shown["sent"][0]["outcome"] == "taken"


def test_settings_without_a_word_of_their_own_are_set_by_name(run: Run, store: Store, at_broker: int) -> None:
    """The battery limits reach the frame beside a setpoint, are named in the answer, and are listed on demand."""
    frame = FakeFrame(store, at_broker)
    try:
        assert frame.ready.wait(10)
        given = ("--opening", "16", "--other", "battery_low_mv=12240", "--other", "battery_empty_mv=11958")
        said = " ".join(run("setpoints", "set", "north", *given, "--wait", "10").output.split())
    finally:
        frame.close()
    assert frame.heard[0]["settings"] == {"open_mdegc": 16000, "battery_low_mv": 12240, "battery_empty_mv": 11958}
    assert "opening 16 C, battery_low_mv 12240, battery_empty_mv 11958" in said
    shown = run("setpoints", "show", "north").output
    assert "dwell_s" not in shown
    assert "battery_low_mv 12240" in shown  # among what was sent
    listed = run("setpoints", "show", "north", "--all").output
    assert "battery_empty_mv  11958" in listed
    assert "dwell_s           600" in listed


def test_a_silent_frame_leaves_the_setpoints_waiting(run: Run, store: Store, at_broker: int) -> None:
    """No answer in time: exit code 1, told that they wait, and the frame gets them when it comes."""
    result = run("setpoints", "set", "north", "--opening", "16", "--wait", "0.3", code=1)
    assert "has not answered within 0.3 s" in result.output
    frame = FakeFrame(store, at_broker)
    try:
        assert frame.ready.wait(10)
        assert frame.got.wait(10)
    finally:
        frame.close()
    assert frame.heard[0]["settings"] == {"open_mdegc": 16000}


def test_without_a_broker_nothing_is_sent(run: Run, store: Store, home: Path) -> None:
    """No broker: exit code 1 and the sentence that says how to start one."""
    (home / "sashkeeper.toml").write_text("[broker]\nport = 1\n")
    result = run("setpoints", "set", "north", "--opening", "16", code=1)
    assert "cannot be reached" in result.output
    assert store.settings_sent("north") == []
