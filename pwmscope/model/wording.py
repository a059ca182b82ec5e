"""Amounts, lists and a file's own names as sentences show them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

MIN_US = 5e-4
"""Less than this is nothing: edges are kept to a picosecond."""


def format_us(value_us: float) -> str:
    """Write microseconds with as many places as a person can use.

    Examples
    --------
    >>> format_us(1503.248), format_us(2.4003), format_us(0.0312), format_us(1e-9)
    ('1503.2 us', '2.40 us', '0.031 us', '0 us')
    """
    return f"{_digits(value_us, abs(value_us))} us"


def format_range_us(low_us: float, high_us: float) -> str:
    """Write a range of microseconds, both ends alike, or once where they read the same.

    Examples
    --------
    >>> format_range_us(8.0, 11.25), format_range_us(-0.04, 2.4), format_range_us(0.317, 0.318)
    ('8.0 to 11.2 us', '-0.04 to 2.40 us', '0.32 us')
    """
    size = max(abs(low_us), abs(high_us))
    low, high = _digits(low_us, size), _digits(high_us, size)
    return f"{low} us" if low == high else f"{low} to {high} us"


def _digits(value_us: float, size_us: float) -> str:
    if size_us >= 10.0:
        return f"{value_us:.1f}"
    if size_us >= 1.0:
        return f"{value_us:.2f}"
    return f"{value_us:.2g}" if size_us >= MIN_US else "0"


def format_s(value_s: float) -> str:
    """Write seconds with three digits, whole from 100 s on.

    Examples
    --------
    >>> format_s(38.98), format_s(0.0812), format_s(1234.5)
    ('39 s', '0.0812 s', '1234 s')
    """
    return f"{value_s:.0f} s" if value_s >= 100.0 else f"{value_s:.3g} s"


def format_list(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> format_list(["RX1"]), format_list(["RX1", "RX2", "RX3"])
    ('RX1', 'RX1, RX2 and RX3')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


MAX_LETTERS: Final = 40
"""Letters of a line's name that are shown."""
_AT_END: Final = 12
"""So many of them are its last ones: long names often differ there."""


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
    >>> format_line("output of the second receiver, third from the left")
    'output of the second receiv…rom the left'
    """
    plain = format_plainly(name)
    if len(plain) <= MAX_LETTERS:
        return plain
    return f"{plain[: MAX_LETTERS - 1 - _AT_END]}…{plain[-_AT_END:]}"


def format_device(name: str, role: str, device: str) -> str:
    """Name a line with its role and device, where these are known.

    Examples
    --------
    >>> format_device("RX1", "drive-left", "left drive ESC"), format_device("RX2", "", "")
    ('RX1 (drive-left, left drive ESC)', 'RX2')
    """
    about = ", ".join(part for part in (role, device) if part)
    return format_line(name) + (f" ({format_line(about)})" if about else "")
