"""The option --json: a command's answer as JSON, beside its text or instead of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import click

_Command = TypeVar("_Command", bound=Callable[..., None])


@dataclass(frozen=True, slots=True)
class JsonCopy:
    """Where an answer goes as JSON."""

    path: str | None  # As a person gave it: a file, '-' for the terminal, or None for nowhere

    @property
    def is_alone(self) -> bool:
        """Whether the terminal shows the JSON text instead of sentences."""
        return self.path == "-"

    @property
    def file(self) -> Path | None:
        """The file to write, if one is."""
        return None if self.path is None or self.is_alone else Path(self.path)

    def refuse(self, *, replace: bool) -> None:
        """Raise OutputError where a file is in the way and may not be replaced."""
        from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415

        if self.file is not None:
            refuse_to_overwrite(self.file, replace=replace)

    def write(self, text: Callable[[], str], *, replace: bool, said: str) -> None:
        """Write the file, if one is wanted, and say where it is."""
        from pwmscope.output import write_text  # noqa: PLC0415

        if self.file is not None:
            write_text(self.file, text(), replace=replace)
            click.echo(f"\n{said} {self.path}.")


def json_option(what: str, *, them: str = "it") -> Callable[[_Command], _Command]:
    """Give a command --json, as `json_copy`."""
    return click.option(
        "--json",
        "json_copy",
        metavar="PATH",
        callback=lambda _ctx, _param, path: JsonCopy(path),
        help=f"Also write {what} as JSON; '-' writes {them} to the terminal instead of the text.",
    )
