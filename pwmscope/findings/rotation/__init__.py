"""What a sensor on a rotor shows: speed, spin-down after a loss, motion without a command."""

from pwmscope.findings.rotation.marks import (
    Marks,
    Speeds,
    below_per_minute,
    count_speeds,
    find_marks,
)
from pwmscope.findings.rotation.motion import (
    MOTION_STOP,
    LossMoment,
    Motion,
    MotionStop,
    Rotor,
    RunDown,
    Spells,
    find_spells,
    judge_motion,
    limit_of,
    looks_like_marks,
    missing_motion,
    put_together,
    ran_again,
    run_down,
)
from pwmscope.findings.rotation.rotation import (
    DEFINITIONS,
    Rotation,
    examine_rotation,
    find_stretches,
)
from pwmscope.findings.rotation.slow import SlowDown, fall_below

__all__ = [
    "DEFINITIONS",
    "MOTION_STOP",
    "LossMoment",
    "Marks",
    "Motion",
    "MotionStop",
    "Rotation",
    "Rotor",
    "RunDown",
    "SlowDown",
    "Speeds",
    "Spells",
    "below_per_minute",
    "count_speeds",
    "examine_rotation",
    "fall_below",
    "find_marks",
    "find_spells",
    "find_stretches",
    "judge_motion",
    "limit_of",
    "looks_like_marks",
    "missing_motion",
    "put_together",
    "ran_again",
    "run_down",
]
