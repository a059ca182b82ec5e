"""Keeps what a crashed parser's thread prints off the error output; the error itself is kept."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

_ERRORS: Final = 2
_PANIC: Final = re.compile(
    rb"\n?thread '[^\n]*panicked at .*?(?:note: run with `RUST_BACKTRACE[^\n]*\n|\Z)", re.DOTALL
)
_lock: Final = threading.Lock()
_depth = 0


@contextmanager
def unprinted() -> Iterator[None]:
    """Let nothing that a panicking thread prints through; all else passes.

    Nothing is done where the error output is a terminal, on which progress is shown.
    """
    global _depth  # noqa: PLW0603
    with _lock:
        _depth += 1
        is_outermost = _depth == 1 and not _is_terminal()
    try:
        if is_outermost:
            with _filtered():
                yield
        else:
            yield
    finally:
        with _lock:
            _depth -= 1


def _is_terminal() -> bool:
    try:
        return os.isatty(_ERRORS)
    except OSError:
        return True  # there is no error output to keep clean


@contextmanager
def _filtered() -> Iterator[None]:
    try:
        kept = os.dup(_ERRORS)
        reads, writes = os.pipe()
    except OSError:
        yield
        return
    _flush()
    os.dup2(writes, _ERRORS)
    os.close(writes)
    passing = threading.Thread(target=_pass_on, args=(reads, kept), daemon=True)
    passing.start()
    try:
        yield
    finally:
        _flush()
        os.dup2(kept, _ERRORS)
        passing.join()
        os.close(reads)
        os.close(kept)


def _flush() -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()


def _pass_on(reads: int, kept: int) -> None:
    held = b""
    while chunk := os.read(reads, 1 << 16):
        held += chunk
        if b"thread '" not in held:
            _write(kept, held)
            held = b""
    _write(kept, _PANIC.sub(b"", held))


def _write(kept: int, data: bytes) -> None:
    with contextlib.suppress(OSError):
        while data:
            data = data[os.write(kept, data) :]
