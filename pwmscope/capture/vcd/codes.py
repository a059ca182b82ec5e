"""The identifier codes of a value change dump, looked up by the array."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

UNDECLARED: Final = -1


class CodeBook:
    """Numbers the identifier codes 0, 1, ... and looks them up by the array.

    Parameters
    ----------
    codes : sequence of bytes
        The codes, all different.
    """

    def __init__(self, codes: Sequence[bytes]) -> None:
        self._number = {code: number for number, code in enumerate(codes)}
        short = sorted(
            (int.from_bytes(code, "little"), number)
            for code, number in self._number.items()
            if len(code) <= 8
        )
        self._keys = np.array([key for key, _ in short], np.uint64)
        self._numbers = np.array([number for _, number in short], np.int32)
        self._dense = np.full(65_536, UNDECLARED, np.int32)
        small = self._keys < 65_536
        self._dense[self._keys[small].astype(np.int64)] = self._numbers[small]

    def look_up(
        self,
        data: npt.NDArray[np.uint8],
        starts: npt.NDArray[np.int64],
        ends: npt.NDArray[np.int64],
    ) -> npt.NDArray[np.int32]:
        """Give each code's number, -1 where it is not declared."""
        if not starts.size:
            return np.empty(0, np.int32)
        lengths = ends - starts
        longest = int(lengths.max())
        if longest <= 2:
            keys = data[starts].astype(np.uint16)
            if longest == 2 or int(lengths.min()) < 1:
                last = data.size - 1
                second = data[np.minimum(starts + 1, last)].astype(np.uint16) << np.uint16(8)
                keys = np.where(lengths == 2, keys | second, np.where(lengths == 1, keys, 0))
            return self._dense[keys]
        keys = np.zeros(starts.size, np.uint64)
        for k in range(min(longest, 8)):
            has = lengths > k
            keys[has] |= data[starts[has] + k].astype(np.uint64) << np.uint64(8 * k)
        found = np.full(starts.size, UNDECLARED, np.int32)
        if self._keys.size:
            at = np.minimum(np.searchsorted(self._keys, keys), self._keys.size - 1)
            found = np.where(self._keys[at] == keys, self._numbers[at], np.int32(UNDECLARED))
        for i in np.flatnonzero(lengths > 8).tolist():
            found[i] = self._number.get(data[starts[i] : ends[i]].tobytes(), UNDECLARED)
        return found
