"""`pwmscope measure`: say what was found about every channel."""

from __future__ import annotations

import functools

import click

from pwmscope.cli.printing import (
    JsonCopy,
    all_option,
    json_option,
    print_screen,
    quiet_option,
    refuse_unknown,
    screen,
    why_option,
)
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError


@click.command(short_help="Say what was found about every channel of CAPTURE.")
@functools.partial(reading_options, required=False)
@examining_options
@click.option(
    "--line",
    "only",
    metavar="LINE",
    multiple=True,
    help="Tell only what was found about this line; may be given several times. All lines are "
    "still examined.",
)
@all_option
@why_option
@click.option(
    "--explain",
    "explained",
    metavar="FINDING",
    multiple=True,
    help="Explain one finding, such as 'neutral', instead: its definition, formula and source. "
    "With CAPTURE also the pulses it rests on. 'all' explains every one.",
)
@quiet_option
@json_option("the findings", them="them")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
def measure(
    recording: Recording | None,
    examination: Examination,
    only: tuple[str, ...],
    why: str | None,
    explained: tuple[str, ...],
    *,
    json_copy: JsonCopy,
    is_all: bool,
    quiet: bool,
    replace: bool,
) -> None:
    """Measure every channel of CAPTURE and print the answer on one screen.

    CAPTURE is a text table, a value change dump, a Parquet or an Arrow file. It holds levels,
    voltages, or the edges that `pwmscope convert` kept. `pwmscope look CAPTURE` says how it
    is understood.
    """
    from pwmscope.report.data import to_json
    from pwmscope.report.failsafe_text import print_causes
    from pwmscope.report.terminal import print_checks, print_explanations, print_findings

    json_copy.refuse(replace=replace)
    if recording is None:
        if not explained:
            raise HintError("Name the recording: pwmscope measure CAPTURE.")
        print_explanations(None, explained, screen())
        return
    analysis = examination.analyse(recording)
    refuse_unknown(why, analysis)
    findings = analysis.findings[0]
    if only:
        findings = findings.only(only)
    if json_copy.is_alone:
        click.echo(to_json(findings), nl=False)
        return
    if explained:
        print_explanations(findings, explained, screen())
    elif quiet:
        click.echo(analysis.headline)
    else:
        print_screen(
            analysis, analysis.answer, only=only, figures=tuple(findings.servo.values()),
            more=" More: --all, --why LINE, --explain WORD.", room=None if is_all else 24,
        )  # fmt: skip
        if why is not None:
            print_checks([c for c in analysis.checks if why in (c.line, "all")], screen())
            print_causes(analysis.failsafe, screen(), why)
        if is_all:
            click.echo()
            print_findings(findings, screen())
    json_copy.write(lambda: to_json(findings), replace=replace, said="The same findings are in")
