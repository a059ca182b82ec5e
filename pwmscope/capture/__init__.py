"""From a file to a Capture: named lines of edges in picoseconds."""

from pwmscope.capture.capture import PS_PER_S, PS_PER_US, Capture, Line
from pwmscope.capture.load import load

__all__ = ["PS_PER_S", "PS_PER_US", "Capture", "Line", "load"]
