"""What every command that reads a recording takes: the file, and the hints about it."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pwmscope.cli.progress_bar import progress_bar

if TYPE_CHECKING:
    from pwmscope.capture import Capture


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that a person named, with the hints given; not read yet.

    Parameters
    ----------
    path : Path
        The file.
    hints : dict of str to str or float
        Keyword arguments for `pwmscope.load`: only the hints that were given.
    """

    path: Path
    hints: dict[str, Any]

    def load(self) -> Capture:
        """Read the file, showing how far it has come where that takes long."""
        from pwmscope.capture import load  # noqa: PLC0415

        with progress_bar(f"reading {self.path.name}"):
            return load(self.path, **self.hints)


_OPTIONS = (
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
        "--time-column",
        metavar="NAME",
        help="The column that holds the time, where its heading does not show it.",
    ),
    click.option(
        "--lines",
        metavar="NAMES",
        help="The lines to read, with commas between them; the others are left out.",
    ),
    click.option(
        "--threshold",
        metavar="VOLTS",
        type=float,
        help="The level between low and high of columns that hold voltages.",
    ),
)
_HINTS = ("rate", "time_unit", "time_column", "lines", "threshold")


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the argument CAPTURE and the hints, as one `recording`.

    Parameters
    ----------
    command : callable
        The command's function; it takes ``recording`` among its keywords.

    Returns
    -------
    callable
        The function that click calls.
    """

    @functools.wraps(command)
    def collected(*, capture: Path, **others: Any) -> None:  # noqa: ANN401 - click's keywords
        hints = _hints(others)
        command(recording=Recording(capture, hints), **others)

    argument = click.argument("capture", type=click.Path(path_type=Path))
    return argument(_with_hints(collected))


def readings_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command one or more arguments CAPTURE and the hints, as `recordings`.

    Parameters
    ----------
    command : callable
        The command's function; it takes a tuple ``recordings`` among its keywords.

    Returns
    -------
    callable
        The function that click calls.
    """

    @functools.wraps(command)
    def collected(*, captures: tuple[Path, ...], **others: Any) -> None:  # noqa: ANN401
        hints = _hints(others)
        command(recordings=tuple(Recording(path, hints) for path in captures), **others)

    argument = click.argument(
        "captures", metavar="CAPTURE...", nargs=-1, required=True, type=click.Path(path_type=Path)
    )
    return argument(_with_hints(collected))


def _hints(others: dict[str, Any]) -> dict[str, Any]:
    """Take the hints out of a command's keywords; those that were given."""
    given = {name: others.pop(name) for name in _HINTS}
    return {name: hint for name, hint in given.items() if hint is not None}


def _with_hints(command: Callable[..., None]) -> Callable[..., None]:
    # An option stands above those that are already there, so the last is added first.
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
