"""Makes the pictures of docs/desk.md and of the first answer as a browser shows them.

.venv/bin/python docs/pictures/make_desk.py
"""

import base64
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

HERE = Path(__file__).parent
CAPTURES = HERE.parents[1] / "captures"
WAIT_S = 60


def shoot(browser: webdriver.Chrome, name: str, width: int, height: int) -> None:
    """Write what the browser shows."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    time.sleep(0.5)
    taken = browser.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
    (HERE / f"{name}.png").write_bytes(base64.b64decode(taken["data"]))


def until(browser: webdriver.Chrome, css: str) -> None:
    """Wait for an element."""
    deadline = time.monotonic() + WAIT_S
    while not browser.find_elements(By.CSS_SELECTOR, css):
        if time.monotonic() > deadline:
            raise TimeoutError(css)
        time.sleep(0.1)


def tour(browser: webdriver.Chrome, address: str) -> None:
    """Go through the places."""
    base = address.partition("/?")[0]
    browser.get(address)
    browser.find_element(By.CSS_SELECTOR, "button.strong").click()
    until(browser, ".answer")
    shoot(browser, "desk-answer", 1280, 1000)
    shoot(browser, "desk-narrow", 390, 844)
    browser.get(f"{base}/bench")
    browser.find_element(By.CSS_SELECTOR, "button.strong").click()
    until(browser, "#sheet")
    shoot(browser, "desk-bench", 1280, 1000)
    browser.get(f"{base}/record")
    browser.find_element(By.CSS_SELECTOR, "[data-does=lead]").click()
    time.sleep(6.5)
    shoot(browser, "desk-record", 1280, 800)


def first_answer(browser: webdriver.Chrome, home: str) -> None:
    """Write the page that README's first command makes."""
    asked = ("report", CAPTURES / "preset.csv.gz", "--sheet", CAPTURES / "bench.toml")
    command = [sys.executable, "-m", "pwmscope", *map(str, asked), "-o", f"{home}/answer"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    browser.get(Path(f"{home}/answer/report.html").as_uri())
    shoot(browser, "answer", 1280, 720)


def main() -> None:
    """Begin a desk and write its pictures beside this file."""
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in ("headless=new", "no-sandbox", "disable-gpu", "hide-scrollbars"):
        options.add_argument(f"--{flag}")
    with tempfile.TemporaryDirectory() as home:
        command = [sys.executable, "-m", "pwmscope", "desk", f"{home}/event", "--port", "0"]
        desk = subprocess.Popen([*command, "--no-browser"], stdout=subprocess.PIPE, text=True)
        browser = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
        try:
            told = re.search(r"http\S+", desk.stdout.readline() if desk.stdout else "")
            if told is None:
                raise RuntimeError("the desk printed no address")
            tour(browser, told[0])
            first_answer(browser, home)
        finally:
            browser.quit()
            desk.terminate()
            desk.wait()


if __name__ == "__main__":
    main()
