"""The desk in a real browser: the whole job by keyboard alone and by pointer alone, and its pages.

Chromium and its driver are found by path, through selenium (a general browser-automation
library), which downloads nothing. Checked from outside: axe-core (Deque), html5lib.

The pictures of docs/desk.md are taken on the way through the whole job by pointer:

    PWMSCOPE_PICTURES=docs/pictures pytest tests/desk/test_browser.py -k Pointer
"""

import base64
import itertools
import os
import re
import shutil
import time
from pathlib import Path

import html5lib
import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from tests.axe import RUN, axe_script
from tests.desk.conftest import CAPTURES, PATIENCE_S, Desk, wait_for

WIDTHS = (360, 768, 1280)
MAX_PAGE_BYTES = 300_000
MAX_TABS = 150
NAMES = """
const e = document.activeElement;
const label = e.id && document.querySelector(`label[for="${e.id}"]`);
return [e.textContent, e.getAttribute("aria-label"), label && label.textContent]
  .map(each => (each || "").trim());
"""
UNFOLD = "document.querySelectorAll('details').forEach(each => each.open = true)"
PAGES = ("/", "/bench", "/record", "/answer", "/answer/drill.csv.gz", "/change", "/day")


@pytest.fixture(scope="module")
def browser():
    found = [shutil.which(name) for name in ("chromium", "chromedriver")]
    if None in found:
        reason = (
            "chromium and chromedriver are not both in PATH, so no page was tried in a browser."
        )
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    driver = open_browser(*found)
    yield driver
    driver.quit()


def open_browser(chromium, chromedriver):
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (
        "headless=new", "no-sandbox", "disable-gpu", "no-first-run", "disable-dev-shm-usage",
        "disable-background-networking", "disable-component-update", "disable-sync",
        "host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    ):  # fmt: skip
        options.add_argument(f"--{flag}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(chromedriver))


def show(browser, width, scheme="light"):
    size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    chosen = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": chosen})


def picture(browser, name, width=1280, height=1000):
    """Take a picture for the docs, where a folder for them is named."""
    folder = os.environ.get("PWMSCOPE_PICTURES")
    if not folder:
        return
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    time.sleep(0.5)
    # A picture for all names no folder of one machine.
    browser.execute_script(
        "for (const at of document.querySelectorAll('footer bdi'))"
        " at.textContent = at.textContent.split('/').pop()"
    )
    taken = browser.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
    Path(folder, f"desk-{name}.png").write_bytes(base64.b64decode(taken["data"]))
    show(browser, 1280)


def enter(browser, desk):
    show(browser, 1280)
    browser.get(desk.address)
    assert browser.current_url == f"{desk.base}/"
    browser.get_log("browser")


def complaints(browser):
    return [told["message"] for told in browser.get_log("browser") if told["level"] != "INFO"]


def until(browser, css, words=""):
    """Wait for an element with some words in it."""

    def found():
        try:
            elements = browser.find_elements(By.CSS_SELECTOR, css)
            return next((each for each in elements if words in each.text), None)
        except Exception:
            return None

    return wait_for(found, f"{css} with {words!r}")


class Keyboard:
    """A person without a pointer: the Tab key, Enter, space and letters."""

    def __init__(self, browser):
        self.browser = browser

    def press(self, *keys):
        ActionChains(self.browser).send_keys(*keys).perform()

    def reach(self, words):
        """Go from element to element until one with these words or this label has the focus."""
        for _ in range(MAX_TABS):
            if words in self.browser.execute_script(NAMES):
                return
            self.press(Keys.TAB)
        raise AssertionError(f"the Tab key never came to {words!r}")

    def follow(self, words):
        self.reach(words)
        self.press(Keys.ENTER)

    def type(self, label, text):
        self.reach(label)
        keys = ActionChains(self.browser).key_down(Keys.CONTROL).send_keys("a")
        keys.key_up(Keys.CONTROL).send_keys(text).perform()


class Pointer:
    """A person without a keyboard, but for letters typed into a field that was clicked."""

    def __init__(self, browser):
        self.browser = browser

    def follow(self, words):
        self._click(f"//*[self::a or self::button][normalize-space()='{words}']")

    def type(self, label, text):
        self._click(f"//label[normalize-space()='{label}']")
        field = self.browser.switch_to.active_element
        field.clear()
        field.send_keys(text)

    def _click(self, path):
        element = wait_for(lambda: self.browser.find_elements(By.XPATH, path), path)[0]
        self.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
        ActionChains(self.browser).move_to_element(element).click().perform()


@pytest.fixture
def new_desk(tmp_path):
    made = Desk(tmp_path / "event")
    yield made
    made.end()


@pytest.mark.parametrize("hand", [Keyboard, Pointer])
def test_the_whole_job_from_wires_to_a_sheet_to_sign(browser, new_desk, hand):
    """Cautions, bench, plan and countdown, recording, answer, change, register, day sheet."""
    enter(browser, new_desk)
    person = hand(browser)
    person.follow("Bench")
    until(browser, "main", "Before anything is powered")
    assert not browser.find_elements(By.CSS_SELECTOR, "#sheet")
    person.follow("All of this is done: show the bench")
    until(browser, "#sheet", "A new sheet")
    person.type("Robot", "Medlar")
    written = "return document.querySelector('#text').value"
    wait_for(lambda: "Medlar" in browser.execute_script(written), "the text as it is typed")
    person.type("Must stand still within (s)", "99")
    until(browser, "#limits-failsafe_s-fault", "from 0.05 to 60")
    person.type("Must stand still within (s)", "2")
    until(browser, "#rules", "wiring rules are met")
    picture(browser, "bench")
    person.follow("Save the sheet")
    until(browser, "#sheet", "This is medlar.toml")
    person.follow("Record")
    until(browser, "h2", "Set the analyser")
    person.follow("Begin the countdown")
    until(browser, ".count .step", "Start the recorder now")
    until(browser, ".kept", "medlar.plan.toml")
    picture(browser, "record", height=800)
    person.follow("Stop")
    until(browser, ".count .step", "Stopped.")
    person.follow("desk")
    person.follow("Try the shipped recording")
    until(browser, ".answer", "FAILSAFE meets, 10 of 10")
    until(browser, ".timeline-reading", "pulse")
    picture(browser, "answer")
    picture(browser, "narrow", 390, 844)
    until(browser, ".acts", "Enter in the register")
    person.follow("Enter in the register")
    until(browser, ".acts", "Entry 1 of the register")
    person.follow("Change")
    until(browser, "main", "Settings of the transmitter")
    picture(browser, "change")
    person.follow("Day")
    until(browser, "main", "Day sheet (PDF)")
    picture(browser, "day", height=720)
    person.follow("Day sheet to print")
    until(browser, "h1", "Check sheet")
    assert "Quince" in browser.find_element(By.TAG_NAME, "body").text
    assert complaints(browser) == []


def test_a_file_dropped_on_a_page_is_answered(browser, desk):
    """The drop itself is made by a script; what follows is the page's."""
    enter(browser, desk)
    browser.get(f"{desk.base}/day")
    browser.execute_script(
        "const box = new DataTransfer(); box.items.add(new File([arguments[0]], 'dropped.csv'));"
        "for (const kind of ['dragover', 'drop']) document.body.dispatchEvent("
        "new DragEvent(kind, {dataTransfer: box, bubbles: true, cancelable: true}))",
        (CAPTURES / "clean-sweep.csv").read_text("utf-8"),
    )
    until(browser, ".answer", "failsafe not recorded")
    assert browser.current_url == f"{desk.base}/answer/dropped.csv"


def test_a_file_that_is_chosen_and_refused_is_read_by_a_button(browser, desk):
    enter(browser, desk)
    field = browser.find_element(By.ID, "files")
    field.send_keys(str(CAPTURES / "zoo" / "samples-without-time.csv"))
    until(browser, ".acts", "“Sample rate”")
    until(browser, ".choices button", "1MHz").click()
    until(browser, ".answer")
    assert "sample rate 1MHz" in browser.find_element(By.CSS_SELECTOR, ".acts").text


SLOW = 200_000


def throttled(browser, bytes_a_second):
    """Let uploads take their time; -1 lets them go as they like."""
    browser.execute_cdp_cmd("Network.enable", {})
    browser.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {
            "offline": False, "latency": 0, "downloadThroughput": -1,
            "uploadThroughput": bytes_a_second,
        },
    )  # fmt: skip


@pytest.fixture
def slow_file(browser, tmp_path):
    """A file that takes ten seconds."""
    path = tmp_path / "slow.csv"
    path.write_bytes(b"time_s,RX1\n" + b"".join(b"%d.5,%d\n" % (n, n % 2) for n in range(200_000)))
    yield path
    throttled(browser, -1)


def test_an_upload_is_cancelled_and_nothing_of_it_stays(browser, desk, slow_file):
    enter(browser, desk)
    throttled(browser, SLOW)
    browser.find_element(By.ID, "files").send_keys(str(slow_file))
    until(browser, ".said", "Taking slow.csv: ")
    until(browser, "[data-does=stop-upload]", "Cancel the upload").click()
    until(browser, ".said", "The upload was cancelled; nothing of it was kept.")
    wait_for(lambda: not list(desk.folder.glob("*.part")), "the folder as it was")
    assert slow_file.name not in desk.names()
    assert not browser.find_element(By.CSS_SELECTOR, "[data-does=stop-upload]").is_displayed()


def test_leaving_the_page_in_the_middle_changes_nothing(browser, desk, slow_file):
    """Neither in the middle of an upload nor of an analysis; a closed browser is the same."""
    enter(browser, desk)
    throttled(browser, SLOW)
    browser.find_element(By.ID, "files").send_keys(str(slow_file))
    wait_for(lambda: list(desk.folder.glob("*.part")), "the upload")
    browser.get("about:blank")
    wait_for(lambda: not list(desk.folder.glob("*.part")), "the folder as it was")
    taken = desk.folder / slow_file.name  # what was on its way may still have come, but whole
    assert not taken.exists() or taken.read_bytes() == slow_file.read_bytes()
    taken.unlink(missing_ok=True)
    throttled(browser, -1)
    browser.get(f"{desk.base}/")
    browser.find_element(By.ID, "files").send_keys(str(CAPTURES / "holds-last.csv.gz"))
    wait_for(lambda: "holds-last.csv.gz" in desk.names(), "the recording")
    browser.get("about:blank")
    assert desk.wait_for_answer("holds-last.csv.gz")


MARKUP = "<img src=x onerror=alert(1)> \U0001f916"


def test_64_lines_with_markup_in_their_names_are_answered_and_described(browser, desk, tmp_path):
    names = [f"{MARKUP} {n}" for n in range(64)]
    at_us = 20_000 * np.arange(25)
    edges = np.stack([at_us + 100, at_us + 1600, at_us + 19_000], 1).ravel()
    rows = [",".join([str(at), *["01"[n % 3 == 0]] * 64]) for n, at in enumerate(edges)]
    path = tmp_path / f"{MARKUP}.csv".replace("/", "")
    path.write_text("\n".join([",".join(["time_us", *names]), *rows]) + "\n", "utf-8")
    lines = "".join(f'[channels."{name}"]\nrole = "servo"\n' for name in names)
    sheet = f'robot = "{MARKUP}"\n{lines}'.encode()
    assert desk.upload([("many.toml", sheet)])[0] == 303
    desk.post("/ready", place="bench")
    enter(browser, desk)
    browser.find_element(By.ID, "files").send_keys(str(path))
    until(browser, ".answer")
    assert len(browser.find_elements(By.CSS_SELECTOR, ".card")) == 64
    assert MARKUP in browser.find_element(By.CSS_SELECTOR, ".answer").text
    browser.get(f"{desk.base}/bench")
    fields = browser.find_elements(By.CSS_SELECTOR, "input[name^=channels][name$='.name']")
    assert [each.get_attribute("value") for each in fields] == names
    assert not browser.find_elements(By.CSS_SELECTOR, "img[src=x]")
    assert complaints(browser) == []
    (desk.folder / "many.toml").unlink()


def seen(browser, css):
    """List what is shown of some elements, all looked at in one moment."""
    return browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])].filter(e => e.checkVisibility())"
        ".map(e => e.outerHTML)", css,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("path", "shown", "pages"),
    [
        ("/answer/drill.csv.gz", ".card", 12),
        ("/bench", "#rules img", 3),
        ("/day/sheet.html", "table", 1),
    ],
)
def test_a_page_prints_what_it_shows_and_nothing_to_press(browser, desk, path, shown, pages):
    tried(desk)
    desk.post("/answer/drill.csv.gz/register")
    wait_for(lambda: "entry " in desk.get("/day"), "the entry")
    enter(browser, desk)
    browser.get(f"{desk.base}{path}")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert seen(browser, "button, .button, input, nav, .tray") == []
        assert seen(browser, shown)
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    printed = browser.execute_cdp_cmd("Page.printToPDF", {})["data"]
    found = re.findall(rb"/Type /Page\b(?!s)", base64.b64decode(printed))
    assert 1 <= len(found) <= pages


def tried(desk):
    """Have the shipped recording answered and the cautions read."""
    if "drill.csv.gz" not in desk.names():
        desk.post("/try")
        desk.post("/ready", place="bench")
    desk.wait_for_answer("drill.csv.gz")


@pytest.fixture(scope="module")
def axe():
    return axe_script()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_breaks_no_rule_at_any_width_and_asks_nobody_else(browser, desk, axe, path):
    tried(desk)
    enter(browser, desk)
    browser.get_log("performance")
    browser.get(f"{desk.base}{path}")
    browser.execute_script(axe)
    for scheme, width in itertools.product(("light", "dark"), WIDTHS):
        show(browser, width, scheme)
        browser.execute_script(UNFOLD)
        assert browser.execute_script(f"return {RUN}") == [], (scheme, width)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    loaded = browser.execute_script(
        "return performance.getEntries().filter(e => e.transferSize !== undefined)"
        ".map(e => [e.name, e.decodedBodySize])"
    )
    assert all(name.startswith(desk.base) for name, _ in loaded)
    weight = sum(size for name, size in loaded if "/part/" not in name and "/events" not in name)
    assert 5_000 < weight <= MAX_PAGE_BYTES, loaded
    assert complaints(browser) == []


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_html_without_a_mistake(desk, path):
    """By html5lib in strict mode (the WHATWG's parsing rules); SVG inside is left to browsers."""
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(desk.get(path))


def test_the_countdown_follows_its_steps_by_the_space_bar(browser, desk):
    enter(browser, desk)
    desk.post("/ready", place="record")
    browser.get(f"{desk.base}/record?losses=0")
    ActionChains(browser).send_keys(Keys.SPACE).perform()
    begun_s = time.monotonic()
    count = until(browser, ".count .left", "5")
    size = browser.execute_script(
        "return parseFloat(getComputedStyle(arguments[0]).fontSize)", count
    )
    assert size >= 96  # letters of an inch: read from three metres (own estimate)
    first = browser.find_element(By.CSS_SELECTOR, "#steps tbody th").text
    until(browser, ".count .step", first)
    assert 4.5 < time.monotonic() - begun_s < PATIENCE_S
    until(browser, ".count .then", "Then: ")
    ActionChains(browser).send_keys(Keys.SPACE).perform()
    until(browser, ".count .step", "Stopped.")
