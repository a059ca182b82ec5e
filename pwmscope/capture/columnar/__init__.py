"""Parquet and Arrow tables and data frames as captures, and pwmscope's own edge files."""

from pwmscope.capture.columnar.edge_file import is_edge_file, read_edges, write_edges
from pwmscope.capture.columnar.table import read_columnar, read_frame

__all__ = ["is_edge_file", "read_columnar", "read_edges", "read_frame", "write_edges"]
