"""How quick the desk is, what it bears, and what thirty kills leave of it.

    .venv/bin/python tests/benchmarks/desk.py times
    .venv/bin/python tests/benchmarks/desk.py big
    .venv/bin/python tests/benchmarks/desk.py load --seconds 60
    .venv/bin/python tests/benchmarks/desk.py kills --count 30
    .venv/bin/python tests/benchmarks/desk.py day --hours 24

Prints one line for each figure beside what it must reach on an idle machine.
"""

import argparse
import random
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from tests.desk.conftest import CAPTURES, Desk, wait_for
from tests.desk.test_browser import open_browser

BIG_ROWS = 40_000_000


def said(what, found, wanted):
    print(f"{what:58} {found:>12}   wanted {wanted}")


def begun(home):
    """Begin a desk; give it and how long its first page took."""
    begin_s = time.monotonic()
    desk = Desk(home)
    assert desk.ask("GET", "/")[0] == 200
    return desk, time.monotonic() - begin_s


def times(home):
    """The first page, the drill from drop to answer, a big file's progress, twenty at once."""
    first = [begun(home / f"first-{n}") for n in range(5)]
    said("first page, median of 5", f"{sorted(s for _, s in first)[2]:.2f} s", "<= 1 s")
    for other, _ in first[1:]:
        other.end()
    desk = first[0][0]
    desk.upload([("quince.toml", (CAPTURES / "bench.toml").read_bytes())])
    time.sleep(4)  # as a person needs until the first drop
    begin_s = time.monotonic()
    desk.upload([("drill.csv.gz", (CAPTURES / "drill.csv.gz").read_bytes())])
    wait_for(lambda: 'class="does"' in desk.get("/part/answer/drill.csv.gz"), "the answer")
    said("drill, drop to answer", f"{time.monotonic() - begin_s:.2f} s", "<= 4 s")
    sweep = (CAPTURES / "clean-sweep.csv").read_bytes()
    begin_s = time.monotonic()
    for n in range(20):
        (desk.folder / f"r{n}.csv").write_bytes(sweep + b"\n" * (n + 1))
    for n in range(20):
        desk.wait_for_answer(f"r{n}.csv")
    said("20 files saved at once", f"{time.monotonic() - begin_s:.1f} s", "all answered")
    desk.end()


def big(home):
    """Take a file of 40 million rows by a browser: progress at least each second, to its answer."""
    path, desk = home / "big.csv", Desk(home / "big")
    write_rows(path)
    browser = open_browser(shutil.which("chromium"), shutil.which("chromedriver"))
    try:
        browser.get(desk.address)
        time.sleep(4)
        browser.find_element("id", "files").send_keys(str(path))
        told, gap_s, begin_s = "", {}, time.monotonic()
        last = begin_s
        while time.monotonic() < begin_s + 400:
            page = browser.execute_script(
                "return [document.querySelector('.said').textContent,"
                " document.querySelector('.stands')?.textContent ?? '',"
                " document.querySelector('.answer, .acts .fault')?.textContent ?? '']"
            )
            now = time.monotonic()
            phase = "upload" if "Taking" in page[0] else "reading" if "reading" in page[1] else ""
            if "".join(page[:2]) != told or page[2]:
                told = "".join(page[:2])
                gap_s[phase] = max(gap_s.get(phase, 0.0), now - last)
                last = now
            if page[2]:
                break
            time.sleep(0.05)
    finally:
        browser.quit()
        desk.end()
    for phase in ("upload", "reading"):
        said(
            f"40 million rows, longest silence: {phase}", f"{gap_s.get(phase, -1):.2f} s", "<= 1 s"
        )
    said("  from one phase to the next", f"{gap_s.get('', 0.0):.2f} s", "<= 1 s")
    said("  from its choice to its answer", f"{time.monotonic() - begin_s:.0f} s", "-")
    said("  the answer begins", " ".join(page[2].split()[:3]), "-")


def write_rows(path):
    """Two lines, a row for each microsecond."""
    block = 1_000_000
    with path.open("wb") as out:
        out.write(b"time_us,RX1,RX2\n")
        for begin in range(0, BIG_ROWS, block):
            at = np.arange(begin, begin + block)
            one, two = (at % 20_000 < 1500), ((at + 7) % 20_000 < 1200)
            columns = np.char.add(np.char.add(at.astype("U10"), np.where(one, ",1", ",0")),
                                  np.where(two, ",1", ",0"))  # fmt: skip
            out.write(("\n".join(columns.tolist()) + "\n").encode())


def load(home, seconds):
    """Fifty requests a second for a minute."""
    desk, _ = begun(home / "load")
    desk.post("/try")
    desk.wait_for_answer("drill.csv.gz")
    pages = ("/", "/answer", "/answer/drill.csv.gz", "/day", "/change", "/part/work", "/bench")
    for page in pages:
        desk.get(page)
    wrong, took_s = [], []

    def ask(number):
        begin_s = time.monotonic()
        try:
            status = desk.ask("GET", pages[number % len(pages)])[0]
        except OSError as error:
            status = str(error)
        took_s.append(time.monotonic() - begin_s)
        if status != 200:
            wrong.append(status)

    begin_s, threads = time.monotonic(), []
    for number in range(50 * seconds):
        time.sleep(max(0.0, begin_s + number / 50 - time.monotonic()))
        threads.append(threading.Thread(target=ask, args=(number,)))
        threads[-1].start()
    for thread in threads:
        thread.join()
    said(f"50 requests a second for {seconds} s, errors", len(wrong), "0")
    said("  the slowest of a hundred", f"{1000 * np.quantile(took_s, 0.99):.0f} ms", "-")
    desk.end()


def kills(home, count, seed):
    """Kill the desk at random moments of uploads and analyses; nothing that came whole is lost.

    Every third kill aims at the upload, the others at the second and a half after it was
    acknowledged.
    """
    chance = random.Random(seed)
    desk, _ = begun(home / "kills")
    sweep, kept, lost = (CAPTURES / "clean-sweep.csv").read_bytes(), {}, 0
    for number in range(count):
        name, content = f"k{number}.csv", sweep + b"\n" * (number + 1)

        def send(name=name, content=content):
            try:
                if desk.upload([(name, content)])[0] == 303:
                    kept[name] = content
            except OSError:
                pass

        sending = threading.Thread(target=send)
        sending.start()
        if number % 3 == 0:
            time.sleep(0.02 * chance.random())
        else:
            sending.join()
            time.sleep(1.5 * chance.random())
        desk.kill()
        sending.join()
        desk.begin()
        lost += sum((desk.folder / n).read_bytes() != c for n, c in kept.items())
    for name in kept:
        desk.wait_for_answer(name)
    halves = [p for p in desk.folder.glob("k*.csv") if p.read_bytes() != sweep + b"\n" * (
        int(p.stem[1:]) + 1)]  # fmt: skip
    said(f"{count} kills: uploads that were acknowledged", len(kept), f"> {count // 2}")
    said("  of these lost or changed", lost, "0")
    said("  half files", len(halves) + len(list(desk.folder.glob("*.part"))), "0")
    said("  answered in the end", f"{len(kept)} of {len(kept)}", "all")
    desk.end()


def write_hours(path, hours):
    """Eight lines at fifty frames a second, a row for each change."""
    with path.open("w") as out:
        out.write("time_us," + ",".join(f"RX{n}" for n in range(8)) + "\n")
        for minute in range(round(60 * hours)):
            at_us = (3000 * minute + np.arange(3000)[:, None]) * 20_000 + np.arange(8) * 100
            at = np.concatenate([at_us.ravel(), (at_us + 1500 + 10 * np.arange(8)).ravel()])
            bit = np.tile(1 << np.arange(8), 3000)
            order = np.argsort(at, kind="stable")
            words = np.bitwise_xor.accumulate(np.concatenate([bit, bit])[order])
            levels = ((words[:, None] >> np.arange(8)) & 1).astype("U1")
            for time_us, row in zip(at[order].tolist(), levels.tolist(), strict=True):
                out.write(f"{time_us},{','.join(row)}\n")


def peak_of(command):
    """Run a command; give its highest memory in MiB, resident and not of files, and its time."""
    begin_s, peaks = time.monotonic(), {"VmHWM": 0, "RssAnon": 0}
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        while process.poll() is None:
            status = Path(f"/proc/{process.pid}/status").read_text()
            for kind, before in peaks.items():
                found = re.search(rf"{kind}:\s+(\d+)", status)
                peaks[kind] = max(before, int(found[1]) if found else 0)
            time.sleep(0.02)
    assert process.returncode == 0
    return *(kib / 1024 for kib in peaks.values()), time.monotonic() - begin_s


def day(home, hours):
    """Follow some hours of eight lines, without and with the findings at the end."""
    path = home / "day.csv"
    write_hours(path, hours)
    for what, words in (("live", ["--json"]), ("live and its findings", [])):
        command = [sys.executable, "-m", "pwmscope", "follow", str(path), "--idle", "0.5", *words]
        peak, own, took_s = peak_of(command)
        said(f"{hours:g} h of 8 lines, {what}: peak memory", f"{peak:.0f} MiB", "<= 1024 MiB")
        said("  of it not of files on the disk", f"{own:.0f} MiB", "-")
        said("  time", f"{took_s:.0f} s", f"< {3600 * hours:.0f} s")


def main():
    """Run one of the measurements."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["times", "big", "load", "kills", "day"])
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, default=24.0)
    asked = parser.parse_args()
    home = Path(tempfile.mkdtemp())
    try:
        if asked.what in {"times", "big"}:
            {"times": times, "big": big}[asked.what](home)
        elif asked.what == "load":
            load(home, asked.seconds)
        elif asked.what == "day":
            day(home, asked.hours)
        else:
            kills(home, asked.count, asked.seed)
    finally:
        shutil.rmtree(home)


if __name__ == "__main__":
    main()
