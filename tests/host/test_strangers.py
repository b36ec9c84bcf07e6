"""Strangers, refused messages and a clock that jumps are counted and shown (SEC-16)."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sashkeeper import config, frames
from sashkeeper.clock import SetClock
from sashkeeper.context import STORE_NAME
from sashkeeper.service import CLOCK_JUMPS, Service
from sashkeeper.store import Store
from sashkeeper.wire.broker import free_port
from tests.host.bus_parts import Board
from tests.host.test_store_crash import wait_for_start

Run = Callable[..., Any]


@pytest.mark.system
def test_what_the_broker_turns_away_is_shown(home: Path, store: Store, run: Run) -> None:
    """Under the real serve: a stranger, a wrong password, and a frame that speaks for another, in `status`."""
    port, password = free_port(), frames.mqtt_password(store.frame("north"))
    config.change(home, {"broker": {"port": port}, "page": {"port": free_port()}})
    serve = subprocess.Popen(
        [sys.executable, "-m", "sashkeeper", "--home", str(home), "serve"], stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    try:
        wait_for_start(serve)
        for user, word in (("eve", "x"), ("north", "wrong")):
            stranger = Board(port, user, word)
            assert stranger.answer != "Success"
            stranger.client.loop_stop()
        board = Board(port, "north", password)
        board.client.publish("frames/south/readings", "{}", 1).wait_for_publish(5)
        board.say("readings", "no pack").wait_for_publish(5)
        board.close()
        serve.send_signal(signal.SIGTERM)
        assert serve.wait(15) == 0
    finally:
        serve.kill()
        serve.wait(10)
        if serve.stdout is not None:
            serve.stdout.close()
    said = " ".join(run("status").output.split())
    assert "log-ins at the broker refused; the last: as 'north'" in said
    assert "1 messages refused by the broker, on topics that are not the sender's; the last: north to frames/s" in said
    assert "So far 1 messages refused" in said
    totals = json.loads(run("status", "--json").output)["refused"]
    assert totals["log-in"] >= 2
    assert totals["publish"] == 1
    assert "wrong" not in said.replace("wrong kind", "")  # no password in what is shown
    with Store(home / STORE_NAME) as again:
        assert "wrong" not in json.dumps(again.note("refused"))


@pytest.mark.parametrize(("by_s", "said"), [(-7200.0, "set back by 2 h"), (-31.0, "set back by 31 s")])
def test_a_clock_set_back_is_shown(store: Store, clock: SetClock, run: Run, by_s: float, said: str) -> None:
    """The host notices that its own clock went back, and `status` says by how much and when."""
    service = Service(store, None, clock)
    for step_s in (0.0, 0.5, 0.5, by_s, 0.5, 0.5):
        clock.advance(step_s)
        service.tick()
    assert store.note(CLOCK_JUMPS)["count"] == 1
    assert said.replace("2 h", "120 min") in run("status").output.replace("2 h", "120 min")


def test_a_clock_set_ahead_is_noticed_where_time_is_real(store: Store, clock: SetClock) -> None:
    """Under serve a clock that runs ahead of the time that passed is noticed; small steps never are."""
    service = Service(store, None, clock)
    service.keep_going = True
    for step_s in (0.0, 0.5, 20.0, 3600.0, 0.5):
        clock.advance(step_s)
        service.tick()
    jumps = store.note(CLOCK_JUMPS)
    assert (jumps["count"], round(jumps["by_s"], -1)) == (1, 3600)


def test_virtual_hours_are_no_jump(store: Store, clock: SetClock) -> None:
    """In tests and in the demo hours pass in a moment, and nothing is said about it."""
    service = Service(store, None, clock)
    for _ in range(5):
        clock.advance(3600)
        service.tick()
    assert store.note(CLOCK_JUMPS) is None
