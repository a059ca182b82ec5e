"""Largest contentful paint of a report's page, in headless Chromium.

    python tests/benchmarks/paint.py REPORT.html [--loads 5]

Opens the page afresh so many times at 1280x800 and at 390x844 and prints, for each size, the
median and the slowest largest contentful paint (W3C, Largest Contentful Paint) in seconds, with the
page's size. It exits with 1 where a median is over a second. `tests/benchmarks/report.py` makes the
page of an hour of eight channels and measures it so.
"""

from __future__ import annotations

import argparse
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from websockets.sync.client import connect

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
from conftest import BROWSERS, Page

SIZES = ((1280, 800), (390, 844))
MOST_S = 1.0
WATCH = (
    "new PerformanceObserver(list => { window.largestPaint = list.getEntries().at(-1).startTime; })"
    ".observe({type: 'largest-contentful-paint', buffered: true});"
)


def paints_s(path: Path, loads: int) -> dict[tuple[int, int], list[float]]:
    """Return the largest contentful paint of each load, in seconds, for each size."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        raise SystemExit(f"No browser is in PATH; install one of {', '.join(BROWSERS)}.")
    with tempfile.TemporaryDirectory() as profile:
        flags = ("headless", "no-sandbox", "disable-gpu", "no-first-run", "remote-debugging-port=0")
        process = subprocess.Popen(
            [found, *(f"--{flag}" for flag in flags), f"--user-data-dir={profile}", "about:blank"],
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            address = next(
                match[0] for said in process.stderr if (match := re.search(r"ws://\S+", said))
            )
            with connect(address, max_size=None) as spoken:
                targets = Page(spoken).ask("Target.getTargets")["targetInfos"]
            target = next(each["targetId"] for each in targets if each["type"] == "page")
            base = address.partition("/devtools/")[0]
            with connect(f"{base}/devtools/page/{target}", max_size=None) as socket:
                page = Page(socket)
                page.ask("Page.enable")
                page.ask("Page.addScriptToEvaluateOnNewDocument", source=WATCH)
                return {size: [_load(page, path, size) for _ in range(loads)] for size in SIZES}
        finally:
            process.terminate()
            process.communicate(timeout=20)


def _load(page: Page, path: Path, size: tuple[int, int]) -> float:
    width, height = size
    page.ask(
        "Emulation.setDeviceMetricsOverride",
        width=width, height=height, deviceScaleFactor=1, mobile=False,
    )  # fmt: skip
    page.ask("Page.navigate", url="about:blank")
    page.ask("Page.navigate", url=path.resolve().as_uri())
    page.wait_for(path.resolve())
    time.sleep(1.0)
    return float(page.value("window.largestPaint || 0")) / 1000.0


def tell_paints(path: Path, loads: int = 5) -> bool:
    """Print the paints of a page; say whether every median is within a second."""
    is_quick = True
    for (width, height), took_s in paints_s(path, loads).items():
        middle_s = statistics.median(took_s)
        is_quick = is_quick and 0.0 < middle_s <= MOST_S
        print(
            f"largest contentful paint {width}x{height}: {middle_s:.2f} s, at most "
            f"{max(took_s):.2f} s, page {path.stat().st_size / 1e6:.1f} MB"
        )
    return is_quick


def main() -> int:
    """Measure the page that is named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path)
    parser.add_argument("--loads", type=int, default=5)
    asked = parser.parse_args()
    return 0 if tell_paints(asked.page, asked.loads) else 1


if __name__ == "__main__":
    raise SystemExit(main())
