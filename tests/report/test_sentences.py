"""The words: every verdict is said, and nothing is ever called safe."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console
from rich.table import Table

from pwmscope import examine, load
from pwmscope.findings.freshness import format_share
from pwmscope.model import format_line
from pwmscope.report.data import to_json
from pwmscope.report.sentences import (
    channel_sentence,
    format_link,
    print_table,
    print_wrapped,
    tied,
)
from pwmscope.report.terminal import print_findings

CAPTURES = Path(__file__).parents[2] / "captures"


def printed(findings, width=100):
    out = io.StringIO()
    print_findings(findings, Console(file=out, width=width, highlight=False))
    return out.getvalue()


@pytest.fixture(scope="module")
def preset():
    return examine(load(CAPTURES / "preset.csv.gz"), off_line="tx-on")


def test_the_first_words_of_a_channel_are_its_verdict(preset):
    for channel in preset.channels.values():
        assert channel_sentence(channel).startswith(channel.verdict.value)


def test_every_check_is_named_in_the_sentence(preset):
    for channel in preset.channels.values():
        for finding in channel.judged:
            assert finding.name in channel_sentence(channel)


def test_the_terminal_says_answers_first_then_the_table_then_assumptions(preset):
    text = printed(preset)
    places = [text.index(w) for w in ("RX1: not shown", "pulses measured", "Assumed", "rulebook")]
    assert places[:3] == sorted(places[:3])
    for sentence in preset.assumptions:
        assert " ".join(sentence.split()) in " ".join(text.replace("- ", "").split()).replace(
            "  ", " "
        )


@pytest.mark.parametrize("width", [40, 80, 200])
def test_the_terminal_keeps_its_width(preset, width):
    assert max(len(line) for line in printed(preset, width).splitlines()) <= max(width, 52)


def test_nothing_is_called_safe(preset):
    words = (printed(preset) + to_json(preset)).lower().replace("failsafe", "")
    words = words.replace("safety officer", "")
    assert "safe" not in words


def test_a_hostile_name_is_made_plain():
    name = format_line("\x1b[31m" + "A" * 10_000)
    assert len(name) <= 40
    assert name.isprintable()


def test_a_finding_has_one_row_though_one_channel_has_only_a_bound():
    # At 100 kS/s, in step with the frames, the jitter is a bound in words, without a unit.
    findings = examine(load(CAPTURES / "unmixed-drive.csv.gz"))
    findings_of = {f.name: f for f in findings.channels["drive-left"].findings}
    assert findings_of["period jitter"].unit == ""
    clean = examine(load(CAPTURES / "clean-sweep.csv"))
    both = replace(
        clean, channels={**clean.channels, "drive-left": findings.channels["drive-left"]}
    )
    rows = [row for row in printed(both, width=120).splitlines() if row.startswith("period jitter")]
    assert sum(row.startswith("period jitter, us ") for row in rows) == 1
    assert not any(row.startswith("period jitter ") for row in rows)


@pytest.mark.parametrize(("name", "is_wide"), [("holds-last", True), ("fault-hunt", False)])
def test_a_share_of_few_frames_is_told_by_its_interval(name, is_wide):
    """In holds-last a stick moves for half a second, in fault-hunt for long."""
    channels = examine(load(CAPTURES / f"{name}.csv.gz")).channels.values()
    known = [c.freshness for c in channels if c.freshness and c.freshness.share is not None]
    widths = [np.ptp(fresh.findings[0].interval) for fresh in known]
    assert any((width > 10.0) == is_wide for width in widths)
    for fresh, width in zip(known, widths, strict=True):
        share = fresh.findings[0]
        least, most = share.interval
        told = f"{least:.0f} to {most:.0f} %" if width > 10.0 else format_share(share.value)
        if width > 10.0 and not fresh.longest_s:  # It tells nothing
            told = ""
        assert format_link([fresh]).removeprefix("link: fresh ").startswith(told)
        assert bool(format_link([fresh])) == bool(told)


def test_a_number_stays_with_its_unit_and_a_table_ends_no_line_in_blanks():
    console = Console(file=io.StringIO(), width=30, highlight=False)
    print_wrapped("The width of this line was 1540.0 us, and fresh in 60 to 100 % of it.", console)
    table = Table(box=None, show_header=False)
    table.add_row("CH1", tied("fresh in the first part: 60 to 100 % of it"))
    table.add_row("CH2", "meets")
    print_table(table, console)
    lines = console.file.getvalue().splitlines()
    assert not [line for line in lines if line != line.rstrip()]
    assert not [line for line in lines if line.lstrip().startswith(("us", "%"))]
    assert sum("100 %" in line for line in lines) == 2
