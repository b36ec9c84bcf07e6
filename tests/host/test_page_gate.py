"""Coming in: passphrase, sessions, tokens, origins, patience, headers, and how faults are told."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from sashkeeper.clock import SetClock
from sashkeeper.errors import InputError
from sashkeeper.page import settings, vault
from sashkeeper.page.gate import safe_next
from sashkeeper.store import Store
from tests.host.page_web import PASSPHRASE, Web, set_passphrase

PAGES = ("/", "/frame/north", "/frame/north/night", "/frame/north/season", "/frame/north/setpoints", "/alarms",
         "/phone", "/kept", "/frame/north/day/2026-02-10")  # fmt: skip


@pytest.fixture
def web(home: Path, store: Store, clock: SetClock) -> Iterator[Web]:
    """A page with one frame and a passphrase, nobody signed in."""
    one = Web(home, clock)
    set_passphrase(one)
    yield one
    one.close()


def test_first_start_needs_the_printed_word_and_works_once(home: Path, store: Store, clock: SetClock) -> None:
    """Whoever sees the console sets the passphrase; nobody else, and not a second time."""
    web = Web(home, clock)
    word = web.site.vault.first_word()
    assert web.get("/first/0000-0000-0000-0000").status_code == 404
    both = {"passphrase": PASSPHRASE, "again": PASSPHRASE}
    assert web.form("/first/wrong-word", both).status_code == 404
    assert "differ" in web.form(f"/first/{word}", {**both, "again": "four other garden words"}).text
    assert "at least 10" in web.form(f"/first/{word}", {"passphrase": "short", "again": "short"}).text
    assert web.form(f"/first/{word}", both).status_code == 303
    assert web.get("/").status_code == 200
    assert web.form(f"/first/{word}", both).status_code == 404
    web.close()


@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_shown_before_signing_in(web: Web, path: str) -> None:
    """Every page sends a stranger to the passphrase, and back to where they wanted to go."""
    answer = web.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")


def test_the_api_tells_a_stranger_so_in_a_problem(web: Web) -> None:
    """Programs get RFC 9457 problems, with the status in the body equal to the status."""
    for method, path in (("GET", "/api/frames"), ("PUT", "/api/frames/north/settings"), ("POST", "/api/phones")):
        answer = web.ask(method, path)
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
        body = answer.json()
        assert set(body) == {"type", "title", "status", "detail", "instance"}
        assert body["status"] == 401
        assert body["instance"] == path


def test_cookie_cannot_be_read_or_sent_along_by_others(web: Web) -> None:
    """The session's cookie is out of reach of scripts and of other sites."""
    words = web.sign_in().headers["set-cookie"].lower()
    assert "httponly" in words
    assert "samesite=strict" in words
    assert "path=/" in words
    assert "secure" not in words  # this page speaks no TLS


def test_with_tls_the_cookie_is_for_tls_only(home: Path, store: Store, clock: SetClock) -> None:
    """With a certificate the cookie is Secure and bound to this host."""
    web = Web(home, clock, settings.PageSettings(cert_file="c", key_file="k"))
    set_passphrase(web)
    answer = web.form("/sign-in", {"passphrase": PASSPHRASE}, origin="https://frames.test")
    assert answer.headers["set-cookie"].startswith("__Host-sashkeeper=")
    assert "secure" in answer.headers["set-cookie"].lower()
    web.close()


def test_wrong_passphrases_are_slowed_down(web: Web, clock: SetClock) -> None:
    """After five wrong ones each further try has to wait, longer and longer; the right one too."""
    for _ in range(5):
        assert web.sign_in("not this one").status_code == 403
    answer = web.sign_in()
    assert answer.status_code == 429
    first = int(answer.headers["retry-after"])
    clock.advance(first)
    assert web.sign_in("not this one").status_code == 403
    second = int(web.sign_in().headers["retry-after"])
    assert second > first
    clock.advance(second)
    assert web.sign_in().status_code == 303


def test_guessing_from_many_addresses_is_slow_too(web: Web, clock: SetClock) -> None:
    """Thirty tries a minute is all that anybody gets together."""
    seen = []
    for n in range(40):
        web.address = f"10.0.1.{n}"
        seen.append(web.sign_in("not this one").status_code)
    assert seen.count(403) == 30
    assert seen[30:] == [429] * 10
    clock.advance(61)
    assert web.sign_in().status_code == 303


def test_one_address_cannot_lock_another_out(web: Web) -> None:
    """Wrong guesses from elsewhere do not make the grower wait."""
    for _ in range(6):
        web.sign_in("not this one")
    web.address = "10.0.0.8"
    assert web.sign_in().status_code == 303


def test_the_api_signs_in_with_the_same_patience(web: Web) -> None:
    """The other door has the same lock."""
    for _ in range(5):
        assert web.ask("POST", "/api/session", json={"passphrase": "no"}).status_code == 403
    assert web.ask("POST", "/api/session", json={"passphrase": PASSPHRASE}).status_code == 429


def test_api_session_gives_a_token_that_counts(web: Web) -> None:
    """A program signs in, changes something with the token, and signs out."""
    answer = web.ask("POST", "/api/session", json={"passphrase": PASSPHRASE})
    assert answer.status_code == 200
    token = answer.json()["token"]
    note = {"kind": "note", "text": "hello"}
    assert web.call("POST", "/api/frames/north/diary", note, token="wrong").status_code == 403
    assert web.call("POST", "/api/frames/north/diary", note, token=token).status_code == 204
    assert web.call("DELETE", "/api/session", token=token).status_code == 204
    assert web.get("/api/frames").status_code == 401


def test_forms_without_their_token_change_nothing(web: Web, store: Store) -> None:
    """A form that another page made up is refused."""
    web.sign_in()
    fields = {"kind": "note", "text": "from elsewhere"}
    for token in ("", "wrong", "\N{SNOWMAN}"):
        assert web.form("/frame/north/diary", {**fields, "token": token}).status_code == 403
    assert store.diary("north") == []
    assert web.form("/frame/north/diary", {**fields, "token": web.token}).status_code == 303
    assert [d.text for d in store.diary("north")] == ["from elsewhere"]


@pytest.mark.parametrize(
    ("origin", "site"),
    [("http://evil.test", None), ("null", None), ("http://frames.test.evil.test", None), ("", "cross-site"),
     ("", "same-site")],
)  # fmt: skip
def test_changes_from_other_sites_are_refused(web: Web, store: Store, origin: str, site: str | None) -> None:
    """Even with cookie and token, what another site sends does not count."""
    web.sign_in()
    headers = {"sec-fetch-site": site} if site else {}
    fields = {"kind": "note", "text": "x", "token": web.token}
    assert web.form("/frame/north/diary", fields, origin=origin, headers=headers).status_code == 403
    assert store.diary("north") == []


def test_signing_in_from_another_site_is_refused(web: Web) -> None:
    """Nobody can sign a grower's browser into anything from outside."""
    answer = web.form("/sign-in", {"passphrase": PASSPHRASE}, origin="http://evil.test")
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_every_answer_carries_the_headers_of_safety(web: Web) -> None:
    """No inline script, no foreign source, no frames, whatever the status."""
    web.sign_in()
    for path in (*PAGES, "/nowhere", "/api", "/api/nowhere", "/look/page.css", "/worker.js"):
        policy = web.get(path).headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert web.get(path).headers["x-content-type-options"] == "nosniff"


def test_pages_hold_no_inline_script_and_no_style(web: Web) -> None:
    """What the policy forbids is not there either; nothing points outside."""
    web.sign_in()
    for path in PAGES:
        text = web.get(path).text
        assert "<script>" not in text
        assert " style=" not in text
        assert " onclick" not in text
        assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
        assert "https://" not in text


@pytest.mark.parametrize("text", ["//evil.test", "/\\evil.test", "http://evil.test", "evil", "", "/a\nb"])
def test_after_signing_in_one_stays_here(text: str) -> None:
    """The way on never leads to another site."""
    assert safe_next(text) == "/"
    assert safe_next("/frame/north?x=1") == "/frame/north?x=1"


def test_sessions_end_by_time_and_by_a_new_passphrase(web: Web, clock: SetClock) -> None:
    """A month without a look, or a new passphrase, and everybody signs in again."""
    web.sign_in()
    clock.advance(vault.SESSION_S - 10)
    assert web.get("/").status_code == 200
    clock.advance(vault.SESSION_S - 10)
    assert web.get("/").status_code == 200  # being looked at keeps it alive
    clock.advance(vault.SESSION_S + 10)
    assert web.get("/").status_code == 303
    web.sign_in()
    set_passphrase(web, "four other garden words")
    assert web.get("/").status_code == 303


def test_signing_out_ends_the_session_itself(web: Web) -> None:
    """A copied cookie is worth nothing after signing out."""
    web.sign_in()
    copied = dict(web.jar)
    web.form("/sign-out", {"token": web.token})
    web.jar.update(copied)
    assert web.get("/").status_code == 303


def test_the_store_and_its_backup_hold_no_passphrase_and_no_cookie(web: Web, store: Store, tmp_path: Path) -> None:
    """From a copy of the store nobody can sign in; an ordinary backup holds not even the hash."""
    web.sign_in()
    word = next(iter(web.jar.values()))
    store.row("PRAGMA wal_checkpoint(TRUNCATE)")
    raw = store.path.read_bytes()
    assert PASSPHRASE.encode() not in raw
    assert word.encode() not in raw
    with sqlite3.connect(store.backup(tmp_path / "copy.db")) as copy:
        assert copy.execute("SELECT count(*) FROM secrets").fetchone()[0] == 0
    copy.close()


def test_long_and_odd_bodies_are_refused_in_a_sentence(web: Web) -> None:
    """Too long, wrong kind, broken: each is told, none is a crash."""
    web.sign_in()
    token = web.token
    path = "/api/frames/north/diary"
    headers = {"x-sashkeeper-token": token, "content-type": "application/json"}
    for content, status in ((b"x" * 40_000, 413), (b"{", 400), (b"[" * 20_000, 400), (b"\xff", 400), (b"[]", 422)):
        answer = web.ask("POST", path, content=content, headers=headers)
        assert answer.status_code == status, content[:10]
        assert answer.json()["detail"].endswith(("changed.", "."))
    assert web.ask("POST", path, content=b"{}", headers={"x-sashkeeper-token": token}).status_code == 415


def test_a_mistake_of_ours_is_told_without_its_insides(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    """People and programs hear that it is our mistake, not where in the code."""
    web.sign_in()

    def fail() -> None:
        raise RuntimeError("secret insides")

    monkeypatch.setattr(web.site.state, "frames", fail)
    page, api = web.get("/"), web.get("/api/frames")
    assert page.status_code == api.status_code == 500
    assert api.headers["content-type"] == "application/problem+json"
    assert "secret insides" not in page.text + api.text


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"listen": "0.0.0.0"}, "page.plain"),
        ({"cert_file": "c.pem"}, "go together"),
        ({"cert_file": "c.pem", "key_file": "k.pem"}, "there is no file"),
        ({"port": "80"}, "page.port"),
        ({"port": True}, "page.port"),
        ({"lisen": "x"}, "not a setting"),
        ({"contact": "me"}, "mail address"),
        ({"plain": 1}, "true or false"),
    ],
)
def test_settings_are_checked(home: Path, table: dict[str, object], words: str) -> None:
    """A page that others can reach without TLS needs the grower's word; every fault is one clear sentence."""
    with pytest.raises(InputError, match=words):
        settings.read(table, home)


def test_plain_pages_beyond_this_computer_need_a_word(home: Path) -> None:
    """With that word, or only for this computer, it is allowed."""
    assert settings.read({"listen": "0.0.0.0", "plain": True}, home).plain
    assert settings.read({}, home).only_here


def test_commands_set_the_passphrase_and_sign_out(web: Web, run: Callable[..., object]) -> None:
    """A forgotten passphrase is replaced on the computer itself; lost phones are signed out."""
    web.sign_in()
    run("page", "sign-out")
    assert web.get("/").status_code == 303
    run("page", "passphrase", "--passphrase", "short", code=2)
    run("page", "passphrase", "--passphrase", "another set of words")
    assert web.sign_in("another set of words").status_code == 303
    run("page", "phones", "--forget", "nobody", code=2)
