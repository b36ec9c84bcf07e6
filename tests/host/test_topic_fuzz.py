"""Whatever is said on any topic, the whole host takes it or refuses it: nothing breaks, then or when it is shown."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from sashkeeper import alarms, config
from sashkeeper.clock import SetClock
from sashkeeper.service import Service
from sashkeeper.store import Store
from sashkeeper.wire.messages import FROM_FRAMES, FROM_HOST
from sashkeeper.wire.outbox import Outbox
from tests.host.page_web import Web, set_passphrase
from tests.host.test_messages import mutate, schema

SCHEMAS = {
    "presence": "presence", "readings": "readings", "report": "report", "events": "event",
    "settings/actual": "settings-actual", "orders/answer": "order-answer", "update/answer": "update-answer",
    "settings/wanted": "settings-wanted", "orders": "order", "update": "update",
}  # fmt: skip
ODD = (b"", b"null", b"[]", b"{}", b"NaN", b"1e999", b"[" * 9000, b'{"v":' * 3000, b"\xff\xfe", b"\x00" * 100,
       b'{"v":1e400}', b'"\\ud800"', b"x" * 70_000)  # fmt: skip


def no_number(word: str) -> None:
    """JSON has no NaN and no Infinity."""
    pytest.fail(f"{word} in an answer")


@pytest.fixture
def whole(home: Path, store: Store, clock: SetClock) -> tuple[Service, Callable[[], None]]:
    """A whole host in this thread, mistakes not caught; and a look at every page of it."""
    (home / "sashkeeper.toml").write_text('[place]\nlat_deg = 45.9\nlon_deg = 14.8\ntimezone = "UTC"\n')
    desk = alarms.build(store, config.Config(), clock, home)
    service = Service(store, Outbox(store, clock, lambda *_, **__: None), clock, desk)

    def look() -> None:
        web = Web(home, clock)
        set_passphrase(web)
        web.sign_in()
        for path in ("/", "/frame/north", "/frame/north/night", "/frame/north/season", "/frame/north/setpoints",
                     "/alarms", "/api/frames", "/api/alarms", "/api/frames/north/readings",
                     "/api/frames/north/events", "/api/frames/north/settings"):  # fmt: skip
            answer = web.get(path)
            assert answer.status_code == 200, (path, answer.text)
            if path.startswith("/api"):
                json.loads(answer.text, parse_constant=no_number)
        web.close()

    return service, look


def said(suffix: str, rng: random.Random) -> bytes:
    """A payload: an example, an example with one to three things wrong, or no message at all."""
    examples = schema(SCHEMAS[suffix])["examples"]
    body: Any = rng.choice(examples)
    if suffix == "readings":
        body = [{**body[0], "bn": "north/"}, *body[1:]]
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
        if isinstance(body, dict | list) and body:
            body = mutate(body, rng)
    payload = rng.choice(ODD) if rng.random() < 0.05 else json.dumps(body).encode()
    if rng.random() < 0.1 and payload:
        at = rng.randrange(len(payload))
        payload = payload[:at] + rng.randbytes(rng.randrange(4)) + payload[at + rng.randrange(3) :]
    return payload


def fuzz(whole: tuple[Service, Callable[[], None]], suffix: str, count: int, store: Store, clock: SetClock) -> None:
    service, look = whole
    rng = random.Random(f"{suffix} {count}")
    for n in range(count):
        service.on_message(f"frames/north/{suffix}", said(suffix, rng), None, rng.random() < 0.3)
        if n % 10 == 9:
            clock.advance(rng.choice((1, 60, 600, -30)))
            service.tick()
    service.tick()
    assert service.trouble == ""
    look()
    assert store.integrity() == []


def test_every_topic_has_its_examples() -> None:
    """No topic of the protocol is left out here."""
    assert set(SCHEMAS) == set(FROM_FRAMES) | set(FROM_HOST)


@pytest.mark.parametrize("suffix", sorted(SCHEMAS))
def test_any_message_on_a_topic(
    whole: tuple[Service, Callable[[], None]], suffix: str, store: Store, clock: SetClock
) -> None:
    """A hundred messages on each topic: stored, judged and shown, or refused and counted."""
    fuzz(whole, suffix, 100, store, clock)


@pytest.mark.slow
@pytest.mark.parametrize("suffix", sorted(SCHEMAS))
def test_thousands_of_messages_on_a_topic(
    whole: tuple[Service, Callable[[], None]], suffix: str, store: Store, clock: SetClock
) -> None:
    """The same with 3,000 on each."""
    fuzz(whole, suffix, 3000, store, clock)


def test_odd_topics_fill_no_memory(whole: tuple[Service, Callable[[], None]]) -> None:
    """60,000 topics that nobody knows are refused and forgotten."""
    service, _ = whole
    rng = random.Random(3)
    for n in range(60_000):
        service.take(f"frames/{rng.choice(('north', 'x', '', 'No', '+', '#'))}/{n}", b"{}", 0.0)
    assert sum(service.inbox.refused.values()) == 60_000
    assert len(service.inbox.last_refused) < 5
    assert len(service.inbox._topics) <= 50_001
    assert len(service.inbox) == 0
