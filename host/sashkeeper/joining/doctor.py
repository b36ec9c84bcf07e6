"""Says item by item whether this installation is secure and sound; changes nothing.

Each item is a function of the household that returns an Item. "unsafe" is for what somebody else could use
against you or what leaves a frame unwatched, "look" for what should be put right some day.
"""

from __future__ import annotations

import os
import shutil
import socket
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from .. import __version__
from ..alarms.log import ALIVE
from ..config import FILE_NAME
from ..context import App
from ..errors import SashkeeperError
from ..frames import KEY_BYTES
from ..reach import home_file, in_clear, stays_here
from ..season.setpoint_words import controller
from ..units import age
from ..wire.broker import address
from ..wire.bus import Bus
from . import authority
from .files import files

GOOD, LOOK, UNSAFE = "good", "look", "unsafe"

# All chosen.
BACKUP_OLD_S = 14 * 86_400.0
PHONE_OLD_S = 60 * 86_400.0
HEARD_OLD_S = 3600.0
ALIVE_OLD_S = 2 * 86_400.0
SPACE_LOW_BYTES = 500_000_000
CLOCK_BEFORE_S = 1_767_225_600  # 2026-01-01: no host of ours runs before it


@dataclass(frozen=True)
class Item:
    """One finding: word of what was looked at, verdict, a sentence, and what to do ("" when nothing)."""

    what: str
    verdict: str
    found: str
    do: str = ""


def examine(app: App) -> list[Item]:
    """Look at everything. Never raises for what it finds."""
    items: list[Item] = []
    for check in CHECKS:
        try:
            items += check(app)
        except SashkeeperError as fault:
            items.append(Item(check.__name__.strip("_"), UNSAFE, fault.sentence, "Put that right first."))
        except OSError as fault:
            items.append(Item(check.__name__.strip("_"), LOOK, f"Could not be looked at: {fault}."))
    return items


# -- files ------------------------------------------------------------------------------------------


def _files(app: App) -> Iterator[Item]:
    """Nobody else on this computer may read keys."""
    private = [app.store_path, app.home / FILE_NAME, *files(app.home).secrets()]
    private += [app.home / name for name in ("passwords", "broker/passwords") if (app.home / name).exists()]
    private += sorted(app.home.glob("*.before-*"))
    bad = [path for path in private if path.exists() and _open_to_others(path)]
    for path in bad:
        yield Item("files", UNSAFE, f"Others on this computer can read {path}.", f"chmod 600 {path}")
    if not bad:
        yield Item("files", GOOD, "Files with secrets can be read by you alone.")
    if app.home.exists() and app.home.stat().st_mode & stat.S_IWOTH:
        yield Item("files", UNSAFE, f"Anybody on this computer may write in {app.home}.", f"chmod 700 {app.home}")


def _open_to_others(path: Path) -> bool:
    return bool(path.stat().st_mode & (stat.S_IRGRP | stat.S_IWGRP | stat.S_IROTH | stat.S_IWOTH))


def _space(app: App) -> Iterator[Item]:
    free = shutil.disk_usage(app.home if app.home.exists() else Path.cwd()).free
    if free < SPACE_LOW_BYTES:
        yield Item("space", LOOK, f"Only {free / 1e6:.0f} MB are free on the disk of the store.", "Free some space.")
    else:
        yield Item("space", GOOD, f"{free / 1e9:.1f} GB are free for the store.")


def _store(app: App) -> Iterator[Item]:
    faults = app.store.integrity()
    if faults:
        yield Item("store", UNSAFE, f"The store is damaged: {faults[0]}.", "Stop serve and restore a backup.")
    else:
        yield Item("store", GOOD, "The store is sound.")


# -- network ----------------------------------------------------------------------------------------


def _tls(app: App) -> Iterator[Item]:
    b = app.config.broker
    if in_clear(b):
        yield Item("tls", UNSAFE, "Frames and host speak without TLS over the network (plain = true).",
                   'Run "sashkeeper join certificates", then "sashkeeper board install" for each board.')  # fmt: skip
    elif b.kind == "embedded" and stays_here(b.listen):
        yield Item("tls", LOOK if app.store.frames() else GOOD,
                   "The broker listens on this computer only, so no real board can reach it.",
                   'When boards come: "sashkeeper join certificates".')  # fmt: skip
    else:
        yield Item("tls", GOOD, "Frames and host speak TLS, and check the broker's certificate.")
    if b.kind == "embedded" and b.cert_file:
        yield _certificate(app, Path(home_file(app.home, b.cert_file)))


def _certificate(app: App, path: Path) -> Item:
    found = authority.look(path)
    left_days = (found.ends_s - app.clock.now_s()) / 86_400
    again = 'Run "sashkeeper join certificates" and restart serve; boards need nothing.'
    if left_days <= 0:
        return Item("certificate", UNSAFE, "The broker's certificate has run out: no frame can connect.", again)
    if left_days < authority.RENEW_DAYS:
        return Item("certificate", LOOK, f"The broker's certificate runs out in {left_days:.0f} days.", again)
    missing = [a for a in authority.own_addresses()[:1] if a not in found.names]
    if missing:
        return Item("certificate", LOOK, f"The certificate does not name this computer's address {missing[0]}: "
                    "browsers will complain, boards will not.", again)  # fmt: skip
    return Item("certificate", GOOD, f"The broker's certificate is good for {left_days:.0f} more days.")


def _broker(app: App) -> Iterator[Item]:
    where = address(app)
    bus = Bus(where, f"doctor-{os.getpid()}", clean=True, topics=("frames/+/presence",))
    try:
        bus.connect(3.0)
    except SashkeeperError:
        yield Item("broker", UNSAFE, f"The broker at {where} does not answer: no frame is watched.",
                   'Start it: "sashkeeper serve", or "sashkeeper service install".')  # fmt: skip
        return
    finally:
        bus.close()
    yield Item("broker", GOOD, f"The broker at {where} answers.")
    yield from _stranger(app)


def _stranger(app: App) -> Iterator[Item]:
    """A broker that lets strangers in makes all access rules worthless."""
    import dataclasses

    for user, password in (("", ""), ("stranger", "stranger")):
        bus = Bus(dataclasses.replace(address(app), user=user, password=password), f"doctor-{os.getpid()}x", clean=True)
        try:
            bus.connect(3.0)
        except SashkeeperError:
            continue
        finally:
            bus.close()
        yield Item("accounts", UNSAFE, "The broker lets in anybody without a known name and password.",
                   'Use the files of "sashkeeper broker mosquitto FOLDER".')  # fmt: skip
        return
    yield Item("accounts", GOOD, "The broker turns strangers away.")


def _ports(app: App) -> Iterator[Item]:
    """What others on the network can reach, tried on this computer's own address."""
    from ..page.settings import read

    page = read(app.config.page, app.home)
    mine = next(iter(authority.own_addresses()), "127.0.0.1")
    open_ones = []
    for name, port in (("broker", app.config.broker.port), ("page", page.port)):
        if port and _answers(mine, port):
            open_ones.append(f"{name} on port {port}")
    said = ", ".join(open_ones) or "nothing of ours"
    if not page.only_here and not page.tls:
        yield Item("page", UNSAFE, "The page can be reached over the network without TLS (plain = true).",
                   'Run "sashkeeper join certificates".')  # fmt: skip
    yield Item("ports", GOOD, f"Listening at {mine}: {said}.")


def _answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((host, port), 0.5):
            return True
    except OSError:
        return False


# -- people -----------------------------------------------------------------------------------------


def _passphrase(app: App) -> Iterator[Item]:
    row = app.store.row("SELECT 1 FROM secrets WHERE name = 'page-passphrase'")
    if row is None:
        yield Item("passphrase", LOOK, "The page has no passphrase yet; until then it shows nothing to anybody.",
                   'Set one: "sashkeeper page passphrase".')  # fmt: skip
    else:
        yield Item("passphrase", GOOD, "The page has a passphrase; only its hash is kept.")


def _phone(app: App) -> Iterator[Item]:
    if not app.config.channels and not app.store.row("SELECT 1 FROM secrets WHERE name GLOB 'page-phone/*'"):
        yield Item("phone", UNSAFE, "No way to a phone is set: an alarm would reach nobody.",
                   "Add [[channels]] to sashkeeper.toml (docs/alarms.md), or subscribe on the page.")  # fmt: skip
        return
    sent = [d.done_s for d in app.store.delivery_list(state="sent", limit=10_000) if d.done_s]
    again = 'Run "sashkeeper alarms test" and look at the phone.'
    if not sent:
        yield Item("phone", LOOK, "No message has ever reached a phone.", again)
    elif app.clock.now_s() - max(sent) > PHONE_OLD_S:
        yield Item("phone", LOOK, f"The last message went out {age(app.clock.now_s() - max(sent))}.", again)
    else:
        yield Item("phone", GOOD, f"The last message went out {age(app.clock.now_s() - max(sent))}.")


# -- time, backups, service ---------------------------------------------------------------------------


def _clock(app: App) -> Iterator[Item]:
    now_s = app.clock.now_s()
    newest = app.store.row("SELECT max(time_s) FROM readings")[0] or 0
    if now_s < CLOCK_BEFORE_S or newest > now_s + 86_400:
        yield Item("clock", UNSAFE, "This computer's clock is wrong, and frames get their time from it: "
                   f"it says {time.strftime('%Y-%m-%d', time.gmtime(now_s))}.", "Set the clock.")  # fmt: skip
    else:
        yield Item("clock", GOOD, "The clock is plausible.")


def _backups(app: App) -> Iterator[Item]:
    made = app.store.note("backup", {}) or {}
    when_s = made.get("time_s")
    again = 'Keep them regularly: "sashkeeper service install --backups FOLDER".'
    if when_s is None:
        yield Item("backup", LOOK, "No backup of the store was ever made.", again)
    elif app.clock.now_s() - when_s > BACKUP_OLD_S:
        yield Item("backup", LOOK, f"The last backup was made {age(app.clock.now_s() - when_s)}.", again)
    else:
        yield Item("backup", GOOD, f"The last backup was made {age(app.clock.now_s() - when_s)}.")


# -- frames -----------------------------------------------------------------------------------------


def _frames(app: App) -> Iterator[Item]:
    frames = app.store.frames()
    if not frames:
        yield Item("frames", LOOK, "There is no frame yet.", 'Add one: "sashkeeper frames add north".')
    if len({f.key for f in frames}) < len(frames):
        yield Item("keys", UNSAFE, "Two frames have the same key, or none.", 'Give new ones: "sashkeeper board key".')
    for frame in frames:
        if len(frame.key) < KEY_BYTES:
            yield Item(frame.id, UNSAFE, f"{frame.name} has no key: its store came from a backup without keys.",
                       f'"sashkeeper board key {frame.id}", with the cable.')  # fmt: skip
        yield from _one_frame(app, frame.id, frame.name)


def _one_frame(app: App, frame: str, name: str) -> Iterator[Item]:
    now_s = app.clock.now_s()
    latest = app.store.latest(frame)
    if latest is None:
        yield Item(frame, LOOK, f"{name} was never heard.", f'Set its board up: "sashkeeper board install {frame}".')
    elif now_s - latest.time_s > HEARD_OLD_S:
        yield Item(frame, UNSAFE, f"{name} was last heard {age(now_s - latest.time_s)}: nobody watches it.",
                   "Look at its power and its network.")  # fmt: skip
    else:
        yield Item(frame, GOOD, f"{name} was heard {age(now_s - latest.time_s)}.")
    if latest is not None and "battery" in latest.values and _built_in_limits(app, frame):
        yield Item(frame, LOOK, f"{name} has the built-in battery limits, at which a resting lead battery is empty.",
                   '"sashkeeper size power" prints yours, "sashkeeper setpoints set" sends them.')  # fmt: skip
    report = app.store.report(frame)
    firmware = str(report.body.get("firmware", "")) if report else ""
    if firmware and firmware != __version__:
        yield Item(frame, LOOK, f"{name} runs firmware {firmware}; this program brings {__version__}.",
                   f'"sashkeeper board send {frame}", on a mild day.')  # fmt: skip
    bench = app.store.frame(frame).data.get("bench")
    if latest is not None and report and report.body.get("board") != "virtual" and not (bench and bench.get("safe")):
        yield Item(frame, LOOK, f"No passed bench check of {name} is on record.", f'"sashkeeper board check {frame}".')


def _built_in_limits(app: App, frame: str) -> bool:
    actual = app.store.actual(frame)
    built_in = controller.defaults()
    names = ("battery_low_mv", "battery_empty_mv")
    return actual is not None and all(actual.body["settings"].get(n) == built_in[n] for n in names)


def _keeper(app: App) -> Iterator[Item]:
    alive_s = app.store.note(ALIVE)
    if alive_s is not None and app.clock.now_s() - float(alive_s) > ALIVE_OLD_S:
        yield Item("sign of life", LOOK, f"The last sign of life went out {age(app.clock.now_s() - float(alive_s))}.",
                   'Does "sashkeeper serve" run?')  # fmt: skip
    refused = (app.store.note("refused", {}) or {}).get("totals", {})
    odd = {k: v for k, v in refused.items() if k in ("unknown-frame", "topic")}
    if odd:
        yield Item("strangers", LOOK, f"Messages under unknown names were refused: {sum(odd.values())}.",
                   '"sashkeeper status --json" shows the last ones.')  # fmt: skip


CHECKS: tuple[Callable[[App], Iterator[Item]], ...] = (
    _files, _space, _store, _tls, _broker, _ports, _passphrase, _phone, _clock, _backups, _keeper, _frames,
)  # fmt: skip
