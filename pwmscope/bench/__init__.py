"""What is expected on the bench: sheet, limits, cautions. Knows nothing of measurements."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from pwmscope.bench.cautions import CAUTIONS
from pwmscope.bench.equipment import Analyser, Marker, PowerSource, Receiver, Transmitter
from pwmscope.bench.limits import COMMON_PRACTICE, Limits
from pwmscope.bench.plan import CapturePlan
from pwmscope.bench.roles import ROLES, Role, StopBand
from pwmscope.bench.sheet import BenchChannel, BenchSheet, Gap, SheetError, load_sheet
from pwmscope.model.verdict import Verdict

if TYPE_CHECKING:
    from pwmscope.bench.plan_reading import load_plan
    from pwmscope.bench.sheet_reading import sheet_of

_VALIDATING = {"load_plan": "plan_reading", "sheet_of": "sheet_reading"}
"""What needs the library that validates, which takes a tenth of a second to import."""

__all__ = [
    "CAUTIONS",
    "COMMON_PRACTICE",
    "ROLES",
    "Analyser",
    "BenchChannel",
    "BenchSheet",
    "CapturePlan",
    "Gap",
    "Limits",
    "Marker",
    "PowerSource",
    "Receiver",
    "Role",
    "SheetError",
    "StopBand",
    "Transmitter",
    "Verdict",
    "load_plan",
    "load_sheet",
    "sheet_of",
]


def __getattr__(name: str) -> object:
    """Import what validates when it is first used."""
    home = _VALIDATING.get(name)
    if home is None:
        raise AttributeError(f"module 'pwmscope.bench' has no attribute '{name}'")
    found: object = getattr(importlib.import_module(f"pwmscope.bench.{home}"), name)
    return found
