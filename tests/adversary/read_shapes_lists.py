"""Shapes of lists: events, pulses, runs, stretches, cycles."""

from __future__ import annotations

import itertools
import random

from read_paper import Paper, Truth, paper, shape, text
from read_signal import Signal, draw, number

UNITS = (
    ("us", None),
    ("s", 6),
    ("ms", 3),
    ("us", None),
    ("ns", None),
    ("ms", 2),
    ("s", 5),
    ("us", None),
)


def heading(word: str, unit: str, i: int) -> str:
    """Return one of the ways to put a unit into a heading."""
    return (f"{word}_{unit}", f"{word} ({unit})", f"{word} [{unit}]", f"{word.title()} ({unit})")[
        i % 4
    ]


def moving(sig: Signal) -> Truth:
    """Return the truth of the wires that change at all: a list shows no others."""
    return {n: v for n, v in sig.edges_ps().items() if v[1]}


def first_seen(truth: Truth, order: list[str]) -> Truth:
    """Return the truth in the order in which a list names its lines."""
    return {n: truth[n] for n in dict.fromkeys(order) if n in truth}


@shape(9)
def rise_and_fall_events(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, 1_000_000, 0.4)
    unit, dec = UNITS[(0, 1, 3, 0, 1, 0, 3, 1, 4)[i]]
    words = (
        ("fall", "rise"),
        ("falling", "rising"),
        ("down", "up"),
        ("↓", "↑"),
        ("F", "R"),
        ("falling edge", "rising edge"),
        ("FALL", "RISE"),
        ("neg", "pos"),
        ("Falling", "Rising"),
    )[i]
    if dec is not None and unit == "s":
        dec = 6
    rows = [[number(t * sig.step_ps, unit, dec), n, words[v]] for t, n, v in sig.changes()]
    top = [
        heading("time", unit, i),
        ("line", "channel", "pin", "signal")[i % 4],
        ("event", "edge", "edge", "event")[i % 4],
    ]
    if i in (2, 6):
        rows, top = [[r[1], r[2], r[0]] for r in rows], [top[1], top[2], top[0]]
    return paper(sig, text(rows, top, delim=(",", ";", "\t")[i % 3]), f"{words}", truth=moving(sig))


@shape(8)
def events_with_levels(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, 1_000_000, 0.4)
    unit, dec = UNITS[i]
    if unit in ("s", "ms"):
        dec = 6 if unit == "s" else 3
    events = sig.changes()
    all_at_start = i % 2 == 0
    if all_at_start:
        events = [(0, n, w.first) for n, w in sig.wires.items()] + events
    if i in (3, 6):
        order = list(sig.wires)
        events.sort(key=lambda e: (order.index(e[1]), e[0]))
    words = (
        ("0", "1"),
        ("0", "1"),
        ("L", "H"),
        ("0", "1"),
        ("low", "high"),
        ("0", "1"),
        ("false", "true"),
        ("off", "on"),
    )[i]
    rows = [[number(t * sig.step_ps, unit, dec), n, words[v]] for t, n, v in events]
    top = [
        heading("time", unit, i),
        ("line", "channel", "name", "pin")[i % 4],
        ("level", "value", "state")[i % 3],
    ]
    return paper(
        sig,
        text(rows, top),
        f"{top}, {words}",
        truth=sig.edges_ps() if all_at_start else moving(sig),
    )


@shape(5)
def only_cells_that_change(rng: random.Random, i: int) -> Paper:
    """All levels in the first row; further down only those that are new, the others blank."""
    sig = draw(rng)
    ticks = sig.change_ticks(closed=False)
    rows, before = [], None
    for t, levels in zip(ticks, sig.levels(ticks), strict=True):
        shown = [str(v) if before is None or v != before[k] else "" for k, v in enumerate(levels)]
        rows.append([number(t * sig.step_ps, "us"), *shown])
        before = levels
    delim = (",", ";", "\t", ",", ";")[i]
    return paper(
        sig,
        text(rows, ["time_us", *sig.wires], delim=delim),
        "blank where nothing changed",
        reading="either",
    )


@shape(9)
def run_lengths(rng: random.Random, i: int) -> Paper:
    """Level and how long it lasts."""
    single = i not in (2, 5, 7)
    sig = draw(rng, 1_000_000 if i != 4 else 100_000, 0.4, lines=2, kinds="busy")
    if single:
        sig = Signal(sig.rate_hz, sig.samples, dict(list(sig.wires.items())[:1]))
    unit, dec = UNITS[(0, 2, 0, 1, 0, 0, 4, 2, 0)[i]]
    words = (
        ("0", "1"),
        ("low", "high"),
        ("0", "1"),
        ("L", "H"),
        ("0", "1"),
        ("lo", "hi"),
        ("0", "1"),
        ("0", "1"),
        ("LOW", "HIGH"),
    )[i]
    rows = []
    for name, w in sig.wires.items():
        marks = [0, *w.ticks, sig.samples]
        for k, (a, b) in enumerate(itertools.pairwise(marks)):
            length = str(b - a) if i == 4 else number((b - a) * sig.step_ps, unit, dec)
            rows.append([*([] if single else [name]), words[w.first ^ (k & 1)], length])
    word = ("duration", "length", "for", "run")[i % 4]
    top = [*([] if single else ["line"]), "level", "samples" if i == 4 else heading(word, unit, i)]
    if i in (3, 6):
        rows, top = [r[::-1] for r in rows], top[::-1]
    before = ["Sample rate: 100 kHz"] if i == 4 else []
    return paper(sig, text(rows, top, before=before), f"{top}", by_place=single)


@shape(9)
def starts_and_ends(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, 1_000_000, 0.4, whole=True)
    unit, dec = UNITS[(0, 2, 1, 3, 4, 0, 2, 0, 1)[i]]
    a, b = (
        ("start", "end"),
        ("rise", "fall"),
        ("from", "to"),
        ("begin", "end"),
        ("start", "stop"),
        ("rise", "end"),
        ("on", "off"),
        ("high_from", "high_to"),
        ("start", "end"),
    )[i]
    pulses = sig.pulses()
    if i % 2:
        order = list(sig.wires)
        pulses.sort(key=lambda p: (order.index(p[2]), p[0]))
    rows = [
        [n, number(r * sig.step_ps, unit, dec), number(f * sig.step_ps, unit, dec)]
        for r, f, n in pulses
    ]
    top = [("line", "channel", "pin", "name")[i % 4], heading(a, unit, i), heading(b, unit, i)]
    if i in (2, 5):
        rows, top = [[r[1], r[2], r[0]] for r in rows], [top[1], top[2], top[0]]
    truth = first_seen(moving(sig), [p[2] for p in pulses])
    return paper(
        sig, text(rows, top), f"{top}", truth=truth, deciding="how long it stays|end|length"
    )


@shape(5)
def stretches_of_both_levels(rng: random.Random, i: int) -> Paper:
    """Start, end and level of every stretch."""
    sig = draw(rng, 1_000_000, 0.4, kinds="busy")
    unit, dec = UNITS[i]
    rows = []
    for name, w in sig.wires.items():
        marks = [0, *w.ticks, sig.samples]
        for k, (a, b) in enumerate(itertools.pairwise(marks)):
            rows.append(
                [
                    name,
                    number(a * sig.step_ps, unit, dec or (6 if unit == "s" else None)),
                    number(b * sig.step_ps, unit, dec or (6 if unit == "s" else None)),
                    str(w.first ^ (k & 1)),
                ]
            )
    top = ["line", heading("start", unit, i), heading("end", unit, i), "level"]
    return paper(sig, text(rows, top), f"{top}")


@shape(9)
def pulses_with_width(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, 1_000_000, 0.4, whole=True, lines=1 if i in (3, 6) else None)
    unit, dec = UNITS[(1, 0, 2, 1, 0, 4, 1, 3, 0)[i]]
    if unit == "s":
        dec = 6
    wide, wdec = (
        ("us", None),
        ("us", None),
        ("ms", 3),
        ("us", None),
        ("ms", 3),
        ("ns", None),
        ("ms", 4),
        ("us", 1),
        ("us", None),
    )[i]
    rows = [
        [number(r * sig.step_ps, unit, dec), n, number((f - r) * sig.step_ps, wide, wdec)]
        for r, f, n in sig.pulses()
    ]
    word = (
        "width",
        "high",
        "pulse width",
        "length",
        "width",
        "high",
        "width",
        "duration",
        "width",
    )[i]
    top = [heading(("time", "rise", "start")[i % 3], unit, i), "line", heading(word, wide, i)]
    one = len(sig.wires) == 1
    if one:
        rows, top = [[r[0], r[2]] for r in rows], [top[0], top[2]]
    if i in (4, 8):
        rows, top = [[r[1], r[0], r[2]] for r in rows], [top[1], top[0], top[2]]
    truth = first_seen(moving(sig), [p[2] for p in sig.pulses()])
    return paper(sig, text(rows, top), f"{top}", truth=truth, by_place=one)


@shape(6)
def width_and_period(rng: random.Random, i: int) -> Paper:
    """One line's widths and periods, the period from this rise to the next: right or refused."""
    sig = draw(rng, 1_000_000, 0.5, whole=True, lines=1, kinds="busy")
    p = [(r * sig.step_ps, f * sig.step_ps) for r, f, _ in sig.pulses()]
    unit = ("us", "ms", "us", "us", "ms", "us")[i]
    rows = [[number(f - r, unit), number(n[0] - r, unit)] for (r, f), n in itertools.pairwise(p)]
    top = [
        heading("width", unit, i),
        heading(("period", "period", "frame", "period", "cycle", "period to next")[i], unit, i),
    ]
    if i in (2, 4):
        rows, top = [[str(k), *r] for k, r in enumerate(rows)], ["n", *top]
    truth = {n: (0, e[: 2 * len(rows)]) for n, (_, e) in sig.edges_ps().items()}
    return paper(sig, text(rows, top), f"{top}", truth=truth, reading="either", by_place=True)


@shape(6)
def only_widths(rng: random.Random, i: int) -> Paper:
    """Widths without any instant: there are no edges in this file."""
    sig = draw(rng, 1_000_000, 0.5, whole=True, kinds="busy")
    rows = [[n, number((f - r) * sig.step_ps, "us")] for r, f, n in sig.pulses()]
    top = ["line", "width_us"]
    if i in (1, 4):
        rows, top = [[str(k), r[1]] for k, r in enumerate(rows)], ["n", "width (us)"]
    elif i in (2, 5):
        rows, top = [[r[1]] for r in rows], [("width_us", "", "", "", "", "us")[i]]
    elif i == 3:
        cells = [r[1] for r in rows]
        rows, top = (
            [cells[k : k + 2] for k in range(0, len(cells) - 1, 2)],
            [f"{n} (us)" for n in list(sig.wires)[:2]],
        )
    return paper(sig, text(rows, top), f"{top}", reading="refuse")


@shape(6)
def highs_and_lows(rng: random.Random, i: int) -> Paper:
    """One line, one row per cycle: how long high, how long low."""
    sig = draw(rng, 1_000_000, 0.5, whole=True, lines=1, kinds="busy")
    p = [(r * sig.step_ps, f * sig.step_ps) for r, f, _ in sig.pulses()]
    unit = ("us", "ms", "us", "s", "us", "us")[i]
    rows = [[number(f - r, unit), number(n[0] - f, unit)] for (r, f), n in itertools.pairwise(p)]
    top = [heading("high", unit, i), heading("low", unit, i)]
    if i == 2:
        rows, top = [[str(k), *r] for k, r in enumerate(rows)], ["cycle", *top]
    if i == 4:
        top = ["ON (us)", "OFF (us)"]
    truth = {n: (0, e[: 2 * len(rows)]) for n, (_, e) in sig.edges_ps().items()}
    return paper(
        sig,
        text(rows, top),
        f"{top}",
        truth=truth,
        reading="either",
        by_place=True,
        deciding="no unit is stated",
    )


@shape(5)
def a_column_of_edges_per_line(rng: random.Random, i: int) -> Paper:
    """Each column lists one line's own edges, columns of unequal length: right or refused."""
    sig = draw(rng, 1_000_000, 0.4, whole=True, kinds="busy")
    unit = ("us", "ms", "s", "us", "ms")[i]
    columns = []
    top = []
    for name, w in sig.wires.items():
        edges = [number(t * sig.step_ps, unit) for t in w.ticks]
        if i % 2:
            columns += [edges]
            top += [f"{name} ({unit})"]
        else:
            columns += [edges[::2], edges[1::2]]
            top += [f"{name} rise ({unit})", f"{name} fall ({unit})"]
    long = max(map(len, columns))
    rows = [[c[k] if k < len(c) else "" for c in columns] for k in range(long)]
    return paper(sig, text(rows, top), f"{top[:2]}", reading="either", truth=moving(sig))


@shape(5)
def a_row_of_edges_per_line(rng: random.Random, i: int) -> Paper:
    """Each row is a line's name and all its edges: right or refused."""
    sig = draw(rng, 1_000_000, 0.4, whole=True, kinds="busy")
    delim = (",", ";", "\t", ",", " ")[i]
    rows = [
        [n.replace(" ", "_"), *(number(t * sig.step_ps, "us") for t in w.ticks)]
        for n, w in sig.wires.items()
    ]
    truth = {n.replace(" ", "_"): v for n, v in moving(sig).items()}
    return paper(
        sig,
        text(rows, ["line", "edges_us"] if i < 2 else None, delim=delim),
        "a row per line",
        reading="either",
        truth=truth,
    )
