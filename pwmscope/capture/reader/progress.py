"""What is shown while a file is read: how far it has come, and nothing that a parser prints."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Final, Protocol, TypeVar

Item = TypeVar("Item")


class Observer(Protocol):
    """Whoever wants to know how far reading has come."""

    def __call__(self, done: int, total: int | None, unit: str) -> None:
        """Take note."""


_observer: ContextVar[Observer | None] = ContextVar("observer", default=None)


@contextmanager
def observed_by(observer: Observer) -> Iterator[None]:
    """Let an observer watch all reading inside the block.

    Examples
    --------
    >>> with observed_by(lambda done, total, unit: print(f"{done} of {total} {unit}")):
    ...     list(watched(["ab", "cde"], 5, len, "bytes"))
    0 of 5 bytes
    2 of 5 bytes
    5 of 5 bytes
    ['ab', 'cde']
    """
    token = _observer.set(observer)
    try:
        yield
    finally:
        _observer.reset(token)


def report(done: int, total: int | None, unit: str) -> None:
    """Tell the observer, if there is one, how far reading has come."""
    observer = _observer.get()
    if observer is not None:
        observer(done, total, unit)


def watched(
    items: Iterable[Item],
    total: int | None,
    amount: Callable[[Item], int],
    unit: str = "rows",
    *,
    done: int = 0,
) -> Iterator[Item]:
    """Pass items on and tell the observer after each how far reading has come."""
    report(done, total, unit)
    for item in items:
        yield item
        done += amount(item)
        report(done, total, unit)


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
