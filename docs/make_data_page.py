"""Writes docs/data-we-keep.md from the drivers, the message schemas and the store itself.

Run it after a sensor, a message or a table was added; a test compares. What has no words here stops it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from sash.probes import PLACES
from sash.reading import Inputs
from sashkeeper.store import Store

HERE = Path(__file__).resolve().parent
PAGE = HERE / "data-we-keep.md"

SENSORS = {
    "probes": "temperature probes: " + ", ".join(PLACES),
    "at_shut": "end switch: lid shut",
    "at_open": "end switch: lid open",
    "motor_ma": "current of the motor",
    "battery_mv": "voltage of the battery",
    "pot_permille": "position of the lid, where a potentiometer is fitted",
    "light_lx": "daylight, where a sensor is fitted",
    "wind_mms": "gusts, where a sensor is fitted",
    "rain": "wet or dry, where a sensor is fitted",
    "humidity_permille": "humidity inside, where a sensor is fitted",
    "hold": "the hold switch: somebody works at the frame",
    "ack": "the silence button",
}

MESSAGES = {
    "presence": "connected or gone, since which start, position of the lid",
    "readings": "what the sensors read, once a minute unless set otherwise",
    "report": "state of the lid and its reason, faults, mode, firmware, board, memory",
    "event": "moves, faults, starts, hold, refused messages",
    "settings-actual": "settings in force, with the place of the frame (latitude, longitude) among them",
    "order-answer": "whether an order was carried out",
    "update-answer": "how far an update of the firmware is",
    "settings-wanted": "from the host: settings, signed",
    "order": "from the host: an order, signed",
    "update": "from the host: firmware in slices, signed",
}
BODIES = {"settings-wanted-body", "order-body", "update-body"}

# table: (what, how long)
TABLES = {
    "frames": ("names of frames, their secret keys, how they are built, the last bench check", "until forgotten"),
    "plantings": ("what grows where since when", "until forgotten"),
    "diary": ("what you wrote down, pickings among it", "until forgotten"),
    "secrets": ("passwords and keys of this installation, the page's passphrase as a hash, sessions and join codes as "
                "digests, addresses of subscribed phones", "until replaced, signed out or unsubscribed"),
    "notes": ("small states: when the last sign of life and backup went out, what stands, counts of refused messages",
              "replaced as it changes"),
    "readings": ("every reading of every frame", "until forgotten or pruned by you"),
    "rollups": ("means, lowest and highest of the readings", "until forgotten"),
    "rollups_due": ("which of them must be worked out again", "seconds"),
    "events": ("what frames told", "until forgotten"),
    "latest": ("the last presence, report and settings of each frame", "replaced as they come"),
    "report_changes": ("reports that said something new", "until forgotten"),
    "settings_sent": ("settings that were sent, with the reason", "until forgotten"),
    "orders_sent": ("orders that were given, with the answer", "until forgotten"),
    "alarms": ("alarms", "until forgotten"),
    "alarm_log": ("what happened to an alarm when, who knew of it", "until forgotten"),
    "deliveries": ("messages that went out, by the name of the channel and never its address", "until forgotten"),
    "copies_due": ("readings that a time-series server has not taken yet", "until copied"),
}  # fmt: skip

FILES = {
    "sashkeeper.toml": "place, ways to your phone (these addresses hold passwords), broker",
    "sashkeeper.db": "the store, as above",
    "tls/": "certificates and their private keys",
    "serve.lock": "nothing; its lock says that the keeper runs",
    "sashkeeper.db.turn": "nothing; several ingesters write by turns with it",
}

INTRODUCTION = """\
Everything stays in your house. Nothing is sent to us or to anybody, with exceptions that you set yourself: messages to
your phone (`[[channels]]`, or a subscription on the page, which goes enciphered through the push service of the phone's
maker) and copies of readings to a time-series server (`[influx]`). There is no camera and no microphone. Readings tell
when somebody is at the frame (hold switch), and a place with a date tells where and when you garden: treat them as
personal.

`sashkeeper store export FOLDER` gives you all of it as plain tables; `sashkeeper forget FRAME` removes a frame
everywhere and looks whether it is gone. It asks about old backups whose place it knows, and takes the frame out of them
if you say so (`--backups`); backups made with `--with-keys` hold its key. `sashkeeper page phones --forget PHONE` ends
a subscription. Deleting the home folder removes the rest.
"""

ON_THE_BOARD = """\
Its fittings (name and key of the frame, Wi-Fi name and password, certificate), settings, position of the lid, a journal
of what could not be sent yet (more than three days), and the last crash. Flash of hobby boards is not enciphered and
the serial console stays open: whoever holds the board can read it. `sashkeeper board forget` empties it; worn flash may
keep traces until the chip is erased."""


def words(known: dict[str, str], name: str, where: str) -> str:
    """Return the words for a thing, or stop."""
    if name not in known:
        sys.exit(f"{where} {name} has no words in docs/make_data_page.py yet: say what it is.")
    return known[name]


def sensors() -> list[str]:
    """Rows of what a board reads."""
    return [f"| `{name}` | {words(SENSORS, name, 'the sensor')} |" for name in Inputs.__slots__]


def messages() -> list[str]:
    """Rows of what crosses the network between frame and host."""
    rows = []
    for path in sorted((HERE / "protocol" / "schemas").glob("*.json")):
        if path.stem in BODIES:
            continue
        schema = json.loads(path.read_text(encoding="utf-8"))
        fields = sorted(schema.get("properties", {}))
        shown = ", ".join(f"`{f}`" for f in fields) or "see the schema"
        rows.append(f"| {path.stem} | {words(MESSAGES, path.stem, 'the message')} | {shown} |")
    return rows


def tables() -> list[str]:
    """Rows of what the store keeps."""
    store = Store(":memory:")
    found = store.rows("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name")
    rows = []
    for (table,) in found:
        if table not in TABLES:
            sys.exit(f"the table {table} has no words in docs/make_data_page.py yet: say what it is.")
        what, how_long = TABLES[table]
        columns = [row[1] for row in store.rows(f"PRAGMA table_info({table})")]
        shown = ", ".join(columns) if len(columns) < 20 else ", ".join(columns[:12]) + ", ..."
        rows.append(f"| `{table}` | {what} | {how_long} | {shown} |")
    store.close()
    return rows


def page() -> str:
    """Return the page."""
    lines = [
        "# What is measured, kept and sent",
        "",
        "Made by `python docs/make_data_page.py` from the drivers, the message schemas and the store; a test compares.",
        "",
        INTRODUCTION,
        "## What a board can sense", "", "| input | what |", "|---|---|", *sensors(),
        "", "## What crosses the network in the house", "", "| message | what | fields |", "|---|---|---|", *messages(),
        "", "## What the store keeps", "", "| table | what | how long | columns |", "|---|---|---|---|", *tables(),
        "", "Backups hold the same without keys and secrets, unless `--with-keys` is asked for.",
        "", "## Files in the home folder", "", "| file | what |", "|---|---|",
        *(f"| `{name}` | {what} |" for name, what in FILES.items()),
        "", "## What a board keeps", "",
        ON_THE_BOARD,
        "",
    ]  # fmt: skip
    return "\n".join(lines)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
