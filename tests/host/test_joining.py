"""Certificates, TLS by default, codes for phones, and the service units."""

from __future__ import annotations

import json
import os
import ssl
import stat
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from sashkeeper.clock import SetClock
from sashkeeper.context import App
from sashkeeper.errors import InputError
from sashkeeper.joining import authority, phone
from sashkeeper.joining.files import HOST_NAME
from sashkeeper.keeper import Keeper
from sashkeeper.store import Store
from sashkeeper.wire.access import HOST_USER
from sashkeeper.wire.broker import address, free_port, host_password
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
