"""What is expected on the bench: sheet, plan, limits, cautions. Knows nothing of measurements."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from pwmscope.bench.common_practice import CAUTIONS, COMMON_PRACTICE, Limits
from pwmscope.bench.equipment import (
    BUTTON_LATE_S,
    DEFAULT_STOP,
    LEVELS,
    MARKER_KINDS,
    Analyser,
    BenchChannel,
    BenchSheet,
    Gap,
    Level,
    Marker,
    MarkerKind,
    PowerSource,
    Receiver,
    Transmitter,
)
from pwmscope.bench.plan import AXES, MODES, Axis, CapturePlan, Mode, PlanStep, StepSpan
from pwmscope.bench.plan_making import make_plan
from pwmscope.bench.roles import DRIVES, ROLES, STICKS, UNUSED, Role, StopBand
from pwmscope.bench.sampling_need import needed_pulses, needed_rate_hz, offered_rate_hz
from pwmscope.bench.sheet import SheetError, load_sheet, parse_sheet
from pwmscope.bench.toml_text import KeyPath, format_key
from pwmscope.model.verdict import Verdict

if TYPE_CHECKING:
    from pwmscope.bench.plan_reading import PlanError, load_plan, parse_plan, plan_toml
    from pwmscope.bench.sheet_reading import sheet_of

_VALIDATING = {
    "PlanError": "plan_reading",
    "load_plan": "plan_reading",
    "parse_plan": "plan_reading",
    "plan_toml": "plan_reading",
    "sheet_of": "sheet_reading",
}
"""What needs the library that validates, which takes a tenth of a second to import."""

__all__ = [
    "AXES",
    "BUTTON_LATE_S",
    "CAUTIONS",
    "COMMON_PRACTICE",
    "DEFAULT_STOP",
    "DRIVES",
    "LEVELS",
    "MARKER_KINDS",
    "MODES",
    "ROLES",
    "STICKS",
    "UNUSED",
    "Analyser",
    "Axis",
    "BenchChannel",
    "BenchSheet",
    "CapturePlan",
    "Gap",
    "KeyPath",
    "Level",
    "Limits",
    "Marker",
    "MarkerKind",
    "Mode",
    "PlanError",
    "PlanStep",
    "PowerSource",
    "Receiver",
    "Role",
    "SheetError",
    "StepSpan",
    "StopBand",
    "Transmitter",
    "Verdict",
    "format_key",
    "load_plan",
    "load_sheet",
    "make_plan",
    "needed_pulses",
    "needed_rate_hz",
    "offered_rate_hz",
    "parse_plan",
    "parse_sheet",
    "plan_toml",
    "sheet_of",
]


def __getattr__(name: str) -> object:
    """Import what validates when it is first used."""
    home = _VALIDATING.get(name)
    if home is None:
        raise AttributeError(f"module 'pwmscope.bench' has no attribute '{name}'")
    found: object = getattr(importlib.import_module(f"pwmscope.bench.{home}"), name)
    return found
