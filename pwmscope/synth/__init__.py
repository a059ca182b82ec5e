"""Bench recordings built from a script, with the truth beside the file."""

from pwmscope.synth.hands import FollowedPlan, Output, follow_plan
from pwmscope.synth.load import load_script, parse_script
from pwmscope.synth.recording import Recording, build
from pwmscope.synth.script import (
    Behaviour,
    Channel,
    Dwell,
    Frame,
    Glitches,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    Move,
    PulsesStop,
    Script,
    ScriptError,
    Shape,
    Sine,
    Sweep,
    Wanders,
    Width,
)
from pwmscope.synth.truth import ChannelLoss, ChannelTruth, FrameTruth, Level, Truth
from pwmscope.synth.writing import summarise_truth, write, write_truth

__all__ = [
    "Behaviour",
    "Channel",
    "ChannelLoss",
    "ChannelTruth",
    "Dwell",
    "FollowedPlan",
    "Frame",
    "FrameTruth",
    "Glitches",
    "GoesToPreset",
    "HoldsLast",
    "KeepsFollowing",
    "Level",
    "Loss",
    "Move",
    "Output",
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
    "follow_plan",
    "load_script",
    "parse_script",
    "summarise_truth",
    "write",
    "write_truth",
]
