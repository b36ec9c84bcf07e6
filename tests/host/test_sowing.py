"""Sowing windows, the year's entries, the calendar feed."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sashkeeper.errors import InputError
from sashkeeper.report import pdf as report_pdf
from sashkeeper.season import calendar_page, crops, growth, ical_feed, sowing
from sashkeeper.season.calendar import Entry, Plan, eating_order, next_day_of, plan
from sashkeeper.season.growth import FrameDay
from sashkeeper.season.place import Season, Site, read_season
from sashkeeper.season.skyline import Skyline, read_pairs

BOOK = crops.load()
ZONE = ZoneInfo("America/New_York")
# The place of the trade's facts below. They are common practice, no source.
TRADE = Site(41.4, -75.6, ZONE, season=Season(first_snow=(10, 14), cold_onset=(12, 1)))


def _plan(*names: str, site: Site = TRADE) -> Plan:
    return plan(site, [BOOK.find(n) for n in names], 2026)


def test_trade_dates_lie_in_the_windows() -> None:
    """Near 41.4 N: spinach and mache direct in late September, arugula into October, kale in trays from late August.

    Source: common practice, no source.
    """
    made = {w.crop.id: w for w in _plan("spinach", "mache", "arugula", "kale").windows}
    for day in (date(2026, 9, 21), date(2026, 9, 25), date(2026, 9, 30)):
        assert made["spinach"].earliest <= day <= made["spinach"].last
        assert made["mache"].earliest <= day <= made["mache"].last
    assert made["arugula"].last >= date(2026, 10, 15)
    assert made["kale"].tray
    assert made["kale"].earliest <= date(2026, 8, 25) <= made["kale"].last
    assert not made["spinach"].tray
    care = next(e.text for e in _plan("kale").entries if e.key.endswith("-best"))
    assert "30 to 40 cm" in care


def test_light_is_lost_in_the_first_week_of_november() -> None:
    """The threshold can be edited so that the light is lost in the first week of November.

    Source: common practice, no source: 'lost' in the first week of November near 41.4 N, growth slow under about 9 h of
    light. Sunrise to sunset never falls under 9 h there; 9 h of sun over a 6 degree skyline, or 10.25 h of
    day, is lost in that week.
    """
    week = (date(2026, 11, 1), date(2026, 11, 7))
    longer = dataclasses.replace(TRADE, season=Season(growth_stops_h=10.25))
    assert week[0] <= sowing.darkness(longer, 2026).begins <= week[1]
    skyline = Skyline(read_pairs([[0, 6], [360, 6]]))
    lit = dataclasses.replace(TRADE, skyline=skyline, season=Season(growth_stops_h=9.0, light="lit"))
    assert week[0] <= sowing.darkness(lit, 2026).begins <= week[1]
    nine = dataclasses.replace(TRADE, season=Season(growth_stops_h=9.0))
    assert "never falls under 9 h" in sowing.darkness(nine, 2026).note


def test_first_snow_and_cold_onset_are_entries() -> None:
    """Snow on 14 October and the real cold in December stand in the year, and can be edited.

    Source of the two dates: common practice, no source.
    """
    days = {e.key.rsplit("-", 1)[1]: e for e in _plan("leaf-lettuce", "spinach").entries if e.key.count("-") == 1}
    assert days["snow"].day == date(2026, 10, 14)
    assert days["cold"].day == date(2026, 12, 1)
    assert "leaf lettuce" in days["cold"].text
    assert "spinach" not in days["cold"].text
    later = dataclasses.replace(TRADE, season=Season(cold_onset=(1, 5)))
    assert next(e.day for e in _plan("kale", site=later).entries if e.key.endswith("-cold")) == date(2027, 1, 5)


def test_vermont_spinach_of_mid_september_is_cut_in_mid_november() -> None:
    """Spinach sown on 15 September at 44.5 N is expected for its first cut around mid November.

    Source: report of a northern Vermont unheated tunnel: sown mid September, first cut mid November.
    """
    site = Site(44.5, -72.5, ZONE)
    dark = sowing.darkness(site, 2026)
    low, high = sowing._cut_by_factor(BOOK.find("spinach"), dark, date(2026, 9, 15))
    assert low <= date(2026, 11, 15) <= high + timedelta(days=7)


def test_carrots_at_44_north_are_sown_in_late_july_to_mid_august() -> None:
    """The window from earliest to best of winter carrots at 44 N is late July to mid August, within a week.

    Source: grower's note in the crop table (guide).
    """
    window = _plan("carrot", site=Site(44.0, -72.5, ZONE)).windows[0]
    assert abs((window.earliest - date(2026, 7, 25)).days) <= 7
    assert abs((window.best - date(2026, 8, 15)).days) <= 7


@pytest.mark.parametrize(
    ("days", "factor"), [(74, 1.2), (63, 1.4), (53, 1.7), (43, 2.2), (23, 3.0), (130, 1.0), (48, 1.95)]
)
def test_autumn_factor_rows(days: float, factor: float) -> None:
    """At the rows of the practice table the factor is the table's, between them on a straight line.

    Source: common practice at 44 N: late August 1.2, early September 1.4, mid September 1.7, late September 2.2.
    """
    assert sowing.autumn_factor(days) == pytest.approx(factor)


@given(st.floats(-60, 400))
def test_autumn_factor_only_falls_with_time_in_hand(days: float) -> None:
    """Sown earlier, a crop never takes more times longer."""
    assert sowing.autumn_factor(days) >= sowing.autumn_factor(days + 1.0) >= 1.0


@pytest.mark.parametrize("lat", [36.0, 41.4, 48.0, 56.0, -38.0, -44.0])
def test_windows_are_in_order_everywhere(lat: float) -> None:
    """Earliest, best, safe and last come in this order for every crop, north and south, and before the dark weeks."""
    site = Site(lat, 10.0, ZONE)
    made = plan(site, list(BOOK.crops.values()), 2026)
    for w in made.windows:
        assert w.earliest <= w.best <= w.safe <= w.last < made.dark.begins, w.crop.id
        assert w.best < w.first_cut[0] <= w.first_cut[1]
        assert list(w.repeats) == sorted(set(w.repeats))
        assert w.earliest == w.repeats[0]
    assert len(made.windows) == 21


def test_the_best_day_is_the_rule_by_hand() -> None:
    """Spinach at 41.4 N: the best day leaves 0.75 of 45 days times the factor, and 14 days, to the dark weeks.

    Source: hand calculation of the day-length rule: on 10 September 63 days are left, 33.75 x 1.40 + 14 = 61.3;
    on 11 September 62 are left and 33.75 x 1.43 + 14 = 62.3 needed.
    """
    made = _plan("spinach")
    assert made.dark.begins == date(2026, 11, 12)
    assert made.windows[0].best == date(2026, 9, 10)


def test_repeat_sowings_get_closer_towards_the_deadline() -> None:
    """Repeats are a week apart until the best day, and four days after it."""
    w = _plan("spinach").windows[0]
    for a, b in zip(w.repeats, w.repeats[1:], strict=False):
        assert (b - a).days == (7 if a < w.best else 4)


def test_polar_night_is_refused() -> None:
    """Where the sun does not rise no date is invented."""
    with pytest.raises(InputError, match="sun does not rise"):
        sowing.darkness(Site(70.0, 20.0, ZONE), 2026)
    pit = Site(60.0, 20.0, ZONE, skyline=Skyline(read_pairs([[0, 12], [360, 12]])), season=Season(light="lit"))
    with pytest.raises(InputError, match="over your skyline"):
        sowing.darkness(pit, 2026)


@pytest.mark.parametrize(
    ("table", "part"),
    [
        ({"growth_stops_h": 30}, "growth_stops_h is 30"),
        ({"growth_stop_h": 10}, 'Did you mean "growth_stops_h"?'),
        ({"light": "moon"}, '"sky"'),
        ({"first_snow": "14 Oct"}, "month-day"),
        ({"cold_onset": "13-01"}, "month-day"),
        ({"margin_days": True}, "margin_days"),
        ({"baby": 1}, "true or false"),
    ],
)
def test_wrong_season_settings_are_refused(table: dict[str, object], part: str) -> None:
    """Every wrong value of the season is refused in words."""
    with pytest.raises(InputError, match=part):
        read_season(table)


def test_the_29th_of_february_is_found_in_every_winter() -> None:
    """A cold onset on 29 February is 28 February in a winter without one."""
    assert next_day_of((2, 29), 2026, 41.4) == date(2027, 2, 28)
    assert next_day_of((2, 29), 2027, 41.4) == date(2028, 2, 29)
    assert next_day_of((6, 1), 2026, -41.4) == date(2026, 6, 1)


def test_tender_crops_are_eaten_first() -> None:
    """What frost hurts first comes first: lettuce before arugula before spinach before mache."""
    order = [c.id for c in eating_order([BOOK.find(n) for n in ("mache", "spinach", "arugula", "leaf-lettuce")])]
    assert order == ["leaf-lettuce", "arugula", "spinach", "mache"]


def test_seed_and_plants_for_a_share_by_hand() -> None:
    """Half of 2 m2 of spinach: 9.09 m of band at 11 cm, 1182 seeds; 41.7 plants at 30 x 8 cm."""
    need = sowing.shares(2.0, 0.5, BOOK.find("spinach"))
    assert need["band_m"] == pytest.approx(1 / 0.11)
    assert need["baby_seeds"] == pytest.approx(130 / 0.11)
    assert need["full_plants"] == pytest.approx(1 / (0.30 * 0.08))
    for area, share in ((0, 0.5), (2, 1.2), (2, 0), (-1, 1)):
        with pytest.raises(InputError):
            sowing.shares(area, share, BOOK.find("spinach"))


# ---- growth -----------------------------------------------------------------------------------


def test_effective_degree_days_of_the_worked_example() -> None:
    """D = 10 and f R = 10 give 5; no warmth gives 0; light without end gives D.

    Source: the harmonic form 1/E = 1/D + 1/(f R), Scaife, Cox and Morris 1987 (form from memory); worked by hand.
    """
    assert growth.effective_degree_days(10, 10, 1.0) == pytest.approx(5)
    assert growth.effective_degree_days(10, 20 / 3, 1.5) == pytest.approx(5)
    assert growth.effective_degree_days(0, 10) == 0
    assert growth.effective_degree_days(10, 0) == 0
    assert growth.effective_degree_days(10, 1e12) == pytest.approx(10)


@given(st.floats(0.01, 40), st.floats(0.01, 30))
def test_effective_degree_days_never_exceed_either_limit(warmth: float, light: float) -> None:
    """Neither more than the warmth nor more than the light allows."""
    got = growth.effective_degree_days(warmth, light, 1.5)
    assert 0 < got <= min(warmth, 1.5 * light) + 1e-9


@pytest.mark.parametrize(
    ("mean", "wanted"), [(-5, 0), (2, 0), (12, 10), (20, 18), (23.5, 9), (27, 0), (40, 0)]
)
def test_degree_days_of_spinach_by_hand(mean: float, wanted: float) -> None:
    """Spinach (base 2, best to 20, none at 27): by hand from the straight lines."""
    assert growth.degree_days(mean, 2.0, 20.0, 27.0) == pytest.approx(wanted)


def test_a_season_of_degree_days_worked_by_hand() -> None:
    """Thirty days at 12 degC give spinach 300 degC d above 2 degC, within its 294 to 490 for baby leaf.

    Source: crop table, degree-days derived as days at 16 degC; 21 days x 14 = 294.
    """
    spinach = BOOK.find("spinach")
    assert growth.plain_need(spinach, spinach.baby_days) == pytest.approx(spinach.baby_degc_days)
    days = [FrameDay(date(2026, 9, 1) + timedelta(days=n), 12.0, 12.0, 1e9) for n in range(30)]
    assert growth.summed(spinach, days) == pytest.approx(300.0, rel=1e-6)


def _even_days(mean: float, light: float) -> Sequence[FrameDay]:
    return [FrameDay(date(2026, 6, 22) + timedelta(days=n), mean, mean, light) for n in range(300)]


def test_at_the_reference_a_crop_takes_its_days_to_harvest() -> None:
    """In days like the reference, 16 degC and 10 MJ/m2, baby spinach is there after its 21 days."""
    spinach = BOOK.find("spinach")
    need = growth.effective_need(spinach, spinach.baby_days)[0]
    got = growth.day_reached(spinach, date(2026, 7, 1), need, _even_days(16.0, 10.0))
    assert got is not None
    assert abs((got - date(2026, 7, 1)).days - 20) <= 1


def test_colder_or_duller_days_move_the_window_earlier() -> None:
    """In colder or darker frames a crop has to be sown earlier."""
    dark = sowing.darkness(TRADE, 2026)
    best = []
    for mean, light in ((16.0, 10.0), (11.0, 10.0), (11.0, 4.0)):
        window = sowing.by_degree_days(BOOK.find("spinach"), dark, TRADE.season, _even_days(mean, light))
        assert window is not None
        assert window.earliest <= window.best <= window.safe <= window.last
        best.append(window.best)
    assert best[0] > best[1] > best[2]


def test_where_nothing_grows_no_window_is_promised() -> None:
    """In a frame at 1 degC the degree-day rule gives no window, and the plan says so and falls back."""
    dark = sowing.darkness(TRADE, 2026)
    assert sowing.by_degree_days(BOOK.find("spinach"), dark, TRADE.season, _even_days(1.0, 5.0)) is None
    made = plan(TRADE, [BOOK.find("spinach")], 2026, _even_days(1.0, 5.0))
    assert made.windows[0].rule == "day length"
    assert "no date by degree-days" in made.notes[0]


# ---- the feed ---------------------------------------------------------------------------------


def _feed(entries: Sequence[Entry], name: str = "Sowing") -> str:
    return ical_feed.feed(entries, ical_feed.editions(entries, {}, 1_790_000_000), name)


NASTY = Entry("2026-x-best", date(2026, 12, 31), 3, "Lettuce; mache, \\ kale", "Zeile 1\nzwei: „Grüße“ 🌱" * 9)


def test_the_feed_reads_back_with_icalendar() -> None:
    """A library that reads RFC 5545 finds every entry with its days, title and text."""
    import icalendar

    entries = [*_plan("spinach", "mache", "kale").entries, NASTY]
    read = icalendar.Calendar.from_ical(_feed(entries))
    events = {str(e["UID"]): e for e in read.walk("VEVENT")}
    assert len(events) == len(entries)
    for e in entries:
        got = events[f"{e.key}@sashkeeper"]
        assert got["DTSTART"].dt == e.day
        assert got["DTEND"].dt == e.day + timedelta(days=e.days)
        assert str(got["SUMMARY"]) == e.title
        assert str(got["DESCRIPTION"]) == e.text


def test_the_feed_reads_back_with_a_second_library() -> None:
    """Another, independent reader finds the same."""
    stream = pytest.importorskip("ical.calendar_stream")
    entries = [*_plan("spinach", "kale").entries, NASTY]
    read = stream.IcsCalendarStream.calendar_from_ics(_feed(entries))
    events = {e.uid: e for e in read.events}
    assert len(events) == len(entries)
    for e in entries:
        got = events[f"{e.key}@sashkeeper"]
        assert (got.dtstart, got.dtend) == (e.day, e.day + timedelta(days=e.days))
        assert (got.summary, got.description) == (e.title, e.text)


def test_lines_are_folded_at_75_bytes_without_cutting_a_letter() -> None:
    """No line is longer than 75 bytes, each ends with CRLF, and no letter is cut in two.

    Source: RFC 5545, section 3.1.
    """
    raw = _feed([NASTY]).encode("utf-8")
    assert raw.endswith(b"\r\n")
    lines = raw[:-2].split(b"\r\n")
    assert max(len(x) for x in lines) <= 75
    for line in lines:
        line.decode("utf-8")
    assert b"\n" not in b"".join(lines)


@given(st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=300))
def test_folding_loses_nothing(text: str) -> None:
    """Unfolding gives the line back, whatever it holds."""
    folded = ical_feed.fold(text)
    assert folded.replace("\r\n ", "") == text
    assert all(len(p.encode()) <= 75 for p in folded.split("\r\n"))


def test_the_sequence_counts_changes_only() -> None:
    """An unchanged entry keeps its number and stamp; a moved one counts up and keeps its name."""
    first = [Entry("2026-kale-best", date(2026, 9, 1), 1, "a", "b"), NASTY]
    one = ical_feed.editions(first, {}, 100)
    kept = ical_feed.editions(first, ical_feed.recall(ical_feed.remember(one)), 200)
    assert kept == one
    moved = ical_feed.editions([dataclasses.replace(first[0], day=date(2026, 9, 3)), NASTY], one, 300)
    assert (moved["2026-kale-best"].sequence, moved["2026-kale-best"].changed_s) == (1, 300)
    assert moved[NASTY.key] == one[NASTY.key]


def test_the_page_is_whole_and_escapes_what_growers_write() -> None:
    """The printed page holds every crop and loads nothing from elsewhere; names cannot break it."""
    site = dataclasses.replace(TRADE, name="<b>Top & Hill</b>")
    html = calendar_page.page(_plan("spinach", "mache", "kale", site=site))
    assert "&lt;b&gt;Top &amp; Hill&lt;/b&gt;" in html
    for part in ("Spinach", "Mache", "Kale (tray)", "Dark weeks"):
        assert part in html
    for foreign in ("http://", "https://", "<script", "url("):
        assert foreign not in html


@pytest.mark.slow
def test_a_whole_year_prints_on_one_page(tmp_path: Path, chromium: str) -> None:
    """All crops of the book, the year's days and three slots of a bed fit one sheet, as a browser prints it."""
    made = _plan(*BOOK.crops)
    free = [Entry(f"north-{n}-free", date(2027, 4, 16), 1, "North: 30 % of the bed free (spinach)",
                  "About this day: cut again until it bolts. For spring: pea shoots, komatsuna, mizuna and 9 more.")
            for n in range(3)]  # fmt: skip
    page, out = tmp_path / "year.html", tmp_path / "year.pdf"
    page.write_text(calendar_page.page(dataclasses.replace(made, entries=(*made.entries, *free))), encoding="utf-8")
    report_pdf._print(out, page.read_text("utf-8"), chromium)
    assert len(re.findall(rb"/Type\s*/Page\b", out.read_bytes())) == 1
