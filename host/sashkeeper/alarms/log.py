"""How alarms are kept: standings as notes, incidents and their steps as rows, used links as notes.

The store has the tables; this file knows how the engine's memory maps onto them. Everything that one step
changes is written in one lasting transaction together with the messages it causes, so that a restart at
any moment neither repeats nor forgets.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

from ..store import Store
from .engine import Engine
from .incident import Standing

PREFIX = "alarm-standing/"
ENGINE = "alarm-engine"
ALIVE = "alarm-alive"
LINK = "alarm-link/"
REQUEST = "alarm-request/"

_FIELDS = {f.name for f in fields(Standing)}


def save(store: Store, engine: Engine, rows: dict[int, int]) -> None:
    """Write what the engine touched since the last call; call inside a transaction."""
    for frame, alarm in engine.touched:
        standing = engine.standings.get((frame, alarm))
        key = f"{PREFIX}{frame}/{alarm}"
        if standing is None:
            store.note_set(key, None)
        else:
            store.note_set(key, {"row": rows.get(standing.incident), **standing.to_dict()})
    store.note_set(
        ENGINE,
        {
            "next": engine.next_incident,
            "pushes_s": engine.pushes_s,
            "group_s": engine.group_s,
            "life_day": engine.life_day,
        },
    )


def load(store: Store, engine: Engine) -> dict[int, int]:
    """Fill an engine from the store and return incident -> row; alarms no longer in the catalogue are dropped."""
    rows: dict[int, int] = {}
    memory = store.note(ENGINE, {})
    engine.next_incident = int(memory.get("next", 1))
    engine.pushes_s = [float(t) for t in memory.get("pushes_s", [])]
    engine.group_s, engine.life_day = memory.get("group_s"), memory.get("life_day")
    engine.standings.clear()
    for _, value in _notes(store, PREFIX):
        if value.get("alarm") not in engine.catalogue:
            continue
        standing = Standing(**{k: v for k, v in value.items() if k in _FIELDS})
        engine.standings[(standing.frame, standing.alarm)] = standing
        if value.get("row") is not None:
            rows[standing.incident] = int(value["row"])
    return rows


def first_use(store: Store, nonce: str, expires_s: int, now_s: float) -> bool:
    """Note that a link was used; False when it had been before. Old ones are swept away."""
    with store.transaction(lasting=True):
        for key, value in _notes(store, LINK):
            if value < now_s:
                store.note_set(key, None)
        if store.note(LINK + nonce) is not None:
            return False
        store.note_set(LINK + nonce, expires_s)
    return True


def ask(store: Store, request: dict[str, Any], now_s: float) -> None:
    """Leave a request of another program (the command line) for the desk that runs."""
    with store.transaction(lasting=True):
        count = int(store.note("alarm-requests", 0)) + 1
        store.note_set("alarm-requests", count)
        store.note_set(f"{REQUEST}{count:08d}", {**request, "time_s": now_s})


def take_requests(store: Store) -> list[dict[str, Any]]:
    """Return and remove the requests that wait, oldest first."""
    waiting = _notes(store, REQUEST)
    if not waiting:
        return []
    with store.transaction(lasting=True):
        waiting = _notes(store, REQUEST)
        for key, _ in waiting:
            store.note_set(key, None)
    return [value for _, value in waiting]


def _notes(store: Store, prefix: str) -> list[tuple[str, Any]]:
    found = store.rows(
        "SELECT key, value FROM notes WHERE key >= ? AND key < ? ORDER BY key", (prefix, prefix + "\U0010ffff")
    )
    return [(str(key), json.loads(value)) for key, value in found]
