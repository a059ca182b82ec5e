"""What every command that measures takes beside the recording: the marker, the convention."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from pwmscope.cli.progress_bar import progress_bar
from pwmscope.errors import HintError

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
    from_time, to_time : str or None
        The part of the recording that is examined; None from its start, to its end.
    """

    off_line: str | None
    convention: str | None
    from_time: str | None
    to_time: str | None

    def of(self, capture: Capture) -> Findings:
        """Examine a recording, showing how far it has come where that takes long."""
        from pwmscope.capture.clip import clip, parse_instant_s  # noqa: PLC0415
        from pwmscope.findings import examine  # noqa: PLC0415
        from pwmscope.pulses import convention_named  # noqa: PLC0415

        chosen = None if self.convention is None else convention_named(self.convention)
        part = clip(
            capture,
            None if self.from_time is None else parse_instant_s(self.from_time),
            None if self.to_time is None else parse_instant_s(self.to_time),
        )
        self._refuse_other_start(capture, part)
        with progress_bar("measuring"):
            return examine(part, off_line=self.off_line, convention=chosen)

    def _refuse_other_start(self, capture: Capture, part: Capture) -> None:
        """Refuse a part that begins with the marker at another level than the recording.

        The level at the start means that the transmitter is on.
        """
        whole, cut = (lines.get(self.off_line or "") for lines in (capture.lines, part.lines))
        if whole is not None and cut is not None and whole.initial_level != cut.initial_level:
            raise HintError(
                f"At {part.start_s:g} s the marker line {self.off_line} says that the transmitter "
                "is off; choose a --from at which it is on, as at the recording's start."
            )


def examining_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command --off-line, --convention, --from and --to, as one `examination`.

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
        from_time: str | None,
        to_time: str | None,
        **others: Any,  # noqa: ANN401 - click's keywords
    ) -> None:
        command(examination=Examination(off_line, convention, from_time, to_time), **others)

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
    begun = click.option(
        "--from",
        "from_time",
        metavar="TIME",
        help="Examine the recording from this instant on, such as 12.4s or 350ms.",
    )
    ended = click.option(
        "--to", "to_time", metavar="TIME", help="Examine the recording up to this instant."
    )
    return marked(held(begun(ended(collected))))
