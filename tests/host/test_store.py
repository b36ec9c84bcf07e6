"""The store keeps what it is given, once, and says clearly when it cannot."""

from __future__ import annotations

import random
import sqlite3
import stat
import threading
from pathlib import Path

import pytest

from sashkeeper.context import STORE_NAME
from sashkeeper.errors import InputError, NotOurStore, StoreError, StoreFull, UnknownFrame
from sashkeeper.store import METRICS, Event, Reading, Store, migrations

T0 = 1_770_724_800
KEY = bytes(range(32))


def readings(count: int, frame: str = "north", boot: int = 1, start: int = 0, step_s: int = 60) -> list[Reading]:
    return [
        Reading(frame, boot, start + i, T0 + (start + i) * step_s, {"air": 5 + i / 16, "lid": 0.1, "battery": 12.6})
        for i in range(count)
    ]


def test_readings_come_back_as_they_went_in(store: Store) -> None:
    """Values come back exactly to a thousandth, unknown metrics included, missing ones missing."""
    values = {m: 12.345 for m in METRICS if m != "soil"} | {"moisture": 0.25}
    assert store.add_readings([Reading("north", 3, 7, T0, values)]) == 1
    back = store.latest("north")
    assert back == Reading("north", 3, 7, float(T0), values)
    assert store.series("north", "moisture", T0, T0 + 1) == [(T0, 0.25)]
    assert store.series("north", "air", T0, T0 + 1) == [(T0, 12.345)]
    assert store.series("north", "soil", T0, T0 + 1) == []


@pytest.mark.parametrize("value", [-40.0, -0.0625, -0.0005, 0.0, 0.0624, 12.4, 84999.999])
def test_thousandths_are_rounded_to_the_nearest(store: Store, value: float) -> None:
    """No value moves by more than half a thousandth."""
    store.add_readings([Reading("north", 1, 1, T0, {"air": value})])
    assert store.series("north", "air", T0, T0 + 1)[0][1] == pytest.approx(value, abs=0.000501)


def test_the_same_pack_again_changes_nothing(store: Store) -> None:
    """A pack is known by frame, boot and number, whatever else it says."""
    batch = readings(10)
    assert store.add_readings(batch) == 10
    assert store.add_readings(batch) == 0
    assert store.add_readings([Reading("north", 1, 3, T0 + 999, {"air": 99.0})]) == 0
    assert store.reading_count("north") == 10
    assert store.series("north", "air", T0 + 180, T0 + 181) == [(T0 + 180, 5.188)]


def test_a_wiped_board_is_not_taken_for_repeats(store: Store) -> None:
    """When a board's boot counter goes back, its new packs are new although their numbers are old."""
    store.saw_boot("north", 40)
    store.add_readings(readings(5, boot=40))
    store.add_readings(readings(5, boot=1))
    assert store.saw_boot("north", 1) is True
    assert store.add_readings(readings(5, boot=40)) == 5
    assert store.add_readings(readings(5, boot=40)) == 0
    assert store.saw_boot("north", 2) is False
    latest = store.latest("north")
    assert latest is not None
    assert latest.boot == 40


def direct(found: list[Reading], metric: str, step_s: int) -> dict[int, tuple[int, float, float, float]]:
    spans: dict[int, list[float]] = {}
    for r in found:
        if metric in r.values:
            spans.setdefault(int(r.time_s) // step_s * step_s, []).append(r.values[metric])
    return {t: (len(v), min(v), max(v), sum(v) / len(v)) for t, v in spans.items()}


@pytest.mark.parametrize("step_s", [600, 3600])
def test_rollups_equal_the_rows_at_every_moment(store: Store, step_s: int) -> None:
    """Roll-ups are right while rows arrive late, twice and out of order, and after they were written down."""
    rng = random.Random(7)
    done: list[Reading] = []
    waiting = readings(400, step_s=45)
    rng.shuffle(waiting)
    while waiting:
        batch, waiting = waiting[:37], waiting[37:]
        store.add_readings([*batch, *rng.sample(done, min(5, len(done)))])
        done += batch
        store.roll_up(T0 + rng.randrange(18_000), limit=rng.randrange(1, 40))
        for metric in ("air", "lid"):
            got = {r.start_s: r for r in store.rolls("north", [metric], 0, 1e12, step_s)[metric]}
            want = direct(done, metric, step_s)
            assert got.keys() == want.keys()
            for t, (n, low, high, mean) in want.items():
                assert got[t].n == n
                assert (got[t].low, got[t].high, got[t].mean) == pytest.approx((low, high, mean), abs=0.001)


def test_rollups_are_written_once_for_each_span(store: Store) -> None:
    """After the spans are over, nothing waits, and a second round finds nothing to do."""
    store.add_readings(readings(120))
    assert store.rolls_waiting() == 12 + 2
    store.roll_up(T0 + 1e6)
    assert store.rolls_waiting() == 0
    assert store.roll_up(T0 + 1e6) == 0


def test_pruning_keeps_the_rollups(store: Store) -> None:
    """Old rows go by whole hours; what was rolled up of them stays."""
    store.add_readings(readings(180))
    before = store.rolls("north", ["air"], 0, 1e12)
    assert store.prune_readings(T0 + 2 * 3600 + 5) == 120
    assert store.reading_count("north") == 60
    assert store.rolls("north", ["air"], 0, 1e12) == before


def test_events_come_once_and_in_order(store: Store) -> None:
    """Events are known by frame, boot and number, and listed by time."""
    move = Event("north", 1, 2, T0 + 60, "move", {"from_permille": 0, "to_permille": 300})
    reset = Event("north", 1, 1, T0, "reset", {"cause": "power"})
    assert store.add_events([move, reset]) == 2
    assert store.add_event(move) is False
    assert [e.kind for e in store.events("north")] == ["reset", "move"]
    assert store.events("north", kind="move")[0].body["to_permille"] == 300
    assert store.events("north", newest_first=True, limit=1)[0].kind == "move"


def test_a_report_that_brings_nothing_new_leaves_no_history(store: Store) -> None:
    """Only a change in what matters is worth a row; uptime is not."""
    body = {"boot": 1, "lid": {"state": "shut"}, "reason": "cool", "uptime_s": 1}
    assert store.save_report("north", body, T0, T0) is True
    assert store.save_report("north", {**body, "uptime_s": 601}, T0 + 600, T0 + 600) is False
    assert store.save_report("north", {**body, "reason": "warm"}, T0 + 700, T0 + 700) is True
    assert [r.body["reason"] for r in store.report_changes("north")] == ["cool", "warm"]
    found = store.report("north")
    assert found is not None
    assert found.received_s == T0 + 700


def test_settings_numbers_rise_even_after_an_old_backup(store: Store) -> None:
    """The next number is above what was sent and above what the frame says it has."""
    assert store.settings_next("north", {"open_mdegc": 16000}, "test", T0) == 1
    assert store.settings_next("north", {"open_mdegc": 17000}, "test", T0) == 2
    store.save_actual("north", {"v": 1, "n": 2, "settings": {"open_mdegc": 17000}, "refused": None}, T0 + 5)
    assert [s.outcome for s in store.settings_sent("north")] == ["taken", ""]
    store.save_actual("north", {"v": 1, "n": 9, "settings": {}, "refused": None}, T0 + 6)
    assert store.settings_next("north", {}, "test", T0) == 10
    store.save_actual("north", {"v": 1, "n": 9, "settings": {}, "refused": {"n": 10, "why": "too low"}}, T0 + 7)
    assert store.settings_sent("north")[0].outcome == "too low"


def test_order_numbers_rise_even_after_an_old_backup(store: Store) -> None:
    """Order numbers follow the clock in seconds, and never stand still or fall when the clock does."""
    first = store.order_next("north", {"order": "open"}, T0)
    assert store.order_next("north", {"order": "shut"}, T0) == first + 1
    assert store.order_next("north", {"order": "shut"}, T0 - 500) == first + 2
    assert store.order_next("north", {"order": "shut"}, T0 + 86400) == T0 + 86400 - 1_700_000_000
    store.order_answered("north", first, True, "", T0 + 1)
    store.order_answered("north", first, False, "late repeat", T0 + 2)
    assert [(o.done, o.why) for o in store.orders("north")][-1] == (True, "")


def test_plantings_and_diary(store: Store) -> None:
    """A planting stands from its day until the day before its end; the diary lists a frame's and the garden's."""
    spinach = store.planting_add("north", "spinach", "2026-01-10", share_permille=600, data={"stage": "seedling"})
    store.planting_add("north", "lettuce", "2026-02-01")
    assert [p.crop for p in store.plantings("north", "2026-01-20")] == ["spinach"]
    store.planting_change(spinach, until_day="2026-02-05")
    assert [p.crop for p in store.plantings("north", "2026-02-05")] == ["lettuce"]
    assert store.plantings("north")[0].data == {"stage": "seedling"}
    store.diary_add(T0, "sown", "spinach", frame="north")
    store.diary_add(T0 + 60, "note", "first snow")
    assert [d.kind for d in store.diary("north")] == ["sown", "note"]
    with pytest.raises(UnknownFrame):
        store.planting_add("south", "spinach", "2026-01-10")


def test_alarms_and_deliveries(store: Store) -> None:
    """An incident keeps its history; a closed one stays closed at its first end."""
    alarm = store.alarm_open("north", "stuck-shut", "urgent", "new", T0, "Lid stuck", {"air": 31.0}, why="end switch")
    store.alarm_update(alarm, T0 + 60, state="known", why="grower")
    store.alarm_update(alarm, T0 + 61, data={"air": 33.0})
    store.alarm_update(alarm, T0 + 90, state="over", closed=True, why="moved")
    assert [(s.from_state, s.to_state) for s in store.alarm_log(alarm)] == [
        ("", "new"),
        ("new", "known"),
        ("known", "over"),
    ]
    assert store.alarm_list(open_only=True) == []
    one = store.alarm_get(alarm)
    assert (one.closed_s, one.data["air"]) == (T0 + 90, 33.0)
    mail = store.delivery_add("mail", "Lid stuck", T0, alarm=alarm, next_s=T0)
    assert [d.id for d in store.delivery_list(state="waiting", due_s=T0)] == [mail]
    store.delivery_update(mail, state="sent", tries=1, done_s=T0 + 2, result="accepted")
    assert store.delivery_list(state="waiting") == []
    with pytest.raises(InputError, match="no alarm number 99"):
        store.alarm_get(99)


def test_removing_a_frame_leaves_nothing_of_it(store: Store) -> None:
    """After removal no table knows the frame, and a namesake starts empty."""
    store.add_readings(readings(20))
    store.planting_add("north", "spinach", "2026-01-10")
    store.alarm_open("north", "x", "low", "new", T0, "t")
    store.frame_remove("north")
    for table in ("readings", "rollups_due", "plantings", "alarms", "alarm_log", "frames"):
        assert store.row(f"SELECT count(*) FROM {table}")[0] == 0, table
    store.frame_add("north", KEY, T0)
    assert store.latest("north") is None


def test_unknown_frames_get_the_nearest_name(store: Store) -> None:
    """A name that is nearly right is offered; a list when none is near."""
    with pytest.raises(UnknownFrame, match='Did you mean "north"'):
        store.frame("nroth")
    with pytest.raises(UnknownFrame, match="Known frames: north"):
        store.frame("zzz")


# -- the file -------------------------------------------------------------------------------------


def test_the_file_is_ours_alone(home: Path) -> None:
    """The store holds keys, so no other user of the machine may read it, from its first moment."""
    with Store(home / "a.db"):
        assert stat.S_IMODE((home / "a.db").stat().st_mode) == 0o600


@pytest.mark.parametrize("kind", ["text", "other database", "folder", "other application", "newer"])
def test_a_file_that_is_not_ours_is_left_alone(tmp_path: Path, kind: str) -> None:
    """A foreign or newer file is named in one sentence and not changed by a byte."""
    path = tmp_path / "x.db"
    if kind == "text":
        path.write_text("Dear diary, today I aired the frames. " * 50)
    elif kind == "folder":
        path.mkdir()
    else:
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE stamps (country TEXT)" if kind == "other database" else "PRAGMA user_version = 3")
            if kind == "other application":
                db.execute("PRAGMA application_id = 77")
            if kind == "newer":
                db.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {migrations.NEWEST + 1}")
        db.close()
    before = None if path.is_dir() else path.read_bytes()
    with pytest.raises(StoreError) as fault:
        Store(path)
    assert str(path) in fault.value.sentence
    assert "Nothing was changed" in fault.value.sentence
    assert (kind == "newer") is not isinstance(fault.value, NotOurStore)
    assert before is None or path.read_bytes() == before


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """A home below a file cannot be made, and that is said."""
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be made"):
        Store(tmp_path / "file" / "x.db")


@pytest.mark.parametrize("version", range(migrations.NEWEST))
def test_every_older_version_grows_up(tmp_path: Path, version: int) -> None:
    """A store of any older version opens as a new one, and one step failing leaves the older version."""
    path = tmp_path / "old.db"
    db = sqlite3.connect(path, isolation_level=None)
    migrations.migrate(db, version)
    assert db.execute("PRAGMA user_version").fetchone()[0] == version
    db.close()
    with Store(path) as store:
        assert store.row("PRAGMA user_version")[0] == migrations.NEWEST
        assert store.integrity() == []


def test_a_step_that_fails_leaves_the_version_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """A migration is all or nothing."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrations.migrate(db, 2)

    def half(conn: sqlite3.Connection) -> None:
        conn.execute("CREATE TABLE half (a)")
        raise RuntimeError("power cut")

    monkeypatch.setattr(migrations, "STEPS", (*migrations.STEPS[:2], half))
    with pytest.raises(RuntimeError):
        migrations.migrate(db, 3)
    assert db.execute("PRAGMA user_version").fetchone()[0] == 2
    assert db.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half'").fetchone()[0] == 0
    db.close()


def test_no_space_is_one_sentence_and_the_old_rows_stay(store: Store) -> None:
    """When the disk is full the batch is refused as a whole, and goes in once there is space."""
    store.add_readings(readings(50))
    store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    pages = store.row("PRAGMA page_count")[0]
    store.db.execute(f"PRAGMA max_page_count = {pages + 2}")
    big = readings(20_000, boot=2)
    with pytest.raises(StoreFull, match="No space is left for the store"):
        store.add_readings(big)
    assert store.reading_count() == 50
    assert store.integrity() == []
    store.db.execute("PRAGMA max_page_count = 1000000")
    assert store.add_readings(big) == 20_000


def test_a_backup_without_keys_holds_none(store: Store, tmp_path: Path) -> None:
    """The default backup has every row but no byte of a key or secret."""
    secret = store.secret("host-mqtt")
    assert store.secret("host-mqtt") == secret
    store.add_readings(readings(30))
    copy = store.backup(tmp_path / "copy.db")
    raw = copy.read_bytes()
    assert KEY not in raw
    assert secret not in raw
    with Store(copy) as other:
        assert other.reading_count("north") == 30
        assert other.frames()[0].key == b""
    whole = store.backup(tmp_path / "whole.db", with_keys=True)
    with Store(whole) as other:
        assert other.frames()[0].key == KEY
    with pytest.raises(InputError, match="is there already"):
        store.backup(copy)


def test_integrity_finds_damage(home: Path) -> None:
    """A flipped page is found; a sound store has no fault."""
    path = home / "d.db"
    with Store(path) as store:
        store.frame_add("north", KEY, T0)
        store.add_readings(readings(3000))
        assert store.integrity() == []
        store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2 // 4096 * 4096
    data[middle + 8 : middle + 400] = b"\xff" * 392
    path.write_bytes(data)
    with Store(path) as store:
        assert store.integrity() != []


def test_copies_wait_until_they_are_done(store: Store) -> None:
    """With copying on, each new reading waits once; a done one waits no more."""
    store.copying = True
    store.add_readings(readings(5))
    store.add_readings(readings(5))
    waiting = store.copies_waiting(3)
    assert [r.seq for _, r in waiting] == [0, 1, 2]
    store.copies_done([key for key, _ in waiting])
    assert [r.seq for _, r in store.copies_waiting(10)] == [3, 4]
    assert store.copy_all() == 5


def test_what_follows_a_commit_is_called_after_it_and_only_then(store: Store, home: Path) -> None:
    """Another connection sees the row when the call comes; a fault calls nothing; outside it is at once."""
    seen: list[int] = []
    with Store(home / STORE_NAME) as other:

        def look() -> None:
            seen.append(len(other.delivery_list()))

        with store.transaction():
            store.delivery_add("phone", "text", T0)
            with store.transaction():
                store.after_commit(look)
            assert seen == []
        assert seen == [1]
        with pytest.raises(UnknownFrame), store.transaction():  # noqa: PT012 - the call before the fault must not happen
            store.after_commit(look)
            store.frame("nobody")
        with store.transaction():
            pass
        assert seen == [1]
        store.after_commit(look)
        assert seen == [1, 1]


def test_writers_that_take_turns_wait_for_each_other_and_never_keep_the_turn(home: Path) -> None:
    """Four threads on stores of their own write each row; a fault inside lets the next one go on."""
    path = home / STORE_NAME
    with Store(path) as first:
        first.frame_add("north", KEY, T0)

    def write(boot: int) -> None:
        with Store(path) as own:
            own.take_turns()
            for n in range(0, 200, 10):
                with pytest.raises(UnknownFrame), own.transaction():  # noqa: PT012 - a fault within the turn
                    own.add_readings(readings(5, boot=99))
                    own.frame("nobody")
                own.add_readings(readings(10, boot=boot, start=n))

    threads = [threading.Thread(target=write, args=(boot,)) for boot in range(1, 5)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    with Store(path) as store:
        assert store.reading_count() == 800
        assert store.integrity() == []
