"""From edges to pulses: widths, periods, frames and what is wrong with them."""

from pwmscope.pulses.convention import STANDARD_SERVO, Convention
from pwmscope.pulses.decode import decode, decode_line
from pwmscope.pulses.frames import Frames, find_frames
from pwmscope.pulses.sum_train import SumTrain, find_sum_train, split_sum_trains
from pwmscope.pulses.table import UNMEASURED, Flag, PulseTable

__all__ = [
    "STANDARD_SERVO",
    "UNMEASURED",
    "Convention",
    "Flag",
    "Frames",
    "PulseTable",
    "SumTrain",
    "decode",
    "decode_line",
    "find_frames",
    "find_sum_train",
    "split_sum_trains",
]
