"""The third hand's shapes that are about rows, words, encodings and packing."""

from __future__ import annotations

import io
import itertools
import random
import zipfile
from datetime import datetime, timedelta

import numpy as np
import openpyxl
import pandas as pd
import polars as pl
from read_paper import Paper, Truth, shape
from read_shapes_third import (
    REMARKS,
    TIME_HEADS,
    UNIT_PS,
    Page,
    Wave,
    dressed,
    filed,
    level_table,
    printed,
    wave,
)

UMLAUTS = ("Wippe", "Trommel rechts", "Räder links", "Höhe", "Käfer")


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
    pad = str.ljust if k % 2 else str.rjust
    cells = [[pad(c, n) for c, n in zip(row, wide, strict=True)] for row in table]
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
    if form[:5] == "%M:%S":
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
            [printed(b - a, unit), *map(str, row)] for (a, row), (b, _) in itertools.pairwise(table)
        ]
        head = (f"duration_{unit}", f"Duration ({unit})", f"for_{unit}", f"length_{unit}")[k % 4]
        return filed(w, dressed(rng, Page(rows, [head, *w.wires]), 1), f"{head} and levels")
    rows = []
    for name, (first, edges) in w.wires.items():
        instants = [0, *edges, w.end]
        for i, (a, b) in enumerate(itertools.pairwise(instants)):
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
        members += [(name, b"" if name.endswith("/") else b"\x00\x05\x16\x07") for name in added]
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
    wires: Truth = dict.fromkeys(names, (0, ()))
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
        pl.Series("time_s", [t / 1e12 for t in times]),
        pl.Series("time_ns", [t // 1000 for t in times]),
        pl.Series("time", [t // 1000 for t in times]).cast(pl.Duration("ns")),
    )[k % 5]  # fmt: skip
    kind = (pl.Boolean, pl.UInt8, pl.Int64, pl.Float64, pl.Int32)[(k + k // 5) % 5]
    frame = pl.DataFrame(
        [
            column,
            *(pl.Series(n, [r[i] for _, r in table]).cast(kind) for i, n in enumerate(w.wires)),
        ]
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
