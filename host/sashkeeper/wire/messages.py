"""What frames say, decoded and checked before anything believes it.

Each check is written out by hand: this runs for every message, and a schema
library takes several times as long. The schemas in ``docs/protocol`` say the
same for other programs; a test holds the two together.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from operator import itemgetter
from typing import Any

from pydantic_core import from_json

from ..store.messages import Event
from ..store.readings import Reading
from .senml import SenmlFault, resolve

TOPIC_ROOT = "frames"
MAX_BYTES = 16_384  # chosen: the largest real message is under 1 KB
# A frame whose clock says otherwise is wrong, not early. 2020-01-01 and 2100-01-01 UTC.
EARLIEST_S, LATEST_S = 1_577_836_800, 4_102_444_800
MAX_BOOT = (1 << 24) - 1
MAX_SEQ = (1 << 31) - 1
MAX_VALUE = 1e9

# Metric -> unit on the wire. A pack that sends one of these in another unit is refused.
UNITS = {
    "air": "Cel",
    "air2": "Cel",
    "soil": "Cel",
    "outside": "Cel",
    "lid": "/",
    "target": "/",
    "battery": "V",
    "current": "A",
    "light": "lx",
    "wind": "m/s",
    "humidity": "%RH",
    "seq": "count",
    "boot": "count",
}
FROM_FRAMES = ("presence", "readings", "report", "events", "settings/actual", "orders/answer", "update/answer")
FROM_HOST = ("settings/wanted", "orders", "update")
LID_STATES = frozenset(("unknown", "shut", "opening", "part", "open", "shutting", "stuck", "held"))
MODES = frozenset(("auto", "hold", "safe", "bench"))

_ID = re.compile(r"[a-z0-9-]{1,32}\Z")
_NUMBERS = frozenset((int, float))
_NAME_UNIT_VALUE = itemgetter("n", "u", "v")
_SHAPES: set[tuple[tuple[str, ...], tuple[str, ...]]] = set()
_HEX = re.compile(r"[0-9a-f]{64}\Z")
_WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}\Z")


class Refused(ValueError):
    """A message that is not believed. `reason` is one word, for the counters; the text says more."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(f"{reason}: {detail}" if detail else reason)
        self.reason = reason


def is_frame_id(word: str) -> bool:
    """Return whether a word can be a frame's id on the wire: 1 to 32 of a-z, 0-9 and hyphen."""
    return _ID.match(word) is not None


def split_topic(topic: str) -> tuple[str, str]:
    """Return (frame, suffix) of ``frames/<frame>/<suffix>``. Raises Refused("topic")."""
    parts = topic.split("/", 2)
    if len(parts) != 3 or parts[0] != TOPIC_ROOT or not is_frame_id(parts[1]):
        raise Refused("topic", topic[:80])
    return parts[1], parts[2]


def topic_of(frame: str, suffix: str) -> str:
    """Return the full topic of a frame's message."""
    return f"{TOPIC_ROOT}/{frame}/{suffix}"


def parse(payload: bytes) -> Any:
    """Return the JSON value of a payload. Raises Refused("size") or Refused("json")."""
    if len(payload) > MAX_BYTES:
        raise Refused("size", f"{len(payload)} bytes")
    try:
        return from_json(payload, allow_inf_nan=False)
    except ValueError as fault:
        raise Refused("json", str(fault)) from None


def decode_readings(frame: str, payload: bytes, received_s: float) -> Reading:
    """Return the reading in a SenML pack; a frame without a clock gets the time of arrival.

    Raises Refused with "json", "senml", "form", "unit", "time", "name" or "value".
    """
    pack = parse(payload)
    if pack.__class__ is not list or not pack or pack[0].__class__ is not dict:
        raise Refused("form", "a pack is a list of records")
    first = pack[0]
    if first.get("bn") != frame + "/":
        raise Refused("name", f"the pack of {frame} says {str(first.get('bn'))[:40]!r}")
    values = _plain(pack)
    at_s = first.get("bt")
    if values is None:
        values, at_s = _general(frame, pack, received_s)
    boot = _count(values.pop("boot", None), "boot", MAX_BOOT)
    seq = _count(values.pop("seq", None), "seq", MAX_SEQ)
    if at_s is None:
        return Reading(frame, boot, seq, received_s, values, True)
    if not EARLIEST_S <= at_s <= LATEST_S:
        raise Refused("time", str(at_s))
    return Reading(frame, boot, seq, at_s, values)


def _plain(pack: list[Any]) -> dict[str, float] | None:
    """Read a pack of the shape our own frames send; None sends it through the full resolver.

    Every step here is one call into C; names and units are checked once for each shape of pack.
    """
    try:
        rows = list(map(_NAME_UNIT_VALUE, pack))
    except (KeyError, TypeError):
        return None
    first = pack[0]
    at = first.get("bt")
    # The first record also carries bn and perhaps bt; every other has exactly n, u and v.
    if len(first) != (4 if at is None else 5) or sum(map(len, pack)) != len(first) + 3 * (len(pack) - 1):
        return None
    if at is not None and at.__class__ is not int:
        return None
    names, units, values = zip(*rows, strict=True)
    try:
        known = (names, units) in _SHAPES
    except TypeError:  # a list or an object in the place of a name
        known = False
    if not known:
        if not all(isinstance(word, str) for word in names + units):
            raise Refused("form", "a name or unit is not text")
        _check_shape(names, units)
    if not _NUMBERS.issuperset(map(type, values)):
        raise Refused("value", "not a number")
    if max(values) >= MAX_VALUE or min(values) <= -MAX_VALUE:
        raise Refused("value", "out of all range")
    return dict(zip(names, values, strict=True))


def _check_shape(names: tuple[str, ...], units: tuple[str, ...]) -> None:
    for name, unit in zip(names, units, strict=True):
        if UNITS.get(name, unit) != unit:
            raise Refused("unit", f"{name} in {unit[:20]}")
        if not _WORD.match(name):
            raise Refused("name", name[:40])
    if len(set(names)) != len(names):
        raise Refused("form", "a name twice")
    if len(_SHAPES) >= 1000:  # only odd senders come this far; start afresh
        _SHAPES.clear()
    _SHAPES.add((names, units))


def _general(frame: str, pack: list[Any], received_s: float) -> tuple[dict[str, float], float | None]:
    """Read any SenML pack that speaks of one moment of one frame."""
    try:
        records = resolve(pack, received_s)
    except SenmlFault as fault:
        raise Refused("senml", str(fault)) from None
    values: dict[str, float] = {}
    times = set()
    for record in records:
        name = record.name[len(frame) + 1 :]
        if not record.name.startswith(frame + "/") or not _WORD.match(name):
            raise Refused("name", record.name[:60])
        if isinstance(record.value, bool) or not isinstance(record.value, float):
            raise Refused("value", f"{name} is not a number")
        if not math.isfinite(record.value) or abs(record.value) >= MAX_VALUE:
            raise Refused("value", f"{name} is out of all range")
        if name in values:
            raise Refused("form", f"{name} twice")
        if UNITS.get(name, record.unit) != record.unit:
            raise Refused("unit", f"{name} in {record.unit}")
        values[name] = record.value
        times.add(record.time_s)
    if len(times) > 1:
        raise Refused("form", "several times in one pack")
    has_time = any("bt" in r or "t" in r for r in pack)
    return values, times.pop() if times and has_time else None


def _count(value: Any, what: str, top: int) -> int:
    if value is None:
        raise Refused("form", f"{what} is missing")
    if isinstance(value, bool) or value != (whole := int(value)) or not 0 <= whole <= top:
        raise Refused("value", f"{what} is not a whole number")
    return whole


# -- the small JSON objects ---------------------------------------------------------------------


def _object(payload: bytes) -> dict[str, Any]:
    body = parse(payload)
    if not isinstance(body, dict):
        raise Refused("form", "not an object")
    if body.get("v") != 1 or body["v"] is True:
        raise Refused("version", str(body.get("v"))[:20])
    return body


def _whole(body: dict[str, Any], name: str, low: int, high: int) -> int:
    value = body.get(name)
    if not isinstance(value, int) or isinstance(value, bool):
        raise Refused("form", f"{name} is not a whole number")
    if not low <= value <= high:
        raise Refused("value", f"{name} is {value}")
    return value


def _time(body: dict[str, Any]) -> None:
    if body.get("time_s") is not None:
        value = _whole(body, "time_s", 0, 1 << 40)
        if not EARLIEST_S <= value <= LATEST_S:
            raise Refused("time", str(value))


def _flag(body: dict[str, Any], name: str) -> None:
    if not isinstance(body.get(name), bool):
        raise Refused("form", f"{name} is not true or false")


def _string(body: dict[str, Any], name: str) -> str:
    value = body.get(name)
    if not isinstance(value, str):
        raise Refused("form", f"{name} is not text")
    return value


def _words(body: dict[str, Any], name: str) -> None:
    value = body.get(name)
    if not isinstance(value, list) or not all(isinstance(w, str) and _WORD.match(w) for w in value):
        raise Refused("form", f"{name} is not a list of words")


def decode_presence(payload: bytes) -> dict[str, Any]:
    """Return a presence message. Raises Refused."""
    body = _object(payload)
    _flag(body, "here")
    _whole(body, "boot", 0, MAX_BOOT)
    _time(body)
    if body.get("position_permille") is not None:
        _whole(body, "position_permille", -1, 1000)
    return body


def decode_report(payload: bytes) -> dict[str, Any]:
    """Return a report. Raises Refused."""
    body = _object(payload)
    _whole(body, "boot", 0, MAX_BOOT)
    _time(body)
    _whole(body, "uptime_s", 0, 1 << 40)
    lid = body.get("lid")
    if not isinstance(lid, dict):
        raise Refused("form", "lid is not an object")
    if _string(lid, "state") not in LID_STATES:
        raise Refused("value", f"lid state {lid['state'][:40]}")
    _whole(lid, "position_permille", -1, 1000)
    _whole(lid, "target_permille", -1, 1000)
    if not _WORD.match(_string(body, "reason")):
        raise Refused("value", "reason")
    _words(body, "lockouts")
    _words(body, "faults")
    if _string(body, "mode") not in MODES:
        raise Refused("value", f"mode {body['mode'][:40]}")
    _whole(body, "settings_n", 0, 1 << 40)
    return body


def decode_event(frame: str, payload: bytes, received_s: float) -> Event:
    """Return an event; one without a time gets the time of arrival. Raises Refused."""
    body = _object(payload)
    boot = _whole(body, "boot", 0, MAX_BOOT)
    seq = _whole(body, "seq", 0, MAX_SEQ)
    _time(body)
    kind = _string(body, "kind")
    if not _WORD.match(kind):
        raise Refused("value", "kind")
    _check_event(kind, body)
    at_s = body.get("time_s")
    return Event(frame, boot, seq, received_s if at_s is None else at_s, kind, body)


def _check_event(kind: str, body: dict[str, Any]) -> None:
    """Refuse an event whose details are not what the alarms and the page take them for."""
    for name in ("from_permille", "to_permille", "position_permille"):
        if name in body:
            _whole(body, name, -1, 1000)
    for name in ("fault", "cause", "what"):
        if name in body and not _WORD.match(_string(body, name)):
            raise Refused("value", name)
    for name in ("why", "detail"):
        if name in body:
            _string(body, name)
    if kind == "hold":
        _flag(body, "on")


def decode_actual(payload: bytes) -> dict[str, Any]:
    """Return the settings in force. Raises Refused."""
    body = _object(payload)
    _whole(body, "n", 0, 1 << 40)
    settings = body.get("settings")
    if not isinstance(settings, dict) or not all(_plain_int(v) for v in settings.values()):
        raise Refused("form", "settings are not whole numbers by name")
    refused = body.get("refused")
    if refused is not None:
        if not isinstance(refused, dict):
            raise Refused("form", "refused is not an object")
        _whole(refused, "n", -1, 1 << 40)
        _string(refused, "why")
    return body


def _plain_int(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < 1 << 40


def decode_answer(payload: bytes) -> dict[str, Any]:
    """Return the answer to an order. Raises Refused."""
    body = _object(payload)
    _whole(body, "n", -1, 1 << 40)
    _flag(body, "done")
    _string(body, "why")
    return body


def decode_update_answer(payload: bytes) -> dict[str, Any]:
    """Return how far an update is. Raises Refused."""
    body = _object(payload)
    _whole(body, "number", 0, 1 << 40)
    _string(body, "version")
    if "refused" in body:
        if not _WORD.match(_string(body, "refused")):
            raise Refused("value", "refused")
        return body
    if not _HEX.match(_string(body, "pack")):
        raise Refused("value", "pack")
    if "want" in body:
        _whole(body, "want", 0, 1 << 40)
    elif body.get("whole") != 1 and body.get("done") != 1:
        raise Refused("form", "neither want, whole, done nor refused")
    return body


OBJECTS: dict[str, Callable[[bytes], dict[str, Any]]] = {
    "presence": decode_presence,
    "report": decode_report,
    "settings/actual": decode_actual,
    "orders/answer": decode_answer,
    "update/answer": decode_update_answer,
}
