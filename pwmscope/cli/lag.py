"""`pwmscope lag`: how late an output line follows an input line, and how."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pwmscope.cli.json_copy import JsonCopy, json_option
from pwmscope.cli.reading import Recording, reading_options, screen
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.findings.lag import Lines

NOT_SHOWN = 3


@click.command(short_help="Say how late an output follows an input, and with what curve.")
@reading_options
@click.option("--in", "source", metavar="LINE", help="The line before the device.")
@click.option("--out", "output", metavar="LINE", help="The line after the device.")
@click.option(
    "--with",
    "others",
    metavar="LINE",
    multiple=True,
    help="A further input that is mixed into --out; may be given several times.",
)
@json_option("the findings", them="them")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def lag(
    ctx: click.Context,
    recording: Recording,
    *,
    source: str | None,
    output: str | None,
    others: tuple[str, ...],
    json_copy: JsonCopy,
    replace: bool,
) -> None:
    """Measure delay and transfer from the line --in to the line --out of CAPTURE.

    Between the two lines is a device: a mixing converter, a gyro, a servo slower. Move the
    stick from end to end a few times, not evenly, with pauses, while recording. Without
    --in or --out, says which line follows which. Exit code 0: measured; 3: not shown by
    this recording, and why; 2: bad input.
    """
    from pwmscope.findings.lag import examine_lag, find_follows, read_lines  # noqa: PLC0415
    from pwmscope.report.lag import (  # noqa: PLC0415
        FIXED,
        follows_to_json,
        lag_to_json,
        print_follows,
        print_lag,
    )

    json_copy.refuse(replace=replace)
    capture = recording.load()
    lines = read_lines(capture)
    named = (("--in", source), ("--out", output), *(("--with", other) for other in others))
    for option, line in named:
        _check(lines, option, line, capture.source)
    _check_unlike(named, others)
    assumptions = (*capture.assumptions, *lines.notes, *FIXED)
    if source is not None and output is not None:
        further = tuple(lines.records[other] for other in others)
        found = examine_lag(lines.records[source], lines.records[output], further)
        shown = found.answer.value is not None
        text = lag_to_json(capture, found, assumptions)
        if not json_copy.is_alone:
            print_lag(capture, found, assumptions, screen())
    else:
        follows = find_follows(lines.records, source=source, output=output)
        shown = any(finding.value is not None for finding in follows.findings)
        text = follows_to_json(capture, follows, assumptions)
        if not json_copy.is_alone:
            print_follows(capture, follows, assumptions, screen())
    if json_copy.is_alone:
        click.echo(text, nl=False)
    json_copy.write(lambda: text, replace=replace, said="The same findings are in")
    ctx.exit(0 if shown else NOT_SHOWN)


def _check_unlike(named: tuple[tuple[str, str | None], ...], others: tuple[str, ...]) -> None:
    seen: dict[str, str] = {}
    for option, line in named:
        if line is not None and line in seen:
            raise HintError(
                f"{seen[line]} and {option} both name line '{line}'; name different lines."
            )
        if line is None and others:
            raise HintError(f"--with needs both --in and --out; {option} is missing.")
        if line is not None:
            seen[line] = option


def _check(lines: Lines, option: str, line: str | None, source: str) -> None:
    if line is None or line in lines.records:
        return
    if line in lines.others:
        raise HintError(
            f"{option} names line '{line}' of {source}, which carries no servo pulses. "
            f"{lines.others[line]} Name another line, or record it again."
        )
    names = ", ".join((*lines.records, *lines.others))
    raise HintError(f"{option} names line '{line}', but the lines of {source} are {names}.")
