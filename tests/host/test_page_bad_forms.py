"""Bad input in each form of the page: one clear sentence, and nothing is changed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from sashkeeper.clock import SetClock
from sashkeeper.store import Store
from tests.host.page_web import Web, set_passphrase

# form, fields, what the sentence holds
BAD = (
    ("/frame/north/order", {"order": "explode"}, "a frame takes the orders"),
    ("/frame/north/order", {}, "a frame takes the orders"),
    ("/frame/north/order", {"order": "release"}, "Say first that hands, tools and children are clear"),
    ("/frame/nope/order", {"order": "hold"}, "nope"),
    ("/frame/north/diary", {"kind": "note", "text": ""}, "between 1 and 500 letters"),
    ("/frame/north/diary", {"kind": "note", "text": "x" * 501}, "between 1 and 500 letters"),
    ("/frame/north/diary", {"kind": "sang"}, "The diary takes"),
    ("/frame/north/setpoints/look", {"open_mdegc": "warm"}, "number"),
    ("/frame/north/setpoints/look", {"open_mdegc": "99"}, "Opening"),
    ("/frame/north/setpoints/look", {"open_mdegc": "10", "close_mdegc": "12"}, "Closing"),
    ("/alarms/1/silent", {"hours": "1000"}, "Choose how long it should be silent"),
    ("/alarms/1/silent", {}, "Choose how long it should be silent"),
    ("/alarms/1/heard", {}, "This alarm is not silent."),
    ("/alarms/77/silent", {"hours": "1"}, "There is no alarm number 77"),
    ("/alarms/77/known", {}, "There is no alarm number 77"),
    ("/known/abc.def", {}, "link"),
)  # fmt: skip


@pytest.fixture
def web(home: Path, store: Store, clock: SetClock) -> Iterator[Web]:
    """A signed-in browser; one frame with an alarm."""
    one = Web(home, clock)
    one.site.hands.wait_s = 0.0
    set_passphrase(one)
    one.sign_in()
    store.alarm_open("north", "stuck-shut", "urgent", "unacknowledged", int(clock.now_s()), "text")
    yield one
    one.close()


def changes(store: Store) -> list[object]:
    """Everything that a form of the page can change."""
    return [store.rows(f"SELECT * FROM {t}") for t in ("orders_sent", "settings_sent", "diary", "alarms", "alarm_log")]


@pytest.mark.parametrize(("path", "fields", "says"), BAD)
def test_one_clear_sentence_and_nothing_changed(
    web: Web, store: Store, path: str, fields: dict[str, str], says: str
) -> None:
    """The sentence stands on the page that comes back, or on the next one."""
    before = changes(store)
    answer = web.form(path, {"token": web.token, **fields})
    if answer.status_code == 303:
        answer = web.get(answer.headers["location"])
    assert answer.status_code < 500
    main = re.sub(r"<[^>]+>", " ", answer.text.split("<main", 1)[1].split("</main>")[0])
    assert says in " ".join(main.replace("&#39;", "'").replace("&#34;", '"').split())
    assert changes(store) == before
    assert web.frame.orders == []
    assert web.frame.settings == {}


@pytest.mark.parametrize(
    ("given", "says"),
    [({"passphrase": "short", "again": "short"}, "letters"),
     ({"passphrase": "four plain garden words", "again": "four plain garden word"}, "The two passphrases differ."),
     ({}, "letters")],
)  # fmt: skip
def test_the_first_passphrase(home: Path, clock: SetClock, store: Store, given: dict[str, str], says: str) -> None:
    """A passphrase that cannot be is refused with the reason, and none is set."""
    web = Web(home, clock)
    word = web.site.vault.first_word()
    answer = web.form(f"/first/{word}", given)
    assert answer.status_code == 422
    assert says in answer.text
    assert not web.site.vault.passphrase_hash
    web.close()
