"""What a person tells the reader, and the sampling interval that change times give away."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.units import format_interval, format_rate, parse_rate, parse_time_unit
from pwmscope.errors import ArgumentError, CaptureError, HintError, format_given, require_type
from pwmscope.model import Assumption, Line

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


MIN_CHANGES: Final = 20
_MANTISSAS: Final = (1.0, 1.2, 1.25, 1.5, 1.6, 2.0, 2.4, 2.5, 3.0, 3.2, 4.0, 4.8, 5.0, 6.0, 6.25,
                     7.5, 8.0, 9.6)  # fmt: skip
_DRAWN: Final = 4096
"""Of a long list, this many are tried first; what fits them is held against all."""
RATES_HZ: Final = tuple(m * 10.0**e for e in range(4, 10) for m in _MANTISSAS)
"""Sample rates tried, slowest first: round figures and the divisors of common
crystal clocks, as analysers offer them (common practice)."""


def find_interval_ps(times_ps: npt.NDArray[np.int64], resolution_ps: int) -> float | None:
    """Find the sampling interval on whose ticks all change times lie.

    A clocked analyser that lists only changes still times them in whole
    sample intervals. The greatest common divisor of the differences shows an
    interval that the printed digits can express; an interval that they cannot
    (24 MS/s has 41.666... ns) is found by trying known rates, allowing each
    time its printed rounding. By chance, `n` unrelated times would fit a
    trial interval ``T`` with probability ``(2 r / T)^(n-1)``, where ``r`` is
    the printed resolution; with 20 times and ``T >= 8 r`` that is below 1e-11.

    Examples
    --------
    >>> ticks = np.array([0, 36000, 480000, 516001] + [516001 + 7 * k for k in range(1, 30)])
    >>> ns = np.round(ticks * 1000 / 24).astype(np.int64)
    >>> round(find_interval_ps(ns * 1000, 1000), 3)
    41666.667
    """
    return _interval_in((times_ps,), resolution_ps)


def _interval_in(parts: Sequence[npt.NDArray[np.int64]], resolution_ps: int) -> float | None:
    """Find the sampling interval of times that are listed in parts."""
    size = sum(part.size for part in parts)
    if size < MIN_CHANGES:
        return None
    if size > 2 * _DRAWN:
        found_ps = find_interval_ps(_drawn(parts), resolution_ps)
        # What fits all times fits some of them, so where some show none there is none.
        if found_ps is None or _fits(parts, found_ps, resolution_ps):
            return found_ps
    return _search(np.concatenate(parts), resolution_ps)


def find_listed_interval(
    parts: Sequence[npt.NDArray[np.int64]],
    resolution_ps: int,
    rate_hz: float | None,
    hints: Hints,
    digits: str = "printed to",
) -> tuple[float | None, Assumption]:
    """Find the sampling interval of changes, listed in parts, stated or shown, and say how."""
    what, arguments = "sampling interval", ("rate",)
    if rate_hz is not None:
        stated_ps = 1e12 / rate_hz
        by_file = hints.rate_hz is None
        return stated_ps, Assumption(
            f"Samples were {format_interval(stated_ps)} apart, as "
            f"{'the file states' if by_file else 'you said'}.",
            what, stated_ps, "ps", "file" if by_file else "person", arguments,
        )  # fmt: skip
    interval_ps = _interval_in(parts, resolution_ps)
    if interval_ps is None:
        return None, Assumption(
            "The sampling interval is not stated, and the change times do not show it "
            f"({digits} {format_interval(resolution_ps)}). `rate` would tell it.",
            what, None, "ps", "", arguments,
        )  # fmt: skip
    return interval_ps, Assumption(
        f"All {sum(part.size for part in parts)} changes lie on ticks "
        f"{format_interval(interval_ps)} apart, which is taken as the sampling interval "
        f"({format_rate(interval_ps)}).",
        what, interval_ps, "ps", "data", arguments,
    )  # fmt: skip


def _search(times_ps: npt.NDArray[np.int64], resolution_ps: int) -> float | None:
    """Try the greatest common divisor, then the known rates."""
    offsets = times_ps - times_ps[0]
    divisor = int(np.gcd.reduce(offsets))
    if divisor >= 8 * resolution_ps:
        return float(divisor)
    for rate_hz in RATES_HZ:
        interval_ps = 1e12 / rate_hz
        if interval_ps < 8 * resolution_ps:
            break
        if _fits((times_ps,), interval_ps, resolution_ps):
            return interval_ps
    return None


def _drawn(parts: Sequence[npt.NDArray[np.int64]]) -> npt.NDArray[np.int64]:
    """Draw some of the times, always the same ones.

    At random, since evenly spaced ones may all be edges of one kind.
    """
    begins = np.cumsum([0, *(part.size for part in parts)])
    drawn = random.Random(0).choices(range(int(begins[-1])), k=_DRAWN)
    at = np.array(sorted(set(drawn)))
    cuts = np.searchsorted(at, begins[1:-1])
    own = zip(parts, begins, np.split(at, cuts), strict=False)
    return np.concatenate([part[some - begin] for part, begin, some in own])


def _fits(parts: Sequence[npt.NDArray[np.int64]], interval_ps: float, resolution_ps: int) -> bool:
    """Say whether all times lie on ticks, but for their printed rounding; piece by piece."""
    first_ps = next(part[0] for part in parts if part.size)
    for part in parts:
        for at in range(0, part.size, 4 * _DRAWN):
            ticks = (part[at : at + 4 * _DRAWN] - first_ps) / interval_ps
            error_ps = float(np.abs(ticks - np.rint(ticks)).max()) * interval_ps
            if error_ps > resolution_ps + 1:
                return False
    return True
