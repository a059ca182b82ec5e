"""Sentences broken at the screen's last column."""

from __future__ import annotations

import textwrap

from rich.console import Console


def wrapped(sentence: str, console: Console, first: str = "", next_lines: str = "") -> str:
    """Break a sentence at a screen's last column.

    Parameters
    ----------
    sentence : str
        What is said.
    console : rich Console
        The screen.
    first, next_lines : str
        What its first line and the further ones begin with.

    Returns
    -------
    str
        Its lines.
    """
    return textwrap.fill(
        sentence, console.width, initial_indent=first, subsequent_indent=next_lines
    )
