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
import gc
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
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

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
KEPT = (400, 1_000, 4_000)
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
Board = Any  # of ctypes: five numbers that two processes share
NUMBER, READ, REFUSED, FAULTS, PEAK = range(5)
"""Of the case being loaded; how many were read, refused, faulty; the most memory, in MiB."""


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
    times = rng.choice((1, 1, 1, 1, 2, 40, 1_500 // len(snippet)))
    return data[:at] + snippet * times + data[at:]


def repeat(rng: random.Random, data: bytes, _: Seeds) -> bytes:
    """Repeat some of a file."""
    at = place(rng, data)
    return data[:at] + data[max(0, at - rng.randint(1, 200)) :]


def splice(rng: random.Random, data: bytes, known: Seeds) -> bytes:
    """Go on with the rest of another file."""
    other = rng.choice(known)[1][:4_000]
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
        rows[at:at] = [rows[at]] * rng.choice((2, 100))
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


def told_of(path: Path, hints: dict[str, object], *, examined: bool) -> str:
    """Load a file; say "read", "refused", or what came of it that must not."""
    try:
        capture = pwmscope.load(path, **hints)
        if examined:
            pwmscope.examine(capture)
    except pwmscope.PwmscopeError as error:
        return judged(str(error))
    except BaseException as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        return f"{type(error).__name__}, {Path(at.filename).name} {at.lineno}: {str(error)[:200]}"
    return "read"


def serve(pipe: Connection, board: Board, folder: str, stop: int) -> None:
    """Make and load one case after the other; keep count on the board, send each fault.

    The one that starts this process only watches: a switch between two processes for every
    case would cost more than most cases.
    """
    stderr = Path(folder, "stderr.txt")
    os.dup2(os.open(stderr, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    known, written = seeds(), 0
    gc.freeze()  # the seeds are many objects; they need not be looked through again and again
    for number in range(int(board[NUMBER]), stop):
        board[NUMBER] = number
        ending, data, hints = case(number, known)
        path = Path(folder, "case" + ending)
        path.write_bytes(data)
        signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
        told = told_of(path, hints, examined=number % 4 == 0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        path.unlink()
        if os.fstat(2).st_size > written:
            fresh = stderr.read_bytes()[written:].decode(errors="replace")
            written = os.fstat(2).st_size
            told = f"on standard error: {fresh[:200]!r}"
        board[PEAK] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        board[READ if told == "read" else REFUSED if told == "refused" else FAULTS] += 1
        if told not in ("read", "refused"):
            pipe.send(f"case {number}: {told}")
    board[NUMBER] = stop


def judged(said: str) -> str:
    """Return "refused", or what is wrong with the sentence that refuses."""
    if len(said) > MAX_SENTENCE or "\n" in said:
        return f"a sentence of {len(said)} letters: {said[:100]!r}"
    acted = {unicodedata.category(letter) for letter in said} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    return f"a letter that a terminal acts on: {said!r}" if acted else "refused"


class Reader:
    """The process that loads from one case up to another; one that hangs or ends is replaced."""

    def __init__(self, folder: str, first: int, stop: int) -> None:
        self.folder, self.stop, self.peak = folder, stop, 0.0
        self.board = multiprocessing.get_context("spawn").RawArray("d", 5)
        self.board[NUMBER] = first
        self.start()

    def start(self) -> None:
        """Start it at the board's number."""
        self.pipe, theirs = multiprocessing.Pipe()
        self.process = multiprocessing.get_context("spawn").Process(
            target=serve, args=(theirs, self.board, self.folder, self.stop), daemon=True
        )
        self.process.start()
        theirs.close()
        self.seen, self.since = -1.0, time.monotonic()

    def watch(self) -> list[str]:
        """Wait a second at most; return the faults there were, and see to it that it goes on."""
        faults: list[str] = []
        try:
            while self.pipe.poll(0 if faults else 1):
                faults.append(self.pipe.recv())
        except EOFError:
            self.process.join()
        self.peak = max(self.peak, self.board[PEAK])
        if self.board[NUMBER] != self.seen:
            self.seen, self.since = self.board[NUMBER], time.monotonic()
        elif time.monotonic() - self.since > WALL_S:
            self.process.kill()
            self.process.join()
        if not self.process.is_alive() and not self.is_done:
            code, number = self.process.exitcode, int(self.board[NUMBER])
            slow = code in (-signal.SIGPROF, -signal.SIGKILL)
            why = f"hangs over {LIMIT_S} s" if slow else f"the process ended with {code}"
            faults.append(f"case {number}: {why}")
            self.board[FAULTS] += 1
            self.board[NUMBER] = number + 1
            if not self.is_done:
                self.start()
        return faults

    @property
    def is_done(self) -> bool:
        """Whether the last case has been loaded."""
        return int(self.board[NUMBER]) >= self.stop


def main() -> int:
    """Run the cases, print a line every 10,000 and the totals."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", type=lambda text: int(text.replace("_", "")))
    parser.add_argument("--first", type=lambda text: int(text.replace("_", "")), default=0)
    parser.add_argument("--keep", action="store_true", help="write the cases here; load none")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="end after this time")
    options = parser.parse_args()
    stop = options.first + options.cases
    if options.keep:
        known = seeds()
        for number in range(options.first, stop):
            ending, data, hints = case(number, known)
            Path(f"case-{number}{ending}").write_bytes(data)
            print(f"case-{number}{ending}", hints)
        return 0
    began = time.monotonic()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("ended early"))  # and the reader with it
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        # Where the readers put their temporary files, too; more threads only wait for each other.
        os.environ["TMPDIR"] = folder
        for library in ("POLARS_MAX", "OMP_NUM", "OPENBLAS_NUM"):
            os.environ[f"{library}_THREADS"] = "1"
        reader = Reader(folder, options.first, stop)
        board, told = reader.board, 0
        is_over = False
        while not is_over:
            is_over = reader.is_done or time.monotonic() - began > options.seconds
            for fault in reader.watch():
                print(fault, flush=True)
            count = int(board[READ] + board[REFUSED] + board[FAULTS])
            if count // 10_000 > told or is_over:
                told = count // 10_000
                print(
                    f"{count:,} cases before {int(board[NUMBER]):,} in "
                    f"{time.monotonic() - began:.0f} s: {int(board[READ]):,} read, "
                    f"{int(board[REFUSED]):,} refused in one sentence, "
                    f"{int(board[FAULTS])} faults; peak {reader.peak:.0f} MiB",
                    flush=True,
                )
        reader.process.kill()
        reader.process.join()
    return int(board[FAULTS] > 0 or reader.peak > MAX_MIB)


if __name__ == "__main__":
    sys.exit(main())
