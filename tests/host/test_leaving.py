"""A frame that is sold or given away: nothing of it stays, in store, broker, files and old backups."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import Result

from sashkeeper import frames as registry
from sashkeeper.context import STORE_NAME
from sashkeeper.joining import leaving
from sashkeeper.store import Store
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import host_password
from sashkeeper.wire.bus import Address, Bus

NOON_S = 1_770_724_800
Run = Callable[..., Result]


@pytest.fixture
def with_south(store: Store) -> None:
    """A second frame, there before the broker starts."""
    registry.add(store, "south", NOON_S)


@pytest.fixture
def sold(with_south: None, any_broker: int, store: Store, home: Path) -> int:
    """A frame with something in every store, and another that must stay whole."""
    from sashkeeper.store import Event, Reading

    for frame in ("north", "south"):
        store.add_readings([Reading(frame, 1, n, NOON_S + 60 * n, {"air": 8.0}) for n in range(50)])
        store.add_events([Event(frame, 1, 1, NOON_S, "reset", {"v": 1})])
        store.planting_add(frame, "spinach", "2025-09-01")
        store.diary_add(NOON_S, "note", "a note", frame=frame)
        store.save_latest(frame, "presence", {"v": 1}, NOON_S, NOON_S)
        alarm = store.alarm_open(frame, "silent", "high", "open", NOON_S, f"{frame} is silent")
        store.delivery_add("phone", f"{frame} is silent", NOON_S, alarm=alarm)
        store.settings_next(frame, {"open_mdegc": 15_000}, "spinach", NOON_S)
        store.order_next(frame, {"order": "open"}, NOON_S)
        store.delivery_add("phone", f"all is well: {frame}", NOON_S)
        store.note_set(f"standing/{frame}/silent", {"frame": frame})
    store.note_set("refused", {"totals": {"json": 2}, "last": {"json": "frames/north/readings: json", "size": "x"}})
    (home / "sashkeeper.toml").write_text(f'[broker]\nkind = "external"\nport = {any_broker}\n')
    for frame in ("north", "south"):
        account = Address("127.0.0.1", any_broker, frame, registry.mqtt_password(store.frame(frame)))
        bus = Bus(account, f"board-{frame}", clean=True, topics=(f"frames/{frame}/orders",))
        bus.connect()
        for suffix in ("presence", "report", "settings/actual"):
            bus.publish(f"frames/{frame}/{suffix}", b'{"v":1}', retain=True)
        assert bus.pump(bus.sent_all, 5.0)
        bus.close()
    host = Address("127.0.0.1", any_broker, HOST_USER, host_password(store))
    bus = Bus(host, "host-once", clean=True, topics=("frames/+/presence",))
    bus.connect()
    bus.publish("frames/north/settings/wanted", b"{}", retain=True)
    assert bus.pump(bus.sent_all, 5.0)
    bus.close()
    return any_broker


def test_forget_leaves_nothing_and_touches_no_other(sold: int, run: Run, store: Store, home: Path) -> None:
    """Rows, alarms, messages, notes, account, key and what the broker keeps are gone, by looking in all of them;
    the other frame has lost nothing (SEC-17)."""
    key, host = store.frame("north").key, Address("127.0.0.1", sold, HOST_USER, host_password(store))
    assert len(leaving.kept_by_broker("north", host)) == 4
    before = {t: store.rows(f"SELECT * FROM {t} WHERE frame = 'south'") for t in ("plantings", "diary", "alarms")}
    rows = store.reading_count("south")
    said = run("forget", "north", "--yes", code=0 if not (home / "broker").exists() else 1)
    if (home / "broker").exists():  # Mosquitto's own files are named, and gone after writing them again
        assert "account in broker/passwords" in said.output
        run("broker", "mosquitto", str(home / "broker"), "--listen", "127.0.0.1", "--port", str(sold), "--overwrite")
    else:
        assert "nothing is left" in said.output
    assert leaving.kept_by_broker("north", host) == []
    assert len(leaving.kept_by_broker("south", host)) == 3
    store.forget_numbers()
    assert [f.id for f in store.frames()] == ["south"]
    for path in home.rglob("*"):
        if path.is_file():
            assert key not in path.read_bytes(), path
            assert key.hex().encode() not in path.read_bytes(), path
    assert "north" not in "\n".join(store.db.iterdump())
    assert {t: store.rows(f"SELECT * FROM {t} WHERE frame = 'south'") for t in before} == before
    assert store.reading_count("south") == rows
    assert store.note("refused")["totals"] == {"json": 2}


def test_forget_names_old_backups(run: Run, store: Store, home: Path) -> None:
    """A backup that still knows the frame is named, not changed; without a broker the command says what to do."""
    store.backup(home / "old.db")
    store.close()
    before = (home / "old.db").read_bytes()
    said = run("forget", "north", "--yes", code=1).output
    assert "rows in old.db" in said
    assert "mosquitto_pub" in said
    assert (home / "old.db").read_bytes() == before


@pytest.fixture
def three_backups(run: Run, store: Store, home: Path, tmp_path: Path, with_south: None) -> list[Path]:
    """One backup with keys in the home folder, one without in another folder, one store put aside by restoring."""
    from sashkeeper.store import Reading

    for frame in ("north", "south"):
        store.add_readings([Reading(frame, 1, n, NOON_S + 60 * n, {"air": 8.0}) for n in range(20)])
    store.close()
    run("store", "backup", str(home / "keys.db"), "--with-keys")
    run("service", "backup", str(tmp_path / "stick"))
    run("store", "restore", str(home / "keys.db"), "--yes")
    return [home / "keys.db", next((tmp_path / "stick").iterdir()), home / f"{STORE_NAME}.before-1"]


def test_forget_takes_the_frame_out_of_backups(three_backups: list[Path], run: Run, home: Path) -> None:
    """If so wanted nothing of the frame is left in any backup, its key least of all, and each is a whole store in
    which the other frame has lost nothing (SEC-17)."""
    from sashkeeper.store import Store

    with Store(home / STORE_NAME) as store:
        key, other = store.frame("north").key, store.frame("south").key
    assert [key in path.read_bytes() for path in three_backups] == [True, False, True]
    said = run("forget", "north", "--yes", "--backups", code=1).output  # 1: no broker answers here
    assert "taken out of 3 old backups" in said
    assert "still there" not in said
    for path in three_backups:
        data = path.read_bytes()
        assert key not in data
        assert b"north" not in data
        assert path.stat().st_mode & 0o077 == 0
        with Store(path, create=False) as copy:
            assert [f.id for f in copy.frames()] == ["south"]
            assert copy.reading_count("south") == 20
            assert copy.integrity() == []
    assert other in three_backups[0].read_bytes()
    left = [p.name for p in home.iterdir() if p.name.endswith((".clean", ".part"))]
    assert left == []


def test_backups_can_be_cleaned_afterwards(three_backups: list[Path], run: Run, home: Path) -> None:
    """Left out at first, named with what they hold; the same command cleans them later, and then knows nobody."""
    said = run("forget", "north", "--yes", code=1).output
    assert "key in keys.db" in said
    assert f"rows in {three_backups[1]}" in said
    assert "3 old backups" in run("forget", "north", "--backups").output
    assert "no frame" in run("forget", "north", "--backups", code=2).output.lower()


def test_a_damaged_backup_is_left_and_told(run: Run, store: Store, home: Path) -> None:
    """What cannot be cleaned stays as it was, in a sentence, and is named as still there."""
    store.backup(home / "old.db", with_keys=True)
    store.close()
    data = bytearray((home / "old.db").read_bytes())
    with closing(sqlite3.connect(home / "old.db")) as db:
        root = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'readings'").fetchone()[0]
    data[(root - 1) * 4096 : root * 4096] = b"\xff" * 4096
    (home / "old.db").write_bytes(data)
    said = run("forget", "north", "--yes", "--backups", code=1).output
    assert "old.db" in said
    assert "still there: key in old.db" in said
    assert (home / "old.db").read_bytes() == bytes(data)
