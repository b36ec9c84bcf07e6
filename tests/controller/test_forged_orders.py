"""Orders and settings that were replayed, reordered, forged or meant for another frame: none moves the lid."""

from __future__ import annotations

import json
import random
from collections.abc import Callable

import pytest

from sash import signing
from tests.controller.core_bench import KEY, CoreBench

TOPIC = "frames/north/orders"
Message = tuple[str, bytes]


def order(n: int, word: str = "open", key: str = KEY, topic: str = TOPIC, exp: int = 4_000_000_000) -> Message:
    """A signed order as the host sends it."""
    body = {"n": n, "exp": exp, "order": word, "arg": None}
    return "orders", signing.seal(bytes.fromhex(key), topic, body)


def rested() -> CoreBench:
    """A shut frame in which the law wants nothing, past its minute of quiet."""
    bench = CoreBench().run(120)
    assert bench.order("locate", n=1000) == ""
    return bench


def still(bench: CoreBench, messages: list[Message]) -> None:
    """Hand messages over one by one, with time after each; the lid must not move at all."""
    before = bench.at
    for message in messages:
        bench.step(message)
        for _ in range(3):
            bench.step()
            assert bench.motor == 0
    bench.run(120)
    assert bench.at == before


def test_the_right_order_does_move_it() -> None:
    """The trial itself works: an order of the household opens the lid."""
    bench = rested()
    assert bench.order("open", n=1001) == ""
    bench.run(90)
    assert bench.at == 1000


CASES: dict[str, Callable[[CoreBench], list[Message]]] = {
    "number used before": lambda b: [order(1000), order(999), order(1)],
    "foreign key": lambda b: [order(2000, key="00" * 32), order(2001, key="5b" * 32)],
    "another frame's topic": lambda b: [order(2000, topic="frames/south/orders")],
    "another kind's topic": lambda b: [
        order(2000, topic="frames/north/settings/wanted"), order(2001, topic="frames/north/update")],
    "out of date": lambda b: [order(2000, exp=b.unix_s + b.ms // 1000), order(2001, exp=0)],
    "wrong kind of number": lambda b: [
        ("orders", signing.seal(bytes.fromhex(KEY), TOPIC, {"n": n, "exp": 4_000_000_000, "order": "open"}))
        for n in (True, -1, 1 << 40, "2000", None, [2000], 2000.5)],
    "unsigned": lambda b: [("orders", json.dumps({"n": 2000, "exp": 4_000_000_000, "order": "open"}).encode())],
    "unknown order": lambda b: [order(2000, word="OPEN"), order(2001, word="open ")],
}  # fmt: skip


@pytest.mark.parametrize("case", sorted(CASES))
def test_bad_orders_move_nothing(case: str) -> None:
    """Each is refused and counted, and the lid stays where it is."""
    bench = rested()
    refused = bench.core.refused
    messages = CASES[case](bench)
    still(bench, messages)
    assert bench.core.refused == refused + len(messages)


def test_replayed_and_reordered_over_a_restart() -> None:
    """Orders kept back by somebody and played again later, in any order, also after a power cut, do nothing."""
    bench = rested()
    kept = [order(1001, "open"), order(1002, "shut"), order(1003, "open"), order(1004, "shut")]
    for message in kept:
        bench.step(message)
        bench.run(120)
    assert bench.at == 0
    assert bench.order("auto", n=1005) == ""
    bench.run(120)
    noise = random.Random(6)
    for _ in range(5):
        noise.shuffle(kept)
        still(bench, kept)
    bench.start()
    bench.run(120)
    still(bench, kept)


def test_orders_overtaking_each_other_count_once() -> None:
    """An older order that arrives after a newer one is not carried out."""
    bench = rested()
    first, second = order(1001, "open"), order(1002, "hold")
    bench.step(second)
    still(bench, [first])
    assert bench.core.mode == "hold"


def test_a_thousand_changed_orders() -> None:
    """One bit changed anywhere in a good order: refused, 1,000 times."""
    bench = rested()
    noise = random.Random(11)
    for number in range(1000):
        suffix, payload = order(2000 + number)
        bad = bytearray(payload)
        bit = noise.randrange(len(bad) * 8)
        bad[bit // 8] ^= 1 << bit % 8
        bench.step((suffix, bytes(bad)))
        assert bench.motor == 0, bytes(bad)
    bench.run(60)
    assert bench.at == 0
    assert bench.core.refused >= 1000
