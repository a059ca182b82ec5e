"""Delay and transfer as text and as data (docs/lag.schema.json)."""

from __future__ import annotations

from typing import Final

from rich.console import Console
from rich.text import Text

from pwmscope.capture import Capture
from pwmscope.findings import Finding
from pwmscope.findings.lag import Follows, Lag
from pwmscope.model import format_plainly
from pwmscope.report.data import Json, finding_data, json_text
from pwmscope.report.sentences import RULEBOOK, format_value, wrapped

SCHEMA: Final = 1
FIXED: Final = (
    "An edge is timed at the first sample that shows it.",
    "The analyser's clock is taken to be right within 100 ppm (common practice).",
    "Delays are from leading edge to leading edge, over the whole recording; no signal loss is "
    "taken out.",
)
"""Assumptions behind every delay, beside those made while reading."""


def print_lag(capture: Capture, lag: Lag, assumptions: tuple[str, ...], console: Console) -> None:
    """Print a delay: the answer, what it rests on, what is not shown, the assumptions."""
    console.print(Text(_wrapped(lag.answer.sentence, console), style="bold"))
    evidence = [f for f in lag.findings[1:] if f.value is not None]
    _section("Measured", [_said(finding) for finding in evidence], console)
    reasons: dict[str, list[str]] = {}
    for finding in lag.findings[1:]:
        if finding.value is None:
            reasons.setdefault(finding.sentence, []).append(finding.name)
    hidden = [f"{', '.join(names)}: {reason}" for reason, names in reasons.items()]
    _section("Not shown, and why", hidden, console)
    _last(capture, assumptions, console)


def print_follows(
    capture: Capture, follows: Follows, assumptions: tuple[str, ...], console: Console
) -> None:
    """Print which lines follow which."""
    count = sum(finding.value is not None for finding in follows.findings)
    lines = "one line follows" if count == 1 else f"{count or 'no'} lines follow"
    answer = f"In {capture.source} {lines} another."
    console.print(Text(_wrapped(answer, console), style="bold"))
    for heading, shown in (("Measured", True), ("Not shown, and why", False)):
        told = [f.sentence for f in follows.findings if (f.value is not None) is shown]
        _section(heading, told, console)
    _last(capture, assumptions, console)


def _said(finding: Finding) -> str:
    return f"{finding.name}, {format_value(finding)}: {finding.sentence}"


def _section(heading: str, sentences: list[str], console: Console) -> None:
    if not sentences:
        return
    console.print()
    console.print(Text(heading, style="bold"))
    for sentence in sentences:
        console.print(Text(_wrapped(sentence, console, "  - ", "    ")))


def _last(capture: Capture, assumptions: tuple[str, ...], console: Console) -> None:
    _section("Assumed", [f"The recording is {capture.source}.", *assumptions], console)
    console.print()
    console.print(Text(_wrapped(RULEBOOK, console)))


def _wrapped(sentence: str, console: Console, first: str = "", next_lines: str = "") -> str:
    return wrapped(format_plainly(sentence), console, first, next_lines)


def lag_to_json(capture: Capture, lag: Lag, assumptions: tuple[str, ...]) -> str:
    """Write a delay as JSON text, following schema 1 of docs/lag.schema.json."""
    delay = lag.delay
    told: dict[str, Json] | None = None
    if delay is not None:
        told = {
            "by": "content" if lag.by_content else "edges",
            "pulses": int(delay.late_us.size),
            "median_us": delay.median_us,
            "least_us": delay.low_us,
            "greatest_us": delay.high_us,
            "interval_us": list(delay.interval_us),
            "uncertainty_us": delay.uncertainty_us,
            "frames_late": delay.frames if lag.by_content else None,
            "starts": delay.trigger.value,
        }
    return _json(
        capture, assumptions,
        {
            "input": lag.source,
            "output": lag.output,
            "mixed_with": list(lag.others),
            "delay": told,
            "findings": [finding_data(finding) for finding in lag.findings],
        },
    )  # fmt: skip


def follows_to_json(capture: Capture, follows: Follows, assumptions: tuple[str, ...]) -> str:
    """Write which lines follow which as JSON text, following the same schema."""
    pairs: list[Json] = [
        {
            "input": pair.source,
            "output": pair.output,
            "delay_us": pair.late_us,
            "unexplained": pair.unexplained,
            "together": pair.side_by_side,
        }
        for pair in follows.pairs
    ]
    findings: list[Json] = [finding_data(finding) for finding in follows.findings]
    return _json(capture, assumptions, {"follows": pairs, "findings": findings})


def _json(capture: Capture, assumptions: tuple[str, ...], rest: dict[str, Json]) -> str:
    data: dict[str, Json] = {
        "schema": SCHEMA,
        "capture": {
            "source": capture.source,
            "duration_s": capture.duration_s,
            "sample_interval_ps": capture.sample_interval_ps,
            "assumptions": list(assumptions),
        },
        **rest,
    }
    return json_text(data)
