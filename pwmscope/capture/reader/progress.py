"""How far reading has come, told to whoever watches, without a parameter in every function."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol, TypeVar

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
