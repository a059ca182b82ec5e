"""What is expected on the bench: limits and cautions. Knows nothing of measurements."""

from pwmscope.bench.cautions import CAUTIONS
from pwmscope.bench.limits import COMMON_PRACTICE, Limits

__all__ = ["CAUTIONS", "COMMON_PRACTICE", "Limits"]
