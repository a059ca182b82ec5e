"""Shapes of packing: encodings, spreadsheets, zips, columnar files, and very many lines."""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from xml.sax.saxutils import escape

import polars as pl
from read_paper import Paper, paper, rows_of, shape, text
from read_shapes_layout import ms3, s6, us
from read_signal import Signal, Wire, draw

UMLAUTS = (("Größe", "Kübel", "Säge"), ("moteur arrière", "tête", "épée"), ("señal", "año", "caña"))


@shape(12)
def encodings(rng: random.Random, i: int) -> Paper:
    code = (
        "latin-1",
        "cp1252",
        "utf-16",
        "utf-16-le",
        "utf-16-be",
        "utf-8-sig",
        "latin-1",
        "cp1252",
        "utf-16",
        "utf-8-sig",
        "latin-1",
        "cp1252",
    )[i]
    sig = draw(rng, names=UMLAUTS[i % 3])
    head = ("Zeit (µs)", "time (µs)", "time_us")[i % 3]
    before = ["Prüfstand – Mühlgasse"] if code == "cp1252" and i > 5 else []
    delim = ";" if i % 2 else ","
    body = text(
        rows_of(sig, us, sampled=i % 2 == 0),
        [head, *sig.wires],
        before=before,
        delim=delim,
        eol="\r\n" if i % 4 == 0 else "\n",
    )
    data = body.encode(code)
    if code in ("utf-16-le", "utf-16-be"):  # the order of the bytes is marked all the same
        data = "\ufeff".encode(code) + data
    return paper(sig, data, f"{code}, {head}", unit="us")


@shape(5)
def utf16_without_mark(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    code = ("utf-16-le", "utf-16-be")[i % 2]
    body = text(rows_of(sig, us, sampled=i < 3), ["time_us", *sig.wires])
    return paper(sig, body.encode(code), f"{code} without a mark", reading="either")


def sheet(rows: list[list[object]], shared: list[str] | None) -> str:
    """Return a worksheet of ECMA-376; texts go to `shared`, or stand in their cells."""
    out = [
        '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    ]
    for r, row in enumerate(rows, 1):
        cells = []
        for c, value in enumerate(row):
            at = f"{chr(65 + c)}{r}"
            if value is None:
                continue
            if isinstance(value, bool):
                cells.append(f'<c r="{at}" t="b"><v>{int(value)}</v></c>')
            elif isinstance(value, (int, float)):
                cells.append(f'<c r="{at}"><v>{value!r}</v></c>')
            elif shared is None:
                cells.append(f'<c r="{at}" t="inlineStr"><is><t>{escape(str(value))}</t></is></c>')
            else:
                if value not in shared:
                    shared.append(str(value))
                cells.append(f'<c r="{at}" t="s"><v>{shared.index(str(value))}</v></c>')
        out.append(f'<row r="{r}">{"".join(cells)}</row>')
    return "".join([*out, "</sheetData></worksheet>"])


def book(sheets: list[tuple[str, list[list[object]]]], *, share: bool) -> bytes:
    """Return a workbook of the given sheets (ECMA-376, written from its part names)."""
    shared: list[str] | None = [] if share else None
    kinds = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    package = "http://schemas.openxmlformats.org/package/2006"
    form = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    package_type = "application/vnd.openxmlformats-package.relationships+xml"
    pages = [sheet(rows, shared) for _, rows in sheets]
    n = range(1, len(sheets) + 1)
    xml = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    rels = "".join(
        f'<Relationship Id="rId{k}" Type="{kinds}/worksheet" Target="worksheets/sheet{k}.xml"/>'
        for k in n
    )
    over = "".join(
        f'<Override PartName="/xl/worksheets/sheet{k}.xml" ContentType="{form}.worksheet+xml"/>'
        for k in n
    )
    if shared is not None:
        rels += (
            f'<Relationship Id="rId99" Type="{kinds}/sharedStrings" Target="sharedStrings.xml"/>'
        )
        over += (
            f'<Override PartName="/xl/sharedStrings.xml" ContentType="{form}.sharedStrings+xml"/>'
        )
    names = "".join(
        f'<sheet name="{escape(t)}" sheetId="{k}" r:id="rId{k}"/>'
        for k, (t, _) in zip(n, sheets, strict=True)
    )
    types = (
        f'<Default Extension="rels" ContentType="{package_type}"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{form}.sheet.main+xml"/>{over}'
    )
    spaces = f'xmlns="{main}" xmlns:r="{kinds}"'
    top = f'<Relationship Id="rId1" Type="{kinds}/officeDocument" Target="xl/workbook.xml"/>'
    relation = f'<Relationships xmlns="{package}/relationships">'
    parts = {
        "[Content_Types].xml": f'{xml}<Types xmlns="{package}/content-types">{types}</Types>',
        "_rels/.rels": f"{xml}{relation}{top}</Relationships>",
        "xl/workbook.xml": f"{xml}<workbook {spaces}><sheets>{names}</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f"{xml}{relation}{rels}</Relationships>",
    } | {f"xl/worksheets/sheet{k}.xml": p for k, p in zip(n, pages, strict=True)}
    if shared is not None:
        items = "".join(f"<si><t>{escape(t)}</t></si>" for t in shared)
        parts["xl/sharedStrings.xml"] = (
            f'{xml}<sst xmlns="{main}" uniqueCount="{len(shared)}">{items}</sst>'
        )
    return zipped([(k, v.encode()) for k, v in parts.items()])


def zipped(members: list[tuple[str, bytes]]) -> bytes:
    """Return a zip file, always the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, data in members:
            z.writestr(zipfile.ZipInfo(name, (2026, 11, 28, 20, 0, 0)), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


@shape(10)
def workbooks(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, seconds=0.06 if i % 2 == 0 else 0.12)
    ticks = range(sig.samples) if i % 2 == 0 else sig.change_ticks()
    head, size = (("time_us", 1e6), ("time_s", 1e12), ("Time (ms)", 1e9))[i % 3]

    def when(ps: int) -> object:
        return ps // 10**6 if size == 1e6 else round(ps / size, 9)

    rows: list[list[object]] = [
        [when(t * sig.step_ps), *((v == 1) if i == 3 else v for v in row)]
        for t, row in zip(ticks, sig.levels(ticks), strict=True)
    ]
    rows.insert(0, [head, *sig.wires])
    if i == 4:
        rows = [["Thistle, bench 2"], [], *rows]
    if i == 5:
        rows = [[row[0], *(str(v) for v in row[1:])] for row in rows]
    if i == 8:
        rows = [[None, None, *row] for row in rows]
    if i == 9:  # the numbered rows of a data frame
        rows = [[None if k == 0 else k - 1, *row] for k, row in enumerate(rows)]
    pages = [("Sheet1", rows)]
    if i in (2, 6):
        pages.insert(0, ("Notes", [["Thistle"], ["Second bench day"]] if i == 2 else []))
    if i == 7:
        pages.append(("Notes", [["nothing here"]]))
    return paper(sig, book(pages, share=i % 2 == 1), f"{head}; {[p for p, _ in pages]}", ".xlsx")


@shape(8)
def zips_with_system_files(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    body = text(
        rows_of(sig, (us, s6)[i % 2], sampled=i % 2 == 0),
        [("time_us", "time_s")[i % 2], *sig.wires],
    ).encode()
    junk = bytes(range(256))
    extra = (
        [("__MACOSX/._run.csv", junk)],
        [(".DS_Store", junk)],
        [("Thumbs.db", junk)],
        [("desktop.ini", b"[.ShellClassInfo]\r\n")],
        [("bench/", b"")],
        [("__MACOSX/", b""), ("__MACOSX/bench/._run.csv", junk), ("bench/.DS_Store", junk)],
        [("bench/", b""), ("bench/Thumbs.db", junk)],
        [(".Trashes/x", junk), ("._.DS_Store", junk)],
    )[i]
    members = [*extra, (("bench/" if i > 3 else "") + "run.csv", body)]
    if i % 2:
        members.reverse()
    return paper(sig, zipped(members), f"beside it {[n for n, _ in extra]}", ".zip")


@shape(5)
def zips_with_two_tables(rng: random.Random, i: int) -> Paper:
    one, two = draw(rng), draw(rng)
    bodies = [text(rows_of(s, us), ["time_us", *s.wires]).encode() for s in (one, two)]
    names = (
        ("a.csv", "b.csv"),
        ("left.csv", "right.csv"),
        ("run 1.csv", "run 2.csv"),
        ("x/a.csv", "y/a.csv"),
        ("a.txt", "b.tsv"),
    )[i]
    return paper(
        one, zipped(list(zip(names, bodies, strict=True))), f"{names}", ".zip", reading="ambiguous"
    )


@shape(6)
def packed(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    body = text(rows_of(sig, us, sampled=i % 2 == 0), ["time_us", *sig.wires]).encode()
    if i in (0, 1):
        return paper(sig, gzip.compress(body, mtime=0), "gzip", (".csv.gz", ".csv")[i])
    if i in (2, 3):
        return paper(sig, zipped([("run.csv", body)]), "zip", (".zip", ".csv")[i - 2])
    if i == 4:
        half = len(body) // 2
        return paper(
            sig,
            gzip.compress(body[:half], mtime=0) + gzip.compress(body[half:], mtime=0),
            "gzip in two members",
            ".csv.gz",
        )
    return paper(
        sig,
        zipped([("run.csv.gz", gzip.compress(body, mtime=0))]),
        "gzip in a zip",
        ".zip",
        reading="either",
    )


def many(rng: random.Random, count: int, seconds: float = 0.1) -> Signal:
    """Return a signal of very many lines, few of them servo pulses, most idle."""
    few = draw(rng, names=("RX1", "RX2", "RX3"), lines=3, kinds="busy", seconds=seconds)
    at = dict(zip(sorted(rng.sample(range(count), 3)), few.wires.values(), strict=True))
    wires = {f"D{k}": at.get(k, Wire(int(k % 17 == 3), ())) for k in range(count)}
    return Signal(few.rate_hz, few.samples, wires)


@shape(7)
def more_than_64_lines(rng: random.Random, i: int) -> Paper:
    sig = many(rng, (65, 70, 96, 128, 200, 80, 300)[i], 0.1 if i % 2 else 0.05)
    idle = frozenset(n for n, w in sig.wires.items() if not w.ticks)
    if i < 5:
        body = text(
            rows_of(sig, (us, ms3)[i % 2], sampled=i == 2),
            [("time_us", "time_ms")[i % 2], *sig.wires],
        )
        return paper(
            sig,
            body,
            f"{len(sig.wires)} lines",
            optional=idle,
            hints={"lines": tuple(set(sig.wires) - idle)},
        )
    return paper(
        sig, dump(sig), f"value change dump of {len(sig.wires)} lines", ".vcd", optional=idle
    )


def dump(sig: Signal) -> str:
    """Return a value change dump as IEEE Std 1364 defines it."""
    names = list(sig.wires)
    code = {n: "".join(chr(33 + d) for d in divmod(k, 94)) for k, n in enumerate(names)}
    out = ["$timescale 1 us $end", "$scope module bench $end"]
    out += [f"$var wire 1 {code[n]} {n} $end" for n in names]
    out += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    out += [f"{sig.wires[n].first}{code[n]}" for n in names] + ["$end"]
    at = -1
    for t, n, v in sig.changes():
        if t != at:
            out.append(f"#{t * sig.step_ps // 10**6}")
            at = t
        out.append(f"{v}{code[n]}")
    return "\n".join([*out, f"#{(sig.samples - 1) * sig.step_ps // 10**6}"]) + "\n"


@shape(10)
def columnar(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    ticks = range(sig.samples) if i % 2 else sig.change_ticks()
    levels = sig.levels(ticks)
    kind = (pl.Int8, pl.Boolean, pl.Int64, pl.UInt8, pl.Float64)[i % 5]
    head, size = (("time_us", 10**6), ("time_s", 10**12), ("time_ns", 10**3))[i % 3]
    times = [t * sig.step_ps / size if head == "time_s" else t * sig.step_ps // size for t in ticks]
    frame = pl.DataFrame(
        {head: times}
        | {n: pl.Series([r[k] for r in levels]).cast(kind) for k, n in enumerate(sig.wires)}
    )
    if i == 6:
        frame = frame.with_columns(
            pl.from_epoch(pl.col("time_us"), time_unit="us").alias("time_us")
        ).rename({"time_us": "time"})
    out = io.BytesIO()
    if i in (0, 1, 8):
        frame.write_parquet(out)
        form = "parquet"
    elif i in (2, 3, 9):
        frame.write_ipc(out)
        form = "Arrow file"
    else:
        frame.write_ipc_stream(out)
        form = "Arrow stream"
    suffix = ".parquet" if form == "parquet" else ".arrow"
    return paper(sig, out.getvalue(), f"{form}, {head}, {kind.__name__}", suffix, tolerance_ps=1000)


@shape(5)
def columnar_lists(rng: random.Random, i: int) -> Paper:
    """Events and pulses in columnar files; the text shapes in another packing."""
    sig = draw(rng, 1_000_000, 0.3, whole=True)
    if i < 3:
        rows = [(t, n, v) for t, n, v in sig.changes()]
        frame = pl.DataFrame(rows, schema=["time_us", "line", "level"], orient="row")
    else:
        frame = pl.DataFrame(
            [(r, n, f - r) for r, f, n in sig.pulses()],
            schema=["time_us", "line", "width_us"],
            orient="row",
        )
    out = io.BytesIO()
    if i % 2:
        frame.write_parquet(out)
    else:
        frame.write_ipc(out)
    truth = {n: v for n, v in sig.edges_ps().items() if v[1]}
    return paper(
        sig,
        out.getvalue(),
        f"{frame.columns}",
        ".parquet" if i % 2 else ".arrow",
        truth=truth,
        reading="either",
    )


@shape(5)
def value_change_dumps(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, names=("RX1", "RX2", "RX3", "RX4"))
    body = dump(sig)
    if i == 1:
        body = body.replace("\n", "\r\n")
    elif i == 2:
        body = body.replace("$timescale 1 us $end", "$timescale\n\t1us\n$end")
    elif i == 3:
        body = "$date 28 November 2026 $end\n$version a bench of our own $end\n" + body
    elif i == 4:
        return paper(
            sig, gzip.compress(body.encode(), mtime=0), "value change dump, gzip", ".vcd.gz"
        )
    return paper(sig, body, "value change dump", ".vcd")
