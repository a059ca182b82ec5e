"""Names and sentences with whatever letters a file gives, made fit to be shown."""

from __future__ import annotations

from typing import Final

MAX_LETTERS: Final = 40
"""Letters of a line's name that are shown."""


def format_plainly(text: str) -> str:
    r"""Write a sentence that may hold a line's name without control characters.

    Examples
    --------
    >>> format_plainly("a\u202eb\n starts first.")
    'a?b? starts first.'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def format_line(name: str) -> str:
    r"""Write a line's name so that it can neither break a layout nor reorder text.

    Examples
    --------
    >>> format_line("RX1"), format_line("a\u202eb\n" + "x" * 50)[:6]
    ('RX1', 'a?b?xx')
    """
    plain = format_plainly(name)
    return plain if len(plain) <= MAX_LETTERS else plain[: MAX_LETTERS - 1] + "…"


def format_device(name: str, role: str, device: str) -> str:
    """Name a line with its role and device, where these are known.

    Examples
    --------
    >>> format_device("RX1", "drive-left", "left drive ESC"), format_device("RX2", "", "")
    ('RX1 (drive-left, left drive ESC)', 'RX2')
    """
    about = ", ".join(part for part in (role, device) if part)
    return format_line(name) + (f" ({format_line(about)})" if about else "")
