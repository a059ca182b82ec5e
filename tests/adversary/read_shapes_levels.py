"""Shapes of levels: words, volts, buses, numbers that are none of these."""

from __future__ import annotations

import random

from read_paper import Paper, Truth, paper, rows_of, shape, text
from read_shapes_layout import s6, us
from read_signal import Signal, draw

WORDS = (
    ("false", "true"),
    ("FALSE", "TRUE"),
    ("F", "T"),
    ("no", "yes"),
    ("N", "Y"),
    ("lo", "hi"),
    ("low", "high"),
    ("L", "H"),
    ("off", "on"),
    ("LOW", "HIGH"),
    ("0.0", "1.0"),
    ("False", "True"),
    ("LO", "HI"),
    ("No", "Yes"),
)


@shape(14)
def level_words(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = (("time_us", us), ("time_s", s6))[i % 2]
    rows = rows_of(sig, time, WORDS[i], sampled=i % 3 == 0)
    return paper(sig, text(rows, [head, *sig.wires]), f"{WORDS[i]}")


@shape(5)
def words_without_sense(rng: random.Random, i: int) -> Paper:
    """Two words of which neither is the higher: which is high is anybody's guess."""
    words = (("open", "closed"), ("A", "B"), ("red", "green"), ("idle", "busy"), ("x", "o"))[i]
    sig = draw(rng)
    rows = rows_of(sig, us, words, sampled=i % 2 == 0)
    return paper(sig, text(rows, ["time_us", *sig.wires]), f"{words}", reading="ambiguous")


def volts(
    rng: random.Random, sig: Signal, *, low: float, high: float, form: str
) -> list[list[str]]:
    """Return samples of time and noisy voltages."""
    rows = rows_of(sig, us, sampled=True)
    return [
        [
            r[0],
            *(
                form.format((high if v == "1" else low) + rng.uniform(-high, high) / 100)
                for v in r[1:]
            ),
        ]
        for r in rows
    ]


@shape(8)
def plain_volts(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    high = (3.3, 5.0, 3.3, 4.8, 3.3, 5.0, 3300.0, 3.3)[i]
    rows = volts(
        rng,
        sig,
        low=high / 60,
        high=high,
        form=("{:.3f}", "{:.2f}", "{:.4f}", "{:.2f}", "{:.3e}", "{:.1f}", "{:.1f}", "{:.3f}")[i],
    )
    mark = (" (V)", " [V]", "", "_V", "", " (volts)", " (mV)", "")[i]
    also = {n: (n + mark,) for n in sig.wires}
    second = [["us"] + ["V"] * len(sig.wires)] if i == 7 else []
    top = ["time" if i == 7 else "time_us", *(n + mark for n in sig.wires)]
    return paper(
        sig,
        text([*second, *rows], top),
        f"volts, {top[1]!r}",
        also=also,
        tolerance_ps=sig.step_ps,
        hints={"threshold": high / 2},
        deciding="taken as low",
    )


@shape(6)
def volts_with_units(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, seconds=0.1)
    high = 3300.0 if i in (2, 5) else 3.3
    tail = (" V", "V", " mV", " V", " volts", "mV")[i]
    rows = volts(
        rng,
        sig,
        low=0,
        high=high,
        form=("{:.2f}", "{:.1f}", "{:.0f}", "{:.3f}", "{:.2f}", "{:.0f}")[i],
    )
    rows = [
        [r[0] + (" us" if i == 3 else ""), *(c.replace("-0", "0") + tail for c in r[1:])]
        for r in rows
    ]
    top = ["time" if i == 3 else "time_us", *sig.wires]
    return paper(
        sig,
        text(rows, top),
        f"{rows[0][1]!r}",
        tolerance_ps=sig.step_ps,
        hints={"threshold": high / 2},
    )


@shape(7)
def whole_numbers_as_levels(rng: random.Random, i: int) -> Paper:
    """Whole numbers that may be a voltage or a bus; a threshold says so."""
    sig = draw(rng)
    low, high = (
        ("0", "5"),
        ("0", "255"),
        ("3", "1020"),
        ("-1", "1"),
        ("1", "2"),
        ("0", "3300"),
        ("12", "4012"),
    )[i]
    rows = rows_of(sig, us, (low, high), sampled=True)
    return paper(
        sig,
        text(rows, ["time_us", *sig.wires]),
        f"levels {low} and {high}",
        reading="option",
        hints={"threshold": (int(low) + int(high)) / 2},
        tolerance_ps=sig.step_ps,
    )


def bus(sig: Signal, name: str) -> Truth:
    """Return the wires as bits of one bus, the first one lowest."""
    return {f"{name}[{k}]": v for k, v in enumerate(sig.edges_ps().values())}


@shape(10)
def buses(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, names=("a", "b", "c", "d"), lines=4, kinds="busy")
    ticks = range(sig.samples) if i % 2 else sig.change_ticks()
    name, form = (
        ("BUS", "0x{:02X}"),
        ("bus", "{:02X}h"),
        ("port", "0b{:08b}"),
        ("port", "{:08b}"),
        ("data (hex)", "{:02X}"),
        ("port [hex]", "{:02x}"),
        ("bus_hex", "{:04X}"),
        ("data[7:0] hex", "{:02X}"),
        ("port (dec)", "{:d}"),
        ("PORT", "0x{:x}"),
    )[i]
    spread = rng.choice((1, 16)) if 4 <= i <= 7 else 1
    shift = spread.bit_length() - 1
    values = [sum(v << (k + shift) for k, v in enumerate(row)) for row in sig.levels(ticks)]
    rows = [[us(t * sig.step_ps), form.format(v)] for t, v in zip(ticks, values, strict=True)]
    short = name.split("[7")[0].split(" ")[0] if i != 6 else name
    truth = {f"{short}[{k + shift}]": v for k, v in enumerate(sig.edges_ps().values())}
    also = {
        n: tuple(f"{o}[{n.split('[')[1]}" for o in (name, "bus", name.replace(" hex", "")))
        for n in truth
    }
    wide = 32
    still: Truth = {f"{short}[{k}]": (0, ()) for k in range(wide) if f"{short}[{k}]" not in truth}
    also |= {
        n: tuple(f"{o}[{n.split('[')[1]}" for o in (name, "bus", name.replace(" hex", "")))
        for n in still
    }
    lines = tuple(truth)
    return paper(
        sig,
        text(rows, ["time_us", name]),
        f"{name!r}: {rows[1][1]!r}",
        truth=truth | still,
        also=also,
        optional=frozenset(still),
        hints={"lines": lines},
        deciding="hex|decimal|binary",
    )


@shape(5)
def bus_of_unknown_base(rng: random.Random, i: int) -> Paper:
    """Digits 0 to 9 only, two in each cell: decimal, or hexadecimal without a word of it."""
    sig = draw(rng, names=("a", "b", "c"), lines=3, kinds="busy")
    ticks = range(sig.samples) if i % 2 else sig.change_ticks()
    high = (0x10, 0x20, 0x40, 0x10, 0x40)[i]
    name = ("value", "port", "state", "D", "bus")[i]
    values = [(high if row[0] else 0) + row[1] + 2 * row[2] for row in sig.levels(ticks)]
    rows = [[us(t * sig.step_ps), f"{v:02X}"] for t, v in zip(ticks, values, strict=True)]
    place = high.bit_length() - 1
    e = list(sig.edges_ps().values())
    truth = {f"{name}[0]": e[1], f"{name}[1]": e[2], f"{name}[{place}]": e[0]}
    still: Truth = {f"{name}[{k}]": (0, ()) for k in range(16) if f"{name}[{k}]" not in truth}
    return paper(
        sig,
        text(rows, ["time_us", name]),
        f"{name!r}: {sorted({r[1] for r in rows})}",
        truth=truth | still,
        optional=frozenset(still),
        reading="ambiguous",
    )


@shape(5)
def a_column_of_notes(rng: random.Random, i: int) -> Paper:
    """Besides levels, a column of words or of a measurement: leave it out and say so, or ask."""
    sig = draw(rng)
    rows = rows_of(sig, us, sampled=i % 2 == 0)
    name = ("note", "remark", "temperature (C)", "operator", "status")[i]
    for k, r in enumerate(rows):
        r.append(
            ("" if k % 700 else "stick moved", "", "21.5", "Ada", ("ok", "ok", "late")[k % 3])[i]
        )
    return paper(
        sig,
        text(rows, ["time_us", *sig.wires, name]),
        f"beside the levels {name!r}",
        reading="option",
        hints={"lines": tuple(sig.wires)},
        deciding=name[:6],
    )
