"""What a finding means, how it was worked out and which pulses it rests on."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from rich.console import Console
from rich.text import Text

from pwmscope.errors import HintError
from pwmscope.findings import ChannelFindings, Evidence, Finding, Findings
from pwmscope.findings.definitions import DEFINITIONS
from pwmscope.model.definition import Definition
from pwmscope.report.sentences import RULEBOOK, say_line, say_value, say_verdict
from pwmscope.report.wrapping import wrapped

EVERYTHING = "all"
MOST_SPANS = 10
"""Spans of evidence that are listed for one finding and line."""


def print_explanations(findings: Findings, names: tuple[str, ...], console: Console) -> None:
    """Print definition, formula, source and evidence of some findings.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.
    names : tuple of str
        Names of findings, in any case; ``all`` stands for every one.
    console : rich Console
        Where to.

    Raises
    ------
    HintError
        If there is no finding of such a name.
    """
    for definition in _chosen(names):
        console.print(Text(definition.name, style="bold"))
        for label, words in (
            ("What it is", definition.meaning),
            ("Formula", definition.formula),
            ("Source", definition.source),
        ):
            _print_wrapped(console, f"{label}: {words}", "  ")
        for line, finding, channel in _found(findings, definition.name):
            console.print()
            said = f"{say_line(line)}: {say_value(finding)}, {say_verdict(finding)}."
            _print_wrapped(console, f"{said} {finding.sentence}", "  ")
            if finding.limit:
                _print_wrapped(console, f"Limit: {finding.limit}.", "    ")
            for words in _say_evidence(finding, channel):
                _print_wrapped(console, words, "    ")
        console.print()
    _print_wrapped(console, RULEBOOK, "")


def _print_wrapped(console: Console, words: str, indent: str) -> None:
    console.print(Text(wrapped(words, console, indent, indent + "  ")))


def _chosen(names: tuple[str, ...]) -> list[Definition]:
    wanted = {" ".join(name.lower().split()) for name in names}
    unknown = wanted - {EVERYTHING, *DEFINITIONS}
    if unknown:
        raise HintError(
            f"There is no finding '{min(unknown)}'; the findings are {', '.join(DEFINITIONS)}."
        )
    return [d for name, d in DEFINITIONS.items() if EVERYTHING in wanted or name in wanted]


def _found(findings: Findings, name: str) -> Iterator[tuple[str, Finding, ChannelFindings | None]]:
    for finding in findings.recording_findings:
        if finding.name == name:
            yield "whole recording", finding, None
    for line, channel in findings.channels.items():
        for finding in channel.findings:
            if finding.name == name:
                yield line, finding, channel


def _say_evidence(finding: Finding, channel: ChannelFindings | None) -> Iterator[str]:
    if not finding.evidence:
        yield "It rests on no pulses of its own."
    for span in finding.evidence[:MOST_SPANS]:
        yield f"Data used: {_say_span(span, channel)}."
    left = len(finding.evidence) - MOST_SPANS
    if left > 0:
        yield f"And {left} more time spans, which --json lists."


def _say_span(span: Evidence, channel: ChannelFindings | None) -> str:
    words = f"{span.start_s:.6f} to {span.end_s:.6f} s"
    if span.pulses:
        words += f", {span.pulses} pulse{'' if span.pulses == 1 else 's'}"
    if channel is None or span.first is None or span.last is None:
        return words
    words += f", rows {span.first} to {span.last} of the line's pulse table"
    table = channel.table
    rows = slice(span.first, span.last + 1)
    width_us = table.width_us[rows][table.measured[rows]]
    if not width_us.size:
        return words
    return (
        f"{words}; widths {np.min(width_us):.3f} to {np.max(width_us):.3f} us, "
        f"mean {np.mean(width_us):.3f} us"
    )
