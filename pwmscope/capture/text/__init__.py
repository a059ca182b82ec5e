"""Text tables of levels, whatever their dialect, as captures."""

from pwmscope.capture.text.table import GrowingTable, NewEdges, read_table

__all__ = ["GrowingTable", "NewEdges", "read_table"]
