"""Value change dumps (IEEE Std 1364) as captures."""

from pwmscope.capture.vcd.dump import GrowingDump, read_vcd

__all__ = ["GrowingDump", "read_vcd"]
