"""When an update may go on: lid at rest, no frost near, and a restart only after the answer could go out."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sash import reading
from sash.update_desk import ANSWER_MS, FROST_MDEGC, QUICK_FOR_MS, QUICK_MS, UpdateDesk, at_rest, near_frost
from tests.controller.test_update_pack import KEY, LOADER, NOW, image, old, runs, sender


def core(moving: int = 0, siren: int = 0, air: int = 8000, outside: int = 6000) -> Any:
    """A frame as the desk sees it."""
    return SimpleNamespace(
        motion=SimpleNamespace(moving=moving, siren=siren), air_mdegc=air,
        probes=SimpleNamespace(value=lambda place: outside if place == "outside" else reading.NO_MDEGC),
    )  # fmt: skip


def desk(root: Path) -> UpdateDesk:
    """The desk of a board that runs install 3."""
    return UpdateDesk("north", KEY.hex(), (f"{root}/b", 3, "0.1.0", LOADER.file_crc))


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A board's files with an old firmware."""
    old(tmp_path)
    return tmp_path


def put_all(one: UpdateDesk, frame: Any) -> dict[str, Any]:
    """Send a pack until it is whole or refused; return the last answer."""
    host = sender(image())
    answer: dict[str, Any] = one.handle(host.begin(), frame, NOW)
    while (message := host.answered(answer)) is not None:
        answer = one.handle(message, frame, NOW)
    return answer


@pytest.mark.parametrize("busy", [{"moving": 1}, {"siren": 1}])
def test_nothing_is_taken_in_while_the_lid_moves(root: Path, busy: dict[str, int]) -> None:
    """Flash work takes too long for a moving lid, or one that is about to move: every message is put off."""
    one = desk(root)
    assert one.handle(sender().begin(), core(**busy), NOW)["refused"] == "moving"
    assert not (root / "b").exists()
    assert at_rest(core()) == 1


@pytest.mark.parametrize(
    ("air", "outside", "near"),
    [
        (FROST_MDEGC, FROST_MDEGC, 0),
        (FROST_MDEGC - 1, 9000, 1),
        (9000, FROST_MDEGC - 1, 1),
        (9000, reading.NO_MDEGC, 0),
        (reading.NO_MDEGC, 9000, 0),
        (reading.NO_MDEGC, reading.NO_MDEGC, 1),
    ],
)
def test_near_frost(air: int, outside: int, near: int) -> None:
    """Cold air inside or outside counts as frost near, and so does knowing nothing."""
    assert near_frost(core(air=air, outside=outside)) == near


def test_frost_puts_the_change_off_but_not_the_sending(root: Path) -> None:
    """A cold evening may be used for sending; only putting the pack in charge waits."""
    one, cold = desk(root), core(air=0)
    assert put_all(one, cold).get("whole") == 1
    assert one.handle(sender().commit(NOW + 60), cold, NOW)["refused"] == "frost"
    assert runs(root) == "a"
    assert one.handle(sender().commit(NOW + 60), core(), NOW)["done"] == 1
    assert runs(root) == "b"


def test_restart_waits_for_the_answer_and_for_the_lid(root: Path) -> None:
    """After `done` the board restarts only when the answer had time to go out and the lid rests; until then every
    message gets the same answer and cannot spoil what is there."""
    one = desk(root)
    put_all(one, core())
    done = one.handle(sender().commit(NOW + 60), core(), NOW)
    assert done["done"] == 1
    assert one.handle(sender().begin(), core(), NOW) == done
    assert one.pace(ANSWER_MS - 1, 5000, core()) == 1000
    assert one.restart == 0
    one.pace(1, 5000, core(moving=1))
    assert one.restart == 0
    one.pace(1, 5000, core())
    assert one.restart == 1
    assert runs(root) == "b"


def test_pace_is_quick_only_while_slices_come(root: Path) -> None:
    """Steps are short while a pack comes in, and as before afterwards or after nonsense."""
    one = desk(root)
    one.handle(b"nonsense", core(), NOW)
    assert one.pace(5000, 5000, core()) == 5000
    one.handle(sender().begin(), core(), NOW)
    assert one.pace(QUICK_MS, 5000, core()) == QUICK_MS
    assert one.pace(QUICK_FOR_MS, 5000, core()) == 5000
