"""Open a recording, whatever file it is in: the table of formats, `load`; and cut out a part."""

from __future__ import annotations

import importlib
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeAlias

import numpy as np

from pwmscope.capture.reader.hints import EXPONENT_OF_UNIT, Hints, parse_time_unit
from pwmscope.capture.reader.unpack import (
    NAME_OF,
    find_packing,
    first_table,
    is_workbook,
    name_of,
    packing_of,
    read_head,
    settled,
    unpacking_at_most,
)
from pwmscope.errors import (
    ArgumentError,
    CaptureError,
    HintError,
    PwmscopeError,
    format_given,
    plain_text,
    require_number,
    require_type,
)
from pwmscope.model import PS_PER_S, Assumption, Capture, Line

if TYPE_CHECKING:
    from pwmscope.capture.text import NewEdges

Reader: TypeAlias = Callable[[Path, Hints], Capture]


@dataclass(frozen=True, slots=True)
class Format:
    """A kind of file that can be read."""

    name: str  # What a person calls it
    # From a file's first bytes, unpacked, to whether they look like this format
    begins: Callable[[bytes], bool]
    hints: tuple[str, ...]  # The arguments of `load` that its reader acts on
    # The package and the function that read it, as `package:function`; the package is imported when
    # the first such file comes
    reader: str
    lacks: str = ""  # What such a file lacks, for the other hints
    growing: str = ""  # What reads it while it grows, as `package:class`; empty where nothing does

    def read(self, path: Path, hints: Hints) -> Capture:
        """Read a file of this format."""
        self.refuse_hints(hints, name_of(path))
        reader: Reader = _imported(self.reader)
        return reader(path, hints)

    def refuse_hints(self, hints: Hints, source: str) -> None:
        """Refuse a hint that the reader would not act on."""
        for argument in hints.given:
            if argument not in self.hints:
                raise HintError(f"{source}: {self.lacks}; leave `{argument}` out.")


def _imported(name: str) -> Any:  # noqa: ANN401
    package, _, function = name.partition(":")
    return getattr(importlib.import_module(package), function)


def _first_word(head: bytes) -> bytes:
    return b"".join(head.removeprefix(b"\xef\xbb\xbf").split(maxsplit=1)[:1])


def _begins_with(*words: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(words)


_DUMP_KEYWORDS: Final = frozenset(
    (b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$var")
)
_COLUMNAR: Final = "pwmscope.capture.columnar:read_columnar"
_TEXT: Final = "pwmscope.capture.text:read_table"
_GROWING_TEXT: Final = "pwmscope.capture.text:GrowingTable"
_ALL_HINTS: Final = ("rate", "time_unit", "time_column", "lines", "threshold")

FORMATS: Final = (
    Format("Parquet table", _begins_with(b"PAR1"), _ALL_HINTS, _COLUMNAR),
    # The second is an Arrow stream: a continuation marker before its first message.
    Format("Arrow table", _begins_with(b"ARROW1", b"\xff\xff\xff\xff"), _ALL_HINTS, _COLUMNAR),
    Format(
        "value change dump (IEEE Std 1364)",
        lambda head: _first_word(head) in _DUMP_KEYWORDS,  # clause 18: what one may begin with
        ("rate", "time_unit", "lines", "threshold"),
        "pwmscope.capture.vcd:read_vcd",
        lacks="a value change dump has no time column",
        growing="pwmscope.capture.vcd:GrowingDump",
    ),
    Format("text table", lambda _head: True, _ALL_HINTS, _TEXT, growing=_GROWING_TEXT),
)
"""The formats that `load` tells apart, the first that fits; a text table is what is left."""


def load(
    path: str | os.PathLike[str],
    *,
    rate: str | float | None = None,
    time_unit: str | None = None,
    time_column: str | None = None,
    lines: str | tuple[str, ...] | list[str] | None = None,
    threshold: float | None = None,
    keep: tuple[str, ...] | list[str] = (),
    max_gib: float | None = None,
) -> Capture:
    r"""Read a recording.

    Parameters
    ----------
    path : str or path-like
        A text table, value change dump, workbook, Parquet or Arrow file. Text may be
        packed with gzip or Zstandard or be the one member of a zip file. ``"-"`` is the
        standard input; pipes are read once.
    rate : str or float, optional
        The analyser's sample rate, such as ``"1MHz"`` or ``1e6`` (hertz).
        Needed where the rows carry no time and the file does not state it.
    time_unit : str, optional
        Unit of the time column (``s, ms, us, ns, ps``) where its heading does
        not say it or is wrong.
    time_column : str, optional
        Name of the column that holds the time (``column1``, ``column2``, ...
        where there is no header).
    lines : str or sequence of str, optional
        The lines to read, in this order; a text is split at commas.
    threshold : float, optional
        Threshold between low and high of analogue columns, in their own unit.
    keep : sequence of str, optional
        Of a file with more than 64 lines: those to keep in any case. The others that are
        kept show servo pulses; the rest are counted.
    max_gib : float, optional
        How far a packed file, a workbook or a stream may grow, in GiB, where that is more
        than docs/formats.md allows.

    Returns
    -------
    Capture
        Named lines of edges in int64 picoseconds since the first row, and
        every assumption made on the way.

    Raises
    ------
    CaptureError
        If the file cannot be read, naming file, row, column and what to do.
    HintError
        If a hint is not understood, contradicts the file, or is needed.
    ArgumentError
        If an argument is of another type.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "two.csv")
    ...     _ = file.write_text("time_us,RX1\n0,0\n10,1\n1510,0\n20000,0\n")
    ...     capture = load(file)
    >>> capture.lines["RX1"].edges_ps
    array([  10000000, 1510000000])
    """
    require_type(
        "path", path, (str, os.PathLike), "the path of a file",
        "Data frames and open files go to pwmscope.analyse.",
    )  # fmt: skip
    hints = Hints.of(
        rate=rate, time_unit=time_unit, time_column=time_column, lines=lines,
        threshold=threshold, keep=keep, max_gib=max_gib,
    )  # fmt: skip
    name = os.fsdecode(path)
    if "\0" in name:
        raise ArgumentError("path", format_given(name), "the path of a file")
    with unpacking_at_most(max_gib), settled(Path(name)) as file:
        if is_workbook(file):
            with first_table(file) as table:
                return _printable(find_format(table).read(table, hints))
        try:
            return _printable(find_format(file).read(file, hints))
        except PwmscopeError:
            _refuse_toml(file)
            raise


def _refuse_toml(path: Path) -> None:
    """Say that what could not be read as a recording is a bench sheet or a capture plan."""
    import tomllib  # noqa: PLC0415 - only for such a file

    try:
        table = tomllib.loads(read_head(path, _MAX_TOML).decode())
    except ValueError:
        return
    for key, what, kind in (("steps", list, "capture plan"), ("channels", dict, "bench sheet")):
        if isinstance(table.get(key), what):
            remedy = f"give it as `{kind.split()[-1]}`, and name a recording"
            raise CaptureError(name_of(path), f"this is a {kind}", remedy) from None


_MAX_TOML: Final = 512 * 1024


class Growing(Protocol):
    """A recording that is fed with its bytes as they come."""

    def feed(self, data: bytes, *, is_last: bool = False) -> NewEdges | None:
        """Take more bytes; give what they show, or None while it is too little."""


def follow_growing(head: bytes, source: str, hints: Mapping[str, Any]) -> Growing:
    """Choose by its first bytes what reads a recording while it grows, if anything does."""
    kind, packing = _format_of(head), packing_of(head)
    if packing != "plain" or not kind.growing:
        what = kind.name if packing == "plain" else f"file packed with {NAME_OF[packing]}"
        remedy = "record a text table or a value change dump, or read it when it is whole"
        raise CaptureError(source, f"a {what} cannot be followed", remedy)
    kind.refuse_hints(Hints.of(**hints), source)
    growing: Growing = _imported(kind.growing)(source, hints)
    return growing


def _printable(capture: Capture) -> Capture:
    """Write names that no terminal should be sent as they are so that it may."""
    source = plain_text(capture.source)
    return capture if source == capture.source else replace(capture, source=source)


def find_format(path: Path) -> Format:
    """Find the format of a file by its first bytes; its name has no say."""
    return _format_of(read_head(path, 4096))


def _format_of(head: bytes) -> Format:
    return next(each for each in FORMATS if each.begins(head))


def find_kind(path: Path) -> str:
    """Tell the kind of a file that `pwmscope.load` can read, `text table, packed with gzip`."""
    if is_workbook(path):
        return "first table of a workbook"
    found = find_format(path)
    if found.name == "Parquet table":
        from pwmscope.capture.columnar import is_edge_file  # noqa: PLC0415

        if is_edge_file(path):
            return "edges that pwmscope convert kept, in Parquet"
    packing = find_packing(path)
    unpacked = packing == "plain" or found.reader == _COLUMNAR
    return found.name if unpacked else f"{found.name}, packed with {NAME_OF[packing]}"


PART: Final = "part examined"
"""What an `Assumption` is about that only a part is examined."""
_TIME: Final = re.compile(r"\s*(?P<number>\d+(?:\.\d*)?|\.\d+)\s*(?P<unit>[^\d.]*?)\s*")


def parse_instant_s(text: str) -> float:
    """Read an instant such as ``12.4s`` or ``350ms``, in seconds; a bare number is seconds.

    >>> parse_instant_s("350ms"), parse_instant_s("12.4")
    (0.35, 12.4)
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise HintError(
            f"The time '{text}' is not understood; write a number and a unit, "
            "for example 12.4s or 350ms."
        )
    unit = parse_time_unit(match["unit"]) if match["unit"] else "s"
    units_in_s = 10.0 ** (EXPONENT_OF_UNIT["s"] - EXPONENT_OF_UNIT[unit])
    return float(match["number"]) / units_in_s


def parse_stated_s(text: str) -> tuple[float, float]:
    """Read an instant as a person states it, and half a unit of its last digit, in seconds.

    >>> [parse_stated_s(text) for text in ("12.4s", "12s", "250ms")]
    [(12.4, 0.05), (12.0, 0.5), (0.25, 0.0005)]
    """
    time_s = parse_instant_s(text)
    match = _TIME.fullmatch(text)
    assert match is not None  # parse_instant_s took it
    decimals = match["number"].partition(".")[2]
    return time_s, 0.5 * parse_instant_s(f"1{match['unit']}") / 10 ** len(decimals)


def clip(capture: Capture, from_s: float | None = None, to_s: float | None = None) -> Capture:
    """Cut a part out of a recording, and say so; instants stay those of the whole recording.

    An end beyond the recording's is the recording's.

    >>> edges_ps = PS_PER_S * np.array([1, 3, 5, 7], np.int64)
    >>> whole = Capture({"RX1": Line("RX1", edges_ps, 0)}, 9 * PS_PER_S, None, "an example")
    >>> part = clip(whole, 2.0, 6.0)
    >>> part.lines["RX1"].edges_ps // PS_PER_S, part.lines["RX1"].initial_level
    (array([3, 5]), 1)
    >>> part.start_s, part.end_s
    (2.0, 6.0)
    """
    require_type("capture", capture, Capture, "a Capture, as load gives it")
    for argument, at_s in (("from_s", from_s), ("to_s", to_s)):
        if at_s is not None:
            require_number(argument, at_s, "seconds since the recording's start")
    if from_s is None and to_s is None:
        return capture
    begin_s = capture.start_s if from_s is None else from_s
    finish_s = capture.end_s if to_s is None else to_s
    start_ps = max(round(begin_s * PS_PER_S), capture.start_ps)
    end_ps = min(round(finish_s * PS_PER_S), capture.end_ps)
    if start_ps >= end_ps:
        raise HintError(
            f"Nothing of {capture.source} lies between {begin_s:g} and {finish_s:g} s; "
            f"it lasts from {capture.start_s:g} to {capture.end_s:g} s."
        )
    part_s = start_ps / PS_PER_S, end_ps / PS_PER_S
    sentence = (
        f"Only the part from {part_s[0]:g} to {part_s[1]:g} s of {capture.end_s:g} s is examined."
    )
    said = Assumption(sentence, PART, part_s, "s", "person")
    return replace(
        capture,
        lines={name: _part(line, start_ps, end_ps) for name, line in capture.lines.items()},
        start_ps=start_ps,
        duration_ps=end_ps - start_ps,
        assumptions=(*capture.assumptions, said),
    )


def _part(line: Line, start_ps: int, end_ps: int) -> Line:
    first, last = np.searchsorted(line.edges_ps, [start_ps, end_ps], side="right")
    plateaus = None if line.plateaus is None else line.plateaus.between(start_ps, end_ps)
    level = line.initial_level ^ (int(first) & 1)
    voltage = None if line.voltage is None else line.voltage.between(start_ps, end_ps)
    return Line(line.name, line.edges_ps[first:last], level, plateaus, voltage)
