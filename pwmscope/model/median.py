"""The median, also of very many values."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

FROM_MAD: Final = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation."""
_MANY: Final = 1_000_000


def median_of(values: npt.NDArray[np.float64]) -> float:
    """Return the median.

    Examples
    --------
    >>> median_of(np.array([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    if values.size < _MANY:
        return float(np.median(values))
    # Polars takes a third of numpy's time; for few values its import would cost more.
    import polars as pl  # noqa: PLC0415

    median = pl.Series(values).median()
    assert isinstance(median, float)
    return median
