"""What comes free in a bed, when, and what is still worth sowing there."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sashkeeper.clock import SetClock
from sashkeeper.errors import InputError
from sashkeeper.season import crops, planting_next
from sashkeeper.season.place import Season, Site
from sashkeeper.season.planting_next import Planner, Slot, sow_words
from sashkeeper.store import Planting, Store

BOOK = crops.load()
SITE = Site(41.4, -75.6, ZoneInfo("America/New_York"))  # dark weeks 12 November to 31 January
Run = Callable[..., Any]


def stand(crop: str, since: str, share: int, until: str | None = None, **data: str) -> Planting:
    """A planting in north."""
    return Planting(1, "north", crop, since, until, share, data)


def one(planting: Planting, today: date) -> Slot:
    """The slot that a single planting leaves."""
    return next(s for s in Planner(SITE, BOOK).slots("north", [planting], today) if s.leaves is not None)


def test_a_crop_cut_once_leaves_when_it_is_grown() -> None:
    """Radish sown on 20 August is grown after 35 days times the autumn's factor, and arugula can still follow.

    By hand: 84 days before the dark weeks the factor lies 10/46 of the way from 1.2 to 1.0: 1.157, so 40 days.
    """
    slot = one(stand("radish", "2026-08-20", 300), date(2026, 9, 12))
    assert slot.since == date(2026, 8, 20) + timedelta(days=40)
    named = {s.crop.id: s for s in slot.sow}
    assert named["arugula"].until == date(2026, 10, 22)
    assert "Still worth it" in sow_words(slot)
    assert "arugula (until 22 Oct)" in sow_words(slot)


def test_what_is_cut_again_stands_until_it_bolts() -> None:
    """Spinach of early September makes room 75 days after the light is back, and then it is time for spring crops."""
    slot = one(stand("spinach", "2026-09-01", 400), date(2026, 11, 25))
    assert slot.since == date(2027, 1, 31) + timedelta(days=75)
    assert {s.how for s in slot.sow} == {"sow for spring"}
    assert sow_words(slot).startswith("For spring: ")


def test_what_is_not_grown_before_the_dark_waits_in_the_bed() -> None:
    """Mache of late September is eaten over the dark weeks: its place is free when the light is back."""
    assert one(stand("mache", "2026-09-20", 300), date(2026, 11, 25)).since == date(2027, 1, 31)


def test_the_growers_own_day_counts() -> None:
    """A day of leaving that was entered is taken as it is; one that is past leaves the slot free today."""
    assert one(stand("spinach", "2026-09-01", 400, until="2026-12-01"), date(2026, 11, 25)).since == date(2026, 12, 1)
    late = one(stand("radish", "2026-08-20", 300), date(2026, 11, 25))
    assert late.since == date(2026, 11, 25)
    assert "could be cleared" in late.why


def test_free_share_and_leaving_shares_add_up_to_the_bed() -> None:
    """What is free now and what comes free are the whole bed, the soonest first."""
    bed = [stand("radish", "2026-08-20", 300), stand("spinach", "2026-09-01", 450)]
    slots = Planner(SITE, BOOK).slots("north", bed, date(2026, 9, 12))
    assert [s.share_permille for s in slots] == [250, 300, 450]
    assert [s.since for s in slots] == sorted(s.since for s in slots)
    assert Planner(SITE, BOOK).slots("north", [stand("kale", "2026-09-01", 1000)], date(2026, 9, 12))[0].leaves


def test_trays_are_counted_back_from_planting_out() -> None:
    """Kale goes in as young plants: what is planted out on a day was sown in trays four weeks before."""
    slot = Planner(SITE, BOOK).slots("north", [], date(2026, 9, 12))[0]
    kale = next(s for s in slot.sow if s.crop.id == "kale")
    assert kale.how == "plant out"
    assert kale.until == date(2026, 10, 22) + timedelta(days=28)
    assert "kale" not in [s.crop.id for s in Planner(SITE, BOOK).worth(date(2026, 9, 11))[0]]  # sown 14 Aug: too early


@pytest.mark.parametrize(
    ("day", "said"),
    [
        (date(2026, 11, 25), "Nothing more for this winter; sow for spring when the light is back, 31 Jan."),
        (date(2027, 6, 1), "Summer is too hot under a lid"),
        (date(2027, 7, 1), "Too early for winter: sowing begins with"),
    ],
)
def test_a_slot_nobody_can_sow_says_why(day: date, said: str) -> None:
    """Out of season a slot says what to wait for."""
    slot = Planner(SITE, BOOK).slots("north", [], day)[0]
    assert slot.sow == ()
    assert said in sow_words(slot)


def test_spring_sowings_follow_the_soil() -> None:
    """In spring only crops that come up within three weeks in the soil as it is are named."""
    cold = {s.crop.id for s in Planner(SITE, BOOK, 4.0).worth(date(2027, 2, 20))[0]}
    warm = {s.crop.id for s in Planner(SITE, BOOK, 14.0).worth(date(2027, 2, 20))[0]}
    assert cold < warm
    spinach = [stand("spinach", "2026-09-01", 1000)]
    april = Planner(SITE, BOOK, 2.0).slots("north", spinach, date(2027, 1, 15))[0]  # today's soil says nothing of April
    assert april.since == date(2027, 4, 16)
    assert len(april.sow) > len(cold)
    assert planting_next.soil_now({date(2027, 2, 18): 6.0, date(2027, 1, 1): 1.0}, date(2027, 2, 20)) == 6.0


def test_polar_night_has_no_slots() -> None:
    """Where the sun does not rise, no date is invented."""
    site = Site(70.0, 20.0, SITE.zone, season=Season())
    with pytest.raises(InputError, match="sun does not rise"):
        Planner(site, BOOK).slots("north", [], date(2026, 9, 12))


def test_the_command_and_the_year_view_say_it(run: Run, store: Store, clock: SetClock, tmp_path: Path) -> None:
    """plant next tells it in words and JSON; the calendar, its page and its feed carry the same days."""
    clock.set(datetime(2026, 9, 12, 17, tzinfo=UTC).timestamp())
    run("site", "set", "--lat", "41.4", "--lon", "-75.6")
    run("plant", "add", "north", "radish", "--since", "2026-08-20", "--share", "0.3")
    run("plant", "add", "north", "spinach", "--since", "2026-09-01", "--share", "0.5")
    text = " ".join(run("plant", "next", "north").output.split())
    assert "north: 20 % of the bed is free now. Still worth it:" in text
    assert "30 % of the bed comes free about 2026-09-29 (radish: cut once, when it is grown)" in text
    rows = json.loads(run("plant", "next", "--area", "2", "--json").output)
    assert [r["free_from"] for r in rows] == ["2026-09-12", "2026-09-29", "2027-04-16"]
    arugula = next(s for s in rows[0]["sow"] if s["crop"] == "arugula")
    assert arugula["seeds_or_plants"] == round(0.4 / 0.08 * BOOK.find("arugula").baby_seeds_per_m)
    page, feed = tmp_path / "a.html", tmp_path / "a.ics"
    run("calendar", "spinach", "--page", str(page), "--ics", str(feed))
    assert "30 % of the bed free (radish)" in page.read_text()
    assert b"north-1-free@sashkeeper" in feed.read_bytes()
    assert 'Did you mean "north"' in run("plant", "next", "nrth", code=2).output
