"""What a line is held to in a loss, and the marker: what its levels mean, how late it may be."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.bench import (
    AXES,
    BUTTON_LATE_S,
    COMMON_PRACTICE,
    DRIVES,
    INTO_MIXER,
    LEVELS,
    NO_DEVICE,
    SENSORS,
    STICKS,
    BenchSheet,
    Limits,
    Marker,
    Role,
    StopBand,
)
from pwmscope.capture import PS_PER_S, Capture, Line
from pwmscope.errors import HintError
from pwmscope.findings.failsafe.losses import JUMP, Known, Loss, Moment, Output
from pwmscope.model import FloatArray, IntArray

BOUNCE_S: Final = 0.05
"""Marker levels shorter than this are contact bounce."""
SETTLED_S: Final = 0.5
"""So long after a change of the marker a movement counts for neither of its levels."""
MIN_MOVES: Final = 3
"""So many smooth movements on one level, and none on the other, show which means on."""
MOVE_FRAMES: Final = 3
MOVE_S: Final = 0.05
MAX_MOVE_S: Final = 5.0


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
    is_on_stick: bool = False  # Whether a stick moves it, by the sheet or its role

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
        is_band_assumed=channel is not None and channel.is_band_assumed,
        lacks_neutral=channel is not None
        and channel.deadband_us is not None
        and not channel.is_deadband_doubted,
        receiver=channel.receiver if channel is not None else "",
        is_on_stick=channel is not None
        and (
            channel.control in AXES
            or (channel.control is None and channel.role in {*DRIVES, *INTO_MIXER})
        ),
    )


class Polarity(StrEnum):
    """How it is known which level of the marker means on."""

    STATED = "stated"
    SHOWN = "shown by the outputs"
    ASSUMED = "assumed"
    CONTRADICTED = "contradicted"

    @property
    def is_known(self) -> bool:
        """Whether a verdict may rest on it."""
        return self is Polarity.STATED or self is Polarity.SHOWN


@dataclass(frozen=True, slots=True)
class Reference:
    """How the moments of loss are told, and what the bench sheet says of the lines."""

    line: str | None  # A marker line of the recording
    on_level: int | None  # Its level that means on, where it is stated
    # Stated times in seconds, each with the half-width of its uncertainty
    off_at_s: tuple[tuple[float, float], ...]
    sheet: BenchSheet | None  # The bench sheet
    # Whether a person named the marker line, so that it must mark a loss; the bench sheet's may be
    # on throughout
    is_asked: bool
    # A wire on the switch itself, a push-button pressed with it, or a sensor over the power light;
    # None where it is not stated
    kind: str | None = None
    # How late the marker may show that the transmitter went off, at most and at least
    late_s: float = 0.0
    least_late_s: float = 0.0
    back_late_s: float = 0.0  # How late it may show at most that the transmitter is on again
    is_lateness_known: bool = True  # Whether the marker's kind is stated, or how late it may be

    @property
    def limits(self) -> Limits:
        """The sheet's limits, or those of common practice."""
        return COMMON_PRACTICE if self.sheet is None else self.sheet.limits


def reference_of(
    capture: Capture,
    off_line: str | Marker | None,
    off_at_s: Sequence[tuple[float, float]],
    sheet: BenchSheet | None,
) -> Reference:
    """Settle how the moments of loss are told: by a marker line, or by stated times.

    A marker line that a person names, with the level that means on or without (``LINE``,
    ``LINE=high``), goes before the sheet's. A `HintError` is raised if there is no such line, or
    both a marker and times are given.
    """
    marker = None if sheet is None else sheet.marker
    if isinstance(off_line, Marker):
        marker, off_line = off_line, off_line.line
    line, on_level = _named(capture, off_line)
    unknown_s = 0.0 if line is None else BUTTON_LATE_S
    kind, lateness, is_known = None, (unknown_s, 0.0, unknown_s), line is None
    if marker is not None and line in (None, marker.line) and marker.line in capture.lines:
        line = marker.line
        kind = marker.kind
        lateness = marker.late_s, marker.least_late_s, marker.back_late_s
        is_known = kind is not None or marker.stated_late_s is not None
        if on_level is None and marker.on is not None:
            on_level = LEVELS.index(marker.on)
    if line is not None and off_at_s:
        raise HintError(
            f"Line {line} marks when the transmitter went off, and `off_at_s` states it as well; "
            "give one of them."
        )
    is_asked = off_line is not None
    return Reference(line, on_level, tuple(off_at_s), sheet, is_asked, kind, *lateness, is_known)


def _named(capture: Capture, off_line: str | None) -> tuple[str | None, int | None]:
    """Take a marker's name apart from the level that it is said to be on at."""
    if off_line is None or off_line in capture.lines:
        return off_line, None
    line, equals, level = off_line.rpartition("=")
    if equals and line in capture.lines:
        if level not in LEVELS:
            raise HintError(
                f"The level '{level}' of the marker line {line} is not understood. For the level "
                f"that means on, write `off_line={line}=high` or `off_line={line}=low`."
            )
        return line, LEVELS.index(level)
    raise HintError(
        f"There is no line '{off_line}' in {capture.source}; "
        f"its lines are {', '.join(capture.lines)}."
    )


@dataclass(frozen=True, slots=True)
class Marks:
    """What a marker line says."""

    losses: tuple[Loss, ...]  # Each stretch in which the transmitter went off
    # When the transmitter was first on; the capture's start where it was on from the beginning
    linked_s: float
    on_level: int  # The level that was taken to mean on
    polarity: Polarity  # How that is known


@dataclass(frozen=True, slots=True)
class FoundMoments:
    """The losses of a recording, since when the link was there, and what was assumed."""

    losses: tuple[Loss, ...]
    linked_s: float | None  # When a marker first showed on; None without
    said: tuple[str, ...]  # What was assumed, each a plain sentence
    polarity: Polarity | None = None  # None without a marker
    is_lateness_known: bool = True
    off_until_s: float = -math.inf  # Until then, before it first came on, the transmitter was off
    is_switch: bool = False  # Whether a wire on the transmitter's own switch marks the losses


def marked_losses(
    marker: Line,
    end_s: float,
    lines: Iterable[str],
    *,
    on_level: int | None = None,
    start_s: float = 0.0,
    interval_us: float | None = None,
    late_s: float = 0.0,
    least_late_s: float = 0.0,
    back_late_s: float | None = None,
    outputs: Mapping[str, Output] | None = None,
) -> Marks:
    """Read the losses off a wire that shows whether the transmitter is on.

    A level held for at least 50 ms counts; shorter ones are contact bounce. A change is timed at
    its first edge, so that a loss begins as early as it may have and ends as early as it may have.
    ``on_level`` means on; by default the level at which the outputs follow moving sticks, or else
    that at the start. It may show up to ``late_s`` late that the transmitter went off, at least
    ``least_late_s``, and up to ``back_late_s`` (by default the first) that it is on again.
    A `HintError` is raised if it never changes, never holds a level, or is never on.
    """
    edges_s = marker.edges_ps / PS_PER_S
    if not edges_s.size:
        raise HintError(
            f"The marker line {marker.name} never changes, so it marks no loss; check its wire, "
            "or leave out `off_line`."
        )
    begin_s, level = _held_levels(edges_s, marker, start_s, end_s)
    if begin_s.size < 2:
        raise HintError(
            f"Marker line {marker.name} changes {edges_s.size} times but never holds another "
            f"level for {BOUNCE_S * 1e3:.0f} ms. Check its wire, or leave out `off_line`."
        )
    on, polarity = find_polarity(begin_s, level, on_level, outputs or {})
    is_on = level == on
    if not is_on.any():
        raise HintError(
            f"The marker line {marker.name} never shows the transmitter on; check which of its "
            "levels means on."
        )
    back_late_s = late_s if back_late_s is None else back_late_s
    late = f" or up to {late_s:g} s earlier" if late_s else ""
    within = f", within a sample of {interval_us:.4g} us" if interval_us else ""
    moment = Moment(Known.MARKED, (interval_us or 0.0) / 1e6, None, late_s, least_late_s)
    concerned = frozenset(lines)
    ends_s = np.append(begin_s[1:], end_s)
    first_on = int(is_on.argmax())
    spans = zip(
        begin_s.tolist()[first_on:], ends_s.tolist()[first_on:], is_on[first_on:], strict=True
    )
    return Marks(
        tuple(
            Loss(
                off_s,
                max(off_s, on_s - back_late_s) if on_s < end_s else on_s,
                on_s < end_s, moment, concerned,
                f"Line {marker.name} marks the loss at {off_s:.3f} s{within}{late}.",
                is_return_shown=True,
            )
            for off_s, on_s, shows_on in spans
            if not shows_on
        ),
        float(begin_s[first_on]),
        on,
        polarity,
    )  # fmt: skip


def _held_levels(
    edges_s: FloatArray, marker: Line, start_s: float, end_s: float
) -> tuple[FloatArray, IntArray]:
    """List the levels that were held, and since when; each differs from the one before.

    The level at the start counts however soon it changes, one at the end only if it
    was seen for long enough.
    """
    bounds_s = np.concatenate([[start_s], edges_s, [end_s]])
    level = (marker.initial_level + np.arange(bounds_s.size - 1)) % 2
    held = np.diff(bounds_s) >= BOUNCE_S
    held[0] = True
    at = np.flatnonzero(held)
    changes = np.append(True, np.diff(level[at]) != 0)
    # A change began where the level held before it ended: at the first edge of its bounce.
    before_s = np.append(start_s, bounds_s[at[:-1] + 1])
    return before_s[changes], level[at][changes]


def find_polarity(
    begin_s: FloatArray,
    level: IntArray,
    on_level: int | None,
    outputs: Mapping[str, Output],
) -> tuple[int, Polarity]:
    """Find which level means on: as stated, as the outputs show, or as at the start.

    Outputs that follow moving sticks have a link. A preset may be reached by a ramp,
    so one movement within a stretch contradicts nothing.
    """
    counts = np.zeros((len(outputs), begin_s.size), dtype=np.int64)
    until_s = np.append(begin_s[1:], np.inf)
    for row, output in enumerate(outputs.values()):
        start_s, end_s = smooth_moves(output)
        place = np.searchsorted(begin_s, start_s, side="right") - 1
        place, start_s, end_s = place[place >= 0], start_s[place >= 0], end_s[place >= 0]
        whole = (end_s < until_s[place]) & ((start_s >= begin_s[place] + SETTLED_S) | (place == 0))
        np.add.at(counts[row], place[whole], 1)
    moves = [int(counts[:, level == value].sum()) for value in (0, 1)]
    if on_level is not None:
        off = 1 - on_level
        waved = bool((counts[:, level == off] >= 2).any())
        if moves[on_level] == 0 and waved:
            return on_level, Polarity.CONTRADICTED
        return on_level, Polarity.STATED
    for value in (0, 1):
        if moves[value] >= MIN_MOVES and moves[1 - value] == 0:
            return value, Polarity.SHOWN
    return int(level[0]), Polarity.ASSUMED


def smooth_moves(output: Output) -> tuple[FloatArray, FloatArray]:
    """List where an output went smoothly from one dwell to the next, as a hand moves it."""
    dwells, frame_s = output.dwells, output.usual_us / 1e6
    if len(dwells) < 2:
        return np.zeros(0), np.zeros(0)
    took_s = dwells.start_s[1:] - dwells.end_s[:-1]
    pulses = dwells.first[1:] - dwells.last[:-1]
    far = np.abs(np.diff(dwells.level_us)) > JUMP * output.table.convention.span_us
    smooth = far & (took_s > max(MOVE_FRAMES * frame_s, MOVE_S)) & (took_s < MAX_MOVE_S)
    smooth &= pulses * frame_s >= 0.5 * took_s
    return dwells.end_s[:-1][smooth], dwells.start_s[1:][smooth]
