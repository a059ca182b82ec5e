"""When the rows of a recording were: the sampling interval and each row's instant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.hints import Hints
from pwmscope.capture.lattice import find_interval_ps
from pwmscope.capture.text.changes import Changes
from pwmscope.capture.text.comparator import Crossings
from pwmscope.capture.text.layout import Layout
from pwmscope.capture.units import EXPONENT_OF_UNIT, say_interval, say_rate
from pwmscope.errors import CaptureError, HintError

Instants: TypeAlias = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Clock:
    """How rows become instants.

    Parameters
    ----------
    basis : {"row", "number", "time"}
        Instants come from the row's index, from the sample number that the
        row holds, or from the time that it holds.
    start : int
        The first row's number or time.
    duration_ps : int
        From the first row to the last.
    interval_ps : float or None
        The sampling interval.
    assumptions : tuple of str
        What was assumed, each a plain sentence.
    """

    basis: Literal["row", "number", "time"]
    start: int
    duration_ps: int
    interval_ps: float | None
    assumptions: tuple[str, ...]

    def instants_ps(self, rows: Instants, held: Instants | None) -> Instants:
        """Instants of rows in picoseconds since the first.

        Parameters
        ----------
        rows : ndarray of int64, shape (n,)
            The rows' indices.
        held : ndarray of int64, shape (n,), or None
            What their time column holds.
        """
        if self.basis == "row" or held is None:
            return at_samples(rows, self.interval_ps or 0.0)
        if self.basis == "number":
            return at_samples(held - self.start, self.interval_ps or 0.0)
        return held - self.start

    def crossing_instants_ps(self, crossings: Crossings) -> Instants:
        """Instants between two rows at which a voltage crossed its threshold, never at 0."""
        before = self.instants_ps(crossings.rows - 1, crossings.before)
        after = self.instants_ps(crossings.rows, crossings.after)
        part = np.rint(crossings.parts * (after - before)).astype(np.int64)
        crossed: Instants = np.maximum(before + part, 1)
        return crossed


def at_samples(numbers: Instants, interval_ps: float) -> Instants:
    """Instants of sample numbers, exact to a picosecond at any length."""
    whole = int(interval_ps)
    part = np.rint(numbers * (interval_ps - whole)).astype(np.int64)
    instants: Instants = numbers * whole + part
    return instants


def find_clock(changes: Changes, layout: Layout, hints: Hints, source: str) -> Clock:
    """Find out when rows were.

    Parameters
    ----------
    changes : Changes
        The rows that change a level, and the time column's steps.
    layout : Layout
        How the table is laid out.
    hints : Hints
        What the person said.
    source : str
        The file's name, for messages.

    Returns
    -------
    Clock
        From the time column, from sample numbers, or from the stated rate.

    Raises
    ------
    CaptureError, HintError
        If time stands still, or the stated rate contradicts it.
    """
    rate_hz = hints.rate_hz or layout.rate_hz
    if changes.time_ps is None:
        assert rate_hz is not None  # the file was refused otherwise
        return _counted("row", 0, changes.row_count - 1, rate_hz, hints)
    if changes.end_ps == changes.start_ps:
        raise CaptureError(
            source,
            "every row has the same time",
            "export again with more decimals in the time column",
            row=layout.skip_lines + 1,
            column=layout.time_column,
        )
    if layout.time_kind == "sample":
        assert rate_hz is not None  # the file was refused otherwise
        last = changes.end_ps - changes.start_ps
        return _counted("number", changes.start_ps, last, rate_hz, hints)
    # A list of changes may begin and end with a row that changes nothing.
    is_list = 2 * changes.rows.size >= max(1, changes.row_count - 2)
    if is_list and not layout.analogue:
        return _change_clock(changes, changes.time_ps, layout, hints)
    return _sample_clock(changes, changes.time_ps, layout, hints, source)


def _counted(
    basis: Literal["row", "number"], start: int, last: int, rate_hz: float, hints: Hints
) -> Clock:
    interval_ps = 1e12 / rate_hz
    duration_ps = int(at_samples(np.array([last]), interval_ps)[0])
    why = "the file states" if hints.rate_hz is None else "you said"
    said = f"Samples are {say_interval(interval_ps)} apart ({say_rate(interval_ps)}), as {why}."
    return Clock(basis, start, duration_ps, interval_ps, (said,))


def resolution_ps(unit: str, decimals: int) -> int:
    """One unit of the last printed digit, in whole picoseconds, at least 1."""
    return int(10 ** max(0, EXPONENT_OF_UNIT[unit] - decimals))


def _origin(changes: Changes, layout: Layout) -> tuple[str, ...]:
    if changes.start_ps == 0 or layout.time_kind == "stamp":
        return ()
    start_s = changes.start_ps / 1e12
    return (f"Time 0 is the first row, which the file calls {start_s:.9g} s.",)


def find_listed_interval(
    times_ps: Instants, resolution: int, rate_hz: float | None, hints: Hints
) -> tuple[float | None, str]:
    """Find the sampling interval of a list of changes.

    Parameters
    ----------
    times_ps : ndarray of int64, shape (n,)
        Times of the changes.
    resolution : int
        One unit of the last printed digit, in picoseconds.
    rate_hz : float or None
        The stated sample rate.
    hints : Hints
        What the person said.

    Returns
    -------
    interval_ps : float or None
        The interval; None where it is not stated and does not show.
    assumption : str
        What was assumed, as a sentence.
    """
    if rate_hz is not None:
        why = "the file states" if hints.rate_hz is None else "you said"
        return 1e12 / rate_hz, f"Samples were {say_interval(1e12 / rate_hz)} apart, as {why}."
    interval_ps = find_interval_ps(times_ps, resolution)
    if interval_ps is not None:
        return interval_ps, (
            f"All {times_ps.size} changes lie on ticks {say_interval(interval_ps)} apart, "
            f"which is taken as the sampling interval ({say_rate(interval_ps)})."
        )
    return None, (
        "The sampling interval is not stated and does not show in the change times "
        f"(printed to {say_interval(resolution)}); --rate would tell it."
    )


def _change_clock(changes: Changes, listed_ps: Instants, layout: Layout, hints: Hints) -> Clock:
    said = ["Most rows change a level, so the file is read as one row per change."]
    if changes.rows[-1] == changes.row_count - 1:
        said.append(
            "The last row is itself a change, so the recording is taken to end there; "
            "lines that went quiet together after it could not be seen."
        )
    resolution = resolution_ps(layout.time_unit, layout.time_decimals)
    rate_hz = hints.rate_hz or layout.rate_hz
    interval_ps, more = find_listed_interval(listed_ps, resolution, rate_hz, hints)
    duration_ps = changes.end_ps - changes.start_ps
    assumptions = (*_origin(changes, layout), *said, more)
    return Clock("time", changes.start_ps, duration_ps, interval_ps, assumptions)


def _sample_clock(
    changes: Changes, listed_ps: Instants, layout: Layout, hints: Hints, source: str
) -> Clock:
    duration_ps = changes.end_ps - changes.start_ps
    resolution = resolution_ps(layout.time_unit, layout.time_decimals)
    mean_ps = duration_ps / (changes.row_count - 1)
    is_even = changes.step_most_ps - changes.step_least_ps <= max(2 * resolution, 0.01 * mean_ps)
    said = [*_origin(changes, layout)]
    interval_ps = _round_interval(mean_ps, resolution / (changes.row_count - 1))
    if is_even:
        times_ps = at_samples(changes.rows, interval_ps)
        error_ps = int(np.abs(times_ps - (listed_ps - changes.start_ps)).max())
        is_even = error_ps <= resolution + 0.01 * interval_ps
    if is_even:
        said.append(
            f"Rows are samples {say_interval(interval_ps)} apart ({say_rate(interval_ps)}), "
            "found from the time column."
        )
    else:
        interval_ps = float(changes.step_most_ps)
        line = layout.skip_lines + 1 + changes.step_most_row
        said.append(
            f"Rows are samples at uneven steps of {say_interval(changes.step_least_ps)} to "
            f"{say_interval(interval_ps)} (row {line}); the longest step is taken as the "
            "sampling interval, so uncertainties are on the large side."
        )
    _check_rate(hints, interval_ps, source)
    basis: Literal["row", "time"] = "row" if is_even else "time"
    return Clock(basis, changes.start_ps, duration_ps, interval_ps, tuple(said))


def _round_interval(mean_ps: float, tolerance_ps: float) -> float:
    """Take the round sample rate next to a fitted one where the printed digits allow it."""
    rate_hz = float(f"{1e12 / mean_ps:.4g}")
    nearest_ps = 1e12 / rate_hz
    return nearest_ps if abs(nearest_ps - mean_ps) <= tolerance_ps else mean_ps


def _check_rate(hints: Hints, interval_ps: float, source: str) -> None:
    if hints.rate_hz is None:
        return
    if abs(interval_ps * hints.rate_hz / 1e12 - 1) > 0.01:
        raise HintError(
            f"{source}: the time column shows {say_rate(interval_ps)} but --rate says "
            f"{say_rate(1e12 / hints.rate_hz)}; leave --rate out, or give the right --time-unit."
        )
