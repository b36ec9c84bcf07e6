"""The stack under weather that was really measured: the TMY3 year of Greensboro, North Carolina.

Source: station 723170, typical meteorological year 3 (Wilcox and Marion 2008), as shipped in the data folder of
the pvlib package.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.system.stack import stack

pvlib = pytest.importorskip("pvlib")
GREENSBORO = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
PLACE = {"name": "Greensboro", "lat_deg": 36.1, "lon_deg": -79.95, "timezone": "America/New_York"}
DAYS = 14


@pytest.mark.slow
@pytest.mark.system
@pytest.mark.timeout(1500)
def test_fourteen_winter_days_in_micropython(
    tmp_path: Path, micropython: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """For fourteen January days the MicroPython firmware keeps the frame from ever passing 35 C, shuts every
    evening, loses no reading and rings no alarm about its lid."""
    from framesim import weather

    read = weather.read(str(GREENSBORO))
    start_s = datetime(2027, 1, 10, 5, tzinfo=UTC).timestamp()
    air, opens = [], []
    with stack(tmp_path, "embedded", read, start_s, place=PLACE, interpreter=micropython, drain_at=6) as town:
        town.runner.hooks.on_step = lambda r: (air.append(r.frame.model.air_degc), opens.append(r.frame.open_frac))
        town.rehearsal.run_until(start_s + 180)
        assert town.send_setpoints()
        nights_open = 0
        for day in range(DAYS):
            town.rehearsal.run_until(start_s + day * 86_400 + 22 * 3600)  # 22:00 local standard time
            nights_open += town.runner.frame.open_frac > 0.003  # the shut switch makes from there on
        town.rehearsal.run_until(start_s + DAYS * 86_400)
        town.runner.drain()
        town.wire.settle(town.runner)
        store = town.house.store
        rows = store.readings(town.frame, start_s, start_s + DAYS * 86_400)
        moved = [e for e in store.events(town.frame, limit=5000) if e.kind == "moved"]
        lid = [a.kind for a in store.alarm_list(limit=500) if "stuck" in a.kind or a.kind in ("no-drop", "moved-alone")]
        assert nights_open == 0
        assert max(air) < 35.0
        assert len(rows) >= DAYS * 1440 - 10
        assert len(moved) >= DAYS
        assert lid == []
        assert not town.house.service.inbox.refused
    with capsys.disabled():
        print(f"\nGreensboro, {DAYS} days: {max(air):.1f} C at most, {min(air):.1f} at least, {len(moved)} moves, "
              f"{len(rows)} readings")  # fmt: skip


@pytest.mark.slow
def test_a_winter_of_three_lids(capsys: pytest.CaptureFixture[str]) -> None:
    """From November to March the law must leave fewer hours above 30 C than a lid that is shut or fixed at
    10 %, and fewer hours below 0 C than the fixed one."""
    import json

    from click.testing import CliRunner

    from sashkeeper.cli import main

    hours = {}
    for lid in ("closed", "fixed:0.10", "law"):
        command = ["simulate", "--weather", str(GREENSBORO), "--lid", lid, "--from", "11-01", "--to", "03-31", "--json"]
        result = CliRunner().invoke(main, command)
        assert result.exit_code == 0, result.output
        found = json.loads(result.output)
        hours[lid] = (found["hours_above"]["30"], found["hours_below"]["0"])
    with capsys.disabled():
        print(f"\nGreensboro, hours above 30 C and below 0 C: {hours}")
    assert hours["law"][0] < min(hours["closed"][0], hours["fixed:0.10"][0])
    assert hours["law"][1] < hours["fixed:0.10"][1]
