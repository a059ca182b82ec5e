"""Shapes of layout: separators, line ends, what stands before, between and below the rows."""

from __future__ import annotations

import io
import random

import numpy as np
import pandas as pd
import polars as pl
from read_paper import Paper, paper, rows_of, shape, text
from read_signal import draw, number

EOLS = ("\n", "\r\n")


def us(ps: int) -> str:
    """Print microseconds with all digits that are needed."""
    return number(ps, "us")


def s6(ps: int) -> str:
    """Print seconds to the microsecond."""
    return number(ps, "s", 6)


def ms3(ps: int) -> str:
    """Print milliseconds to the microsecond."""
    return number(ps, "ms", 3)


FORMS = (("time_us", us), ("time_s", s6), ("Time [ms]", ms3), ("t (us)", us), ("Time (s)", s6))


@shape(8)
def plain_samples(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 5]
    delim = (",", ";", "\t", ",", ";", "\t", " ", ",")[i]
    head = head.replace(" ", "_") if delim == " " else head
    names = [n.replace(" ", "_") if delim == " " else n for n in sig.wires]
    truth = dict(zip(names, sig.edges_ps().values(), strict=True))
    body = text(rows_of(sig, time, sampled=True), [head, *names], delim=delim, eol=EOLS[i % 2])
    return paper(sig, body, f"samples, {delim!r}", truth=truth)


@shape(8)
def change_rows(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, (1_000_000, 4_000_000)[i % 2], rng.choice((0.4, 1.5)))
    head, unit, dec = (
        ("time_us", "us", None),
        ("Time (s)", "s", 9),
        ("t_ns", "ns", None),
        ("Time [ms]", "ms", 6),
        ("time_s", "s", 12),
        ("timestamp_us", "us", 3),
        ("Time (us)", "us", 2),
        ("t [s]", "s", 8),
    )[i]
    rows = rows_of(sig, lambda t: number(t, unit, dec))
    delim = (",", ";", "\t", ",")[i % 4]
    return paper(sig, text(rows, [head, *sig.wires], delim=delim), f"changes, {head}")


@shape(6)
def blanks_round_delimiters(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 3]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    delim = (", ", " , ", " ; ", "\t ", ",   ", " | ")[i]
    if i == 4:  # columns lined up on the right
        rows = [[c.rjust(12) for c in r] for r in rows]
    return paper(sig, text(rows, [head, *sig.wires], delim=delim), f"delimiter {delim!r}")


@shape(6)
def nameless_index(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 2]
    first = ("", "", '""', "Unnamed: 0", "#", "")[i]
    rows = [[str(k), *r] for k, r in enumerate(rows_of(sig, time, sampled=i < 3))]
    delim = (",", ";", ",", ",", ",", "\t")[i]
    top = delim.join([first, head, *sig.wires]) + "\n"
    return paper(sig, top + text(rows, delim=delim), f"index headed {first!r}", column=head)


@shape(7)
def title_rows(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    titles = (
        ["Thistle, second bench day"],
        ["Robot: Thistle", "Built by the Mill Lane club", ""],
        ["Recorded 28 November 2026, bench 2"],
        ["Thistle,,", "receiver bound afresh,,", ",,"],
        ["", "", "Test 12"],
        ["Test 12, 4 lines, 100 V supply off", "second try"],
        ['"Thistle, bench"', '""'],
    )[i]
    body = text(rows_of(sig, time, sampled=i % 2 == 1), [head, *sig.wires], before=titles)
    return paper(sig, body, f"titles {titles}")


@shape(6)
def units_row(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    unit, dec, shown = (
        ("us", None, "us"),
        ("ms", 3, "(ms)"),
        ("s", 6, "[s]"),
        ("us", None, "(µs)"),
        ("ns", None, "ns"),
        ("ms", 2, "ms"),
    )[i]
    rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
    second = [shown] + [("", "", "-", "logic", "(1)", "level")[i]] * len(sig.wires)
    top = ["time" if i % 2 else "Time", *sig.wires]
    return paper(sig, text([second, *rows], top), f"units {second[:2]}", unit=unit)


@shape(6)
def header_trailing_comma(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    delim = (",", ";", ",", "\t", ",", ",")[i]
    rows = rows_of(sig, time, sampled=i % 2 == 1)
    more = 1 if i < 4 else 3
    body = delim.join([head, *sig.wires]) + delim * more + "\n" + text(rows, delim=delim)
    return paper(
        sig, body, f"{more} {delim!r} too many in the header only", deciding="no header row"
    )


@shape(5)
def trailing_delimiter(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    delim = (",", ";", "\t", ",", ";")[i]
    rows = [[*r, ""] for r in rows_of(sig, time, sampled=i % 2 == 1)]
    top = [head, *sig.wires] + ([""] if i < 3 else [])
    return paper(
        sig, text(rows, top, delim=delim), "a delimiter ends each row" + " only" * (i >= 3)
    )


@shape(8)
def footers(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    foot = (
        ["# end"],
        ["", f"Total samples: {sig.samples}"],
        ["End of file"],
        ["# 3 lines", "# the sticks were let go at the end"],
        ["", "Recorded by Mill Lane club, bench 2"],
        ["// end of the recording"],
        ["; done"],
        ["-" * 20, "written in 0.4 s"],
    )[i]
    body = text(rows_of(sig, time, sampled=i % 2 == 1), [head, *sig.wires], after=foot)
    return paper(sig, body, f"below the rows: {foot}")


@shape(6)
def remarks_between(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    rows = rows_of(sig, time, sampled=i % 2 == 1)
    remark = ("# sticks let go", "// page 2", "# -----", "", "#", "% second half")[i]
    half = len(rows) // 2
    body = text(rows[:half], [head, *sig.wires]) + remark + "\n" + text(rows[half:])
    return paper(sig, body, f"between the rows: {remark!r}")


@shape(5)
def empty_rows_at_end(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    wide = 1 + len(sig.wires)
    more = [[""] * wide] * (1, 3, 40, 2, 5)[i]
    delim = (",", ";", ",", "\t", ",")[i]
    body = text([*rows_of(sig, time), *more], [head, *sig.wires], delim=delim)
    return paper(sig, body, f"{len(more)} rows of empty cells at the end")


@shape(5)
def lone_carriage_return(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i]
    body = text(
        rows_of(sig, time, sampled=i % 2 == 0),
        [head, *sig.wires],
        eol="\r",
        delim=(",", ";", "\t", ",", ",")[i],
        end=i != 3,
        before=["Thistle"] if i == 4 else [],
    )
    return paper(sig, body, "lines end in a carriage return alone")


@shape(6)
def bars(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    if i == 5:
        rule = "|" + "---|" * (1 + len(sig.wires))
        lines = ["| " + " | ".join(r) + " |" for r in [[head, *sig.wires], *rows]]
        return paper(sig, "\n".join([lines[0], rule, *lines[1:]]) + "\n", "a Markdown table", ".md")
    delim = ("|", "|", " | ", "| ", "|")[i]
    return paper(sig, text(rows, [head, *sig.wires], delim=delim, eol=EOLS[i % 2]), f"{delim!r}")


@shape(8)
def decimal_comma(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, unit, dec = (
        ("Zeit (s)", "s", 6),
        ("time_ms", "ms", 2),
        ("Time [s]", "s", 5),
        ("t_us", "us", 1),
        ("Temps (ms)", "ms", 3),
        ("time_s", "s", 8),
        ("Zeit [ms]", "ms", 4),
        ("t (s)", "s", 6),
    )[i]
    delim = "\t" if i in (3, 6) else ";"
    rows = rows_of(sig, lambda t: number(t, unit, dec, point=","), sampled=i % 2 == 0)
    if i == 7:
        rows = [[r[0], *(c + ",0" for c in r[1:])] for r in rows]
    return paper(sig, text(rows, [head, *sig.wires], delim=delim), f"{head}, decimal comma")


@shape(6)
def sep_line(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    delim = (";", ",", "\t", "|", ";", ";")[i]
    said = '"sep=;"' if i == 4 else f"sep={delim}"
    if i == 5:
        head, time = "time_s", lambda t: number(t, "s", 6, point=",")
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(
        sig,
        text(rows, [head, *sig.wires], delim=delim, before=[said], eol=EOLS[i % 2]),
        f"{said!r}",
    )


@shape(5)
def all_quoted(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    delim = (",", ";", "\t", ",", ";")[i]
    return paper(sig, text(rows, [head, *sig.wires], delim=delim, quote=True), "all cells quoted")


@shape(6)
def header_in_a_remark(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 2]
    mark = ("# ", "#", "// ", "% ", "# ", "; ")[i]
    delim = "\t" if i == 5 else ","
    before = ["# Thistle on the bench"] if i == 4 else []
    top = [*before, mark + delim.join([head, *sig.wires])]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, delim=delim, before=top), f"header after {mark!r}")


@shape(6)
def no_header(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    time = (s6, s6, lambda t: number(t, "s", 9))[i % 3]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    delim = (",", ";", "\t", " ", ",", ";")[i]
    return paper(sig, text(rows, delim=delim), "no header, seconds", by_place=True, unit="s")


@shape(6)
def keys_and_values_before(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = FORMS[i % 4]
    delim = (",", ",", ";", "\t", ",", ",")[i]
    pairs = [
        ["Robot", "Thistle"],
        ["Lines", str(len(sig.wires))],
        ["Start", "0"],
        ["Bench", "2"],
        ["Temperature", "21.5"],
    ][: 2 + i % 4]
    pad = [""] * (len(sig.wires) - 1) if i % 2 else []
    before = [delim.join([*p, *pad]) for p in pairs]
    if i >= 3:
        before.append("")
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, [head, *sig.wires], delim=delim, before=before), f"{before}")


@shape(8)
def odd_names(rng: random.Random, i: int) -> Paper:
    names = (
        ("left, front", "right, front", "drum"),
        ("0", "1", "2"),
        ("Größe", "Flügel", "Kreisel"),
        ("A", "B", "T"),
        ("rx-1", "rx-2", "rx/3"),
        ("左", "右", "武器"),
        ("RX1 # bench", "RX2 # bench", "RX3"),
        ('the "left"', 'the "right"', "drum"),
    )[i]
    sig = draw(rng, names=names)
    head, time = FORMS[i % 2]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, [head, *sig.wires], quote=i == 7), f"named {names}")


@shape(6)
def default_writers(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    ticks = range(sig.samples) if i % 2 else sig.change_ticks()
    levels = np.array(sig.levels(ticks))
    seconds = np.array(ticks) * sig.step_ps / 1e12
    columns = {"time_s": seconds} | {n: levels[:, k] for k, n in enumerate(sig.wires)}
    out = io.StringIO()
    if i < 2:
        pd.DataFrame(columns).to_csv(out, lineterminator="\n")
        note = "pandas, with its index"
    elif i == 2:
        pd.DataFrame({n: c if n == "time_s" else c == 1 for n, c in columns.items()}).to_csv(
            out, lineterminator="\n", index=False
        )
        note = "pandas, truth values"
    elif i == 3:
        out.write(pl.DataFrame(columns).write_csv())
        note = "polars"
    elif i == 4:
        np.savetxt(
            out,
            np.column_stack(list(columns.values())),
            header=" ".join(n.replace(" ", "_") for n in columns),
        )
        note = "numpy, eighteen digits, remark as header"
    else:
        index = pd.to_timedelta(np.array(ticks) * (sig.step_ps // 1000), unit="ns")
        pd.DataFrame(dict(list(columns.items())[1:]), index=index.rename("time")).to_csv(
            out, lineterminator="\n"
        )
        note = "pandas, time differences as index"
    also = {n: (n.replace(" ", "_"),) for n in sig.wires}
    return paper(sig, out.getvalue(), note, also=also, tolerance_ps=1000)
