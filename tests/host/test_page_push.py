"""Messages to phones: subscribed on the page, enciphered for one phone, signed, kept no longer than they are of use."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("pywebpush")

from cryptography.hazmat.primitives.asymmetric import ec

from sashkeeper.clock import SetClock
from sashkeeper.notify import BROWSER, FAILED, PAUSES_S, SENT, WAITING, Notifier
from sashkeeper.page import api, push
from sashkeeper.page.vault import MOST_PHONES, Vault
from sashkeeper.store import Store
from tests.host.page_web import Web, set_passphrase
from tests.host.push_service import Phone, PushService, decipher, point, read_token, unb64

# Source: RFC 8291, section 5 and appendix A (given from memory; the numbers prove themselves, since one wrong
# character breaks the authentication tag).
RFC_PLAIN = b"When I grow up, I want to be a watermelon"
RFC_AUTH = "BTBZMqHH6r4Tts7J_aSIgg"
RFC_PHONE_SECRET = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
RFC_PHONE_PUBLIC = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
RFC_SENDER_SECRET = "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"
RFC_SALT = "DGv6ra1nlYgDCS1FRnbzlw"
RFC_BODY = (
    "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A_"
    "yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)


def secret_of(text: str) -> ec.EllipticCurvePrivateKey:
    """A private key from its base64url."""
    return ec.derive_private_key(int.from_bytes(unb64(text), "big"), ec.SECP256R1())


@pytest.fixture
def service() -> Iterator[PushService]:
    """A push service on loopback."""
    one = PushService()
    yield one
    one.close()


@pytest.fixture
def web(home: Path, store: Store, clock: SetClock) -> Iterator[Web]:
    """A signed-in browser on a page that also takes push services on this computer."""
    one = Web(home, clock, near_phones=True)
    set_passphrase(one)
    one.sign_in()
    yield one
    one.close()


@pytest.fixture
def courier(store: Store, clock: SetClock) -> push.Courier:
    """What carries messages to phones."""
    return push.Courier(store, clock, "mailto:grower@example.org")


def subscribe(web: Web, service: PushService, phone: Phone) -> str:
    """Subscribe a phone as the page's script does."""
    answer = web.call("POST", "/api/phones", phone.subscription(service.url))
    assert answer.status_code == 201, answer.text
    return str(answer.json()["phone"])


def alarm(store: Store, clock: SetClock, kind: str = "stuck-shut", priority: str = "urgent") -> int:
    """An alarm and its message, as the desk writes them for all first ways."""
    number = store.alarm_open("north", kind, priority, "unacknowledged", clock.now_s(), "text")
    notifier = Notifier(store, (), clock)
    notifier.put("Urgent: lid stuck", "It did not open.\nWe watch.\nLift it.\nI know about it: https://x/known/SECRET",
                 notifier.ways(priority, False), number, "alert")  # fmt: skip
    return number


def test_the_example_of_the_rfc_is_deciphered_and_made() -> None:
    """Our phone opens the RFC's message, and the library we send with makes exactly that message."""
    import http_ece

    assert point(secret_of(RFC_PHONE_SECRET)) == unb64(RFC_PHONE_PUBLIC)
    assert decipher(unb64(RFC_BODY), secret_of(RFC_PHONE_SECRET), unb64(RFC_AUTH)) == RFC_PLAIN
    made = http_ece.encrypt(
        RFC_PLAIN, salt=unb64(RFC_SALT), private_key=secret_of(RFC_SENDER_SECRET), dh=unb64(RFC_PHONE_PUBLIC),
        auth_secret=unb64(RFC_AUTH), version="aes128gcm",
    )  # fmt: skip
    assert made == unb64(RFC_BODY)


def test_an_alarm_reaches_the_phone_and_nobody_else_can_read_it(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier
) -> None:
    """The phone deciphers what happened; the signed link for mail stays out."""
    phone = Phone("/push/one")
    subscribe(web, service, phone)
    number = alarm(store, clock)
    assert courier.run_due() == 1
    (pushed,) = service.heard
    told = phone.read(pushed)
    assert told["title"] == "Urgent: lid stuck"
    assert told["body"] == "It did not open.\nWe watch.\nLift it."
    assert told["path"] == f"/alarms/{number}"
    assert b"lid stuck" not in pushed.body
    assert len(pushed.body) <= 4096
    assert pushed.headers["content-encoding"] == "aes128gcm"
    (row,) = store.delivery_list(channel=BROWSER)
    assert (row.state, row.tries) == (SENT, 1)


@pytest.mark.parametrize(
    ("kind", "priority", "keep_s", "urgency"),
    [("stuck-shut", "urgent", 1800, "high"), ("hold-left-on", "high", 10_800, "high"),
     ("battery-low", "low", 86_400, "low")],
)  # fmt: skip
def test_life_urgency_and_topic_follow_the_alarm(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier, kind: str, priority: str,
    keep_s: int, urgency: str,
) -> None:  # fmt: skip
    """RFC 8030: TTL never beyond the time to respond, urgency by priority, one topic an alarm."""
    from sashkeeper.alarms import catalogue

    subscribe(web, service, Phone("/push/one"))
    number = alarm(store, clock, kind, priority)
    courier.run_due()
    headers = service.heard[0].headers
    assert int(headers["ttl"]) <= push.KEEP_S[catalogue.default()[kind].time_to_respond]
    assert int(headers["ttl"]) <= keep_s
    assert headers["urgency"] == urgency
    assert headers["topic"] == f"alarm-{number}"


def test_the_signature_names_service_sender_and_end(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier
) -> None:
    """RFC 8292: ES256, audience = origin of the service, at most 24 h, a contact; one key for good."""
    clock.set(time.time())  # the library puts an end of its own in place of one that lies behind the system's clock
    web.sign_in()
    subscribe(web, service, Phone("/push/one"))
    alarm(store, clock)
    courier.run_due()
    head, claims, key = read_token(service.heard[0].headers["authorization"])
    assert head["alg"] == "ES256"
    assert claims["aud"] == service.url
    assert clock.now_s() < claims["exp"] <= clock.now_s() + 86_400
    assert claims["sub"] == "mailto:grower@example.org"
    assert web.get("/api/phones/key").json()["key"] == push.PushKey(Vault(store)).public
    assert key == unb64(push.PushKey(Vault(store)).public)


@pytest.mark.parametrize("status", [404, 410])
def test_a_phone_that_the_service_has_forgotten_is_forgotten(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier, status: int
) -> None:
    """404 and 410 drop the subscription; with no phone left no message is written down any more."""
    subscribe(web, service, Phone("/push/one"))
    service.status["/push/one"] = status
    alarm(store, clock)
    courier.run_due()
    assert Vault(store).phones() == {}
    assert store.delivery_list(state=WAITING) == []
    assert Notifier(store, (), clock).ways("urgent", False) == []


def test_one_dead_phone_does_not_keep_the_other_from_hearing_or_make_it_hear_twice(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier
) -> None:
    """What failed is tried again for that phone alone."""
    subscribe(web, service, Phone("/push/one"))
    subscribe(web, service, Phone("/push/two"))
    service.status["/push/two"] = 503
    alarm(store, clock)
    courier.run_due()
    assert courier.run_due() == 0  # not at once again
    service.status.clear()
    clock.advance(PAUSES_S[0])
    courier.run_due()
    assert sorted(p.path for p in service.heard) == ["/push/one", "/push/two", "/push/two"]
    assert store.delivery_list(channel=BROWSER)[0].state == SENT


def test_what_is_never_taken_is_given_up_and_seen(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier
) -> None:
    """A message is not tried beyond its use; the failure is on record for the alarm about unreached phones."""
    subscribe(web, service, Phone("/push/one"))
    service.status["/push/one"] = 500
    alarm(store, clock)
    for _ in range(20):
        courier.run_due()
        clock.advance(300)
    (row,) = store.delivery_list(channel=BROWSER)
    assert row.state == FAILED
    assert "error 500" in row.result
    assert clock.now_s() - row.made_s > 1800
    assert max(int(p.headers["ttl"]) for p in service.heard) <= 1800
    assert "127.0.0.1" not in row.result  # the endpoint is a secret


def test_a_redirect_is_not_followed(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier
) -> None:
    """Our signed token goes to nobody but the service that the phone named."""
    subscribe(web, service, Phone("/push/one"))
    service.status["/push/one"] = 307
    alarm(store, clock)
    courier.run_due()
    assert len(service.heard) == 1
    assert store.delivery_list(channel=BROWSER)[0].state != SENT


def test_messages_of_any_length_and_script_fit(service: PushService, store: Store, clock: SetClock, web: Web) -> None:
    """Every push service takes 4096 bytes; ours are never longer."""
    phone = Phone("/push/one")
    subscribe(web, service, phone)
    for text in ("x" * 10_000, "\N{SNOWMAN}" * 5000, "\N{CHICKEN}" * 3000):
        store.delivery_add(BROWSER, text, clock.now_s(), state=WAITING, next_s=clock.now_s(), data={"title": text})
    push.Courier(store, clock).run_due()
    assert len(service.heard) == 3
    for pushed in service.heard:
        assert len(pushed.body) <= 4096
        assert phone.read(pushed)["body"]


def test_the_test_button_sends_a_real_test(
    web: Web, store: Store, service: PushService, courier: push.Courier
) -> None:
    """The grower can see that it works before it has to."""
    assert web.call("POST", "/api/phones/test", {}).status_code == 409
    phone = Phone("/push/one")
    subscribe(web, service, phone)
    assert web.call("POST", "/api/phones/test", {}).status_code == 202
    courier.run_due()
    assert phone.read(service.heard[0])["title"] == "Sashkeeper test"


def test_forgetting_a_phone_leaves_nothing(
    web: Web, store: Store, service: PushService, run: Callable[..., Any]
) -> None:
    """After it was forgotten no trace of a phone's address is in the store."""
    one, two = Phone("/push/one-capability"), Phone("/push/two-capability")
    number = subscribe(web, service, one)
    subscribe(web, service, two)
    assert web.call("DELETE", f"/api/phones/{number}").status_code == 204
    assert web.call("DELETE", f"/api/phones/{number}").status_code == 404
    endpoint = two.subscription(service.url)["endpoint"]
    assert web.call("POST", "/api/phones/forget", {"endpoint": endpoint}).status_code == 204
    assert store.row("SELECT count(*) FROM secrets WHERE name LIKE 'page-phone/%'")[0] == 0
    assert run("page", "phones").output.strip() == "No phone has subscribed."


def test_a_phone_subscribed_twice_counts_once_and_many_push_the_oldest_out(
    web: Web, store: Store, clock: SetClock, service: PushService
) -> None:
    """Nobody can fill the store with subscriptions."""
    for _ in range(2):
        subscribe(web, service, Phone("/push/same"))
    assert len(Vault(store).phones()) == 1
    for n in range(MOST_PHONES + 5):
        clock.advance(1)
        subscribe(web, service, Phone(f"/push/{n}"))
    kept = {one["endpoint"].rsplit("/", 1)[1] for one in Vault(store).phones().values()}
    assert len(kept) == MOST_PHONES
    assert "same" not in kept


GOOD_KEYS = {"p256dh": RFC_PHONE_PUBLIC, "auth": RFC_AUTH}


@pytest.mark.parametrize(
    "endpoint",
    ["http://push.example.net/x", "https://192.168.1.1/x", "https://127.0.0.1/x", "https://[::1]/x", "https://router/x",
     "https://nas.local/x", "https://user@push.example.net/x", "ftp://push.example.net/x", "https://[bad/x",
     "https://push.example.net:99999/x"],
)  # fmt: skip
def test_endpoints_that_are_no_push_service_are_refused(endpoint: str) -> None:
    """A subscription must not make the keeper call into the grower's own network."""
    assert api.phone_fault(api.Phone(endpoint=endpoint, keys=api.PhoneKeys(**GOOD_KEYS)), False)


def test_a_real_endpoint_is_taken() -> None:
    """Check of the check."""
    assert not api.phone_fault(api.Phone(endpoint="https://push.example.net/x", keys=api.PhoneKeys(**GOOD_KEYS)), False)
    short = api.PhoneKeys(p256dh=RFC_PHONE_PUBLIC, auth="A" * 20)
    assert api.phone_fault(api.Phone(endpoint="https://push.example.net/x", keys=short), False)


def test_a_key_that_is_no_point_is_given_up_quietly(
    web: Web, store: Store, clock: SetClock, service: PushService, courier: push.Courier
) -> None:
    """65 bytes that are no key cost one failed message, not the courier."""
    body = {"endpoint": service.url + "/push/x", "keys": {"p256dh": "B" + "A" * 86, "auth": RFC_AUTH}}
    assert web.call("POST", "/api/phones", body).status_code == 201
    alarm(store, clock)
    courier.run_due()
    assert store.delivery_list(channel=BROWSER)[0].state == FAILED


def test_with_phones_the_other_ways_stay_as_they_are(
    store: Store, clock: SetClock, web: Web, service: PushService
) -> None:
    """Push is one way more: first messages go by all, and the notifier leaves the browser's alone."""
    from sashkeeper.config import Channel

    mail = Channel(name="mail", url="json://127.0.0.1:9/")
    second = Channel(name="aunt", url="json://127.0.0.1:9/", second=True)
    sent: list[str] = []
    notifier = Notifier(store, (mail, second), clock, lambda url, title, body: sent.append(title) or "")
    assert notifier.ways("urgent", False) == ["mail"]
    subscribe(web, service, Phone("/push/one"))
    assert notifier.ways("urgent", False) == ["mail", BROWSER]
    assert notifier.ways("urgent", True) == ["aunt"]
    notifier.put("title", "body", ["mail", BROWSER])
    assert [r.channel for r in notifier.run_due()] == ["mail"]
    assert [d.channel for d in store.delivery_list(state=WAITING)] == [BROWSER]
