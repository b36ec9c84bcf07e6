"""SenML packs (RFC 8428) turned into resolved records.

The resolver takes any pack, not only ours, since growers may point other
senders at the broker. Rules: base fields hold until set again; relative
times; one value a record; unknown labels ending in "_" must be understood.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

VERSION = 10
# Below this a resolved time counts from now. Source: RFC 8428, section 4.5.3.
RELATIVE_BELOW_S = 268_435_456

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")
_LABELS = frozenset(("bver", "bn", "bt", "bu", "bv", "bs", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"))
_VALUES = ("v", "vs", "vb", "vd")


class SenmlFault(ValueError):
    """A pack that breaks the standard; the text says which record and what."""


@dataclass(slots=True, frozen=True)
class Record:
    """One resolved record: full name, absolute Unix time [s], value, unit.

    value: float, str, bool, bytes, or None when only a sum is given.
    version is 10 unless the pack says otherwise; update_s is `ut`.
    """

    name: str
    time_s: float
    value: float | str | bool | bytes | None
    unit: str | None = None
    total: float | None = None
    update_s: float | None = None
    version: int = VERSION


def resolve(pack: Any, now_s: float) -> list[Record]:
    """Return the records of a parsed JSON pack in time order.

    now_s: stands for "now" in relative times. Raises SenmlFault.
    """
    if not isinstance(pack, Sequence) or isinstance(pack, str | bytes):
        raise SenmlFault("a pack is a list of records")
    base: dict[str, Any] = {"bn": "", "bt": 0, "bu": None, "bv": 0, "bs": 0}
    version = _version(pack)
    out = []
    for i, record in enumerate(pack, 1):
        if not isinstance(record, Mapping):
            raise SenmlFault(f"record {i} is not an object")
        one = _record(record, base, now_s, version, i)
        if one is not None:
            out.append(one)
    # Stable: records of one moment keep the order of the pack.
    out.sort(key=lambda r: r.time_s)
    return out


def _version(pack: Sequence[Any]) -> int:
    versions = {r["bver"] for r in pack if isinstance(r, Mapping) and isinstance(r.get("bver"), int)}
    if len(versions) > 1:
        raise SenmlFault("the records name different versions (bver)")
    version = versions.pop() if versions else VERSION
    if isinstance(version, bool) or not 1 <= version <= VERSION:
        raise SenmlFault(f"version {version} (bver) is newer than {VERSION}")
    return int(version)


def _record(record: Mapping[str, Any], base: dict[str, Any], now_s: float, version: int, i: int) -> Record | None:
    for label in record:
        if label not in _LABELS and label.endswith("_"):
            raise SenmlFault(f'record {i} needs the label "{label}" to be understood, and we do not know it')
    for label in base:
        if label in record:
            base[label] = _text(record, label, i) if label in ("bn", "bu") else _number(record, label, i)
    if "bver" in record:
        _number(record, "bver", i)
    given = [k for k in _VALUES if k in record]
    if len(given) > 1:
        raise SenmlFault(f"record {i} has several values ({', '.join(given)})")
    if not given and "s" not in record:
        return None
    name = base["bn"] + (_text(record, "n", i) if "n" in record else "")
    if not _NAME.match(name):
        raise SenmlFault(f'record {i} has the name "{name}", which is empty or has characters that are not allowed')
    time_s = base["bt"] + (_number(record, "t", i) if "t" in record else 0)
    if time_s < RELATIVE_BELOW_S:
        time_s += now_s
    return Record(
        name,
        time_s,
        _value(record, given[0], base, i) if given else None,
        _text(record, "u", i) if "u" in record else base["bu"],
        base["bs"] + _number(record, "s", i) if "s" in record else None,
        _number(record, "ut", i) if "ut" in record else None,
        version,
    )


def _value(record: Mapping[str, Any], label: str, base: Mapping[str, Any], i: int) -> float | str | bool | bytes:
    if label == "v":
        return float(base["bv"] + _number(record, "v", i))
    if label == "vb":
        if not isinstance(record["vb"], bool):
            raise SenmlFault(f"record {i}: vb is not true or false")
        return record["vb"]
    text = _text(record, label, i)
    if label == "vs":
        return text
    if "=" in text:
        raise SenmlFault(f"record {i}: vd has padding")
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise SenmlFault(f"record {i}: vd is not base64url") from None


def _number(record: Mapping[str, Any], label: str, i: int) -> float:
    value = record[label]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SenmlFault(f"record {i}: {label} is not a number")
    try:
        # Whole numbers stay whole: times must not lose digits.
        finite = math.isfinite(value)
    except OverflowError:
        finite = False
    if not finite:
        raise SenmlFault(f"record {i}: {label} is not a finite number")
    return value


def _text(record: Mapping[str, Any], label: str, i: int) -> str:
    value = record[label]
    if not isinstance(value, str):
        raise SenmlFault(f"record {i}: {label} is not text")
    return value
