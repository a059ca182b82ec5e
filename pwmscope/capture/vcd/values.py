"""The values of the variables in a value change dump: bits and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.vcd.codes import CodeBook
from pwmscope.capture.vcd.words import REAL, SCALAR, VECTOR, Words
from pwmscope.errors import CaptureError

LOW, HIGH, UNKNOWN, NO_STATE = 0, 1, 2, 3
MOST_NUMBER: Final = 1e100


def _states() -> npt.NDArray[np.uint8]:
    table = np.full(256, NO_STATE, np.uint8)
    table[list(b"0lL")] = LOW
    table[list(b"1hH")] = HIGH
    table[list(b"xXzZuUwW-")] = UNKNOWN
    return table


STATE_OF_BYTE: Final = _states()
"""IEEE Std 1364 has 0, 1, x and z; the other letters are the strengths that
IEEE Std 1164 adds (weak low and high count as levels, the rest as unknown)."""


@dataclass(frozen=True, slots=True)
class Values:
    """The values of one kind within a block, in file order.

    Parameters
    ----------
    words : ndarray of int64, shape (n,)
        Which word of the block holds each value.
    numbers : ndarray of int32, shape (n,)
        Number of the identifier code of each.
    times : ndarray of int64, shape (n,)
        Time of each in picoseconds, as the file counts it.
    """

    words: npt.NDArray[np.int64]
    numbers: npt.NDArray[np.int32]
    times: npt.NDArray[np.int64]


def find_values(
    words: Words,
    times: npt.NDArray[np.int64],
    left_out: npt.NDArray[np.bool_] | None,
    book: CodeBook,
    source: str,
) -> dict[int, Values]:
    """Sort the values of a block by kind: states under `SCALAR`, numbers under `REAL`.

    Raises
    ------
    CaptureError
        If a word is neither, or its identifier code was never declared.
    """
    found: dict[int, Values] = {}
    is_first = None if words.is_code is None else ~words.is_code
    is_garbage = words.kinds == 0 if is_first is None else (words.kinds == 0) & is_first
    if is_garbage.any():
        word = int(is_garbage.argmax())
        raise CaptureError(
            source,
            f"'{words.text_of(word)}' is neither a time nor a value",
            "export the recording again as a value change dump (IEEE Std 1364)",
            row=words.row_of(word),
        )
    for kinds in ((SCALAR, VECTOR), (REAL,)):
        chosen = words.kinds == kinds[0]
        for other in kinds[1:]:
            chosen |= words.kinds == other
        if is_first is not None:
            chosen &= is_first
        if left_out is not None:
            chosen &= ~left_out
        at = np.flatnonzero(chosen)
        if not at.size:
            continue
        # The code stands in the same word after one state, else in the next word.
        is_scalar = words.kinds[at] == SCALAR
        named = at if is_scalar.all() else at + ~is_scalar
        numbers = book.look_up(words.data, words.starts[named] + is_scalar, words.ends[named])
        if int(numbers.min()) < 0:
            wrong = int((numbers < 0).argmax())
            _refuse_code(words, int(named[wrong]), bool(is_scalar[wrong]), source)
        found[kinds[0]] = Values(at, numbers, times[at])
    return found


def _refuse_code(words: Words, word: int, is_scalar: bool, source: str) -> None:
    text = words.text_of(word)
    code = text[1:] if is_scalar else text
    raise CaptureError(
        source,
        f"the identifier code '{code}' of '{text}' was never declared"
        if code
        else f"the value '{text}' has no identifier code",
        "export the recording again, with its list of variables",
        row=words.row_of(word),
    )


def vector_states(
    words: Words, at: npt.NDArray[np.int64], size: int, name: str, source: str
) -> npt.NDArray[np.uint8]:
    """States of each bit of vector (or one-bit) values of one variable.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        The words that hold the values.
    size : int
        Number of bits as declared.

    Returns
    -------
    ndarray of uint8, shape (n, size)
        Leftmost bit first; shorter values are extended to the left with 0, or
        with x or z where that is their leftmost state (IEEE Std 1364, 18.2.2).
    """
    skip = (words.kinds[at] != SCALAR).astype(np.int64)
    starts = words.starts[at] + skip
    lengths = np.where(skip == 1, words.ends[at] - starts, 1)
    states = np.empty((at.size, size), np.uint8)
    for length in np.unique(lengths).tolist():
        those = np.flatnonzero(lengths == length)
        if not 0 < length <= size:
            raise CaptureError(
                source,
                f"the value '{words.text_of(int(at[those[0]]))}' has {length} bits, at most "
                f"{size} were declared",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=words.row_of(int(at[those[0]])),
                column=name,
            )
        digits = STATE_OF_BYTE[words.data[starts[those, None] + np.arange(length)]]
        if int(digits.max()) == NO_STATE:
            word = int(at[those[int((digits == NO_STATE).any(axis=1).argmax())]])
            raise CaptureError(
                source,
                f"the value '{words.text_of(word)}' holds other digits than 0, 1, x and z",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=words.row_of(word),
                column=name,
            )
        states[those, size - length :] = digits
        states[those, : size - length] = np.where(digits[:, :1] == UNKNOWN, UNKNOWN, LOW)
    return states


def real_values(
    words: Words, at: npt.NDArray[np.int64], name: str, source: str
) -> npt.NDArray[np.float64]:
    """Read the numbers of real values such as ``r3.297``, NaN where unknown."""
    values = np.empty(at.size, np.float64)
    for i, word in enumerate(at.tolist()):
        try:
            values[i] = float(words.bytes_of(word)[1:])
        except ValueError:
            raise _bad_number(words, word, "is no number", name, source) from None
    beyond = np.isfinite(values) & (np.abs(values) > MOST_NUMBER)
    if beyond.any():
        word = int(at[int(beyond.argmax())])
        raise _bad_number(words, word, f"lies beyond {MOST_NUMBER:g}", name, source)
    return values


def _bad_number(words: Words, word: int, fault: str, name: str, source: str) -> CaptureError:
    return CaptureError(
        source,
        f"the value '{words.text_of(word)}' {fault}",
        "export the recording again as a value change dump (IEEE Std 1364)",
        row=words.row_of(word),
        column=name,
    )
