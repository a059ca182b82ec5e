"""The first part of a document: the answer, what was found per line, and what to do."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from pwmscope.findings import ChannelFindings, Findings, Verdict
from pwmscope.findings.failsafe import Failsafe, FailsafeLine
from pwmscope.model import Hazard, HazardKind
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
from pwmscope.report.failsafe_text import overall_failsafe_sentence, procedure
from pwmscope.report.sentences import (
    RULEBOOK,
    channel_sentence,
    open_points,
    overall_sentence,
)

_NO_HAZARD = (
    "None was found. This does not prove that there is none. pwmscope knows only some kinds, and "
    "only this recording."
)


def front_sections(
    findings: Findings, check: Failsafe | None, wording: Wording
) -> tuple[Section, ...]:
    """Write what stands on the first page."""
    failed = _points(findings, Verdict.DOES_NOT_MEET, wording)
    return (
        _answers(findings, check, wording),
        *((Section("failed", wording.say("What does not meet its limit"), failed),) * bool(failed)),
        Section("hazards", wording.say("Hazards"), _hazards(findings, check, wording)),
        Section(
            "not-shown",
            wording.say("What this recording does not show"),
            _not_shown(findings, wording),
        ),
    )


def _answers(findings: Findings, check: Failsafe | None, wording: Wording) -> Section:
    first = (Run(overall_sentence(findings), Look.STRONG), Run(f" {RULEBOOK}"))
    blocks: list[Block] = [Paragraph(first)]
    if check is not None:
        told = wording.text(overall_failsafe_sentence(check))
        blocks.append(Paragraph((Run("Failsafe check: ", Look.STRONG), Run(told))))
    blocks.append(Items(_in_short(findings, wording)))
    of_line = {} if check is None else {line.line: line for line in check.lines}
    items = [
        _channel_item(number, channel, of_line.get(channel.line), wording)
        for number, channel in enumerate(findings.channels.values(), start=1)
    ]
    items += [
        Item(
            (line_run(name), *_about(line, wording), Run(" "), verdict_run(line.verdict)),
            wording.say(line.sentence),
        )
        for name, line in of_line.items()
        if name not in findings.channels
    ]
    blocks.append(Items(tuple(items), wide=True))
    limits = dict.fromkeys(
        f"{finding.name}: {finding.limit}"
        for channel in findings.channels.values()
        for finding in channel.judged
    )
    if limits:
        held = "Held against these limits: " + "; ".join(_together(list(limits))) + "."
        blocks.append(Paragraph((Run(_plain_list(held, wording)),), quiet=True))
    return Section("answers", wording.say("The answers"), tuple(blocks))


def _in_short(findings: Findings, wording: Wording) -> tuple[Item, ...]:
    """Say which checks have which verdict, however many channels there are."""
    items = []
    for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS):
        named: dict[str, list[str]] = {}
        for channel in findings.channels.values():
            for finding in channel.judged:
                if finding.verdict is verdict:
                    named.setdefault(finding.name, []).append(channel.line)
            if channel.not_servo is not None and verdict is Verdict.NOT_SHOWN:
                named.setdefault("servo pulses", []).append(channel.line)
        if named:
            items.append(Item((verdict_run(verdict), Run(" ")), wording.grouped(named)))
    return tuple(items)


def _seen_hazards(findings: Findings, check: Failsafe | None) -> tuple[Hazard, ...]:
    if check is not None:
        return check.hazards
    losses = (channel.silence for channel in findings.channels.values())
    return tuple(hazard for own in losses if own is not None for hazard in own.hazards)


def _plain_list(sentence: str, wording: Wording) -> str:
    """Write a list that may be longer than a sentence, part by part."""
    return "; ".join(wording.text(part) for part in sentence.split("; "))


def _together(limits: list[str]) -> list[str]:
    """Say a limit that several findings share once."""
    names: dict[str, list[str]] = {}
    for said in limits:
        name, _, limit = said.partition(": ")
        names.setdefault(limit, []).append(name)
    return [f"{', '.join(dict.fromkeys(of))}: {limit}" for limit, of in names.items()]


def _channel_item(
    number: int, channel: ChannelFindings, line: FailsafeLine | None, wording: Wording
) -> Item:
    told = channel_sentence(channel)
    body = wording.say(told[:1].upper() + told[1:])
    if line is not None and not channel.not_servo:
        said = (Run(" Failsafe check: "), verdict_run(line.verdict))
        body = (*body, *said, *wording.say(f". {line.sentence}"))
    return Item(
        (
            line_run(channel.line, f"channel-{number}"),
            *_about(line, wording),
            Run(" "),
            verdict_run(channel.verdict),
        ),
        body,
    )


def _about(line: FailsafeLine | None, wording: Wording) -> Words:
    if line is None:
        return ()
    about = ", ".join(part for part in (line.expected.role or "", line.device) if part)
    return wording.say(f" ({about})") if about else ()


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


def _hazards(findings: Findings, check: Failsafe | None, wording: Wording) -> tuple[Block, ...]:
    hazards = _seen_hazards(findings, check)
    if not hazards:
        return (Paragraph(wording.say(_NO_HAZARD)),)
    rest = "Bring the sticks to rest before you switch the transmitter on."
    held = any(hazard.kind is HazardKind.STICK_HELD for hazard in hazards)
    return (
        Items(tuple(Item((), wording.say(hazard.sentence)) for hazard in hazards)),
        *((Paragraph(wording.say(rest)),) * held),
    )


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
    r"add|to show|lengthen|let|press|use|with the|once more)\b",
    re.IGNORECASE,
)
"""How a clause begins that tells what to do."""
_WHICH_LOSS: Final = re.compile(r" \(loss at [^)]*\)$")


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
    for event in () if channel.silence is None else channel.silence.events:
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
        if begins and following and kept and kept[-1].endswith(";"):
            kept[-1] = f"{kept[-1]} {clause}"
        elif begins:
            kept.append(clause[:1].upper() + clause[1:])
        following = begins
    return tuple(_WHICH_LOSS.sub("", clause.rstrip(".;")) + "." for clause in kept)
