"""Shapes of damage: a file that nobody should read as if nothing were wrong."""

from __future__ import annotations

import random

from read_paper import Paper, paper, rows_of, shape, text
from read_shapes_layout import s6, us
from read_signal import Signal, draw


def plain(rng: random.Random, i: int) -> tuple[Signal, list[str], list[list[str]]]:
    """Return a sound table to damage: samples or changes, microseconds or seconds."""
    sig = draw(rng)
    head, time = (("time_us", us), ("time_s", s6))[(i // 2) % 2]
    return sig, [head, *sig.wires], rows_of(sig, time, sampled=i % 2 == 0)


@shape(14)
def damaged_row(rng: random.Random, i: int) -> Paper:
    """One row in the middle has as many cells as the others, but cannot be a row."""
    sig, top, rows = plain(rng, i)
    k = len(rows) // 2 if i < 10 else len(rows) - len(rows) // 5
    wide = len(rows[k])
    whole = rows[k]
    rows[k] = [
        [whole[0], "x", *whole[2:]],
        [whole[0][:-1] + "O", *whole[1:]],
        ["#", *whole[1:]],
        ["---"] * wide,
        ["NaN", *whole[1:]],
        [whole[0], "", *whole[2:]],
        ["", *whole[1:]],
        ["# " + whole[0], *whole[1:]],
        ["overflow"] + [""] * (wide - 1),
        [whole[0], "2", *whole[2:]],
        top,
        ["lost", *["?"] * (wide - 1)],
        [whole[0] + "." + whole[0] + ".5", *whole[1:]],
        [""] * wide,
    ][i]
    return paper(
        sig,
        text(rows, top),
        f"row {k + 2} is {rows[k]}",
        reading="refuse",
        deciding=rf"\b(row|line)s? {k + 2}\b",
    )


@shape(7)
def ragged_row(rng: random.Random, i: int) -> Paper:
    """One row in the middle has a cell too few or too many."""
    sig, top, rows = plain(rng, i)
    k = len(rows) // 2
    whole = rows[k]
    rows[k] = [
        whole[:-1],
        [*whole, "0"],
        whole[:1],
        [*whole, "0", "1", "0"],
        whole[1:],
        [whole[0], *whole],
        whole[:-1],
    ][i]
    if i == 6:  # two rows run together
        rows[k : k + 2] = [rows[k] + rows[k + 1]]
    return paper(
        sig,
        text(rows, top),
        f"row {k + 2} has {len(rows[k])} cells",
        reading="refuse",
        deciding=rf"\b(row|line)s? {k + 2}\b",
    )


@shape(6)
def times_go_back(rng: random.Random, i: int) -> Paper:
    """The clock restarts, or two blocks were pasted in the wrong order."""
    sig, top, rows = plain(rng, i)
    k = len(rows) // 2
    if i < 2:
        rows = rows[k:] + rows[:k]
    elif i < 4:
        rows = rows[:k] + rows[: len(rows) - k]
    else:
        rows[k], rows[k + 1] = rows[k + 1], rows[k]
    return paper(sig, text(rows, top), f"times go back at row {k + 2}", reading="refuse")


@shape(6)
def repeated_times(rng: random.Random, i: int) -> Paper:
    """A stretch of rows stands in the file twice, or one time has two levels."""
    sig, top, rows = plain(rng, 2 * i)
    k = len(rows) // 2
    if i < 3:
        rows = rows[: k + 50] + rows[k:]
    else:
        j = next(j for j in range(k, len(rows)) if rows[j][1:] != rows[j - 1][1:])
        rows.insert(j, [rows[j][0], *("1" if c == "0" else "0" for c in rows[j][1:])])
    return paper(
        sig,
        text(rows, top),
        "a time twice with other levels" if i > 2 else "rows twice",
        reading="either" if i > 2 else "refuse",
        must_say="share|same time|twice|repeat",
    )


@shape(5)
def cut_at_the_end(rng: random.Random, i: int) -> Paper:
    """The last row was not written to its end: all the others are sound."""
    sig, top, rows = plain(rng, i)
    body = text(rows, top, end=False)
    body = body[: body.rindex(",")] if i != 4 else body[: body.rindex("\n") + 3]
    return paper(sig, body, f"ends in {body[-12:]!r}")


@shape(6)
def a_gap_in_the_samples(rng: random.Random, i: int) -> Paper:
    """Samples are missing in the middle: to be said, and no time moved."""
    sig, top, rows = plain(rng, 0 if i % 2 else 2)
    quiet = [
        k
        for k in range(1000, len(rows) - 600)
        if len({tuple(r[1:]) for r in rows[k : k + 80]}) == 1
    ]
    k = quiet[len(quiet) // 2]
    del rows[k + 5 : k + 5 + (40, 5, 20, 70, 10, 60)[i]]
    return paper(
        sig,
        text(rows, top),
        f"samples missing after row {k + 7}",
        must_say="gap|missing|uneven|longest|steps",
        deciding="gap|missing|uneven|longest|steps|row number",
    )


@shape(6)
def duplicated_names(rng: random.Random, i: int) -> Paper:
    """Two lines with one name: told apart in the file's order, or refused."""
    sig, top, rows = plain(rng, i)
    top = [top[0], *([top[1]] * 2 if i < 4 else [top[1], top[1].upper()]), *top[3:]]
    if i == 3:
        top[1:] = [top[1]] * (len(top) - 1)
    return paper(sig, text(rows, top), f"{top}", reading="either", by_place=True)


@shape(5)
def names_too_few(rng: random.Random, i: int) -> Paper:
    """The header has a name too few or too many: no column may get another's name."""
    sig, top, rows = plain(rng, i)
    top = (top[:-1], [*top, "extra"], top[1:], [top[0], *top[2:]], [*top, "D8", "D9"])[i]
    also = {n: (f"column{k}",) for k, n in enumerate(sig.wires, 2)}
    note = f"{len(top)} names for {len(rows[0])} columns"
    return paper(sig, text(rows, top), note, reading="either", also=also)


@shape(5)
def two_tables_in_one(rng: random.Random, i: int) -> Paper:
    """A second recording was appended, header and all."""
    sig, top, rows = plain(rng, i)
    body = text(rows, top)
    body += ("", "\n", "\n\n", "Second run\n", "# second run\n")[i] + text(rows, top)
    return paper(sig, body, "a second table below the first", reading="refuse")


@shape(5)
def nothing_to_read(rng: random.Random, i: int) -> Paper:
    """No recording at all."""
    sig = draw(rng)
    data = (b"", b"\n\n\n", b"time_us,RX1\n", b"Thistle\nbench day\n", b"\x00" * 3000)[i]
    return paper(sig, data, f"{data[:20]!r}", reading="refuse")
