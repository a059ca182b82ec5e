"""Which level of a line is the pulse: most idle low, an inverted one idles high."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_US, Line
from pwmscope.pulses.convention import Convention


def is_inverted(line: Line, convention: Convention) -> bool:
    """Decide whether a line's pulses are its lows.

    The level whose stretches more often last as long as a servo pulse is the
    pulse. Where both do (frames so fast that the pause is as short as a
    pulse), the frame clock decides: a receiver starts its pulses evenly and
    ends them where the stick stands, so the steadier edge is the leading one.

    Parameters
    ----------
    line : Line
        The line.
    convention : Convention
        Gives the range of widths accepted as servo pulses.

    Returns
    -------
    bool
        True where the pulses are low.
    """
    stretches_us = np.diff(line.edges_ps) / PS_PER_US
    fits = (stretches_us >= convention.accepted_low_us) & (
        stretches_us <= convention.accepted_high_us
    )
    first_is_high = line.initial_level == 0
    even, odd = np.count_nonzero(fits[0::2]), np.count_nonzero(fits[1::2])
    high, low = (even, odd) if first_is_high else (odd, even)
    most, least = max(high, low), min(high, low)
    if least > 0.5 * most and most > 4:
        return _unsteadiness(line.falls_ps()) < 0.5 * _unsteadiness(line.rises_ps())
    return bool(low > high)


def _unsteadiness(edges_ps: npt.NDArray[np.int64]) -> float:
    """Mean deviation of the intervals between edges; a gap counts as a tenth of one."""
    intervals_us = np.diff(edges_ps) / PS_PER_US
    usual_us = float(np.median(intervals_us))
    return float(np.mean(np.minimum(np.abs(intervals_us - usual_us), 0.1 * usual_us)))
