"""The same day over both brokers: real firmware in real MicroPython, real messages, every one as documented."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.reference.schemas import fault_of
from tests.system.stack import invented, local_s, stack

pytestmark = pytest.mark.system
DAY = date(2027, 2, 16)


@pytest.fixture(params=["embedded", "mosquitto"])
def kind(request: pytest.FixtureRequest) -> str:
    """Both brokers."""
    if request.param == "mosquitto":
        request.getfixturevalue("mosquitto")
    return str(request.param)


def test_a_day_over_the_broker(tmp_path: Path, kind: str, micropython: str) -> None:
    """Setpoints are confirmed, the lid opens in the sun and shuts, every reading sent is stored once, and every
    message fits the published schemas."""
    weather = invented(DAY, DAY, ["clear"])
    with stack(tmp_path, kind, weather, local_s(DAY, 8), interpreter=micropython) as town:
        town.rehearsal.run_until(local_s(DAY, 8, 3))
        assert town.send_setpoints()
        town.rehearsal.run_until(local_s(DAY, 13))
        store, frame = town.house.store, town.frame
        assert (town.house.service.live(frame).report or {})["interpreter"].startswith("micropython")
        assert [e for e in store.events(frame, limit=1000) if e.kind == "moved"], "the lid never moved"
        packs = [payload for topic, payload in town.wire.seen if topic.endswith("/readings")]
        rows = store.readings(frame, local_s(DAY), local_s(DAY, 23))
        assert len({(r.boot, r.seq) for r in rows}) == len(rows) == len(set(packs))
        assert len(rows) >= 5 * 60 - 10
        assert not town.house.service.inbox.refused
        faults = {topic: fault_of(topic, payload) for topic, payload in town.wire.seen}
        assert not {topic: fault for topic, fault in faults.items() if fault}
        suffixes = {topic.split("/", 2)[2] for topic in faults}
        assert suffixes >= {"presence", "readings", "report", "events", "settings/wanted", "settings/actual"}


def test_alone_without_broker(tmp_path: Path, kind: str, micropython: str) -> None:
    """With the broker gone for six hours of a sunny day the lid moves exactly as with it, and the readings of
    those hours are in the store afterwards."""
    from framesim.scenario import parse

    weather = invented(DAY, DAY, ["clear"])
    outage = '[[outage]]\npart = "broker"\nat = "2027-02-16T09:30"\nfor_s = 21600\n'
    moves, counts = [], []
    for number, scenario in enumerate((parse("", 1.0), parse(outage, 1.0))):
        home = tmp_path / str(number)
        with stack(home, kind, weather, local_s(DAY, 9), scenario=scenario, interpreter=micropython) as town:
            town.rehearsal.run_until(local_s(DAY, 9, 3))
            assert town.send_setpoints()
            town.rehearsal.run_until(local_s(DAY, 16))
            town.runner.drain()
            town.wire.settle(town.runner)
            moves.append(town.runner.record.moves())
            rows = town.house.store.readings(town.frame, local_s(DAY, 9, 30), local_s(DAY, 15, 30))
            counts.append(len(rows))
            assert not town.house.service.inbox.refused
    assert moves[0] == moves[1]
    assert len(moves[0]) >= 2
    assert counts[0] == counts[1] >= 6 * 60 - 5
