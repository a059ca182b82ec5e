"""A third hand's shapes, from issue 17's words alone: every shape of its items 3 and 4.

Wires, printers and layout are drawn here; a file's habits (line ends, a byte order mark, titles,
remarks, quotes) come on top of what a shape is about.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
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
            ((first + np.searchsorted(np.array(edges, np.int64), instants, "right")) % 2).tolist()
            for first, edges in self.wires.values()
        ]
        return list(zip(instants.tolist(), zip(*columns, strict=True), strict=True))

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
    rows = [[say(t), *map(words.__getitem__, row)] for t, row in w.table(sampled=sampled)]
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
            "Highest sample rate: 24 MHz", "Bandwidth: 20 MHz", "Sample rate: 1 kHz to 24 MHz",
            )[k]  # fmt: skip
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
    tolerance = coarse  # half of it, and the same of the instant that both are held together by
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
