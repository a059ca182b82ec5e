"""From edges to pulses: widths, periods, frames and what is wrong with them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use
from pwmscope.pulses.convention import (
    CONVENTIONS,
    STANDARD_SERVO,
    Convention,
    choose_convention,
    convention_named,
)
from pwmscope.pulses.decode import (
    LineState,
    decode,
    decode_line,
    find_line_states,
    find_sum_train,
    split_sum_trains,
)
from pwmscope.pulses.frames import (
    MIN,
    Frames,
    Pattern,
    closing_rows,
    describe,
    find_frames,
    format_ms,
    multiples,
)
from pwmscope.pulses.table import (
    UNMEASURED,
    Flag,
    GrownEdges,
    PulseTable,
    excerpt,
    shelf,
    shelved,
    taken,
    without,
)

if TYPE_CHECKING:
    from pwmscope.pulses.live import Happening, LineNow, LiveEvent, LivePulses


__all__ = [
    "CONVENTIONS",
    "MIN",
    "STANDARD_SERVO",
    "UNMEASURED",
    "Convention",
    "Flag",
    "Frames",
    "GrownEdges",
    "Happening",
    "LineNow",
    "LineState",
    "LiveEvent",
    "LivePulses",
    "Pattern",
    "PulseTable",
    "choose_convention",
    "closing_rows",
    "convention_named",
    "decode",
    "decode_line",
    "describe",
    "excerpt",
    "find_frames",
    "find_line_states",
    "find_sum_train",
    "format_ms",
    "multiples",
    "shelf",
    "shelved",
    "split_sum_trains",
    "taken",
    "without",
]


__getattr__ = at_first_use(__name__, {
    "live": "Happening LineNow LiveEvent LivePulses",
})  # fmt: skip
"""What only a recording that grows needs."""
