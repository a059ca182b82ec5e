"""Measured answers from a logic-analyser recording of a radio receiver's output pins.

Three calls do the main job: `load` a file, `decode` its pulses, `examine` them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pwmscope.capture import Capture, Line, load
    from pwmscope.errors import PwmscopeError
    from pwmscope.findings import Findings, Verdict, examine
    from pwmscope.pulses import STANDARD_SERVO, Convention, Flag, PulseTable, decode

__version__ = "0.1.0"

_HOMES = {
    "Capture": "capture",
    "Line": "capture",
    "load": "capture",
    "PwmscopeError": "errors",
    "Findings": "findings",
    "Verdict": "findings",
    "examine": "findings",
    "STANDARD_SERVO": "pulses",
    "Convention": "pulses",
    "Flag": "pulses",
    "PulseTable": "pulses",
    "decode": "pulses",
}

__all__ = [
    "STANDARD_SERVO",
    "Capture",
    "Convention",
    "Findings",
    "Flag",
    "Line",
    "PulseTable",
    "PwmscopeError",
    "Verdict",
    "decode",
    "examine",
    "load",
]


def __getattr__(name: str) -> object:
    """Import a public name when it is first used, so that start-up stays quick."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'pwmscope' has no attribute '{name}'")
    found: object = getattr(importlib.import_module(f"pwmscope.{home}"), name)
    return found
