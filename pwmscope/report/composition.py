"""Which sections a report has, in which order, and what stands in them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from pwmscope import __version__
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.capture import Capture, format_interval, format_rate
from pwmscope.errors import Reason
from pwmscope.findings import ChannelFindings, Finding, Findings, SensorFindings, Verdict
from pwmscope.findings.failsafe import (
    Failsafe,
    FailsafeLine,
    LinkState,
    LossEvent,
    StateOfLine,
    link_states,
)
from pwmscope.model import Span
from pwmscope.plot import (
    SCREEN,
    Picture,
    bench_pictures,
    compacted,
    draw_channel,
    travel_ruler,
    width_strip,
)
from pwmscope.report.answer import Answer, Answered, Card
from pwmscope.report.document import (
    Block,
    Device,
    Document,
    Drawn,
    Figure,
    Front,
    Item,
    Items,
    Look,
    Paragraph,
    Run,
    Section,
    Strips,
    Table,
    Terms,
    Wording,
    Words,
    file_name,
    line_run,
    verdict_run,
)
from pwmscope.report.failsafe import assumptions, format_state, procedure
from pwmscope.report.one_page import Room, make_device
from pwmscope.report.register import file_hash
from pwmscope.report.sentences import (
    RULEBOOK,
    channel_sentence,
    format_link,
    format_number,
    open_points,
)


def reason_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Say what does not meet its limit, and what is not shown and why."""
    failed = _points(findings, Verdict.DOES_NOT_MEET, wording)
    does_not_meet = Section("failed", wording.say("What does not meet its limit"), failed)
    title = wording.say("What this recording does not show")
    not_shown = Section("not-shown", title, _not_shown(findings, wording))
    return (does_not_meet, not_shown) if failed else (not_shown,)


def _points(findings: Findings, verdict: Verdict, wording: Wording) -> tuple[Block, ...]:
    items = tuple(
        Item(
            (verdict_run(point.verdict), Run(f" {point.name}, ")),
            (*wording.lines(point.lines), *wording.say(f": {point.sentence}")),
        )
        for point in open_points(findings)
        if point.verdict is verdict
    )
    return (Items(items),) if items else ()


def _not_shown(findings: Findings, wording: Wording) -> tuple[Block, ...]:
    lead = (verdict_run(Verdict.NOT_SHOWN), Run(" "))
    blocks = [
        *_points(findings, Verdict.NOT_SHOWN, wording), *_refused(findings, wording, lead)
    ]  # fmt: skip
    if not blocks:
        blocks.append(Paragraph(wording.say("Every check that has a limit was shown.")))
    named: dict[str, list[str]] = {}
    for channel in findings.channels.values():
        for finding in channel.findings:
            if finding.verdict is Verdict.NOT_SHOWN and not finding.limit:
                named.setdefault(finding.name, []).append(channel.line)
    if named:
        words = (Run("Not shown either, with no limit at stake: "), *wording.grouped(named))
        why = Run(" The channels' pages say why.")
        blocks.append(Paragraph((*words, why), quiet=True))
    return tuple(blocks)


def _refused(findings: Findings, wording: Wording, lead: Words = ()) -> tuple[Block, ...]:
    """List the lines that carry no servo pulses, and why."""
    items = tuple(
        Item((*lead, line_run(channel.line)), wording.say(f": {channel.not_servo}"))
        for channel in findings.channels.values()
        if channel.not_servo is not None
    )
    return (Items(items),) if items else ()


def advice_section(
    findings: Findings, wording: Wording, advice: tuple[str, ...], cautions: tuple[str, ...]
) -> Section:
    """Say what to change, then what to record next."""
    changes = (
        *(Item((), wording.say(sentence)) for sentence in advice),
        *_changes(findings, wording),
    )
    nothing = wording.say("Nothing that was measured breaks a limit, so nothing has to be changed.")
    first = Items(changes) if changes else Paragraph(nothing)
    blocks = (first, *_next_recording(findings, wording, cautions))
    return Section("change", wording.say("What to change"), blocks)


def _changes(findings: Findings, wording: Wording) -> Iterator[Item]:
    lines: dict[tuple[str, str], list[str]] = {}
    for point in open_points(findings):
        if point.verdict is Verdict.DOES_NOT_MEET:
            lines.setdefault((point.name, point.limit), []).extend(point.lines)
    for (name, limit), named in lines.items():
        said = (
            f": {name} does not meet its limit ({limit}). Change the setting, the plug or the part "
            "behind it, and record again."
        )
        in_order = [line for line in findings.channels if line in named]
        yield Item((), (*wording.lines(in_order), *wording.say(said)))


def _next_recording(
    findings: Findings, wording: Wording, cautions: tuple[str, ...]
) -> tuple[Block, ...]:
    asked: dict[str, dict[str, list[str]]] = {}
    silent = False
    for channel in findings.channels.values():
        for name, to_do in _to_do(channel):
            silent = silent or name == "signal loss"
            if to_do:
                asked.setdefault(to_do, {}).setdefault(name, []).append(channel.line)
    items = [
        Item((), (*wording.say(f"{to_do} It would show: "), *wording.grouped(shows)))
        for to_do, shows in asked.items()
    ]
    if silent:
        steps = " ".join(procedure(findings.limits.failsafe_s))
        items.insert(0, Item((Run("To show a signal loss: ", Look.STRONG),), wording.say(steps)))
    if not items:
        return ()
    first = (Run("Before you power anything: ", Look.STRONG), *wording.say(" ".join(cautions)))
    return (
        Paragraph((Run("To record next, for what is not shown:", Look.STRONG),)),
        Paragraph(first),
        Items(tuple(items)),
    )


def _to_do(channel: ChannelFindings) -> Iterator[tuple[str, str]]:
    """Give what to do about all that is not shown, about each single loss too."""
    for finding in channel.findings:
        if finding.verdict is Verdict.NOT_SHOWN:
            yield finding.name, finding.to_do
    for event in () if channel.losses is None else channel.losses.events:
        if event.verdict is Verdict.NOT_SHOWN and isinstance(event.reason, Reason):
            yield "signal loss", event.reason.to_do


MAX_EVENTS: Final = 40
"""Losses of one line that are told one by one; the table of every loss has all."""
MAX_STRIPS: Final = 6
"""Lines whose width over time is drawn before the folds; the others' is in their own."""
MAX_DRAWN: Final = 16
"""Lines of which frames, width and histogram are drawn in full; of the others the width alone."""
GROUP: Final = 6
"""Lines that stand side by side in one table."""
_CARD: Final = Room(0, (300.0, 96.0), 80, 40, 300, 400)
MAX_SPANS: Final = 3
"""Time spans that are named for one finding; the JSON names all."""


def _figure_section(findings: Findings, wording: Wording) -> Section:
    """Put every figure of every channel into tables, a row for each figure."""
    servo = [c for c in findings.channels.values() if c.not_servo is None]
    blocks: list[Block] = []
    for first in range(0, len(servo), GROUP):
        group = servo[first : first + GROUP]
        names = dict.fromkeys(f.name for channel in group for f in channel.findings)
        rows = [
            (
                wording.say(name),
                *(_figure_of(channel, name, wording) for channel in group),
                wording.say(_limit_of(group, name)),
            )
            for name in names
        ]
        heads = ("what", *(line_run(channel.line).text for channel in group), "limit")
        caption = "Every figure of each line; ± is the expanded uncertainty, k = 2 (about 95 %)."
        shares = (1.2, *(1.0,) * len(group), 1.0)
        blocks.append(Table(caption, heads, tuple(rows), shares, figures=True))
    blocks += _refused(findings, wording)
    nothing = Paragraph(wording.say("The recording holds no line to measure."))
    title = wording.say("Every figure")
    return Section("figures", title, tuple(blocks) or (nothing,), is_folded=True)


def _limit_of(channels: list[ChannelFindings], name: str) -> str:
    """Give the limit of a figure; of lines with limits of their own, each."""
    limits = (f.limit for channel in channels for f in channel.findings if f.name == name)
    return "; ".join(dict.fromkeys(filter(None, limits)))


def _figure_of(channel: ChannelFindings, name: str, wording: Wording) -> Words:
    finding = next((found for found in channel.findings if found.name == name), None)
    if finding is None:
        return ()
    if finding.value is None or finding.verdict is None or not finding.limit:
        return wording.value(finding)
    return (*wording.value(finding), Run(" "), verdict_run(finding.verdict))


def _together_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Tell what the lines show together, if anything."""
    sections = [_sensor_section(sensor, wording) for sensor in findings.sensors.values()]
    if findings.recording_findings:
        rows = tuple(_measured_row(finding, wording) for finding in findings.recording_findings)
        table = _measured_table("What the lines show together; measured, with no limit.", rows)
        title = wording.say("The lines together")
        sections.append(Section("whole", title, (table,), is_folded=True))
    return tuple(sections)


def _sensor_section(sensor: SensorFindings, wording: Wording) -> Section:
    """Tell what a rotation or supply line shows."""
    of = wording.say("" if sensor.of is None else f" of {sensor.of}")
    title = (Run(f"{sensor.role.capitalize()} line "), line_run(sensor.line), *of)
    if sensor.role == "link":
        title = wording.say("Link record")
    rows = tuple(
        (
            wording.say(finding.name),
            wording.value(finding),
            (verdict_run(finding.verdict),) if finding.limit else (),
            wording.say(finding.sentence),
        )
        for finding in sensor.findings
    )
    heads, shares = ("what", "value", "verdict", "in words"), (1.5, 1.9, 1.2, 5.4)
    table = Table("What the sensor's line shows.", heads, rows, shares)
    return Section(f"sensor-{sensor.role}-{sensor.of or 'all'}", title, (table,), is_folded=True)


def _channel_sections(findings: Findings, answer: Answer, wording: Wording) -> tuple[Section, ...]:
    """Tell everything about each channel, under the verdict of its card where it has one."""
    verdicts = {card.line: card.verdict for card in answer.cards}
    worst_first = dict.fromkeys((*verdicts, *findings.channels))
    drawn = set(list(worst_first)[:MAX_DRAWN])
    sections = []
    for number, (line, channel) in enumerate(findings.channels.items(), start=1):
        verdict = verdict_run(verdicts.get(line, channel.verdict))
        title = (Run("Channel "), line_run(line), Run(" "), verdict)
        blocks = _channel(number, channel, findings.capture, wording, in_full=line in drawn)
        name = f"channel-{number}"
        sections.append(Section(name, title, blocks, is_folded=True, is_on_paper=False))
    return tuple(sections)


def _channel(
    number: int, channel: ChannelFindings, capture: Capture, wording: Wording, *, in_full: bool
) -> tuple[Block, ...]:
    told = channel_sentence(channel)
    blocks: list[Block] = [Paragraph(wording.say(told[:1].upper() + told[1:]))]
    if in_full:
        blocks += [
            Figure(compacted(picture), f"Picture {i} of channel {number}")
            for i, picture in enumerate(draw_channel(channel, capture), start=1)
        ]
    elif strip := width_strip(channel, Span(capture.start_s, capture.end_s)):
        drawn = Drawn((line_run(channel.line),), strip.svg, strip.alt)
        caption = (
            f"{MAX_DRAWN} lines are drawn in full. This line's frames and its histogram are left "
            "out. A report on fewer lines has them."
        )
        blocks.append(Strips((drawn,), caption))
    if len(blocks) == 1:
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
    if channel.losses is not None and channel.losses.events:
        blocks += _losses(channel.losses.events, wording)
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
    if (left := len(events) - MAX_EVENTS) > 0:
        said = f"And {left} more; the table of every loss has them all."
        blocks.append(Paragraph(wording.say(said)))
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
    what = (
        "Where in the recording each answer rests: seconds since its start, pulses used, "
        f"rows of the line's pulse table. At most {MAX_SPANS} stretches are named here; "
        "findings.json names all."
    )
    blocks: list[Block] = [Paragraph(wording.say(what))]
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
    title = wording.say("The evidence")
    return Section("evidence", title, tuple(blocks), is_folded=True, is_on_paper=False)


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
        "The time between the two crossings of the analyser's logic threshold. That stands for "
        "the mid reference level (pulse duration, IEEE Std 181). The leading edges of consecutive "
        "frames give the frame period.",
    ),
    (
        "Jitter",
        "Width jitter is the RMS scatter of the width about its mean in each dwell, pooled over "
        "the dwells. Period jitter follows IEEE Std 2414.",
    ),
    (
        "Sampling floor",
        "What sampling alone adds to an interval between two sampled edges. For a sample interval "
        "Ts it is Ts/√6 RMS (triangular distribution, JCGM 100). Scatter near the floor is the "
        "analyser's, not the receiver's.",
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
        "quadrature (JCGM 100). ± gives twice that, about 95 %.",
    ),
    (
        "Verdicts",
        "'meets': the value lies within the limit with its uncertainty. 'does not meet': it lies "
        "outside with its uncertainty. 'not shown': this recording does not tell, or the limit "
        "lies within the uncertainty. It is no pass.",
    ),
)


def _method_sections(analysis: Answered, number: int, wording: Wording) -> tuple[Section, ...]:
    """Write the closing sections."""
    findings = analysis.findings[number]
    conventions = tuple(
        ("Convention", wording.text(f"{convention.name}: {convention.source}."))
        for convention in findings.conventions
    )
    limits = ("Limits", wording.text(f"{findings.limits.source}."))
    of_check = [] if analysis.sheet is None else assumptions(analysis.failsafe)
    assumed = tuple(
        Item((), wording.say(sentence))
        for sentence in dict.fromkeys((*findings.assumptions, *of_check))
    )
    terms = Terms((*_METHOD, *conventions, limits))
    return (
        Section("method", wording.say("How it was measured"), (terms,), is_folded=True),
        Section("assumed", wording.say("What was assumed"), (Items(assumed),), is_folded=True),
        Section("rulebook", wording.say("Who decides"), (Paragraph(wording.say(_DEFERRAL)),)),
    )


_DEFERRAL: Final = (
    f"{RULEBOOK} This document says what was measured and against which limit. It does not say "
    "that a robot may be powered or may compete. What it does not show may still go wrong."
)


def compose(analysis: Answered, number: int = 0, advice: tuple[str, ...] = ()) -> Document:
    """Put everything found in one recording of an analysis in order."""
    findings, sheet, wording = analysis.findings[number], analysis.sheet, _wording(analysis, number)
    file = analysis.recordings[number].file
    sha256 = "" if file is None else file_hash(file)
    cautions = CAUTIONS if sheet is None else sheet.cautions
    sections = (
        *_width_sections(findings, wording),
        *(replace(part, is_folded=True) for part in reason_sections(findings, wording)),
        replace(advice_section(findings, wording, advice, cautions), is_folded=True),
        _figure_section(findings, wording),
        *_loss_sections(analysis.failsafe, wording),
        *_bench_pictures(findings, sheet, wording),
        *_together_sections(findings, wording),
        *_channel_sections(findings, analysis.answer, wording),
        _evidence_section(findings, wording),
        _recording_section(findings, sheet, sha256, wording),
        *_method_sections(analysis, number, wording),
    )
    return _document(analysis, number, sections, "Receiver outputs in ", sha256)


def compose_answer(analysis: Answered, number: int = 0) -> Document:
    """Put the answer about one recording in order: `compose` without what takes long to draw."""
    findings, wording = analysis.findings[number], _wording(analysis, number)
    sections = (
        *_width_sections(findings, wording),
        *(replace(part, is_folded=True) for part in reason_sections(findings, wording)),
        *_loss_sections(analysis.failsafe, wording),
        _figure_section(findings, wording),
        *_together_sections(findings, wording),
        *_method_sections(analysis, number, wording),
    )
    document = _document(analysis, number, sections)
    devices = tuple(replace(device, target="") for device in document.front.devices)
    return replace(document, front=replace(document.front, devices=devices))


def _document(
    analysis: Answered,
    number: int,
    sections: tuple[Section, ...],
    nobody: str = "",
    sha256: str = "",
) -> Document:
    """Put a title and the answer before sections; `nobody` stands where no robot is named."""
    findings, sheet, wording = analysis.findings[number], analysis.sheet, _wording(analysis, number)
    file = file_name(findings.capture.source)
    robot = "" if sheet is None else wording.text(sheet.robot)
    title = f"{robot}: {file}" if robot else f"{nobody}{file}"
    about, front = _about(findings, sheet, wording), compose_front(analysis, number)
    return Document(title, file, about, sha256, __version__, front, sections)


def _wording(analysis: Answered, number: int) -> Wording:
    others = [line.line for line in analysis.failsafe.lines]
    return Wording.of(analysis.findings[number], others)


def compose_front(analysis: Answered, number: int = 0) -> Front:
    """Collect the answer, with the travel that one of the recordings shows."""
    findings, wording = analysis.findings[number], _wording(analysis, number)
    check = analysis.failsafe
    lines = {line.line: line for line in check.lines}
    trials = max((len(line.all_losses) for line in check.lines), default=0)
    slowest = "" if check.slowest_s is None else f"Slowest stop {check.slowest_s:.2f} s. "
    return Front(
        wording.text(analysis.answer.headline),
        analysis.answer.verdict.value,
        f"{slowest}{trials or 'No'} loss{'' if trials == 1 else 'es'} recorded. "
        f"Limit {check.limits.failsafe_s:g} s.",
        tuple(wording.text(str(hazard).removeprefix("! ")) for hazard in analysis.answer.hazards),
        tuple(
            _card(card, lines.get(card.line), check.limits.failsafe_s, findings, wording)
            for card in analysis.answer.cards
        ),
        tuple(wording.text(action.sentence) for action in analysis.answer.actions),
        tuple(wording.text(action.sentence) for action in analysis.answer.further),
        tuple(map(wording.text, analysis.answer.left_out)),
        CAUTIONS if analysis.sheet is None else analysis.sheet.cautions,
    )


def _card(
    card: Card, line: FailsafeLine | None, limit_s: float, findings: Findings, wording: Wording
) -> Device:
    """Collect a card for the screen: with travel, neutral and jitter, and the way to the rest."""
    device = make_device(card, line, limit_s, _CARD, wording, ink=SCREEN)
    channel = findings.channels.get(card.line)
    if channel is None:
        return device
    number = list(findings.channels).index(card.line) + 1
    return replace(
        device, ruler=travel_ruler(channel), rest=_rest(channel), target=f"channel-{number}"
    )


def _rest(channel: ChannelFindings) -> str:
    """Say a line's neutral, ends, jitter and frame rate in one line."""
    if channel.timing is None or channel.travel is None:
        return ""
    travel, told = channel.travel, []
    if travel.neutral is not None:
        told.append(f"neutral {travel.neutral.width_us:.1f} us")
    ends = [f"{level.width_us:.0f}" for level in (travel.low, travel.high) if level is not None]
    if ends:
        told.append(f"end{'s' if len(ends) > 1 else ''} {' and '.join(ends)} us")
    jitter_us = channel.timing.own_width_jitter_us.rms
    if jitter_us is not None:
        told.append(f"jitter {jitter_us:.2f} us")
    if channel.timing.frame_rate_hz is not None:
        told.append(f"{channel.timing.frame_rate_hz:.2f} frames a second")
    told += filter(None, [format_link([channel.freshness])])
    return ", ".join(told)


def _width_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Draw each line's width over the whole recording, side by side."""
    recorded = Span(findings.capture.start_s, findings.capture.end_s)
    strips = {c.line: width_strip(c, recorded) for c in list(findings.servo.values())[:MAX_STRIPS]}
    drawings = tuple(
        Drawn((line_run(line),), strip.svg, strip.alt)
        for line, strip in strips.items()
        if strip is not None
    )
    if not drawings:
        return ()
    left = len(findings.servo) - len(drawings)
    caption = (
        "Seconds since the start of the recording; width in us. Shaded: signal lost. Dotted: "
        "neutral and ends. Each column holds its least and its greatest width."
        + (f" {left} more lines are drawn in their own parts below." if left else "")
    )
    title = wording.say("Pulse width over time")
    return (Section("widths", title, (Strips(drawings, caption),)),)


def _loss_sections(check: Failsafe, wording: Wording) -> tuple[Section, ...]:
    """Put every loss of every line into tables, a row for each loss."""
    lines = [line for line in check.lines if line.losses]
    if not lines:
        return ()
    several = len(check.recordings) > 1
    moments = sorted(
        {(rec.source, event.lost_s) for line in lines for rec, event in line.losses},
        key=lambda moment: ([rec.source for rec in check.recordings].index(moment[0]), moment[1]),
    )
    tables = []
    for first in range(0, len(lines), GROUP):
        group = lines[first : first + GROUP]
        events = [{(rec.source, e.lost_s): e for rec, e in line.losses} for line in group]
        rows = tuple(
            (
                wording.say(f"{at_s:.3f} s" + (f" of {file_name(source)}" if several else "")),
                *(_loss_cell(found.get((source, at_s)), wording) for found in events),
            )
            for source, at_s in moments
        )
        heads = ("lost at", *(line_run(line.line).text for line in group))
        caption = (
            "Every loss: the verdict, what the output did, and the most time until its device "
            "was commanded to stand still."
        )
        shares = (1.0, *(1.3,) * len(group))
        tables.append(Table(caption, heads, rows, shares, figures=True))
    tables += _state_tables(check, wording)
    return (Section("losses", wording.say("Every loss"), tuple(tables), is_folded=True),)


def _state_tables(check: Failsafe, wording: Wording) -> Iterator[Table]:
    """Put what each device does in each state of the link into tables."""
    cells = {(cell.state, cell.line): cell for cell in link_states(check)}
    lines = list(dict.fromkeys(line for _, line in cells))
    for first in range(0, len(lines), GROUP):
        group = lines[first : first + GROUP]
        rows = tuple(
            (wording.say(each.value), *(_state_cell(cells[each, name], wording) for name in group))
            for each in LinkState
        )
        heads = ("state of the link", *(line_run(name).text for name in group))
        yield Table(
            "What each device was shown to do in each state of the link.",
            heads, rows, (1.6, *(1.0,) * len(group)), figures=True,
        )  # fmt: skip


def _state_cell(cell: StateOfLine, wording: Wording) -> Words:
    if cell.verdict is None:
        return wording.say(format_state(cell))
    return (verdict_run(cell.verdict), *wording.say("" if cell.seen else " (not recorded)"))


def _loss_cell(event: LossEvent | None, wording: Wording) -> Words:
    if event is None:
        return ()
    did = "restart" if event.is_restart else event.behaviour.value if event.behaviour else ""
    level = "" if event.preset_us is None else f" {event.preset_us:.0f} us"
    bounds_s = event.stop_bounds_s
    took = "" if bounds_s is None else f", {bounds_s[1]:.2f} s"
    told = wording.say(f" {did}{level}{took}")
    return told if event.verdict is None else (verdict_run(event.verdict), *told)


def _about(findings: Findings, sheet: BenchSheet | None, wording: Wording) -> tuple[str, ...]:
    """Say in a line how long the recording is, and whose robot it is of."""
    said = [] if sheet is None else [wording.text(sheet.club), wording.text(sheet.rulebook)]
    if sheet is not None and sheet.receiver.device:
        said.append(wording.text(sheet.receiver.device))
    said.insert(0, f"{findings.capture.duration_s:.1f} s recorded")
    return (" \u00b7 ".join(filter(None, said)),)


def _recording_section(
    findings: Findings, sheet: BenchSheet | None, sha256: str, wording: Wording
) -> Section:
    """Say what was recorded, and with which bench sheet."""
    capture = findings.capture
    begun = f"examined, from {capture.start_s:.3f} s on" if capture.start_ps else "recorded"
    count = len(capture.lines)
    rate = (
        "sample rate not known"
        if capture.sample_interval_ps is None
        else f"{format_rate(capture.sample_interval_ps)}, one sample each "
        f"{format_interval(capture.sample_interval_ps)}"
    )
    said = [
        f"File: {file_name(capture.source)}.",
        f"{capture.duration_s:.3f} s {begun}, {count} line{'' if count == 1 else 's'}, {rate}.",
        f"Measured by pwmscope {__version__}.",
    ]
    if sha256:
        said.append(f"SHA-256: {sha256}")
    if sheet is not None:
        named = (("Robot", sheet.robot), ("Club", sheet.club), ("Rulebook", sheet.rulebook))
        told = [f"{what}: {wording.text(name)}" for what, name in named if name]
        said.append(". ".join((*told, f"Bench sheet: {file_name(sheet.source)}")) + ".")
    items = tuple(Item((), wording.say(line)) for line in said)
    return Section("recording", wording.say("The recording"), (Items(items),), is_folded=True)


def _bench_pictures(
    findings: Findings, sheet: BenchSheet | None, wording: Wording
) -> tuple[Section, ...]:
    """Draw what concerns all lines together, where there is such a thing."""
    blocks = tuple(_block_of(picture, wording) for picture in bench_pictures(findings, sheet))
    if not blocks:
        return ()
    title = wording.say("The bench, drawn")
    return (Section("together-drawn", title, blocks, is_folded=True, is_on_paper=False),)


_SMALL_PX: Final = 200.0


def _block_of(picture: Picture, wording: Wording) -> Block:
    """Set a picture's small drawings side by side; one in one piece stands as it is."""
    if not picture.tiles:
        return Figure(compacted(picture), f"Picture of the bench: {picture.name}")
    drawings = tuple(Drawn(wording.say(t.title), t.svg, t.alt) for t in picture.tiles)
    are_small = all(tile.size[0] <= _SMALL_PX for tile in picture.tiles)
    return Strips(drawings, wording.text(picture.caption), are_small=are_small)
