"""Recordings that come through a pipe: read once, into a temporary file."""

from __future__ import annotations

import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from pwmscope.capture.reader.unpack import bounded, called, reading

STANDARD_INPUT: Final = "-"
"""How a person names the standard input."""
_BLOCK: Final = 1 << 20


def is_pipe(path: Path) -> bool:
    """Say whether a path's bytes can be read once only."""
    if str(path) == STANDARD_INPUT:
        return True
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return False  # whoever opens it will say what is wrong
    return stat.S_ISFIFO(mode) or stat.S_ISCHR(mode) or stat.S_ISSOCK(mode)


@contextmanager
def settled(path: Path) -> Iterator[Path]:
    """Give a file that can be read again and again: the path itself, or a pipe's copy.

    The copy is deleted at the end of the ``with`` block; sentences call it by its own name.
    """
    if not is_pipe(path):
        yield path
        return
    name = "standard input" if str(path) == STANDARD_INPUT else str(path)
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "recording"
        with called(copy, name), called(path, name):
            with reading(path), copy.open("wb") as out:
                if str(path) == STANDARD_INPUT:
                    shutil.copyfileobj(bounded(sys.stdin.buffer, copy), out, _BLOCK)
                else:
                    with path.open("rb") as file:
                        shutil.copyfileobj(bounded(file, copy), out, _BLOCK)
            yield copy
