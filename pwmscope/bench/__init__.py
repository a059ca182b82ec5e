"""What is expected on the bench: sheet, limits, cautions. Knows nothing of measurements."""

from pwmscope.bench.cautions import CAUTIONS
from pwmscope.bench.equipment import Analyser, Marker, PowerSource, Receiver, Transmitter
from pwmscope.bench.limits import COMMON_PRACTICE, Limits
from pwmscope.bench.roles import ROLES, Role, StopBand
from pwmscope.bench.sheet import BenchChannel, BenchSheet, Gap, SheetError, load_sheet
from pwmscope.model.verdict import Verdict

__all__ = [
    "CAUTIONS",
    "COMMON_PRACTICE",
    "ROLES",
    "Analyser",
    "BenchChannel",
    "BenchSheet",
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
    "load_sheet",
]
