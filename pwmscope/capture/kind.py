"""What kind of file a recording is in, told from its first bytes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pwmscope.capture.columnar.table import PARQUET
from pwmscope.capture.edge_file import is_edge_file
from pwmscope.capture.load import choose_reader
from pwmscope.capture.unpack import find_packing, read_head

_PACKED_WITH: Final = {"gzip": "gzip", "zstd": "Zstandard", "zip": "zip"}


@dataclass(frozen=True, slots=True)
class Kind:
    """What kind of file a recording is in.

    Parameters
    ----------
    words : str
        Such as ``text table, packed with gzip``.
    holds_edges : bool
        Whether it is an edge file of pwmscope's own, about which nothing is guessed.
    """

    words: str
    holds_edges: bool = False


def find_kind(path: Path) -> Kind:
    r"""Tell the kind of a file that `pwmscope.load` can read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "a.csv")
    ...     _ = file.write_text("time_us,RX1\n0,0\n")
    ...     find_kind(file).words
    'text table'
    """
    reader = choose_reader(path).__name__
    if reader == "read_columnar":
        is_parquet = read_head(path, len(PARQUET)) == PARQUET
        if is_parquet and is_edge_file(path):
            return Kind("edges that pwmscope convert kept, in Parquet", holds_edges=True)
        return Kind("Parquet table" if is_parquet else "Arrow table")
    words = "value change dump (IEEE Std 1364)" if reader == "read_vcd" else "text table"
    packing = find_packing(path)
    return Kind(words if packing == "plain" else f"{words}, packed with {_PACKED_WITH[packing]}")
