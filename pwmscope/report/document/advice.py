"""What to change, and what to record next, as far as the findings themselves say it."""

from __future__ import annotations

import re
from typing import Final

from pwmscope.findings import Findings, Verdict
from pwmscope.report.document.blocks import Block, Item, Items, Look, Paragraph, Run, Section
from pwmscope.report.document.words import Wording, verdict_run
from pwmscope.report.failsafe_text import procedure
from pwmscope.report.sentences import OpenPoint, open_points

_DOING: Final = frozenset(
    "record move sweep hold give start state name put bring switch probe keep wait check "
    "choose add show lengthen let press use".split()
)
"""First words of a clause that tells what to do."""


def advice_section(
    findings: Findings, wording: Wording, advice: tuple[str, ...], cautions: tuple[str, ...]
) -> Section:
    """Say what to change, then what to record next.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.
    wording : Wording
        For the recording's names.
    advice : tuple of str
        Sentences that advise settings; they come first.
    cautions : tuple of str
        What to do before anything is powered.

    Returns
    -------
    Section
    """
    points = open_points(findings)
    failed = [p for p in points if p.verdict is Verdict.DOES_NOT_MEET]
    changes = [
        *(Item((), wording.say(sentence)) for sentence in advice),
        *(Item((), _change(point, wording)) for point in failed),
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


def _change(point: OpenPoint, wording: Wording) -> tuple[Run, ...]:
    return (
        *wording.lines(point.lines),
        *wording.say(f": bring the {point.name} within its limit, {point.limit}. {point.sentence}"),
    )


def _next_recording(
    findings: Findings, wording: Wording, cautions: tuple[str, ...]
) -> tuple[Block, ...]:
    asked: dict[str, dict[str, list[str]]] = {}
    silent = False
    for channel in findings.channels.values():
        for finding in channel.findings:
            if finding.verdict is not Verdict.NOT_SHOWN:
                continue
            silent = silent or finding.name == "signal loss"
            for clause in what_to_do(finding.sentence):
                asked.setdefault(clause, {}).setdefault(finding.name, []).append(channel.line)
    items = [
        Item((), (*wording.say(f"{clause} It would show: "), *_names(shows, wording)))
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


def _names(shows: dict[str, list[str]], wording: Wording) -> tuple[Run, ...]:
    """Name the findings, those of the same lines together."""
    together: dict[tuple[str, ...], list[str]] = {}
    for name, lines in shows.items():
        together.setdefault(tuple(lines), []).append(name)
    words: list[Run] = []
    for lines, names in together.items():
        words += [Run("; ")] if words else []
        words += [Run(f"{', '.join(names)} of "), *wording.lines(lines)]
    return (*words, Run("."))


def what_to_do(sentence: str) -> tuple[str, ...]:
    """Take out of a finding's sentence the clauses that tell what to do.

    Parameters
    ----------
    sentence : str
        A finding's sentence or sentences.

    Returns
    -------
    tuple of str
        Each as a sentence of its own.

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
        word = clause.partition(" ")[0].lower().strip(",;.")
        begins = word in _DOING or clause.lower().startswith("to show")
        if begins and following and kept and kept[-1].endswith(";"):
            kept[-1] = f"{kept[-1]} {clause}"
        elif begins:
            kept.append(clause[:1].upper() + clause[1:])
        following = begins
    return tuple(clause.rstrip(".;") + "." for clause in kept)
