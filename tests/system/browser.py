"""Drives a real headless Chromium over its DevTools line: go to pages, press, type, look, and count requests."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

from websockets.sync.client import connect

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-default-apps", "--disable-extensions",
    "--disable-dev-shm-usage", "--hide-scrollbars", "--remote-debugging-port=0", "--remote-allow-origins=*",
    # Whatever it might want from elsewhere, it cannot find the way: only this computer has a name.
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
)  # fmt: skip
PATIENCE_S = 20.0


class Browser:
    """One Chromium with one tab."""

    def __init__(self, program: str, folder: Path) -> None:
        self._folder = folder / "profile"
        self._log = (folder / "chromium.log").open("w")
        self._process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={self._folder}", "about:blank"], stdout=self._log, stderr=self._log
        )
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self._number = 0
        self._events: list[dict[str, Any]] = []
        self._line = connect(self._address(), max_size=None)
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def _address(self) -> str:
        end = time.monotonic() + PATIENCE_S
        port_file = self._folder / "DevToolsActivePort"
        while time.monotonic() < end:
            if port_file.exists() and len(lines := port_file.read_text().splitlines()) >= 2:
                return f"ws://127.0.0.1:{lines[0]}{lines[1]}"
            time.sleep(0.05)
        raise TimeoutError("Chromium did not open its line")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One DevTools command and its answer."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if hasattr(self, "_session"):
            message["sessionId"] = self._session
        self._line.send(json.dumps(message))
        while True:
            heard = self._hear(PATIENCE_S)
            if heard is None:
                raise TimeoutError(f"no answer to {method}")
            if heard.get("id") == self._number:
                if "error" in heard:
                    raise RuntimeError(f"{method}: {heard['error']}")
                return dict(heard["result"])

    def _hear(self, wait_s: float) -> dict[str, Any] | None:
        try:
            heard: dict[str, Any] = json.loads(self._line.recv(timeout=wait_s))
        except TimeoutError:
            return None
        method, params = heard.get("method", ""), heard.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(str(params["exceptionDetails"].get("exception", params)))
        elif method == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.complaints.append(f"{params['entry']['text']} {params['entry'].get('url', '')}")
        if method:
            self._events.append(heard)
        return heard

    # -- what a person does -------------------------------------------------------------------------

    def size(self, width: int, height: int, dark: bool = False) -> None:
        """Set the window, and what the device wishes."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 700
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def scripts(self, on: bool) -> None:
        """Switch the page's scripts on or off."""
        self.call("Emulation.setScriptExecutionDisabled", value=not on)

    def go(self, url: str) -> None:
        """Load a page."""
        self._events.clear()
        self.call("Page.navigate", url=url)
        self.loaded()

    def loaded(self) -> None:
        """Wait until a page has loaded."""
        end = time.monotonic() + PATIENCE_S
        while not any(e["method"] == "Page.loadEventFired" for e in self._events):
            if time.monotonic() > end:
                raise TimeoutError("the page did not load")
            self._hear(0.5)

    def run(self, script: str) -> Any:
        """Value of a JavaScript expression (awaited)."""
        got = self.call("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        if "exceptionDetails" in got:
            raise RuntimeError(got["exceptionDetails"])
        return got["result"].get("value")

    def press(self, selector: str) -> None:
        """Press a button or link that loads another page."""
        self._events.clear()
        self.run(f"document.querySelector({json.dumps(selector)}).click()")
        self.loaded()

    def click(self, selector: str) -> None:
        """Click with the mouse on a button that loads another page; works with scripts switched off."""
        self._events.clear()
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self.call("DOM.scrollIntoViewIfNeeded", nodeId=node)
        quad = self.call("DOM.getContentQuads", nodeId=node)["quads"][0]
        where = {"x": (quad[0] + quad[4]) / 2, "y": (quad[1] + quad[5]) / 2, "button": "left", "clickCount": 1}
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, **where)
        self.loaded()

    def html(self) -> str:
        """The page's source as the browser holds it; works with scripts switched off."""
        root = self.call("DOM.getDocument", depth=-1)["root"]["nodeId"]
        return str(self.call("DOM.getOuterHTML", nodeId=root)["outerHTML"])

    def write(self, selector: str, text: str) -> None:
        """Write into a field, key by key."""
        self.run(f"(e => {{ e.focus(); e.select(); }})(document.querySelector({json.dumps(selector)}))")
        self.call("Input.insertText", text=text)

    def text(self) -> str:
        """What can be read."""
        return str(self.run("document.body.innerText"))

    @property
    def path(self) -> str:
        """Where the browser is."""
        return re.sub(r"^https?://[^/]+", "", str(self.run("location.href")))

    def until(self, script: str, wait_s: float = 10.0) -> bool:
        """Whether an expression becomes true in time."""
        end = time.monotonic() + wait_s
        while not self.run(script):
            if time.monotonic() > end:
                return False
            self._hear(0.1)
        return True

    def until_event(self, method: str) -> dict[str, Any]:
        """The next event of that name (or one that came since the page was loaded)."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            for event in self._events:
                if event["method"] == method and any(event["params"].values()):
                    return dict(event["params"])
            self._hear(0.2)
        raise TimeoutError(f"no {method}")

    def photo(self, path: Path, whole: bool = True) -> None:
        """Take a picture of the page."""
        got = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(got["data"]))

    def close(self) -> None:
        """End the browser."""
        self._line.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        self._log.close()
        shutil.rmtree(self._folder, ignore_errors=True)
