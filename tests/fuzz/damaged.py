"""Files damaged at random, a million of them: a recording or one sentence, never anything else.

    python tests/fuzz/damaged.py 1_000_000
    python tests/fuzz/damaged.py 50_000 --first 150_000     # a piece of it
    python tests/fuzz/damaged.py 1 --first 1234 --keep      # one case; its file stays

Case N is the same file with the same arguments in every run. It starts from the zoo and from the
shapes of tests/adversary: bytes, numbers, cells, rows and columns are changed, two files are
spliced, or a file is made of the usual letters. A process apart loads it (and examines every
fourth), and the command counts what is none of the two: another exception, an error of two lines
or of 400 letters, a letter that a terminal acts on, text on standard error, the end of the
process, over 5 s of processor time. Exit code 1 if there is any, or over 1 GiB of memory.
"""

from __future__ import annotations

import argparse
import gzip
import io
import multiprocessing
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
import traceback
import unicodedata
import zipfile
from collections import Counter
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

import pwmscope

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "adversary"))
import read_paper  # noqa: E402
import read_shapes  # noqa: E402

ZOO = HERE.parents[1] / "captures" / "zoo"
LIMIT_S = 5
WALL_S = 60
MAX_MIB = 1024
MAX_SENTENCE = 400
KEPT = (700, 2_000, 9_000)
"""Bytes kept of a text before it is damaged: a case costs as much as it is long."""
PACKED = (".parquet", ".arrow", ".gz", ".zip", ".zst", ".xlsx")
TEXTS = (".csv", ".txt", ".tsv", ".vcd")
SNIPPETS = (
    b"\n", b"\n\n", b",", b";", b"\t", b'"', b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"-", b"\r",
    b"1e400", b"1e-400", b"nan", b"inf", b"$end\n", b"$timescale 1 ns $end\n", b"#", b"#9\n", b"=",
    b"b01 !\n", b"x!\n", b"$var wire 99999999 ! a $end\n", b"$var wire 4 ! a [3:9999999] $end\n",
    b"99999999999999999999", b"9" * 200, b"0x", b"0." + b"0" * 90 + b"1", b"sep=;\n",
    b"time_s,time_ms\n", b"Sample rate: 1 MHz\n", b"Sample rate: 1e300 Hz\n", b"# rate 0 Hz\n",
    b"\x1f\x8b", b"PK\x03\x04", b"PAR1", b"ARROW1", b"3.3 V", b"40 us", b" PM", b"01:02",
    b"2031-05-06 07:08:09", b"31/12/1999", "\u2212".encode(), "\u00b5s".encode(), b"\x1b[31m",
    b"\x85", b"\xe2\x80\xa8", b"time_us,line,level\n", b"line,start_us,end_us\n",
    b"high_us,low_us\n", b"T", b"yes", b"rise",
)  # fmt: skip
ARGUMENTS: tuple[dict[str, object], ...] = (
    {"rate": "1MHz"}, {"rate": "20kHz"}, {"rate": 1e-9}, {"rate": 9e18}, {"time_unit": "us"},
    {"time_unit": "s"}, {"time_column": "time_s"}, {"time_column": "column1"}, {"threshold": 1.5},
    {"threshold": 0.0}, {"lines": "RX1"}, {"lines": "*"}, {"lines": "bus[0],bus[1]"}, {"lines": ""},
    {"max_gib": 1e-6}, {"keep": ("RX2",)},
)  # fmt: skip
Seeds = list[tuple[str, bytes]]


def seeds() -> Seeds:
    """Return the zoo and two files of every shape of the adversary, as ending and bytes."""
    assert read_shapes.MODULES  # imported: all shapes are registered
    found = [
        ("".join(path.suffixes), path.read_bytes())
        for path in sorted(ZOO.iterdir())
        if path.is_file() and path.suffix not in {".py", ".md"}
    ]
    for name in read_paper.names():
        if name.endswith(("/00", "/01")):
            paper = read_paper.write(name)
            if len(paper.data) < 1 << 20:
                found.append((paper.suffix, paper.data))
    return found


def case(number: int, known: Seeds) -> tuple[str, bytes, dict[str, object]]:
    """Return a case: how its name ends, its bytes, the arguments it is loaded with."""
    rng = random.Random(f"damaged {number}")
    ending, data = rng.choice(known)
    if not ending.endswith(PACKED):
        data = data[: rng.choice(KEPT)]
        if rng.random() < 0.04:
            data = "".join(rng.choices("01,;\t\n .-+xXzZhHlL#$b!eE\"'timeus", k=300)).encode()
    for _ in range(rng.choice((1, 1, 1, 1, 2, 2, 3, 6))):
        data = rng.choice(DAMAGES)(rng, data, known)
    if not ending.endswith(PACKED) and rng.random() < 0.06:
        ending, data = pack(rng, ending, data)
        if rng.random() < 0.5:
            data = flip(rng, data, known)
    if rng.random() < 0.05:
        ending = rng.choice((*TEXTS, *PACKED))
    hints = dict(rng.choice(ARGUMENTS)) if rng.random() < 0.15 else {}
    if hints and rng.random() < 0.2:
        hints |= rng.choice(ARGUMENTS)
    return ending, data, hints


def place(rng: random.Random, data: bytes) -> int:
    """Return a place in a file, more often near its start."""
    return rng.randint(0, len(data) if rng.random() < 0.5 else min(len(data), 300))


def flip(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Overwrite one to four bytes."""
    out = bytearray(data)
    for _k in range(rng.randint(1, 4) if out else 0):
        out[rng.randrange(len(out))] = rng.choice((rng.randrange(256), 0, 255, 10, 44, 48))
    return bytes(out)


def cut(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """End a file early, or leave some of it out."""
    at = place(rng, data)
    return data[:at] if rng.random() < 0.3 else data[:at] + data[at + rng.randint(1, 60) :]


def insert(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Insert a snippet, once or many times."""
    at, snippet = place(rng, data), rng.choice(SNIPPETS)
    times = rng.choice((1, 1, 1, 1, 2, 40, 3_000 // len(snippet)))
    return data[:at] + snippet * times + data[at:]


def repeat(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Repeat some of a file."""
    at = place(rng, data)
    return data[:at] + data[max(0, at - rng.randint(1, 200)) :]


def splice(rng: random.Random, data: bytes, known: Seeds) -> bytes:
    """Go on with the rest of another file."""
    other = rng.choice(known)[1][:9_000]
    return data[: place(rng, data)] + other[place(rng, other) :]


def renumber(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Change one number, or one number wherever it stands."""
    found = list(re.finditer(rb"[-+]?\d+(?:\.\d+)?", data[:4_000]))
    if not found:
        return data
    old = rng.choice(found)
    new = rng.choice((
        b"", b"-" + old[0], old[0] + b".5", old[0] + b"e5", old[0] + b"0" * rng.randint(1, 30),
        b"0", b"2", b"-1", b"1.7976931348623157e308", old[0].replace(b".", b","), b"1_000",
        b"1,000", str(rng.randint(0, 2**64)).encode(), old[0][::-1], b"0x" + old[0],
        old[0] + b" ms",
    ))  # fmt: skip
    if rng.random() < 0.2:
        return data.replace(old[0], new, rng.choice((-1, 5)))
    return data[: old.start()] + new + data[old.end() :]


def reorder(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Move, double or leave out a row, or turn their order round."""
    rows = data.split(b"\n")
    at = rng.randrange(min(len(rows), 400))
    kind = rng.randrange(5)
    if kind == 0:
        rows.insert(rng.randrange(len(rows)), rows[at])
    elif kind == 1:
        del rows[at]
    elif kind == 2:
        rows.insert(0, rows.pop(at))
    elif kind == 3:
        rows[1:] = rows[:0:-1]
    else:
        rows[at:at] = [rows[at]] * rng.choice((2, 300))
    return b"\n".join(rows)


def recolumn(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Double, drop, swap or join columns, in some rows or in all."""
    delimiter = max((b",", b";", b"\t", b" ", b"|"), key=data[:2_000].count)
    rows = [row.split(delimiter) for row in data.split(b"\n")]
    widest = max(map(len, rows))
    a, b, kind = rng.randrange(widest), rng.randrange(widest), rng.randrange(4)
    upto = len(rows) if rng.random() < 0.7 else rng.randrange(len(rows) + 1)
    for row in rows[:upto]:
        if max(a, b) < len(row):
            if kind == 0:
                row.insert(b, row[a])
            elif kind == 1:
                del row[a]
            elif kind == 2:
                row[a], row[b] = row[b], row[a]
            else:
                row[a] += row[b]
    return b"\n".join(map(delimiter.join, rows))


def respell(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Write the whole file another way: line ends, delimiters, encoding, letters."""
    old, new = rng.choice((
        (b"\n", b"\r\n"), (b"\n", b"\r"), (b",", b";"), (b",", b"\t"), (b",", b"  "), (b",", b"|"),
        (b".", b","), (b"0", b"L"), (b"1", b"H"), (b"1", b"0x1"), (b"1", b"yes"), (b",", b" , "),
        (b"us", b"ms"), (b"time", b"\xb5"), (b"0", b"\x00"), (b"\n", b",\n"), (b"1", b"1.5"),
    ))  # fmt: skip
    if rng.random() < 0.15:
        return data.decode("latin-1").encode(rng.choice(("utf-16", "utf-16-be", "utf-8-sig")))
    return data.replace(old, new)


def pack(rng: random.Random, ending: str, data: bytes) -> tuple[str, bytes]:
    """Pack a file, rightly or under another name."""
    if rng.random() < 0.5:
        return ending + ".gz", gzip.compress(data, mtime=0)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for k in range(rng.choice((1, 1, 1, 2))):
            archive.writestr(
                rng.choice(("a.csv", "../a.csv", "__MACOSX/._a", "\x1b.vcd")) + str(k), data
            )
    return ending + ".zip", out.getvalue()


Damage = Callable[[random.Random, bytes, Seeds], bytes]
DAMAGES: tuple[Damage, ...] = (
    flip, cut, insert, insert, repeat, splice, renumber, renumber, reorder, recolumn, respell,
)  # fmt: skip


def serve(pipe: Connection, stderr: str) -> None:
    """Load one case after the other in a process of its own; tell what came of each."""
    os.dup2(os.open(stderr, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    while (job := pipe.recv()) is not None:
        path, hints, examined = job
        signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
        try:
            capture = pwmscope.load(path, **hints)
            if examined:
                pwmscope.examine(capture)
            told = "read"
        except pwmscope.PwmscopeError as error:
            told = judged(str(error))
        except BaseException as error:
            at = traceback.extract_tb(error.__traceback__)[-1]
            told = (
                f"{type(error).__name__}, {Path(at.filename).name} {at.lineno}: {str(error)[:200]}"
            )
        signal.setitimer(signal.ITIMER_PROF, 0)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        pipe.send((told, peak, os.fstat(2).st_size))


def judged(said: str) -> str:
    """Return "refused", or what is wrong with the sentence that refuses."""
    if len(said) > MAX_SENTENCE or "\n" in said:
        return f"a sentence of {len(said)} letters: {said[:100]!r}"
    acted = {unicodedata.category(letter) for letter in said} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    return f"a letter that a terminal acts on: {said!r}" if acted else "refused"


class Reader:
    """A process that loads; one that hangs or ends is replaced."""

    def __init__(self, folder: Path) -> None:
        self.stderr = folder / "stderr.txt"
        self.start()

    def start(self) -> None:
        """Start it."""
        self.pipe, theirs = multiprocessing.Pipe()
        self.process = multiprocessing.get_context("spawn").Process(
            target=serve, args=(theirs, str(self.stderr)), daemon=True
        )
        self.process.start()
        theirs.close()
        self.written = 0

    def load(self, path: Path, hints: dict[str, object], examined: bool) -> tuple[str, float]:
        """Return what came of a case, and the memory that the process has used so far."""
        try:
            self.pipe.send((path, hints, examined))
            if not self.pipe.poll(WALL_S):
                self.process.kill()
            told, peak, written = self.pipe.recv()
        except EOFError:
            self.process.join()
            code = self.process.exitcode
            self.start()
            slow = code in (-signal.SIGPROF, -signal.SIGKILL)
            return (f"hangs over {LIMIT_S} s" if slow else f"the process ended with {code}"), 0.0
        if written > self.written:
            fresh = self.stderr.read_bytes()[self.written :].decode(errors="replace")
            self.written = written
            told = f"on standard error: {fresh[:200]!r}"
        return told, peak


def main() -> int:
    """Run the cases, print a line every 10,000 and the totals."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", type=lambda text: int(text.replace("_", "")))
    parser.add_argument("--first", type=lambda text: int(text.replace("_", "")), default=0)
    parser.add_argument("--keep", action="store_true", help="write the cases here; load none")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="end after this time")
    options = parser.parse_args()
    known, began = seeds(), time.monotonic()
    numbers = range(options.first, options.first + options.cases)
    if options.keep:
        for number in numbers:
            ending, data, hints = case(number, known)
            Path(f"case-{number}{ending}").write_bytes(data)
            print(f"case-{number}{ending}", hints)
        return 0
    counts: Counter[str] = Counter()
    faults, peak = 0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        reader = Reader(Path(folder))
        for number in numbers:
            ending, data, hints = case(number, known)
            path = Path(folder, "case" + ending)
            path.write_bytes(data)
            told, used = reader.load(path, hints, number % 4 == 0)
            path.unlink()
            peak = max(peak, used)
            counts[told if told in ("read", "refused") else "fault"] += 1
            if told not in ("read", "refused"):
                faults += 1
                print(f"case {number}: {told}", flush=True)
            if counts.total() % 10_000 == 0 or time.monotonic() - began > options.seconds:
                print(
                    f"{counts.total():,} cases to {number:,}, {peak:.0f} MiB",
                    dict(counts),
                    flush=True,
                )
            if time.monotonic() - began > options.seconds:
                break
    print(
        f"{counts.total():,} cases in {time.monotonic() - began:.0f} s: {counts['read']:,} read, "
        f"{counts['refused']:,} refused in one sentence, {faults} faults; peak {peak:.0f} MiB"
    )
    return int(faults > 0 or peak > MAX_MIB)


if __name__ == "__main__":
    sys.exit(main())
