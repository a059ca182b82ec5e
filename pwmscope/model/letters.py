"""Names and sentences with whatever letters a file gives, made fit to be shown."""

from __future__ import annotations

from typing import Final

MOST_LETTERS: Final = 40
"""Letters of a line's name that are shown."""


def say_plainly(text: str) -> str:
    r"""Write a sentence that may hold a line's name without control characters.

    Examples
    --------
    >>> say_plainly("a\u202eb\n starts first.")
    'a?b? starts first.'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def say_line(name: str) -> str:
    r"""Write a line's name so that it can neither break a layout nor reorder text.

    Examples
    --------
    >>> say_line("RX1"), say_line("a\u202eb\n" + "x" * 50)[:6]
    ('RX1', 'a?b?xx')
    """
    plain = say_plainly(name)
    return plain if len(plain) <= MOST_LETTERS else plain[: MOST_LETTERS - 1] + "…"


def say_device(name: str, role: str, device: str) -> str:
    """Name a line with its role and device, where these are known.

    Examples
    --------
    >>> say_device("RX1", "drive-left", "left drive ESC"), say_device("RX2", "", "")
    ('RX1 (drive-left, left drive ESC)', 'RX2')
    """
    about = ", ".join(part for part in (role, device) if part)
    return say_line(name) + (f" ({say_line(about)})" if about else "")
