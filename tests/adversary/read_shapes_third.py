"""A third hand's shapes, from issue 17's words alone: every shape of its items 3 and 4.

Wires, printers and layout are drawn here; a file's habits (line ends, a byte order mark, titles,
remarks, quotes) come on top of what a shape is about.
"""

from __future__ import annotations

import io
import random
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import openpyxl
import pandas as pd
import polars as pl
from read_paper import Paper, Truth, shape

UNIT_PS = {"ns": 10**3, "us": 10**6, "ms": 10**9, "s": 10**12, "min": 60 * 10**12}
POOLS = (
    ("CH1", "CH2", "CH3", "CH4", "CH5"),
    ("throttle", "steer", "spinner", "lifter", "spare"),
    ("GPIO17", "GPIO22", "GPIO27", "GPIO5", "GPIO6"),
    ("Ch 1", "Ch 2", "Ch 3", "Ch 4", "Ch 5"),
    ("ESC-L", "ESC-R", "ESC-W", "AUX", "LED"),
    ("motor/left", "motor/right", "hammer", "srimech", "buzzer"),
    ("J2.1", "J2.2", "J2.3", "J2.4", "J2.5"),
    ("Out_A", "Out_B", "Out_C", "Out_D", "Out_E"),
    ("X", "Y", "Z", "W", "V"),
)
UMLAUTS = ("Wippe", "Trommel rechts", "Räder links", "Höhe", "Käfer")


@dataclass(frozen=True)
class Wave:
    """Levels of some wires, all edges on a raster of `step` picoseconds."""

    step: int
    rows: int  # Of the raster, the first at 0
    wires: Truth

    @property
    def end(self) -> int:
        """Return the instant of the last row."""
        return (self.rows - 1) * self.step

    def table(self, *, sampled: bool) -> list[tuple[int, tuple[int, ...]]]:
        """Return instant and levels of every sample, or of every change and both ends."""
        if sampled:
            instants = np.arange(self.rows) * self.step
        else:
            every = [e for _, edges in self.wires.values() for e in edges]
            instants = np.unique(np.array([0, *every, self.end]))
        columns = [
            (first + np.searchsorted(np.array(edges, np.int64), instants, "right")) % 2
            for first, edges in self.wires.values()
        ]
        return [(int(t), tuple(map(int, row))) for t, *row in zip(instants, *columns, strict=True)]

    def events(self) -> list[tuple[int, str, int]]:
        """Return instant, wire and new level of every edge, in order."""
        return sorted(
            ((e, name, (first + k + 1) % 2) for name, (first, es) in self.wires.items()
             for k, e in enumerate(es)), key=lambda event: event[0],
        )  # fmt: skip

    def pulses(self) -> list[tuple[int, int, str]]:
        """Return rise, fall and wire of every pulse; the wires start and end low."""
        return sorted(
            (a, b, name) for name, (_, es) in self.wires.items()
            for a, b in zip(es[::2], es[1::2], strict=True)
        )  # fmt: skip


def wave(
    rng: random.Random,
    step: int | None = None,
    *,
    wires: int | None = None,
    closed: bool = False,
    slow: bool = False,
    names: Sequence[str] | None = None,
    seconds: float = 0.0,
) -> Wave:
    """Draw wires: servo pulses at 50 to 200 Hz with jitter, dropped frames, glitches, quiet ones.

    `closed`: all start and end low. `slow`: levels that no pulse explains, of 0.1 s and more.
    """
    step = step or rng.choice((4, 5, 8, 10, 20)) * 10**6
    span = seconds or rng.uniform(0.08, 0.2) * (40 if slow else 1)
    rows = int(span * 10**12 / step)
    pool = names or rng.choice(POOLS)
    found: Truth = {}
    for k, name in enumerate(pool[: wires or rng.randint(2, 4)]):
        kind = "servo" if k == 0 else rng.choice(("servo", "servo", "servo", "low", "high"))
        if kind != "servo":
            found[name] = (int(kind == "high" and not closed), ())
            continue
        frame = 10**12 // rng.choice((50, 50, 60, 100, 200)) * (60 if slow else 1)
        width = rng.randint(950, 2050) * 10**6 * (90 if slow else 1)
        at, edges = rng.uniform(0.1, 0.9) * frame, []
        while at + width < (rows - 3) * step:
            if rng.random() > 0.04 or not edges:
                rise = round((at + rng.uniform(-3e6, 3e6)) / step)
                edges += [rise * step, round((at + width) / step) * step]
            at += frame
        if not edges:
            edges = [rows // 3 * step, (rows // 3 + max(1, width // step)) * step]
        found[name] = (0, tuple(edges))
        if not closed and not slow and rng.random() < 0.15 and len(edges) > 4:
            found[name] = (1, tuple(edges[1:]))
    return Wave(step, rows, found)


def printed(ps: int, unit: str, decimals: int | None = None, point: str = ".") -> str:
    """Print an instant in a unit, with all its digits or so many decimals."""
    size = UNIT_PS[unit]
    sign, ps = ("-", -ps) if ps < 0 else ("", ps)
    if decimals is not None:
        size_of_last = size // 10**decimals
        count = (2 * ps + size_of_last) // (2 * size_of_last)
        whole, rest = divmod(count, 10**decimals)
        return f"{sign}{whole}" + (f"{point}{rest:0{decimals}d}" if decimals else "")
    whole, rest = divmod(ps, size)
    digits = f"{rest:0{len(str(size)) - 1}d}".rstrip("0") if size % 10 == 0 and rest else ""
    return f"{sign}{whole}" + (point + digits if digits else "")


@dataclass
class Page:
    """A table on its way to text, with a file's habits."""

    rows: list[list[str]]
    head: list[str] | None = None
    mark: str = ","
    end: str = "\n"
    quoted: bool = False
    above: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)
    encoding: str = "utf-8"
    last_end: bool = True

    def text(self) -> str:
        """Lay it out."""
        mark = self.mark.strip() or self.mark[:1]
        may_hold = mark == " "  # columns of text are padded

        def cell(value: str) -> str:
            if self.quoted or (mark in value and not may_hold) or '"' in value:
                return '"' + value.replace('"', '""') + '"'
            return value

        table = ([self.head] if self.head else []) + self.rows
        lines = [*self.above, *(self.mark.join(map(cell, row)) for row in table), *self.below]
        return self.end.join(lines) + (self.end if self.last_end else "")

    def bytes(self) -> bytes:
        """Write it in its encoding."""
        return self.text().encode(self.encoding)


REMARKS = (
    "Bench 3", "Recorded on the pit table", "# made for the spring meeting", "; notes follow",
    "Operator: P. Quill", "# robot Mudlark, heat 4", "// receiver on battery", "Session 12",
)  # fmt: skip


def dressed(rng: random.Random, page: Page, habits: int = 2) -> Page:
    """Give a page up to so many habits that change nothing."""
    for habit in rng.sample(range(7), rng.randint(0, habits)):
        if habit == 0:
            page.end = "\r\n"
        elif habit == 1 and page.encoding == "utf-8":
            page.encoding = "utf-8-sig"
        elif habit == 2:
            page.above = [*rng.sample(REMARKS, rng.randint(1, 2)), *page.above]
        elif habit == 3:
            page.quoted = page.mark != "  "
        elif habit == 4:
            page.above = [*page.above, ""] if page.above else page.above
        elif habit == 5:
            page.last_end = False
        elif habit == 6 and page.mark == ",":
            page.mark = rng.choice((";", "\t"))
    return page


TIME_HEADS = {
    "s": ("Time (s)", "time_s", "t [s]", "Time[s]", "seconds"),
    "ms": ("Time (ms)", "time_ms", "t [ms]", "ms"),
    "us": ("Time (us)", "time_us", "t [us]", "time_us"),
    "ns": ("Time (ns)", "time_ns", "t_ns"),
}


def level_table(
    rng: random.Random,
    w: Wave,
    *,
    sampled: bool | None = None,
    unit: str | None = None,
    decimals: int | None = None,
    words: tuple[str, str] = ("0", "1"),
    head: str | None = None,
    say: Callable[[int], str] | None = None,
) -> Page:
    """Return a page of a time and the levels of all wires."""
    sampled = rng.random() < 0.5 if sampled is None else sampled
    unit = unit or rng.choice(("s", "ms", "us", "ns"))
    say = say or (lambda t: printed(t, unit, decimals))
    rows = [[say(t), *(words[v] for v in row)] for t, row in w.table(sampled=sampled)]
    return Page(rows, [head or rng.choice(TIME_HEADS[unit]), *w.wires])


def filed(w: Wave, page: Page, note: str, suffix: str = ".csv", **more: object) -> Paper:
    """Return the file of a page."""
    return Paper(suffix, page.bytes(), note, more.pop("truth", w.wires), **more)  # type: ignore[arg-type]


@shape(12)
def third_bad_row(rng: random.Random, k: int) -> Paper:
    """Put something that is no value into one row of the table's cell count."""
    w = wave(rng)
    page = level_table(rng, w)
    at = rng.randrange(3, len(page.rows) - 2)
    bad = ("overrun", "?", "X", "2", "n/a", "--", "lost", "0..1", "1 0", "#REF!", "t", "1e")[k]
    column = 0 if k in (4, 6, 7, 9, 10, 11) else rng.randrange(1, len(page.rows[0]))
    page.rows[at][column] = bad
    if k == 0:
        page.rows[at] = ["overrun"] * len(page.rows[at])
    return filed(w, dressed(rng, page), f"{bad!r} in row {at}", reading="refuse")


@shape(16)
def third_starts_and_ends(rng: random.Random, k: int) -> Paper:
    """List pulses by start and end, or start and length, each with the unit of its heading."""
    w = wave(rng, closed=True)
    a, unit_a, b, unit_b = (
        ("start_us", "us", "end_us", "us"), ("Start (us)", "us", "End (us)", "us"),
        ("rise_ms", "ms", "fall_ms", "ms"), ("Begin [s]", "s", "End [s]", "s"),
        ("rise_us", "us", "width_us", "us"), ("Start (ms)", "ms", "Length (us)", "us"),
        ("start_s", "s", "duration_ms", "ms"), ("Start time (ms)", "ms", "Stop time (ms)", "ms"),
        ("rise_ns", "ns", "fall_ns", "ns"), ("Start (us)", "us", "Duration (ms)", "ms"),
        ("from_us", "us", "to_us", "us"), ("start_ms", "ms", "end_us", "us"),
        ("Rise (us)", "us", "High time (us)", "us"), ("on_us", "us", "off_us", "us"),
        ("Start [ms]", "ms", "End [ms]", "ms"), ("rise (s)", "s", "fall (s)", "s"),
    )[k]  # fmt: skip
    is_end = any(word in b.lower() for word in ("end", "fall", "stop", "to", "off"))
    rows = [
        [name, printed(r, unit_a), printed(f if is_end else f - r, unit_b)]
        for r, f, name in w.pulses()
    ]
    kept = {name: each for name, each in w.wires.items() if each[1]}
    order = [0, 1, 2] if rng.random() < 0.5 else [1, 2, 0]
    head = [rng.choice(("line", "Channel", "signal", "name")), a, b]
    page = Page([[row[i] for i in order] for row in rows], [head[i] for i in order])
    reading = "either" if k in (10, 13) else "unaided"
    return filed(w, dressed(rng, page), f"{a} and {b}", truth=kept, reading=reading)


@shape(14)
def third_multiplier(rng: random.Random, k: int) -> Paper:
    """Count time in a multiple of a unit that the heading states."""
    head, size, reading = (
        ("Time (100 ns)", 10**5, "unaided"), ("time x10us", 10**7, "unaided"),
        ("t [1e-6 s]", 10**6, "unaided"), ("Time (min)", 60 * 10**12, "unaided"),
        ("Time [10 us]", 10**7, "unaided"), ("time (x100 ns)", 10**5, "unaided"),
        ("Time (1e-3 s)", 10**9, "unaided"), ("t/us", 10**6, "unaided"),
        ("Time / ms", 10**9, "unaided"), ("t (1E-7 s)", 10**5, "unaided"),
        ("time [0.1 ms]", 10**8, "unaided"), ("time in 10 ns", 10**4, "either"),
        ("time_x100ns", 10**5, "either"), ("Time (10^-6 s)", 10**6, "unaided"),
    )[k]  # fmt: skip
    step = {10**8: 10**8, 60 * 10**12: 6 * 10**6}.get(size, 10**7)
    w = wave(rng, step)

    def say(t: int) -> str:
        if size == 60 * 10**12:
            return f"{t / size:.9f}"
        whole, rest = divmod(t, size)
        return str(whole) + (f".{rest * 10**9 // size:09d}".rstrip("0") if rest else "")

    page = level_table(rng, w, head=head, say=say)
    tolerance = 10**5 if size == 60 * 10**12 else 1
    return filed(w, dressed(rng, page), head, reading=reading, tolerance_ps=tolerance)


@shape(16)
def third_stated_rate(rng: random.Random, k: int) -> Paper:
    """State the rate above a table without time, thousands separated, a maximum beside it."""
    rate, said = (
        (100_000, "Sample rate: 100 000 Hz"), (250_000, "Sample rate: 250'000 Hz"),
        (100_000, "Sampling rate = 100_000 Hz"), (200_000, "Sample rate: 200 kS/s"),
        (125_000, "Samples per second: 125000"), (100_000, "Sampling interval: 10 us"),
        (50_000, "# sample period 20 us"), (100_000, "fs = 100 kHz"),
        (200_000, "Sample rate (Hz): 200000"), (1_000_000, "Sample rate: 1,000,000 Hz"),
        (250_000, "Sample frequency: 0.25 MHz"), (100_000, "Rate;100000 Hz"),
        (100_000, "Sample rate,100000,Hz"), (100_000, "sample_rate_hz: 1e5"),
        (200_000, "Sample interval: 5.0 µs"), (100_000, "Interval: 0,01 ms"),
    )[k]  # fmt: skip
    w = wave(rng, 10**12 // rate, seconds=0.06)
    rows = [[str(v) for v in row] for _, row in w.table(sampled=True)]
    above = [said]
    if rng.random() < 0.5:
        beside = rng.choice(("Maximum sample rate: 24 MHz", "Max. rate 16 MS/s", "Up to 8 MHz"))
        above.insert(rng.randrange(2), beside)
    page = Page(rows, list(w.wires), above=above)
    if k in (11, 15):
        page.mark = ";"
    elif k != 12:
        page = dressed(rng, page, 1)
    return filed(w, page, " / ".join(page.above), hints={"rate": rate})


@shape(6)
def third_only_a_maximum(rng: random.Random, k: int) -> Paper:
    """State only what the instrument could do."""
    said = ("Maximum sample rate: 24 MHz", "Max rate: 8 MS/s", "Sample rate up to 16 MHz",
            "Highest sample rate: 24 MHz", "Bandwidth: 20 MHz", "Sample rate: 1 kHz to 24 MHz")[k]  # fmt: skip
    w = wave(rng, 10**7, seconds=0.06)
    rows = [[str(v) for v in row] for _, row in w.table(sampled=True)]
    page = Page(rows, list(w.wires), above=[said])
    return filed(w, page, said, reading="option", hints={"rate": "100kHz"})


@shape(8)
def third_rate_against_pulses(rng: random.Random, k: int) -> Paper:
    """State a rate ten times off; beside a time column, or against every pulse's length."""
    w = wave(rng, 10**7, seconds=0.08)
    wrong = rng.choice((1_000_000, 10_000, 5_000_000))
    if k % 2:
        page = level_table(rng, w, sampled=True, unit="us")
        page.above = [f"Sample rate: {wrong} Hz"]
        return filed(w, page, f"{wrong} Hz beside times", must_say="state|another rate")
    rows = [[str(v) for v in row] for _, row in w.table(sampled=True)]
    page = Page(rows, list(w.wires), above=[f"Sample rate: {wrong} Hz"])
    said = "pulses last|servo pulses"
    return filed(w, page, f"{wrong} Hz, truly 100 kHz", reading="either", deciding=said)


@shape(14)
def third_bus(rng: random.Random, k: int) -> Paper:
    """Write all wires as one number, in the base that its heading says."""
    w = wave(rng, wires=4, names=("a", "b", "c", "d"))
    head, form = (
        ("port (hex)", "{:x}"), ("port (hex)", "{:02X}"), ("Port hex", "{:X}"),
        ("bus[3:0]", "0x{:X}"), ("Inputs [hex]", "{:02x}"), ("bus (bin)", "{:04b}"),
        ("bus (dec)", "{:d}"), ("D[3:0]", "{:04b}"), ("data", "0x{:02X}"), ("port", "{:X}h"),
        ("port_hex", "{:02X}"), ("Byte (hexadecimal)", "{:02X}"), ("bus (binary)", "0b{:04b}"),
        ("port (decimal)", "{:d}"),
    )[k]  # fmt: skip
    sampled = rng.random() < 0.5
    rows = [
        [printed(t, "us"), form.format(sum(v << i for i, v in enumerate(row)))]
        for t, row in w.table(sampled=sampled)
    ]
    bare = head.partition(" (")[0].partition(" [")[0].partition("[")[0]
    bare = bare.removesuffix("_hex").removesuffix(" hex")
    truth, also = {}, {}
    for i, each in enumerate(w.wires.values()):
        truth[f"{head}[{i}]"] = each
        also[f"{head}[{i}]"] = (f"{bare}[{i}]", f"{head.partition('[')[0]}[{i}]")
    quiet = frozenset(name for name, (first, edges) in truth.items() if not edges and not first)
    # Bits that are always 0 above the highest may be shown or not.
    page = dressed(rng, Page(rows, ["time_us", head]), 1)
    extra = {f"{head}[{i}]": (0, ()) for i in range(4, 8)}
    more = {name: (f"{bare}{name[len(head) :]}",) for name in extra}
    return filed(
        w, page, f"{head} as {form}", truth={**truth, **extra}, also={**also, **more},
        optional=quiet | frozenset(extra),
    )  # fmt: skip


@shape(12)
def third_few_digits(rng: random.Random, k: int) -> Paper:
    """Print times with too few digits to tell one sample from the next."""
    w = wave(rng, 10**7, seconds=0.12)
    unit, decimals = (("s", 4), ("ms", 1), ("s", 3), ("ms", 0))[k % 4]
    coarse = UNIT_PS[unit] // 10**decimals
    page = level_table(rng, w, sampled=k % 2 == 0, unit=unit, decimals=decimals)
    rate = "Sample rate: 100 kHz"
    if k >= 6:
        page.above = [rate]
    merged = k % 2 == 1 and decimals in (0, 3)
    tolerance = coarse // 2 + (0 if k >= 6 else 10**7)
    return filed(
        w, page, f"{decimals} decimals of {unit}", reading="either" if merged else "unaided",
        tolerance_ps=tolerance, must_say="printed|digits|share their time", coarse_ps=coarse,
        deciding="share their time|printed",
    )  # fmt: skip


@shape(10)
def third_widths(rng: random.Random, k: int) -> Paper:
    """Give lengths only: of pulses, where nothing says when; or of highs and lows in turn."""
    w = wave(rng, closed=True, wires=1)
    ((name, (_, edges)),) = w.wires.items()
    highs = [b - a for a, b in zip(edges[::2], edges[1::2], strict=True)]
    lows = [b - a for a, b in zip(edges[1::2], edges[2::2], strict=False)]
    if k < 5:
        head = ("width_us", "Width (us)", "pulse_us", "High (us)", "pulse width [us]")[k]
        rows = [[str(i), printed(h, "us")] for i, h in enumerate(highs)]
        page = Page(rows, [("pulse", "n", "index", "No.", "frame")[k], head])
        return filed(w, page, head, reading="refuse")
    heads = (("high_us", "low_us"), ("High (us)", "Low (us)"), ("high_ms", "low_ms"),
             ("High [us]", "Low [us]"), ("t_high_us", "t_low_us"))[k - 5]  # fmt: skip
    unit = "ms" if "ms" in heads[0] else "us"
    pairs = list(zip(highs, lows, strict=False))
    rows = [[printed(h, unit), printed(low, unit)] for h, low in pairs]
    instants = np.cumsum([0, *(x for pair in pairs for x in pair)]).tolist()
    truth = {name: (0, tuple(instants[:-1]))}
    page = dressed(rng, Page(rows, list(heads)), 1)
    return filed(w, page, " and ".join(heads), truth=truth, reading="either", by_place=True,
                 deciding="time 0|begins")  # fmt: skip


@shape(12)
def third_negative_start(rng: random.Random, k: int) -> Paper:
    """Count from a trigger within the recording, with one of several minus signs."""
    minus = ("-", "\u2212", "\u2212", "-", "\u2013", "\u2212")[k % 6]
    w = wave(rng)
    unit = rng.choice(("s", "ms", "us"))
    shift = w.step * rng.randrange(20, w.rows - 20)
    page = level_table(
        rng, w, unit=unit, say=lambda t: printed(t - shift, unit).replace("-", minus)
    )
    return filed(w, dressed(rng, page), f"starts at {minus}{printed(shift, unit)} {unit}")


@shape(12)
def third_blanks(rng: random.Random, k: int) -> Paper:
    """Put blanks round the delimiters, or columns one below the other."""
    w = wave(rng)
    page = level_table(rng, w)
    mark = (" , ", ", ", " ;", " ; ", "\t ", " | ", " ,", "; ")[k % 8]
    if k < 8:
        page.mark = mark
        page.above = rng.sample(REMARKS, k % 2)
        return filed(w, page, f"{mark!r} between cells")
    assert page.head
    page.head = [name.replace(" ", "_") for name in page.head]
    wide = [max(map(len, column)) for column in zip(page.head, *page.rows, strict=True)]
    table = [page.head, *page.rows]
    left = k % 2
    cells = [[c.ljust(n) if left else c.rjust(n) for c, n in zip(r, wide, strict=True)] for r in table]  # fmt: skip
    truth = {name.replace(" ", "_"): each for name, each in w.wires.items()}
    body = Page(cells[1:], cells[0], mark="  ")
    return filed(w, body, "columns of text", ".txt", truth=truth)


@shape(10)
def third_nameless_index(rng: random.Random, k: int) -> Paper:
    """Number the rows in a first column that has no name."""
    w = wave(rng)
    page = level_table(rng, w)
    start = (0, 1, 100, 0, 1)[k % 5]
    page.rows = [[str(i), *row] for i, row in enumerate(page.rows, start)]
    assert page.head
    page.head = ["" if k < 7 else "Unnamed: 0", *page.head]
    return filed(w, dressed(rng, page), f"a nameless first column from {start}")


@shape(16)
def third_titles_and_units(rng: random.Random, k: int) -> Paper:
    """Write titles, keys and values above the header, a row of units below it."""
    w = wave(rng)
    unit = rng.choice(("s", "ms", "us"))
    n = len(w.wires)
    page = level_table(rng, w, unit=unit, head=rng.choice(("Time", "time", "t")))
    rows = (
        [unit, *[""] * n], [f"[{unit}]", *["[-]"] * n], [f"({unit})", *["()"] * n],
        [unit, *["logic"] * n], [f"[{unit}]", *["[1]"] * n], [unit, *["bool"] * n],
        [unit, *["-"] * n], [f"({unit})", *["(level)"] * n],
    )  # fmt: skip
    units = rows[k % 8]
    page.rows.insert(0, units)
    above = (["Pit recording"], ["Date,2031-05-06", "Robot,Mudlark"], ["Heat 3", "", "Box 2"], [],
             ["Logger 7", "Date: 06.05.2031", "Rows: many"], ["a b c d"])[k % 6]  # fmt: skip
    page.above = above
    return filed(w, dressed(rng, page, 1), f"{units} below the header, {above} above it")


@shape(8)
def third_trailing_commas(rng: random.Random, k: int) -> Paper:
    """End the header with delimiters that the rows do not have."""
    w = wave(rng)
    page = level_table(rng, w)
    assert page.head
    page.head += [""] * (1 + k % 3)
    page.mark = (",", ";", "\t")[k % 3] if k > 2 else ","
    page.above = rng.sample(REMARKS, k % 2)
    return filed(w, page, f"{1 + k % 3} delimiters after the last name")


@shape(14)
def third_footers(rng: random.Random, k: int) -> Paper:
    """End with a remark of another cell count, or one between rows."""
    w = wave(rng)
    page = dressed(rng, level_table(rng, w), 1)
    below = (
        ["# end"], ["End of file"], ["", "Total rows: 1200"], ["-- done --"], ["EOF"],
        ["Checksum: 0x1F2E"], ["", "", ""], ["# stopped by hand", "# battery 7.9 V"],
        ["(end of recording)"], ["*** end ***"], ["Recorded by P. Quill"], ["; end"], ["// end"],
        ["Duration: 0.12 s"],
    )[k]  # fmt: skip
    page.below, page.last_end = below, rng.random() < 0.7
    if k in (0, 7):
        at = rng.randrange(4, len(page.rows) - 2)
        page.rows.insert(at, ["# marker pressed"])
    return filed(w, page, f"{below} below the rows")


@shape(16)
def third_epoch(rng: random.Random, k: int) -> Paper:
    """Count since 1970, in s, ms, us or ns, as a heading says or the size shows."""
    unit = ("s", "ms", "us", "ns")[k % 4]
    w = wave(rng, {"ms": 10**7}.get(unit))
    since = (1_935_000_000 + rng.randrange(10**6)) * 10**12 + rng.randrange(10**5) * 10**7
    named = ("epoch_", "unix_time_", "timestamp_", "time_")[k // 4] + unit
    head = named if k % 3 else rng.choice(("timestamp", "time", "epoch"))
    decimals = {"s": 6, "ms": 3, "us": 0, "ns": 0}[unit]
    page = level_table(rng, w, head=head, say=lambda t: printed(t + since, unit, decimals))
    return filed(w, dressed(rng, page), f"{unit} since 1970 as {head}")


@shape(16)
def third_clock(rng: random.Random, k: int) -> Paper:
    """Print times of day: AM and PM, minutes and seconds, dates in several orders."""
    w = wave(rng)
    begun = datetime(2031, 11, 28, (11, 23, 0, 12, 9)[k % 5], 59, 59, rng.randrange(10**6))
    form = (
        "%I:%M:%S.%f %p", "%m/%d/%Y %I:%M:%S.%f %p", "%M:%S.%f", "%H:%M:%S.%f",
        "%Y-%m-%dT%H:%M:%S.%fZ", "%d.%m.%Y %H:%M:%S.%f", "%Y/%m/%d %H:%M:%S.%f",
        "%Y-%m-%d %H:%M:%S.%f+02:00", "%I:%M:%S.%f%p", "%d/%m/%Y %H:%M:%S.%f",
        "%Y-%m-%d %H:%M:%S,%f", "%d-%m-%Y %H:%M:%S.%f", "%H:%M:%S.%f", "%M:%S.%f",
        "%Y-%m-%d %I:%M:%S.%f %p", "%H:%M:%S.%f000",
    )[k]  # fmt: skip
    if "%M:%S" == form[:5]:
        begun = begun.replace(minute=3)
    if k in (12, 14):
        begun = begun.replace(second=57)
    page = level_table(
        rng, w, head=rng.choice(("Time", "timestamp", "Date/Time")),
        say=lambda t: (begun + timedelta(microseconds=t // 10**6)).strftime(form),
    )  # fmt: skip
    if k == 10:
        page.mark = ";"
    return filed(w, dressed(rng, page, 1), f"{form} from {begun}")


@shape(14)
def third_western(rng: random.Random, k: int) -> Paper:
    """Write letters that only an old encoding has, decimals behind a comma."""
    w = wave(rng, names=UMLAUTS)
    encoding = ("latin-1", "cp1252")[k % 2]
    unit = rng.choice(("µs", "ms", "s"))
    plain = unit.replace("µ", "u")
    page = level_table(
        rng, w, unit=plain, head=f"Zeit [{unit}]" if k % 3 == 0 else f"Time ({unit})",
        say=lambda t: printed(t, plain, point="," if k < 8 else "."),
    )  # fmt: skip
    page.mark = ";" if k < 8 or rng.random() < 0.5 else ","
    page.above = [("Prüfstand 3", "Prüfstand 3 – 20 €")[k % 2]]
    page.encoding = encoding
    if rng.random() < 0.5:
        page.end = "\r\n"
    return filed(w, page, f"{encoding}, {unit}")


@shape(14)
def third_lone_returns(rng: random.Random, k: int) -> Paper:
    """End lines with a lone carriage return."""
    w = wave(rng)
    page = dressed(rng, level_table(rng, w))
    page.end = "\r"
    return filed(w, page, "lines end in CR")


@shape(10)
def third_bars(rng: random.Random, k: int) -> Paper:
    """Separate cells by bars, perhaps with one at either end."""
    w = wave(rng)
    page = level_table(rng, w)
    if k < 6:
        page.mark = ("|", " | ")[k % 2]
        return filed(w, dressed(rng, page, 1), f"{page.mark!r}")
    assert page.head
    table = [page.head, ["---"] * len(page.head), *page.rows] if k % 2 else [page.head, *page.rows]
    body = "\n".join("| " + " | ".join(row) + " |" for row in table) + "\n"
    return Paper(".txt", body.encode(), "a bar at either end", w.wires, reading="either")


@shape(10)
def third_sep_line(rng: random.Random, k: int) -> Paper:
    """State the delimiter in the first line."""
    w = wave(rng)
    page = level_table(rng, w)
    page.mark = (";", ",", "\t", "|", ";")[k % 5]
    said = f"sep={page.mark}"
    page.above = [f'"{said}"' if k == 7 else said, *rng.sample(REMARKS, k % 3 == 2)]
    page.end = rng.choice(("\n", "\r\n"))
    if page.mark == ";" and k % 2:
        page.rows = [[row[0].replace(".", ","), *row[1:]] for row in page.rows]
    return filed(w, page, repr(page.above[0]))


PAIRS = (
    ("no", "yes"), ("No", "Yes"), ("N", "Y"), ("F", "T"), ("f", "t"), ("lo", "hi"), ("LO", "HI"),
    ("Lo", "Hi"), ("False", "True"), ("FALSE", "TRUE"), ("L", "H"), ("off", "on"), ("OFF", "ON"),
    ("Low", "High"), ("l", "h"), ("0.0", "1.0"), ("low", "high"), ("down", "up"),
)  # fmt: skip


@shape(18)
def third_words(rng: random.Random, k: int) -> Paper:
    """Write levels as a pair of words."""
    w = wave(rng)
    page = dressed(rng, level_table(rng, w, words=PAIRS[k]))
    return filed(w, page, f"levels {PAIRS[k]}")


@shape(16)
def third_edge_events(rng: random.Random, k: int) -> Paper:
    """List edges: when, on which line, rising or falling."""
    w = wave(rng)
    fall, rise = (
        ("falling", "rising"), ("fall", "rise"), ("FALL", "RISE"), ("Falling", "Rising"),
        ("0", "1"), ("low", "high"), ("down", "up"), ("L", "H"), ("falling edge", "rising edge"),
        ("F", "R"), ("off", "on"), ("lo", "hi"), ("false", "true"), ("fall", "rise"),
        ("falling", "rising"), ("fell", "rose"),
    )[k]  # fmt: skip
    unit = rng.choice(("s", "ms", "us"))
    heads = (["time", "line", "edge"], ["Time", "Channel", "Event"], ["t", "signal", "level"],
             ["Time", "Name", "State"], ["time", "input", "transition"])[k % 5]  # fmt: skip
    rows = [[printed(t, unit), name, (fall, rise)[v]] for t, name, v in w.events()]
    head = [f"{heads[0]}_{unit}" if k % 2 else f"{heads[0]} ({unit})", *heads[1:]]
    order = (0, 1, 2) if k % 3 else (0, 2, 1)
    page = Page([[r[i] for i in order] for r in rows], [head[i] for i in order])
    moving = {name: each for name, each in w.wires.items() if each[1]}
    reading = "either" if k in (8, 9, 15) else "unaided"
    page = dressed(rng, page, 1)
    return filed(w, page, f"{head}, {fall} and {rise}", truth=moving, reading=reading)


@shape(14)
def third_runs(rng: random.Random, k: int) -> Paper:
    """Give how long each state lasted, line by line or for all at once."""
    w = wave(rng)
    unit = rng.choice(("us", "ms"))
    if k < 7:
        table = w.table(sampled=False)
        rows = [
            [printed(b - a, unit), *map(str, row)]
            for (a, row), (b, _) in zip(table, table[1:], strict=False)
        ]
        head = (f"duration_{unit}", f"Duration ({unit})", f"for_{unit}", f"length_{unit}")[k % 4]
        return filed(w, dressed(rng, Page(rows, [head, *w.wires]), 1), f"{head} and levels")
    rows = []
    for name, (first, edges) in w.wires.items():
        instants = [0, *edges, w.end]
        for i, (a, b) in enumerate(zip(instants, instants[1:], strict=False)):
            rows.append([name, str((first + i) % 2), printed(b - a, unit)])
    head_of = (f"for_{unit}", f"duration_{unit}", f"Duration ({unit})", f"length_{unit}")[k % 4]
    page = dressed(rng, Page(rows, ["line", "level", head_of]), 1)
    return filed(w, page, f"line, level, {head_of}")


@shape(16)
def third_units_in_cells(rng: random.Random, k: int) -> Paper:
    """Write the unit into each cell: of times, of voltages, of both."""
    volts = k % 3
    w = wave(rng, wires=2, closed=True) if volts else wave(rng)
    high = rng.choice((3.3, 5.0, 4.9))
    space = rng.choice((" ", ""))
    unit = rng.choice(("us", "ms", "s"))
    page = level_table(rng, w, sampled=True if volts else None, unit=unit, head="Time")
    tolerance = 1
    for row in page.rows:
        if volts != 1:
            row[0] += space + unit
        if volts:
            row[1:] = [
                f"{(high if c == '1' else 0.0) + rng.uniform(0, 0.04):.2f}{space}V" for c in row[1:]
            ]
            tolerance = w.step
    if volts == 1:
        assert page.head
        page.head[0] = f"time_{unit}"
    moving = any(edges for name, (_, edges) in list(w.wires.items())[1:])
    reading = "unaided" if not volts or moving else "either"
    page = dressed(rng, page, 1)
    return filed(w, page, f"cells such as {page.rows[1]}", tolerance_ps=tolerance, reading=reading)


@shape(14)
def third_workbook(rng: random.Random, k: int) -> Paper:
    """Write a workbook: numbers, words, truth values, a sheet of notes first, titles."""
    w = wave(rng, 2 * 10**7)
    unit = rng.choice(("s", "ms", "us"))
    book = openpyxl.Workbook()
    sheet = book.active
    if k % 3 == 0:
        sheet["A1"], sheet["A2"] = "Notes", "Mudlark, heat 4"
        sheet = book.create_sheet("data")
    for title in rng.sample(REMARKS, k % 4 == 1):
        sheet.append([title])
    words = ((0, 1), (False, True), ("low", "high"), (0, 1))[k % 4]
    indent = [None] * (k % 5 == 4)
    sheet.append([*indent, rng.choice(TIME_HEADS[unit]), *w.wires])
    for t, row in w.table(sampled=k % 2 == 0):
        value = t / UNIT_PS[unit]
        shown = int(value) if value == int(value) else round(value, 9)
        sheet.append([*indent, shown, *(words[v] for v in row)])
    if k % 7 == 5:
        sheet.append(["end"])
    out = io.BytesIO()
    book.save(out)
    reading = "either" if indent else "unaided"
    return Paper(".xlsx", out.getvalue(), f"sheet {k}", w.wires, reading=reading)


@shape(10)
def third_zip(rng: random.Random, k: int) -> Paper:
    """Zip a table beside the files that operating systems add."""
    w = wave(rng)
    page = dressed(rng, level_table(rng, w))
    added = (("__MACOSX/._take.csv",), (".DS_Store",), ("Thumbs.db",), ("desktop.ini",),
             ("__MACOSX/", "__MACOSX/take/._take.csv", "take/.DS_Store"))[k % 5]  # fmt: skip
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as pack:
        members = [("take/take.csv" if k % 2 else "take.csv", page.bytes())]
        members += [(name, b"\x00\x05\x16\x07\x00" if not name.endswith("/") else b"") for name in added]  # fmt: skip
        if k % 2:
            members.insert(0, ("take/", b""))
        rng.shuffle(members)
        for name, data in members:
            pack.writestr(name, data)
    return Paper(".zip", out.getvalue(), f"beside {added}", w.wires)


@shape(10)
def third_many_lines(rng: random.Random, k: int) -> Paper:
    """Record more than 64 lines, few of which carry pulses."""
    count = rng.choice((65, 70, 96, 130))
    few = wave(rng, 2 * 10**7, wires=4, seconds=0.1)
    names = [f"IO{i:03d}" for i in range(count)]
    places = rng.sample(range(count), len(few.wires))
    wires: Truth = {name: (0, ()) for name in names}
    wires |= {names[at]: each for at, each in zip(places, few.wires.values(), strict=True)}
    w = Wave(few.step, few.rows, wires)
    page = level_table(rng, w, sampled=False)
    idle = frozenset(name for name, (_, edges) in wires.items() if not edges)
    if k % 2:
        page.mark = ";"
    return filed(w, page, f"{count} lines", optional=idle)


@shape(10)
def third_arrow(rng: random.Random, k: int) -> Paper:
    """Write an Arrow stream or file, or Parquet, of several column types."""
    w = wave(rng)
    table = w.table(sampled=k % 2 == 0)
    times = [t for t, _ in table]
    stamps = pl.Series("timestamp", [1_935_000_000 * 10**6 + t // 10**6 for t in times])
    column = (
        pl.Series("time_us", [t // 10**6 for t in times]), stamps.cast(pl.Datetime("us")),
        pl.Series("time_s", [t / 1e12 for t in times]), pl.Series("time_ns", [t // 1000 for t in times]),
        pl.Series("time", [t // 1000 for t in times]).cast(pl.Duration("ns")),
    )[k % 5]  # fmt: skip
    kind = (pl.Boolean, pl.UInt8, pl.Int64, pl.Float64, pl.Int32)[(k + k // 5) % 5]
    frame = pl.DataFrame(
        [column, *(pl.Series(n, [r[i] for _, r in table]).cast(kind) for i, n in enumerate(w.wires))]
    )  # fmt: skip
    out = io.BytesIO()
    suffix = (".arrows", ".arrows", ".arrow", ".parquet", ".arrows")[k // 2]
    if suffix == ".arrows":
        frame.write_ipc_stream(out)
    elif suffix == ".arrow":
        frame.write_ipc(out)
    else:
        frame.write_parquet(out)
    return Paper(suffix, out.getvalue(), f"{column.dtype} and {kind}", w.wires)


@shape(12)
def third_default_writers(rng: random.Random, k: int) -> Paper:
    """Let general libraries write the table as they do unless told otherwise."""
    w = wave(rng)
    table = w.table(sampled=k % 2 == 0)
    data = {"time_us": [t // 10**6 for t, _ in table]}
    data |= {name: [row[i] for _, row in table] for i, name in enumerate(w.wires)}
    if k % 4 == 0:
        return Paper(".csv", pd.DataFrame(data).to_csv().encode(), "pandas", w.wires)
    if k % 4 == 1:
        truths = {n: [bool(v) for v in c] if n != "time_us" else c for n, c in data.items()}
        return Paper(".csv", pd.DataFrame(truths).to_csv(index=k < 6).encode(), "pandas", w.wires)
    if k % 4 == 2:
        return Paper(".csv", pl.DataFrame(data).write_csv().encode(), "polars", w.wires)
    out = io.BytesIO()
    rows = np.array([[t / 1e6, *row] for t, row in table])
    rows[:, 0] /= 1e6
    head = " ".join(["time_s", *(f"c{i}" for i in range(len(w.wires)))]) if k > 4 else ""
    np.savetxt(out, rows, header=head)
    unit = {} if head else {"time_unit": "s"}
    reading = "unaided" if head or k == 3 else "either"
    return Paper(".txt", out.getvalue(), "numpy", w.wires, by_place=True, hints=unit,
                 reading=reading, tolerance_ps=10**3)  # fmt: skip


@shape(10)
def third_no_rate(rng: random.Random, k: int) -> Paper:
    """Write samples without any time or rate, with or without their numbers."""
    w = wave(rng, 10**7, seconds=0.08)
    rows = [[str(v) for v in row] for _, row in w.table(sampled=True)]
    head = list(w.wires)
    if k % 2:
        rows = [[str(i), *row] for i, row in enumerate(rows, k % 3)]
        head = [("sample", "Sample no.", "index", "n", "#")[k // 2], *head]
    page = dressed(rng, Page(rows, head), 1)
    return filed(w, page, f"{head[0]} first", reading="option", hints={"rate": "100kHz"})


@shape(12)
def third_two_readings(rng: random.Random, k: int) -> Paper:
    """Leave open a unit, a decimal mark or which of two columns is the time."""
    if k % 3 == 0:
        w = wave(rng, 10**8, slow=True)
        page = level_table(rng, w, sampled=False, head="time", say=lambda t: printed(t, "ms"))
        note = "levels of any length, times of no unit"
        return filed(w, page, note, reading="ambiguous", hints={"time_unit": "ms"})
    if k % 3 == 1:
        w = wave(rng, 10**9, slow=True)
        rows = w.table(sampled=False)
        rows = [(t, row) for t, row in rows if t >= 10**12]
        page = Page(
            [[printed(t, "s", 3, ","), *map(str, row)] for t, row in rows], ["time_s", *w.wires],
            mark=";",
        )  # fmt: skip
        return filed(w, page, "1,234 of seconds or milliseconds", reading="ambiguous")
    w = wave(rng)
    page = level_table(rng, w, unit="us", head="start time (us)")
    drift = rng.choice((1.7, 0.5))
    page.rows = [[r[0], f"{float(r[0]) * drift:.3f}", *r[1:]] for r in page.rows]
    page.head = ["time a (us)", "time b (us)", *w.wires]
    return filed(w, page, "two times", reading="ambiguous", hints={"time_column": "time a (us)"})
