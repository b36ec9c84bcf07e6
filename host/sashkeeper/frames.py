"""The registry of frames: names, keys, accounts at the broker, and the file that goes onto a board."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Mapping
from typing import Any

from .errors import InputError
from .store import Frame, Store
from .wire.messages import is_frame_id

KEY_BYTES = 32

# How a frame is built until somebody says otherwise; see the controller's fittings. Chosen.
FITTINGS: Mapping[str, Any] = {
    "travel_ms": 40_000,
    "stall_ma": 3000,
    "run_ma": 300,
    "end_switches": 1,
    "pot": 0,
    "reverse": 0,
    "probes": {},
}
# What may be said of a lid and its drive by hand, and within which limits: whatever lies outside is a slip of the hand.
FITTING_LIMITS: Mapping[str, tuple[int, int]] = {
    "travel_ms": (2_000, 300_000),
    "stall_ma": (100, 30_000),
    "run_ma": (10, 20_000),
    "shut_power_permille": (300, 1000),
    "end_switches": (0, 1),
    "pot": (0, 1),
    "reverse": (0, 1),
}


def read_fitting(text: str) -> tuple[str, int]:
    """Return (name, number) of "stall_ma=1200". Raises InputError."""
    name, _, number = text.partition("=")
    if name not in FITTING_LIMITS:
        raise InputError(f'"{text}" names no fitting. Known are {", ".join(FITTING_LIMITS)}. Nothing was changed.')
    low, high = FITTING_LIMITS[name]
    if not number.isascii() or not number.isdigit() or not low <= int(number) <= high:
        raise InputError(f'"{text}": {name} is a whole number from {low} to {high}. Nothing was changed.')
    return name, int(number)


def id_from(name: str) -> str:
    """Return a frame's id for the wire from what the grower calls it ("North frame" -> "north-frame").

    Raises InputError when nothing usable is left.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    word = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:32].strip("-")
    if not is_frame_id(word):
        raise InputError(
            f'"{name}" cannot be the name of a frame: use letters, figures and hyphens, at most 32. '
            "Nothing was changed."
        )
    return word


def add(store: Store, name: str, now_s: float, title: str = "") -> Frame:
    """Register a frame under a fresh random key of its own and return it. Raises InputError."""
    frame = id_from(name)
    store.frame_add(frame, secrets.token_bytes(KEY_BYTES), now_s, title or name)
    return store.frame(frame)


def new_key(store: Store, frame: str) -> Frame:
    """Give a frame a new key (its board then needs a new fittings file)."""
    store.frame_change(frame, key=secrets.token_bytes(KEY_BYTES))
    return store.frame(frame)


def mqtt_password(frame: Frame) -> str:
    """Return the password of a frame's account at the broker, 128 bits made from its key."""
    if len(frame.key) < KEY_BYTES:
        raise InputError(
            f'"{frame.id}" has no key, because its store was restored from a backup without keys. '
            f'Make a new one: "sashkeeper frames key {frame.id}", then put it onto the board.'
        )
    return hmac.new(frame.key, b"account at the broker", hashlib.sha256).hexdigest()[:32]


def fittings(frame: Frame, host: str, port: int, old: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return what goes into ``fittings.json`` on the board.

    host, port: the broker as the board reaches it. old: what was measured at the frame (travel time,
    probes ...) and is to be kept.
    """
    kept = {**FITTINGS, **frame.data.get("fittings", {}), **(old or {})}
    return {
        **kept,
        "frame": frame.id,
        "key": frame.key.hex(),
        "mqtt": {"host": host, "port": port, "user": frame.id, "password": mqtt_password(frame)},
    }
