"""Bench recordings built from a script, with the truth beside the file."""

from pwmscope.synth.behaviours import (
    Behaviour,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    PulsesStop,
    Wanders,
)
from pwmscope.synth.errors import ScriptError
from pwmscope.synth.load import load_script, parse_script
from pwmscope.synth.moves import Dwell, Move, Sine, Sweep
from pwmscope.synth.recording import Recording, build
from pwmscope.synth.script import Channel, Frame, Glitches, Loss, Script, Shape, Width
from pwmscope.synth.summary import summarise_truth, write_truth
from pwmscope.synth.table import write
from pwmscope.synth.truth import ChannelLoss, ChannelTruth, FrameTruth, Level, Truth

__all__ = [
    "Behaviour",
    "Channel",
    "ChannelLoss",
    "ChannelTruth",
    "Dwell",
    "Frame",
    "FrameTruth",
    "Glitches",
    "GoesToPreset",
    "HoldsLast",
    "KeepsFollowing",
    "Level",
    "Loss",
    "Move",
    "PulsesStop",
    "Recording",
    "Script",
    "ScriptError",
    "Shape",
    "Sine",
    "Sweep",
    "Truth",
    "Wanders",
    "Width",
    "build",
    "load_script",
    "parse_script",
    "summarise_truth",
    "write",
    "write_truth",
]
