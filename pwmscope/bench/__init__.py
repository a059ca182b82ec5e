"""What is expected on the bench: sheet, limits, cautions. Knows nothing of measurements."""

from pwmscope.bench.cautions import CAUTIONS
from pwmscope.bench.limits import COMMON_PRACTICE, Limits
from pwmscope.bench.roles import ROLES, Role, StopBand
from pwmscope.bench.sheet import BenchChannel, BenchSheet, Marker, SheetError, load_sheet

__all__ = [
    "CAUTIONS",
    "COMMON_PRACTICE",
    "ROLES",
    "BenchChannel",
    "BenchSheet",
    "Limits",
    "Marker",
    "Role",
    "SheetError",
    "StopBand",
    "load_sheet",
]
