"""The JSON interface against its own description: schemathesis, over a real connection, finds no mistake of ours."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import httpx
import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")
pytest.importorskip("schemathesis")

from sashkeeper.clock import SetClock
from sashkeeper.context import App
from sashkeeper.page import RunningPage
from sashkeeper.page.settings import PageSettings
from sashkeeper.store import Reading, Store
from tests.host.page_web import PASSPHRASE, FakeFrame, Web, set_passphrase


@pytest.fixture
def page(home: Path, store: Store, clock: SetClock) -> Iterator[tuple[str, str, str]]:
    """A page that runs, with a frame, readings and an alarm: its address, a session's cookie and token."""
    now_s = int(clock.now_s())
    store.add_readings([Reading("north", 1, n, float(now_s - 60 * n), {"air": 12.0, "lid": 0.0}) for n in range(60)])
    store.alarm_open("north", "stuck-shut", "urgent", "unacknowledged", now_s, "text")
    web = Web(home, clock)
    set_passphrase(web)
    web.close()
    app = App(home, clock=clock)

    def publish(topic: str, payload: bytes, *, retain: bool) -> None:
        """Answer as a frame does, at once, from whatever thread."""
        with closing(App(home, clock=clock)) as own:
            FakeFrame(own).publish(topic, payload, retain=retain)

    running = RunningPage(app, publish, threading.Event(), PageSettings(port=0))
    running.start()
    with httpx.Client(trust_env=False) as client:
        answer = client.post(running.url + "/api/session", json={"passphrase": PASSPHRASE})
        cookie, token = answer.headers["set-cookie"].split(";")[0], answer.json()["token"]
    yield running.url, cookie, token
    running.stop()
    assert store.integrity() == []
    app.close()


CONFIG = """
[auth.openapi.session]
api_key = "{cookie}"
[auth.openapi.token]
api_key = "{token}"
[parameters]
"path.frame" = "north"
"path.number" = 1
[checks]
# A frame, an alarm's state or a push service may refuse what the form of a request allows.
positive_data_acceptance.expected-statuses = ["2xx", 401, 403, 404, 409, 422, 429, 503]
"""


def run_on(page: tuple[str, str, str], folder: Path, *words: str) -> str:
    """Run the program on a page; returns what it says, after checking that it found nothing."""
    url, cookie, token = page
    program = shutil.which("schemathesis", path=str(Path(sys.executable).parent))
    assert program is not None
    config = folder / "schemathesis.toml"
    config.write_text(CONFIG.format(cookie=cookie.split("=", 1)[1], token=token))
    done = subprocess.run(
        [program, "--config-file", str(config), "run", f"{url}/api", "--no-color", "--seed", "1", *words],
        capture_output=True, text=True, timeout=1200, env={**os.environ, "NO_PROXY": "127.0.0.1"}, check=False,
        cwd=folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-8000:] + done.stderr[-2000:]
    return done.stdout


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_the_interface_keeps_to_its_description(page: tuple[str, str, str], tmp_path: Path) -> None:
    """Examples, edges, random requests and chains of them: no 5xx, only described answers, nothing without a login."""
    said = run_on(page, tmp_path, "--max-examples", "60", "--exclude-path", "/api/session")
    print(said[-1200:])
    assert "Tested: 18" in said


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_signing_in_keeps_to_its_description(page: tuple[str, str, str], tmp_path: Path) -> None:
    """The same for signing in and out, apart, because that ends the session."""
    print(run_on(page, tmp_path, "--max-examples", "30", "--include-path", "/api/session")[-1200:])
