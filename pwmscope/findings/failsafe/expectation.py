"""What the bench sheet expects of the device on a line when the signal is lost."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.bench import (
    NO_DEVICE,
    SENSORS,
    STICKS,
    BenchChannel,
    BenchSheet,
    Role,
    StopBand,
)


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected of one line while the signal is lost."""

    role: Role | None = None  # What the line is for; None where no sheet names it
    band: StopBand | None = None  # The widths at which its device stands still
    # Whether its device stands still without pulses; None where not known
    no_pulses_stop: bool | None = None
    has_sheet: bool = False  # Whether there is a sheet at all
    # How long its device runs on without pulses; None where not known
    no_pulses_after_s: float | None = None
    # Whether the stop range is common practice rather than the sheet's
    is_band_assumed: bool = False
    # Whether the sheet lacks for it no more than the neutral round which it lies
    lacks_neutral: bool = False
    receiver: str = ""  # The receiver that it is on, where the robot has several

    @property
    def is_informative(self) -> bool:
        """Whether there is a sheet and it expects nothing of this line."""
        return self.has_sheet and (
            self.role is None or self.role in (*STICKS, *NO_DEVICE, *SENSORS)
        )

    @property
    def is_unused(self) -> bool:
        """Whether the sheet says that nothing is on this line."""
        return self.role in NO_DEVICE

    @property
    def drives_something(self) -> bool:
        """Whether a jump out of the stop range sets something in motion."""
        return self.role is not None and not self.is_informative and self.role != "servo"


def expectation_of(sheet: BenchSheet | None, line: str) -> Expectation:
    r"""Read off a sheet what is expected of a line.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
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
        no_pulses_after_s=sheet.no_pulses_after_s(line),
        is_band_assumed=channel is not None and _is_band_assumed(channel),
        lacks_neutral=channel is not None and channel.deadband_us is not None,
        receiver=channel.receiver if channel is not None else "",
    )


def _is_band_assumed(channel: BenchChannel) -> bool:
    """Say whether some end of the stop range is common practice rather than the sheet's."""
    if channel.stop_us is not None and channel.stop_us[0] < channel.stop_us[1]:
        return False
    is_neutral_known = channel.neutral_us is not None and not channel.is_neutral_assumed
    return channel.deadband_us is None or (channel.stop_us is None and not is_neutral_known)
