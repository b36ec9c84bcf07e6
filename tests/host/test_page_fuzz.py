"""Whatever arrives at the page, it answers, never with a mistake of ours, and the store stays sound."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

import jsonschema
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sashkeeper.clock import SetClock
from sashkeeper.page import openapi
from sashkeeper.store import Reading, Store
from tests.host.page_web import Web, set_passphrase

FEW = settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
METHODS = ("GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE")
FORMS = ("/sign-in", "/frame/north/order", "/frame/north/diary", "/frame/north/setpoints",
         "/frame/north/setpoints/look", "/alarms/1/known", "/known/x", "/first/x", "/sign-out-not")  # fmt: skip
FIELDS = ("token", "kind", "text", "order", "clear", "next", "passphrase", "again", "open_mdegc", "close_mdegc",
          "scorch_mdegc", "stage_mdegc")  # fmt: skip

# Anything that can stand in a path, a form or JSON; half of it is what a browser could send.
words = st.one_of(st.sampled_from(["north", "nope", "1", "-1", "0", "%00", "..", "north%2f..", "own", "suggested",
                                   "hold", "note", "12", "-40", "1e9", "nan"]), st.text(max_size=30))  # fmt: skip
values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=8,
)


@pytest.fixture
def web(home: Path, store: Store, clock: SetClock) -> Iterator[Web]:
    """A signed-in browser; one frame with an hour of readings and an alarm."""
    one = Web(home, clock)
    one.site.hands.wait_s = 0.0
    set_passphrase(one)
    one.sign_in()
    now_s = int(clock.now_s())
    store.add_readings([Reading("north", 1, n, float(now_s - 60 * n), {"air": 12.0, "lid": 0.0}) for n in range(60)])
    store.alarm_open("north", "stuck-shut", "urgent", "unacknowledged", now_s, "text")
    store.note_set("alarm-alive", now_s)
    yield one
    assert store.integrity() == []
    one.close()


def sound(web: Web, answer: Any, api: bool) -> None:
    """No mistake of ours, and faults in their form."""
    assert answer.status_code < 500, answer.text
    if api and answer.status_code >= 400 and answer.request.method != "HEAD":
        assert answer.headers["content-type"] == "application/problem+json"
        jsonschema.validate(answer.json(), openapi.PROBLEM)
        assert answer.json()["status"] == answer.status_code


def test_the_description_is_openapi_and_names_every_address(web: Web) -> None:
    """What is served is described, and what is described is served."""
    document = web.get("/api").json()
    assert document["openapi"].startswith("3.1")
    ours = [r for r in web.asgi.routes if getattr(r, "path", "").startswith("/api")]
    served = {(r.path.replace(":int", ""), m.lower()) for r in ours for m in r.methods - {"HEAD"}}
    described = {(path, method) for path, calls in document["paths"].items() for method in calls}
    assert served == described
    for schema in document["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(("path", "method"), [(c[0], c[1]) for c in openapi.CALLS if c[3]])
@FEW
@given(body=values, raw=st.binary(max_size=40), how=st.integers(0, 2))
def test_any_body_gets_an_answer(web: Web, path: str, method: str, body: Any, raw: bytes, how: int) -> None:
    """JSON of any shape, bytes of any kind."""
    token = web.call("GET", "/api/session", token="").json().get("token", "")
    at = path.replace("{frame}", "north").replace("{number}", "1")
    try:
        content = raw if how == 0 else json.dumps(body).encode()
    except (ValueError, UnicodeError):
        content = raw
    headers = {"x-sashkeeper-token": token, "content-type": "application/json" if how < 2 else "text/plain"}
    sound(web, web.ask(method.upper(), at, content=content, headers=headers), True)


@pytest.mark.parametrize("name", ["Wanted", "Order", "Entry", "Phone", "Forget"])
@FEW
@given(data=st.data())
def test_bodies_that_nearly_fit_get_an_answer(web: Web, name: str, data: st.DataObject) -> None:
    """Bodies made from the description's own fields, with values from anywhere."""
    path, method = next((c[0], c[1]) for c in openapi.CALLS if c[3] == name)
    fields = web.get("/api").json()["components"]["schemas"][name]["properties"]
    names = st.sampled_from(["open_mdegc", "close_mdegc", "lat_mdeg", "x"])
    special = {
        "settings": st.dictionaries(names, st.integers(-(2**40), 2**40), max_size=4),
        "keys": st.fixed_dictionaries({"p256dh": st.text(min_size=80, max_size=100), "auth": st.text(max_size=30)}),
        "endpoint": st.sampled_from(["https://a.example/x", "https://[", "https://a.b:x/"]) | st.text(max_size=40),
        "order": st.sampled_from(["hold", "release", "auto", "open"]),
        "kind": st.sampled_from(["note", "picked", "x"]),
    }
    body = {f: data.draw(st.one_of(special.get(f, values), values)) for f in fields if data.draw(st.integers(0, 9))}
    token = web.call("GET", "/api/session", token="").json()["token"]
    try:
        json.dumps(body, allow_nan=False).encode()
    except (ValueError, UnicodeError):
        return
    at = path.replace("{frame}", "north")
    sound(web, web.call(method.upper(), at, body, token=token), True)


@FEW
@given(method=st.sampled_from(METHODS), parts=st.lists(words, max_size=5), api=st.booleans(), query=words)
def test_any_address_gets_an_answer(web: Web, method: str, parts: list[str], api: bool, query: str) -> None:
    """Any path, any method, any query."""
    from urllib.parse import quote

    path = ("/api/" if api else "/") + "/".join(quote(p, safe="%") for p in parts if p != "..")
    if path.rstrip("/") == "/news":
        return  # never ends, on purpose
    sound(web, web.ask(method, path + "?from_s=" + quote(query) + "&step_s=" + quote(query)), api)


@pytest.mark.parametrize("path", FORMS)
@FEW
@given(fields=st.dictionaries(st.sampled_from(FIELDS), words, max_size=6), with_token=st.booleans())
def test_any_form_gets_an_answer(web: Web, path: str, fields: dict[str, str], with_token: bool) -> None:
    """Forms with any fields and any words in them."""
    if path == "/sign-in":
        web.site.gate.patience.__init__()  # type: ignore[misc]  # the patience is tested elsewhere
    if with_token:
        fields = {**fields, "token": web.call("GET", "/api/session", token="").json().get("token", "")}
    try:
        answer = web.form(path, fields)
    except UnicodeError:
        return  # no browser can send that
    sound(web, answer, False)
    web.sign_in()


@FEW
@given(asked=st.dictionaries(st.sampled_from(["from_s", "to_s", "step_s", "limit", "over"]),
                             st.integers(-(10**12), 10**12).map(str) | words, max_size=4))  # fmt: skip
def test_any_span_gets_an_answer(web: Web, asked: dict[str, str]) -> None:
    """Spans of any kind, also backwards and a thousand years long."""
    try:
        for path in ("/api/frames/north/readings", "/api/frames/north/events", "/api/alarms"):
            sound(web, web.get(path, params=asked), True)
    except UnicodeError:
        return


@FEW
@given(cookie=st.text(st.characters(min_codepoint=33, max_codepoint=126, exclude_characters=';,"\\'), max_size=260))
def test_any_cookie_is_a_stranger(web: Web, cookie: str) -> None:
    """A made-up cookie opens nothing and breaks nothing."""
    answer = web.ask("GET", "/api/frames", headers={"cookie": f"sashkeeper={cookie}"})
    assert answer.status_code in (200, 401)
    web.jar.clear()
    assert web.ask("GET", "/api/frames", headers={"cookie": f"sashkeeper={cookie}"}).status_code == 401
    web.sign_in()


def test_answers_fit_their_description(web: Web) -> None:
    """Frames and alarms as they are served have the described form, each field of it and no other."""
    document = web.get("/api").json()

    def fits(name: str, value: Any) -> None:
        whole = {**document["components"]["schemas"][name], "components": document["components"]}
        jsonschema.Draft202012Validator(whole).validate(value)
        assert set(value) <= set(whole["properties"])

    for path, name in (("/api/frames", "Frame"), ("/api/alarms", "Alarm")):
        found = web.get(path).json()
        assert found
        for one in found:
            fits(name, one)
    fits("Frame", web.get("/api/frames/north").json())
    fits("Alarm", web.get("/api/alarms/1").json())
    assert web.call("PUT", "/api/alarms/1/silence", {"hours": 0}).status_code == 422
