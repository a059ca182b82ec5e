"""Several habits in one file, and words above the rows that lead astray."""

from __future__ import annotations

import random

from read_paper import Paper, paper, rows_of, shape, text
from read_shapes_layout import FORMS, s6, us
from read_shapes_levels import WORDS
from read_signal import draw, number


@shape(24)
def combined(rng: random.Random, i: int) -> Paper:
    """Three to six habits at once, each of which has a shape of its own."""
    names = (None, None, ("Größe", "Kübel", "Säge"))[i % 3]
    sig = draw(rng, names=names)
    unit, dec = rng.choice((("us", None), ("ms", 3), ("s", 6), ("ms", 2), ("ns", None)))
    comma = rng.random() < 0.4
    delim = rng.choice((";", "\t")) if comma else rng.choice((",", ";", "\t", ", "))
    start = rng.choice((0, 0, -(10**10), 37 * 10**9))
    units_apart = rng.random() < 0.3
    rows = rows_of(
        sig,
        lambda t: number(start + t, unit, dec, point="," if comma else "."),
        rng.choice(WORDS),
        sampled=i % 2 == 0,
    )
    head = "Time" if units_apart else rng.choice((f"time_{unit}", f"Time ({unit})", f"t [{unit}]"))
    top, habits = [head, *sig.wires], [head, repr(delim)]
    before, after = [], []
    if delim != ", " and rng.random() < 0.25:
        before.append(f"sep={delim}")
        habits.append("sep line")
    if rng.random() < 0.4:
        before += ["Thistle, second bench day".replace(",", " -"), ""]
        habits.append("title")
    if units_apart:
        rows.insert(0, [f"({unit})", *([""] * len(sig.wires))])
        habits.append("units row")
    if rng.random() < 0.3:
        shift = 1 if units_apart else 0
        rows = [[str(k - shift) if k >= shift else "", *r] for k, r in enumerate(rows)]
        top.insert(0, "")
        habits.append("nameless index")
    if rng.random() < 0.3:
        after = rng.choice(
            (["# end"], ["", "End of recording"], [delim.strip(" ") * len(sig.wires)])
        )
        habits.append(f"footer {after}")
    body = text(
        rows,
        top,
        delim=delim,
        before=before,
        after=after,
        eol=rng.choice(("\n", "\r\n")),
        quote=rng.random() < 0.2,
    )
    code = rng.choice(("utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"))
    habits.append(code)
    return paper(sig, body.encode(code), "; ".join(habits), unit=unit, column=head)


@shape(8)
def another_rate(rng: random.Random, i: int) -> Paper:
    """A rate is stated above the rows, and it is no sample rate."""
    said = (
        "Frame rate: 50 Hz",
        "Baud rate: 115200 Hz",
        "Frame rate of the receiver: 100 Hz",
        "Refresh rate: 60 Hz",
        "Clock of the robot: 16 MHz",
        "Servo rate: 333 Hz",
        "Bandwidth: 25 MHz",
        "PWM frequency: 50 Hz",
    )[i]
    sig = draw(rng)
    rows = [list(map(str, r)) for r in sig.levels(range(sig.samples))]
    top = list(sig.wires)
    if i % 2:
        rows = [[str(k), *r] for k, r in enumerate(rows)]
        top = ["sample", *top]
    body = text(rows, top, before=[said])
    return paper(sig, body, said, rate=True, reading="option")


@shape(8)
def words_that_lead_astray(rng: random.Random, i: int) -> Paper:
    """Times and units stand above the rows; the heading alone says the column's."""
    said = (
        ["Time base: 5 ms per division"],
        ["Interval between tests: 2 min", "Unit under test: Thistle"],
        ["Duration: 0.12 s"],
        ["Start time: 20:34:57"],
        ["Trigger: 5 ms", "Pretrigger: 10 %"],
        ["Time unit of the plan: s"],
        ["Frame period: 20 ms"],
        ["Sampling started 3 s after power on"],
    )[i]
    slow = i % 4 == 3
    sig = draw(rng, 10_000, 6.0, kinds="slow") if slow else draw(rng, seconds=0.4)
    head, time = FORMS[i % 4]
    body = text(rows_of(sig, time, sampled=i % 2 == 0), [head, *sig.wires], before=said)
    return paper(sig, body, f"{said}")


@shape(6)
def odd_numbers(rng: random.Random, i: int) -> Paper:
    """No digit before the point, none after it, padded with zeros or blanks, with a plus."""
    sig = draw(rng)

    def time(t: int) -> str:
        if i in (0, 1):
            return s6(t).removeprefix("0")
        if i == 2:
            return us(t) + "."
        if i == 3:
            return us(t).rjust(9, "0")
        return us(t).rjust(9) if i == 4 else "+" + us(t)

    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, ["time_s" if i < 2 else "time_us", *sig.wires]), rows[1][0])


@shape(6)
def time_elsewhere(rng: random.Random, i: int) -> Paper:
    """The time stands last, or between the lines."""
    sig = draw(rng)
    head, time = FORMS[i % 5]
    at = len(sig.wires) if i % 2 else 1
    rows = [[*r[1 : at + 1], r[0], *r[at + 1 :]] for r in rows_of(sig, time, sampled=i % 3 == 0)]
    names = list(sig.wires)
    return paper(sig, text(rows, [*names[:at], head, *names[at:]]), f"{head!r} as column {at + 1}")


@shape(6)
def lines_named_like_times(rng: random.Random, i: int) -> Paper:
    """A line's name holds a word of time or of counting."""
    names = (
        ("time out", "RX2", "RX3"),
        ("sample hold", "RX2", "RX3"),
        ("index", "RX2", "RX3"),
        ("bus servo", "port side", "starboard"),
        ("clock", "date stamp", "RX3"),
        ("s", "m", "h"),
    )[i]
    sig = draw(rng, names=names)
    rows = rows_of(sig, us, sampled=i % 2 == 0)
    return paper(
        sig,
        text(rows, ["time_us", *sig.wires]),
        f"named {names}",
        column="time_us",
        deciding="left out",
    )


@shape(5)
def counted_from_elsewhere(rng: random.Random, i: int) -> Paper:
    """Sample numbers that start at one, below zero at the trigger, or far on."""
    sig = draw(rng)
    start = (1, -3000, 500_000, -1, 12)[i]
    ticks = sig.change_ticks() if i % 2 else range(sig.samples)
    rows = [[str(start + t), *map(str, r)] for t, r in zip(ticks, sig.levels(ticks), strict=True)]
    body = text(rows, ["sample", *sig.wires], before=["Sample rate: 100 kHz"])
    return paper(sig, body, f"the first sample is {start}", rate=True)
