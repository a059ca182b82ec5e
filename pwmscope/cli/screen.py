"""Where commands print their text."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

PRINTED_WIDTH = 100
"""Columns of text where the output is not a terminal."""


def screen() -> Console:
    """Return the standard output, as wide as the terminal or 100 columns wide."""
    from rich.console import Console  # noqa: PLC0415

    width = None if sys.stdout.isatty() else PRINTED_WIDTH
    return Console(width=width, highlight=False)
