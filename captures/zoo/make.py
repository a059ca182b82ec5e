"""Makes the zoo: one small recording, written in every shape of file that is read.

    .venv/bin/python captures/zoo/make.py [FOLDER]

Two lines, five frames, 20 000 samples a second. Everything is written by hand from the list
of samples, with no help from pwmscope, so that the readers are held against the shapes
themselves. Each file's name says its shape; HINTS says what has to be told on reading it.
"""

from __future__ import annotations

import datetime
import gzip
import io
import sys
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import polars as pl

RATE_HZ = 20_000
STEP_US = 1_000_000 // RATE_HZ
SAMPLES = 2_001
FRAME_US = 20_000
WIDTHS_US = {"RX1": (1500, 1550, 1600, 1650, 1700), "RX2": (1000, 1250, 1500, 1750, 2000)}
FIRST_US = {"RX1": 2_000, "RX2": 2_500}

HINTS: dict[str, dict[str, str]] = {
    "samples-without-time.csv": {"rate": "20kHz"},
    "sample-numbers.csv": {"rate": "20kHz"},
    "samples-without-time.parquet": {"rate": "20kHz"},
    "run-lengths-in-samples.csv": {"rate": "20kHz"},
}


def levels() -> dict[str, np.ndarray]:
    """Level of each line at each sample."""
    time_us = STEP_US * np.arange(SAMPLES)
    found = {}
    for line, widths in WIDTHS_US.items():
        level = np.zeros(SAMPLES, np.uint8)
        for frame, width_us in enumerate(widths):
            rise_us = FIRST_US[line] + frame * FRAME_US
            level |= (time_us >= rise_us) & (time_us < rise_us + width_us)
        found[line] = level
    return found


def edges_us() -> dict[str, list[int]]:
    """Instants of the edges, in microseconds, from the widths."""
    return {
        line: [
            edge
            for frame, width in enumerate(widths)
            for edge in (
                FIRST_US[line] + frame * FRAME_US,
                FIRST_US[line] + frame * FRAME_US + width,
            )
        ]
        for line, widths in WIDTHS_US.items()
    }


def rows() -> Iterator[tuple[int, int, int]]:
    """Time in microseconds and both levels, sample by sample."""
    both = levels()
    for k in range(SAMPLES):
        yield k * STEP_US, int(both["RX1"][k]), int(both["RX2"][k])


def changes() -> Iterator[tuple[int, int, int]]:
    """Give the first row, each row that changes a level, and the last."""
    before = None
    last = (SAMPLES - 1) * STEP_US
    for time_us, one, two in rows():
        if (one, two) != before or time_us == last:
            yield time_us, one, two
        before = (one, two)


def table(
    header: str, row: Callable[[int, int, int], str], each: Callable = rows, end: str = "\n"
) -> str:
    """Write a header, if any, and a line of text per row."""
    lines = [header] if header else []
    return end.join([*lines, *(row(*cells) for cells in each())]) + end


def seconds(time_us: int, point: str = ".") -> str:
    """Write seconds with six decimals."""
    return f"{time_us / 1e6:.6f}".replace(".", point)


def plain(time_us: int, one: int, two: int) -> str:
    """Write time in seconds and both levels, with commas between."""
    return f"{seconds(time_us)},{one},{two}"


def word(yes: str, no: str) -> Callable[[int, int, int], str]:
    """Write levels as words."""
    return lambda t, a, b: f"{seconds(t)},{yes if a else no},{yes if b else no}"


def stamped(time_us: int, one: int, two: int) -> str:
    """Write the time as a date and time of day."""
    start = datetime.datetime(2026, 3, 14, 9, 26, 53, tzinfo=datetime.UTC)
    moment = start + datetime.timedelta(microseconds=time_us)
    return f"{moment:%Y-%m-%d %H:%M:%S.%f},{one},{two}"


def long_form() -> str:
    """One row per event: time, line, level; first the levels at the start."""
    events = [(0, line, 0) for line in WIDTHS_US]
    for line, instants in edges_us().items():
        events += [(edge, line, 1 - i % 2) for i, edge in enumerate(instants)]
    lines = [f"{seconds(t)},{line},{level}" for t, line, level in sorted(events)]
    last = seconds((SAMPLES - 1) * STEP_US)
    return "\n".join(["time_s,line,level", *lines, f"{last},RX1,0", f"{last},RX2,0"]) + "\n"


def pulse_list() -> str:
    """One row per pulse: time of its start, line, time it was high."""
    pulses = [
        (FIRST_US[line] + frame * FRAME_US, line, width)
        for line, widths in WIDTHS_US.items()
        for frame, width in enumerate(widths)
    ]
    lines = [f"{seconds(t)},{line},{seconds(width)}" for t, line, width in sorted(pulses)]
    return "\n".join(["time_s,line,high_s", *lines]) + "\n"


def half_days(time_us: int, one: int, two: int) -> str:
    """Write the time of day on a 12-hour clock, from just before noon on."""
    start = datetime.datetime(2026, 3, 14, 11, 59, 59, 950_000, tzinfo=datetime.UTC)
    moment = start + datetime.timedelta(microseconds=time_us)
    return f"{moment:%m/%d/%Y %I:%M:%S.%f %p},{one},{two}"


def auto_unit(time_us: int) -> str:
    """Write a time with the unit that reads best."""
    return f"{time_us} us" if time_us < 1000 else f"{time_us / 1000:g} ms"


def edge_list() -> str:
    """One row per edge: time, line, rise or fall."""
    events = [
        (edge, line, "fall" if i % 2 else "rise")
        for line, instants in edges_us().items()
        for i, edge in enumerate(instants)
    ]
    lines = [f"{t},{line},{kind}" for t, line, kind in sorted(events)]
    return "\n".join(["time_us,line,edge", *lines]) + "\n"


def start_and_end() -> str:
    """One row per pulse: line, rise, fall."""
    pulses = sorted(
        (FIRST_US[line] + frame * FRAME_US, line, width)
        for line, widths in WIDTHS_US.items()
        for frame, width in enumerate(widths)
    )
    lines = [f"{line},{t},{t + width}" for t, line, width in pulses]
    return "\n".join(["line,start_us,end_us", *lines]) + "\n"


def runs(heading: str, unit_us: int) -> str:
    """One row per stretch of levels: how long, and both levels."""
    few = list(changes())
    lines = [
        f"{(few[i + 1][0] - time_us) // unit_us},{one},{two}"
        for i, (time_us, one, two) in enumerate(few[:-1])
    ]
    return "\n".join([f"{heading},RX1,RX2", *lines]) + "\n"


def many_lines() -> str:
    """Seventy lines, two of them with pulses."""
    names = [f"aux{k}" for k in range(68)]
    head = ",".join(["time_s", "RX1", *names, "RX2"])
    idle = ",".join("01"[k % 2] for k in range(68))
    return table(head, lambda t, a, b: f"{seconds(t)},{a},{idle},{b}", changes)


def volts(level: int, k: int) -> str:
    """Write a 3.3 V level with a little ripple."""
    return f"{(3.27 if level else 0.04) + 0.01 * (k % 3 - 1):.2f}"


def analogue(time_us: int, one: int, two: int) -> str:
    """Write both lines as voltages."""
    k = time_us // STEP_US
    return f"{seconds(time_us)},{volts(one, k)},{volts(two, k + 1)}"


def value_changes(*, as_vector: bool) -> str:
    """Write a value change dump (IEEE Std 1364), scalars or one vector of two bits."""
    declared = (
        ["$var wire 2 ! RX [1:2] $end"]
        if as_vector
        else ["$var wire 1 ! RX1 $end", "$var wire 1 # RX2 $end"]
    )
    lines = ["$timescale 1 us $end", "$scope module receiver $end", *declared]
    lines += ["$upscope $end", "$enddefinitions $end"]
    before: tuple[int | None, int | None] = (None, None)
    for time_us, one, two in changes():
        lines.append(f"#{time_us}")
        if as_vector:
            lines.append(f"b{one}{two} !")
        else:
            lines += [f"{one}!"] * (one != before[0]) + [f"{two}#"] * (two != before[1])
        before = (one, two)
    return "\n".join(lines) + "\n"


def texts() -> dict[str, str]:
    """Every text file of the zoo by name."""
    head = "time_s,RX1,RX2"
    samples = table(head, plain)
    return {
        "samples.csv": samples,
        "changes.csv": table(head, plain, changes),
        "samples-without-time.csv": table("RX1,RX2", lambda _, a, b: f"{a},{b}"),
        "semicolons-decimal-comma.csv": table(
            "time_s;RX1;RX2", lambda t, a, b: f"{seconds(t, ',')};{a};{b}"
        ),
        "tabs.tsv": samples.replace(",", "\t"),
        "spaces.txt": table("time_s    RX1  RX2", lambda t, a, b: f"{seconds(t)}    {a}    {b}"),
        "metadata.csv": "; bench 2, Quince\n; analyser with 8 inputs\n\n" + samples,
        "stated-rate.csv": "# Sample rate: 20 kHz\n" + table("RX1,RX2", lambda _, a, b: f"{a},{b}"),
        "no-header.csv": table("", plain),
        "quoted.csv": table('"time_s","RX1","RX2"', plain),
        "windows-line-ends.csv": table(head, plain, end="\r\n"),
        "milliseconds.csv": table("Time [ms],RX1,RX2", lambda t, a, b: f"{t / 1e3:.2f},{a},{b}"),
        "microseconds.csv": table("time(us),RX1,RX2", lambda t, a, b: f"{t},{a},{b}"),
        "nanoseconds.csv": table("t_ns,RX1,RX2", lambda t, a, b: f"{t * 1000},{a},{b}"),
        "picoseconds.csv": table("t_ps,RX1,RX2", lambda t, a, b: f"{t * 1000000},{a},{b}", changes),
        "date-times.csv": table("time,RX1,RX2", stamped),
        "sample-numbers.csv": table("sample,RX1,RX2", lambda t, a, b: f"{t // STEP_US},{a},{b}"),
        "true-false.csv": table(head, word("true", "false"), changes),
        "high-low.csv": table(head, word("high", "low"), changes),
        "letters.csv": table(head, word("H", "L"), changes),
        "hex-bus.csv": table("time_s,RX", lambda t, a, b: f"{seconds(t)},0x{a + 2 * b:02X}"),
        "binary-bus.csv": table("time_s,RX", lambda t, a, b: f"{seconds(t)},0b{b}{a}"),
        "decimal-bus.csv": table("time_s,RX bus", lambda t, a, b: f"{seconds(t)},{a + 2 * b}"),
        "events.csv": long_form(),
        "pulse-list.csv": pulse_list(),
        "blanks-round-commas.csv": table(
            "time_s , RX1 , RX2", lambda t, a, b: f"{seconds(t)} , {a} , {b}", changes
        ),
        "index-column.csv": "\n".join(
            f"{'' if i == 0 else i - 1},{line}"
            for i, line in enumerate(table(head, plain, changes).splitlines())
        )
        + "\n",
        "title-and-units.csv": "Bench recording of Quince\n\ntime,RX1,RX2\n(s),(logic),(logic)\n"
        + table("", plain, changes),
        "footer.csv": table(head + ",,", plain, changes) + "\n# stick moved\nEnd of recording\n",
        "epoch.csv": table(
            "timestamp,RX1,RX2", lambda t, a, b: f"{1930000000000000 + t},{a},{b}", changes
        ),
        "half-days.csv": table("time,RX1,RX2", half_days, changes),
        "minutes.csv": table("time,RX1,RX2", lambda t, a, b: f"02:59.{t:06d},{a},{b}", changes),
        "bars.txt": table(head, plain, changes).replace(",", " | "),
        "stated-delimiter.csv": "sep=;\n" + table(head, plain, changes).replace(",", ";"),
        "yes-no.csv": table(head, word("yes", "no"), changes),
        "edges.csv": edge_list(),
        "start-and-end.csv": start_and_end(),
        "run-lengths.csv": runs("duration_us", 1),
        "run-lengths-in-samples.csv": runs("samples", STEP_US),
        "cells-with-units.csv": table(
            "time,RX1,RX2", lambda t, a, b: f"{auto_unit(t)},{a},{b}", changes
        ),
        "multiplied-unit.csv": table(
            "Time (100 ns),RX1,RX2", lambda t, a, b: f"{10 * t},{a},{b}", changes
        ),
        "typeset-minus.csv": table(
            head,
            lambda t, a, b: f"{seconds(t - 50_000)},{a},{b}".replace("-", "\N{MINUS SIGN}"),
            changes,
        ),
        "hex-by-heading.csv": table(
            "time_s,RX (hex)", lambda t, a, b: f"{seconds(t)},{a + 2 * b:02X}", changes
        ),
        "rate-and-limit.csv": "Max sample rate: 100 MHz\nSample rate: 20,000 Hz\n"
        + table("RX1,RX2", lambda _, a, b: f"{a},{b}"),
        "many-lines.csv": many_lines(),
        "voltages.csv": table("time_s,RX1 (V),RX2 (V)", analogue),
        "scalars.vcd": value_changes(as_vector=False),
        "vector.vcd": value_changes(as_vector=True),
    }


def with_system_files(samples: bytes) -> bytes:
    """Pack the samples as an operating system does, with files of its own beside them."""
    shelf = io.BytesIO()
    with zipfile.ZipFile(shelf, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in (
            ("bench/samples.csv", samples),
            ("__MACOSX/bench/._samples.csv", b"\0\5\26\7"),
            ("bench/.DS_Store", b"\0\0\0\1"),
        ):
            entry = zipfile.ZipInfo(name, (2026, 3, 14, 9, 26, 52))
            archive.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return shelf.getvalue()


def packed(samples: bytes) -> dict[str, bytes]:
    """Write the plain samples compressed, and in other encodings."""
    text = samples.decode()
    shelf = io.BytesIO()
    with zipfile.ZipFile(shelf, "w", zipfile.ZIP_DEFLATED) as archive:
        entry = zipfile.ZipInfo("samples.csv", (2026, 3, 14, 9, 26, 52))
        archive.writestr(entry, samples, zipfile.ZIP_DEFLATED)
    squeezed = io.BytesIO()
    pl.read_csv(samples).write_csv(squeezed, compression="zstd", float_precision=6)
    return {
        "samples.csv.gz": gzip.compress(samples, mtime=0),
        "samples.csv.zst": squeezed.getvalue(),
        "samples.csv.zip": shelf.getvalue(),
        "system-files.csv.zip": with_system_files(samples),
        "windows-1252.csv": text.replace("time_s", "Prüfstand 3\ntime_s", 1).encode("cp1252"),
        "lone-returns.csv": samples.replace(b"\n", b"\r"),
        "byte-order-mark.csv": b"\xef\xbb\xbf" + samples,
        "utf-16-little.csv": b"\xff\xfe" + text.encode("utf-16-le"),
        "utf-16-big.csv": b"\xfe\xff" + text.encode("utf-16-be"),
    }


def frames() -> dict[str, bytes]:
    """Write the columnar files."""
    cells = np.array(list(rows()))
    frame = pl.DataFrame(
        {"time_us": cells[:, 0], "RX1": cells[:, 1].astype(bool), "RX2": cells[:, 2].astype(bool)}
    )
    few = np.array(list(changes()))
    listed = pl.DataFrame(
        {"time_us": few[:, 0], "RX1": few[:, 1].astype(np.uint8), "RX2": few[:, 2].astype(np.uint8)}
    )
    out: dict[str, bytes] = {}
    for name, content in (
        ("samples.parquet", frame),
        ("samples-without-time.parquet", frame.drop("time_us")),
        ("changes.parquet", listed),
    ):
        shelf = io.BytesIO()
        content.write_parquet(shelf)
        out[name] = shelf.getvalue()
    shelf = io.BytesIO()
    frame.write_ipc(shelf)
    stream = io.BytesIO()
    frame.write_ipc_stream(stream)
    return {**out, "samples.arrow": shelf.getvalue(), "stream.arrow": stream.getvalue()}


def main() -> None:
    """Write the zoo."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    files = {name: text.encode() for name, text in texts().items()}
    files |= packed(files["samples.csv"])
    files |= frames()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    print(f"{len(files)} files, {sum(map(len, files.values())) / 1000:.0f} kB, in {folder}.")


if __name__ == "__main__":
    main()
