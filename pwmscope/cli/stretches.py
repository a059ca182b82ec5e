"""`pwmscope stretches`: faults in parts of a recording, such as motors off and motors on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from pwmscope.cli.printing import EXIT_CODES, JsonCopy, json_option, screen
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import Stretch


@click.command(short_help="Compare faults in parts of a recording: motors off, motors on.")
@reading_options
@examining_options
@click.option(
    "--stretch",
    "named",
    metavar="NAME=FROM..TO",
    multiple=True,
    help="A part in which one thing was done, such as 'motors on=20s..40s'; give two or more. By "
    "default those of the bench sheet.",
)
@json_option("the comparison")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def stretches(
    ctx: click.Context,
    recording: Recording,
    examination: Examination,
    *,
    named: tuple[str, ...],
    json_copy: JsonCopy,
    replace: bool,
) -> None:
    """Compare how often glitches, freezes and restarts come in parts of CAPTURE.

    Record once: motors off, motors on, one connector wiggled, and so on, 20 s or more each. Move
    the sticks all the time. The first part is what the others are held against.

    Before the motors get power: weapon removed or locked, wheels off the ground, robot restrained,
    eye protection on, battery looked after. Probe 5 V servo pins only. The event's rulebook and
    its safety officer decide.

    Exit code 0: compared, whether anything differs or not; 3: not shown by this recording; 2: bad
    input.
    """
    from pwmscope.report.fault_hunt import hunt_json, print_hunt

    json_copy.refuse(replace=replace)
    given = [_stretch(text) for text in named] or None
    analysis = examination.analyse(recording)
    hunt = analysis.fault_hunt(given)
    capture = analysis.captures[0]
    if json_copy.is_alone:
        click.echo(hunt_json(capture, hunt, capture.assumptions), nl=False)
    else:
        print_hunt(hunt, capture.assumptions, screen())
    json_copy.write(
        lambda: hunt_json(capture, hunt, capture.assumptions),
        replace=replace,
        said="The same comparison is in",
    )
    ctx.exit(0 if hunt.compared else EXIT_CODES["not shown"])


def _stretch(text: str) -> Stretch:
    """Read a stretch as a person names it."""
    from pwmscope.bench import Stretch
    from pwmscope.capture import parse_instant_s

    name, equals, times = text.rpartition("=")
    begin, dots, end = times.partition("..")
    if not (equals and dots and name.strip()):
        raise HintError(
            f"--stretch: the value is {text!r}, expected a name and two times, such as "
            "'motors on=20s..40s'."
        )
    return Stretch(name.strip(), parse_instant_s(begin), parse_instant_s(end))
