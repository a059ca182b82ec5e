"""A file on paper: its bytes, what they truly say, and what a careful person makes of them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from read_signal import Signal

Truth = dict[str, tuple[int, tuple[int, ...]]]
READINGS = ("unaided", "option", "ambiguous", "refuse", "either")


@dataclass(frozen=True)
class Paper:
    """One file with its truth.

    Parameters
    ----------
    suffix : str
        How the file's name ends.
    data : bytes
        What is written.
    note : str
        What is peculiar about it.
    truth : dict
        First level and edges in picoseconds, up to one shift common to all lines.
    reading : str
        "unaided": a careful person reads it without a word. "option": needs one of `hints`.
        "ambiguous": two readings give other numbers, so that it must be refused. "refuse":
        damaged, there is no careful reading. "either": right or refused.
    hints : dict
        What the person at the bench knows: an argument of `load` and its value.
    tolerance_ps : int
        What the printed digits leave open.
    by_place : bool
        Lines are told apart by their order, since the file does not name them.
    also : dict
        Other names that a line may be given.
    optional : frozenset
        Lines that may be left out (unset bits of a bus, idle ones among more than 64).
    deciding : str
        Pattern of a sentence that owns up to the choice that decides the numbers.
    must_say : str
        Pattern of a sentence that must be there even if the edges are right.
    coarse_ps : int
        A stated sampling interval as long as this makes that sentence needless.
    """

    suffix: str
    data: bytes
    note: str
    truth: Truth
    reading: str = "unaided"
    hints: dict[str, object] = field(default_factory=dict)
    tolerance_ps: int = 1
    by_place: bool = False
    also: dict[str, tuple[str, ...]] = field(default_factory=dict)
    optional: frozenset[str] = frozenset()
    deciding: str = ""
    must_say: str = ""
    coarse_ps: int = 0

    def __post_init__(self) -> None:
        assert self.reading in READINGS, self.reading
        assert self.reading != "option" or self.hints, self.note


Maker = Callable[[random.Random, int], Paper]
SHAPES: dict[str, tuple[Maker, int]] = {}


def shape(count: int) -> Callable[[Maker], Maker]:
    """Register a maker of `count` variations under its own name."""

    def register(maker: Maker) -> Maker:
        assert maker.__name__ not in SHAPES
        SHAPES[maker.__name__] = (maker, count)
        return maker

    return register


def write(name: str) -> Paper:
    """Return the file of a name such as ``plain_samples/03``; always the same bytes.

    ``plain_samples/03#b`` is the same shape with other draws.
    """
    kind, _, number = name.partition("#")[0].partition("/")
    maker, count = SHAPES[kind]
    assert int(number) < count, name
    return maker(random.Random(name), int(number))


def names() -> list[str]:
    """Return the names of all files."""
    return [f"{kind}/{k:02d}" for kind, (_, count) in SHAPES.items() for k in range(count)]


def rows_of(
    sig: Signal,
    time: Callable[[int], str],
    words: tuple[str, str] = ("0", "1"),
    *,
    ticks: Sequence[int] | range | None = None,
    sampled: bool = False,
) -> list[list[str]]:
    """Return rows of time and all levels: one per change, or one per sample."""
    if ticks is None:
        ticks = range(sig.samples) if sampled else sig.change_ticks()
    step = sig.step_ps
    return [
        [time(t * step), *map(words.__getitem__, row)]
        for t, row in zip(ticks, sig.levels(ticks), strict=True)
    ]


def text(
    rows: Iterable[Sequence[str]],
    head: Sequence[str] | None = None,
    *,
    delim: str = ",",
    eol: str = "\n",
    quote: bool = False,
    before: Sequence[str] = (),
    after: Sequence[str] = (),
    end: bool = True,
) -> str:
    """Lay a table out as text, remarks before and after it."""

    mark = delim.strip()

    def line(row: Sequence[str]) -> str:
        joined = delim.join(row)
        is_plain = not mark or joined.count(mark) == (len(row) - 1) * delim.count(mark)
        if is_plain and not quote:
            return joined
        return delim.join(
            '"' + c.replace('"', '""') + '"' if quote or (mark and mark in c) else c for c in row
        )

    table = [line(head)] if head else []
    table += map(line, rows)
    return eol.join([*before, *table, *after]) + (eol if end else "")


def paper(
    sig: Signal,
    body: str | bytes,
    note: str,
    suffix: str = ".csv",
    *,
    encoding: str = "utf-8",
    unit: str | None = None,
    rate: bool = False,
    column: str | None = None,
    truth: Truth | None = None,
    **more: object,
) -> Paper:
    """Return a file; `unit`, `rate`, `column` say what the person at the bench could add."""
    hints: dict[str, object] = {}
    if unit:
        hints["time_unit"] = unit
    if rate:
        hints["rate"] = f"{sig.rate_hz}Hz"
    if column:
        hints["time_column"] = column
    hints |= more.pop("hints", {})  # type: ignore[arg-type]
    data = body if isinstance(body, bytes) else body.encode(encoding)
    return Paper(suffix, data, note, truth or sig.edges_ps(), hints=hints, **more)  # type: ignore[arg-type]
