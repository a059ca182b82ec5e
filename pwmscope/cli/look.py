"""`pwmscope look`: say how a file was understood, before anyone trusts a number."""

from __future__ import annotations

import click

from pwmscope.cli.reading import OPTION_OF, Recording, reading_options, screen


@click.command(short_help="Say how CAPTURE was understood, before you trust a number.")
@reading_options
def look(recording: Recording) -> None:
    """Say how CAPTURE was understood: its kind, lines, first edges, sampling and assumptions.

    Look before you trust a number. Where something was understood wrongly, the option in
    brackets sets it right; all commands take the same ones.
    """
    from pwmscope.capture import find_kind  # noqa: PLC0415
    from pwmscope.report.look import print_look  # noqa: PLC0415

    capture = recording.load()
    size_bytes = recording.path.stat().st_size
    print_look(capture, find_kind(recording.path), size_bytes, screen(), OPTION_OF)
