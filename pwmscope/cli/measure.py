"""`pwmscope measure`: say what was found about every channel."""

from __future__ import annotations

import click

from pwmscope.cli.examining import Examination, examining_options
from pwmscope.cli.json_copy import JsonCopy, json_option
from pwmscope.cli.reading import Recording, reading_options, screen


@click.command()
@reading_options
@examining_options
@click.option(
    "--line",
    "only",
    metavar="LINE",
    multiple=True,
    help="Tell only what was found about this line; may be given several times. All lines are "
    "still examined.",
)
@click.option(
    "--explain",
    "explained",
    metavar="FINDING",
    multiple=True,
    help="Instead of everything, explain one finding, such as 'neutral': its definition, formula "
    "and source, and the pulses it rests on. 'all' explains every one.",
)
@json_option("the findings", them="them")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
def measure(
    recording: Recording,
    examination: Examination,
    only: tuple[str, ...],
    explained: tuple[str, ...],
    json_copy: JsonCopy,
    *,
    replace: bool,
) -> None:
    """Measure every channel of CAPTURE and say what was found.

    CAPTURE is a text table, a value change dump, a Parquet or an Arrow file of levels or
    voltages, or the edges that `pwmscope convert` kept. `pwmscope look CAPTURE` says how it
    is understood.
    """
    from pwmscope.report.data import to_json  # noqa: PLC0415
    from pwmscope.report.terminal import (  # noqa: PLC0415
        print_explanations,
        print_findings,
    )

    json_copy.refuse(replace=replace)
    findings = examination.of(recording.load())
    if only:
        findings = findings.only(only)
    if json_copy.is_alone:
        click.echo(to_json(findings), nl=False)
        return
    if explained:
        print_explanations(findings, explained, screen())
    else:
        print_findings(findings, screen())
    json_copy.write(lambda: to_json(findings), replace=replace, said="The same findings are in")
