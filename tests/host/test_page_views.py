"""What the page says, and what a person does on it."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from sashkeeper.alarms import links
from sashkeeper.clock import SetClock
from sashkeeper.page import charts, spans
from sashkeeper.page.svg import spread_apart, steps
from sashkeeper.store import Event, Reading, Store
from tests.host.page_web import Web, set_passphrase

NOON_S = 1_770_724_800  # 2026-02-10 12:00 UTC, as in the shared fixtures
HOUR_S, DAY_S = 3600, 86_400


@pytest.fixture
def web(home: Path, store: Store, clock: SetClock) -> Iterator[Web]:
    """A signed-in browser on a page with one frame, whose numbers are half a minute old."""
    (home / "sashkeeper.toml").write_text('[place]\nlat_deg = 45.9\nlon_deg = 14.8\ntimezone = "UTC"\n')
    one = Web(home, clock)
    set_passphrase(one)
    one.sign_in()
    fill(store, "north", NOON_S - DAY_S, NOON_S)
    yield one
    one.close()


def fill(store: Store, frame: str, start_s: int, end_s: int, step_s: int = 60, boot: int = 1) -> None:
    """Readings of an even day; the lid is open from 10 to 11 UTC."""
    rows = []
    for n, t in enumerate(range(start_s + 30, end_s, step_s)):
        lid = 0.1 if 10 <= t % DAY_S / HOUR_S < 11 else 0.0
        values = {"air": 12.0 + 4 * (t % DAY_S > DAY_S / 2), "outside": 3.0, "soil": 8.0, "lid": lid, "battery": 12.6}
        rows.append(Reading(frame, boot, n, float(t), values))
    store.add_readings(rows)


def stuck(store: Store, frame: str = "north", opened_s: int = NOON_S - 600, **facts: Any) -> int:
    """A stuck lid, as the desk writes it down."""
    facts = {"air_degc": 27.4, "limit_degc": 32.0, "left_min": 20, "left_from_min": 12, "left_to_min": 40, **facts}
    words = ["Urgent: North frame: lid stuck, bed heating", "It did not open.", "We watch.", "Lift it."]
    return store.alarm_open(frame, "stuck-shut", "urgent", "unacknowledged", opened_s, "text",
                            {"facts": facts, "words": words}, "condition holds")  # fmt: skip


def test_the_worst_frame_comes_first(web: Web, store: Store, report: Callable[..., dict[str, Any]]) -> None:
    """Urgent before silent before well, whatever their names."""
    for frame in ("a-well", "m-silent"):
        store.frame_add(frame, bytes(32), NOON_S, frame)
    fill(store, "a-well", NOON_S - HOUR_S, NOON_S)
    store.save_report("a-well", report(), NOON_S, NOON_S)
    fill(store, "m-silent", NOON_S - 3 * HOUR_S, NOON_S - 2 * HOUR_S)
    stuck(store)
    text = web.get("/").text
    order = [text.index(f'id="f-{f}"') for f in ("north", "m-silent", "a-well")]
    assert order == sorted(order)
    assert "North frame needs hands." in text


def test_numbers_carry_their_age_and_old_ones_are_called_old(web: Web, clock: SetClock) -> None:
    """A dial that stands still must not be trusted."""
    text = web.get("/frame/north").text
    assert re.search(r"Measured <time[^>]+>30 s ago</time>", text)
    clock.advance(7200)
    text = web.get("/frame/north").text
    assert re.search(r"These numbers are old: measured <time[^>]+>2 h ago</time>", text)


def test_a_standing_alarm_speaks_of_the_present(web: Web, store: Store) -> None:
    """Two hours later the alarm's sentence holds the temperature of now, and no estimate of then."""
    stuck(store, opened_s=NOON_S - 7200)
    text = web.get("/").text
    assert "Inside it is 12 °C" in text
    assert "27.4" not in text
    assert "20 minutes away" not in text
    assert "What to do:" in text


def test_a_fresh_alarm_tells_the_time_left(web: Web, store: Store) -> None:
    """While the estimate is fresh it is shown with its range."""
    stuck(store, opened_s=NOON_S - 30)
    assert "about 20 minutes away (12 to 40)" in web.get("/").text


def test_acknowledging_is_noted_and_said(web: Web, store: Store, clock: SetClock) -> None:
    """The button of an alarm that the desk knows leads back and says what happens next."""
    from sashkeeper.alarms import build

    desk = build(store, web.app.config, clock, web.app.home)
    desk.broker(False)
    for _ in range(60):
        clock.advance(30)
        desk.tick()
    number = next(s.id for s in desk.standing() if s.alarm == "broker-lost")
    store.note_set("alarm-alive", None)  # no keeper runs: the page does the work itself
    answer = web.form(f"/alarms/{number}/known", {"token": web.token, "next": "/alarms"})
    assert answer.headers["location"] == "/alarms"
    assert "Noted: you know." in web.get("/alarms").text
    assert "Noted" not in web.get("/alarms").text  # said once
    assert store.alarm_get(int(number or 0)).state == "acknowledged"
    assert "I know about it" not in web.get("/alarms").text


def test_alarms_that_do_not_exist_are_not_here(web: Web) -> None:
    """A wrong number is told, not a crash."""
    for number in (7, 2**60, 10**30):
        assert web.get(f"/alarms/{number}").status_code == 404
        assert web.get(f"/api/alarms/{number}").status_code == 404
        assert web.form(f"/alarms/{number}/known", {"token": web.token}).status_code == 404


def test_a_link_from_a_message_shows_first_and_counts_once(web: Web, store: Store, clock: SetClock) -> None:
    """Mail programs open links: only the button counts, once, without signing in, and not for ever."""
    number = stuck(store)
    key = store.secret("alarm-links")
    path = f"/known/{links.make(key, number, NOON_S)}"
    late = f"/known/{links.make(key, number, NOON_S)}"
    web.jar.clear()
    for _ in range(3):
        answer = web.get(path)
        assert answer.status_code == 200
        assert "I know about it" in answer.text
    assert store.note("alarm-requests") is None
    assert "Noted: you know." in web.form(path, {}).text
    assert web.form(path, {}).status_code == 410
    clock.advance(links.GOOD_FOR_S + 1)
    assert web.get(late).status_code == 410
    assert web.get("/known/rubbish").status_code == 410
    assert web.form("/known/" + late[7:-2] + "xx", {}).status_code == 410
    assert store.note("alarm-requests") == 1


def test_setpoints_are_looked_at_before_they_are_sent(web: Web, store: Store) -> None:
    """Looking sends nothing; sending shows what the frame really took."""
    token = web.token
    fields = {"token": token, "kind": "own", "open_mdegc": "17", "close_mdegc": "11,5"}
    seen = web.form("/frame/north/setpoints/look", fields)
    assert "17 °C" in seen.text
    assert "11.5 °C" in seen.text
    assert store.settings_sent("north") == []
    sent = web.form("/frame/north/setpoints", fields)
    assert "North frame has taken them" in sent.text
    assert web.frame.settings == {"open_mdegc": 17000, "close_mdegc": 11500}


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"open_mdegc": "warm"}, "is not a number"),
        ({"open_mdegc": "nan"}, "is not a number"),
        ({"open_mdegc": "1e400"}, "is not a number"),
        ({"open_mdegc": "90"}, "outside what a frame takes"),
        ({"open_mdegc": "12", "close_mdegc": "11"}, "not far enough below"),
    ],
)
@pytest.mark.parametrize("path", ["/frame/north/setpoints/look", "/frame/north/setpoints"])
def test_setpoints_that_cannot_be_are_told_in_a_sentence(
    web: Web, store: Store, fields: dict[str, str], words: str, path: str
) -> None:
    """Neither looked at nor sent: the form comes back with what is wrong."""
    answer = web.form(path, {"token": web.token, "kind": "own", **fields})
    assert answer.status_code == 422
    assert words in answer.text
    assert store.settings_sent("north") == []


def test_a_frame_that_is_away_or_refuses_is_told_as_it_is(web: Web) -> None:
    """No answer and a refusal are never called success."""
    fields = {"token": web.token, "kind": "own", "open_mdegc": "17"}
    web.frame.answers = False
    assert "No answer yet" in web.form("/frame/north/setpoints", fields).text
    web.frame.answers, web.frame.refuse = True, "close_mdegc: too near"
    assert "refused them" in web.form("/frame/north/setpoints", {**fields, "open_mdegc": "18"}).text


def test_suggested_setpoints_come_with_reasons(web: Web, store: Store) -> None:
    """What grows there rules; the frame also gets its place."""
    assert "Nothing stands in this frame" in web.get("/frame/north/setpoints").text
    store.planting_add("north", "spinach", "2025-09-20")
    text = web.get("/frame/north/setpoints").text
    assert "Spinach:" in text
    answer = web.form("/frame/north/setpoints", {"token": web.token, "kind": "suggested"})
    assert "has taken them" in answer.text
    assert web.frame.settings["lat_mdeg"] == 45900


def test_hold_is_one_press_and_release_asks_first(web: Web) -> None:
    """Nothing moves from afar before somebody has said that hands are out."""
    token = web.token
    web.form("/frame/north/order", {"token": token, "order": "hold"})
    text = web.get("/frame/north").text
    assert "The frame holds" in text
    assert "Release the lid" in text
    web.form("/frame/north/order", {"token": token, "order": "release"})
    assert "Say first that hands" in web.get("/frame/north").text
    assert web.frame.orders == ["hold"]
    web.form("/frame/north/order", {"token": token, "order": "release", "clear": "yes"})
    assert web.frame.orders == ["hold", "release"]
    assert web.form("/frame/north/order", {"token": token, "order": "open"}).status_code == 422


def test_refused_and_unanswered_orders_are_said(web: Web) -> None:
    """The grower hears why."""
    web.frame.refuse = "clock"
    web.form("/frame/north/order", {"token": web.token, "order": "hold"})
    assert "its clock is not set yet" in web.get("/frame/north").text
    web.frame.answers = False
    web.form("/frame/north/order", {"token": web.token, "order": "hold"})
    assert "has not answered yet" in web.get("/frame/north").text


def test_the_diary_takes_what_was_done(web: Web, store: Store) -> None:
    """A press on "cover laid on" is kept, and shown on the day's chart."""
    web.form("/frame/north/diary", {"token": web.token, "kind": "covered", "text": ""})
    assert [(d.kind, d.text) for d in store.diary("north")] == [("covered", "Cover laid on")]
    assert "Cover laid on" in web.get("/frame/north/day/2026-02-10").text
    for bad in ({"kind": "note", "text": ""}, {"kind": "party", "text": "x"}, {"kind": "note", "text": "x" * 501}):
        assert web.form("/frame/north/diary", {"token": web.token, **bad}).status_code == 422


@pytest.mark.parametrize("day", ["2026-02-30", "x", "9999-12-31", "0001-01-01", "2026-02-10T00:00"])
def test_days_that_do_not_exist_are_not_here(web: Web, day: str) -> None:
    """A day that cannot be shown is told so."""
    assert web.get(f"/frame/north/day/{day}").status_code == 404


def test_a_day_without_readings_says_so(web: Web) -> None:
    """An empty day is no empty chart."""
    answer = web.get("/frame/north/day/2020-01-01")
    assert answer.status_code == 200
    assert "There are no readings of this time." in answer.text
    assert "<svg class=\"chart" not in answer.text


def test_markup_in_names_and_words_stays_words(web: Web, store: Store) -> None:
    """Whatever a frame or a grower writes is shown, never obeyed."""
    bad = '<script>alert(1)</script>"onload="x'
    store.frame_change("north", name=bad)
    web.form("/frame/north/diary", {"token": web.token, "kind": "note", "text": bad})
    stuck(store, crops=bad)
    for path in ("/", "/frame/north", "/frame/north/day/2026-02-10", "/frame/north/season", "/alarms", "/alarms/1"):
        text = web.get(path).text
        assert "<script>" not in text
        assert '"onload="' not in text


def test_everything_works_in_fahrenheit(web: Web, home: Path, clock: SetClock, store: Store) -> None:
    """The grower's unit in words, charts and forms; the wire keeps thousandths of a degree Celsius."""
    (home / "sashkeeper.toml").write_text('units = "fahrenheit"\n')
    warm = Web(home, clock)
    warm.jar = web.jar
    assert "53.6 °F" in warm.get("/frame/north").text
    fields = {"token": warm.token, "kind": "own", "open_mdegc": "61", "stage_mdegc": "3.6"}
    assert "has taken them" in warm.form("/frame/north/setpoints", fields).text
    assert warm.frame.settings == {"open_mdegc": 16111}  # 3.6 °F apart is the 2 °C that it has already
    warm.close()


def test_no_page_needs_a_frame_to_be_there(home: Path, clock: SetClock) -> None:
    """A fresh household is shown, not an error."""
    empty = Web(home, clock)
    set_passphrase(empty)
    empty.sign_in()
    assert "There is no frame yet." in empty.get("/").text
    for path in ("/alarms", "/phone", "/kept", "/api/frames", "/api/alarms?over=1"):
        assert empty.get(path).status_code == 200
    assert empty.get("/frame/north").status_code == 404
    empty.close()


# -- charts --------------------------------------------------------------------------------------------


def test_a_gap_in_the_readings_is_a_gap_in_the_line(web: Web, store: Store) -> None:
    """Silence is shown as silence, not bridged by a straight line."""
    store.frame_add("gappy", bytes(32), NOON_S, "Gappy")
    fill(store, "gappy", NOON_S - 8 * HOUR_S, NOON_S - 6 * HOUR_S)
    fill(store, "gappy", NOON_S - 2 * HOUR_S, NOON_S, boot=2)
    span = spans.day_span(web.app, "gappy", NOON_S - 12 * HOUR_S, NOON_S)
    drawn = charts.day_chart(span, charts.WIDE)
    line = re.search(r'class="line air" d="([^"]+)"', drawn)
    assert line is not None
    assert line[1].count("M") == 2
    assert drawn.count('class="unheard"') == 2  # before the first reading, and the gap


def test_a_chart_tells_what_it_shows_to_those_who_do_not_see_it(web: Web) -> None:
    """The picture has its sentences as a label, and the numbers stand in a table below."""
    text = web.get("/frame/north/day/2026-02-10").text
    assert re.search(r'role="img" aria-label="North frame, temperatures and lid\. Inside it was 12\.0 °C at the', text)
    assert '<th scope="row">10:00</th><td>12.0</td><td>3.0</td><td>8.0</td><td>10 %</td>' in text
    assert "The lid was open 10:00 to 11:00; 60 min in all." in text


def test_the_band_follows_settings_as_they_were(web: Web, store: Store) -> None:
    """What was in force at the time is drawn, not what is in force now."""
    from sash import settings

    have = dict(settings.defaults())
    n = store.settings_next("north", {"open_mdegc": 20000}, "x", NOON_S - HOUR_S)
    store.save_actual("north", {"v": 1, "n": n, "settings": {**have, "open_mdegc": 20000}, "refused": None},
                      NOON_S - HOUR_S)  # fmt: skip
    span = spans.day_span(web.app, "north", NOON_S - 4 * HOUR_S, NOON_S)
    assert span.bands[-1] == (NOON_S - HOUR_S, NOON_S, 10.0, 20.0)


def test_the_day_the_clocks_change_has_its_own_length(home: Path, web: Web) -> None:
    """29 March 2026 has 23 hours in Ljubljana; midnights stay midnights."""
    from zoneinfo import ZoneInfo

    zone = ZoneInfo("Europe/Ljubljana")
    day = date(2026, 3, 29)
    assert spans.midnight(date(2026, 3, 30), zone) - spans.midnight(day, zone) == 23 * HOUR_S


def test_a_season_of_minutes_is_served_within_a_tenth_of_a_second(home: Path, store: Store, web: Web) -> None:
    """150 days at a reading a minute: the second look takes at most 100 ms."""
    first = NOON_S - 150 * DAY_S
    rows = []
    for n in range(150 * 24):  # roll-ups are what a season reads; the rows behind them have been tidied away
        t = first + n * HOUR_S
        rows.append((1, 3600, t - t % HOUR_S, *([60, 1000, 9000, 300_000] * len(metrics()))))
    with store.transaction() as db:
        marks = ", ".join("?" * (3 + 4 * len(metrics())))
        db.executemany(f"INSERT OR REPLACE INTO rollups VALUES ({marks})", rows)
    assert web.get("/frame/north/season").status_code == 200
    best = 1.0
    for _ in range(5):
        begun = time.perf_counter()
        answer = web.get("/frame/north/season")
        best = min(best, time.perf_counter() - begun)
    assert "151 days with readings" in answer.text or "150 days with readings" in answer.text
    assert best < 0.1, f"{best * 1000:.0f} ms"


def metrics() -> tuple[str, ...]:
    """The store's metrics."""
    from sashkeeper.store import METRICS

    return METRICS


def test_hours_since_airing_and_picking_are_told(web: Web, store: Store) -> None:
    """Advice stands with the frame, after its state."""
    store.add_event(Event("north", 1, 1, NOON_S - 7200, "moved", {"position_permille": 300}))
    store.add_event(Event("north", 1, 2, NOON_S - 3600, "moved", {"position_permille": 0}))
    text = web.get("/frame/north").text
    assert "Last aired 60 min ago." in text
    assert "Pick now:" in text
    assert "Leaves tonight" in text


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [(0, 10, [0, 2, 4, 6, 8, 10]), (-3.2, 3.1, [-2, 0, 2]), (0, 0.5, [0, 0.1, 0.2, 0.3, 0.4, 0.5])],
)
def test_steps_are_round(low: float, high: float, wanted: list[float]) -> None:
    """Lines of the grid stand at round values."""
    assert steps(low, high) == pytest.approx(wanted)


def test_names_at_the_end_of_lines_never_overlap() -> None:
    """Three lines that end at one place still have three readable names."""
    placed = spread_apart([50, 50, 50], 15, 10, 100)
    assert sorted(placed) == [50, 65, 80]
    assert sorted(spread_apart([98, 99, 100], 15, 10, 100)) == [70, 85, 100]
    assert spread_apart([], 15, 0, 1) == []


@pytest.mark.slow
def test_setpoints_can_be_tried_on_a_simulated_day(web: Web) -> None:
    """Before sending, a simulated tomorrow under the new values stands beside one under those in force."""
    pytest.importorskip("numba")
    answer = web.form("/frame/north/setpoints/try", {"token": web.token, "kind": "own", "open_mdegc": "17"})
    assert answer.status_code == 200
    assert answer.text.count("<td>in force</td>") == answer.text.count("<td>new</td>") == 2
    assert "not yours: good for comparing" in answer.text


def test_slack_is_not_called_open(web: Web, store: Store) -> None:
    """A lid that hangs in its latch by 2 % was not open; one that stood at its crack was."""
    fill(store, "north", NOON_S, NOON_S + 600, boot=2)
    store.add_readings([Reading("north", 3, n, NOON_S + 700.0 + 60 * n, {"air": 12.0, "lid": 0.02}) for n in range(60)])
    span = spans.day_span(web.app, "north", NOON_S + 600, NOON_S + 5000)
    assert spans.lid_words(span) == "The lid stayed shut."
    store.add_readings([Reading("north", 4, n, NOON_S + 4300.0 + 60 * n, {"air": 12.0, "lid": 0.05}) for n in range(5)])
    assert "The lid was open" in spans.lid_words(spans.day_span(web.app, "north", NOON_S + 600, NOON_S + 5000))
