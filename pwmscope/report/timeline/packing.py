"""Whole numbers packed small enough to stand in a page."""

from __future__ import annotations

import base64
import zlib

import numpy as np
import numpy.typing as npt

Packed = dict[str, int | str]
"""Whole numbers as text: ``count``, ``first``, ``step``, ``planes`` and ``text``.

The differences from one number to the next, less ``step``, are folded to
natural numbers (0, -1, 1, -2, ... become 0, 1, 2, 3, ...) and written in
``planes`` bytes each: the lowest bytes of all, then the next, and so on.
These are deflated (RFC 1950) and written in base64 (RFC 4648).
"""


def pack(values: npt.NDArray[np.int64]) -> Packed:
    """Pack whole numbers.

    Parameters
    ----------
    values : ndarray of int64, shape (n,)
        Between -2**53 and 2**53, so that a script can hold them.

    Returns
    -------
    Packed

    Examples
    --------
    >>> pack(np.array([7, 27, 47, 68]))["first"], pack(np.array([7, 27, 47, 68]))["step"]
    (7, 20)
    """
    if not values.size:
        return {"count": 0, "first": 0, "step": 0, "planes": 1, "text": _text(b"")}
    steps = np.diff(values)
    step = int(np.partition(steps, steps.size // 2)[steps.size // 2]) if steps.size else 0
    off = steps - step
    folded = ((off << 1) ^ (off >> 63)).astype("<u8")
    planes = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    lanes = folded.view(np.uint8).reshape(-1, 8)[:, :planes].T
    return {
        "count": int(values.size),
        "first": int(values[0]),
        "step": step,
        "planes": planes,
        "text": _text(lanes.tobytes()),
    }


def _text(content: bytes) -> str:
    return base64.b64encode(zlib.compress(content, 6)).decode("ascii")
