"""Where a channel's stick rests: there a held output and an idle stick look alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.findings.segmentation.dwells import Dwells
from pwmscope.findings.travel.levels import pooled_level_us
from pwmscope.pulses import Convention

AWAY: Final = 0.02
"""A stick this part of the convention's span from rest is off its rest position."""
NEUTRAL_REACH: Final = 0.05
"""A rest position this part of the span from the convention's neutral may be a trimmed one."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Where a channel's stick may rest.

    Parameters
    ----------
    low_us, high_us : float
        The widths round the usual rest position: the stop range where one is
        known, otherwise the convention's neutral with room for trim.
    stays_us : float or None
        Where the channel stood longest; None where it never stood still, or where
        the stop range says where it rests.
    lowest_us : float or None
        Its lowest dwell, for a channel that has none near neutral.
    away_us : float
        How far off rest a stick must be to be off it for certain.
    is_known : bool
        Whether the recording or the stop range tell where the stick rests.
    """

    low_us: float
    high_us: float
    stays_us: float | None
    lowest_us: float | None
    away_us: float
    is_known: bool

    def is_at_rest(self, level_us: float) -> bool:
        """Say whether a level is, or may be, one at which the stick rests."""
        if self.low_us <= level_us <= self.high_us:
            return True
        if self.stays_us is not None and abs(level_us - self.stays_us) <= self.away_us:
            return True
        return self.lowest_us is not None and level_us <= self.lowest_us + self.away_us

    def is_away(self, level_us: float) -> bool:
        """Say whether a level is known to be off rest, which needs a rest to compare with."""
        return self.is_known and not self.is_at_rest(level_us)


def find_rest(dwells: Dwells, convention: Convention, band: StopBand | None) -> Rest:
    """Find where a channel's stick rests.

    Parameters
    ----------
    dwells : Dwells
        Its dwells outside losses.
    convention : Convention
        Gives neutral and span.
    band : StopBand or None
        The stop range of the device on it, where known.

    Returns
    -------
    Rest
    """
    away_us = AWAY * convention.span_us
    if band is not None:
        low_us, high_us = band.low_us - away_us, band.high_us + away_us
        return Rest(low_us, high_us, None, None, away_us, is_known=True)
    stays_us = pooled_level_us(dwells, convention.span_us)
    reach_us = NEUTRAL_REACH * convention.span_us
    low_us, high_us = convention.neutral_us - reach_us, convention.neutral_us + reach_us
    has_neutral = bool(np.any((dwells.level_us >= low_us) & (dwells.level_us <= high_us)))
    lowest_us = None if has_neutral or not len(dwells) else float(dwells.level_us.min())
    is_known = stays_us is not None
    return Rest(low_us, high_us, stays_us, lowest_us, away_us, is_known)
