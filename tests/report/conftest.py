"""A browser without a window, driven by its remote debugging protocol."""

import itertools
import json
import os
import re
import shutil
import subprocess
import time

import pytest
from websockets.sync.client import connect

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
KEY_CODES = {"Home": 36, "ArrowLeft": 37, "ArrowRight": 39, "Tab": 9, "+": 187, "-": 189}


class Page:
    """One page of a browser, spoken to by its remote debugging protocol."""

    def __init__(self, socket):
        self.socket, self.numbers, self.complaints = socket, itertools.count(1), []

    def ask(self, method, **parameters):
        number = next(self.numbers)
        self.socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            answer = json.loads(self.socket.recv(timeout=30))
            told = answer.get("params", {})
            if "exceptionDetails" in told or told.get("entry", {}).get("level") == "error":
                self.complaints.append(told)
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return answer["result"]

    def value(self, code):
        done = self.ask("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in done, done
        return done["result"].get("value")

    def open(self, path, width=1280, height=900, **screen):
        self.complaints.clear()
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.ask("Emulation.setDeviceMetricsOverride", **(size | screen))
        self.ask("Page.navigate", url=path.as_uri())
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            here = self.value("location.href") == path.as_uri()
            if here and self.value("document.readyState") == "complete" and self.is_shown():
                return self
            time.sleep(0.02)
        raise AssertionError(f"The timeline never appeared: {self.complaints}")

    def wait_for(self, path):
        """Wait until a page that was asked for is there."""
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            here = self.value("location.href") == path.as_uri()
            if here and self.value("document.readyState") == "complete":
                return
            time.sleep(0.02)
        raise AssertionError(f"{path} never appeared: {self.complaints}")

    def is_shown(self):
        return self.value("(document.querySelector('.timeline-reading') || {}).textContent") or (
            self.value("!document.getElementById('timeline-data')")
        )

    def choose(self, lane):
        self.value(f"document.querySelectorAll('.timeline-panel')[{lane}].focus()")

    def press(self, key, times=1, *, shift=False):
        code = KEY_CODES.get(key) or ord(key.upper())
        told = {"key": key, "windowsVirtualKeyCode": code, "modifiers": 8 if shift else 0}
        for _ in range(times):
            self.ask("Input.dispatchKeyEvent", type="keyDown", **told)
            self.ask("Input.dispatchKeyEvent", type="keyUp", **told)

    def text(self, name):
        """Text of a part, once what is due is drawn."""
        return self.value(
            "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => "
            f"done(document.querySelector('.timeline-{name}').textContent))))"
        )

    def canvas(self, lane):
        box = self.value(
            "(() => { const b = document.querySelectorAll('.timeline-panel canvas')"
            f"[{lane}].getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; }})()"
        )
        return tuple(box)


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Give the command that starts a browser without a window, with a profile of its own."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        reason = f"No browser is in PATH (looked for {', '.join(BROWSERS)})."
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)

    def command(*flags):
        profile = tmp_path_factory.mktemp("profile")
        always = (
            "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run",
            "disable-background-networking", "disable-component-update", "disable-sync",
            "hide-scrollbars", f"user-data-dir={profile}",
        )  # fmt: skip
        return [found, *(f"--{flag}" for flag in (*always, *flags))]

    return command


@pytest.fixture(scope="module")
def page(browser):
    process = subprocess.Popen(
        [*browser("remote-debugging-port=0"), "about:blank"], stderr=subprocess.PIPE, text=True
    )
    try:
        address = next(
            match[0] for said in process.stderr if (match := re.search(r"ws://\S+", said))
        )
        with connect(address, max_size=None) as spoken:
            (target,) = [
                each
                for each in Page(spoken).ask("Target.getTargets")["targetInfos"]
                if each["type"] == "page"
            ]
        base = address.partition("/devtools/")[0]
        with connect(f"{base}/devtools/page/{target['targetId']}", max_size=None) as socket:
            opened = Page(socket)
            for part in ("Page", "Runtime", "Log"):
                opened.ask(f"{part}.enable")
            # Else a page that has just begun may hear of no focus yet.
            opened.ask("Emulation.setFocusEmulationEnabled", enabled=True)
            yield opened
    finally:
        process.terminate()
        process.communicate(timeout=20)
