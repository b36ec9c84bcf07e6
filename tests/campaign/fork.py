"""Lets one winter part in two: a copy of this process goes on with a copy of the store, and says what it found."""

from __future__ import annotations

import os
import pickle
import shutil
import sqlite3
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from sashkeeper.store import Store

from .winter import Winter

Found = TypeVar("Found")

_left: list[sqlite3.Connection] = []  # the parent's connection: a copy of it must neither be used nor closed


def in_a_fork(winter: Winter, play: Callable[[], Found]) -> Found:
    """Return what play() gives in a copy of this process, in which nothing that it does touches the winter here.

    Raises RuntimeError with the copy's traceback where play fails.
    """
    store = winter.house.store
    home = Path(tempfile.mkdtemp(prefix="copy-", dir=store.path.parent))  # of its own: a journal stays beside the store
    copy = store.backup(home / store.path.name, with_keys=True)
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reading)
            _move_to(store, copy)
            answer = pickle.dumps((play(), ""))
        except BaseException:
            answer = pickle.dumps((None, traceback.format_exc()))
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(answer)
        os._exit(0)  # no destructors: they would close what is the parent's
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        found, why = pickle.loads(pipe.read())
    os.waitpid(child, 0)
    shutil.rmtree(home)
    if why:
        raise RuntimeError(why)
    answered: Found = found
    return answered


def _move_to(store: Store, copy: Path) -> None:
    """Let this store go on in another file."""
    _left.append(store.db)
    store.__dict__.update(Store(copy).__dict__)
