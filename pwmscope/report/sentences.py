"""Sentences and number formats that all outputs share, fit for any screen and any line's name."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pwmscope.findings import ChannelFindings, Finding, Findings, Verdict
from pwmscope.findings.freshness import Freshness, format_share
from pwmscope.model import COVERAGE, WORST_FIRST, format_plainly
from pwmscope.pulses import Convention

_BEFORE_UNIT: Final = re.compile(r"(?<=[0-9]) (?=(?:us|ms|s|%|V|A|Hz|ohm)\b|%)")
_TIED: Final = "\ue000"
"""Stands for a blank at which no line breaks."""


def tied(sentence: str) -> str:
    """Tie each number to its unit."""
    return _BEFORE_UNIT.sub(_TIED, sentence)


def untied(text: str) -> str:
    """Put the blanks back."""
    return text.replace(_TIED, " ")


def wrapped(sentence: str, width: int, first: str = "", next_lines: str = "") -> str:
    """Break a sentence at the last column: between words, not before a unit or in a path.

    >>> print(wrapped("Look at tx-on for 20 us.", 16, "  - ", "    "))
      - Look at
        tx-on for
        20 us.
    """
    filled = textwrap.fill(
        tied(sentence), width, initial_indent=first, subsequent_indent=next_lines,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    return untied(filled)


def table_of(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, right: Iterable[int] = ()
) -> Table:
    """Lay out names and figures in columns; those numbered `right` stand to the right."""
    table = Table(
        box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, show_header=any(heads)
    )
    for head in heads:
        table.add_column(Text(head), overflow="fold")
    for number in right:
        table.columns[number].justify = "right"
    for row in rows:
        table.add_row(*map(Text, row))
    return table


def print_table(table: Table, console: Console) -> None:
    """Print a table, without the blanks that fill its last column."""
    for line in console.render_lines(table, pad=False):
        text = Text.assemble(*((untied(part.text), part.style or "") for part in line))
        text.rstrip()
        console.print(text)


def print_wrapped(
    sentence: str, console: Console, first: str = "", next_lines: str = "", style: str = ""
) -> None:
    """Print a sentence that may hold any name, broken at the last column."""
    said = wrapped(format_plainly(sentence), console.width, first, next_lines)
    console.print(Text(said, style=style), soft_wrap=True)


def print_section(heading: str, sentences: Iterable[str], console: Console) -> None:
    """Print a heading and its sentences as a list; nothing where there are none."""
    told = list(sentences)
    if told:
        console.print()
        print_wrapped(heading, console, style="bold")
    for sentence in told:
        print_wrapped(sentence, console, "  - ", "    ")


def format_few(words: Sequence[str], most: int) -> str:
    """Name the first few things, and count the others.

    >>> format_few(["RX1", "RX2", "RX3"], 2), format_few(["RX1", "RX2"], 2)
    ('RX1, RX2 and 1 more', 'RX1, RX2')
    """
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + more


def short_names(devices: Sequence[str]) -> list[str]:
    """Name each device as far as its first comma, where that tells it from the others.

    >>> short_names(["drive ESC, left", "drive ESC, right", "arm servo, metal gears"])
    ['drive ESC, left', 'drive ESC, right', 'arm servo']
    """
    short = [device.partition(",")[0] for device in devices]
    return [
        device if short.count(name) > 1 else name
        for device, name in zip(devices, short, strict=True)
    ]


RULEBOOK = (
    "These are measurements from one recording. The event's rulebook and its safety officer decide."
)


def channel_sentence(channel: ChannelFindings) -> str:
    """Say in one sentence what was found about a channel, the verdict first."""
    if channel.not_servo is not None:
        return f"not shown. {channel.not_servo}"
    weighs = [f for f in channel.judged if not _is_unweighed(f)]
    parts = [_list(weighs, verdict, verdict.value) for verdict in WORST_FIRST]
    parts += [f"{f.name} not shown, without weight" for f in channel.judged if _is_unweighed(f)]
    told = "; ".join(part for part in parts if part)
    return f"{told}. {_figures(channel)}"


def _is_unweighed(finding: Finding) -> bool:
    """Say whether a finding weighs nothing: power-up does where it is shown only."""
    return finding.name == "power-up" and finding.verdict is Verdict.NOT_SHOWN


def _list(findings: Sequence[Finding], verdict: Verdict, words: str) -> str:
    names = [finding.name for finding in findings if finding.verdict is verdict]
    if not names:
        return ""
    return f"{words} all checks" if len(names) == len(findings) else f"{words}: {', '.join(names)}"


def _figures(channel: ChannelFindings) -> str:
    assert channel.timing is not None  # a servo channel has all three
    assert channel.travel is not None
    travel = channel.travel
    figures = []
    if travel.neutral is not None:
        figures.append(f"neutral {travel.neutral.width_us:.1f} us")
    if travel.low is not None and travel.high is not None:
        figures.append(f"ends {travel.low.width_us:.1f} and {travel.high.width_us:.1f} us")
    elif travel.low is not None or travel.high is not None:
        end = travel.low or travel.high
        assert end is not None
        figures.append(f"one end {end.width_us:.1f} us")
    if channel.timing.frame_rate_hz is not None:
        figures.append(f"{channel.timing.frame_rate_hz:.2f} frames a second")
    sentence = ", ".join(figures)
    return sentence[:1].upper() + sentence[1:] + "."


def format_value(finding: Finding) -> str:
    """Write a finding's value with its unit and expanded uncertainty.

    The uncertainty is rounded up to two significant digits and the value to
    the same place (JCGM 100, 7.2.6).

    >>> from pwmscope.findings import Finding, Verdict
    >>> format_value(Finding("neutral", 1503.9906, "us", 0.0887, "", Verdict.MEETS, (), ""))
    '1503.99 ± 0.18 us'
    >>> format_value(Finding("neutral", None, "us", None, "", Verdict.NOT_SHOWN, (), ""))
    'not shown'
    >>> format_value(Finding("width jitter", 0.25, "us", None, "", None, (), "", (0.2, 0.31)))
    '0.250 us (0.200 to 0.310)'
    """
    if finding.value is None:
        return Verdict.NOT_SHOWN.value
    if isinstance(finding.value, str):
        return finding.value
    if not finding.unit:
        return f"{finding.value:g}"
    if finding.interval is not None:
        low, high = finding.interval
        decimals = _decimals((high - low) / 2.0)
        said = f"{finding.value:.{decimals}f} {finding.unit}"
        return f"{said} ({low:.{decimals}f} to {high:.{decimals}f})"
    if finding.uncertainty is None:
        return f"{finding.value:.4g} {finding.unit}"
    expanded = COVERAGE * finding.uncertainty
    decimals = _decimals(expanded)
    value = round(finding.value, decimals) + 0.0  # no minus before a zero
    return f"{value:.{decimals}f} ± {expanded:.{decimals}f} {finding.unit}"


WIDE: Final = 10.0
"""In %: a share of fresh frames whose interval is wider is told by the interval."""


def format_link(freshness: Sequence[Freshness | None]) -> str:
    """Say how fresh the frames of a line are, by the recording that shows the stalest.

    Empty where none shows it, and where a wide interval without a freeze tells nothing.
    """
    known = [found for found in freshness if found is not None and found.share is not None]
    if not known:
        return ""
    shown = min((found.findings[0] for found in known), key=lambda fresh: float(fresh.value or 0.0))
    share = format_share(float(shown.value or 0.0))
    least, most = shown.interval or (0.0, 100.0)
    longest_s = max(found.longest_s or 0.0 for found in known)
    if most - least > WIDE:
        share = f"{least:.0f} to {most:.0f} %"
        if not longest_s:
            return ""
    froze = f", longest freeze {1e3 * longest_s:.0f} ms" if longest_s else ""
    return f"link: fresh {share}{froze}"


def format_verdict(finding: Finding) -> str:
    """Write a finding's verdict; a value without a limit is just measured.

    >>> from pwmscope.model import measured
    >>> format_verdict(measured("skew", 12.5, "us", "RX2 begins 12.5 us after RX1."))
    'measured'
    """
    return "measured" if finding.verdict is None else finding.verdict.value


def _decimals(uncertainty: float) -> int:
    """Places after the point that show two significant digits of an uncertainty."""
    if uncertainty <= 0:
        return 3
    return min(6, max(0, 1 - int(f"{uncertainty:e}".partition("e")[2])))


def format_convention(convention: Convention) -> str:
    """Write a convention's name with its three widths.

    >>> from pwmscope.pulses import STANDARD_SERVO
    >>> format_convention(STANDARD_SERVO)
    'standard servo: 1000-1500-2000 us'
    """
    widths = (convention.low_us, convention.neutral_us, convention.high_us)
    return f"{convention.name}: {'-'.join(f'{width:.4g}' for width in widths)} us"


def format_number(value: float | None, decimals: int) -> str:
    """Write a number, or a dash where it is not known.

    >>> format_number(1499.96, 1), format_number(None, 1)
    ('1500.0', '–')
    """
    return "–" if value is None else f"{value:.{decimals}f}"


def format_offset(value: float, decimals: int) -> str:
    """Write a difference with its sign; one that rounds to nothing has none.

    >>> format_offset(-0.004, 2), format_offset(3.99, 1)
    ('0.00', '+4.0')
    """
    rounded = round(value, decimals)
    return f"{rounded:+.{decimals}f}" if rounded else f"{0:.{decimals}f}"


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """One thing that is not met or not shown, with the lines that it holds for."""

    verdict: Verdict  # Does not meet, or not shown
    # As the finding has them
    name: str
    sentence: str
    limit: str
    lines: tuple[str, ...]  # The lines' names, in the capture's order


def open_points(findings: Findings) -> list[OpenPoint]:
    """List what does not meet its limit, then what is not shown, each thing once."""
    lines: dict[tuple[Verdict, str, str, str], list[str]] = {}
    for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
        for channel in findings.channels.values():
            for finding in channel.judged:
                if finding.verdict is verdict:
                    key = (verdict, finding.name, finding.sentence, finding.limit)
                    lines.setdefault(key, []).append(channel.line)
    return [OpenPoint(*key, tuple(named)) for key, named in lines.items()]
