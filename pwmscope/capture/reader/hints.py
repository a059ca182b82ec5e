"""What a person may tell the reader beyond what the file says, and which lines it keeps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.capture.reader.units import parse_rate, parse_time_unit
from pwmscope.errors import ArgumentError, CaptureError, HintError, format_given, require_type
from pwmscope.model import Line

_MOST_GIB = 2**30


@dataclass(frozen=True, slots=True)
class Hints:
    """Hints that override what the reader would otherwise find or assume.

    Parameters
    ----------
    rate_hz : float or None
        The analyser's sample rate in samples per second.
    time_unit : str or None
        Unit of the time column: ``s``, ``ms``, ``us``, ``ns`` or ``ps``.
    time_column : str or None
        Name of the time column, as the header writes it.
    lines : tuple of str or None
        The lines to read, in this order; the others are left out.
    threshold_v : float or None
        Threshold between low and high for analogue columns, in their own unit.
    keep : tuple of str
        Lines to keep where a file holds more than can be read at once; all others that
        are kept show servo pulses.
    max_gib : float or None
        How far a packed file or a stream may grow, in GiB.
    """

    rate_hz: float | None = None
    time_unit: str | None = None
    time_column: str | None = None
    lines: tuple[str, ...] | None = None
    threshold_v: float | None = None
    keep: tuple[str, ...] = ()
    max_gib: float | None = None

    @property
    def given(self) -> tuple[str, ...]:
        """The arguments of `load` that the person gave."""
        values = {
            "rate": self.rate_hz,
            "time_unit": self.time_unit,
            "time_column": self.time_column,
            "lines": self.lines,
            "threshold": self.threshold_v,
        }
        return tuple(name for name, value in values.items() if value is not None)

    @classmethod
    def of(
        cls,
        *,
        rate: str | float | None = None,
        time_unit: str | None = None,
        time_column: str | None = None,
        lines: str | tuple[str, ...] | list[str] | None = None,
        threshold: float | None = None,
        keep: tuple[str, ...] | list[str] = (),
        max_gib: float | None = None,
    ) -> Hints:
        """Build hints from what a person wrote.

        Raises
        ------
        HintError
            If a hint is not understood.
        ArgumentError
            If one is of another type.

        Examples
        --------
        >>> hints = Hints.of(rate="1MHz", lines="RX1, RX2")
        >>> hints.rate_hz, hints.lines
        (1000000.0, ('RX1', 'RX2'))
        """
        for name, hint, kinds, expected in (
            ("rate", rate, (str, int, float), "a rate such as '1MHz' or a number in hertz"),
            ("time_unit", time_unit, (str,), "a unit such as 'us'"),
            ("time_column", time_column, (str,), "the name of a column"),
            ("threshold", threshold, (int, float), "a number of volts"),
            ("max_gib", max_gib, (int, float), "a number of GiB"),
            ("lines", lines, (str, tuple, list), "the names of lines"),
            ("keep", keep, (tuple, list), "the names of lines"),
        ):
            if hint is not None:
                require_type(name, hint, kinds, expected)
        if not isinstance(lines, str) and not all(isinstance(name, str) for name in lines or ()):
            raise ArgumentError("lines", format_given(lines), "the names of lines, each a text")
        if max_gib is not None and not 0 < max_gib < _MOST_GIB:
            raise ArgumentError("max_gib", format_given(max_gib), "a number of GiB above 0")
        if isinstance(lines, str):
            lines = [name.strip() for name in lines.split(",") if name.strip()]
        return cls(
            rate_hz=None if rate is None else parse_rate(rate),
            time_unit=None if time_unit is None else parse_time_unit(time_unit),
            time_column=time_column,
            lines=None if lines is None else tuple(lines),
            threshold_v=threshold,
            keep=tuple(keep),
            max_gib=max_gib,
        )


def rate_needed(source: str, lack: str) -> HintError:
    """Ask for the sample rate, saying what the rows lack."""
    return HintError(
        f"{source}: the rows {lack}, so the sample rate is needed; "
        "add `rate` with the analyser's setting, for example `rate='1MHz'`."
    )


MAX_LINES: Final = 64
_MIN_PS, _MAX_PS = 750 * 10**6, 2250 * 10**6
"""What counts as a servo pulse (common practice)."""
_MIN_PULSES: Final = 1


def has_servo_pulses(line: Line) -> bool:
    """Say whether a third of the spans between a line's edges are as long as servo pulses.

    The distances between the marks of a sum train count as well.

    Examples
    --------
    >>> edges = np.array([20, 21.5, 40, 41.5, 60, 61.5]) * 10**9
    >>> has_servo_pulses(Line("RX1", edges.astype(np.int64), 0))
    True
    """
    for edges_ps in (line.edges_ps, line.edges_ps[::2]):
        spans = np.diff(edges_ps)
        count = int(((spans >= _MIN_PS) & (spans <= _MAX_PS)).sum())
        if count >= _MIN_PULSES and 3 * count >= spans.size:
            return True
    return False


def kept(
    groups: Iterable[Mapping[str, Line]],
    hints: Hints,
    source: str,
    spelled: Callable[[str], str] = str,
    total: int | None = None,
) -> tuple[dict[str, Line], str]:
    """Keep the lines that a person named and those with servo pulses, and count the rest."""
    lines: dict[str, Line] = {}
    count = named = 0
    for group in groups:
        for name, line in group.items():
            count += 1
            is_named = name in hints.keep or spelled(name) in hints.keep
            named += is_named
            if is_named or has_servo_pulses(line):
                lines[name] = line
    count = max(count, total or 0)
    if not 0 < len(lines) <= MAX_LINES:
        what = "none shows" if not lines else f"{len(lines)} show"
        raise CaptureError(
            source,
            f"{count} lines, at most {MAX_LINES} lines are read, and {what} servo pulses",
            "name those to read with `lines`",
        )
    what = "those with servo pulses"
    if named:
        what = f"those named by sheet or marker, and {what}"
    return lines, (
        f"Of {count} lines {len(lines)} were kept: {what}. {count - len(lines)} were left out "
        "(`lines` names others)."
    )
