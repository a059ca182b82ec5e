"""A second hand's shapes, written when the first ones had all been mended: kinds of rows, ways to
print an instant, words, layout and packing drawn independently of each other, and habits that
stand nowhere else."""

from __future__ import annotations

import gzip
import random
from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
from read_paper import Paper, Truth, paper, rows_of, shape, text
from read_shapes_packing import zipped
from read_signal import Signal, draw, number

Printer = Callable[[int], str]
PAIRS = (
    ("0", "1"), ("0", "1"), ("0", "1"), ("lo", "hi"), ("off", "on"), ("F", "T"), ("no", "yes"),
    ("LOW", "HIGH"), ("false", "true"), ("L", "H"), ("0.0", "1.0"), ("low", "high"),
)  # fmt: skip
DECORATED = {
    "us": ("time_us", "Time (us)", "t [us]", "time (µs)"),
    "ms": ("time_ms", "Time [ms]"),
    "s": ("time_s", "Time (s)", "t [s]", "Time in s"),
    "ns": ("time_ns", "Time (ns)"),
}


def clock(rng: random.Random) -> tuple[str, Printer, bool]:
    """Return a heading, how an instant is printed under it, and whether it may hold a comma."""
    kind = rng.randrange(9)
    if kind < 4:
        unit, decimals = rng.choice(
            (("us", None), ("us", 1), ("ms", 3), ("ms", 2), ("s", 6), ("s", 5), ("ns", None))
        )
        start = rng.choice((0, 0, 0, -(10**11) // 4, 86 * 10**9))
        return (
            rng.choice(DECORATED[unit]),
            lambda t: number(start + t, unit, decimals, minus=rng.choice("-")),
            True,
        )
    begun = datetime(2031, 5, rng.randint(1, 28), rng.randint(1, 22), rng.randint(0, 58), 7)

    def at(t: int) -> datetime:
        return begun + timedelta(microseconds=t // 10**6)

    if kind == 4:
        shown = rng.choice(("%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%H:%M:%S.%f"))
        return rng.choice(("time", "timestamp")), lambda t: at(t).strftime(shown), False
    if kind == 5:
        return "time", lambda t: at(t).strftime("%I:%M:%S.%f %p"), False
    if kind == 6:
        base = 1_935_000_000 * 10**6 + rng.randrange(10**9)
        return "timestamp", lambda t: str(base + t // 10**6), False
    if kind == 7:
        unit = rng.choice(("us", "ms"))
        space = rng.choice((" ", ""))
        return "time", lambda t: number(t, unit, None if unit == "us" else 3) + space + unit, False
    size, head = rng.choice(
        ((10**7, "Time (x10us)"), (10**8, "time [100 us]"), (10**6, "t (1e-6 s)"))
    )
    return head, lambda t: number(t, size), False


def moving(sig: Signal) -> Truth:
    """Return the wires that change: a list names no others."""
    return {n: w for n, w in sig.edges_ps().items() if w[1]}


def table(rng: random.Random, sig: Signal, kind: str) -> tuple[list[str], list[list[str]], Truth]:
    """Return heading, rows and truth of one kind of rows."""
    head, when, _ = clock(rng)
    step = sig.step_ps
    low, high = rng.choice(PAIRS)
    if kind in ("samples", "changes"):
        rows = rows_of(sig, when, (low, high), sampled=kind == "samples")
        return [head, *sig.wires], rows, sig.edges_ps()
    if kind == "events":
        rows = [[when(0), n, (low, high)[w.first]] for n, w in sig.wires.items() if w.ticks]
        rows += [[when(t * step), n, (low, high)[v]] for t, n, v in sig.changes()]
        return [head, rng.choice(("line", "channel", "signal")), "level"], rows, moving(sig)
    if kind == "edges":
        down, up = rng.choice((("fall", "rise"), ("falling", "rising"), ("FALL", "RISE")))
        rows = [[when(t * step), n, (down, up)[v]] for t, n, v in sig.changes()]
        return [head, "line", rng.choice(("edge", "event"))], rows, moving(sig)
    unit, decimals = rng.choice((("us", None), ("ms", 3), ("s", 6)))
    begun, ended, long = rng.choice(
        (("start", "end", "duration"), ("rise", "fall", "width"), ("begin", "end", "high"))
    )
    rows = []
    for rise, fall, name in sig.pulses():
        last = fall if kind == "stretches" else fall - rise
        rows.append([name, *(number(t * step, unit, decimals) for t in (rise, last))])
    second = ended if kind == "stretches" else long
    shown = rng.choice(("{}_{}", "{} ({})", "{} [{}]"))
    top = ["line", shown.format(begun, unit), shown.format(second, unit)]
    return top, rows, moving(sig)


@shape(70)
def any_of_all(rng: random.Random, i: int) -> Paper:
    """Kind of rows, clock, words, delimiter, layout, encoding and packing, each by its own draw."""
    kind = ("samples", "changes", "events", "edges", "pulses", "stretches", "changes")[i % 7]
    listed = kind in ("pulses", "stretches", "edges")
    sig = draw(rng, seconds=0.25, whole=listed, kinds="busy" if listed else "servo")
    top, rows, truth = table(rng, sig, kind)
    delim = rng.choice((",", ";", "\t", "|", " ; ", ", "))
    if any(delim.strip() and delim.strip() in cell for row in [top, *rows[:50]] for cell in row):
        delim = "\t"
    before, after, habits = [], [], [kind, top[0], rows[-1][0], repr(delim)]
    if rng.random() < 0.3:
        before = rng.choice(
            (["Bench day at the Thistle club", ""], ["# robot Bramble", "# made on the bench"],
             ["Robot: Bramble", "Operator: -", ""])
        )  # fmt: skip
        habits.append("title")
    if rng.random() < 0.25 and not listed and kind != "events":
        rows = [[str(k), *row] for k, row in enumerate(rows)]
        top = ["", *top]
        habits.append("index")
    if rng.random() < 0.2 and delim.strip():
        top = [*top, ""]
        habits.append("header ends in a delimiter")
    if rng.random() < 0.3:
        after = rng.choice((["# end"], ["", "End of data"], ["Checked by hand", ""]))
        habits.append(f"footer {after[:2]}")
    if rng.random() < 0.2 and delim in (",", ";"):
        before.insert(0, f"sep={delim}")
        habits.append("sep")
    body = text(
        rows, top, delim=delim, before=before, after=after, quote=rng.random() < 0.2,
        eol=rng.choice(("\n", "\r\n", "\n", "\r")), end=rng.random() < 0.8,
    )  # fmt: skip
    code = rng.choice(("utf-8", "utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"))
    data, suffix = body.encode(code), rng.choice((".csv", ".txt", ".CSV", ".log"))
    packing = rng.randrange(6)
    if packing == 0:
        data, suffix = gzip.compress(data, mtime=0), suffix + ".gz"
    elif packing == 1:
        junk = [
            ("__MACOSX/._r.csv", b"\0\5\x16\7"),
            ("r" + suffix, data),
            (".DS_Store", b"\0\0\0\1"),
        ]
        data, suffix = zipped(junk), ".zip"
    hints = {"time_unit": "us"} if top[0] == "timestamp" else {}
    return paper(sig, data, "; ".join([*habits, code, suffix]), suffix, truth=truth, hints=hints)


@shape(6)
def unit_in_each_cell_as_it_fits(rng: random.Random, i: int) -> Paper:
    """`950 us`, `1.2 ms`, `1.5 s`: the unit changes with the size, as instruments print it."""
    sig = draw(rng, seconds=(0.3, 1.4)[i % 2])
    space = (" ", "")[i % 2]

    def when(t: int) -> str:
        unit = "us" if t < 10**9 else "ms" if t < 10**12 else "s"
        return number(t, unit, None) + space + unit

    rows = rows_of(sig, when, sampled=i == 3)
    return paper(sig, text(rows, ["time", *sig.wires]), f"{rows[1][0]!r} to {rows[-1][0]!r}")


@shape(6)
def float_noise(rng: random.Random, i: int) -> Paper:
    """Seconds as binary floating point prints them: 0.30000000000000004, 1e-05."""
    sig = draw(rng)
    grid = np.arange(sig.samples) * (sig.step_ps * 1e-12)
    if i % 3 == 1:
        grid = np.cumsum(np.full(sig.samples, sig.step_ps * 1e-12)) - sig.step_ps * 1e-12
    if i % 3 == 2:
        grid = np.linspace(0, (sig.samples - 1) * sig.step_ps * 1e-12, sig.samples)
    ticks = range(sig.samples) if i % 2 else sig.change_ticks()
    rows = rows_of(sig, str, ticks=ticks)
    for row, t in zip(rows, ticks, strict=True):
        row[0] = repr(float(grid[t]))
    return paper(
        sig, text(rows, ["time_s", *sig.wires]), f"{rows[3][0]}", tolerance_ps=1000, unit="s"
    )


@shape(6)
def lines_called_by_numbers(rng: random.Random, i: int) -> Paper:
    """The header is a time and pin numbers: `Time (us),0,1,2`."""
    names = (("0", "1", "2", "3"), ("1", "2", "3", "4"), ("3", "5", "6", "9"))[i % 3]
    sig = draw(rng, names=names)
    head, unit, dec = (("Time (us)", "us", None), ("time_s", "s", 6), ("t [ms]", "ms", 3))[i % 3]
    rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
    return paper(sig, text(rows, [head, *sig.wires]), f"{head}, {names}")


@shape(6)
def ruled_tables(rng: random.Random, i: int) -> Paper:
    """Tables as documents and databases print them: bars at both ends, rules of dashes."""
    sig = draw(rng)
    rows = rows_of(sig, lambda t: number(t, "us"), PAIRS[i * 2])
    top = ["time_us", *sig.wires]
    wide = [max(map(len, column)) for column in zip(top, *rows, strict=True)]
    padded = [[c.rjust(w) for c, w in zip(row, wide, strict=True)] for row in [top, *rows]]
    if i % 3 == 2:
        reading = "either" if any(" " in name for name in sig.wires) else "unaided"
        head, *lines = ("  ".join(row) for row in padded)
        body = "\n".join([head, "-" * len(head), *lines, ""])
        return paper(sig, body, "columns of blanks", ".txt", reading=reading)
    edge = "|+"[i % 2]
    rule = edge + edge.join("-" * (w + 2) for w in wide) + edge
    head, *lines = ("| " + " | ".join(row) + " |" for row in padded)
    body = [head, rule, *lines]
    if i % 2:
        body = [rule, *body, rule]
    return paper(sig, "\n".join([*body, ""]), f"rule {rule[:12]!r}", ".txt")


@shape(5)
def a_heading_of_two_lines_in_quotes(rng: random.Random, i: int) -> Paper:
    """A spreadsheet's heading with a line break in its cell: right or refused."""
    sig = draw(rng)
    rows = rows_of(sig, lambda t: number(t, "us"), sampled=i % 2 == 0)
    head = ",".join(['"Time\n(us)"', *(f'"{n}\nbench"' if i > 2 else n for n in sig.wires)])
    also = {n: (f"{n}\nbench", f"{n} bench") for n in sig.wires}
    body = text(rows, before=[head])
    return paper(sig, body, "line break in a heading", reading="either", also=also)


@shape(6)
def names_with_delimiters(rng: random.Random, i: int) -> Paper:
    """A line's name holds the delimiter, in quotes: `"drive, left"`."""
    delim = (",", ";", "|")[i % 3]
    names = tuple(
        n + f"{delim}{k} bench" for k, n in enumerate(("left", "right", "weapon", "kill"))
    )
    sig = draw(rng, names=names)
    rows = rows_of(sig, lambda t: number(t, "ms", 3), sampled=i % 2 == 0)
    return paper(sig, text(rows, ["Time (ms)", *sig.wires], delim=delim), f"{names[0]!r}")


@shape(6)
def one_line_alone(rng: random.Random, i: int) -> Paper:
    """Two columns only: a time and one line."""
    sig = draw(rng, lines=1)
    delim = (",", ";", "\t", " ", "|", ",")[i]
    name = next(iter(sig.wires))
    head = "time_us" if delim == " " else "Time [us]"
    plain = name.replace(" ", "_") if delim == " " else name
    rows = rows_of(sig, lambda t: number(t, "us"), PAIRS[i], sampled=i % 2 == 0)
    truth = {plain: sig.edges_ps()[name]}
    return paper(sig, text(rows, [head, plain], delim=delim), f"{delim!r}", truth=truth)


@shape(6)
def inches_of_prose(rng: random.Random, i: int) -> Paper:
    """Prose above the rows with the table's delimiter and numbers in it."""
    said = (
        ["Bramble, weapon off, wheels up, third try", "We saw 2 dropouts, 5 s each, at 10 m"],
        ["Notes: 1500 us is neutral; 1000 to 2000 us", "Range: 30 m, indoor, 24 robots, no wind"],
        ["Sampled after 5 s, for 120 ms, by two people", ""],
        ["No. 7, 8 and 9 were swapped, 10 was not"],
        ["Battery 11.1 V, 2200 mAh, 35 C", "Receiver at 5.0 V, 4 lines"],
        ["0, 1 and 2 are drive; 3 is spare", "-----"],
    )[i]
    sig = draw(rng)
    unit, dec = (("us", None), ("s", 6), ("ms", 3))[i % 3]
    rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
    return paper(sig, text(rows, [f"time_{unit}", *sig.wires], before=said), f"{said[0]!r}")


@shape(6)
def elapsed_clock(rng: random.Random, i: int) -> Paper:
    """Elapsed time with colons: `00:00:01.234567`, `0:00:01.23`, `00:01.234567`, `1:02:03:…`."""
    sig = draw(rng, seconds=0.4)
    offset = (0, 59_900_000, 0, 3_599_900_000, 61_000_000, 0)[i]

    def when(t: int) -> str:
        s, us = divmod(t // 10**6 + offset, 10**6)
        h, m = divmod(s // 60, 60)
        hours = (f"{h:02d}:{m:02d}", f"{h}:{m:02d}", f"{h * 60 + m:02d}")[i % 3]
        hms = f"{hours}:{s % 60:02d}"
        return hms + (",", ".")[i < 4] + f"{us:06d}"

    delim = ";" if i >= 4 else ","
    rows = rows_of(sig, when, sampled=i % 2 == 1)
    return paper(sig, text(rows, ["elapsed", *sig.wires], delim=delim), rows[1][0])


@shape(6)
def two_lines_of_headings(rng: random.Random, i: int) -> Paper:
    """A row of groups or of pins above the names, or of units and states below."""
    sig = draw(rng)
    n = len(sig.wires)
    rows = rows_of(sig, lambda t: number(t, "ms", 3), PAIRS[i], sampled=i % 2 == 0)
    top = [["Time", *sig.wires], ["ms", *["level"] * n]]
    if i % 3 == 1:
        top = [["", "Receiver", *[""] * (n - 1)], ["Time (ms)", *sig.wires]]
    if i % 3 == 2:
        top = [["Time", *sig.wires], ["[ms]", *["[-]"] * n]]
    return paper(sig, text([*top, *rows]), f"{top}")


@shape(6)
def events_in_words(rng: random.Random, i: int) -> Paper:
    """One event a row in other orders of columns, two stamps, or `name=level`."""
    sig = draw(rng, 1_000_000, 0.3, kinds="busy", whole=True)
    rows, words = [], (("0", "1"), ("LOW", "HIGH"), ("off", "on"))[i % 3]
    for k, (t, n, v) in enumerate(sig.changes()):
        time = number(t * sig.step_ps, "us")
        rows.append(
            [[n, time, words[v]], [n, words[v], time], [str(k + 1), time, n, words[v]]][i % 3]
        )
    top = (
        ["channel", "time_us", "state"],
        ["pin", "value", "time (us)"],
        ["no", "t [us]", "line", "level"],
    )[i % 3]
    return paper(sig, text(rows, top, delim=(",", ";")[i // 3]), f"{top}")


@shape(6)
def coarse_and_jittered(rng: random.Random, i: int) -> Paper:
    """Samples whose stamps wander, as a small board prints them: uneven, but right as they are."""
    sig = draw(rng, 1_000_000, 0.06)
    ticks, t = [], 0
    while t < sig.samples:
        ticks.append(t)
        t += rng.randint(18, 26)
    levels = sig.levels(ticks)
    truth: Truth = {}
    for k, name in enumerate(sig.wires):
        column = [row[k] for row in levels]
        moved = [ticks[j] * sig.step_ps for j in range(1, len(ticks)) if column[j] != column[j - 1]]
        truth[name] = (column[0], tuple(moved))
    times = [number(t * sig.step_ps, "us") for t in ticks]
    rows = [[time, *map(str, row)] for time, row in zip(times, levels, strict=True)]
    return paper(sig, text(rows, ["time_us", *sig.wires]), "stamps every 18 to 26 us", truth=truth)


@shape(6)
def counts_of_a_stated_rate(rng: random.Random, i: int) -> Paper:
    """`sample` and a rate said in other words: a careful person divides."""
    rate, said = (
        (100_000, "Sampling rate: 100 kHz"), (1_000_000, "Sample rate,1 MHz"),
        (100_000, "# samplerate = 100000"), (250_000, "Sampling frequency: 250.0 kHz"),
        (500_000, "Sample rate: 500 kS/s"), (1_000_000, "Sample interval: 1 us"),
    )[i]  # fmt: skip
    sig = draw(rng, rate, 0.06 if rate > 300_000 else 0.12)
    rows = rows_of(sig, lambda t: str(t // sig.step_ps), sampled=i % 2 == 0)
    top = [("sample", "Sample #", "index")[i % 3], *sig.wires]
    reading = "unaided" if i != 2 else "either"
    return paper(sig, text(rows, top, before=[said]), said, rate=True, reading=reading)


@shape(6)
def a_row_that_is_no_row(rng: random.Random, i: int) -> Paper:
    """In the middle: a cell too many, a word, a blank cell, two points, a lone sign: refused."""
    sig = draw(rng)
    rows = rows_of(sig, lambda t: number(t, "us"), sampled=i % 2 == 0)
    at = len(rows) // 2
    rows[at] = [
        [*rows[at], "1"], ["error", *rows[at][1:]], [rows[at][0], "", *rows[at][2:]],
        [rows[at][0] + ".5.5", *rows[at][1:]], ["-", *rows[at][1:]],
        [rows[at][0], "2", *rows[at][2:]],
    ][i]  # fmt: skip
    return paper(sig, text(rows, ["time_us", *sig.wires]), f"row {rows[at]}", reading="refuse")
