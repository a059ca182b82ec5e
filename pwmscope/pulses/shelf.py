"""What of a long recording lies on the disk while it is followed and analysed."""

from __future__ import annotations

import contextlib
import mmap
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import IO, Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from pwmscope.capture import Capture, Line, load
from pwmscope.capture.text import NewEdges
from pwmscope.errors import PwmscopeError
from pwmscope.model import one_by_one

Scalar = TypeVar("Scalar", bound=np.generic)
MIN_BYTES: Final = 1 << 20
"""A shorter array stays in memory."""
MIN_EDGES: Final = 1 << 21
"""A recording of fewer edges is read again as a whole."""
READ_FROM_ENDS: Final = (
    "How the file is laid out was read from its head and its end. Its edges are those that were "
    "followed."
)
_LET_GO_S: Final = 0.25
_HEAD_BYTES: Final = 8 << 20
_TAIL_BYTES: Final = 1 << 20
_BUFFER: Final = 1 << 16
_PIECE: Final = 1 << 18


class _Shelf:
    """A file without a name, and the arrays that are read from it."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._maps: list[mmap.mmap] = []

    def put(self, array: npt.NDArray[Scalar]) -> npt.NDArray[Scalar]:
        at = self._file.seek(0, 2)
        at = self._file.seek(at + -at % mmap.ALLOCATIONGRANULARITY)
        self._file.write(array.data.cast("B"))
        self._file.flush()
        return self.view(self._file, at, array.dtype, array.size).reshape(array.shape)

    def view(
        self, file: IO[bytes], at: int, dtype: np.dtype[Scalar], count: int
    ) -> npt.NDArray[Scalar]:
        size = count * dtype.itemsize
        mapped = mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ, offset=at)
        self._maps.append(mapped)
        return np.frombuffer(mapped, dtype)

    def let_go(self) -> None:
        """Give back the memory of what was looked at; it is read again from the file."""
        if hasattr(mmap, "MADV_DONTNEED"):
            for mapped in list(self._maps):
                mapped.madvise(mmap.MADV_DONTNEED)


_shelf: _Shelf | None = None


@contextlib.contextmanager
def shelf() -> Iterator[None]:
    """Let long arrays lie on the disk meanwhile, in a temporary file that vanishes by itself.

    What is analysed within it needs memory for one line's work at a time, and the disk for
    the rest: about 90 bytes a pulse. Values are the same to the last bit.
    """
    global _shelf  # noqa: PLW0603 - one analysis at a time fills the memory
    before, over = _shelf, threading.Event()
    with tempfile.TemporaryFile(prefix="pwmscope-") as file:
        own = _shelf = _Shelf(file)

        def let_go() -> None:
            while not over.wait(_LET_GO_S):
                own.let_go()

        letting = threading.Thread(target=let_go, daemon=True)
        letting.start()
        try:
            with one_by_one():
                yield
        finally:
            _shelf = before
            over.set()
            letting.join()


def shelved(array: npt.NDArray[Scalar]) -> npt.NDArray[Scalar]:
    """Put a long array on the shelf, where there is one, and give what reads the same.

    Parameters
    ----------
    array : ndarray
        Not written to any more.

    Returns
    -------
    ndarray
        The array itself without a `shelf`, or where the disk has no room for it.

    Examples
    --------
    >>> with shelf():
    ...     far = shelved(np.arange(1_000_000))
    >>> int(far[-1]), far.flags.writeable
    (999999, False)
    """
    if _shelf is None or array.nbytes < MIN_BYTES:
        return array
    try:
        return _shelf.put(np.ascontiguousarray(array))
    except OSError:  # no room: then it takes memory
        return array


class GrownEdges:
    """The edges of a recording that grows, put on the disk as they come."""

    def __init__(self) -> None:
        self._files: dict[str, IO[bytes]] = {}
        self._counts: dict[str, int] = {}
        self._now_ps = 0
        self._is_whole = True
        self.size = 0
        """Of the recording as it was read, in bytes."""

    def __enter__(self) -> GrownEdges:
        return self

    def __exit__(self, *_: object) -> None:
        for file in self._files.values():
            with contextlib.suppress(OSError):  # what could not be written is not missed
                file.close()

    def take(self, new: NewEdges) -> None:
        """Take edges that came."""
        self._now_ps = max(self._now_ps, new.now_ps)
        for name, edges_ps in new.edges_ps.items():
            try:
                self._file_of(name).write(edges_ps.tobytes())
                self._counts[name] += edges_ps.size
            except OSError:  # no room: the recording itself is read at the end
                self._is_whole = False

    def _file_of(self, name: str) -> IO[bytes]:
        if name not in self._files:
            file = tempfile.TemporaryFile(prefix="pwmscope-", buffering=_BUFFER)  # noqa: SIM115
            self._files[name], self._counts[name] = file, 0
        return self._files[name]

    def capture(self, path: Path, hints: Mapping[str, Any]) -> Capture | None:
        """Give the recording with these edges, as `load` would; None where `load` has to.

        How the file is to be understood is read from its head and its end: the lines, the
        sampling interval, the duration and what is assumed. The edges there must be the same.

        Parameters
        ----------
        path : Path
            The recording's file.
        hints : mapping
            Keywords of `load`.

        Returns
        -------
        Capture or None
            None as well for fewer than `MIN_EDGES`.
        """
        if not self._is_whole or sum(self._counts.values()) < MIN_EDGES or _shelf is None:
            return None
        try:
            ends = _load_ends(path, self.size, hints)
            edges_ps = {name: self._edges_ps(name, _shelf) for name in ends.lines}
        except (PwmscopeError, OSError):
            return None
        interval_ps = ends.sample_interval_ps
        agrees = ends.duration_ps == self._now_ps and all(
            _is_within(line.edges_ps, edges_ps[name]) and _is_even(edges_ps[name], interval_ps)
            for name, line in ends.lines.items()
        )
        if not agrees or any(self._counts[name] for name in self._counts.keys() - edges_ps):
            return None
        lines = {n: Line(n, edges_ps[n], line.initial_level) for n, line in ends.lines.items()}
        said = (*ends.assumptions, READ_FROM_ENDS)
        return replace(ends, lines=lines, source=str(path), assumptions=said)

    def _edges_ps(self, name: str, on: _Shelf) -> npt.NDArray[np.int64]:
        if not self._counts.get(name):
            return np.zeros(0, np.int64)
        file = self._files[name]
        file.flush()
        return on.view(file, 0, np.dtype(np.int64), self._counts[name])


def _load_ends(path: Path, size: int, hints: Mapping[str, Any]) -> Capture:
    """Read the head and the end of a recording as one; between them is a gap."""
    with path.open("rb") as file, tempfile.NamedTemporaryFile(prefix="pwmscope-") as ends:
        head = file.read(_HEAD_BYTES)
        file.seek(max(size - _TAIL_BYTES, len(head)))
        tail = file.read(size - file.tell())
        # A dump goes on at a time stamp, a table at any row.
        step = tail.find(b"\n#") if b"\n#" in tail else tail.find(b"\n")
        ends.write(head[: head.rfind(b"\n")] + tail[step:])
        ends.flush()
        return load(ends.name, **hints)


def _is_within(ends_ps: npt.NDArray[np.int64], edges_ps: npt.NDArray[np.int64]) -> bool:
    """Say whether edges are the first and the last of a line, but for one where the gap is."""
    most = min(ends_ps.size, edges_ps.size)
    head = ends_ps[:most] != edges_ps[:most]
    tail = ends_ps[ends_ps.size - most :] != edges_ps[edges_ps.size - most :]
    alike = int(head.argmax()) if head.any() else most
    alike += int(tail[::-1].argmax()) if tail.any() else most
    return alike >= ends_ps.size - 1


def _is_even(edges_ps: npt.NDArray[np.int64], interval_ps: float | None) -> bool:
    """Say whether edges follow each other and lie where samples were."""
    step = int(interval_ps) if interval_ps and interval_ps.is_integer() else 1
    for at in range(0, edges_ps.size, _PIECE):
        piece = edges_ps[at : at + _PIECE + 1]
        if (np.diff(piece) <= 0).any() or (step > 1 and (piece % step).any()):
            return False
    return True
