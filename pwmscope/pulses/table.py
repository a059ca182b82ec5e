"""One channel's pulses as columns, and what of a long recording lies on the disk meanwhile."""

from __future__ import annotations

import contextlib
import mmap
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import IntFlag
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from pwmscope.capture import Capture, Line, load
from pwmscope.capture.text import NewEdges
from pwmscope.errors import PwmscopeError, require_type
from pwmscope.model import BoolArray, FloatArray, IntArray, assumed, one_by_one
from pwmscope.pulses.convention import Convention

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

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


class Flag(IntFlag):
    """What is special about a pulse; several may hold at once.

    CUT
        The capture starts or ends inside it; its width is not known, so it is
        none of the others but perhaps NOTCHED.
    GLITCH
        Shorter than the convention's glitch limit; not also FOREIGN or OUTSIDE.
    NOTCHED
        A low shorter than the glitch limit inside it was bridged; since its
        ends are in doubt it is never OUTSIDE.
    FOREIGN
        Outside the convention's accepted range: not a servo pulse.
    OUTSIDE
        Outside the convention's endpoints by more than one sample interval
        (and a picosecond, for rounding).
    """

    CUT = 1
    GLITCH = 2
    NOTCHED = 4
    FOREIGN = 8
    OUTSIDE = 16


UNMEASURED = Flag.CUT | Flag.GLITCH | Flag.NOTCHED | Flag.FOREIGN
"""A pulse with any of these stays out of the width statistics."""


@dataclass(frozen=True, slots=True)
class DamagedFrames:
    """Frames of a PPM sum train, one after the other, of which no pulse belongs to a channel.

    >>> DamagedFrames(1.0, 1.3, 14, 6, 8).reason
    '14 frames hold 6 channels instead of 8'
    """

    # From the first one's first mark to the last one's last mark
    start_s: float
    end_s: float
    frames: int  # How many
    channels: int  # Channels that each of them holds
    usual_channels: int  # Channels that a frame of this train holds

    @property
    def reason(self) -> str:
        """Why they are not read, as a clause."""
        holds = "frame holds" if self.frames == 1 else "frames hold"
        channels = "channel" if self.channels == 1 else "channels"
        return f"{self.frames} {holds} {self.channels} {channels} instead of {self.usual_channels}"


@dataclass(frozen=True, slots=True, eq=False)
class PulseTable:
    """The pulses of one line, in order.

    Parameters
    ----------
    line : str
        The line's name.
    rise_s : ndarray of float64, shape (n,)
        Instant of each leading edge in seconds since the recording's start; the
        capture's own start for a pulse already under way then.
    width_us : ndarray of float64, shape (n,)
        Pulse width in microseconds, between the crossings of the logic
        threshold (pulse duration at the mid reference level, IEEE Std 181);
        NaN where the pulse is cut.
    period_us : ndarray of float64, shape (n,)
        From this leading edge to that of the next frame pulse, in
        microseconds; NaN for the last one and for pulses that mark no frame
        (glitches, foreign pulses, one cut by the end of which less or more was
        seen than a servo pulse's accepted range), and where either leading edge
        is not certain (cut at the start, or bridged).
    flags : ndarray of uint8, shape (n,)
        `Flag` values, combined.
    inverted : bool
        Whether the line idles high, so that its pulses are low.
    convention : Convention
        What the flags were set against.
    sample_interval_us : float or None
        Interval between samples, where known.
    notes : tuple of str
        What was assumed while decoding, each a plain sentence.
    other_polarity : float or None, optional
        Median width in microseconds of the other level's stretches, where they are as
        likely to be the pulses; None where the record decides which level is.
    time_scale : float or None, optional
        By what the recording's times must be multiplied for its widths and frames to be
        those of servo lines, where they are not as they stand; None where they are.
    damaged : tuple of DamagedFrames, optional
        Of a sum train's channel: where frames came that could not be read, in order.
        Pulses that are missing there did not stop.
    """

    line: str
    rise_s: FloatArray
    width_us: FloatArray
    period_us: FloatArray
    flags: npt.NDArray[np.uint8]
    inverted: bool
    convention: Convention
    sample_interval_us: float | None
    notes: tuple[str, ...] = ()
    other_polarity: float | None = None
    time_scale: float | None = None
    damaged: tuple[DamagedFrames, ...] = ()

    def __post_init__(self) -> None:
        for name in _COLUMNS:
            column = getattr(self, name).view()
            column.flags.writeable = False
            object.__setattr__(self, name, column)

    def __len__(self) -> int:
        return int(self.rise_s.size)

    def has(self, flag: Flag) -> BoolArray:
        """Say for each pulse whether it carries any of the given flags.

        Parameters
        ----------
        flag : Flag
            One flag or several.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        require_type("flag", flag, int, "a Flag")
        marked: BoolArray = (self.flags & np.uint8(flag)) != 0
        return marked

    @property
    def measured(self) -> BoolArray:
        """Pulses that count in the width statistics; bool, shape (n,)."""
        return ~self.has(UNMEASURED)

    @property
    def likely_rate_hz(self) -> float | None:
        """Sample rate at which the line would carry servo pulses, where the stated one is wrong.

        None where it is not wrong as far as the line shows, or not known.
        """
        if self.time_scale is None or self.sample_interval_us is None:
            return None
        return 1e6 / (self.sample_interval_us * self.time_scale)

    def to_pandas(self) -> pd.DataFrame:
        """Return the columns ``rise_s, width_us, period_us, flags``.

        Returns
        -------
        pandas.DataFrame
            A row per pulse.
        """
        import pandas as pd  # noqa: PLC0415

        return pd.DataFrame(self._columns())

    def to_polars(self) -> pl.DataFrame:
        """Return the columns ``rise_s, width_us, period_us, flags``.

        Returns
        -------
        polars.DataFrame
            A row per pulse.
        """
        import polars as pl  # noqa: PLC0415

        return pl.DataFrame(self._columns())

    def _columns(self) -> dict[str, FloatArray | npt.NDArray[np.uint8]]:
        return {name: getattr(self, name) for name in _COLUMNS}


_COLUMNS: Final = ("rise_s", "width_us", "period_us", "flags")
SLICE: Final = 2**15
"""Values worked on at a time where a whole record's worth of fresh memory would cost more."""
_FEW: Final = 1000
Scalar = TypeVar("Scalar", bound=np.generic)


def excerpt(
    values: npt.NDArray[Scalar], parts: int = 64, length: int = 1024
) -> npt.NDArray[Scalar]:
    """Take parts of a record, evenly spread, or the whole as one part where it is no longer.

    >>> excerpt(np.arange(100.0), parts=2, length=3)
    array([[ 0.,  1.,  2.],
           [97., 98., 99.]])
    """
    if values.size <= parts * length:
        return values[None, :]
    begin = np.linspace(0, values.size - length, parts).astype(np.int64)
    return np.stack([values[first : first + length] for first in begin])


def without(values: npt.NDArray[Scalar], places: IntArray) -> npt.NDArray[Scalar]:
    """Leave out a few places, ascending, of a record, piece by piece in one copy.

    Many are better left to `numpy.delete`, which this does.

    >>> without(np.array([5.0, 6.0, 7.0, 8.0]), np.array([1, 2]))
    array([5., 8.])
    """
    if places.size > _FEW:
        return np.delete(values, places)
    begins = np.concatenate([[0], places + 1])
    ends = np.concatenate([places, [values.size]])
    return np.concatenate([values[a:b] for a, b in zip(begins, ends, strict=True)])


def taken(values: npt.NDArray[Scalar], places: IntArray) -> npt.NDArray[Scalar]:
    """Take values of a record at ascending places, by a view where they follow one another.

    >>> taken(np.array([4.0, 5.0, 6.0]), np.array([1, 2]))
    array([5., 6.])
    """
    if places.size and int(places[-1]) - int(places[0]) == places.size - 1:
        return values[int(places[0]) : int(places[-1]) + 1]
    return values[places]


def slices(size: int) -> Iterator[slice]:
    """Cut a record into slices of `SLICE` values.

    >>> [(part.start, part.stop) for part in slices(SLICE + 5)]
    [(0, 32768), (32768, 32773)]
    """
    for begin in range(0, size, SLICE):
        yield slice(begin, min(begin + SLICE, size))


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
    """Put a long array on the shelf, and give what reads the same; it is written to no more.

    Without a `shelf`, or where the disk has no room for it, that is the array itself.

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
        sampling interval, the duration and what is assumed. The edges there must be the same,
        and `MIN_EDGES` at least. ``hints`` are keywords of `load`.
        """
        if not self._is_whole or sum(self._counts.values()) < MIN_EDGES or _shelf is None:
            return None
        try:
            ends = _load_ends(path, self.size, hints)
            edges_ps = {name: self._edges_ps(name, _shelf) for name in ends.lines}
        except (PwmscopeError, OSError):
            return None
        interval_ps = ends.sample_interval_ps
        guesses = {a.what for a in assumed(ends.assumptions) if a.source == "convention"}
        if "sampling interval" in guesses:
            return None  # the changes between may show more
        agrees = ends.duration_ps == self._now_ps and all(
            _is_within(line.edges_ps, edges_ps[name]) and _is_even(edges_ps[name], interval_ps)
            for name, line in ends.lines.items()
        )
        if not agrees or any(self._counts[name] for name in self._counts.keys() - edges_ps):
            return None
        lines = {n: Line(n, edges_ps[n], line.initial_level) for n, line in ends.lines.items()}
        said = (*ends.assumptions, READ_FROM_ENDS)
        return replace(ends, lines=lines, source=str(path), assumptions=said)

    def _edges_ps(self, name: str, on: _Shelf) -> IntArray:
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


def _is_within(ends_ps: IntArray, edges_ps: IntArray) -> bool:
    """Say whether edges are the first and the last of a line, but for one where the gap is."""
    most = min(ends_ps.size, edges_ps.size)
    head = ends_ps[:most] != edges_ps[:most]
    tail = ends_ps[ends_ps.size - most :] != edges_ps[edges_ps.size - most :]
    alike = int(head.argmax()) if head.any() else most
    alike += int(tail[::-1].argmax()) if tail.any() else most
    return alike >= ends_ps.size - 1


def _is_even(edges_ps: IntArray, interval_ps: float | None) -> bool:
    """Say whether edges follow each other and lie where samples were."""
    step = int(interval_ps) if interval_ps and interval_ps.is_integer() else 1
    for at in range(0, edges_ps.size, _PIECE):
        piece = edges_ps[at : at + _PIECE + 1]
        if (np.diff(piece) <= 0).any() or (step > 1 and (piece % step).any()):
            return False
    return True
