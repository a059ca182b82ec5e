"""The reasons behind an answer: what does not meet, what is not shown, what to change."""

from __future__ import annotations

from collections.abc import Iterator

from pwmscope.errors import Reason
from pwmscope.findings import ChannelFindings, Findings, Verdict
from pwmscope.report.document import (
    Block,
    Item,
    Items,
    Look,
    Paragraph,
    Run,
    Section,
    Wording,
    Words,
    line_run,
    verdict_run,
)
from pwmscope.report.failsafe_text import procedure
from pwmscope.report.sentences import (
    open_points,
)


def reason_sections(findings: Findings, wording: Wording) -> tuple[Section, ...]:
    """Say what does not meet its limit, and what is not shown and why."""
    failed = _points(findings, Verdict.DOES_NOT_MEET, wording)
    does_not_meet = Section("failed", wording.say("What does not meet its limit"), failed)
    return (
        *((does_not_meet,) * bool(failed)),
        Section(
            "not-shown",
            wording.say("What this recording does not show"),
            _not_shown(findings, wording),
        ),
    )


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
    blocks = list(_points(findings, Verdict.NOT_SHOWN, wording))
    refused = tuple(
        Item((verdict_run(Verdict.NOT_SHOWN), Run(" ")), _refusal(channel, wording))
        for channel in findings.channels.values()
        if channel.not_servo is not None
    )
    blocks += [Items(refused)] * bool(refused)
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


def _refusal(channel: ChannelFindings, wording: Wording) -> Words:
    return (line_run(channel.line), *wording.say(f": {channel.not_servo}"))


def advice_section(
    findings: Findings, wording: Wording, advice: tuple[str, ...], cautions: tuple[str, ...]
) -> Section:
    """Say what to change, then what to record next."""
    changes = [
        *(Item((), wording.say(sentence)) for sentence in advice),
        *_changes(findings, wording),
    ]
    nothing = wording.say("Nothing that was measured breaks a limit, so nothing has to be changed.")
    return Section(
        "change",
        wording.say("What to change"),
        (
            Items(tuple(changes)) if changes else Paragraph(nothing),
            *_next_recording(findings, wording, cautions),
        ),
    )


def _changes(findings: Findings, wording: Wording) -> list[Item]:
    lines: dict[tuple[str, str], list[str]] = {}
    for point in open_points(findings):
        if point.verdict is Verdict.DOES_NOT_MEET:
            lines.setdefault((point.name, point.limit), []).extend(point.lines)
    return [
        Item((), (*wording.lines(_in_order(named, findings)), *wording.say(_bring(name, limit))))
        for (name, limit), named in lines.items()
    ]


def _in_order(named: list[str], findings: Findings) -> list[str]:
    return [line for line in findings.channels if line in named]


def _bring(name: str, limit: str) -> str:
    return (
        f": {name} does not meet its limit ({limit}). Change the setting, the plug or the part "
        "behind it, and record again."
    )


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
