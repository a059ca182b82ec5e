"""The `pwmscope` command. Packages that take long to import are imported by the commands."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import Any

import click

from pwmscope import __version__
from pwmscope.cli.calibrate import calibrate
from pwmscope.cli.compare import compare
from pwmscope.cli.desk import desk
from pwmscope.cli.failsafe import failsafe
from pwmscope.cli.files import convert, look, synth
from pwmscope.cli.follow import follow
from pwmscope.cli.inspect import inspect
from pwmscope.cli.lag import lag
from pwmscope.cli.link import link
from pwmscope.cli.log import log
from pwmscope.cli.measure import measure
from pwmscope.cli.mixing import mixing
from pwmscope.cli.plan import plan
from pwmscope.cli.printing import set_up_streams
from pwmscope.cli.reading import OPTION_OF
from pwmscope.cli.report import report
from pwmscope.cli.sheet import sheet
from pwmscope.cli.stretches import stretches
from pwmscope.errors import ArgumentError, PwmscopeError, naming

BAD_INPUT = 2
INTERRUPTED = 130


class _PlainErrors(click.Group):
    """A group whose commands end with one sentence and exit code 2 on bad input."""

    def main(self, *args: Any, **extra: Any) -> Any:  # noqa: ANN401
        """Run a command; what the output's encoding lacks is written in ASCII."""
        set_up_streams()
        try:
            try:
                return super().main(*args, **extra)
            finally:
                if sys.stdout is not None:
                    sys.stdout.flush()
        except OSError as error:
            _format_lost(error)
            sys.exit(BAD_INPUT)

    def invoke(self, ctx: click.Context) -> object:
        try:
            with naming(OPTION_OF):
                return super().invoke(ctx)
        except ArgumentError as error:
            click.echo(error.about(OPTION_OF.get(error.argument, error.argument)), err=True)
            ctx.exit(BAD_INPUT)
        except PwmscopeError as error:
            click.echo(str(error), err=True)
            ctx.exit(BAD_INPUT)
        except OSError as error:
            _format_lost(error)
            ctx.exit(BAD_INPUT)
        except KeyboardInterrupt:
            click.echo("Interrupted; no file was left half-written.", err=True)
            ctx.exit(INTERRUPTED)


def _format_lost(error: OSError) -> None:
    """Say that the output could not be written, and let nothing more be tried."""
    why = "it was closed" if isinstance(error, BrokenPipeError) else error.strerror or "unknown"
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    with contextlib.suppress(OSError):
        click.echo(
            f"The output could not be written in full ({why}); write it elsewhere.", err=True
        )


@click.group(
    cls=_PlainErrors,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="pwmscope %(version)s")
def main() -> None:
    """Measure servo pulses in a logic-analyser recording of a receiver's output pins.

    Before you power anything: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. Probe 5 V servo pins only, ground
    first. The event's rulebook and its safety officer decide.
    """


_COMMANDS = (
    desk, sheet, plan, follow, inspect, look, measure, calibrate, failsafe, link, mixing, lag,
    compare, stretches, report, log, convert, synth,
)  # fmt: skip
for _command in _COMMANDS:
    main.add_command(_command)
