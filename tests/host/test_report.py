"""The season report: figures from the store only, a page that asks for nothing, a PDF with or without a browser."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from sashkeeper import config as config_file
from sashkeeper import report
from sashkeeper.errors import InputError
from sashkeeper.report import advice as report_advice
from sashkeeper.report import page as report_page
from sashkeeper.report import pdf as report_pdf
from sashkeeper.store import Event, Reading, Store

FIRST, LAST = date(2025, 10, 1), date(2026, 1, 31)
PLACE = {"name": "Invented Lane", "lat_deg": 45.9, "lon_deg": 14.8, "timezone": "UTC"}
JAM_S = datetime(2025, 12, 3, 9, tzinfo=UTC).timestamp()
STEP_S = 600


def weather(n: int, hour: float) -> tuple[float, float, float]:
    """Air in the frame, outside, soil [degC] on day n: invented, colder towards January, dull and bright spells."""
    season = 6.0 - 9.0 * math.sin(math.pi * min(n, 110) / 160)
    bright = 0.5 + 0.5 * math.sin(n * 1.7) * math.cos(n * 0.37)
    sun = max(0.0, math.cos((hour - 12.5) / 4.2 * math.pi / 2)) if 8.3 < hour < 16.7 else 0.0
    outside = season + 4.0 * math.sin(n * 0.9) + 4.0 * math.cos((hour - 15) / 12 * math.pi)
    air = outside + 2.0 + (6.0 + 16.0 * bright) * sun * (0.7 if n > 50 else 1.0)
    return air, outside, season + 5.0 + 2.0 * math.sin(n * 0.3)


@pytest.fixture
def season(store: Store, home: Path) -> Store:
    """An invented autumn and winter: readings, drives, a jam with its alarm, three plantings, a diary."""
    config_file.change(home, {"place": PLACE})
    begin = datetime(2025, 10, 1, tzinfo=UTC).timestamp()
    rows, events, seq, lid = [], [], 0, 0.0
    for n in range((LAST - FIRST).days + 1):
        for k in range(86_400 // STEP_S):
            time_s = begin + n * 86_400 + k * STEP_S
            if date(2025, 11, 20) <= datetime.fromtimestamp(time_s, UTC).date() < date(2025, 11, 22):
                continue  # two days without a radio link
            air, outside, soil = weather(n, k * STEP_S / 3600)
            wanted = 0.4 if air > 17 else 0.1 if air > 13 else 0.0
            if wanted != lid:
                body = {"position_permille": int(1000 * wanted)}
                events.append(Event("north", 1, len(events), time_s, "moved", body))
                lid = wanted
            rows.append(Reading("north", 1, seq, time_s, {"air": air, "outside": outside, "soil": soil, "lid": lid}))
            seq += 1
    events.append(Event("north", 1, len(events), JAM_S, "fault", {"fault": "stuck-shut", "detail": ""}))
    store.add_readings(rows)
    store.add_events(events)
    number = store.alarm_open("north", "stuck-shut", "urgent", "standing", JAM_S + 60, "the lid is stuck <shut>")
    store.alarm_update(number, JAM_S + 7200, state="normal", closed=True)
    store.planting_add("north", "spinach", "2025-09-20", share_permille=400)
    store.planting_add("north", "mache", "2025-09-15", share_permille=300)
    store.planting_add("north", "leaf-lettuce", "2025-09-25", share_permille=300)
    for day in (date(2025, 11, 15), date(2025, 12, 6), date(2026, 1, 10)):
        time_s = datetime(day.year, day.month, day.day, 13, tzinfo=UTC).timestamp()
        store.diary_add(time_s, "picked", "a bowl for the table", frame="north")
    wanted = {"open_mdegc": 15_000, "close_mdegc": 10_000}
    sent = store.settings_next("north", wanted, "season: spinach hardened", JAM_S)
    store.save_actual("north", {"n": sent, "settings": {"open_mdegc": 15_000}, "refused": None}, JAM_S)
    return store


def gathered(store: Store, home: Path) -> report.SeasonReport:
    """The report of the whole of it."""
    return report.gather(store, config_file.read(home), home, "north", FIRST, LAST)


def test_figures_are_those_of_the_store(season: Store, home: Path) -> None:
    """Extremes, hours, moves and travel equal what is counted straight from readings and events."""
    made = gathered(season, home)
    begin, end = (datetime(d.year, d.month, d.day, tzinfo=UTC).timestamp() for d in (FIRST, LAST + timedelta(days=1)))
    air = season.series("north", "air", begin, end)
    assert min(d.low for d in made.days) == min(v for _, v in air)
    assert max(d.high for d in made.days) == max(v for _, v in air)
    assert made.hours == len({t // 3600 for t, _ in air}) == 24 * ((LAST - FIRST).days + 1 - 2)
    events = season.events("north", begin, end, kind="moved")
    assert made.total("moves") == len(events)
    positions = [e.body["position_permille"] for e in events]
    assert made.total("strokes") == pytest.approx(sum(abs(b - a) for a, b in pairwise(positions)) / 1000)
    assert [a.kind for a in made.alarms] == ["stuck-shut"]
    assert [c.crop.id for c in made.crops] == ["mache", "spinach", "leaf-lettuce"]


def test_doses_follow_the_leaf(season: Store, home: Path) -> None:
    """Tender lettuce has had more frost than hardy mache; the estimate holds the figure between its ends."""
    by_crop = {c.crop.id: c for c in gathered(season, home).crops}
    assert by_crop["leaf-lettuce"].frost > by_crop["mache"].frost
    for c in by_crop.values():
        assert c.frost_low <= c.frost <= c.frost_high
        assert c.growing_h > 0.0


def test_picking_days_are_thawed_days(season: Store, home: Path) -> None:
    """A window never begins while the leaf is frozen, and days without one occur in the cold."""
    made = gathered(season, home)
    assert 0 < made.picking_days < len(made.days)
    for d in made.days:
        if d.window is not None:
            assert d.high > 2.0
            assert d.window.until_s - d.window.from_s >= 3600


def test_tables_can_be_read_on_a_phone_and_on_paper(season: Store, home: Path) -> None:
    """Each figure carries its head for narrow screens; on paper no table scrolls; doses say their unit."""
    html = report_page.page(gathered(season, home), JAM_S)
    assert '<td class=n data-head="frost dose">' in html
    assert len(re.findall(r"<td(?![^>]*data-head)", html)) == 0
    paper = html[html.index("@media print") :]
    assert ".wide { overflow: visible; }" in paper[: paper.index("@page")]
    assert "degree-hours" in html
    assert '<span class="day">2025-09-20</span>' in html


def test_no_picking_before_there_are_leaves(season: Store, home: Path) -> None:
    """Days count from the one on which the quickest sowing may have leaves.

    Spinach of 20 September has them after 21 days at the earliest, on 11 October (crop book, baby leaf).
    """
    made = gathered(season, home)
    assert made.leaves_from == date(2025, 10, 11)
    assert all(d.window is None for d in made.days if d.day < date(2025, 10, 11))
    assert made.leaf_days == sum(1 for d in made.days if d.day >= date(2025, 10, 11))
    assert made.picking_days <= made.leaf_days < len(made.days)


class _Reader(HTMLParser):
    """Collects addresses and open tags."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note addresses."""
        self.addresses += [v or "" for k, v in attrs if k in ("src", "href", "xlink:href")]
        if tag not in ("meta", "link", "br", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Tags close in order."""
        assert self.open.pop() == tag


def test_page_asks_for_nothing_from_outside(season: Store, home: Path) -> None:
    """The page is one file: no address leads out of it, all marks resolve, what growers wrote is escaped."""
    html = report_page.page(gathered(season, home), JAM_S)
    reader = _Reader()
    reader.feed(html)
    assert reader.open == []
    assert all(a.startswith("#") for a in reader.addresses)
    assert not re.search(r"@import|url\((?!#)|<script", html)
    marks = re.findall(r'id="([^"]+)"', html)
    assert len(marks) == len(set(marks))
    assert {a[1:] for a in reader.addresses} | set(re.findall(r"url\(#([^)]+)\)", html)) <= set(marks)
    assert html.count("<svg") == 3
    for head in ("Temperatures", "Crops", "Picking", "Lid", "Alarms", "What to change next year"):
        assert f"<h2>{head}</h2>" in html


def test_advice_rests_on_figures(season: Store, home: Path) -> None:
    """The jam and the frost on tender crops are named with their figures; a quiet season gets praise."""
    said = " ".join(report_advice.advice(gathered(season, home)))
    assert "The lid stuck on one day, first on 2025-12-03" in said
    assert "leaf lettuce (" in said
    made = gathered(season, home)
    days = tuple(d for d in made.days if d.day.month == 10)
    quiet: dict[str, Any] = {"crops": (), "faults": (), "hours_wanted": 24 * len(days), "days": days}
    calm = report.SeasonReport(**{**made.__dict__, **quiet})
    assert report_advice.advice(calm) == ["Nothing stands out: do the same again, and look whether the crops agree."]


def test_command_writes_page_and_plain_pdf(
    run: Callable[..., Result], season: Store, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a browser the PDF is drawn plainly, and that is said."""
    monkeypatch.setattr(report_pdf, "browser", lambda: None)
    out = home / "north.html"
    text = run("report", "north", "--from", "2025-10-01", "--to", "2026-01-31", "--out", str(out), "--pdf").output
    assert "drawn plainly, since no browser was found" in text
    assert out.read_text("utf-8").startswith("<!doctype html>")
    assert out.with_suffix(".pdf").read_bytes().startswith(b"%PDF")
    body = json.loads(run("report", "north", "--from", "2025-10-01", "--to", "2026-01-31", "--json").output)
    assert body["alarms"][0]["kind"] == "stuck-shut"


@pytest.mark.slow
def test_pdf_is_printed_by_a_browser(season: Store, home: Path, chromium: str) -> None:
    """With a browser the page itself is printed."""
    made = gathered(season, home)
    path = home / "north.pdf"
    assert report_pdf.write(path, report_page.page(made, JAM_S), made, program=chromium) == "printed from the page"
    assert path.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--from", "2026-01-10", "--to", "2026-01-01"), "exchange --from and --to"),
        (("--from", "2020-01-10", "--to", "2020-02-01"), "has no readings from 2020-01-10"),
        (("--from", "tomorrow"), "is not a date"),
    ],
)
def test_wrong_days_are_refused(
    run: Callable[..., Result], season: Store, home: Path, words: tuple[str, ...], said: str
) -> None:
    """Days the wrong way round, without readings or not days at all: a sentence, and no file."""
    result = run("report", "north", *words, "--out", str(home / "x.html"), code=2)
    assert said in result.output
    assert not (home / "x.html").exists()


def test_unknown_frame(store: Store, home: Path) -> None:
    """A frame that is not registered is named with the nearest one."""
    with pytest.raises(InputError, match="Did you mean"):
        report.gather(store, config_file.read(home), home, "nort", FIRST, LAST)


def test_empty_parts_say_so(season: Store, home: Path) -> None:
    """A frame without plantings, alarms and diary still has a whole page."""
    made: Any = gathered(season, home)
    bare = report.SeasonReport(**{**made.__dict__, "crops": (), "alarms": (), "diary": (), "settings": ()})
    html = report_page.page(bare, JAM_S, fahrenheit=True)
    assert "No planting was entered" in html
    assert "None in these days." in html
    assert " F</td>" in html
