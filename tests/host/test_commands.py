"""Commands for frames, status, history and the store: what they say, and what they leave alone."""

from __future__ import annotations

import csv
import io
import json
import os
import stat
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from click.testing import Result
from paho.mqtt.enums import CallbackAPIVersion

from sash import signing
from sashkeeper import config, frames
from sashkeeper.clock import SetClock
from sashkeeper.context import STORE_NAME
from sashkeeper.service import Service
from sashkeeper.store import Reading, Store
from sashkeeper.wire.broker import EmbeddedBroker, free_port

T0 = 1_770_724_800
Run = Callable[..., Result]
Pack = Callable[..., bytes]
Report = Callable[..., dict[str, Any]]


# -- frames -----------------------------------------------------------------------------------------


def test_frames_are_added_listed_renamed_removed(run: Run) -> None:
    """The life of a frame in the registry."""
    assert "No frame yet" in run("frames", "list").output
    run("frames", "add", "Süd am Zaun")
    run("frames", "add", "north", "--title", "North frame")
    listed = json.loads(run("frames", "list", "--json").output)
    assert [f["frame"] for f in listed] == ["north", "sud-am-zaun"]
    run("frames", "rename", "north", "By the wall")
    assert "By the wall" in run("frames", "show", "north").output
    assert "Nothing was changed" in run("frames", "remove", "north", input="n\n").output
    run("frames", "remove", "north", "--yes")
    assert [f["frame"] for f in json.loads(run("frames", "list", "--json").output)] == ["sud-am-zaun"]


@pytest.mark.parametrize("name", ["", "...", "雪"])
def test_names_that_cannot_be_used(run: Run, name: str) -> None:
    """A name without a usable letter is refused with what is allowed."""
    assert "letters, figures and hyphens" in run("frames", "add", name, code=2).stderr


def test_a_second_frame_of_the_name_is_refused(run: Run) -> None:
    """Names are unique, and the first frame keeps its key."""
    run("frames", "add", "north")
    assert 'called "north" already' in run("frames", "add", "North", code=2).stderr


def test_unknown_frames_everywhere(run: Run, store: Store) -> None:
    """Each command that names a frame offers the nearest one, with code 2."""
    for args in (("frames", "show", "nroth"), ("status", "nroth"), ("history", "nroth"), ("order", "nroth", "open"),
                 ("frames", "remove", "nroth"), ("frames", "rename", "nroth", "x"),
                 ("frames", "fittings", "nroth", "--to", "f.json")):  # fmt: skip
        assert 'No frame called "nroth". Did you mean "north"?' in run(*args, code=2).stderr


def test_keys_differ_and_never_show(run: Run, home: Path) -> None:
    """Every frame has its own random key of 32 bytes, and no command prints one."""
    shown = ""
    for n in range(20):
        shown += run("frames", "add", f"f{n}").output + run("frames", "show", f"f{n}").output
        shown += run("frames", "show", f"f{n}", "--json").output
    with Store(home / STORE_NAME) as store:
        keys = {f.key for f in store.frames()}
    assert len(keys) == 20
    assert {len(k) for k in keys} == {32}
    assert not any(k.hex() in shown for k in keys)


def test_the_board_file_holds_key_and_account_for_us_alone(run: Run, home: Path, store: Store, tmp_path: Path) -> None:
    """fittings.json has what the board needs, is private, and renewing keeps what was measured."""
    path = tmp_path / "fittings.json"
    run("frames", "fittings", "north", "--to", str(path), "--host", "10.0.0.5")
    made = json.loads(path.read_text())
    frame = store.frame("north")
    assert made["key"] == frame.key.hex()
    assert made["mqtt"] == {"host": "10.0.0.5", "port": 1883, "user": "north", "password": frames.mqtt_password(frame)}
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "is there already" in run("frames", "fittings", "north", "--to", str(path), code=2).stderr
    path.write_text(json.dumps({**made, "travel_ms": 31_500}))
    run("frames", "key", "north", "--yes")
    run("frames", "fittings", "north", "--to", str(path), "--overwrite")
    again = json.loads(path.read_text())
    assert again["travel_ms"] == 31_500
    assert again["key"] != made["key"]
    path.write_text("{oops")
    assert "cannot be read as a fittings file" in run(
        "frames", "fittings", "north", "--to", str(path), "--overwrite", code=2
    ).stderr  # fmt: skip


# -- status -----------------------------------------------------------------------------------------


@pytest.fixture
def garden(store: Store, clock: SetClock, pack: Pack, report: Report) -> Store:
    """Three frames: north well, south with a stuck lid, west never heard."""
    service = Service(store, None, clock)
    store.frame_add("south", bytes(31) + b"\1", T0)
    store.frame_add("west", bytes(31) + b"\2", T0)
    lid = {"state": "part", "position_permille": 300, "target_permille": 300}
    service.on_message("frames/north/report", json.dumps(report(lid=lid, reason="warm")).encode(), T0 - 240)
    service.on_message("frames/north/readings", pack("north", 1, 1, T0 - 40, air=12.4, outside=-0.5, battery=12.6), T0)
    service.on_message("frames/south/report", json.dumps(report(faults=["stuck-shut"])).encode(), T0 - 60)
    service.on_message("frames/south/readings", pack("south", 1, 1, T0 - 7200, air=31), T0)
    store.alarm_open("south", "stuck-shut", "urgent", "unacknowledged", T0 - 120, "South: the lid is stuck shut.")
    return store


def test_status_puts_the_worst_first_with_ages_and_reasons(run: Run, garden: Store) -> None:
    """The frame with the alarm comes first, values carry their age, the lid its reason in words."""
    said = run("status").output
    order = [said.index(word) for word in ("south:", "west:", "North frame")]
    assert order == sorted(order)
    assert "the lid is stuck shut" in said
    assert "never heard" in said
    assert "inside 12.4 C" in said
    assert "40 s ago" in said
    assert "outside -0.5 C" in said
    assert "because it is warm inside" in said
    assert "30 %" in said
    assert "old, 2 h ago" in said


def test_status_in_fahrenheit_and_for_one_frame(run: Run, garden: Store, home: Path) -> None:
    """The grower's unit is used everywhere; one frame can be asked for alone."""
    config.change(home, {"units": "fahrenheit"})
    said = run("status", "north").output
    assert "inside 54.3 F" in said
    assert "south" not in said


def test_status_as_json_holds_numbers_not_words(run: Run, garden: Store) -> None:
    """Other programs get values in SI with their times."""
    body = json.loads(run("status", "--json").output)
    first = body["frames"][0]
    assert (first["frame"], first["alarms"][0]["alarm"], first["faults"]) == ("south", "stuck-shut", ["stuck-shut"])
    north = next(f for f in body["frames"] if f["frame"] == "north")
    assert north["values"] == {"air": 12.4, "outside": -0.5, "battery": 12.6}
    assert (north["values_s"], north["lid"], north["reason"]) == (T0 - 40, "part", "warm")


# -- history ----------------------------------------------------------------------------------------


@pytest.fixture
def day(store: Store) -> Store:
    """A day of minutes of the north frame."""
    rows = [
        Reading("north", 1, n, T0 - 86_400 + 60 * n, {"air": 5 + n / 144, "outside": n % 7 - 3, "lid": 0.3 * (n > 700)})
        for n in range(1440)
    ]
    store.add_readings(rows)
    return store


def test_history_as_csv_gives_every_reading_and_says_its_units(run: Run, day: Store) -> None:
    """--step every gives each row once, with units in the head; means are means."""
    rows = list(csv.DictReader(io.StringIO(run("history", "north", "--csv", "-").output)))
    assert len(rows) == 1440
    assert rows[10] == {
        "time": "2026-02-09T12:10:00+00:00", "readings": "1", "air_degc": "5.069", "outside_degc": "0",
        "lid_fraction": "0",
    }  # fmt: skip
    hours = list(csv.DictReader(io.StringIO(run("history", "north", "--step", "hour", "--csv", "-").output)))
    assert len(hours) == 24
    assert float(hours[0]["air_degc"]) == pytest.approx(sum(5 + n / 144 for n in range(60)) / 60, abs=0.001)
    assert hours[0]["readings"] == "60"


def test_history_table_and_spans(run: Run, day: Store) -> None:
    """A table for the screen; spans back from now, days and moments are understood; --to a day means its end."""
    said = run("history", "north", "--from", "2h", "--step", "10min").output
    assert len(said.splitlines()) == 13
    assert "INSIDE" in said
    body = json.loads(run("history", "north", "--from", "2026-02-09", "--to", "2026-02-09", "--json").output)
    assert len(body["rows"]) == 720
    local = json.loads(
        run("history", "north", "--from", "2026-02-10 08:00", "--to", "2026-02-10 09:00", "--json").output
    )
    assert len(local["rows"]) == 60


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--from", "tomorrow"), "is not a time"),
        (("--from", "2026-13-01"), "is not a time"),
        (("--from", "1h", "--to", "2h"), "holds no time"),
        (("--plot", "day.jpg"), "should end in .png"),
    ],
)
def test_history_with_a_wrong_span(run: Run, day: Store, args: tuple[str, ...], says: str) -> None:
    """A wrong span or file name is named, with code 2."""
    assert says in run("history", "north", *args, code=2).stderr


def test_history_without_readings_says_so(run: Run, day: Store) -> None:
    """An empty span is not an empty table."""
    assert (
        "has no readings between"
        in run("history", "north", "--from", "2020-01-01", "--to", "2020-01-02", code=1).stderr
    )


def test_history_draws_a_picture_with_the_band(run: Run, day: Store, tmp_path: Path) -> None:
    """--plot leaves a PNG of some size, and nothing half-written where it cannot."""
    pytest.importorskip("matplotlib")
    from sash.settings import defaults

    day.save_actual("north", {"v": 1, "n": 0, "settings": defaults(), "refused": None}, T0)
    picture = tmp_path / "day.png"
    run("history", "north", "--plot", str(picture))
    data = picture.read_bytes()
    assert data.startswith(b"\x89PNG")
    assert len(data) > 20_000
    run("history", "north", "--plot", str(tmp_path / "no" / "day.png"), code=1)
    assert os.listdir(tmp_path) == ["day.png", "home"] or sorted(os.listdir(tmp_path)) == ["day.png", "home"]


def test_bands_follow_what_was_in_force(store: Store) -> None:
    """Each change of setpoints begins a new band at the moment when the frame took it."""
    from sash.settings import defaults
    from sashkeeper.store.history import bands

    for hours, opening in ((1, 14000), (3, 18000)):
        n = store.settings_next("north", {"open_mdegc": opening}, "x", T0 + hours * 3600)
        taken = {**defaults(), "open_mdegc": opening}
        store.save_actual("north", {"v": 1, "n": n, "settings": taken, "refused": None}, T0 + hours * 3600)
    found = bands(store, "north", T0, T0 + 4 * 3600)
    close = defaults()["close_mdegc"] / 1000
    assert found[1:] == [(T0 + 3600, close, 14.0), (T0 + 10_800, close, 18.0)]


def test_events_are_listed(run: Run, store: Store, clock: SetClock) -> None:
    """What happened is told with its details."""
    event = {
        "v": 1,
        "boot": 1,
        "seq": 1,
        "time_s": T0 - 60,
        "kind": "moved",
        "position_permille": 300,
        "took_ms": 12000,
    }
    Service(store, None, clock).on_message("frames/north/events", json.dumps(event).encode(), T0)
    assert "moved  position_permille 300" in run("history", "north", "--events").output


# -- store ------------------------------------------------------------------------------------------


def test_backup_and_restore_bring_back_rows_and_keep_keys(run: Run, day: Store, home: Path, tmp_path: Path) -> None:
    """A keyless backup, restored over the running home, gives the rows back and leaves the boards' keys valid."""
    key = day.frame("north").key
    copy = tmp_path / "copy.db"
    run("store", "backup", str(copy))
    day.add_readings([Reading("north", 2, 1, T0, {"air": 1})])
    day.close()
    assert "Nothing was changed" in run("store", "restore", str(copy), input="n\n").output
    run("store", "restore", str(copy), "--yes")
    with Store(home / STORE_NAME) as store:
        assert store.reading_count() == 1440
        assert store.frame("north").key == key
    with Store(home / (STORE_NAME + ".before-1")) as old:
        assert old.reading_count() == 1441
    assert "sound: 1 frames, 1440 readings" in run("store", "check").output


def test_restoring_what_is_no_backup_changes_nothing(run: Run, day: Store, home: Path, tmp_path: Path) -> None:
    """A foreign or damaged file is refused and the store stays as it is."""
    (tmp_path / "x.db").write_text("nonsense " * 1000)
    run("store", "restore", str(tmp_path / "x.db"), "--yes", code=1)
    assert day.reading_count() == 1440
    assert sorted(p.name for p in home.iterdir() if "new" in p.name) == []


def test_a_frame_restored_without_key_is_named(run: Run, day: Store, tmp_path: Path) -> None:
    """On a new computer a keyless backup tells which boards need a new key."""
    run("store", "backup", str(tmp_path / "copy.db"))
    day.frame_remove("north")
    said = run("store", "restore", str(tmp_path / "copy.db"), "--yes").output
    assert "north has no key any more" in said
    refused = run("frames", "fittings", "north", "--to", str(tmp_path / "f.json"), code=2).stderr
    assert "has no key" in refused


def test_check_names_damage(run: Run, day: Store, home: Path) -> None:
    """A damaged store is called damaged, with code 1."""
    day.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    day.close()
    path = home / STORE_NAME
    data = bytearray(path.read_bytes())
    for page in range(len(data) // 4096 // 2, len(data) // 4096):
        data[page * 4096 + 8 : page * 4096 + 400] = b"\xff" * 392
    path.write_bytes(data)
    assert "is damaged" in run("store", "check", code=1).stderr


def test_export_is_complete_and_without_keys(run: Run, day: Store, tmp_path: Path) -> None:
    """Every table is written once, whole, and no key is in any of them."""
    day.planting_add("north", "spinach", "2026-01-10")
    day.diary_add(T0, "sown", "spinach, row 2", frame="north")
    run("store", "export", str(tmp_path / "out"))
    files = {p.name: p.read_text() for p in (tmp_path / "out").iterdir()}
    assert sorted(files) == ["alarms.csv", "diary.csv", "events.csv", "plantings.csv", "readings.csv"]
    rows = list(csv.DictReader(io.StringIO(files["readings.csv"])))
    assert len(rows) == 1440
    assert rows[3]["air_degc"] == "5.021"
    assert '"spinach, row 2"' in files["diary.csv"]
    assert day.frame("north").key.hex() not in "".join(files.values())
    assert "is there already" in run("store", "export", str(tmp_path / "out"), code=2).stderr


def test_export_as_parquet(run: Run, day: Store, tmp_path: Path) -> None:
    """Parquet files hold the same rows; without the package the way to get it is said."""
    try:
        import pyarrow.parquet as parquet
    except ModuleNotFoundError:
        said = run("store", "export", str(tmp_path / "out"), "--parquet", code=1).stderr
        assert "pyarrow" in said
        return
    run("store", "export", str(tmp_path / "out"), "--parquet")
    assert parquet.read_table(tmp_path / "out" / "readings.parquet").num_rows == 1440


def test_a_hand_kept_log_is_taken_once_or_not_at_all(run: Run, store: Store, tmp_path: Path) -> None:
    """A good log is taken, again changes nothing; one faulty line refuses the whole file and is named."""
    log = tmp_path / "log.csv"
    log.write_text("time,kind,text,frame\n2026-01-10,sown,spinach,north\n2026-01-11 08:30,note,ice on the lid,\n")
    assert "2 entries are in the diary." in run("store", "import", str(log)).output
    assert "0 entries" in run("store", "import", str(log)).output
    log.write_text("time,kind,text,frame\n2026-01-12,note,x,north\nyesterday,note,y,nrth\n2026-01-13,,z,north\n")
    said = run("store", "import", str(log), code=2).stderr
    for word in (
        'line 3: no frame called "nrth"',
        'line 3: "yesterday" is not a time',
        "line 4: the kind",
        "Nothing was",
    ):
        assert word in said
    assert len(store.diary()) == 2
    log.write_text("when,what\n1,2\n")
    assert "has no column time, kind, text" in run("store", "import", str(log), code=2).stderr


def test_old_readings_are_copied_when_asked(run: Run, day: Store, home: Path) -> None:
    """A time-series server that starts empty gets what was stored before it; without one that is refused."""
    assert "No time-series server is set" in run("store", "copy", code=2).stderr
    config.change(home, {"influx": {"url": "http://127.0.0.1:8428"}})
    assert "1440 readings wait" in run("store", "copy").output
    assert day.copies_count() == 1440


def test_check_without_a_store_makes_none(run: Run, home: Path) -> None:
    """Looking does not leave an empty store behind."""
    assert "There is no store" in run("store", "check", code=1).stderr
    assert list(home.iterdir()) == []


# -- order and broker -------------------------------------------------------------------------------


def test_an_unreachable_broker_is_named(run: Run, store: Store, home: Path) -> None:
    """With nobody listening, host, port and what to do are said, and no order is recorded."""
    port = free_port()
    config.change(home, {"broker": {"port": port}})
    said = run("order", "north", "open", code=1).stderr
    assert f"127.0.0.1:{port} cannot be reached" in said
    assert store.orders("north") == []
    assert "cannot be reached" in " ".join(run("broker", "show").output.split())


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("opne",), 'Did you mean "open"?'),
        (("shut", "--opening", "20"), '--opening goes with "open"'),
    ],
)
def test_orders_that_make_no_sense(run: Run, store: Store, args: tuple[str, ...], says: str) -> None:
    """Nothing is sent for an order that cannot be meant."""
    said = run("order", "north", *args, code=2).stderr
    assert says in said
    assert "Nothing was sent" in said


@pytest.mark.parametrize(
    ("why", "code", "says"),
    [("", 0, "has taken the order to open"), ("wind", 1, "there is too much wind"), (None, 1, "has not answered")],
)
def test_an_order_waits_for_its_answer(
    run: Run, store: Store, home: Path, why: str | None, code: int, says: str
) -> None:
    """Done, refused with the frame's reason in words, or no answer: each is said and kept."""
    frame = store.frame("north")
    with EmbeddedBroker(home / STORE_NAME, port=0) as broker:
        config.change(home, {"broker": {"port": broker.port}})
        board = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="north")
        board.username_pw_set("north", frames.mqtt_password(frame))
        ready = threading.Event()
        seen: list[dict[str, Any]] = []

        def on_order(client: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
            seen.append(signing.open_envelope(frame.key, message.topic, message.payload))
            if why is not None:
                answer = {"v": 1, "n": seen[-1]["n"], "done": not why, "why": why}
                client.publish("frames/north/orders/answer", json.dumps(answer), 1)

        board.on_message = on_order
        board.on_connect = lambda c, _u, _f, _r, _p: c.subscribe("frames/north/orders", 1)
        board.on_subscribe = lambda *_: ready.set()
        board.connect("127.0.0.1", broker.port)
        board.loop_start()
        assert ready.wait(5)
        result = run("order", "north", "open", "--opening", "30", "--wait", "5" if why is not None else "1", code=code)
        end = time.monotonic() + 5
        while not seen and time.monotonic() < end:
            time.sleep(0.01)
        board.disconnect()
        board.loop_stop()
    assert says in " ".join((result.output + result.stderr).split())
    assert (seen[0]["order"], seen[0]["arg"], seen[0]["exp"]) == ("open", 300, T0 + 120)
    kept = store.orders("north")[0]
    assert kept.done == (None if why is None else not why)


def test_mosquitto_files_are_written_once_and_private(run: Run, store: Store, tmp_path: Path) -> None:
    """The configuration names accounts and rules of every frame; nothing is replaced unasked."""
    folder = tmp_path / "mq"
    run("broker", "mosquitto", str(folder), "--plain")
    assert sorted(p.name for p in folder.iterdir()) == ["access", "mosquitto.conf", "passwords"]
    assert {stat.S_IMODE(p.stat().st_mode) for p in folder.iterdir()} == {0o600}
    assert "user north" in (folder / "access").read_text()
    assert frames.mqtt_password(store.frame("north")) not in (folder / "passwords").read_text()
    assert "is there already" in run("broker", "mosquitto", str(folder), "--plain", code=2).stderr
    run("broker", "mosquitto", str(folder), "--plain", "--overwrite")
