"""`pwmscope lag`: how late an output line follows an input line, and how."""

from __future__ import annotations

import click

from pwmscope.cli.printing import EXIT_CODES, JsonCopy, explain_option, json_option, screen
from pwmscope.cli.reading import Recording, progress_bar, reading_options
from pwmscope.errors import HintError


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
@explain_option
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
    from pwmscope.analysis import analyse
    from pwmscope.report.lag import FIXED, follows_to_json, lag_to_json, print_follows, print_lag

    json_copy.refuse(replace=replace)
    named = (("--in", source), ("--out", output), *(("--with", other) for other in others))
    _check_unlike(named, others)
    with progress_bar(f"measuring {recording.path.name}"):
        analysis = analyse(recording.path, hints=recording.hints)
    capture = analysis.captures[0]
    assumptions = (*capture.assumptions, *analysis.lag_lines.notes, *FIXED)
    if source is not None and output is not None:
        found = analysis.lag(source, output, *others)
        shown = found.answer.value is not None
        text = lag_to_json(capture, found, assumptions)
        if not json_copy.is_alone:
            print_lag(capture, found, assumptions, screen())
    else:
        follows = analysis.follows(source, output)
        shown = any(finding.value is not None for finding in follows.findings)
        text = follows_to_json(capture, follows, assumptions)
        if not json_copy.is_alone:
            print_follows(capture, follows, assumptions, screen())
    if json_copy.is_alone:
        click.echo(text, nl=False)
    json_copy.write(lambda: text, replace=replace, said="The same findings are in")
    ctx.exit(0 if shown else EXIT_CODES["not shown"])


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
