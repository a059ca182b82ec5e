"""Recordings that come through a pipe: read once, into a temporary file."""

from __future__ import annotations

import atexit
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from pwmscope.capture.reader.unpack import bounded, call_always, called, reading
from pwmscope.errors import plain_text

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


def kept_copy(path: Path) -> Path:
    """Give a file that lasts as long as the program: the path itself, or a pipe's copy."""
    if not is_pipe(path):
        return path
    folder = Path(tempfile.mkdtemp(prefix="pwmscope-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    is_input = str(path) == STANDARD_INPUT
    name = "standard input" if is_input else str(path)
    copy = folder / ("standard input" if is_input else path.name)
    _fill(copy, path, name)
    call_always(copy, name)
    return copy


def _fill(copy: Path, path: Path, name: str) -> None:
    with called(copy, name), called(path, name), reading(path), copy.open("wb") as out:
        if str(path) == STANDARD_INPUT:
            shutil.copyfileobj(bounded(sys.stdin.buffer, copy), out, _BLOCK)
        else:
            with path.open("rb") as file:
                shutil.copyfileobj(bounded(file, copy), out, _BLOCK)


@contextmanager
def settled(path: Path) -> Iterator[Path]:
    """Give a file that can be read again and again: the path itself, or a pipe's copy.

    The copy is deleted at the end of the ``with`` block; sentences call it by its own name.
    A file whose name is no UTF-8 is reached by a link that parsers can open.
    """
    if not is_pipe(path):
        with _utf_8_named(path) as file:
            yield file
        return
    name = "standard input" if str(path) == STANDARD_INPUT else str(path)
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "recording"
        _fill(copy, path, name)
        with called(copy, name), called(path, name):
            yield copy


@contextmanager
def _utf_8_named(path: Path) -> Iterator[Path]:
    try:
        str(path).encode()
    except UnicodeEncodeError:
        if path.exists():
            with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
                link = Path(folder) / "recording"
                link.symlink_to(path.absolute())
                with called(link, plain_text(str(path))):
                    yield link
            return
    yield path
