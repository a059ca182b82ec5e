"""From edges to pulses: widths, periods, frames and what is wrong with them."""

from pwmscope.pulses.choice import choose_convention
from pwmscope.pulses.convention import (
    CONVENTIONS,
    STANDARD_SERVO,
    Convention,
    convention_named,
)
from pwmscope.pulses.decode import decode, decode_line
from pwmscope.pulses.frames import Frames, find_frames
from pwmscope.pulses.line_states import LineState, find_line_states
from pwmscope.pulses.sum_train import SumTrain, find_sum_train, split_sum_trains
from pwmscope.pulses.table import UNMEASURED, DamagedFrames, Flag, PulseTable

__all__ = [
    "CONVENTIONS",
    "STANDARD_SERVO",
    "UNMEASURED",
    "Convention",
    "DamagedFrames",
    "Flag",
    "Frames",
    "LineState",
    "PulseTable",
    "SumTrain",
    "choose_convention",
    "convention_named",
    "decode",
    "decode_line",
    "find_frames",
    "find_line_states",
    "find_sum_train",
    "split_sum_trains",
]
