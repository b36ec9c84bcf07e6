"""Doctor: says whether set-up is secure and sound, item by item."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import Result

from sashkeeper.clock import SetClock
from sashkeeper.context import STORE_NAME, App
from sashkeeper.joining import authority, doctor
from sashkeeper.store import Store
from sashkeeper.wire.broker import EmbeddedBroker, free_port

NOON_S = 1_770_724_800
Run = Callable[..., Result]


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
