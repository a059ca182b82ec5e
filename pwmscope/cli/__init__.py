"""The `pwmscope` command: parse, call, print. Each command imports what it needs when it runs."""

from __future__ import annotations

import atexit
import contextlib
import gc
import importlib
import os
import sys
from typing import Any, Final

import click

from pwmscope import __version__
from pwmscope.cli.printing import BAD_INPUT, set_up_streams
from pwmscope.cli.reading import OPTION_OF
from pwmscope.errors import ArgumentError, PwmscopeError, naming

INTERRUPTED = 130
_IN: Final = "pwmscope.cli."
_COMMANDS: Final = {
    name: home
    for home, names in {
        "files": "convert follow look synth",
        "measure": "failsafe lag link measure stretches",
        "report": "compare desk inspect log report",
        "settings": "calibrate mixing plan",
        "sheet": "sheet",
    }.items()
    for name in names.split()
}
"""Each command, and the module that holds it."""
_GARBAGE: Final = 150_000
"""Objects made between two searches for cycles; a short command makes fewer."""


class _Commands(click.Group):
    """A group whose commands end with one sentence and exit code 2 on bad input."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(dict.fromkeys((*sorted(_COMMANDS), *super().list_commands(ctx))))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command when it is asked for, so that start-up stays quick."""
        given = super().get_command(ctx, cmd_name)
        if given is not None or cmd_name not in _COMMANDS:
            return given
        module = importlib.import_module(_IN + _COMMANDS[cmd_name])
        found: click.Command = getattr(module, cmd_name)
        return found

    def main(self, *args: Any, **extra: Any) -> Any:  # noqa: ANN401
        """Run a command; what the output's encoding lacks is written in ASCII."""
        set_up_streams()
        _spare_work()
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
            if error.filename is not None and error.strerror is not None:
                lost = isinstance(error, FileNotFoundError)
                found = "there is no such file" if lost else error.strerror
                click.echo(f"{error.filename}: {found}; check the name and folder.", err=True)
            else:
                _format_lost(error)
            ctx.exit(BAD_INPUT)
        except KeyboardInterrupt:
            click.echo("Interrupted; no file was left half-written.", err=True)
            ctx.exit(INTERRUPTED)


def _spare_work() -> None:
    """Look for cycles of objects seldom, and not at the end: imports make many and leave none.

    Matrices are small here: threads of NumPy's linear algebra would only wait for one another.
    """
    gc.set_threshold(_GARBAGE)
    atexit.register(gc.freeze)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _format_lost(error: OSError) -> None:
    """Say that the output could not be written, and let nothing more be tried.

    A reader that has enough, such as `head`, needs no sentence; the exit code tells.
    """
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    if isinstance(error, BrokenPipeError):
        return
    with contextlib.suppress(OSError):
        click.echo(
            f"The output could not be written in full ({error.strerror or 'unknown'}); write it "
            "elsewhere.",
            err=True,
        )


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="pwmscope %(version)s")
def main() -> None:
    """Measure servo pulses in a logic-analyser recording of a receiver's output pins.

    Before you power anything: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. Probe 5 V servo pins only, ground
    first. The event's rulebook and its safety officer decide.
    """
