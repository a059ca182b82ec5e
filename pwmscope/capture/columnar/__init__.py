"""Parquet and Arrow tables as captures."""

from pwmscope.capture.columnar.table import read_columnar

__all__ = ["read_columnar"]
