"""One channel as the analysers take it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.bench import Limits
from pwmscope.findings.segmentation.dwells import Dwells
from pwmscope.model.finding import Evidence
from pwmscope.model.spans import Span, inside, overlaps
from pwmscope.pulses import Frames, PulseTable


@dataclass(frozen=True, slots=True)
class Record:
    """One channel's pulses with what every analyser needs of them, worked out once."""

    table: PulseTable  # The channel's pulses
    frames: Frames  # Its frames, whether the signal was lost or not
    dwells: Dwells  # Its dwells outside loss spans
    # Time spans in which its signal was lost; they count in nothing but the findings about signal
    # loss
    losses: tuple[Span, ...]
    limits: Limits  # What is held against it, scaled to the channel's convention

    @property
    def rows(self) -> npt.NDArray[np.int64]:
        """Rows of the measured pulses outside loss spans; shape (n,)."""
        usable = self.table.measured
        if self.losses:
            usable &= ~inside(self.losses, self.table.rise_s)
        return np.flatnonzero(usable)

    @property
    def periods(self) -> npt.NDArray[np.int64]:
        """Places in ``frames`` of the periods that lie wholly outside loss spans; shape (n,)."""
        if not self.losses:
            return np.arange(self.frames.index.size)
        begin_s = self.table.rise_s[self.frames.index]
        end_s = begin_s + self.frames.period_us / 1e6
        return np.flatnonzero(~overlaps(self.losses, begin_s, end_s))

    def evidence(self, rows: npt.NDArray[np.int64]) -> tuple[Evidence, ...]:
        """Name a stretch of pulses as evidence."""
        if not rows.size:
            return ()
        return (Evidence.of(self.table.rise_s, int(rows[0]), int(rows[-1]), rows.size),)
