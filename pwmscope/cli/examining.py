"""What every command that measures takes beside the recording: the marker, the convention."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from pwmscope.cli.progress_bar import progress_bar

if TYPE_CHECKING:
    from pwmscope.capture import Capture
    from pwmscope.findings import Findings


@dataclass(frozen=True, slots=True)
class Examination:
    """How a recording is to be examined; not done yet.

    Parameters
    ----------
    off_line : str or None
        The line that marks the transmitter's switch.
    convention : str or None
        Name of the convention to hold every line against; None chooses per line.
    """

    off_line: str | None
    convention: str | None

    def of(self, capture: Capture) -> Findings:
        """Examine a recording, showing how far it has come where that takes long."""
        from pwmscope.findings import examine  # noqa: PLC0415
        from pwmscope.pulses import convention_named  # noqa: PLC0415

        chosen = None if self.convention is None else convention_named(self.convention)
        with progress_bar("measuring"):
            return examine(capture, off_line=self.off_line, convention=chosen)


def examining_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options --off-line and --convention, as one `examination`.

    Parameters
    ----------
    command : callable
        The command's function; it takes ``examination`` among its keywords.

    Returns
    -------
    callable
        The function that click calls.
    """

    @functools.wraps(command)
    def collected(
        *,
        off_line: str | None,
        convention: str | None,
        **others: Any,  # noqa: ANN401 - click's keywords
    ) -> None:
        command(examination=Examination(off_line, convention), **others)

    marked = click.option(
        "--off-line",
        metavar="LINE",
        help="The line that marks the transmitter's switch: its level at the start means "
        "on, the other means off.",
    )
    held = click.option(
        "--convention",
        metavar="NAME",
        help="Hold every line against this convention instead of choosing by its pulses: "
        "'standard servo', 'fast servo', 'eighth width' or 'twenty-fourth width'.",
    )
    return marked(held(collected))
