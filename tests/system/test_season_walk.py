"""The grower's walk through a whole winter, and a few of its days over a real broker.

Source of the weather: TMY3 723170, Greensboro Piedmont Triad Int, NC (NREL), as shipped with pvlib; frames,
garden and grower are invented.
"""

from __future__ import annotations

import json
import re
import time
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from framesim.faults import Fault
from sash import settings as controller
from sashkeeper.cli import main
from sashkeeper.context import App
from sashkeeper.rehearsal import rehearse
from sashkeeper.season import crop_state
from sashkeeper.season.place import need_site
from sashkeeper.season.season_keeper import SeasonKeeper
from tests.system.season import FIRST, LAST, PLACE, ZONE, Garden, local_s, next_day
from tests.system.stack import stack

pytest.importorskip("pvlib")
NORTH = (("spinach", 0.4), ("mache", 0.3), ("arugula", 0.3))
SOUTH = (("kale", 0.3), ("leaf lettuce", 0.4), ("claytonia", 0.3))
TIE_ON, PROBE_OFF = date(2026, 11, 20), date(2027, 1, 12)


class Grower:
    """Plans, sows, mends and picks; knows only what the program says."""

    def __init__(self, garden: Garden) -> None:
        self.garden, self.house = garden, garden.house
        self.site = need_site(self.house.config)
        self.in_force: dict[str, dict[date, dict[str, int]]] = {f: {} for f in garden.runners}
        self.picked_leaf_degc: list[float] = []
        self.asked = 0

    def run(self, *words: str) -> str:
        """Give a command in the garden's home folder; it has to succeed."""
        app = App(self.house.home, clock=self.house.clock)
        try:
            result = CliRunner().invoke(main, list(words), obj=app)
        finally:
            app.close()
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == 0, result.output
        return result.output

    def plan(self) -> dict[date, list[tuple[str, str, float]]]:
        """Days of sowing from the program's calendar: its best day, or today where that is past."""
        days: dict[date, list[tuple[str, str, float]]] = {}
        for frame, crops in (("north", NORTH), ("south", SOUTH)):
            body = json.loads(self.run("calendar", *(c for c, _ in crops), "--winter", "2026", "--json"))
            best = {w["crop"]: date.fromisoformat(w["best"]) for w in body["windows"]}
            assert len(best) == 3
            for crop, share in crops:
                day = max(best[crop.replace(" ", "-")], next_day(FIRST))
                days.setdefault(day, []).append((frame, crop, share))
        return days

    def live(self) -> None:
        """From late August to April, a day at a time."""
        plan = self.plan()
        day = FIRST
        while day < LAST:
            for frame, crop, share in plan.get(day, ()):
                self.garden.until(day, 9)
                self.garden.sow(frame, crop, day, share)
            if day == TIE_ON:
                self.tie(day)
            if day == PROBE_OFF:
                self.probe(day)
            if day.weekday() == 5 and day.month in (11, 12, 1, 2, 3):
                self.pick(day)
            self.garden.until(next_day(day))
            for frame in self.in_force:
                actual = self.house.store.actual(frame)
                if actual is not None:
                    self.in_force[frame][day] = dict(actual.body["settings"])
            day = next_day(day)

    def tie(self, day: date) -> None:
        """First fault: the storm tie is left on over a sunny day."""
        faults, tie, hands = self.garden.runners["north"].frame.faults, Fault("lid", "latch"), Fault("hold", "pressed")
        self.garden.until(day, 5)
        faults.start(tie)
        self.garden.until(next_day(day, 3), 15)
        faults.start(hands)
        faults.end(tie)
        self.garden.until(next_day(day, 3), 16)
        faults.end(hands)

    def probe(self, day: date) -> None:
        """Second fault: a mouse at the cable of the air probe; mended the next afternoon."""
        faults, gone = self.garden.runners["south"].frame.faults, Fault("probe-air", "no-answer")
        self.garden.until(day, 6)
        faults.start(gone)
        self.garden.until(next_day(day), 15)
        faults.end(gone)

    def pick(self, day: date) -> None:
        """Saturday noon: ask, and cut only when the program says so."""
        self.garden.until(day, 13)
        for frame, runner in self.garden.runners.items():
            self.asked += 1
            found = crop_state.picking_of(self.house.store, frame, self.garden.rehearsal.now_s, self.site)
            if found.now.yes:
                self.picked_leaf_degc.append(float(runner.frame.model.leaf_degc))
                self.house.store.diary_add(self.garden.rehearsal.now_s, "picked", found.now.why, frame=frame)


@pytest.fixture(scope="module")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The whole walk, once."""
    home = tmp_path_factory.mktemp("walk")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rehearse, "TICK_S", 60.0)  # the service looks around every minute: enough for a winter
        # The one shortcut of the frames: a step a minute while the lid rests (an ordinary frame takes twelve).
        garden = Garden(home, FIRST, rest_ms=60_000)
        grower = Grower(garden)
        begun = time.monotonic()
        grower.live()
        print(f"\n{(LAST - FIRST).days} days, two frames, {garden.rehearsal.wire.messages} messages: "  # type: ignore[attr-defined]
              f"{time.monotonic() - begun:.0f} s")  # fmt: skip
        yield grower
        garden.close()


pytestmark = [pytest.mark.slow, pytest.mark.system, pytest.mark.timeout(3600)]


def test_setpoints_follow_the_season(winter: Grower) -> None:
    """Both frames take new setpoints as crops come up, harden and rest, without anybody setting anything."""
    store = winter.house.store
    for frame, days in winter.in_force.items():
        sent = [s for s in store.settings_sent(frame, 1000) if s.why.startswith("season:")]
        assert len(sent) >= 3, frame
        assert {s.outcome for s in sent} == {"taken"}
        autumn, midwinter, spring = (days[d] for d in (date(2026, 11, 10), date(2026, 12, 20), date(2027, 3, 20)))
        # Young leaves are kept shut in colder air and at higher closing temperatures; resting ones are not.
        for name in ("close_mdegc", "min_outside_mdegc"):
            assert midwinter[name] < autumn[name], (frame, name)
            assert midwinter[name] < spring[name], (frame, name)
        for settings in days.values():
            assert controller.check(settings) == []


def test_both_faults_are_told_and_over(winter: Grower) -> None:
    """The tied lid and the dead probe each raise their alarm on their day, and both are over by spring."""
    store = winter.house.store
    stuck = [a for a in store.alarm_list(frame="north") if a.kind.startswith("stuck-shut")]
    lost = [a for a in store.alarm_list(frame="south") if a.kind in ("probe-lost", "blind-lid")]
    assert any(local_s(TIE_ON) <= a.opened_s < local_s(next_day(TIE_ON, 4)) for a in stuck)
    assert any(0 <= a.opened_s - local_s(PROBE_OFF, 6) < 900 for a in lost)
    assert all(a.closed_s is not None for a in stuck + lost)


def test_leaves_are_cut_only_thawed(winter: Grower) -> None:
    """On most Saturdays something can be cut, never while the leaves are frozen."""
    assert len(winter.picked_leaf_degc) >= winter.asked // 2
    assert min(winter.picked_leaf_degc) > 0.0


def test_report_is_printed(winter: Grower, tmp_path: Path, chromium: str) -> None:
    """One page a frame, asking for nothing from outside; its figures are those of the store."""
    out = tmp_path / "north.html"
    last = next_day(LAST, -1)
    body = json.loads(winter.run("report", "north", "--from", FIRST.isoformat(), "--to", last.isoformat(),
                                 "--out", str(out), "--pdf", "--json"))  # fmt: skip
    html = out.read_text("utf-8")
    assert not re.search(r'(?:src|href)="(?!#)', html)
    assert "@import" not in html
    assert out.with_suffix(".pdf").read_bytes().startswith(b"%PDF")
    store = winter.house.store
    assert body["moves"] == len(store.events("north", local_s(FIRST), local_s(LAST), kind="moved"))
    assert {c["crop"] for c in body["crops"]} == {"spinach", "mache", "arugula"}
    assert len(body["alarms"]) == len(store.alarm_list(frame="north"))
    coldest = min(v for _, v in store.series("north", "air", local_s(FIRST), local_s(LAST)))
    assert body["lowest_degc"] == pytest.approx(coldest, abs=0.01)
    assert body["hours_with_readings"] >= 24 * ((LAST - FIRST).days) - 24


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_a_few_days_over_a_broker(tmp_path: Path, kind: str, mosquitto: str, micropython: str) -> None:
    """The same over a real broker with the firmware in its own interpreter: the frame takes the season's setpoints."""
    from tests.system.season import greensboro

    start = date(2026, 11, 25)
    crops = (("spinach", "2026-09-24", 0.6), ("mache", "2026-09-16", 0.4))
    with stack(tmp_path, kind, greensboro(), local_s(start), PLACE, crops) as one:
        house = one.house
        house.service.season = SeasonKeeper(house.store, house.config, house.home, house.outbox)
        one.rehearsal.run_until(local_s(next_day(start, 2), 12))
        actual = house.store.actual(one.frame)
        assert actual is not None
        wanted = {k: v for k, v in house.suggested(one.frame).items() if k != "elevation"}
        assert {k: actual.body["settings"][k] for k in wanted} == wanted
        sent = house.store.settings_sent(one.frame, 50)
        assert [s.outcome for s in sent] == ["taken"] * len(sent)
        assert any("resting" in s.why for s in sent)
        assert datetime.fromtimestamp(house.clock.now_s(), ZONE).date() == next_day(start, 2)
