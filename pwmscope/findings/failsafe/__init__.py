"""What every line does when the radio goes silent, and whether that meets the limit in time."""

from pwmscope.findings.failsafe.alternatives import Alternative, Cause, Ground
from pwmscope.findings.failsafe.analysis import (
    DEFINITIONS,
    LineLosses,
    LossAnalysis,
    find_losses,
    listen_to,
)
from pwmscope.findings.failsafe.check import (
    Failsafe,
    FailsafeLine,
    InRecording,
    LeftOut,
    LeftOutKind,
    LineInRecording,
    RotorInRecording,
    check_failsafe,
)
from pwmscope.findings.failsafe.delays import PULL_SCATTER_S
from pwmscope.findings.failsafe.event import (
    CONFIDENCE,
    LossEvent,
    Recovery,
    RotorLoss,
    Trials,
    failure_rate_bound,
    needed_trials,
    worst_loss,
)
from pwmscope.findings.failsafe.event import SIGNAL_LOSS as NAME
from pwmscope.findings.failsafe.link_states import LinkState, StateOfLine, link_states
from pwmscope.findings.failsafe.losses import Known, Loss, quiet_limit_s
from pwmscope.findings.failsafe.marker import Polarity, Reference, marked_losses, reference_of
from pwmscope.findings.failsafe.power import POWER_UP
from pwmscope.findings.failsafe.recovery import NAME as RECOVERY
from pwmscope.findings.failsafe.recovery import NO_JUMP
from pwmscope.findings.failsafe.response import LossClass, Phase, PhaseKind

analyse_losses = listen_to

__all__ = [
    "CONFIDENCE",
    "DEFINITIONS",
    "NAME",
    "NO_JUMP",
    "POWER_UP",
    "PULL_SCATTER_S",
    "RECOVERY",
    "Alternative",
    "Cause",
    "Failsafe",
    "FailsafeLine",
    "Ground",
    "InRecording",
    "Known",
    "LeftOut",
    "LeftOutKind",
    "LineInRecording",
    "LineLosses",
    "LinkState",
    "Loss",
    "LossAnalysis",
    "LossClass",
    "LossEvent",
    "Phase",
    "PhaseKind",
    "Polarity",
    "Recovery",
    "Reference",
    "RotorInRecording",
    "RotorLoss",
    "StateOfLine",
    "Trials",
    "analyse_losses",
    "check_failsafe",
    "failure_rate_bound",
    "find_losses",
    "link_states",
    "listen_to",
    "marked_losses",
    "needed_trials",
    "quiet_limit_s",
    "reference_of",
    "worst_loss",
]
