"""The unit of an unstated time column, inferred from how long levels last in it."""

from __future__ import annotations

import itertools
from decimal import Decimal
from typing import Final

from pwmscope.capture.text.cells import NUMERIC, kind_of
from pwmscope.capture.text.dialect import Dialect, split
from pwmscope.capture.units import EXPONENT_OF_UNIT

_FEWEST_PULSES: Final = 3
_SHORTEST_PS, _LONGEST_PS = 750 * 10**6, 2250 * 10**6
"""What counts as a servo pulse (common practice); the units lie a factor of 1000
apart, so that no pulse passes in two of them."""
_COARSEST: Final = 8
"""Power of ten, in picoseconds, to which times must be finer to show pulses: 100 us."""


def infer_unit(text: str, dialect: Dialect, time_position: int) -> str | None:
    r"""Find the unit in which some column's levels last as long as servo pulses.

    Parameters
    ----------
    text : str
        The beginning of the file.
    dialect : Dialect
        How its rows are written.
    time_position : int
        Place of the time column, from 0.

    Returns
    -------
    str or None
        The only unit in which at least three levels, and a third of all that
        were seen whole, last 750 to 2250 us, and times are printed finer than
        100 us; None where there is none.

    Examples
    --------
    >>> from pwmscope.capture.text.dialect import find_dialect
    >>> text = "t,RX1\n0,0\n" + "".join(f"{20 * k + 5},1\n{20 * k + 6.25},0\n" for k in range(5))
    >>> infer_unit(text, find_dialect(text, "a.csv"), 0)
    'ms'
    """
    lines = text.split("\n")[dialect.skip_lines : -1]
    rows = [split(line, dialect.delimiter) for line in lines if line.strip()]
    width = max(map(len, dialect.rows[:1]), default=0)
    rows = [row for row in rows if len(row) == width and kind_of(row[time_position]) in NUMERIC]
    if not rows:
        return None
    times = [Decimal(row[time_position].replace(",", ".")) for row in rows]
    spans: list[Decimal] = []
    for position in range(width):
        if position != time_position:
            spans += _spans(times, [row[position] for row in rows])
    finest = max(-int(time.as_tuple().exponent) for time in times)
    found = [
        unit
        for unit, exponent in EXPONENT_OF_UNIT.items()
        if exponent - finest < _COARSEST and _are_pulses([span.scaleb(exponent) for span in spans])
    ]
    return found[0] if len(found) == 1 else None


def _spans(times: list[Decimal], cells: list[str]) -> list[Decimal]:
    """How long each level lasts; none for a column of more than two different cells."""
    if len(set(cells)) != 2:
        return []
    changes = [b for (b, cell), before in zip(enumerate(cells[1:], 1), cells, strict=False)
               if cell != before]  # fmt: skip
    return [times[b] - times[a] for a, b in itertools.pairwise(changes)]


def _are_pulses(spans_ps: list[Decimal]) -> bool:
    count = sum(_SHORTEST_PS <= span <= _LONGEST_PS for span in spans_ps)
    return count >= _FEWEST_PULSES and 3 * count >= len(spans_ps)
