"""Text tables of levels, whatever their dialect, as captures."""

from pwmscope.capture.text.growing import GrowingTable, NewEdges
from pwmscope.capture.text.table import read_table

__all__ = ["GrowingTable", "NewEdges", "read_table"]
