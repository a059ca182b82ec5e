"""Several lines of a long recording worked on at once."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection, Iterator
from typing import Final, TypeVar

Found = TypeVar("Found")

MIN_SIZE: Final = 1 << 18
"""Fewer values in all are worked on one line after the other, before a thread is under way."""
_MAX_THREADS: Final = 8
_is_one_by_one = False


def thread_count() -> int:
    """Count the processors that this process may use, up to a limit."""
    if hasattr(os, "sched_getaffinity"):
        return min(_MAX_THREADS, len(os.sched_getaffinity(0)))
    return min(_MAX_THREADS, os.cpu_count() or 1)


@contextlib.contextmanager
def one_by_one() -> Iterator[None]:
    """Let `at_once` work on one line after the other meanwhile, with memory for one alone."""
    global _is_one_by_one  # noqa: PLW0603 - one analysis at a time fills the memory
    before, _is_one_by_one = _is_one_by_one, True
    try:
        yield
    finally:
        _is_one_by_one = before


def at_once(work: Callable[[str], Found], names: Collection[str], size: int) -> dict[str, Found]:
    """Work on every line, on threads where they are long; what is found is the same.

    Parameters
    ----------
    work : callable
        Takes a name and changes nothing that the work on another one looks at.
    names : collection of str
        The names of the lines.
    size : int
        Edges or pulses that they hold in all.

    Returns
    -------
    dict
        What was found for each, in the order of the names.

    Examples
    --------
    >>> at_once(str.lower, ["RX1", "RX2"], size=500)
    {'RX1': 'rx1', 'RX2': 'rx2'}
    """
    threads = min(thread_count(), len(names))
    if size < MIN_SIZE or threads < 2 or _is_one_by_one:
        return {name: work(name) for name in names}
    from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415 - not for a short recording

    with ThreadPoolExecutor(threads) as pool:
        return dict(zip(names, pool.map(work, names), strict=True))
