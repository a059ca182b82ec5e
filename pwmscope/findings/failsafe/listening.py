"""When the signal was lost and what each line then did; the rest of a line is its record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pwmscope.bench import COMMON_PRACTICE, BenchSheet, Limits, Marker
from pwmscope.capture import Capture, Line
from pwmscope.errors import HintError
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.inferred import Output, inferred_losses, quiet_losses, restarts
from pwmscope.findings.failsafe.losses import Loss, marked_losses
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.silence import Silence, examine_silences, with_returns
from pwmscope.findings.failsafe.stated import stated_losses
from pwmscope.findings.record import Record
from pwmscope.findings.segmentation.dwells import find_dwells
from pwmscope.findings.servo_lines import ServoLines, find_servo_lines
from pwmscope.model.spans import Span, inside
from pwmscope.pulses import Convention, Frames


@dataclass(frozen=True, slots=True)
class Marking:
    """How the moments of loss are told, and what the bench sheet says of the lines.

    Parameters
    ----------
    line : str or None
        A marker line of the recording.
    on_level : int or None
        Its level that means on; None for the level at the start.
    off_at_s : tuple of tuple of float
        Stated times in seconds, each with the half-width of its uncertainty.
    sheet : BenchSheet or None
        The bench sheet.
    is_asked : bool
        Whether a person named the marker line, so that it must mark a loss; the bench
        sheet's may be on throughout.
    """

    line: str | None
    on_level: int | None
    off_at_s: tuple[tuple[float, float], ...]
    sheet: BenchSheet | None
    is_asked: bool

    @property
    def limits(self) -> Limits:
        """The sheet's limits, or those of common practice."""
        return COMMON_PRACTICE if self.sheet is None else self.sheet.limits


def marking_of(
    capture: Capture,
    off_line: str | Marker | None,
    off_at_s: Sequence[tuple[float, float]],
    sheet: BenchSheet | None,
) -> Marking:
    """Settle how the moments of loss are told.

    Parameters
    ----------
    capture : Capture
        The recording.
    off_line : str, Marker or None
        A marker line that a person names; it goes before the sheet's.
    off_at_s : sequence of tuple of float
        Times that a person states, each with the half-width of its uncertainty.
    sheet : BenchSheet or None
        The bench sheet.

    Returns
    -------
    Marking

    Raises
    ------
    HintError
        If there is no such line, or both a marker and times are given.
    """
    marker = None if sheet is None else sheet.marker
    if isinstance(off_line, Marker):
        marker, off_line = off_line, off_line.line
    line, on_level = off_line, None
    if off_line is not None and off_line not in capture.lines:
        raise HintError(
            f"There is no line '{off_line}' in {capture.source}; "
            f"its lines are {', '.join(capture.lines)}."
        )
    if marker is not None and line in (None, marker.line) and marker.line in capture.lines:
        line = marker.line
        on_level = None if marker.on is None else int(marker.on == "high")
    if line is not None and off_at_s:
        raise HintError(
            f"Line {line} marks when the transmitter went off, and --off-at states it as well; "
            "give one of them."
        )
    return Marking(line, on_level, tuple(off_at_s), sheet, is_asked=off_line is not None)


@dataclass(frozen=True, slots=True)
class Heard:
    """What listening to a recording gave.

    Parameters
    ----------
    records : dict of str to Record
        Each servo line outside its losses.
    silences : dict of str to Silence
        What each did at its losses.
    said : tuple of str
        What was assumed, each a plain sentence.
    """

    records: dict[str, Record]
    silences: dict[str, Silence]
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Listened:
    """One recording, listened to.

    Parameters
    ----------
    lines : ServoLines
        The recording, decoded.
    heard : Heard
        What its lines did.
    marking : Marking
        How the moments of loss are told.
    """

    lines: ServoLines
    heard: Heard
    marking: Marking

    @property
    def source(self) -> str:
        """The recording's file."""
        return self.lines.capture.source


def listen_to(
    capture: Capture,
    *,
    off_line: str | Marker | None = None,
    off_at_s: Sequence[tuple[float, float]] = (),
    sheet: BenchSheet | None = None,
    convention: Convention | None = None,
    limits: Limits | None = None,
) -> Listened:
    """Find the losses of one recording and what every line did in them.

    Parameters
    ----------
    capture, off_line, off_at_s, sheet, convention, limits
        As `pwmscope.findings.examine`.

    Returns
    -------
    Listened

    Raises
    ------
    HintError
        As `pwmscope.findings.examine`.
    """
    marking = marking_of(capture, off_line, off_at_s, sheet)
    lines = find_servo_lines(capture, marking.line, convention)
    return Listened(lines, listen(lines, marking, limits or marking.limits), marking)


def listen(
    lines: ServoLines,
    marking: Marking,
    limits: Limits,
) -> Heard:
    """Find the losses, and say what each servo line did at each.

    Parameters
    ----------
    lines : ServoLines
        The recording, decoded.
    marking : Marking
        How the moments of loss are told.
    limits : Limits
        For a convention that spans 1000 us.

    Returns
    -------
    Heard

    Raises
    ------
    HintError
        If the marker marks nothing, or a stated time lies outside the recording.
    """
    capture, frames = lines.capture, lines.frames
    outputs = {
        name: Output(
            table,
            find_dwells(table, frames[name]),
            frames[name].usual_us or table.convention.period_us,
        )
        for name, table in lines.servo.items()
    }
    losses, linked_s, said = _losses(capture, outputs, marking)
    losses = with_returns(outputs, losses, capture.start_s, capture.end_s)
    if marking.off_at_s:
        losses = _with_unstated(losses, outputs, capture.end_s)
    parted = {name: _parted(output, frames[name], losses, name) for name, output in outputs.items()}
    silences = examine_silences(
        parted, losses, limits, capture, sheet=marking.sheet, linked_s=linked_s
    )
    records = {
        name: _record(output, frames[name], losses, silences[name], limits, end_s=capture.end_s)
        for name, output in parted.items()
    }
    return Heard(records, silences, said)


def _record(
    output: Output,
    frames: Frames,
    losses: tuple[Loss, ...],
    silence: Silence,
    limits: Limits,
    *,
    end_s: float,
) -> Record:
    """Take a line as it was while it was not lost."""
    own = [loss for loss in losses if output.table.line in loss.lines]
    spans = tuple(
        [
            Span(event.lost_s, _over_s(loss, event, end_s))
            for loss, event in zip(own, silence.events, strict=True)
        ]
    )
    return Record(
        output.table,
        frames,
        output.dwells.select(~inside(spans, output.dwells.start_s)),
        spans,
        limits.scaled(output.table.convention.span_us),
    )


def _parted(output: Output, frames: Frames, losses: tuple[Loss, ...], name: str) -> Output:
    """Break a line's dwells at each of its losses and returns."""
    own = (loss for loss in losses if name in loss.lines)
    breaks = sorted({moment for loss in own for moment in (loss.lost_s, loss.back_s)})
    if not breaks:
        return output
    return replace(output, dwells=find_dwells(output.table, frames, tuple(breaks)))


def _marked(
    capture: Capture, outputs: Mapping[str, Output], marking: Marking, marker: Line
) -> tuple[tuple[Loss, ...], float | None, tuple[str, ...]]:
    """Find the losses that a marker shows, and restarts of the supply or the receiver."""
    on_level = marking.on_level
    never_off = not marker.edges_ps.size and on_level in {None, marker.initial_level}
    if never_off and not marking.is_asked:
        said = f"Line {marker.name}, the bench sheet's marker, shows on throughout."
        return restarts(outputs, (), capture.start_s, capture.end_s), None, (said,)
    marks = marked_losses(
        marker, capture.end_s, outputs, on_level=on_level, start_s=capture.start_s,
        interval_us=capture.sample_interval_us,
    )  # fmt: skip
    level = "high" if (marker.initial_level if on_level is None else on_level) else "low"
    why = "as at the start" if on_level is None else "as the bench sheet says"
    said = f"Line {marker.name} is the marker: {level}, {why}, means transmitter on."
    others = restarts(outputs, marks.losses, marks.linked_s, capture.end_s)
    both = sorted((*marks.losses, *others), key=lambda loss: loss.lost_s)
    return tuple(both), marks.linked_s, (said,)


def _losses(
    capture: Capture, outputs: Mapping[str, Output], marking: Marking
) -> tuple[tuple[Loss, ...], float | None, tuple[str, ...]]:
    """Find the losses; since when the link was there, where a marker says so; what was assumed."""
    end_s = capture.end_s
    if marking.line is not None:
        return _marked(capture, outputs, marking, capture.lines[marking.line])
    if marking.off_at_s:
        stated = stated_losses(marking.off_at_s, outputs, capture.start_s, end_s)
        said = "The times at which the transmitter went off are a person's (--off-at)."
        return stated, None, (said,)
    return (
        inferred_losses(outputs, end_s),
        None,
        (
            "No marker line is named, so losses are inferred from the outputs; "
            "a held output cannot be told from an idle stick that way.",
        ),
    )


def _with_unstated(
    losses: tuple[Loss, ...], outputs: Mapping[str, Output], end_s: float
) -> tuple[Loss, ...]:
    """Add the times in which lines were quiet although no stated loss covers them."""
    others = [
        quiet
        for quiet in quiet_losses(outputs, end_s)
        if not any(
            quiet.lost_s <= loss.back_s and loss.earliest_s <= quiet.back_s for loss in losses
        )
    ]
    return tuple(sorted((*losses, *others), key=lambda loss: loss.lost_s))


def _over_s(loss: Loss, event: LossEvent, end_s: float) -> float:
    """Return when a loss is over for a channel; silence lasts until its own next pulse."""
    if event.recovered_s is not None:
        return max(loss.back_s, event.recovered_s)
    return end_s if event.behaviour is LossClass.PULSES_STOP else loss.back_s
