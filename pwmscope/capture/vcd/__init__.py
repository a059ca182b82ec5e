"""Value change dumps (IEEE Std 1364) as captures."""

from pwmscope.capture.vcd.dump import read_vcd

__all__ = ["read_vcd"]
