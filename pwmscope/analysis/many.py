"""Many recordings, each analysed by itself, on this machine's processes or on a cluster's."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sized
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Generic, TypeAlias, TypeVar

from pwmscope.analysis.analysis import Analysis, analyse
from pwmscope.analysis.terms import LimitsLike, MarkerLike, SheetLike, check_hints, read_terms
from pwmscope.capture import Capture, Observer
from pwmscope.errors import ArgumentError, PwmscopeError, format_given, require_type
from pwmscope.pulses import Convention

if TYPE_CHECKING:
    from pwmscope.analysis.terms import Source

Job = TypeVar("Job")
Result = TypeVar("Result")

MAX_PROCESSES: Final = 4
"""An hour's recording takes up to a gibibyte of memory in each."""
_AHEAD_OF_OWN: Final = 4
"""Recordings handed to each own process before the first of them is asked for."""
_AHEAD_OF_GIVEN: Final = 1024
"""The same for all workers of a given executor together, whose number is not known."""


@dataclass(frozen=True, slots=True)
class Outcome(Generic[Result]):
    """What came of one of many recordings."""

    source: str  # What the recording is called: its file, or its place among the sources
    result: Result | None  # None where there is an error
    # Why it could not be analysed; a `PwmscopeError` says what to do
    error: Exception | None = None


class WorkerLostError(PwmscopeError):
    """The process that worked on a recording ended before it was done."""


def analyse_many(
    sources: Iterable[Source | tuple[Source, ...]],
    *,
    executor: Executor | None = None,
    take: Callable[[Analysis], Any] | None = None,
    sheet: SheetLike | None = None,
    marker: MarkerLike | None = None,
    convention: Convention | str | None = None,
    limits: LimitsLike | None = None,
    span: tuple[float | None, float | None] | None = None,
    hints: Mapping[str, Any] | None = None,
    progress: Observer | None = None,
) -> Iterator[Outcome[Any]]:
    """Analyse many recordings, each by itself, and give the outcomes in order as they come.

    Parameters
    ----------
    sources : iterable of str, path-like, data frame, Capture, or tuple of these
        The recordings; those of a tuple are judged as one test. They are taken as they are
        needed, so that a generator may name any number. Workers of a cluster open files by
        the same paths.
    executor : concurrent.futures.Executor, optional
        Who does the work; by default own processes, up to four. It is not shut down. For
        dask.distributed take `cluster` or ``client.get_executor(pure=False)``.
    take : callable, optional
        What is kept of each analysis, made by the worker, such as ``Analysis.to_json``; it
        must be picklable. By default all of it.
    sheet : str, path-like, mapping or BenchSheet, optional
        As `analyse` takes it, for every recording; so are the five that follow.
    marker : str or Marker, optional
        A line that shows whether the transmitter is on.
    convention : Convention or str, optional
        What every line is held against.
    limits : Limits or mapping, optional
        What the figures are held against.
    span : tuple of float, optional
        The part of each recording that is examined, in seconds.
    hints : mapping, optional
        Keywords of `load`.
    progress : callable, optional
        Called with how many are done, how many there are (None where that is not known) and
        ``"recordings"``.

    Returns
    -------
    iterator of Outcome
        One for each source. An error in one recording stops no other, and neither does a
        worker that is lost: an own process is replaced, and what it held is done again, once.

    Raises
    ------
    ArgumentError
        If an argument is of another type, naming it.
    PwmscopeError
        If the sheet cannot be used.

    Notes
    -----
    Own processes import the main module again: a script calls this below
    ``if __name__ == "__main__":``.

    Examples
    --------
    >>> import numpy as np
    >>> from concurrent.futures import ThreadPoolExecutor
    >>> from pwmscope.capture import Capture, Line
    >>> edges_ps = np.arange(1, 101) * 10**10
    >>> captures = [Capture({"RX1": Line("RX1", edges_ps, 0)}, 2 * 10**12, None, "a")] * 2
    >>> with ThreadPoolExecutor() as threads:
    ...     outcomes = list(analyse_many([*captures, "nowhere.csv"], executor=threads))
    >>> [outcome.result is not None for outcome in outcomes]
    [True, True, False]
    >>> print(outcomes[2].error)
    nowhere.csv: there is no such file; check the name and folder.
    """
    is_one = isinstance(sources, str | bytes | os.PathLike | Capture) or hasattr(sources, "columns")
    if is_one or not isinstance(sources, Iterable):
        raise ArgumentError("sources", format_given(sources), "a list of recordings")
    if executor is not None:
        require_type("executor", executor, Executor, "an executor of concurrent.futures")
    for argument, given in (("take", take), ("progress", progress)):
        if given is not None and not callable(given):
            raise ArgumentError(argument, format_given(given), "a function")
    terms = read_terms(
        sheet=sheet, plan=None, marker=marker, off_at=None, convention=convention, limits=limits,
        span=span, recordings=1,
    )  # fmt: skip
    asked = {
        "sheet": terms.sheet, "marker": marker, "convention": convention, "limits": limits,
        "span": span, "hints": check_hints(hints),
    }  # fmt: skip
    return carry_out(partial(_analysed, asked=asked, take=take), sources, executor=executor,
                     progress=progress, name_of=_name_of)  # fmt: skip


Sources: TypeAlias = "Source | tuple[Source, ...]"


def _analysed(
    source: Sources, *, asked: dict[str, Any], take: Callable[[Analysis], Any] | None
) -> object:
    """Analyse one recording, or several as one test, where the worker is."""
    if source == ():
        raise ArgumentError("sources", "a list with an empty tuple in it", "recordings in each")
    analysis = analyse(*(source if isinstance(source, tuple) else (source,)), **asked)
    return analysis if take is None else take(analysis)


def _name_of(source: Sources, nth: int) -> str:
    if isinstance(source, tuple):
        return ", ".join(_name_of(one, nth) for one in source)
    if isinstance(source, Capture):
        return source.source
    return str(source) if isinstance(source, str | os.PathLike) else f"source {nth + 1}"


def carry_out(
    work: Callable[[Job], Result],
    jobs: Iterable[Job],
    *,
    executor: Executor | None = None,
    progress: Observer | None = None,
    name_of: Callable[[Job, int], str] = lambda job, _nth: str(job),
) -> Iterator[Outcome[Result]]:
    """Do the same work on many jobs; give the outcomes in order, as `analyse_many` does.

    >>> from concurrent.futures import ThreadPoolExecutor
    >>> with ThreadPoolExecutor() as threads:
    ...     for outcome in carry_out(float, ["1.5", "one"], executor=threads):
    ...         print(outcome.source, outcome.result, outcome.error)
    1.5 1.5 None
    one None could not convert string to float: 'one'
    """
    total = len(jobs) if isinstance(jobs, Sized) else None
    crew: _Crew[Job, Result] = _Crew(work, executor)
    waiting: deque[_Task[Job, Result]] = deque()
    done, coming = 0, iter(jobs)
    if progress is not None:
        progress(0, total, "recordings")
    try:
        while True:
            while len(waiting) < crew.ahead:
                try:
                    job = next(coming)
                except StopIteration:
                    break
                waiting.append(crew.take_on(job, name_of(job, done + len(waiting))))
            if not waiting:
                return
            outcome = crew.outcome(waiting[0], waiting)
            waiting.popleft()
            done += 1
            if progress is not None:
                progress(done, total, "recordings")
            yield outcome
    finally:
        for task in waiting:
            task.future.cancel()
        crew.leave()


@dataclass(slots=True)
class _Task(Generic[Job, Result]):
    """A job that was handed to a worker."""

    job: Job
    name: str
    future: Future[Result]


class _Crew(Generic[Job, Result]):
    """Whoever does the work: a given executor, or own processes that are replaced when lost."""

    def __init__(self, work: Callable[[Job], Result], executor: Executor | None) -> None:
        self._work = work
        self._given = executor
        self._processes = min(os.cpu_count() or 1, MAX_PROCESSES)
        self._own: ProcessPoolExecutor | None = None

    @property
    def ahead(self) -> int:
        """How many jobs may be handed out before the first is asked for."""
        return _AHEAD_OF_OWN * self._processes if self._given is None else _AHEAD_OF_GIVEN

    def take_on(self, job: Job, name: str) -> _Task[Job, Result]:
        """Hand a job to a worker."""
        return _Task(job, name, self._submitted(job))

    def _submitted(self, job: Job) -> Future[Result]:
        try:
            if self._given is not None:
                return self._given.submit(self._work, job)
            if self._own is None:
                self._own = _own_processes(self._processes)
            return self._own.submit(_interruptible, self._work, job)
        except BrokenExecutor as error:
            broken: Future[Result] = Future()
            broken.set_exception(error)
            return broken

    def outcome(
        self, task: _Task[Job, Result], waiting: Iterable[_Task[Job, Result]]
    ) -> Outcome[Result]:
        """Wait for a job's end; where its own process was lost, do it again by itself."""
        outcome = self._waited(task.name, task.future)
        if self._given is not None or not isinstance(outcome.error, WorkerLostError):
            return outcome
        # Any of those that were under way may have ended the process: this one is tried alone,
        # and those after it go to new processes.
        self.leave()
        with _own_processes(1) as alone:
            outcome = self._waited(task.name, alone.submit(_interruptible, self._work, task.job))
        for other in waiting:
            if other is not task and isinstance(_failure(other.future), BrokenExecutor):
                other.future = self._submitted(other.job)
        return outcome

    def _waited(self, name: str, future: Future[Result]) -> Outcome[Result]:
        try:
            return Outcome(name, future.result())
        except (BrokenExecutor, CancelledError):
            return Outcome(name, None, _lost(name))
        except Exception as error:  # whatever it is, it concerns this recording alone
            is_loss = type(error).__name__ == "KilledWorker"  # as a cluster says it
            return Outcome(name, None, _lost(name) if is_loss else error)

    def leave(self) -> None:
        """End own processes; a given executor goes on."""
        if self._own is not None:
            self._own.shutdown(wait=True, cancel_futures=True)
            self._own = None


def _failure(future: Future[Any]) -> BaseException | None:
    return future.exception() if future.done() and not future.cancelled() else None


def _own_processes(count: int) -> ProcessPoolExecutor:
    # Parsers keep threads, which no forked process may inherit.
    return ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), _heed_no_interrupt)


def _heed_no_interrupt() -> None:
    """Leave an interrupt at the keyboard to the process that started this one, while idle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _interruptible(work: Callable[[Job], Result], job: Job) -> Result:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return work(job)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _lost(name: str) -> WorkerLostError:
    return WorkerLostError(
        f"{name}: its process ended before it was done, as it does where memory runs out. Analyse "
        "it alone."
    )


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """Reach the workers of a dask.distributed scheduler as an executor.

    A worker that is lost is survived: the scheduler gives what it held to another one.
    """
    try:
        distributed: Any = importlib.import_module("distributed")  # an optional extra
    except ImportError:
        raise ArgumentError(
            "address", "of no use here, as the package dask.distributed is not installed",
            "an installation with pip install pwmscope[cluster]",
        ) from None  # fmt: skip
    expected = "the address of a dask.distributed scheduler, such as tcp://farm:8786"
    require_type("address", address, str, expected)
    try:
        # A client that cannot be made of its address is never closed, and complains at the end.
        scheme, _place = distributed.comm.parse_address(address)
        distributed.comm.registry.get_backend(scheme)
        distributed.comm.get_address_host_port(address, strict=True)
    except ValueError:
        raise ArgumentError("address", format_given(address), expected) from None
    try:
        client = distributed.Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TypeError):
        found = f"'{address[:80]}', where no scheduler answers"
        raise ArgumentError("address", found, expected) from None
    with client:
        yield client.get_executor(pure=False)


_PATIENCE_S: Final = 10
