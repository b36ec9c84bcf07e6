"""The core and what it keeps: settings, self-checks, what a restart finds.

Every message is checked against its published schema.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law, lid_table, signing

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import KEY, CoreBench

SCORCHING = 34_000


# -- settings --------------------------------------------------------------------------------------------
def test_settings_are_merged_stored_and_confirmed() -> None:
    """A subset is laid over what is in force; the whole set is stored and told."""
    bench = CoreBench().run(70)
    bench.want(5, open_mdegc=20_000, close_mdegc=12_000)
    actual = bench.last("settings/actual")
    assert (actual["n"], actual["settings"]["open_mdegc"], actual["refused"]) == (5, 20_000, None)
    assert actual["settings"]["lat_mdeg"] == 45_000
    assert bench.saved["settings"]["n"] == 5
    bench.temperatures["air"] = 19_000
    bench.run(60)
    assert bench.at == 0
    bench.start().run(10)
    assert (bench.core.settings_n, bench.core.settings["open_mdegc"]) == (5, 20_000)


def test_bad_settings_change_nothing_and_say_all_that_is_wrong() -> None:
    """One wrong value refuses the whole set; the answer names every fault; the same again is not told twice."""
    bench = CoreBench().run(70)
    bench.want(5, open_mdegc=99_000, warn_s=3, colour=1)
    actual = bench.last("settings/actual")
    assert actual["n"] == 1
    assert actual["refused"]["n"] == 5
    assert "colour: no setting has this name" in actual["refused"]["why"]
    assert "open_mdegc: 99000" in actual["refused"]["why"]
    assert bench.core.settings["warn_s"] == 5
    count = len(bench.messages)
    bench.want(5, open_mdegc=99_000, warn_s=3, colour=1)
    assert len(bench.messages) == count
    bench.want(6, warn_s=3)
    assert bench.last("settings/actual")["refused"] is None


def test_old_settings_are_refused() -> None:
    """A set with a lower number must not come back; the one in force, sent again, is no news."""
    bench = CoreBench().run(70)
    bench.want(5, warn_s=3)
    bench.want(4, warn_s=9)
    assert bench.core.settings["warn_s"] == 3
    assert bench.events("refused")[-1]["why"] == "old"
    count = len(bench.messages)
    bench.want(5, warn_s=3)
    assert len(bench.messages) == count


def test_settings_that_are_no_dict_are_refused() -> None:
    """A list instead of named values is no set."""
    bench = CoreBench().run(70)
    body = {"n": 7, "settings": [1, 2]}
    bench.step(("settings/wanted", signing.seal(bytes.fromhex(KEY), "frames/north/settings/wanted", body)))
    assert bench.last("settings/actual")["refused"] == {"n": 7, "why": "settings: is missing"}


@pytest.mark.parametrize("record", [{}, {"n": 3}, {"n": 3, "settings": {"open_mdegc": 1}}, {"n": 3, "settings": 7}])
def test_lost_settings_mean_built_in_ones_and_a_fault(record: dict[str, object]) -> None:
    """With nothing usable stored the frame works on with the built-in set, and says so until a set arrives."""
    bench = CoreBench()
    bench.saved["settings"] = record
    bench.start().run(70)
    assert "settings-lost" in bench.faults
    assert (bench.core.settings_n, bench.core.settings["open_mdegc"]) == (0, 15_000)
    bench.want(9, report_s=120)
    assert "settings-lost" not in bench.faults


def test_first_start_ever_has_lost_nothing() -> None:
    """A new board begins with the built-in settings and no fault."""
    bench = CoreBench()
    bench.saved = {}
    bench.boot = 0
    bench.start().run(70)
    assert bench.faults == []


# -- self-checks -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("what", ["hold", "safe", "setpoint", "position", "state"])
def test_disturbed_memory_stops_all_movement(what: str) -> None:
    """One copy changed: safe mode, fault, no movement; "auto" from a person brings it back after the minute."""
    bench = CoreBench().run(70)
    core = bench.core
    if what == "hold":
        core._cells._values[0] ^= 4
    elif what == "safe":
        core._cells._mirror[2] ^= 1
    elif what == "setpoint":
        core._law_settings._values[lid_law.OPEN_AT] ^= 1 << 13
    elif what == "position":
        core.motion.place.at_ms += 4_000
    else:
        core.motion.state = lid_table.OPEN
    bench.temperatures["air"] = SCORCHING
    bench.run(300)
    assert (bench.at, bench.core.mode) == (0, "safe")
    assert "self-check" in bench.faults
    assert bench.last("report")["mode"] == "safe"
    assert bench.order("open") in ("hold", "safe")
    assert bench.order("auto") == ""
    bench.run(200)
    assert (bench.at, bench.core.mode, bench.faults) == (1000, "auto", [])


def test_corrupt_saved_state_is_not_trusted() -> None:
    """Whatever the stored record holds, the core starts and takes nothing senseless from it."""
    for record in (
        None, {}, {"position": "x", "moving": 7, "hold": True, "orders_n": -4, "day": 999, "used": None},
        {"position": 10**12, "latched": 5}, {"position": True},
    ):  # fmt: skip
        bench = CoreBench()
        bench.saved["state"] = record
        bench.start().run(70)
        assert bench.core.mode == "auto"
        assert bench.core.lid_state == "shut"


def test_latched_fault_survives_a_restart() -> None:
    """A restart is no repair."""
    bench = CoreBench().run(70)
    bench.blocked = {1}
    bench.temperatures["air"] = SCORCHING
    bench.run(2_500)
    assert bench.saved["state"]["latched"] == "stuck-shut"
    bench.blocked = set()
    bench.start().run(300)
    assert bench.at == 0
    assert "stuck-shut" in bench.faults


def test_budget_survives_a_restart() -> None:
    """Restarts must not give the lid more strokes a day."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(120)
    used = bench.core.law_state[lid_law.USED]
    assert used > 0
    bench.start().run(10)
    assert bench.core.law_state[lid_law.USED] >= used
