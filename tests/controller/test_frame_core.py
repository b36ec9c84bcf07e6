"""The core: readings and requests in, actions out. Every message is checked against its published schema."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import lid_law, lid_table, signing
from sash.reading import NONE

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import KEY, NOON_S, CoreBench

SCORCHING = 34_000


# --- control ------------------------------------------------------------
def test_opens_when_it_is_warm_and_tells_it() -> None:
    """First hour: one warm noon, and the lid opens its crack, with move, moved and a report that say why."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = 16_000
    bench.run(60)
    assert 90 <= bench.at <= 112
    move, moved = bench.events("move")[0], bench.events("moved")[0]
    assert (move["from_permille"], move["to_permille"], move["reason"]) == (0, 100, "warm")
    assert moved["took_ms"] > 3_000
    assert moved["peak_ma"] == 300
    report = bench.last("report")
    assert (report["lid"]["state"], report["reason"], report["mode"]) == ("part", "warm", "auto")


def test_one_air_probe_is_enough() -> None:
    """A frame with a single probe and nothing else must open and shut."""
    bench = CoreBench(probes={"air": "1"})
    bench.inputs.battery_mv = NONE
    bench.temperatures = {"air": SCORCHING}
    bench.run(120)
    assert bench.at == 1000
    bench.temperatures = {"air": 5_000}
    bench.run(900)
    assert bench.at == 0
    assert bench.faults == []


@pytest.mark.parametrize("cause", ["power-up", "hold", "order", "fault"])
def test_nothing_moves_for_a_minute(cause: str) -> None:
    """After power-up, release of either hold, or a cleared fault: one minute without movement."""
    bench = CoreBench()
    bench.temperatures["air"] = SCORCHING
    if cause == "hold":
        bench.inputs.hold = 1
        bench.run(300)
        bench.inputs.hold = 0
    elif cause == "order":
        bench.order("hold")
        bench.run(300)
        assert bench.order("release") == ""
    elif cause == "fault":
        bench.blocked = {1}
        bench.run(2_500)
        assert bench.core.motion.latched
        bench.blocked = set()
        assert bench.order("release") == ""
    began = bench.ms
    bench.step()
    while bench.motor == 0:
        bench.step()
        assert bench.ms - began < 120_000
    assert bench.ms - began >= 59_000


def test_saves_before_it_moves_and_after() -> None:
    """The stored state says moving before the motor starts, and where the lid is when it has stopped."""
    bench = CoreBench()
    bench.temperatures["air"] = SCORCHING
    while not bench.motor:
        bench.step()
    assert bench.saved["state"]["moving"] == 1
    bench.run(60)
    assert bench.saved["state"] == {
        "position": 1000, "moving": 0, "hold": 0, "latched": "", "orders_n": 0, "day": 71, "used": 1000,
        "open_ms": bench.core.motion.place.open_ms, "shut_ms": 40_000,
    }  # fmt: skip


def test_a_drive_back_from_a_stall_is_stored_as_a_move_and_ends() -> None:
    """While the lid is driven back from something under it the store says moving, afterwards not."""
    bench = CoreBench(at=1000)
    bench.temperatures["air"] = 5_000
    while bench.motor != -1:
        bench.step()
    bench.run(10)
    bench.blocked = {-1}
    while bench.motor != 1:
        bench.step()
    assert bench.saved["state"]["moving"] == 1
    bench.run(5)
    assert bench.motor == 0
    assert bench.saved["state"]["moving"] == 0


@pytest.mark.parametrize("how", ["hold switch", "hold order", "memory"])
def test_no_drive_back_under_hold_or_in_safe_mode(how: str) -> None:
    """Hands in the frame, by switch or by order, and disturbed memory end the drive back before it begins."""
    bench = CoreBench(at=1000)
    bench.temperatures["air"] = 5_000
    while bench.motor != -1:
        bench.step()
    bench.run(10)
    bench.blocked = {-1}
    while not bench.core.motion._releases:
        bench.step()
    if how == "hold switch":
        bench.inputs.hold = 1
    elif how == "hold order":
        assert bench.order("hold") == ""
    else:
        bench.core._cells._values[3] ^= 4
    for _ in range(20):
        bench.step()
        assert bench.motor == 0


def test_learned_times_survive_a_power_cut() -> None:
    """Travel times learned are stored and believed after a restart; impossible ones are not."""
    bench = CoreBench()
    bench.saved["state"].update(open_ms=44_000, shut_ms=30_000)
    motion = bench.start().core.motion
    assert (motion.place.open_ms, motion.place.shut_ms) == (44_000, 30_000)
    for open_ms, shut_ms in ((10_000, 30_000), (44_000, 70_000), (True, 30_000), ("x", 1)):
        bench.saved["state"].update(open_ms=open_ms, shut_ms=shut_ms)
        motion = bench.start().core.motion
        assert (motion.place.open_ms, motion.place.shut_ms) == (40_000, 40_000)


def test_law_is_asked_in_whole_seconds() -> None:
    """While the lid moves the steps are short; the law must still see time pass as it does."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(30)
    since = bench.core.law_state[lid_law.SINCE_MOVE]
    bench.run(600)
    assert bench.core.law_state[lid_law.SINCE_MOVE] - since == pytest.approx(600, abs=6)


def test_pace_follows_the_lid() -> None:
    """Fast while it moves, half a second while it sounds, slow at rest, as slow as the fittings say."""
    bench = CoreBench(rest_ms=10_000).run(20)
    assert bench.next_ms == 10_000
    bench.temperatures["air"] = SCORCHING
    paces = set()
    for _ in range(400):
        bench.step()
        paces.add((bench.actions.siren, bench.motor, bench.next_ms))
    assert (0, 1, 200) in paces
    assert (1, 0, 500) in paces
    assert (0, 0, 10_000) in paces


# --- witnesses ------------------------------------------------------------
def test_stuck_shut_on_a_sunny_day_is_told_at_once() -> None:
    """Told to open, blocked: its fault within travel time + 25 %, the lamp, and the siren when it scorches."""
    bench = CoreBench().run(70)
    bench.blocked = {1}
    bench.temperatures["air"] = SCORCHING
    began = bench.ms
    while "stuck-shut" not in bench.faults:
        bench.step()
    assert bench.ms - began < 50_000
    assert bench.events("fault")[-1]["fault"] == "stuck-shut"
    assert bench.actions.lamp == 1
    sounds = 0
    for _ in range(300):
        bench.step()
        sounds += bench.actions.siren
    assert sounds > 5


def test_silence_button_stops_the_siren_not_the_fault() -> None:
    """The button on the frame silences for an hour; the fault stays and is still reported."""
    bench = CoreBench().run(70)
    bench.blocked = {1}
    bench.temperatures["air"] = SCORCHING
    bench.run(300)
    bench.inputs.ack = 1
    bench.step()
    bench.inputs.ack = 0
    sounds = 0
    while bench.ms < 3_500_000:
        bench.step()
        sounds += bench.actions.siren
    assert sounds == 0
    assert "stuck-shut" in bench.faults
    for _ in range(400):
        bench.step()
        sounds += bench.actions.siren
    assert sounds > 0


def test_no_drop_reveals_a_latch_that_was_left_on() -> None:
    """Switches and current say open, the air goes on rising: told between 8 and 12 minutes after the opening."""
    bench = CoreBench(at=100).run(70)
    bench.temperatures["air"] = 20_000
    while not bench.motor:
        bench.step()
    bench.run(30)
    began = bench.ms
    while "no-drop" not in bench.faults:
        bench.temperatures["air"] += 4
        bench.step()
    assert 420_000 <= bench.ms - began <= 720_000
    bench.temperatures["air"] = 12_500
    bench.run(30)
    assert "no-drop" not in bench.faults


@pytest.mark.parametrize("why", ["air falls", "night", "no warmer than outside", "small step"])
def test_no_drop_is_not_cried_falsely(why: str) -> None:
    """An opening that cools, one at night, one with little to lose, and one small step are no evidence."""
    bench = CoreBench(at=700 if why == "small step" else 100).run(70)
    bench.temperatures["air"] = 20_000
    while not bench.motor:
        bench.step()
    if why == "air falls":
        bench.run(60)
        bench.temperatures["air"] = 18_900
    elif why == "night":
        bench.want(2, lat_mdeg=45_000, lon_mdeg=180_000)
    elif why == "no warmer than outside":
        bench.temperatures["outside"] = 15_500
    bench.run(900)
    assert "no-drop" not in bench.faults


def test_open_in_frost_is_told_when_the_lid_will_not_shut() -> None:
    """A lid that stands open below the frost value for two minutes is one of the two worst alarms."""
    bench = CoreBench(at=1000).run(70)
    bench.blocked = {-1}
    bench.temperatures["air"] = 500
    bench.run(110)
    assert "open-in-frost" not in bench.faults
    bench.run(30)
    assert {"open-in-frost", "stuck-open"} <= set(bench.faults)


def test_hot_though_open_is_told_after_twenty_minutes() -> None:
    """Wide open and still scorching: the grower should lift the lid off."""
    bench = CoreBench(at=1000).run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(1_190)
    assert "hot-though-open" not in bench.faults
    bench.run(30)
    assert "hot-though-open" in bench.faults
    bench.temperatures["air"] = 20_000
    bench.run(90)
    assert "hot-though-open" not in bench.faults


# --- probes ------------------------------------------------------------
@pytest.mark.parametrize("raw", [None, bytes(9), b"\xff" * 9])
def test_lost_air_probe_is_told_and_the_second_takes_over(raw: bytes | None) -> None:
    """Within three samples and 60 s the probe is out, told, and the second one steers."""
    bench = CoreBench().run(70)
    bench.raw["air"] = raw
    bench.temperatures["air2"] = SCORCHING
    bench.run(20)
    assert "probe-air" in bench.faults
    assert bench.core.air_mdegc == pytest.approx(SCORCHING, abs=100)
    bench.run(60)
    assert bench.at == 1000
    del bench.raw["air"]
    bench.run(30)
    assert "probe-air" not in bench.faults


def test_both_air_probes_lost_is_blind_and_told() -> None:
    """Without any air the lid goes to the blind position, with a blind reason and both faults."""
    bench = CoreBench().run(70)
    bench.raw = {"air": None, "air2": None}
    bench.run(120)
    assert {"probe-air", "probe-air2"} <= set(bench.faults)
    assert bench.core.reason == "blind-crack"
    assert "blind" in bench.core.lockouts
    assert 90 <= bench.at <= 112


def test_contradicting_air_probes_are_told() -> None:
    """Ten minutes apart by more than 5 K: a fault, and by day the warmer one steers."""
    bench = CoreBench().run(70)
    bench.temperatures["air2"] = 18_000
    bench.run(700)
    assert "probe-air" in bench.faults
    assert bench.events("fault")[-1]["detail"] == "air and air2 differ"
    assert bench.core.air_mdegc > 17_000


# --- hold ------------------------------------------------------------
def test_hold_blocks_every_cause_of_movement() -> None:
    """Hands in the frame: heat, frost, orders, settings and a new start move nothing."""
    bench = CoreBench(at=400).run(70)
    bench.inputs.hold = 1
    bench.step()
    for air in (SCORCHING, -5_000, 15_000):
        bench.temperatures["air"] = air
        bench.run(200)
        assert bench.order("open") == "hold"
        assert bench.order("auto") == "hold"
        bench.want(bench.core.settings_n + 1, open_mdegc=14_000, close_mdegc=9_000)
        bench.start("watchdog").run(100)
        assert bench.core.mode == "hold"
    assert bench.at == 400
    assert bench.core.reason == "hold"
    assert bench.last("report")["lid"]["state"] == "held"


def test_forgotten_hold_reminds_and_never_releases_itself() -> None:
    """After 30 minutes a reminder; the hold stays."""
    bench = CoreBench().run(70)
    bench.inputs.hold = 1
    bench.run(1_790)
    assert "hold-long" not in bench.faults
    bench.run(30)
    assert "hold-long" in bench.faults
    bench.run(40_000)
    assert bench.core.mode == "hold"


def test_ordered_hold_survives_a_power_cut() -> None:
    """A hold that was ordered holds after the power comes back, until it is released."""
    bench = CoreBench().run(70)
    assert bench.order("hold") == ""
    bench.start().run(200)
    bench.temperatures["air"] = SCORCHING
    bench.run(300)
    assert (bench.at, bench.core.mode) == (0, "hold")


def test_hold_is_told_when_it_begins_and_ends() -> None:
    """Mode and hold events go out on each change."""
    bench = CoreBench().run(70)
    bench.inputs.hold = 1
    bench.run(20)
    bench.inputs.hold = 0
    bench.run(20)
    assert [event["on"] for event in bench.events("hold")] == [True, False]
    assert [event["mode"] for event in bench.events("mode")] == ["hold", "auto"]


# --- orders ------------------------------------------------------------
def test_open_and_shut_orders_move_and_stay() -> None:
    """An ordered opening is driven to and kept, against the law, until "auto"."""
    bench = CoreBench().run(70)
    assert bench.order("open") == ""
    bench.run(120)
    assert (bench.at, bench.core.mode) == (1000, "hold")
    assert bench.events("move")[-1]["reason"] == "order"
    assert bench.order("open", 300) == ""
    bench.run(120)
    assert abs(bench.at - 300) <= 12
    assert bench.order("shut") == ""
    bench.run(120)
    assert bench.at == 0
    assert bench.order("auto") == ""
    assert bench.core.mode == "auto"


def test_shutting_by_order_is_announced() -> None:
    """Nobody at the frame sees who ordered it: the siren sounds before the lid comes down."""
    bench = CoreBench(at=1000).run(70)
    bench.order("shut")
    sounded = 0
    while bench.motor == 0:
        bench.step()
        sounded += bench.actions.siren
    assert sounded >= 9


def test_harmful_orders_are_refused() -> None:
    """Shutting a scorching bed, opening a freezing one, opening against the wind, moving a stuck lid."""
    bench = CoreBench(at=1000).run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(20)
    assert bench.order("shut") == "scorch or frost"
    cold = CoreBench().run(70)
    cold.temperatures["air"] = -1_000
    cold.run(20)
    assert cold.order("open") == "scorch or frost"
    windy = CoreBench().run(70)
    windy.inputs.wind_mms = 15_000
    windy.run(10)
    assert windy.order("open") == "wind"
    stuck = CoreBench().run(70)
    stuck.blocked = {1}
    stuck.temperatures["air"] = SCORCHING
    stuck.run(2_500)
    assert stuck.order("open") == "lid-fault"


def test_heat_and_frost_end_an_order() -> None:
    """A lid shut by order opens when it scorches; one opened by order shuts in frost, after the minute."""
    bench = CoreBench().run(70)
    bench.order("shut")
    bench.run(60)
    bench.temperatures["air"] = SCORCHING
    bench.run(180)
    assert (bench.at, bench.core.mode) == (1000, "auto")
    bench.temperatures["air"] = 9_000
    bench.run(1_200)
    assert bench.order("open") == ""
    bench.run(100)
    assert bench.at == 1000
    bench.temperatures["air"] = 0
    bench.run(240)
    assert (bench.at, bench.core.mode) == (0, "auto")


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"order": "dance"}, "order"),
        ({"order": "open", "exp": NOON_S - 1}, "late"),
        ({"order": "open", "exp": True}, "form"),
        ({"order": "open", "exp": "soon"}, "form"),
        ({"order": "open", "arg": 1_001}, "arg"),
        ({"order": "open", "arg": True}, "arg"),
        ({"order": "clock", "arg": 5}, "arg"),
        ({"order": "clock", "arg": 5_000_000_000}, "arg"),
        ({"order": None}, "order"),
    ],
)
def test_senseless_orders_are_refused_and_counted(changes: dict[str, object], why: str) -> None:
    """A signed order that makes no sense does nothing, and the answer says why."""
    bench = CoreBench().run(70)
    values = {"order": "open", "arg": None, **changes}
    assert bench.order(str(values["order"]), values["arg"], exp=values.get("exp")) == why  # type: ignore[arg-type]
    bench.run(60)
    assert bench.at == 0
    assert bench.core.refused == 1
    assert bench.events("refused")[-1]["why"] == why


def test_replayed_and_old_orders_do_nothing() -> None:
    """The same envelope twice, or an older number, moves nothing, also after a power cut."""
    bench = CoreBench().run(70)
    exp = NOON_S + 100_000
    sealed = signing.seal(bytes.fromhex(KEY), "frames/north/orders", {"n": 500, "exp": exp, "order": "open"})
    bench.step(("orders", sealed))
    bench.run(100)
    assert bench.at == 1000
    bench.order("shut", n=501)
    bench.run(100)
    bench.step(("orders", sealed))
    bench.start().run(80)
    bench.step(("orders", sealed))
    bench.run(100)
    assert bench.at == 0
    assert [event["why"] for event in bench.events("refused")] == ["old", "old"]


def test_number_is_stored_before_the_order_is_obeyed() -> None:
    """The save with the used number is in the same step, which the shell carries out before anything moves."""
    bench = CoreBench().run(70)
    bench.order("open", n=777)
    assert bench.saved["state"]["orders_n"] == 777


@pytest.mark.parametrize("spoil", ["mac", "topic", "body", "json", "size"])
def test_wrong_envelopes_are_refused(spoil: str) -> None:
    """Wrong key, wrong topic, changed body, not JSON, too long: refused, counted, told once each, nothing moves."""
    bench = CoreBench().run(70)
    key = bytes(32) if spoil == "mac" else bytes.fromhex(KEY)
    topic = "frames/south/orders" if spoil == "topic" else "frames/north/orders"
    sealed = signing.seal(key, topic, {"n": 9, "exp": NOON_S + 9_999, "order": "open"})
    if spoil == "body":
        sealed = sealed.replace(b"open", b"shut")
    elif spoil == "json":
        sealed = sealed[:-5]
    elif spoil == "size":
        sealed = sealed + b" " * 3_000
    bench.step(("orders", sealed))
    bench.run(60)
    assert (bench.at, bench.core.refused) == (0, 1)
    refused = bench.events("refused")[-1]
    assert (refused["what"], refused["n"]) == ("orders", -1)
    assert refused["why"] == {"topic": "mac", "body": "mac"}.get(spoil, spoil)


def test_frame_without_key_takes_no_orders() -> None:
    """A board that was never given its key can be steered by nobody."""
    bench = CoreBench(key="").run(70)
    assert bench.order("open") == "no answer"
    assert bench.events("refused")[-1]["why"] == "key"


def test_without_clock_only_the_clock_order_counts() -> None:
    """Expiry cannot be judged without a clock, so all else is refused; the clock order sets it."""
    bench = CoreBench(unix_s=NONE).run(70)
    assert bench.order("open") == "clock"
    assert bench.order("clock", NOON_S, exp=0) == ""
    bench.step()
    assert bench.core.unix_s >= NOON_S
    assert bench.order("locate") == ""
    assert bench.actions.siren == 1


def test_resend_tells_everything_again() -> None:
    """After "resend" readings, report and settings in force go out at once."""
    bench = CoreBench().run(100)
    bench.messages.clear()
    assert bench.order("resend") == ""
    assert {"readings", "report", "settings/actual", "orders/answer"} <= {suffix for suffix, _ in bench.messages}


# --- settings ------------------------------------------------------------
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


# --- self-checks ------------------------------------------------------------
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


# --- supply, wind, clock ------------------------------------------------------------
def test_battery_is_read_at_rest() -> None:
    """The voltage dips while the motor runs; that is not an empty battery."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    while not bench.motor:
        bench.step()
    bench.inputs.battery_mv = 10_900
    while bench.motor:
        bench.step()
    bench.inputs.battery_mv = 12_500
    bench.run(100)
    assert bench.at == 1000
    assert bench.events("fault") == []
    bench.inputs.battery_mv = 11_000
    bench.run(60)
    assert "battery-empty" in bench.faults
    bench.inputs.battery_mv = 11_650
    bench.run(60)
    assert "battery-low" in bench.faults


def test_wind_shut_is_a_fault_only_while_it_holds_the_lid() -> None:
    """Wind may override comfort but must say so; a lid that is shut anyway is not held by wind."""
    bench = CoreBench(at=400).run(70)
    bench.inputs.wind_mms = 13_000
    bench.run(120)
    assert bench.at == 0
    bench.temperatures["air"] = 20_000
    bench.run(30)
    assert "wind-shut" in bench.faults
    bench.temperatures["air"] = 5_000
    bench.run(30)
    assert "wind-shut" not in bench.faults


def test_clock_lost_is_told_after_ten_minutes() -> None:
    """No clock for ten minutes is a fault; times in messages are null, readings carry no time."""
    bench = CoreBench(unix_s=NONE).run(590)
    assert "clock-lost" not in bench.faults
    bench.run(30)
    assert "clock-lost" in bench.faults
    assert bench.last("report")["time_s"] is None
    assert "bt" not in bench.last("readings")[0]


def test_place_never_set_uses_no_sun() -> None:
    """Latitude and longitude both zero mean that nobody has set the place: no sun height is made up."""
    bench = CoreBench(settings={"lat_mdeg": 0, "lon_mdeg": 0}).run(20)
    assert bench.core._sun_cdeg == lid_law.NO_SUN
    assert bench.core._day_of_year == 71
    placed = CoreBench().run(20)
    # Source: SPA gives 41.97 degrees at 45 N 0 E, 2026-03-12T12:00Z (pvlib 0.16, computed for this test).
    assert placed.core._sun_cdeg == pytest.approx(4_180, abs=40)


# --- telling ------------------------------------------------------------
def test_readings_carry_numbers_times_and_all_values() -> None:
    """Every report_s one pack with rising numbers, whole times, and what is fitted."""
    bench = CoreBench()
    bench.inputs.light_lx, bench.inputs.wind_mms, bench.inputs.humidity_permille = 20_000, 1_500, 805
    bench.run(1_300)
    packs = [content for suffix, content in bench.messages if suffix == "readings"]
    assert [pack[0]["v"] for pack in packs] == [1, 2, 3]
    assert [pack[0]["bt"] for pack in packs] == [NOON_S, NOON_S + 600, NOON_S + 1_200]
    values = {record["n"]: record["v"] for record in packs[-1]}
    assert values["boot"] == 1
    assert values["air"] == pytest.approx(12.0, abs=0.1)
    assert {"battery": 12.6, "light": 20_000, "wind": 1.5, "humidity": 80.5, "lid": 0.0, "target": 0.0}.items() <= (
        values.items()
    )


def test_missing_values_are_left_out() -> None:
    """What is not fitted or not answering has no record."""
    bench = CoreBench(probes={"air": "1", "soil": "2"})
    bench.raw["soil"] = None
    bench.inputs.battery_mv = NONE
    bench.run(700)
    assert {record["n"] for record in bench.last("readings")} == {"seq", "boot", "air", "lid", "target", "current"}


def test_report_goes_out_on_change_and_every_ten_minutes() -> None:
    """Nothing new: one report in ten minutes. A new reason alone: at most one a minute."""
    bench = CoreBench().run(300)
    bench.messages.clear()
    bench.run(6_000)
    assert sum(suffix == "report" for suffix, _ in bench.messages) == 10
    bench.messages.clear()
    for _ in range(60):
        bench.temperatures["air"] = 9_500 if bench.temperatures["air"] == 10_500 else 10_500
        bench.run(10)
    assert sum(suffix == "report" for suffix, _ in bench.messages) <= 12


def test_events_have_their_own_rising_numbers() -> None:
    """Events count from 1 at each start, without gaps, apart from the readings."""
    bench = CoreBench().run(70)
    bench.temperatures["air"] = SCORCHING
    bench.run(100)
    numbers = [content["seq"] for suffix, content in bench.messages if suffix == "events"]
    assert numbers == list(range(1, len(numbers) + 1))
    bench.messages.clear()
    bench.start("watchdog").run(5)
    (reset,) = bench.events("reset")
    assert (reset["boot"], reset["seq"], reset["cause"]) == (2, 1, "watchdog")


def test_fault_and_cleared_come_in_pairs() -> None:
    """Each fault is told once when it begins and once when it ends."""
    bench = CoreBench().run(70)
    for _ in range(3):
        bench.raw["soil"] = None
        bench.run(60)
        bench.raw.clear()
        bench.run(60)
    told = [(e["kind"], e["fault"]) for _, e in bench.messages if e and isinstance(e, dict) and "fault" in e]
    assert told == [("fault", "probe-soil"), ("cleared", "probe-soil")] * 3


def test_locate_sounds_for_half_a_minute() -> None:
    """Siren and lamp for 30 s, then quiet."""
    bench = CoreBench().run(70)
    assert bench.order("locate") == ""
    bench.run(25)
    assert (bench.actions.siren, bench.actions.lamp) == (1, 1)
    bench.run(15)
    assert (bench.actions.siren, bench.actions.lamp) == (0, 0)


def test_bench_mode_moves_nothing_by_itself() -> None:
    """On the work bench the frame reads and reports but does not drive."""
    bench = CoreBench(bench=1)
    bench.temperatures["air"] = SCORCHING
    bench.run(300)
    assert (bench.at, bench.core.mode) == (0, "bench")


def test_wet_and_cold_lid_is_tried_gently() -> None:
    """After rain and near freezing the shut lid is driven with less force."""
    bench = CoreBench().run(70)
    bench.temperatures["outside"] = 500
    bench.inputs.rain = 1
    bench.run(10)
    assert bench.core.motion.icy == 1
    bench.inputs.rain = 0
    bench.run(12 * 3600 + 60)
    assert bench.core.motion.icy == 0


def test_repr_says_what_matters() -> None:
    """One line for logs and tests."""
    bench = CoreBench().run(20)
    assert repr(bench.core).startswith("<Frame north shut at 0 permille, told 0, in-band, air 12")


@pytest.mark.parametrize("why", ["hold", "safe"])
def test_a_stall_in_the_step_of_a_hold_drives_nothing_back(why: str) -> None:
    """The lid meets something in the very step in which a hold is ordered or safe mode begins: nothing moves then."""
    bench = CoreBench(at=1000)
    bench.temperatures["air"] = 4_000
    while not (bench.motor == -1 and bench.at < 800):
        bench.step()
    bench.blocked = {-1}
    if why == "hold":
        assert bench.order("hold") == ""
    else:
        bench.core.distrust("a test")
        bench.step()
    assert "stuck-part" in bench.faults, "the stall came in that step"
    at = bench.at
    for _ in range(20):
        assert bench.step(dt_ms=200).motor == 0
    assert bench.at == at


def test_after_a_crash_the_reset_says_what_the_program_stopped_with() -> None:
    """The first event after a crash carries its text, cut to what the schema allows; else there is no detail."""
    bench = CoreBench()
    bench.start("crash")
    bench.core.crash_text = "ValueError: " + "x" * 300
    bench.step()
    assert bench.events("reset")[-1]["cause"] == "crash"
    assert bench.events("reset")[-1]["detail"] == ("ValueError: " + "x" * 300)[:200]
    assert "detail" not in CoreBench().run(1).events("reset")[-1]
