"""The `pwmscope` command. Packages that take long to import are imported by the commands."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from pwmscope import __version__
from pwmscope.errors import PwmscopeError

if TYPE_CHECKING:
    from pwmscope.findings import Findings

BAD_INPUT = 2
INTERRUPTED = 130
PRINTED_WIDTH = 100
"""Columns of text where the output is not a terminal."""

_Command = TypeVar("_Command", bound=Callable[..., Any])


class _PlainErrors(click.Group):
    """A group whose commands end with one sentence and exit code 2 on bad input."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except PwmscopeError as error:
            click.echo(str(error), err=True)
            ctx.exit(BAD_INPUT)
        except KeyboardInterrupt:
            click.echo("Interrupted; nothing was written.", err=True)
            ctx.exit(INTERRUPTED)


@click.group(
    cls=_PlainErrors,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="pwmscope %(version)s")
def main() -> None:
    """Measure servo pulses in a logic-analyser recording of a receiver's output pins.

    Before you power anything: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after; probe 5 V servo pins only, ground
    first. The event's rulebook and its safety officer decide.
    """


def _reading_options(command: _Command) -> _Command:
    for option in reversed(
        (
            click.argument("capture", type=click.Path(path_type=Path)),
            click.option(
                "--rate",
                metavar="RATE",
                help="The analyser's sample rate, such as 1MHz; needed where rows carry no time.",
            ),
            click.option(
                "--time-unit",
                metavar="UNIT",
                help="Unit of the time column (s, ms, us, ns, ps) where its heading does not say.",
            ),
            click.option(
                "--off-line",
                metavar="LINE",
                help="The line that marks the transmitter's switch: its level at the start means "
                "on, the other means off.",
            ),
        )
    ):
        command = option(command)
    return command


@main.command()
@_reading_options
@click.option(
    "--json",
    "json_path",
    metavar="PATH",
    help="Also write the findings as JSON; '-' writes them to the terminal instead of the text.",
)
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
def measure(
    capture: Path,
    rate: str | None,
    time_unit: str | None,
    off_line: str | None,
    json_path: str | None,
    *,
    replace: bool,
) -> None:
    """Measure every channel of CAPTURE and say what was found.

    CAPTURE is a CSV file of digital levels, plain or gzip: one row per sample with a time
    column, one row per change with a time column, or samples without time and --rate.
    """
    from pwmscope.output import refuse_to_overwrite, write_text  # noqa: PLC0415
    from pwmscope.report.data import to_json  # noqa: PLC0415

    if json_path not in {None, "-"}:
        refuse_to_overwrite(Path(str(json_path)), replace=replace)
    findings = _findings(capture, rate, time_unit, off_line)
    if json_path == "-":
        click.echo(to_json(findings), nl=False)
        return
    _print(findings)
    if json_path is not None:
        write_text(Path(json_path), to_json(findings), replace=replace)
        click.echo(f"\nThe same findings are in {json_path}.")


@main.command(short_help="Write a page with findings and pictures of CAPTURE to a folder.")
@_reading_options
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder for report.html and findings.json; made if it is not there.",
)
@click.option("--replace", is_flag=True, help="Replace a report that is there.")
def report(
    capture: Path,
    rate: str | None,
    time_unit: str | None,
    off_line: str | None,
    folder: Path,
    *,
    replace: bool,
) -> None:
    """Write a page with every finding and picture of CAPTURE to DIR/report.html.

    The page holds everything in one file and opens without a network.
    """
    from pwmscope.output import refuse_to_overwrite, write_text  # noqa: PLC0415
    from pwmscope.report.data import to_json  # noqa: PLC0415
    from pwmscope.report.page import write_page  # noqa: PLC0415

    data = folder / "findings.json"
    refuse_to_overwrite(data, replace=replace)
    findings = _findings(capture, rate, time_unit, off_line)
    page = write_page(findings, folder, replace=replace)
    write_text(data, to_json(findings), replace=replace)
    _print(findings)
    click.echo(f"\nThe page is {page}; the same findings are in {data}.")


@main.command(short_help="Build a bench recording from SCRIPT, with its truth beside it.")
@click.argument("script", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    "path",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE",
    help="The CSV file to write; .gz at the end compresses it.",
)
@click.option("--replace", is_flag=True, help="Replace files that are there.")
def synth(script: Path, path: Path, *, replace: bool) -> None:
    """Build a bench recording from SCRIPT (TOML), with its truth beside it.

    The truth, exact before sampling, goes to a file of the same name that ends in
    .truth.json. No receiver is needed: this is for trying pwmscope out and for testing it.
    """
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415
    from pwmscope.synth import build, load_script, write, write_truth  # noqa: PLC0415

    truth = path.with_name(path.name.removesuffix(".gz").removesuffix(".csv") + ".truth.json")
    for file in (path, truth):
        refuse_to_overwrite(file, replace=replace)
    recording = build(load_script(script))
    write(recording, path)
    write_truth(recording, truth)
    click.echo(f"The recording is {path}, its truth {truth}.")


def _findings(
    capture: Path, rate: str | None, time_unit: str | None, off_line: str | None
) -> Findings:
    from pwmscope.capture import load  # noqa: PLC0415
    from pwmscope.findings import examine  # noqa: PLC0415

    return examine(load(capture, rate=rate, time_unit=time_unit), off_line=off_line)


def _print(findings: Findings) -> None:
    from rich.console import Console  # noqa: PLC0415

    from pwmscope.report.terminal import print_findings  # noqa: PLC0415

    width = None if sys.stdout.isatty() else PRINTED_WIDTH
    print_findings(findings, Console(width=width, highlight=False))
