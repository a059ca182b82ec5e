"""Voltage columns: their state levels from a first pass, and the comparators that follow."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.text.batches import RowBatch
from pwmscope.capture.text.comparator import (
    HYSTERESIS,
    AmplitudeHistogram,
    Comparator,
    StateLevels,
    assumed_threshold,
)
from pwmscope.capture.text.layout import Layout
from pwmscope.errors import HintError
from pwmscope.model import Assumption

FIRST_PASS_ROWS: Final = 1 << 17
"""Rows at a time in the first pass, fixed so that its sums are the same every time."""


def find_comparators(
    batches: Iterable[RowBatch], layout: Layout, hints: Hints, source: str
) -> tuple[dict[str, Comparator], tuple[str, ...]]:
    """Find each voltage column's threshold by a first pass over all rows."""
    names = [level.name for level in layout.analogue]
    histograms = [AmplitudeHistogram() for _ in names]
    for batch in batches:
        for histogram, volts in zip(histograms, batch.volts, strict=True):
            histogram.add(volts)
    found = {n: h.state_levels() for n, h in zip(names, histograms, strict=True) if not h.is_empty}
    threshold = hints.threshold_v
    ranges = ", ".join(f"{n} {lv.least:.4g} to {lv.most:.4g}" for n, lv in found.items())
    if (
        threshold is not None
        and found
        and not any(levels.least < threshold <= levels.most for levels in found.values())
    ):
        raise HintError(
            f"{source}: no voltage crosses `threshold` {threshold:g} ({ranges}); "
            "give one between the two levels, or leave it out."
        )
    comparators: dict[str, Comparator] = {}
    said: list[str] = []
    for name, levels in found.items():
        comparators[name], sentence = _comparator(name, levels, threshold)
        said.append(sentence)
    said += _flat_beside_others(comparators, found)
    if comparators:
        about = (
            f"The hysteresis is {HYSTERESIS:.0%} of the amplitude, or six deviations of the noise "
            "where that is more, and edges of these lines are timed by linear interpolation "
            "between the two samples around the threshold."
        )
        said.append(Assumption(about, "hysteresis", HYSTERESIS, "", "convention", ("threshold",)))
    return comparators, tuple(said)


def _flat_beside_others(
    comparators: dict[str, Comparator], found: dict[str, StateLevels]
) -> list[Assumption]:
    """Hold a voltage that stays on one side against the threshold that the others show."""
    shown = [c.threshold for c in comparators.values() if not math.isinf(c.threshold)]
    if not shown:
        return []
    threshold = float(np.median(shown))
    said: list[Assumption] = []
    for name, comparator in comparators.items():
        levels = found[name]
        if math.isinf(comparator.threshold) and levels.least > threshold:
            comparators[name] = Comparator(threshold, 0.0)
            sentence = (
                f"Line '{name}' lies above {threshold:.4g} throughout, the threshold that the "
                "other voltages show, and is taken as high."
            )
            said.append(assumed_threshold(sentence, threshold, "data"))
    return said


def quiet_lines(comparators: dict[str, Comparator]) -> list[str]:
    """Names of voltages that do not show two state levels, and so never change level."""
    return [name for name, comparator in comparators.items() if math.isinf(comparator.threshold)]


def _comparator(
    name: str, levels: StateLevels, threshold: float | None
) -> tuple[Comparator, Assumption]:
    shown = f"state levels {levels.low:.4g} and {levels.high:.4g}"
    if threshold is not None:
        band = levels.band if levels.are_two else 0.0
        return Comparator(threshold, band, levels.low), assumed_threshold(
            f"Line '{name}' is a voltage with {shown} (histogram modes, IEEE Std 181); "
            f"its threshold is {threshold:g}, as you said.",
            threshold,
            "person",
        )
    if not levels.are_two:
        return Comparator(math.inf, 0.0), assumed_threshold(
            f"Line '{name}' is a voltage between {levels.least:.4g} and {levels.most:.4g} that "
            "does not show two state levels, so it is taken as low throughout; "
            "`threshold` would overrule this.",
            None,
            "data",
        )
    return Comparator(levels.middle, levels.band, levels.low), assumed_threshold(
        f"Line '{name}' is a voltage with {shown} (histogram modes, IEEE Std 181); "
        f"its threshold is {levels.middle:.4g}, halfway.",
        levels.middle,
        "data",
    )


def compared(
    rows_in: Callable[[int | None], Iterator[RowBatch]],
    layout: Layout,
    hints: Hints,
    source: str,
    batch_rows: int | None,
) -> tuple[Iterator[RowBatch], dict[str, Comparator], tuple[str, ...]]:
    """Stream a table's rows with the levels of its voltage columns, if it has any."""
    if not layout.analogue:
        return rows_in(batch_rows), {}, ()
    comparators, said = find_comparators(rows_in(FIRST_PASS_ROWS), layout, hints, source)
    return compare(rows_in(batch_rows), layout, comparators), comparators, said


def compare(
    batches: Iterable[RowBatch], layout: Layout, comparators: dict[str, Comparator]
) -> Iterator[RowBatch]:
    """Put the levels of voltage columns into the rows' words."""
    for batch in batches:
        words = batch.words
        for level, volts in zip(layout.analogue, batch.volts, strict=True):
            bits = comparators[level.name].feed(volts, batch.time_ps, batch.first_row)
            words = words | (bits << np.uint64(level.first_bit))
        yield replace(batch, words=words)
