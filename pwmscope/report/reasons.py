"""The reasons behind an answer: what does not meet, what is not shown, what to change."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

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


_DOING: Final = re.compile(
    r"(record|move|sweep|hold|give|start|state|name|put|bring|switch|probe|keep|wait|check|choose|"
    r"add|to show|lengthen|let|press|use|with the|once more|weapon removed|while recording|do|mark|"
    r"follow|leave)\b",
    re.IGNORECASE,
)
"""How a clause begins that tells what to do."""


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
        for name, sentence in _reasons(channel):
            silent = silent or name == "signal loss"
            for clause in what_to_do(sentence):
                asked.setdefault(clause, {}).setdefault(name, []).append(channel.line)
    items = [
        Item((), (*wording.say(f"{clause} It would show: "), *wording.grouped(shows)))
        for clause, shows in asked.items()
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


def _reasons(channel: ChannelFindings) -> Iterator[tuple[str, str]]:
    """Give the reason of all that is not shown, of each single loss too."""
    for finding in channel.findings:
        if finding.verdict is Verdict.NOT_SHOWN:
            yield finding.name, finding.sentence
    for event in () if channel.losses is None else channel.losses.events:
        if event.verdict is Verdict.NOT_SHOWN:
            yield "signal loss", event.reason


def what_to_do(sentence: str) -> tuple[str, ...]:
    """Take out of a finding's sentence the clauses that tell what to do.

    Examples
    --------
    >>> what_to_do("Only 3 s were seen, too short to tell; record at least 30 s.")
    ('Record at least 30 s.',)
    >>> what_to_do("The steps are finer than 1.8 us.")
    ()
    """
    clauses = re.split(r"(?<=[.;])\s+", sentence)
    kept: list[str] = []
    following = False
    for clause in clauses:
        begins = _DOING.match(clause) is not None
        if begins and following:
            kept[-1] = f"{kept[-1]} {clause}"
        elif begins:
            kept.append(clause[:1].upper() + clause[1:])
        following = begins
    return tuple(clause.rstrip(".;") + "." for clause in kept)
