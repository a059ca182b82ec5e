"""Bench recordings built from a script, with the truth beside the file."""

from pwmscope.synth.files import load_script, parse_script, write, write_truth
from pwmscope.synth.recording import Level, Recording, Truth, build
from pwmscope.synth.script import (
    Behaviour,
    Channel,
    Dwell,
    FollowedPlan,
    Frame,
    Glitches,
    GoesToPreset,
    HoldsLast,
    Interference,
    KeepsFollowing,
    Load,
    Loss,
    Move,
    Output,
    PulsesStop,
    Rotor,
    Script,
    ScriptError,
    Shape,
    Sine,
    Supply,
    Sweep,
    Wanders,
    Width,
    follow_plan,
)

__all__ = [
    "Behaviour", "Channel", "Dwell", "FollowedPlan", "Frame", "Glitches", "GoesToPreset",
    "HoldsLast", "Interference", "KeepsFollowing", "Level", "Load", "Loss", "Move", "Output",
    "PulsesStop", "Recording", "Rotor", "Script", "ScriptError", "Shape", "Sine", "Supply",
    "Sweep", "Truth", "Wanders", "Width", "build", "follow_plan", "load_script", "parse_script",
    "write", "write_truth",
]  # fmt: skip
