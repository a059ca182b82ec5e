"""Parquet and Arrow tables as captures, and the edge files that pwmscope itself keeps."""

from pwmscope.capture.columnar.edge_file import is_edge_file, read_edges, write_edges
from pwmscope.capture.columnar.table import read_columnar

__all__ = ["is_edge_file", "read_columnar", "read_edges", "write_edges"]
