"""A whole document, in order: answer, advice, channels, method."""

from __future__ import annotations

from typing import Final

from pwmscope import __version__
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings, Finding, Findings
from pwmscope.findings.failsafe import Failsafe, LossEvent
from pwmscope.report.bench_pictures import bench_pictures
from pwmscope.report.compaction import compacted
from pwmscope.report.document import (
    Block,
    Document,
    Figure,
    Item,
    Items,
    Paragraph,
    Place,
    Run,
    Section,
    Table,
    Terms,
    Wording,
    Words,
    file_name,
    line_run,
    verdict_run,
)
from pwmscope.report.failsafe_text import assumptions
from pwmscope.report.front import advice_section, front_sections
from pwmscope.report.loss_picture import draw_failsafe
from pwmscope.report.pictures import draw_channel
from pwmscope.report.sentences import RULEBOOK, channel_sentence, format_number, format_value

MAX_EVENTS: Final = 40
"""Losses of one line that are told one by one; the JSON tells all."""
MAX_SPANS: Final = 3
"""Time spans that are named for one finding; the JSON names all."""
_HEADS: Final = (
    "channel", "verdict", "low end (us)", "neutral (us)", "high end (us)", "width jitter (us RMS)",
    "frames a second", "frames missing", "glitches", "signal loss",
)  # fmt: skip


def _summary_section(findings: Findings, wording: Wording) -> Section:
    """Put all channels into one table."""
    rows = tuple(_summary_row(channel, wording) for channel in findings.channels.values())
    table = Table(
        "Widths in us, each from dwells; a dash where the recording does not show it.",
        _HEADS,
        rows,
        (1.5, 1.5, 1, 1, 1, 1, 1, 1, 1, 1.6),
        figures=True,
    )
    nothing = Paragraph(wording.say("The recording holds no line to measure."))
    return Section("summary", wording.say("All channels"), (table if rows else nothing,))


def _summary_row(channel: ChannelFindings, wording: Wording) -> tuple[Words, ...]:
    name, verdict = (line_run(channel.line),), (verdict_run(channel.verdict),)
    if channel.timing is None or channel.travel is None or channel.silence is None:
        return name, verdict, wording.say(channel.not_servo or "")
    timing, travel = channel.timing, channel.travel
    ends = (travel.low, travel.neutral, travel.high)
    cells = (
        *(format_number(None if end is None else end.width_us, 1) for end in ends),
        format_number(timing.own_width_jitter_us.rms, 2),
        format_number(timing.frame_rate_hz, 2),
        str(timing.missing_frames),
        str(timing.glitches),
        format_value(channel.silence.finding),
    )
    return (name, verdict, *(wording.say(cell) for cell in cells))


def _together_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Tell what the lines show together, if anything."""
    if not findings.recording_findings:
        return ()
    rows = tuple(_measured_row(finding, wording) for finding in findings.recording_findings)
    table = _measured_table("What the lines show together; measured, with no limit.", rows)
    return (Section("whole", wording.say("The lines together"), (table,)),)


def _channel_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Tell everything about each channel, on a page of its own."""
    return tuple(
        Section(
            f"channel-{number}",
            (Run("Channel "), line_run(channel.line), Run(" "), verdict_run(channel.verdict)),
            _channel(number, channel, findings.capture, wording),
            Place.NEW_PAGE,
        )
        for number, channel in enumerate(findings.channels.values(), start=1)
    )


def _channel(
    number: int, channel: ChannelFindings, capture: Capture, wording: Wording
) -> tuple[Block, ...]:
    told = channel_sentence(channel)
    blocks: list[Block] = [Paragraph(wording.say(told[:1].upper() + told[1:]))]
    pictures = draw_channel(channel, capture)
    blocks += [
        Figure(compacted(picture), f"Picture {i} of channel {number}")
        for i, picture in enumerate(pictures, start=1)
    ]
    if not pictures:
        words = wording.say("The line never changes level, so there is nothing to draw.")
        blocks.append(Paragraph(words))
    judged = tuple(_judged_row(finding, wording) for finding in channel.judged)
    free = tuple(_measured_row(f, wording) for f in channel.findings if not f.limit)
    if judged:
        caption = (
            "Findings, each held against its limit; ± is the expanded uncertainty, k = 2 "
            "(about 95 %)."
        )
        heads = ("what", "value", "limit", "verdict", "in words")
        blocks.append(Table(caption, heads, judged, (1.3, 1.5, 1.9, 1.5, 3.8)))
    if free:
        blocks.append(_measured_table("Measured, with no limit to hold it against.", free))
    if channel.silence is not None and channel.silence.events:
        blocks += _losses(channel.silence.events, wording)
    return tuple(blocks)


def _judged_row(finding: Finding, wording: Wording) -> tuple[Words, ...]:
    return (
        wording.say(finding.name),
        wording.value(finding),
        wording.say(finding.limit),
        (verdict_run(finding.verdict),),
        wording.say(finding.sentence),
    )


def _measured_row(finding: Finding, wording: Wording) -> tuple[Words, ...]:
    said = wording.say(finding.sentence)
    return wording.say(finding.name), wording.value(finding), said


def _measured_table(caption: str, rows: tuple[tuple[Words, ...], ...]) -> Table:
    return Table(caption, ("what", "value", "in words"), rows, (1.5, 1.9, 6.6))


def _losses(events: tuple[LossEvent, ...], wording: Wording) -> list[Block]:
    rows = tuple(_loss_row(event, wording) for event in events[:MAX_EVENTS])
    heads = ("lost at", "output", "width", "settled after", "seen again at", "in words")
    caption = "Signal losses, in order of time; times since the start of the recording."
    blocks: list[Block] = [Table(caption, heads, rows, (1.2, 1.2, 1.2, 1.2, 1.2, 4.0))]
    left = len(events) - MAX_EVENTS
    if left > 0:
        blocks.append(Paragraph(wording.say(f"And {left} more, which findings.json lists.")))
    return blocks


def _loss_row(event: LossEvent, wording: Wording) -> tuple[Words, ...]:
    reasons = " ".join(event.reasons.values())
    return (
        wording.say(f"{event.lost_s:.3f} s{'' if event.is_marked else ', inferred'}"),
        wording.say(event.behaviour.value if event.behaviour else "not shown"),
        wording.say(_with_unit(event.preset_us, 1, "us")),
        wording.say(_with_unit(event.settle_s, 3, "s")),
        wording.say(_with_unit(event.recovered_s, 3, "s")),
        (*wording.say(event.sentence), *wording.say(f" {reasons}" if reasons else "")),
    )


def _with_unit(value: float | None, decimals: int, unit: str) -> str:
    return format_number(value, decimals) + ("" if value is None else f" {unit}")


def _evidence_section(findings: Findings, wording: Wording) -> Section:
    """Say on which stretches of the recording each finding rests."""
    blocks: list[Block] = [
        Paragraph(
            wording.say(
                "Where in the recording each answer rests: seconds since its start, pulses used, "
                f"rows of the line's pulse table. At most {MAX_SPANS} stretches are named here; "
                "findings.json names all."
            )
        )
    ]
    for channel in findings.channels.values():
        rows = tuple(
            (wording.say(finding.name), wording.value(finding), wording.say(_spans(finding)))
            for finding in channel.findings
            if finding.evidence
        )
        if rows:
            caption = f"Evidence for channel {wording.names.get(channel.line, channel.line)}."
            heads = ("what", "value", "rests on")
            blocks.append(Table(caption, heads, rows, (1.6, 1.9, 6.5)))
    if len(blocks) == 1:
        blocks.append(Items((Item((), wording.say("No channel has an answer of its own.")),)))
    return Section("evidence", wording.say("The evidence"), tuple(blocks), Place.NEW_PAGE)


def _spans(finding: Finding) -> str:
    said = [
        f"{span.start_s:.6f} to {span.end_s:.6f} s"
        + (f", {span.pulses} pulse{'' if span.pulses == 1 else 's'}" if span.pulses else "")
        + ("" if span.first is None else f", rows {span.first} to {span.last}")
        for span in finding.evidence[:MAX_SPANS]
    ]
    left = len(finding.evidence) - MAX_SPANS
    return "; ".join(said) + (f"; and {left} more." if left > 0 else ".")


_METHOD: Final = (
    (
        "Pulse width",
        "The time between the two crossings of the analyser's logic threshold, taken as the mid "
        "reference level (pulse duration, IEEE Std 181). The leading edges of consecutive frames "
        "give the frame period.",
    ),
    (
        "Jitter",
        "Width jitter is the RMS scatter of the width about its mean in each dwell, pooled over "
        "the dwells. Period jitter follows IEEE Std 2414.",
    ),
    (
        "Sampling floor",
        "What sampling alone adds to an interval between two sampled edges: Ts/√6 RMS for a "
        "sample interval Ts, from the triangular distribution of JCGM 100. Scatter near the floor "
        "is the analyser's, not the receiver's.",
    ),
    (
        "Dwells",
        "Stretches in which the width stands still. Neutral and endpoints come from dwells, never "
        "from the smallest and the largest of all pulses. Glitches and cut pulses are counted and "
        "drawn, not averaged in.",
    ),
    (
        "Uncertainty",
        "The scatter of the mean, the sampling floor and the analyser's clock, added in "
        "quadrature (JCGM 100); ± gives twice that, about 95 %.",
    ),
    (
        "Verdicts",
        "'meets': the value lies within the limit with its uncertainty. 'does not meet': it lies "
        "outside with its uncertainty. 'not shown': this recording does not tell, or the limit "
        "lies within the uncertainty; it is no pass.",
    ),
)


def _method_sections(
    findings: Findings, check: Failsafe | None, wording: Wording
) -> tuple[Section, ...]:
    """Write the closing sections."""
    conventions = tuple(
        ("Convention", wording.text(f"{convention.name}: {convention.source}."))
        for convention in findings.conventions
    )
    limits = ("Limits", wording.text(f"{findings.limits.source}."))
    of_check = [] if check is None else assumptions(check)
    assumed = tuple(
        Item((), wording.say(sentence))
        for sentence in dict.fromkeys((*findings.assumptions, *of_check))
    )
    return (
        Section(
            "method",
            wording.say("How it was measured"),
            (Terms((*_METHOD, *conventions, limits)),),
            Place.NEW_PAGE,
        ),
        Section("assumed", wording.say("What was assumed"), (Items(assumed),)),
        Section(
            "cautions",
            wording.say("Before anything is powered"),
            (Items(tuple(Item((), wording.say(caution)) for caution in CAUTIONS)),),
            Place.BOXED,
        ),
        Section("rulebook", wording.say("Who decides"), (Paragraph(wording.say(_DEFERRAL)),)),
    )


_DEFERRAL: Final = (
    f"{RULEBOOK} This document says what was measured and against which limit. It does not say "
    "that a robot may be powered or may compete, and what it does not show may still go wrong."
)


def compose(
    findings: Findings,
    *,
    check: Failsafe | None = None,
    sha256: str = "",
    advice: tuple[str, ...] = (),
) -> Document:
    """Put everything found in a recording in order."""
    others = () if check is None else (line.line for line in check.lines)
    wording = Wording.of(findings, others)
    file = file_name(findings.capture.source)
    sheet = None if check is None else check.sheet
    return Document(
        f"Receiver outputs in {file}",
        file,
        _recorded(findings, check, sha256, wording),
        sha256,
        __version__,
        (
            *front_sections(findings, check, wording),
            advice_section(findings, wording, advice, CAUTIONS),
            _summary_section(findings, wording),
            *_together_sections(findings, wording),
            *_loss_picture(check, wording),
            *_bench_pictures(findings, sheet, wording),
        ),
        (
            *_channel_sections(findings, wording),
            _evidence_section(findings, wording),
            *_method_sections(findings, check, wording),
        ),
    )


def _recorded(
    findings: Findings, check: Failsafe | None, sha256: str, wording: Wording
) -> tuple[str, ...]:
    capture = findings.capture
    sheet = None if check is None else check.sheet
    said = []
    if sheet is not None:
        named = (("Robot", sheet.robot), ("Club", sheet.club), ("Rulebook", sheet.rulebook))
        told = [f"{what}: {wording.text(name)}" for what, name in named if name]
        said.append(". ".join((*told, f"Bench sheet: {file_name(sheet.source)}")) + ".")
    begun = f"examined, from {capture.start_s:.3f} s on" if capture.start_ps else "recorded"
    count = len(capture.lines)
    said.append(
        f"{capture.duration_s:.3f} s {begun}, {count} line{'' if count == 1 else 's'}, "
        f"{format_rate(capture.sample_interval_us)}. Measured by pwmscope {__version__}."
    )
    if sha256:
        said.append(f"SHA-256 of the recording: {sha256}")
    return tuple(said)


def _loss_picture(check: Failsafe | None, wording: Wording) -> tuple[Section, ...]:
    if check is None:
        return ()
    picture = draw_failsafe(check)
    if picture is None:
        seen = Paragraph(wording.say("No signal loss was seen, so there is nothing to draw."))
        return (Section("losses", wording.say("Signal loss, line by line"), (seen,)),)
    figure = Figure(compacted(picture), "Picture of the signal losses")
    return (Section("losses", wording.say("Signal loss, line by line"), (figure,)),)


def _bench_pictures(
    findings: Findings, sheet: BenchSheet | None, wording: Wording
) -> tuple[Section, ...]:
    """Draw what concerns all lines together, where there is such a thing."""
    figures = tuple(
        Figure(compacted(picture), f"Picture of the bench: {picture.name.rstrip('-0123456789')}")
        for picture in bench_pictures(findings, sheet)
    )
    if not figures:
        return ()
    return (Section("together-drawn", wording.say("The bench, drawn"), figures),)


def format_rate(sample_interval_us: float | None) -> str:
    """Write a sample rate with the interval it stands for.

    Examples
    --------
    >>> format_rate(2.0), format_rate(None)
    ('500 kS/s (one sample each 2 us)', 'sample rate not known')
    """
    if sample_interval_us is None:
        return "sample rate not known"
    rate_hz = 1e6 / sample_interval_us
    size, unit = next(
        (size, unit)
        for size, unit in ((1e9, "GS/s"), (1e6, "MS/s"), (1e3, "kS/s"), (0.0, "S/s"))
        if rate_hz >= size * 0.9999
    )
    return f"{rate_hz / (size or 1.0):.6g} {unit} (one sample each {sample_interval_us:.5g} us)"
