"""All findings of a recording."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from numbers import Real
from typing import TYPE_CHECKING

import numpy as np

from pwmscope.bench import LEVELS, BenchSheet, CapturePlan, Limits, Marker
from pwmscope.capture import Capture
from pwmscope.errors import ArgumentError, format_given, require_type
from pwmscope.findings.analysers import ANALYSERS, AllLines
from pwmscope.findings.failsafe import analyse_losses
from pwmscope.findings.receivers import clock_lines, examine_order
from pwmscope.findings.results import LINK_RECORD, ChannelFindings, Findings, SensorFindings
from pwmscope.findings.segmentation import Answer, Channel
from pwmscope.model import Span
from pwmscope.pulses import Convention

if TYPE_CHECKING:
    from pwmscope.findings.link import LinkRecord


def examine(
    capture: Capture,
    *,
    off_line: str | Marker | None = None,
    off_at_s: Sequence[tuple[float, float]] = (),
    sheet: BenchSheet | None = None,
    convention: Convention | None = None,
    limits: Limits | None = None,
    plan: CapturePlan | None = None,
) -> Findings:
    """Find out everything about every channel of a recording.

    Parameters
    ----------
    capture : Capture
        The recording.
    off_line : str or Marker, optional
        A line that shows whether the transmitter is on: its level at the start
        means on, the other off, unless a `Marker` says more of it. By default the
        bench sheet's. Without a marker or stated times, losses are inferred from the
        outputs, which cannot show a hold.
    off_at_s : sequence of tuple of float, optional
        Times in seconds at which the transmitter went off, each with the half-width
        of its uncertainty, where there is no marker.
    sheet : BenchSheet, optional
        What is on each line; without it no channel can be said to stop in time.
    convention : Convention, optional
        What the pulses are held against; by default each line's is chosen from
        its pulses, and said where it is not the standard servo convention.
    limits : Limits, optional
        What the figures are held against, for a convention that spans 1000 us; they
        are scaled to the others. By default the sheet's, or common practice.
    plan : CapturePlan, optional
        The plan that the hands followed: where it fits, a channel rests where the plan has
        the sticks let go.

    Returns
    -------
    Findings

    Raises
    ------
    HintError
        If ``off_line`` is not a line of the capture or marks nothing, a stated time
        lies outside it, or both are given.
    ArgumentError
        If an argument is of another type.

    Examples
    --------
    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> rise_us = 5_000 + 20_000 * np.arange(100)
    >>> edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 2_000_000_000_000, 1e6, "an example")
    >>> channel = examine(capture).channels["RX1"]
    >>> channel.travel.neutral_offset_us, channel.timing.frame_rate_hz
    (20.0, 50.0)
    >>> channel.losses.finding.verdict.value
    'not shown'
    """
    _check_types(capture, off_line, sheet, convention, limits, plan=plan)
    _check_moments(off_at_s)
    loss_analysis = analyse_losses(
        capture,
        off_line=off_line,
        off_at_s=off_at_s,
        sheet=sheet,
        convention=convention,
        limits=limits,
    )
    lines, found = loss_analysis.lines, loss_analysis.found
    capture, limits = lines.capture, limits or loss_analysis.reference.limits
    order = examine_order(found.records)
    clocks = clock_lines(order)
    recorded = Span(capture.start_s, capture.end_s)
    alignment = None
    if plan is not None:
        from pwmscope.findings.plan_alignment import align_plan  # noqa: PLC0415 - slow to import

        alignment = align_plan(plan, lines.servo)
    at_rest = () if alignment is None else alignment.at_rest
    channels = {}
    for name, table in lines.tables.items():
        if name in lines.refused:
            channels[name] = ChannelFindings(name, table, 0, lines.refused[name], ())
            continue
        record, own = found.records[name], found.line_losses[name]
        clock = found.records.get(clocks.get(name, ""), record)
        plateaus = capture.lines[name].plateaus if name in capture.lines else None
        channel = Channel(record, clock, recorded, sheet, {"failsafe": own}, plateaus, at_rest)
        pulses = int(np.count_nonzero(table.measured))
        lost = record.losses[len(record.losses) - len(own.events) :]
        channels[name] = ChannelFindings(name, table, pulses, None, lost, channel)
        for row in ANALYSERS:
            if row.of == "line" and row.when == "at once":
                channels[name].answer(row.question)
    glitches = {name: c.glitches for name, c in channels.items() if c.glitches is not None}
    servo = {name: c for name, c in channels.items() if c.channel is not None}

    def ask(question: str) -> dict[str, Answer]:
        answers = {name: c.answer(question) for name, c in servo.items()}
        return {name: answer for name, answer in answers.items() if answer is not None}

    all_lines = AllLines(glitches, found.records, order, ask)
    assumptions = (*capture.assumptions, *found.said, *lines.notes, *_FIXED)
    sensors = {
        line: SensorFindings(line, "rotation", rotation.rotor.of, rotation)
        for line, rotation in found.rotations.items()
    }
    for line, supply in found.supplies.items():
        sensors[line] = SensorFindings(line, "supply", None, supply)
    findings = Findings(
        capture, limits, channels, all_lines, assumptions, loss_analysis, alignment, sensors
    )
    if plan is not None and plan.is_link_record:
        linked = examine_link_record(findings, plan, sheet)
        sensors[LINK_RECORD] = SensorFindings(LINK_RECORD, "link", None, linked)
    return findings


def examine_link_record(
    findings: Findings,
    plan: CapturePlan,
    sheet: BenchSheet | None,
    *,
    last_failsafe: datetime.date | None = None,
) -> LinkRecord:
    """Tell what a recording shows of the link, by the marker that its losses were told by."""
    from pwmscope.findings.link import examine_link  # noqa: PLC0415 - slow to import

    told = findings.loss_analysis.reference
    on = None if told.on_level is None else LEVELS[told.on_level]
    marker = None if told.line is None else Marker(told.line, on, None, told.late_s)
    return examine_link(
        findings.capture,
        findings.servo_tables,
        plan,
        sheet,
        marker=marker,
        last_failsafe=last_failsafe,
    )


def _check_types(
    capture: object,
    off_line: object,
    sheet: object,
    convention: object,
    limits: object,
    *,
    plan: object,
) -> None:
    """Name the argument that is of another type than `examine` takes."""
    read_it = "Read the file with pwmscope.load first."
    require_type("capture", capture, Capture, "a Capture", read_it)
    for name, value, kinds, expected, remedy in (
        ("off_line", off_line, (str, Marker), "the name of a line or a Marker", ""),
        (
            "sheet", sheet, (BenchSheet,), "a BenchSheet",
            "Read the file with pwmscope.load_sheet first.",
        ),
        (
            "convention", convention, (Convention,), "a Convention",
            "pwmscope.CONVENTIONS holds them by name.",
        ),
        ("limits", limits, (Limits,), "Limits", ""),
        (
            "plan", plan, (CapturePlan,), "a CapturePlan",
            "Read the file with pwmscope.load_plan first.",
        ),
    ):  # fmt: skip
        if value is not None:
            require_type(name, value, kinds, expected, remedy)


def _check_moments(off_at_s: object) -> None:
    pairs = "pairs of seconds: a moment and the half-width of its uncertainty"
    if isinstance(off_at_s, str) or not isinstance(off_at_s, Sequence):
        raise ArgumentError("off_at_s", format_given(off_at_s), pairs)
    for stated in off_at_s:
        if not isinstance(stated, Sequence) or isinstance(stated, str) or len(stated) != 2:
            raise ArgumentError("off_at_s", f"a sequence with {format_given(stated)} in it", pairs)
        for seconds in stated:
            if not isinstance(seconds, Real) or not math.isfinite(seconds):
                sentence = f"a sequence with {format_given(seconds)} in a pair"
                raise ArgumentError("off_at_s", sentence, pairs)


_FIXED = (
    "Endpoints are the outermost dwells; they are the channel's own only if the stick was held "
    "at its ends.",
    "An edge is timed at the first sample that shows it.",
    "The analyser's clock is taken to be right within 100 ppm (common practice).",
)
