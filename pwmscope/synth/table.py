"""A built recording as a CSV file of one of three shapes."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.recording import PS_PER_S
from pwmscope.output import replace_file
from pwmscope.synth.errors import ScriptError
from pwmscope.synth.recording import Recording, SampledLine
from pwmscope.synth.sampling import sample_instants_ps
from pwmscope.synth.script import SHAPES, Shape

TIME_COLUMN: Final = "time_s"
_BATCH_ROWS: Final = 1 << 18
_ZERO, _COMMA, _NEWLINE, _POINT = b"0,\n."


def write(recording: Recording, path: str | os.PathLike[str], shape: Shape | None = None) -> None:
    """Write a recording as CSV.

    Times are those of the samples, in seconds. Changes carry 12 decimals, each
    instant rounded to the picosecond. Samples carry the fewest decimals, at
    most 12, that give every sample instant of the rate exactly; where none do,
    12, rounded to the picosecond.

    Parameters
    ----------
    recording : Recording
        As `build` returns it.
    path : str or path-like
        The file. A name that ends in ``.gz`` gives a gzip file without a time
        stamp, so that the same recording gives the same text inside.
    shape : {"samples", "changes", "levels"}, optional
        One row per sample with its time; one row per change with its time, a
        first row at 0 and a last row at the recording's end; or one row per
        sample without time. The script's shape by default.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left half-written.
    ScriptError
        If the shape is not one of the three.
    """
    shape = recording.script.shape if shape is None else shape
    if shape not in SHAPES:
        raise ScriptError("shape", shape, f"one of {', '.join(SHAPES)}")
    file = Path(path)

    def fill(out: BinaryIO) -> None:
        for chunk in csv_chunks(recording, shape):
            out.write(chunk)

    replace_file(file, fill, gzipped=file.suffix == ".gz")


def csv_chunks(recording: Recording, shape: Shape) -> Iterator[bytes]:
    """Text of a recording's CSV file, piece by piece.

    Parameters
    ----------
    recording : Recording
        As `build` returns it.
    shape : {"samples", "changes", "levels"}
        As for `write`.

    Yields
    ------
    bytes
        Whole lines of UTF-8 text.

    Examples
    --------
    >>> from pwmscope.synth import Channel, Dwell, Frame, Script, build
    >>> rx1 = Channel("RX1", (Dwell(1500, 1),), skew_us=3.2)
    >>> recording = build(Script(0.005, 24_000_000, 7, Frame(20_000), (rx1,)))
    >>> print(b"".join(csv_chunks(recording, "changes")).decode(), end="")
    time_s,RX1
    0.000000000000,0
    0.000003208333,1
    0.001503208333,0
    0.005000000000,0
    """
    names = [line.name for line in recording.lines]
    yield _header(names if shape == "levels" else [TIME_COLUMN, *names])
    if shape == "changes":
        ends = np.array([0, recording.sample_count - 1], np.int64)
        changes = np.concatenate([ends, *(line.changes for line in recording.lines)])
        yield from _rows(recording, np.unique(changes), 12)
        return
    decimals = None if shape == "levels" else sample_decimals(recording.script.sample_rate_hz)
    for begin in range(0, recording.sample_count, _BATCH_ROWS):
        end = min(begin + _BATCH_ROWS, recording.sample_count)
        yield from _rows(recording, np.arange(begin, end, dtype=np.int64), decimals)


def sample_decimals(rate_hz: int) -> int:
    """Count the fewest decimals of a second that give every sample instant exactly, at most 12.

    Examples
    --------
    >>> sample_decimals(1_000_000), sample_decimals(500_000), sample_decimals(24_000_000)
    (6, 6, 12)
    """
    return next((d for d in range(1, 12) if 10**d % rate_hz == 0), 12)


def _header(names: list[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(names)
    return text.getvalue().encode()


def _rows(
    recording: Recording, samples: npt.NDArray[np.int64], decimals: int | None
) -> Iterator[bytes]:
    """Lines of text for the given samples, built as a table of bytes."""
    times_ps = sample_instants_ps(samples, recording.script.sample_rate_hz)
    seconds = times_ps // PS_PER_S
    digits = 0 if decimals is None else len(str(int(seconds[-1])))
    for places in range(min(digits, 1), digits + 1):
        # Rows whose whole seconds have equally many digits are equally long.
        low, high = (0 if places <= 1 else 10 ** (places - 1)), 10**places
        kept = slice(None) if decimals is None else slice(*np.searchsorted(seconds, [low, high]))
        table = _levels(recording.lines, samples[kept])
        if decimals is not None:
            fraction = times_ps[kept] % PS_PER_S // 10 ** (12 - decimals)
            parts = [
                _digits(seconds[kept], places),
                np.full((table.shape[0], 1), _POINT, np.uint8),
                _digits(fraction, decimals),
                np.full((table.shape[0], 1), _COMMA, np.uint8),
                table,
            ]
            table = np.concatenate(parts, axis=1)
        yield table.tobytes()


def _levels(
    lines: tuple[SampledLine, ...], samples: npt.NDArray[np.int64]
) -> npt.NDArray[np.uint8]:
    table = np.full((samples.size, 2 * len(lines)), _COMMA, np.uint8)
    table[:, -1] = _NEWLINE
    for i, line in enumerate(lines):
        passed = np.searchsorted(line.changes, samples, side="right")
        table[:, 2 * i] = _ZERO + ((passed & 1) ^ line.initial_level)
    return table


def _digits(numbers: npt.NDArray[np.int64], places: int) -> npt.NDArray[np.uint8]:
    table = np.empty((numbers.size, places), np.uint8)
    left = numbers
    for column in range(places - 1, -1, -1):
        left, digit = np.divmod(left, 10)
        table[:, column] = _ZERO + digit
    return table
