"""What a person may tell the reader beyond what the file says."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.capture.units import parse_rate, parse_time_unit


@dataclass(frozen=True, slots=True)
class Hints:
    """Hints that override what the reader would otherwise find or assume.

    Parameters
    ----------
    rate_hz : float or None
        The analyser's sample rate in samples per second.
    time_unit : str or None
        Unit of the time column: ``s``, ``ms``, ``us``, ``ns`` or ``ps``.
    """

    rate_hz: float | None = None
    time_unit: str | None = None

    @classmethod
    def of(cls, *, rate: str | float | None = None, time_unit: str | None = None) -> Hints:
        """Build hints from what a person wrote.

        Raises
        ------
        HintError
            If a hint is not understood.

        Examples
        --------
        >>> Hints.of(rate="1MHz")
        Hints(rate_hz=1000000.0, time_unit=None)
        """
        return cls(
            rate_hz=None if rate is None else parse_rate(rate),
            time_unit=None if time_unit is None else parse_time_unit(time_unit),
        )
