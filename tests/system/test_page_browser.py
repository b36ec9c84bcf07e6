"""The page in a real browser on loopback, at the sizes of a phone, a tablet and a desk; and under the real serve."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from sashkeeper.alarms import build as build_desk
from sashkeeper.clock import SetClock
from sashkeeper.config import change
from sashkeeper.context import App
from sashkeeper.page import RunningPage, vault
from sashkeeper.page.settings import PageSettings
from sashkeeper.store import Reading
from tests.conftest import free_port
from tests.host.page_web import FakeFrame
from tests.system import page_house
from tests.system.browser import Browser

pytestmark = [pytest.mark.slow, pytest.mark.system]
PASSPHRASE = "four plain garden words"
SIZES = ((360, 740), (768, 1024), (1440, 900))
PAGES = ("/", "/frame/north", "/frame/north/night", "/frame/north/season", "/frame/north/setpoints", "/alarms",
         "/alarms/1", "/phone", "/kept", "/frame/nope")  # fmt: skip


class Keeper:
    """What the page needs of the running keeper: alarms looked at, and frames that answer. A thread of its own."""

    def __init__(self, home: Path, clock: SetClock) -> None:
        self._home, self._clock = home, clock
        self._stop = threading.Event()
        self._sent: list[tuple[str, bytes]] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Take what the page sends, as the broker's connection does."""
        self._sent.append((topic, payload))

    def _run(self) -> None:
        app = App(self._home, clock=self._clock)
        desk, frame = build_desk(app.store, app.config, self._clock, self._home), FakeFrame(app)
        while not self._stop.wait(0.05):
            while self._sent:
                topic, payload = self._sent.pop(0)
                frame.publish(topic, payload, retain=False)
            desk.tick()
        app.close()

    def close(self) -> None:
        """End it."""
        self._stop.set()
        self._thread.join(10)


@pytest.fixture(scope="session")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A household that has lived through a day and a night; one lid is stuck."""
    home = tmp_path_factory.mktemp("lived") / "home"
    page_house.build(home).close()
    return home


@pytest.fixture
def page(lived: Path, tmp_path: Path) -> Iterator[tuple[str, Path, SetClock]]:
    """The page of a copy of that household: its address, its folder, its clock."""
    home = tmp_path / "home"
    shutil.copytree(lived, home)
    clock = SetClock(page_house.END)
    app = App(home, clock=clock)
    vault.Vault(app.store).set_passphrase(vault.HASHER.hash(PASSPHRASE))
    keeper = Keeper(home, clock)
    running = RunningPage(app, keeper.publish, threading.Event(), PageSettings(port=0))
    running.start()
    yield running.url, home, clock
    running.stop()
    keeper.close()
    app.close()


@pytest.fixture
def browser(chromium: str, tmp_path: Path) -> Iterator[Browser]:
    """A real browser."""
    one = Browser(chromium, tmp_path)
    yield one
    one.close()


def sign_in(browser: Browser, url: str) -> None:
    """Sign in by the form, as a person does."""
    browser.go(url + "/")
    assert browser.path == "/sign-in"
    browser.write("input[type=password]", PASSPHRASE)
    browser.press("main form button")
    assert browser.path == "/"


def photo(browser: Browser, name: str) -> None:
    """Keep a picture where somebody wants to look at them."""
    if folder := os.environ.get("SASHKEEPER_PHOTOS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        browser.photo(Path(folder) / f"{name}.png")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_whole_way_at_every_size(
    browser: Browser, page: tuple[str, Path, SetClock], width: int, height: int
) -> None:
    """Sign in, see the stuck lid first, say that you know, change setpoints, look at last night; nothing leaves."""
    url, home, _ = page
    browser.size(width, height)
    sign_in(browser, url)
    assert browser.run("document.querySelector('#entries h2').innerText") == "North"
    assert "Lid stuck, bed heating." in browser.text()
    photo(browser, f"frames-{width}")
    browser.press("#entries form button")
    assert "Noted: you know." in browser.text()
    store = App(home).store
    stuck = next(a for a in store.alarm_list() if a.kind == "stuck-shut")
    assert stuck.state == "acknowledged"
    store.close()
    browser.press("#entries h2 a")
    assert browser.path == "/frame/north"
    shown = "[...document.querySelectorAll('.chart')].filter(c => c.getBoundingClientRect().width > 0).length"
    assert browser.run(shown) == 1
    photo(browser, f"frame-{width}")
    browser.press("a[href$='/setpoints']")
    browser.write("input[name=open_mdegc]", "16")
    browser.press("section[aria-labelledby=own] form button")
    assert "18 °C" in browser.text()
    assert "16 °C" in browser.text()
    photo(browser, f"preview-{width}")
    browser.press("#send")
    assert "North has taken them" in browser.text()
    browser.go(url + "/frame/north/night")
    assert "Last night" in browser.text()
    assert "at the lowest" in browser.text()
    assert "lid stuck, bed heating" in browser.text()
    photo(browser, f"night-{width}")
    outside = [r for r in browser.requests if not r.startswith((url + "/", "about:", "data:"))]
    assert outside == []
    assert browser.complaints == []


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_keeping_an_alarm_silent(
    browser: Browser, page: tuple[str, Path, SetClock], width: int, height: int, scripts: bool
) -> None:
    """An alarm is kept silent by the form, is listed with its end, and comes back when that has passed."""
    url, home, clock = page
    browser.size(width, height)
    sign_in(browser, url)
    with App(home).store as store:
        stuck = next(a for a in store.alarm_list() if a.kind == "stuck-shut")
    browser.go(f"{url}/alarms/{stuck.id}")
    photo(browser, f"alarm-{width}")
    browser.scripts(scripts)
    browser.go(f"{url}/alarms/{stuck.id}")
    browser.click("section[aria-labelledby=silent] form button")
    assert "Silent until Tue 16 Feb, 13:10" in browser.html()
    browser.go(url + "/alarms")
    photo(browser, f"silent-{width}")
    assert "Kept silent by you" in browser.html()
    with App(home).store as store:
        assert store.alarm_get(stuck.id).state == "shelved"
        clock.advance(3600)
        end = time.monotonic() + 10
        while store.alarm_get(stuck.id).state == "shelved" and time.monotonic() < end:
            time.sleep(0.05)
        assert store.alarm_get(stuck.id).state == "unacknowledged"
    browser.go(url + "/alarms")
    assert "Kept silent by you" not in browser.html()


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_nothing_is_cut_off_and_targets_are_large(
    browser: Browser, page: tuple[str, Path, SetClock], width: int, height: int
) -> None:
    """No page scrolls sideways; buttons and fields are at least 44 px high, for cold hands."""
    url, _, _ = page
    browser.size(width, height)
    sign_in(browser, url)
    for path in PAGES:
        browser.go(url + path)
        assert browser.run("document.documentElement.scrollWidth") <= width, path
        small = browser.run(
            "[...document.querySelectorAll('main button, main input, main select')]"
            ".filter(e => e.type !== 'hidden' && e.type !== 'checkbox')"
            ".map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect().height]).filter(r => r[1] > 0 && r[1] < 44)"
        )
        assert small == [], path
        letters = browser.run("parseFloat(getComputedStyle(document.body).fontSize)")
        assert letters >= 18


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The checker's script, fetched by npm into a folder that goes away; skipped where that is not possible."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [npm, "install", "--no-audit", "--no-fund", "--silent", "--ignore-scripts", "axe-core@4"],
        cwd=folder, capture_output=True, timeout=120, check=False,
    )  # fmt: skip
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if done.returncode or not script.exists():
        pytest.skip("axe-core cannot be fetched here")
    return script.read_text(encoding="utf-8")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_accessible_in_light_and_dark(browser: Browser, page: tuple[str, Path, SetClock], axe: str, dark: bool) -> None:
    """axe-core finds nothing on any page, contrast included, also while an alarm is kept silent."""
    url, home, _ = page
    browser.size(360, 740, dark)
    sign_in(browser, url)
    with App(home).store as store:
        stuck = f"/alarms/{next(a.id for a in store.alarm_list() if a.kind == 'stuck-shut')}"
    found = {}
    for path in (*PAGES, stuck, "keep it silent", stuck, "/alarms", "/", "/frame/north", "/sign-in"):
        if path == "keep it silent":
            browser.press("section[aria-labelledby=silent] form button")
            continue
        browser.go(url + path)
        photo(browser, f"{'dark' if dark else 'light'}{path.replace('/', '-')}")
        browser.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        browser.run(axe + "; 0")
        bad = browser.run("axe.run().then(r => r.violations.map(v => [v.impact, v.id, v.nodes[0].html.slice(0, 120)]))")
        if bad:
            found[path] = bad
    assert found == {}


def test_everything_can_be_read_without_scripts(browser: Browser, page: tuple[str, Path, SetClock]) -> None:
    """With scripts off: signing in, states, charts, alarms, and even the buttons."""
    url, _, _ = page
    browser.size(360, 740)
    sign_in(browser, url)
    browser.scripts(False)
    for path, words in (
        ("/", "Lid stuck, bed heating."), ("/frame/north", "What to do:"), ("/frame/north/night", "at the lowest"),
        ("/frame/north/season", "days with readings"), ("/alarms", "Urgent"), ("/frame/north/setpoints", "Suggested"),
    ):  # fmt: skip
        browser.go(url + path)
        html = browser.html()
        assert words in html
        if path.startswith("/frame/north") and "setpoints" not in path:
            assert "<svg" in html


def test_the_page_is_live(browser: Browser, page: tuple[str, Path, SetClock]) -> None:
    """A new reading shows up by itself, without loading the page anew and without moving the focus."""
    url, home, clock = page
    sign_in(browser, url)
    assert browser.until("document.getElementById('line').textContent.startsWith('This page keeps')")
    browser.run("window.still = 1; document.querySelector('#entries form button').focus()")
    focused = browser.run("document.activeElement.id")
    clock.advance(60)
    with App(home).store as store:
        store.add_readings([Reading("south-wall", 99, 1, clock.now_s(), {"air": 21.7, "lid": 0.1})])
    assert browser.until("document.getElementById('entries').textContent.includes('21.7 °C')")
    assert browser.run("window.still") == 1
    assert browser.run("document.activeElement.id") == focused


def test_the_keyboard_alone_is_enough(browser: Browser, page: tuple[str, Path, SetClock]) -> None:
    """Tab reaches the way to the content first, then everything else, each with a visible mark."""
    url, _, _ = page
    browser.size(768, 1024)
    sign_in(browser, url)
    seen = []
    for _ in range(12):
        browser.call("Input.dispatchKeyEvent", type="rawKeyDown", key="Tab", code="Tab", windowsVirtualKeyCode=9)
        browser.call("Input.dispatchKeyEvent", type="keyUp", key="Tab", code="Tab", windowsVirtualKeyCode=9)
        seen.append(browser.run("document.activeElement.textContent.trim()"))
        assert browser.run("getComputedStyle(document.activeElement).outlineStyle") != "none"
    assert seen[0] == "To the content"
    assert "North" in seen
    assert "I know about it" in seen


def test_a_chart_is_read_by_pointing_at_it(browser: Browser, page: tuple[str, Path, SetClock]) -> None:
    """Pointing at the night tells the numbers of that moment."""
    url, _, _ = page
    browser.size(1440, 900)
    sign_in(browser, url)
    browser.go(url + "/frame/north/night")
    where = "document.querySelector('.chart.wide').getBoundingClientRect()"
    box: dict[str, Any] = browser.run(f"(r => ({{x: r.x, y: r.y, w: r.width}}))({where})")
    browser.call("Input.dispatchMouseEvent", type="mouseMoved", x=box["x"] + box["w"] / 2, y=box["y"] + 120)
    words = "document.querySelector('.readout').textContent"
    assert browser.until(f"/^\\d\\d:\\d\\d: inside [\\d.]+ °C, outside/.test({words})")


def test_it_is_dark_after_dusk(browser: Browser, page: tuple[str, Path, SetClock]) -> None:
    """When the sun is well down at the frames the page is dark even on a phone that is set to light."""
    url, _, clock = page
    sign_in(browser, url)
    day = browser.run("getComputedStyle(document.body).backgroundColor")
    clock.advance(12 * 3600)
    browser.go(url + "/")
    night = browser.run("getComputedStyle(document.body).backgroundColor")
    assert sum(map(int, re.findall(r"\d+", day)[:3])) > 600
    assert sum(map(int, re.findall(r"\d+", night)[:3])) < 120


def test_under_the_real_serve(tmp_path: Path) -> None:
    """`serve` prints the first address, the passphrase is set there, and SIGTERM ends it cleanly with a page open."""
    home = tmp_path / "home"
    port = free_port()
    change(home, {"broker": {"port": free_port()}, "page": {"port": port}})
    App(home).store.close()
    process = subprocess.Popen(
        [sys.executable, "-m", "sashkeeper", "--home", str(home), "serve"], stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        lines = []
        for line in process.stdout:
            lines.append(line)
            if "page at" in line:
                break
        address = re.search(r"http://127\.0\.0\.1:\d+/first/[0-9a-f-]+", lines[-1])
        assert address, lines
        with httpx.Client(trust_env=False) as client:
            both = {"passphrase": PASSPHRASE, "again": PASSPHRASE}
            headers = {"origin": f"http://127.0.0.1:{port}"}
            assert client.post(address[0], data=both, headers=headers).status_code == 303
            assert "There is no frame yet." in client.get(f"http://127.0.0.1:{port}/").text
            with client.stream("GET", f"http://127.0.0.1:{port}/news") as news:
                assert next(news.iter_lines()) == "retry: 3000"
                process.send_signal(signal.SIGTERM)
                assert process.wait(15) == 0
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(10)
        if process.stdout:
            process.stdout.close()


def test_the_worker_shows_what_the_courier_sends(browser: Browser, page: tuple[str, Path, SetClock]) -> None:
    """A push that reaches the browser becomes a notification that leads to the alarm; the page offers to subscribe."""
    url, _, _ = page
    sign_in(browser, url)
    browser.call("Browser.grantPermissions", origin=url, permissions=["notifications"])
    browser.go(url + "/phone")
    assert browser.until("document.getElementById('push-state').textContent === 'This phone gets no messages yet.'")
    assert browser.run("navigator.serviceWorker.ready.then(r => r.scope)") == url + "/"
    browser.call("ServiceWorker.enable")
    number = browser.until_event("ServiceWorker.workerRegistrationUpdated")["registrations"][0]["registrationId"]
    told = {"title": "Urgent: lid stuck", "body": "Lift it.", "tag": "alarm-1", "path": "/alarms/1", "urgent": True}
    # A worker that has just been started may miss it: then it is delivered again, under the same tag.
    deliver = lambda: browser.call(  # noqa: E731
        "ServiceWorker.deliverPushMessage", origin=url, registrationId=number, data=json.dumps(told)
    )
    shown = (
        "navigator.serviceWorker.ready.then(r => r.getNotifications())"
        ".then(l => l.map(n => [n.title, n.body, n.tag, n.data.path]))"
    )
    assert any((deliver(), browser.until(f"{shown}.then(l => l.length > 0)", 5.0))[1] for _ in range(4))
    assert browser.run(shown) == [["Urgent: lid stuck", "Lift it.", "alarm-1", "/alarms/1"]]
