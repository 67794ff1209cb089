"""A headless browser for the page's tests, driven over the DevTools protocol on the loopback interface."""

from __future__ import annotations

import base64
import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

PATIENCE_S = 30.0
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--remote-debugging-port=0",
)
KEYS = {"Enter": ("Enter", 13, "\r"), "Tab": ("Tab", 9, ""), "Escape": ("Escape", 27, "")}


def until(true: Callable[[], Any], what: str, patience_s: float = PATIENCE_S) -> Any:
    """Wait for something to come true; fails, saying what did not, when patience ends."""
    last = time.monotonic() + patience_s
    while time.monotonic() < last:
        if found := true():
            return found
        time.sleep(0.02)
    raise AssertionError(f"still not so after {patience_s:g} s: {what}")


class Tab:
    """One page in the browser."""

    def __init__(self, browser: Browser, url: str) -> None:
        self._browser = browser
        target = browser.call("Target.createTarget", {"url": "about:blank"})["targetId"]
        self.target = target
        attached = browser.call("Target.attachToTarget", {"targetId": target, "flatten": True})
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self.call(f"{domain}.enable")
        self.go(url)

    def call(self, method: str, parameters: dict[str, Any] | None = None) -> dict[str, Any]:
        """One DevTools command."""
        return self._browser.call(method, parameters, self._session)

    def go(self, url: str) -> None:
        """Load an address and wait until it has loaded."""
        self.call("Page.navigate", {"url": url})
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def run(self, script: str) -> Any:
        """The value of an expression in the page; promises are waited for."""
        reply = self.call(
            "Runtime.evaluate", {"expression": script, "awaitPromise": True, "returnByValue": True}
        )
        if "exceptionDetails" in reply:
            raise AssertionError(f"{script}: {reply['exceptionDetails']}")
        return reply["result"].get("value")

    def wait(self, script: str, patience_s: float = PATIENCE_S) -> Any:
        """Wait until an expression is true in the page."""
        return until(lambda: self.run(f"Boolean({script})"), script, patience_s)

    def text(self, selector: str) -> str:
        """The text of an element as shown."""
        found = f"document.querySelector({selector!r})"
        return str(self.run(f"{found}?.innerText ?? {found}?.textContent ?? ''"))

    def click(self, selector: str) -> bool:
        """Press the mouse in the middle of an element, wherever that is on the screen; whether there was one."""
        box = self.run(
            f"(() => {{ const e = document.querySelector({selector!r}); if (!e) return null;"
            "e.scrollIntoView({block: 'center'}); const b = e.getBoundingClientRect();"
            "return [b.x + b.width / 2, b.y + b.height / 2]; })()"
        )
        for kind in ("mousePressed", "mouseReleased") if box else ():
            self.call(
                "Input.dispatchMouseEvent",
                {"type": kind, "x": box[0], "y": box[1], "button": "left", "clickCount": 1},
            )
        return box is not None

    def key(self, key: str) -> None:
        """Press and release one key."""
        name, code, text = KEYS[key] if key in KEYS else (key, ord(key.upper()), key)
        down = {"type": "keyDown", "key": name, "windowsVirtualKeyCode": code, "text": text}
        self.call("Input.dispatchKeyEvent", down if text else {**down, "type": "rawKeyDown"})
        self.call("Input.dispatchKeyEvent", {"type": "keyUp", "key": name, "windowsVirtualKeyCode": code})

    def type(self, text: str) -> None:
        """Type into what has the focus."""
        self.call("Input.insertText", {"text": text})

    def screen(self, width: int, height: int, *, dark: bool = False, scale: float = 1.0) -> None:
        """Take the size of a screen, and its owner's liking for light or dark."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": width < 600},
        )
        liking = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", {"features": [liking]})

    def picture(self, path: Path) -> None:
        """Save what the screen shows as PNG."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", {"format": "png"})["data"]))

    def errors(self) -> list[str]:
        """What the page's console complained of so far."""
        return self._browser.complaints(self._session)

    def close(self) -> None:
        """Close the tab."""
        self._browser.call("Target.closeTarget", {"targetId": self.target})


class Browser:
    """Debian's chromium without a window, with a profile of its own."""

    def __init__(self, program: str, profile: Path) -> None:
        from websockets.sync.client import connect

        self._log = (profile.parent / f"{profile.name}.log").open("wb")
        self._process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            stdout=self._log,
            stderr=self._log,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )
        self.pid = self._process.pid
        told = profile / "DevToolsActivePort"
        until(lambda: told.is_file() and len(told.read_text().split()) == 2, "the browser has started")
        port, path = told.read_text().split()
        self._open = ExitStack()
        address = f"ws://127.0.0.1:{port}{path}"
        self._link = self._open.enter_context(connect(address, max_size=None, proxy=None))
        self._number = 0
        self._events: list[dict[str, Any]] = []

    def call(
        self, method: str, parameters: dict[str, Any] | None = None, session: str | None = None
    ) -> dict[str, Any]:
        """One command and its reply; what happens meanwhile is kept."""
        self._number += 1
        wanted = {"id": self._number, "method": method, "params": parameters or {}}
        self._link.send(json.dumps({**wanted, "sessionId": session} if session else wanted))
        while True:
            message = json.loads(self._link.recv(timeout=PATIENCE_S))
            if message.get("id") == self._number:
                if "error" in message:
                    raise AssertionError(f"{method}: {message['error']}")
                result: dict[str, Any] = message["result"]
                return result
            self._events.append(message)

    def complaints(self, session: str) -> list[str]:
        """Errors in one tab's console."""
        self.call("Browser.getVersion")
        found = []
        for event in self._events:
            if event.get("sessionId") != session:
                continue
            if event["method"] == "Runtime.exceptionThrown":
                found.append(json.dumps(event["params"]["exceptionDetails"]))
            if event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] == "error":
                found.append(str(event["params"]["entry"]["text"]))
        return found

    def open(self, url: str) -> Tab:
        """A new tab."""
        return Tab(self, url)

    def close(self) -> None:
        """End this browser and the processes that it started."""
        self._open.close()
        os.killpg(self._process.pid, signal.SIGTERM)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(10)
        self._log.close()


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for all tests of the run."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("needs Debian's chromium")
    made = Browser(program, tmp_path_factory.mktemp("browser") / "profile")
    yield made
    made.close()


@pytest.fixture
def open_tab(browser: Browser) -> Iterator[Callable[[str], Tab]]:
    """Opens tabs that are closed after the test."""
    tabs: list[Tab] = []

    def opened(url: str) -> Tab:
        tabs.append(browser.open(url))
        return tabs[-1]

    yield opened
    for tab in tabs:
        tab.close()
