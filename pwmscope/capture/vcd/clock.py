"""The time stamps of a value change dump, and when it was switched off."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.vcd.words import KEYWORD, TIME, Words
from pwmscope.errors import CaptureError

MOST_DIGITS: Final = 19
MOST_TIME_PS: Final = int(np.iinfo(np.int64).max)
_SECTIONS: Final = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff")


@dataclass(slots=True)
class Clock:
    """The time stamps of a dump, followed from block to block.

    Parameters
    ----------
    unit_fs : int
        One unit of the time stamps in femtoseconds.
    source : str
        The file's name, for messages.
    start_ps : int or None
        Where the recording begins: 0 where values stand before the first time
        stamp, else the first time stamp; None before either.
    now_ps : int
        The last time stamp so far.
    off_since_ps : int or None
        Since when recording is switched off, if it is.
    offs_ps : list of (int, int)
        Spans during which recording was switched off.
    """

    unit_fs: int
    source: str
    start_ps: int | None = None
    now_ps: int = 0
    off_since_ps: int | None = None
    offs_ps: list[tuple[int, int]] = field(default_factory=list)
    _section: bytes | None = field(default=None, repr=False)

    def times_of(self, words: Words) -> npt.NDArray[np.int64]:
        """Time in force at each word.

        Raises
        ------
        CaptureError
            If a time stamp is no number, beyond reach, or goes backwards.
        """
        is_stamp = words.kinds == TIME
        if words.is_code is not None:
            is_stamp &= ~words.is_code
        stamps = np.flatnonzero(is_stamp)
        if self.start_ps is None and (not stamps.size or stamps[0] > 0):
            self.start_ps = 0
        listed = np.empty(stamps.size + 1, np.int64)
        listed[0] = self.now_ps
        listed[1:] = self._read_stamps(words, stamps)
        if self.start_ps is None:
            self.start_ps = int(listed[1])
        backwards = listed[1:] < listed[:-1]
        if backwards.any():
            at = int(backwards.argmax())
            raise CaptureError(
                self.source,
                f"time goes backwards, from {listed[at]} ps to {listed[at + 1]} ps",
                "export the recording again, or split the file here if it holds two recordings",
                row=words.row_of(int(stamps[at])),
            )
        self.now_ps = int(listed[-1])
        in_force: npt.NDArray[np.int64] = listed[np.cumsum(is_stamp)]
        return in_force

    def _read_stamps(self, words: Words, stamps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        starts, ends = words.starts[stamps] + 1, words.ends[stamps]
        lengths = ends - starts
        counts = np.zeros(stamps.size, np.uint64)
        is_bad = (lengths < 1) | (lengths > MOST_DIGITS)
        shortest, longest = (int(lengths.min()), int(lengths.max())) if lengths.size else (1, 0)
        for length in range(max(1, shortest), min(MOST_DIGITS, longest) + 1):
            those = np.flatnonzero(lengths == length)
            if not those.size:
                continue
            first = starts[those]
            value = np.zeros(those.size, np.uint64)
            for k in range(length):
                digit = words.data[first + k] - np.uint8(48)
                if int(digit.max()) > 9:
                    is_bad[those[digit > 9]] = True
                value *= np.uint64(10)
                value += digit
            counts[those] = value
        per_ps = max(1, 1000 // self.unit_fs)
        is_bad |= counts > np.uint64(MOST_TIME_PS // max(1, self.unit_fs // 1000))
        if is_bad.any():
            self._refuse(words, int(stamps[int(is_bad.argmax())]))
        if self.unit_fs >= 1000:
            return counts.astype(np.int64) * np.int64(self.unit_fs // 1000)
        whole, part = np.divmod(counts.astype(np.int64), np.int64(per_ps))
        return whole + (2 * part >= per_ps)

    def _refuse(self, words: Words, word: int) -> None:
        text = words.text_of(word)
        digits = text[1:]
        if digits.isascii() and digits.isdigit():
            raise CaptureError(
                self.source,
                f"the time stamp '{text}' lies beyond reach (at most 106 days, and "
                f"{MOST_DIGITS} digits)",
                "export the recording with times that begin at 0",
                row=words.row_of(word),
            )
        raise CaptureError(
            self.source,
            f"the time stamp '{text}' is no whole number",
            "export the recording again as a value change dump (IEEE Std 1364)",
            row=words.row_of(word),
        )

    def find_sections(
        self, words: Words, times: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.bool_] | None:
        """Follow ``$dumpoff`` and its like; mark the words that are no values.

        Returns
        -------
        ndarray of bool, shape (n_words,), or None
            True at keywords and at everything within ``$dumpoff ... $end``,
            where a dump lists every variable as unknown; None where the block
            has neither.

        Raises
        ------
        CaptureError
            If a keyword is not one that may stand among values.
        """
        is_keyword: npt.NDArray[np.bool_] = words.kinds == KEYWORD
        if words.is_code is not None:
            is_keyword &= ~words.is_code
        at = np.flatnonzero(is_keyword)
        if not at.size and self._section != b"$dumpoff":
            return None
        begun = 0
        for word in at.tolist():
            text = words.bytes_of(word)
            if self._section == b"$dumpoff":
                is_keyword[begun:word] = True
            if text == b"$end":
                self._section = None
            elif text in _SECTIONS:
                self._section, begun = text, word
                self._switch(text, int(times[word]))
            else:
                raise CaptureError(
                    self.source,
                    f"'{words.text_of(word)}' found among the values",
                    "export the recording again as a value change dump (IEEE Std 1364)",
                    row=words.row_of(word),
                )
        if self._section == b"$dumpoff":
            is_keyword[begun:] = True
        return is_keyword

    def _switch(self, keyword: bytes, time_ps: int) -> None:
        if keyword == b"$dumpoff" and self.off_since_ps is None:
            self.off_since_ps = time_ps
        elif keyword == b"$dumpon" and self.off_since_ps is not None:
            self.offs_ps.append((self.off_since_ps, time_ps))
            self.off_since_ps = None
