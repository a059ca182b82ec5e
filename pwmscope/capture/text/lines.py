"""From changed words to lines of edges."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt

from pwmscope.capture.capture import Line
from pwmscope.capture.hints import Hints
from pwmscope.capture.text.changes import Changes
from pwmscope.capture.text.clock import Clock
from pwmscope.capture.text.comparator import Comparator
from pwmscope.capture.text.layout import Layout
from pwmscope.capture.text.level_columns import LevelColumn
from pwmscope.capture.text.rows import Words
from pwmscope.errors import CaptureError, HintError


def timed_lines(
    changes: Changes, clock: Clock, layout: Layout, comparators: Mapping[str, Comparator]
) -> tuple[dict[str, Line], tuple[str, ...]]:
    """Split changed words into lines at the clock's instants; see `find_lines`.

    Parameters
    ----------
    changes : Changes
        The rows that change a level.
    clock : Clock
        When rows were.
    layout : Layout
        Which bit belongs to which line.
    comparators : mapping of str to Comparator
        Those of the voltage columns, once all rows have passed.
    """
    crossed_ps = {
        name: clock.crossing_instants_ps(comparator.crossings)
        for name, comparator in comparators.items()
    }
    times_ps = clock.instants_ps(changes.rows, changes.time_ps)
    return find_lines(changes, times_ps, layout, crossed_ps)


def find_lines(
    changes: Changes,
    times_ps: npt.NDArray[np.int64],
    layout: Layout,
    crossed_ps: Mapping[str, npt.NDArray[np.int64]] | None = None,
) -> tuple[dict[str, Line], tuple[str, ...]]:
    """Split the changed words of a table into its lines.

    Parameters
    ----------
    changes : Changes
        The rows that change a level.
    times_ps : ndarray of int64, shape (n_changes,)
        When they were.
    layout : Layout
        Which bit belongs to which line.
    crossed_ps : mapping of str to ndarray of int64, optional
        Edges of voltage columns, which lie between rows.

    Returns
    -------
    lines : dict of str to Line
        In file order; a bus gives a line per bit.
    assumptions : tuple of str
        What was assumed, each a plain sentence.
    """
    lines: dict[str, Line] = {}
    said: list[str] = []
    vanished = 0
    flipped = _flipped(changes)
    most = int(np.iinfo(flipped.dtype).max)
    for level in layout.placed_levels:
        width = _width(level, changes)
        if level.is_bus and not level.has_stated_width:
            said.append(
                f"Bus '{level.name}' is taken to be {width} bits wide: no higher bit is ever set."
            )
        for i, name in enumerate(level.line_names(width)):
            mask = 1 << (level.first_bit + i)
            if crossed_ps is not None and name in crossed_ps:
                edges_ps = crossed_ps[name]
            else:
                is_edge = (flipped & flipped.dtype.type(mask & most)) != 0
                edges_ps = times_ps[is_edge]
            kept_ps = without_zero_widths(edges_ps)
            vanished += edges_ps.size - kept_ps.size
            lines[name] = Line(name, kept_ps, int(bool(changes.first_word & mask)))
    if vanished:
        said.append(say_vanished(vanished))
    return lines, tuple(said)


def _flipped(changes: Changes) -> Words:
    """Bits that changed in each row, in as few bytes as hold them."""
    flipped = changes.words.copy()
    flipped[1:] ^= changes.words[:-1]
    flipped[:1] ^= flipped.dtype.type(changes.first_word)
    most = int(np.bitwise_or.reduce(flipped, initial=0))
    return flipped.astype(np.min_scalar_type(most))


def say_vanished(count: int) -> str:
    """Say that pulses of no length were left out."""
    return (
        f"{count} level changes share their time with another change of the same line; "
        "pulses of no length were left out."
    )


def _width(level: LevelColumn, changes: Changes) -> int:
    if not level.is_bus or level.has_stated_width:
        return level.bits
    seen = int(np.bitwise_or.reduce(changes.words, initial=0)) | changes.first_word
    bits = (seen >> level.first_bit) & ((1 << level.bits) - 1)
    return max(1, bits.bit_length())


def without_zero_widths(edges_ps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Drop edges that cancel: of each run of equal times keep one if its count is odd."""
    if edges_ps.size < 2 or bool(np.all(np.diff(edges_ps) > 0)):
        return edges_ps
    instants, counts = np.unique(edges_ps, return_counts=True)
    kept: npt.NDArray[np.int64] = instants[counts % 2 == 1]
    return kept


def select_lines(lines: dict[str, Line], hints: Hints, source: str) -> dict[str, Line]:
    """Keep the lines that the person asked for, in that order; a bus's name means its bits.

    Raises
    ------
    HintError
        If one of them is not there.
    """
    if hints.lines is None:
        return lines
    chosen: dict[str, Line] = {}
    for wanted in hints.lines:
        base = wanted.partition("[")[0].strip() if ":" in wanted else wanted
        names = [n for n in lines if n in (wanted, base) or n.startswith(f"{base}[")]
        if not names:
            raise HintError(
                f"{source}: there is no line '{wanted}' for --lines; "
                f"the lines are {', '.join(lines)}."
            )
        chosen.update((name, lines[name]) for name in names)
    return chosen


def no_edges(
    names: Iterable[str], rows: int, source: str, quiet: Iterable[str] = ()
) -> CaptureError:
    """Say that no line ever changes.

    Parameters
    ----------
    names : iterable of str
        The lines.
    rows : int
        Rows seen.
    source : str
        The file's name.
    quiet : iterable of str, optional
        Voltages that do not show two state levels.

    Returns
    -------
    CaptureError
        To be raised.
    """
    flat = ", ".join(quiet)
    if flat:
        return CaptureError(
            source,
            f"none of the lines ({', '.join(names)}) changes level in {rows} rows; the voltage of "
            f"{flat} does not show two state levels",
            "check the ground wire and the clips, or give --threshold",
        )
    return CaptureError(
        source,
        f"none of the lines ({', '.join(names)}) changes level in {rows} rows",
        "check the ground wire, the clips and the recording's length, then record again",
    )
