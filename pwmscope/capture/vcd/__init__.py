"""Value change dumps (IEEE Std 1364) as captures."""

from pwmscope.capture.vcd.dump import read_vcd
from pwmscope.capture.vcd.growing import GrowingDump

__all__ = ["GrowingDump", "read_vcd"]
