"""What the bench sheet expects of the device on a line when the signal is lost."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.bench import BenchSheet, Role, StopBand
from pwmscope.bench.roles import DRIVES, STICKS


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected of one line while the signal is lost.

    Parameters
    ----------
    role : str or None
        What the line is for; None where no sheet names it.
    band : StopBand or None
        The widths at which its device stands still.
    no_pulses_stop : bool or None
        Whether its device stands still without pulses; None where not known.
    has_sheet : bool
        Whether there is a sheet at all.
    """

    role: Role | None = None
    band: StopBand | None = None
    no_pulses_stop: bool | None = None
    has_sheet: bool = False

    @property
    def is_informative(self) -> bool:
        """Whether there is a sheet and it expects nothing of this line."""
        return self.has_sheet and (self.role is None or self.role in STICKS)

    @property
    def drives_something(self) -> bool:
        """Whether a jump out of the stop range sets something in motion."""
        return self.role in DRIVES or self.role == "weapon"


def expectation_of(sheet: BenchSheet | None, line: str) -> Expectation:
    r"""Read off a sheet what is expected of a line.

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> sheet = parse_sheet('[channels.RX3]\nrole = "weapon"\nno_pulses = "stops"\n')
    >>> expected = expectation_of(sheet, "RX3")
    >>> expected.band.high_us, expected.no_pulses_stop
    (1020.0, True)
    >>> expectation_of(sheet, "RX9").is_informative, expectation_of(None, "RX9").is_informative
    (True, False)
    """
    if sheet is None:
        return Expectation()
    channel = sheet.channels.get(line)
    return Expectation(
        channel.role if channel else None,
        sheet.stop_band(line),
        sheet.no_pulses_stop(line),
        has_sheet=True,
    )
