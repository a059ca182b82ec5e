"""One section for each channel, one table over all of them, and the evidence."""

from __future__ import annotations

from typing import Final

from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings, Finding, Findings
from pwmscope.findings.failsafe import LossEvent
from pwmscope.report.compaction import compacted
from pwmscope.report.document.blocks import (
    Block,
    Figure,
    Item,
    Items,
    Paragraph,
    Place,
    Run,
    Section,
    Table,
    Words,
)
from pwmscope.report.document.words import Wording, line_run, verdict_run
from pwmscope.report.pictures import draw_channel
from pwmscope.report.sentences import channel_sentence, say_number, say_value

MOST_EVENTS: Final = 40
"""Losses of one line that are told one by one; the JSON tells all."""
MOST_SPANS: Final = 3
"""Time spans that are named for one finding; the JSON names all."""
_HEADS: Final = (
    "channel", "verdict", "low end (us)", "neutral (us)", "high end (us)", "width jitter (us RMS)",
    "frames a second", "frames missing", "glitches", "signal loss",
)  # fmt: skip


def summary_section(findings: Findings, wording: Wording) -> Section:
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
        *(say_number(None if end is None else end.width_us, 1) for end in ends),
        say_number(timing.width_jitter_us.rms, 2),
        say_number(timing.frame_rate_hz, 2),
        str(timing.missing_frames),
        str(timing.glitches),
        say_value(channel.silence.finding),
    )
    return (name, verdict, *(wording.say(cell) for cell in cells))


def together_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Tell what the lines show together, if anything."""
    if not findings.recording_findings:
        return ()
    rows = tuple(_measured_row(finding, wording) for finding in findings.recording_findings)
    table = _measured_table("What the lines show together; measured, with no limit.", rows)
    return (Section("whole", wording.say("The lines together"), (table,)),)


def channel_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
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
    rows = tuple(_loss_row(event, wording) for event in events[:MOST_EVENTS])
    heads = ("lost at", "output", "width", "settled after", "seen again at", "in words")
    caption = "Signal losses, in order of time; times since the start of the recording."
    blocks: list[Block] = [Table(caption, heads, rows, (1.2, 1.2, 1.2, 1.2, 1.2, 4.0))]
    left = len(events) - MOST_EVENTS
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
    return say_number(value, decimals) + ("" if value is None else f" {unit}")


def evidence_section(findings: Findings, wording: Wording) -> Section:
    """Say on which stretches of the recording each finding rests."""
    blocks: list[Block] = [
        Paragraph(
            wording.say(
                "Where in the recording each answer rests: seconds since its start, pulses used, "
                f"rows of the line's pulse table. At most {MOST_SPANS} stretches are named here; "
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
        f"{span.start_s:.6f} to {span.end_s:.6f} s, {span.pulses} "
        f"pulse{'' if span.pulses == 1 else 's'}"
        + ("" if span.first is None else f", rows {span.first} to {span.last}")
        for span in finding.evidence[:MOST_SPANS]
    ]
    left = len(finding.evidence) - MOST_SPANS
    return "; ".join(said) + (f"; and {left} more." if left > 0 else ".")
