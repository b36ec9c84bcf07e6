"""The core under a hand: hold, and orders from outside.

Every message is checked against its published schema.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from sash import signing
from sash.reading import NONE

sys.path.insert(0, str(Path(__file__).parent))
from core_bench import KEY, NOON_S, CoreBench

SCORCHING = 34_000


# -- hold ------------------------------------------------------------------------------------------------
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


# -- orders ----------------------------------------------------------------------------------------------
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
