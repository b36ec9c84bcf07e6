"""Certificates, codes for phones, doctor, and frames that leave."""

from __future__ import annotations

import json
import os
import sqlite3
import ssl
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from sashkeeper import frames as registry
from sashkeeper.clock import SetClock
from sashkeeper.context import STORE_NAME, App
from sashkeeper.errors import InputError
from sashkeeper.joining import authority, doctor, leaving, phone
from sashkeeper.joining.files import HOST_NAME
from sashkeeper.keeper import Keeper
from sashkeeper.store import Store
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import EmbeddedBroker, address, free_port, host_password
from sashkeeper.wire.bus import Address, Bus

NOON_S = 1_770_724_800
Run = Callable[..., Result]


# -- certificates -----------------------------------------------------------------------------------


def test_certificates_fit_boards_and_hosts(home: Path) -> None:
    """They are valid from 2000 on (boards start with old clocks), name the host, and their keys are private."""
    made = authority.make(home, ["192.168.1.20", "garden-pi.local"], NOON_S)
    found = authority.look(made.cert)
    assert {HOST_NAME, "127.0.0.1", "192.168.1.20", "garden-pi.local"} <= set(found.names)
    assert found.ends_s == pytest.approx(NOON_S + 5 * 365 * 86_400, abs=1)
    for path in made.secrets():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(made.folder.stat().st_mode) == 0o700
    assert ssl.DER_cert_to_PEM_cert(made.ca_der.read_bytes()).split() == made.ca_pem.read_text().split()
    from cryptography import x509

    for path in (made.ca_pem, made.cert):
        assert x509.load_pem_x509_certificate(path.read_bytes()).not_valid_before_utc.year == 2000


def test_renewing_keeps_the_authority(home: Path) -> None:
    """A new certificate for a new address is signed by the same authority, so that no board needs a visit."""
    first = authority.make(home, ["192.168.1.20"], NOON_S)
    ca, cert = first.ca_der.read_bytes(), first.cert.read_bytes()
    again = authority.make(home, ["192.168.1.21"], NOON_S)
    assert again.ca_der.read_bytes() == ca
    assert again.cert.read_bytes() != cert
    assert "192.168.1.21" in authority.look(again.cert).names


@pytest.mark.parametrize("name", ["no name", "ä.local", "a/b", ""])
def test_addresses_that_are_none(home: Path, name: str) -> None:
    """What is neither an address nor a name is refused, and nothing is written."""
    with pytest.raises(InputError, match="neither an address nor a name"):
        authority.make(home, [name], NOON_S)
    assert not (home / "tls").exists()


def test_damaged_authority_is_told(home: Path, run: Run) -> None:
    """A broken key leads to a sentence, not to a new authority that no board would trust."""
    made = authority.make(home, [], NOON_S)
    made.ca_key.write_text("damaged")
    assert "cannot be read" in run("join", "certificates", code=1).stderr
    assert made.ca_key.read_text() == "damaged"


# -- TLS is the default -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "clear"),
    [
        ('listen = "0.0.0.0"', True),
        ('listen = "192.0.2.7"', True),
        ('kind = "external"\nhost = "192.0.2.7"', True),
        ('kind = "external"\nhost = "192.0.2.7"\ntls = true', False),
        ('kind = "external"', False),
        ("", False),
        ('listen = "0.0.0.0"\ncert_file = "c"\nkey_file = "k"', False),
    ],
)
def test_plaintext_beyond_this_computer_needs_a_switch(home: Path, run: Run, table: str, clear: bool) -> None:
    """Without TLS nothing goes over the network until plain = true is written, and then status says so (SEC-9)."""
    (home / "sashkeeper.toml").write_text(f"[broker]\n{table}\n")
    app = App(home)
    if not clear:
        address(app)
    else:
        with pytest.raises(InputError, match="without TLS"):
            address(app)
        assert "without TLS" in run("serve", code=2).stderr
        (home / "sashkeeper.toml").write_text(f"[broker]\n{table}\nplain = true\n")
        address(App(home))
        assert "without TLS" in run("status").output
        assert json.loads(run("status", "--json").output)["in_clear"] is True
    app.close()


def test_mosquitto_files_without_tls_need_a_switch(home: Path, run: Run, store: Store) -> None:
    """Mosquitto's files speak TLS where certificates are, and plaintext only when asked for."""
    assert "travel in clear" in run("broker", "mosquitto", str(home / "m"), code=2).stderr
    assert not (home / "m").exists()
    run("broker", "mosquitto", str(home / "m"), "--plain")
    assert "certfile" not in (home / "m" / "mosquitto.conf").read_text()
    run("join", "certificates", "--address", "192.168.1.20")
    run("broker", "mosquitto", str(home / "m"), "--overwrite")
    assert "certfile" in (home / "m" / "mosquitto.conf").read_text()


def test_serve_speaks_tls_after_join(home: Path, run: Run, store: Store) -> None:
    """After one command the broker speaks TLS and nothing else, and the host checks its certificate."""
    port = free_port()
    said = json.loads(run("join", "certificates", "--address", "127.0.0.1", "--port", str(port), "--json").output)
    assert HOST_NAME in said["names"]
    text = (home / "sashkeeper.toml").read_text().replace('listen = "0.0.0.0"', 'listen = "127.0.0.1"')
    (home / "sashkeeper.toml").write_text(text.replace("[page]", "[page]\nport = 0"))
    app, told = App(home), []
    connected = threading.Event()

    def say(sentence: str) -> None:
        told.append(sentence)
        if "connected" in sentence:
            connected.set()

    keeper = Keeper(app, say)
    thread = threading.Thread(target=keeper.run)
    thread.start()
    try:
        assert connected.wait(20), told
        assert keeper.address is not None
        assert keeper.address.tls
        plain = Bus(Address("127.0.0.1", port, HOST_USER, host_password(store)), "plain", clean=True)
        with pytest.raises(Exception, match="cannot be reached"):
            plain.connect(1.0)
        plain.close()
    finally:
        keeper.stop.set()
        thread.join(20)
    assert "without TLS" not in " ".join(told)


# -- a second phone ---------------------------------------------------------------------------------


def test_a_code_counts_once_and_not_for_long(store: Store) -> None:
    """A code lets in one phone within ten minutes, however it is typed; an older one does not count."""
    old = phone.make_code(store, NOON_S)
    code = phone.make_code(store, NOON_S)
    assert not phone.use_code(store, old, NOON_S + 1)
    assert phone.use_code(store, code.upper().replace("-", " "), NOON_S + 599)
    assert not phone.use_code(store, code, NOON_S + 599)
    late = phone.make_code(store, NOON_S)
    assert not phone.use_code(store, late, NOON_S + 600)
    back = phone.make_code(store, NOON_S)
    assert not phone.use_code(store, back, NOON_S - 3600)


def test_guessing_uses_a_code_up(store: Store) -> None:
    """Five wrong codes end the right one."""
    code = phone.make_code(store, NOON_S)
    for _ in range(phone.TRIES):
        assert not phone.use_code(store, "aaaaa-aaaaa", NOON_S)
    assert not phone.use_code(store, code, NOON_S)


def test_ten_thousand_codes_differ(store: Store) -> None:
    """No code comes twice."""
    made = {"".join(phone.make_code(store, NOON_S)) for _ in range(300)}
    assert len(made) == 300


def test_phone_command_shows_a_picture_and_an_address(run: Run, store: Store) -> None:
    """The QR code is shown, the address holds the code, and the store holds only its digest."""
    said = json.loads(run("join", "phone", "--url", "https://192.168.1.20:8080", "--json").output)
    assert said["url"] == f"https://192.168.1.20:8080/join/{said['code']}"
    assert "within ten minutes" in run("join", "phone").output
    (kept,) = store.row("SELECT value FROM secrets WHERE name = 'join-code'")
    assert said["code"].encode() not in bytes(kept)


def test_the_page_lets_a_phone_in(home: Path, store: Store, clock: SetClock) -> None:
    """Looking at the link changes nothing; the button starts a session; the second time it is refused."""
    from tests.host.page_web import Web

    code = phone.make_code(store, clock.now_s())
    web = Web(home, clock)
    try:
        assert "Join with this phone" in web.get(f"/join/{code}").text
        assert web.get("/").status_code == 303
        assert web.form(f"/join/{code}", {}, origin="https://elsewhere.example").status_code == 403
        assert web.form(f"/join/{code}", {}).headers["location"] == "/"
        assert web.get("/").status_code == 200
        assert web.form(f"/join/{code}", {}).status_code == 403
    finally:
        web.close()


# -- forget -----------------------------------------------------------------------------------------


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


# -- doctor -----------------------------------------------------------------------------------------


def verdicts(run: Run, code: int) -> dict[str, tuple[str, str]]:
    """What the doctor says, by item."""
    said = json.loads(run("doctor", "--json", code=code).output)
    assert said["safe"] is (code == 0)
    return {item["what"]: (item["verdict"], item["found"]) for item in said["items"]}


@pytest.fixture
def healthy(home: Path, store: Store, clock: SetClock) -> Iterator[Store]:
    """A household in which nothing is unsafe."""
    from sashkeeper.store import Reading

    port = free_port()
    (home / "sashkeeper.toml").write_text(
        f'[broker]\nport = {port}\n[[channels]]\nname = "phone"\nurl = "json://127.0.0.1:9/x"\n'
    )
    (home / "sashkeeper.toml").chmod(0o600)
    store.add_readings([Reading("north", 1, 1, NOON_S - 30, {"air": 8.0})])
    with EmbeddedBroker(home / STORE_NAME, port=port):
        yield store


def test_doctor_finds_nothing_unsafe(healthy: Store, run: Run) -> None:
    """A sound household gets exit code 0, and every item a sentence."""
    found = verdicts(run, 0)
    assert {"files", "store", "tls", "broker", "accounts", "phone", "clock", "backup", "north"} <= set(found)
    assert found["accounts"][0] == "good"
    assert run("doctor").output.rstrip().endswith("items.")


def spoil_mode(home: Path, store: Store) -> None:
    (home / STORE_NAME).chmod(0o644)


def spoil_plain(home: Path, store: Store) -> None:
    text = (home / "sashkeeper.toml").read_text()
    (home / "sashkeeper.toml").write_text(text.replace("[broker]", '[broker]\nlisten = "0.0.0.0"\nplain = true'))


def spoil_port(home: Path, store: Store) -> None:
    text = (home / "sashkeeper.toml").read_text()
    lines = [f"port = {free_port()}" if line.startswith("port") else line for line in text.splitlines()]
    (home / "sashkeeper.toml").write_text("\n".join(lines))


def spoil_phone(home: Path, store: Store) -> None:
    text = (home / "sashkeeper.toml").read_text()
    (home / "sashkeeper.toml").write_text(text.split("[[channels]]")[0])


def spoil_clock(home: Path, store: Store) -> None:
    from sashkeeper.store import Reading

    store.add_readings([Reading("north", 1, 2, NOON_S + 10 * 86_400, {"air": 8.0})])


def spoil_key(home: Path, store: Store) -> None:
    store.frame_change("north", key=b"short")


def spoil_silence(home: Path, store: Store) -> None:
    store.db.execute("UPDATE readings SET time_s = time_s - 90000")


@pytest.mark.parametrize(
    ("spoil", "item"),
    [
        (spoil_mode, "files"), (spoil_plain, "tls"), (spoil_port, "broker"), (spoil_phone, "phone"),
        (spoil_clock, "clock"), (spoil_key, "north"), (spoil_silence, "north"),
    ],
)  # fmt: skip
def test_doctor_names_what_is_unsafe(
    healthy: Store, home: Path, run: Run, spoil: Callable[[Path, Store], None], item: str
) -> None:
    """Each single fault is found, named, comes with what to do, and ends with code 1 (SEC-18)."""
    spoil(home, healthy)
    said = json.loads(run("doctor", "--json", code=1).output)
    bad = [i for i in said["items"] if i["verdict"] == "unsafe"]
    assert item in {i["what"] for i in bad}
    assert all(i["do"] for i in bad)


def test_doctor_knows_the_built_in_battery_limits(healthy: Store, run: Run) -> None:
    """A frame on a battery that still has the built-in limits is told so; with its own limits, or on mains, not."""
    from sash import settings
    from sashkeeper.store import Reading

    def said() -> bool:
        items = json.loads(run("doctor", "--json", code=0).output)["items"]
        return any("built-in battery limits" in item["found"] for item in items)

    built_in = settings.defaults()  # type: ignore[no-untyped-call]
    healthy.save_actual("north", {"v": 1, "n": 1, "settings": built_in, "refused": None}, NOON_S)
    assert not said()
    healthy.add_readings([Reading("north", 1, 2, NOON_S - 20, {"air": 8.0, "battery": 12.6})])
    assert said()
    own = {**built_in, "battery_low_mv": 12_240, "battery_empty_mv": 11_958}
    healthy.save_actual("north", {"v": 1, "n": 2, "settings": own, "refused": None}, NOON_S)
    assert not said()


def test_doctor_notices_a_broker_open_to_strangers(healthy: Store, home: Path, run: Run, mosquitto: str) -> None:
    """A broker without accounts is unsafe, however well it answers."""
    from sashkeeper.wire.mosquitto import Mosquitto

    port, folder = free_port(), home / "open"
    folder.mkdir()
    (folder / "mosquitto.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    text = (home / "sashkeeper.toml").read_text()
    lines = [f'port = {port}\nkind = "external"' if line.startswith("port") else line for line in text.splitlines()]
    (home / "sashkeeper.toml").write_text("\n".join(lines))
    with Mosquitto(folder, port):
        assert verdicts(run, 1)["accounts"][0] == "unsafe"


def test_doctor_watches_the_certificate(home: Path, run: Run, clock: SetClock, store: Store) -> None:
    """It speaks up sixty days before the certificate ends, and calls one that has ended unsafe."""
    run("join", "certificates", "--address", "127.0.0.1")
    end_s = authority.look(home / "tls" / "server.pem").ends_s
    for left_days, verdict in ((61, "good"), (59, "look"), (-1, "unsafe")):
        clock.set(end_s - left_days * 86_400)
        app = App(home, clock=clock)
        (item,) = [i for i in doctor.examine(app) if i.what == "certificate"]
        app.close()
        assert item.verdict == verdict or (verdict == "good" and "address" in item.found), (left_days, item)


# -- service ----------------------------------------------------------------------------------------


def test_units_are_sound(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    """The units name home and program with awkward letters quoted, pass systemd's own check, and can be removed."""
    import shutil
    import subprocess

    from sashkeeper import units_for_systemd as units

    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    texts = units.texts(Path('/srv/my "50%" $frames'), tmp_path / "backups")
    assert '--home "/srv/my \\"50%%\\" $$frames" serve' in texts[units.SERVICE]
    said = run("service", "install", "--backups", str(tmp_path / "backups"), "--no-start").output
    assert "Nothing was started" in said
    written = sorted((tmp_path / "config" / "systemd" / "user").iterdir())
    assert [p.name for p in written] == sorted((units.SERVICE, units.BACKUP, units.TIMER))
    if shutil.which("systemd-analyze"):
        done = subprocess.run(["systemd-analyze", "--user", "verify", *map(str, written)], capture_output=True,
                              text=True, timeout=60, env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)})  # fmt: skip
        faults = [line for line in done.stderr.splitlines() if "sashkeeper" in line and "ermission" not in line]
        assert not faults, done.stderr
    assert json.loads(run("service", "status", "--json").output)["installed"] is True
    run("service", "remove")
    assert not list((tmp_path / "config" / "systemd" / "user").iterdir())


def test_backups_are_kept_for_a_while(run: Run, home: Path, tmp_path: Path, clock: SetClock, store: Store) -> None:
    """One file a day, the newest three stay, files of others are left alone, and none holds a key."""
    target = tmp_path / "backups"
    target.mkdir()
    (target / "holiday.db").write_text("mine")
    for _ in range(5):
        run("service", "backup", str(target), "--keep", "3")
        run("service", "backup", str(target), "--keep", "3")
        clock.set(clock.now_s() + 86_400)
    left = sorted(p.name for p in target.iterdir())
    assert left == ["holiday.db", *(f"sashkeeper-2026-02-{d}.db" for d in (12, 13, 14))]
    key: Any = store.frame("north").key
    assert all(key not in p.read_bytes() for p in target.iterdir())
