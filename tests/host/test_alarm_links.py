"""Links that acknowledge: signed, ending, once."""

from __future__ import annotations

import random

import pytest

from sashkeeper.alarms import links, log
from sashkeeper.store import Store

KEY = b"k" * 32
NOW = 1_767_268_800.0


def test_link_reads_back_and_counts_once() -> None:
    """A link can be looked at any number of times and used once, even by another program on the same store."""
    store = Store(":memory:")
    token = links.make(KEY, 7, NOW)
    for _ in range(3):
        assert links.read(KEY, token, NOW + 10).incident == 7

    def new(nonce: str, expires_s: int) -> bool:
        return log.first_use(store, nonce, expires_s, NOW)

    assert links.spend(KEY, token, NOW, new).incident == 7
    with pytest.raises(links.LinkRefused, match="used before"):
        links.spend(KEY, token, NOW, new)
    store.close()


def test_link_ends() -> None:
    """After its time a link is refused."""
    token = links.make(KEY, 7, NOW, 3600)
    links.read(KEY, token, NOW + 3599)
    with pytest.raises(links.LinkRefused, match="run out"):
        links.read(KEY, token, NOW + 3600)


def test_no_changed_link_passes() -> None:
    """Each single changed character, other keys, other lengths and nonsense are refused in a sentence."""
    token, rng = links.make(KEY, 7, NOW), random.Random(1)
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    for i in range(len(token)):
        other = token[:i] + rng.choice(letters.replace(token[i], "")) + token[i + 1 :]
        with pytest.raises(links.LinkRefused):
            links.read(KEY, other, NOW)
    for bad in ("", "é", token[:-1], token + "A", token + "=", "a" * 5000, "x"):
        with pytest.raises(links.LinkRefused, match="not ours"):
            links.read(KEY, bad, NOW)
    with pytest.raises(links.LinkRefused):
        links.read(b"z" * 32, token, NOW)


def test_links_cannot_be_told_from_each_other() -> None:
    """Two links for the same alarm at the same time differ."""
    assert len({links.make(KEY, 7, NOW) for _ in range(100)}) == 100
