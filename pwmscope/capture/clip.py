"""A part of a recording, between two instants."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import numpy as np

from pwmscope.capture.reader.units import EXPONENT_OF_UNIT, parse_time_unit
from pwmscope.errors import HintError
from pwmscope.model import PS_PER_S, Assumption, Capture, Line

PART: Final = "part examined"
"""What an `Assumption` is about that only a part is examined."""
_TIME: Final = re.compile(r"\s*(?P<number>\d+(?:\.\d*)?|\.\d+)\s*(?P<unit>[^\d.]*?)\s*")


def parse_instant_s(text: str) -> float:
    """Read an instant such as ``12.4s``, ``12.4`` or ``350ms``, in seconds.

    Parameters
    ----------
    text : str
        A number and a unit; a bare number is in seconds.

    Returns
    -------
    float
        Seconds.

    Raises
    ------
    HintError
        If it is not an instant.

    Examples
    --------
    >>> parse_instant_s("350ms"), parse_instant_s("12.4")
    (0.35, 12.4)
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise HintError(
            f"The time '{text}' is not understood; write a number and a unit, "
            "for example 12.4s or 350ms."
        )
    unit = parse_time_unit(match["unit"]) if match["unit"] else "s"
    units_in_s = 10.0 ** (EXPONENT_OF_UNIT["s"] - EXPONENT_OF_UNIT[unit])
    return float(match["number"]) / units_in_s


def parse_stated_s(text: str) -> tuple[float, float]:
    """Read an instant as a person states it, with the uncertainty that its digits leave.

    Parameters
    ----------
    text : str
        A number and a unit; a bare number is in seconds.

    Returns
    -------
    time_s : float
        Seconds.
    within_s : float
        Half a unit of its last digit, in seconds.

    Raises
    ------
    HintError
        If it is not an instant.

    Examples
    --------
    >>> [parse_stated_s(text) for text in ("12.4s", "12s", "250ms")]
    [(12.4, 0.05), (12.0, 0.5), (0.25, 0.0005)]
    """
    time_s = parse_instant_s(text)
    match = _TIME.fullmatch(text)
    assert match is not None  # parse_instant_s took it
    number = match["number"].partition(".")[2]
    unit_s = parse_instant_s(f"1{match['unit']}")
    return time_s, 0.5 * unit_s / 10 ** len(number)


def clip(capture: Capture, from_s: float | None = None, to_s: float | None = None) -> Capture:
    """Cut a part out of a recording; instants stay those of the whole recording.

    Parameters
    ----------
    capture : Capture
        The recording.
    from_s, to_s : float, optional
        Instants in seconds since the recording's start; by default its own start
        and end. An end beyond the recording's is the recording's.

    Returns
    -------
    Capture
        The part, with a sentence about it among its assumptions.

    Raises
    ------
    HintError
        If nothing of the recording lies between the two.

    Examples
    --------
    >>> edges_ps = PS_PER_S * np.array([1, 3, 5, 7], np.int64)
    >>> whole = Capture({"RX1": Line("RX1", edges_ps, 0)}, 9 * PS_PER_S, None, "an example")
    >>> part = clip(whole, 2.0, 6.0)
    >>> part.lines["RX1"].edges_ps // PS_PER_S, part.lines["RX1"].initial_level
    (array([3, 5]), 1)
    >>> part.start_s, part.end_s
    (2.0, 6.0)
    """
    if from_s is None and to_s is None:
        return capture
    begin_s = capture.start_s if from_s is None else from_s
    finish_s = capture.end_s if to_s is None else to_s
    start_ps = max(_ps(begin_s), capture.start_ps)
    end_ps = min(_ps(finish_s), capture.end_ps)
    if start_ps >= end_ps:
        raise HintError(
            f"Nothing of {capture.source} lies between {begin_s:g} and {finish_s:g} s; "
            f"it lasts from {capture.start_s:g} to {capture.end_s:g} s."
        )
    part_s = start_ps / PS_PER_S, end_ps / PS_PER_S
    sentence = (
        f"Only the part from {part_s[0]:g} to {part_s[1]:g} s of {capture.end_s:g} s is examined."
    )
    said = Assumption(sentence, PART, part_s, "s", "person")
    return replace(
        capture,
        lines={name: _part(line, start_ps, end_ps) for name, line in capture.lines.items()},
        start_ps=start_ps,
        duration_ps=end_ps - start_ps,
        assumptions=(*capture.assumptions, said),
    )


def _ps(time_s: float) -> int:
    return round(time_s * PS_PER_S)


def _part(line: Line, start_ps: int, end_ps: int) -> Line:
    first, last = np.searchsorted(line.edges_ps, [start_ps, end_ps], side="right")
    plateaus = None if line.plateaus is None else line.plateaus.between(start_ps, end_ps)
    level = line.initial_level ^ (int(first) & 1)
    voltage = None if line.voltage is None else line.voltage.between(start_ps, end_ps)
    return Line(line.name, line.edges_ps[first:last], level, plateaus, voltage)
