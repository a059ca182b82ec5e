"""The bench sheet: one TOML file that says what is wired to what and what is expected."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal, TypeAlias, get_args

from pwmscope.bench.limits import COMMON_PRACTICE, Limits
from pwmscope.bench.roles import DRIVES, NoPulses, Role, StopBand
from pwmscope.errors import PwmscopeError

Level: TypeAlias = Literal["low", "high"]
LEVELS: Final[tuple[Level, ...]] = get_args(Level)

DEFAULT_STOP: Final = 0.02
"""Part of a device's travel, on each side of where it stops, that is taken as its stop range
where the sheet does not state one: 20 us of 1000 us, a narrow ESC deadband's half (common
practice, from memory)."""
MOST_BYTES: Final = 256 * 1024


@dataclass(frozen=True, slots=True)
class Marker:
    """The line that shows whether the transmitter is on.

    Parameters
    ----------
    line : str
        Its name in the recording.
    on : {"low", "high"} or None
        The level that means on; None for the level at the start of the recording.
    """

    line: str
    on: Level | None


@dataclass(frozen=True, slots=True)
class BenchChannel:
    """One line and the device on it.

    Parameters
    ----------
    line : str
        Its name in the recording.
    role : str
        What it is for, one of `pwmscope.bench.roles.ROLES`.
    device : str
        What is connected, free text.
    low_us, high_us : float
        Widths at the ends of the device's travel.
    neutral_us : float or None
        Its neutral; None for a weapon that turns one way only.
    deadband_us : float or None
        Whole width of the band round neutral in which the device does not
        move; None where it is not known.
    no_pulses : {"stops", "keeps going"} or None
        What the device does without pulses; None where it is not known.
    stop_us : tuple of float or None
        The widths, lowest and highest, at which the device stands still, where
        the sheet states them; twice the same where it states one width.
    feeds_5v : bool or None
        Whether the device feeds 5 V to the receiver; None where it is not known.
    """

    line: str
    role: Role
    device: str
    low_us: float
    neutral_us: float | None
    high_us: float
    deadband_us: float | None
    no_pulses: NoPulses | None
    stop_us: tuple[float, float] | None
    feeds_5v: bool | None

    @property
    def stop_band(self) -> StopBand | None:
        """The channel's stop range; None where the role has none and the sheet states none."""
        if self.stop_us is not None:
            low_us, high_us = self.stop_us
            if low_us < high_us:
                return StopBand(low_us, high_us, "The bench sheet states this stop range.")
            return self._band_round(low_us, f"The bench sheet states a stop at {low_us:g} us")
        if self.role not in DRIVES and self.role != "weapon":
            return None
        if self.neutral_us is not None:
            return self._band_round(self.neutral_us, f"Neutral is {self.neutral_us:g} us")
        margin_us = self._margin_us
        return StopBand(
            0.0,
            self.low_us + margin_us,
            f"The low end is {self.low_us:g} us, and all up to {margin_us:g} us above it is taken "
            "as stop (common practice, for a weapon that turns one way; the bench sheet states "
            "no stop range).",
        )

    @property
    def _margin_us(self) -> float:
        return DEFAULT_STOP * (self.high_us - self.low_us)

    def _band_round(self, stop_us: float, said: str) -> StopBand:
        if self.deadband_us is not None:
            half_us = self.deadband_us / 2.0
            said += f", with the bench sheet's deadband of {self.deadband_us:g} us round it."
        else:
            half_us = self._margin_us
            said += f", with {half_us:g} us each side (common practice; no deadband is stated)."
        return StopBand(stop_us - half_us, stop_us + half_us, said)


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """What is known about one bench.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    robot, club : str
        Free text.
    failsafe_s : float
        Longest time from signal loss until each device stands still.
    rulebook : str
        Where that limit stands, free text.
    marker : Marker or None
        The line that shows whether the transmitter is on.
    channels : mapping of str to BenchChannel
        By line, in the sheet's order.

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> sheet = parse_sheet('''
    ... [channels.RX1]
    ... role = "drive-left"
    ... deadband_us = 50
    ... no_pulses = "stops"
    ... ''')
    >>> band = sheet.stop_band("RX1")
    >>> band.low_us, band.high_us, sheet.no_pulses_stop("RX1"), sheet.failsafe_s
    (1475.0, 1525.0, True, 2.0)
    """

    source: str
    robot: str
    club: str
    failsafe_s: float
    rulebook: str
    marker: Marker | None
    channels: Mapping[str, BenchChannel]

    def stop_band(self, line: str) -> StopBand | None:
        """Return the widths at which the device on a line stands still.

        Parameters
        ----------
        line : str
            The line's name.

        Returns
        -------
        StopBand or None
            None where the sheet has no such line, the line is a stick, or it
            is a servo whose position the sheet does not state.
        """
        channel = self.channels.get(line)
        return None if channel is None else channel.stop_band

    def no_pulses_stop(self, line: str) -> bool | None:
        """Say whether the device on a line stands still when pulses stop.

        Parameters
        ----------
        line : str
            The line's name.

        Returns
        -------
        bool or None
            None where the sheet does not say.
        """
        channel = self.channels.get(line)
        if channel is None or channel.no_pulses is None:
            return None
        return channel.no_pulses == "stops"

    @property
    def limits(self) -> Limits:
        """The limits, with the sheet's failsafe time and where it stands."""
        stands = self.rulebook or "the bench sheet"
        return replace(
            COMMON_PRACTICE,
            failsafe_s=self.failsafe_s,
            source=f"{COMMON_PRACTICE.source}; "
            f"the failsafe limit of {self.failsafe_s:g} s is that of {stands}",
        )


class SheetError(PwmscopeError):
    """A bench sheet cannot be used as it stands.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    line : int
        Line of the file, counted from 1.
    key : str
        The key with its tables, as TOML writes it; empty for the file as a whole.
    found : str
        What is wrong, as a clause.
    allowed : str
        What may stand there, as it reads after the word "expected".

    Examples
    --------
    >>> print(SheetError("bench.toml", 7, "limits.failsafe_s", "the value is -1",
    ...                  "a number of seconds from 0.05 to 60"))
    bench.toml, line 7, limits.failsafe_s: the value is -1, expected a number of seconds from \
0.05 to 60.
    """

    def __init__(self, source: str, line: int, key: str, found: str, allowed: str) -> None:
        place = f"{source}, line {line}" + (f", {key}" if key else "")
        super().__init__(f"{place}: {found}, expected {allowed}.")
        self.source = source
        self.line = line
        self.key = key
        self.allowed = allowed


def load_sheet(path: str | os.PathLike[str]) -> BenchSheet:
    """Read a bench sheet.

    Parameters
    ----------
    path : str or path-like
        A TOML file; its keys are listed in docs/sheet.md.

    Returns
    -------
    BenchSheet

    Raises
    ------
    SheetError
        If it is not TOML, or a key is unknown, missing, contradicted by another
        or its value not allowed.
    PwmscopeError
        If the file cannot be read, or is no bench sheet by its size.
    """
    source = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        text = data.decode("utf-8-sig") if len(data) <= MOST_BYTES else None
    except (OSError, UnicodeDecodeError) as error:
        raise PwmscopeError(
            f"{source}: the bench sheet cannot be read ({error}); name a TOML file in UTF-8."
        ) from None
    if text is None:
        raise PwmscopeError(
            f"{source}: a bench sheet has a few kilobytes of text, this file more than "
            f"{MOST_BYTES // 1024}; name the TOML file that describes the bench."
        )
    return parse_sheet(text, source=source)


def parse_sheet(text: str, *, source: str = "bench sheet") -> BenchSheet:
    """Read a bench sheet from its text.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        The file's name, for messages.

    Returns
    -------
    BenchSheet

    Raises
    ------
    SheetError
        As `load_sheet`.
    """
    # The library that validates takes a tenth of a second to import; only sheets need it.
    from pwmscope.bench.sheet_reading import read_sheet  # noqa: PLC0415

    return read_sheet(text, source)
