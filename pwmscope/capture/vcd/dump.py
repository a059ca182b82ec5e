"""A value change dump (IEEE Std 1364) as a Capture."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pwmscope.capture.capture import Capture, Line
from pwmscope.capture.hints import Hints
from pwmscope.capture.lattice import find_interval_ps
from pwmscope.capture.text.state_levels import AmplitudeHistogram
from pwmscope.capture.units import say_interval, say_rate
from pwmscope.capture.vcd.header import Header
from pwmscope.capture.vcd.lines import Wanted, choose_lines
from pwmscope.capture.vcd.notes import say_line, say_time
from pwmscope.capture.vcd.reading import Reading, Variables, histogram_sink, trace_sink
from pwmscope.capture.vcd.reals import RealTrace, Threshold, find_threshold
from pwmscope.capture.vcd.trace import Trace
from pwmscope.capture.vcd.words import BLOCK_BYTES
from pwmscope.errors import CaptureError, HintError


def read_vcd(path: Path, hints: Hints, *, block_bytes: int = BLOCK_BYTES) -> Capture:
    r"""Read a value change dump.

    Parameters
    ----------
    path : Path
        The file, plain or packed.
    hints : Hints
        Lines to read, sample rate, threshold of real variables; the time unit
        only where the file states none.
    block_bytes : int, optional
        Bytes to read at a time; it has no effect on the result.

    Returns
    -------
    Capture
        Edges of every wire, each bit of a vector being one line. Time 0 is the
        first time stamp, or the file's own 0 where values stand before it.

    Raises
    ------
    CaptureError, HintError
        One sentence: what was found where, and what to do.

    Examples
    --------
    >>> import tempfile
    >>> text = "$timescale 1 us $end $var wire 1 ! RX1 $end $enddefinitions $end\n"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "one.vcd")
    ...     _ = file.write_text(text + "#0\n0!\n#3000\n1!\n#4500\n0!\n#20000\n")
    ...     capture = read_vcd(file, Hints())
    >>> capture.lines["RX1"].edges_ps, capture.duration_s
    (array([3000000000, 4500000000]), 0.02)
    """
    reading = Reading(path, hints, block_bytes)
    header = reading.header()
    wanted, said = choose_lines(header, hints, reading.source)
    thresholds = _find_thresholds(reading, header, wanted)
    traces: list[Trace | RealTrace] = []
    for line in wanted:
        held = thresholds.get(line.name)
        traces.append(Trace() if held is None else RealTrace(held.level, held.reach))
    variables = Variables.of(header, wanted, reading.source)
    clock, cut_short = reading.run(header, trace_sink(variables, traces))
    start_ps = clock.start_ps or 0
    lines, notes = _lines(wanted, traces, start_ps, clock.now_ps)
    duration_ps = clock.now_ps - start_ps
    edges = [line.edges_ps for line in lines.values()]
    if not any(edges_ps.size for edges_ps in edges):
        raise _no_edges(wanted, duration_ps, reading.source)
    interval_ps, interval_note = _interval(edges, header, hints)
    ends_with_edge = any(e.size and int(e[-1]) == duration_ps for e in edges)
    said = (
        *say_time(header, clock, start_ps, ends_with_edge=ends_with_edge),
        *said,
        *(held.sentence for held in thresholds.values()),
        *notes,
        interval_note,
    )
    if cut_short:
        said = (*said, "The last line is not closed, so it may be cut short; it was left out.")
    return Capture(lines, duration_ps, interval_ps, reading.source, said)


def _find_thresholds(
    reading: Reading, header: Header, wanted: tuple[Wanted, ...]
) -> dict[str, Threshold]:
    """Find the threshold of every real variable, which takes a run of its own."""
    reals = tuple(line for line in wanted if line.is_real)
    hint = reading.hints.threshold_v
    if not reals:
        if hint is not None:
            raise HintError(
                f"{reading.source}: none of the lines is a real variable, so no threshold is "
                "needed; leave --threshold out."
            )
        return {}
    histograms = [AmplitudeHistogram() for _ in reals]
    sink = histogram_sink(Variables.of(header, reals, reading.source), histograms)
    # Blocks of one size, so that sums are rounded the same way every time.
    replace(reading, block_bytes=BLOCK_BYTES).run(header, sink)
    return {
        line.name: find_threshold(line.name, histogram, hint)
        for line, histogram in zip(reals, histograms, strict=True)
    }


def _lines(
    wanted: tuple[Wanted, ...], traces: list[Trace | RealTrace], start_ps: int, end_ps: int
) -> tuple[dict[str, Line], list[str]]:
    lines: dict[str, Line] = {}
    notes: list[str] = []
    for line, followed in zip(wanted, traces, strict=True):
        trace = followed.trace if isinstance(followed, RealTrace) else followed
        edges_ps = trace.finish(end_ps)
        if trace.first_level is not None:
            edges_ps -= start_ps
            lines[line.name] = Line(line.name, edges_ps, trace.first_level)
        notes.extend(say_line(line.name, trace, start_ps))
    return lines, notes


def _no_edges(wanted: tuple[Wanted, ...], duration_ps: int, source: str) -> CaptureError:
    names = ", ".join(line.name for line in wanted[:8]) + (", ..." if len(wanted) > 8 else "")
    return CaptureError(
        source,
        f"none of the lines ({names}) changes level in {say_interval(duration_ps)}",
        "check the ground wire, the clips and the recording's length, then record again",
    )


def _interval(
    edges: list[npt.NDArray[np.int64]], header: Header, hints: Hints
) -> tuple[float | None, str]:
    if hints.rate_hz is not None:
        interval_ps = 1e12 / hints.rate_hz
        return interval_ps, f"Samples were {say_interval(interval_ps)} apart, as you said."
    times_ps = np.concatenate(edges)
    resolution_ps = max(1, header.unit_fs // 1000)
    found_ps = find_interval_ps(times_ps, resolution_ps)
    if found_ps is None:
        return None, (
            "The sampling interval is not stated and does not show in the change times "
            f"(time unit {say_interval(resolution_ps)}); --rate would tell it."
        )
    return found_ps, (
        f"All {times_ps.size} changes lie on ticks {say_interval(found_ps)} apart, "
        f"which is taken as the sampling interval ({say_rate(found_ps)})."
    )
