"""How finely the width can be set: steps, codes, bits."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.middles import Middles, middles, scatter_us, spaced
from pwmscope.findings.travel.moves import Moves, find_moves
from pwmscope.findings.travel.step_lattice import Search, find_step
from pwmscope.findings.travel.step_line import Lattice
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    Definition,
    Finding,
    measured,
    not_shown,
    sampling_floor_us,
)

MAX_WIDTHS: Final = 50_000
"""Of longer movements so many pulses are used, at most."""
MAX_MOVES: Final = 500
MAX_CODED: Final = 200_000
"""In longer recordings codes are counted among those pulses and the dwells' levels only."""
MAX_DWELLS: Final = 500
MAX_IN_DWELL: Final = 200
MIN_LEVELS: Final = 20
"""Different levels that may show a step without a move between them."""
MIN_WITH_PACE: Final = 5
_WHAT_TO_DO: Final = "Move the stick slowly from end to end while recording."

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "resolution",
        "The smallest step between widths that the receiver puts out. Where jitter or the "
        "sample interval hides it, the step is finer than what is said. The analyser's own "
        "step, its sample interval, is never taken for the receiver's.",
        "1/f for the lowest f at which n R^2 = |sum exp(2 pi i f w)|^2 / n passes ln(trials / "
        "0.001) and R passes 0.6 exp(-2 pi^2 f^2 s^2) sinc^2(f Ts), over steps from 10/3 Ts to "
        "1/8 of the travel, sweeps of an even pace of whole steps left out; "
        "u^2 = (scatter of the phases)^2 + (100 ppm x step / sqrt(3))^2",
        "Rayleigh's test of uniform phases (Mardia and Jupp, Directional Statistics, 2000, "
        "6.3.1, from memory); choice of the line: own algorithm",
    ),
    Definition(
        "distinct codes",
        "How many different widths were seen, told apart by the step found. It needs a step "
        "at least six times the noise.",
        "the number of different round((w - offset) / step); in recordings of more than 200 000 "
        "pulses, among a part of the moves and the dwells' levels",
        "own algorithm",
    ),
    Definition(
        "resolution in bits",
        "The number of steps in the convention's span, as a power of two: what a stick's "
        "position is resolved to at the output. Of the travel that was seen it is less.",
        "log2(span / step); u = u(step) / (step ln 2)",
        "log2 of the number of steps; it is not IEEE Std 1241's effective number of bits, which "
        "counts noise and distortion too (from memory)",
    ),
)


@dataclass(frozen=True, slots=True)
class Resolution:
    """How finely the width of one channel is set."""

    # The step and its standard uncertainty; None where it is not resolved
    step_us: float | None
    uncertainty_us: float | None
    chance: float | None  # That noise looks like such a step
    # The smallest step that this recording would show, with 95 % chance; None where it shows none
    finest_us: float | None
    codes: int | None  # Distinct codes seen; None where noise hides which
    # Steps in the convention's span, and in the travel seen, as powers of two
    bits: float | None
    bits_of_travel: float | None
    findings: tuple[Finding, ...]  # `resolution`, `distinct codes` and `resolution in bits`


def examine_resolution(record: Record, moves: Moves | None = None) -> Resolution:
    """Find the step between the widths that a channel puts out."""
    interval_us = record.table.sample_interval_us
    if interval_us is None:
        return _hidden(
            "The sample interval is not known, so a step of the receiver's cannot be told from "
            "the analyser's. State the sample rate.",
            None,
        )
    used = _thinned(_moving(record, find_moves(record) if moves is None else moves))
    if not used.row.size and len(record.dwells) < MIN_LEVELS:
        return _hidden(f"The stick was not seen moving, so no step shows. {_WHAT_TO_DO}", None)
    if not len(record.dwells):
        return _hidden(
            "The stick never stood still, so the jitter that may hide a step is not known. "
            "Hold it still for a second while recording.",
            None,
        )
    standing = middles(record, spaced(len(record.dwells), MAX_DWELLS), MAX_IN_DWELL)
    levels_us, jitter_us = _distinct(standing, interval_us), standing.jitter_us
    width_us = np.concatenate([used.width_us, levels_us])
    # Each level stands for itself, as a sweep of one pulse.
    owner = np.concatenate([used.owner, len(used) + np.arange(levels_us.size)])
    pace_us = np.concatenate([_pace_us(used), np.zeros(levels_us.size)])
    span_us = record.table.convention.span_us
    search = find_step(
        width_us,
        owner,
        pace_us,
        interval_us=interval_us,
        jitter_us=jitter_us,
        span_us=span_us,
        scatter_us=scatter_us(record, spaced(len(record.dwells), 64), MAX_IN_DWELL),
    )
    if search.found is None:
        return _hidden(_why_hidden(search, jitter_us, interval_us, span_us), search.finest_us)
    noise_us = math.hypot(jitter_us, sampling_floor_us(interval_us) or 0.0)
    return _resolved(
        record, used, width_us, search.found, finest_us=search.finest_us, noise_us=noise_us
    )


def _moving(record: Record, moves: Moves) -> Moves:
    """Leave out the pulses of moves that still, or already, stand at the level of a dwell."""
    dwells, owner = record.dwells, moves.owner
    if not len(dwells) or not owner.size:
        return moves
    near_us = 4.0 * dwells.noise_us
    standing = np.zeros(owner.size, dtype=bool)
    for beside in (moves.before, moves.after):
        level_us = np.where(beside >= 0, dwells.level_us[beside], np.inf)
        standing |= np.abs(moves.width_us - level_us[owner]) <= near_us
    count = np.bincount(owner[~standing], minlength=len(moves))
    kept = count > 0
    end = np.cumsum(count[kept])
    return replace(
        moves,
        row=moves.row[~standing],
        width_us=moves.width_us[~standing],
        begin=end - count[kept],
        end=end,
        before=moves.before[kept],
        after=moves.after[kept],
    )


def _thinned(moves: Moves) -> Moves:
    """Keep evenly spaced moves, and the middle part of each, to `MAX_WIDTHS` pulses in all."""
    if moves.row.size <= MAX_WIDTHS:
        return moves
    kept = spaced(len(moves), MAX_MOVES)
    length = np.minimum(moves.end[kept] - moves.begin[kept], MAX_WIDTHS // kept.size)
    first = (moves.begin[kept] + moves.end[kept] - length) // 2
    begin = np.cumsum(length) - length
    place = np.arange(int(length.sum())) + np.repeat(first - begin, length)
    return replace(
        moves,
        row=moves.row[place],
        width_us=moves.width_us[place],
        begin=begin,
        end=begin + length,
        before=moves.before[kept],
        after=moves.after[kept],
    )


def _distinct(standing: Middles, interval_us: float) -> npt.NDArray[np.float64]:
    """Keep one of the levels that lie as near together as noise may set them."""
    same_us = max(interval_us, standing.std_us)
    _, first = np.unique(np.rint(standing.level_us / same_us), return_index=True)
    return standing.level_us[first]


def _pace_us(moves: Moves) -> npt.NDArray[np.float64]:
    """Fit how far each move goes in one frame, over its middle four fifths; 0 for short ones."""
    count = moves.end - moves.begin
    owner = moves.owner
    place = np.arange(moves.row.size) - moves.begin[owner]
    inner = np.abs(2 * place - (count[owner] - 1)) <= 0.8 * count[owner]
    owner, place = owner[inner], place[inner]
    off_us = moves.width_us[inner] - moves.width_us[moves.begin][owner]
    used = np.maximum(np.bincount(owner, minlength=len(moves)), 1)
    lever = place - (np.bincount(owner, place, len(moves)) / used)[owner]
    lever_sum = np.bincount(owner, lever**2, len(moves))
    rise_us = np.bincount(owner, lever * off_us, len(moves))
    pace_us: npt.NDArray[np.float64] = rise_us / np.maximum(lever_sum, 1.0)
    return np.where(count >= MIN_WITH_PACE, pace_us, 0.0)


def _why_hidden(search: Search, jitter_us: float, interval_us: float, span_us: float) -> str:
    if search.is_image:
        return (
            "The widths share a step, but a coarser one shows too: either jitter hides the coarse "
            "one, or the fine one is its image. Record again at a higher rate, with slow sweeps of "
            "unlike pace."
        )
    if search.finest_us is None:
        return (
            f"The stick was moved too little to show a step at {jitter_us:.2g} us of jitter and "
            f"{interval_us:.3g} us between samples. {_WHAT_TO_DO}"
        )
    finest_us = search.finest_us
    return (
        f"The steps are finer than {finest_us:.2g} us, that is at least "
        f"{math.log2(span_us / finest_us):.1f} bits over {span_us:g} us: not resolved at "
        f"{jitter_us:.2g} us of jitter and {interval_us:.3g} us between samples."
    )


def _hidden(reason: str, finest_us: float | None) -> Resolution:
    found = tuple(
        not_shown(name, unit, reason)
        for name, unit in (
            ("resolution", "us"),
            ("distinct codes", ""),
            ("resolution in bits", "bit"),
        )
    )
    return Resolution(None, None, None, finest_us, None, None, None, found)


def _resolved(
    record: Record,
    used: Moves,
    width_us: npt.NDArray[np.float64],
    lattice: Lattice,
    *,
    finest_us: float | None,
    noise_us: float,
) -> Resolution:
    step_us, span_us = lattice.step_us, record.table.convention.span_us
    of_step_us = math.hypot(lattice.uncertainty_us, step_us * CLOCK_TOLERANCE / math.sqrt(3.0))
    bits = math.log2(span_us / step_us)
    of_bits = of_step_us / (step_us * math.log(2.0))
    seen_us = float(np.ptp(width_us))
    of_travel = math.log2(max(seen_us / step_us, 1.0))
    spans = record.evidence(used.row)
    codes = None
    if step_us >= 6.0 * noise_us:
        table = record.table
        coded_us = table.width_us[record.rows] if len(table) <= MAX_CODED else width_us
        codes = int(np.unique(np.rint((coded_us - lattice.offset_us) / step_us)).size)
    places = 3 if step_us < 10.0 else 2
    doubt = max(COVERAGE * of_step_us, 0.5 * 10.0**-places)
    found = (
        measured(
            "resolution", step_us, "us",
            f"Widths come in steps of {step_us:.{places}f} ± {doubt:.{places}f} us; noise would "
            f"look so regular with a chance of {max(lattice.chance, 1e-12):.0e} at most.",
            uncertainty=of_step_us, evidence=spans,
        ),
        not_shown(
            "distinct codes", "",
            f"Noise of {noise_us:.2g} us spreads each code over its neighbours at a step of "
            f"{step_us:.3g} us, so the codes cannot be counted.",
        )
        if codes is None
        else measured(
            "distinct codes", float(codes), "",
            f"{codes} distinct codes were seen over {seen_us:.0f} us"
            + ("." if len(record.table) <= MAX_CODED else
               f", in {used.row.size} pulses while the stick moved and where it stood."),
            evidence=spans,
        ),
        measured(
            "resolution in bits", bits, "bit",
            f"The steps make {bits:.2f} bits of {span_us:g} us, {of_travel:.2f} bits of the "
            f"{seen_us:.0f} us seen.",
            uncertainty=of_bits, evidence=spans,
        ),
    )  # fmt: skip
    return Resolution(step_us, of_step_us, lattice.chance, finest_us, codes, bits, of_travel, found)
