"""The smallest step of the width."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.levels import Middles, Moves, find_moves, middles, scatter_us, spaced
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    Definition,
    Finding,
    FloatArray,
    IntArray,
    measured,
    not_shown,
    sampling_floor_us,
)

MIN_SHARE: Final = 0.6
"""A lattice must show at least this part of the strength that jitter and sampling leave it;
the images that sampling makes of finer lattices show less (see `find_step`)."""
SAME_STRENGTH: Final = 0.9
MAX_TONES: Final = 8


@dataclass(frozen=True, slots=True)
class Lattice:
    """Equally spaced widths."""

    # Their distance and its standard uncertainty from scatter alone
    step_us: float
    uncertainty_us: float
    offset_us: float  # One of them, less a whole number of steps
    strength: float  # Length of the mean of `exp(2 pi i width / step)`, 0 to 1
    chance: float  # That noise shows a line as strong anywhere among the steps tried


def turns_of(width_us: FloatArray, per_us: float) -> npt.NDArray[np.complex128]:
    """``exp(2 pi i f w)``, in a quarter of the time that the complex function takes."""
    angle = per_us * width_us
    angle -= np.rint(angle)
    angle *= 2.0 * np.pi
    turns: npt.NDArray[np.complex128] = np.cos(angle) + 1j * np.sin(angle)
    return turns


def share_left(per_us: FloatArray, jitter_us: float, interval_us: float) -> FloatArray:
    """Strength that Gaussian jitter and the triangular sampling error leave of a lattice."""
    left: FloatArray = np.exp(-2.0 * (np.pi * per_us * jitter_us) ** 2)
    return left * np.sinc(per_us * interval_us) ** 2


def lowest_tone(
    width_us: FloatArray, per_us: float, coarsest_us: float, noise: tuple[float, float]
) -> float:
    """Return the lowest frequency of which a line is a multiple, if that is as strong.

    It must also be as strong as a lattice there (``noise`` is jitter and sample interval), and
    no lower than that of the coarsest step: towards 0 all widths are in phase.
    """
    while True:
        tones = per_us / np.arange(1, max(1, min(MAX_TONES, int(per_us * coarsest_us))) + 1)
        strength = np.array([abs(turns_of(width_us, tone).mean()) for tone in tones])
        asked = np.maximum(SAME_STRENGTH * strength[0], MIN_SHARE * share_left(tones, *noise))
        lower = np.flatnonzero(strength[1:] >= asked[1:])
        if not lower.size:
            return per_us
        per_us = float(tones[lower[-1] + 1])


def lattice_at(width_us: FloatArray, per_us: float, effective: float, chance: float) -> Lattice:
    """Fit the frequency at which the strength is greatest, and its uncertainty.

    Newton's method on ``sum cos(phase)``. The phases scatter about the lattice's with a
    circular dispersion (1 - R2) / (2 R^2), R2 being the strength at twice the frequency
    (Mardia and Jupp, 2000, 4.8, from memory); the slope of the phases over the widths has that
    over n times the variance of the widths.
    """
    centre_us = float(width_us.mean())
    off_us = width_us - centre_us
    variance_us2 = float(np.mean(off_us**2))
    for _ in range(6):
        turns = turns_of(off_us, per_us)
        mean = complex(turns.mean())
        turned = turns * (mean.conjugate() / abs(mean))
        bend = float(np.mean(off_us**2 * turned.real))
        if bend <= 0.5 * abs(mean) * variance_us2:
            break  # as near to the top as this line's shape lets it come
        per_us -= float(np.mean(off_us * turned.imag)) / (2.0 * np.pi * bend)
    strength = abs(mean)
    second = float((np.exp(-2j * np.angle(mean)) * np.mean(turns**2)).real)
    dispersion = max(1.0 - second, 0.0) / (2.0 * strength**2)
    of_per_us = math.sqrt(dispersion / (effective * variance_us2)) / (2.0 * np.pi)
    step_us = 1.0 / per_us
    offset_us = (centre_us + float(np.angle(mean)) / (2.0 * np.pi) * step_us) % step_us
    return Lattice(step_us, step_us**2 * of_per_us, offset_us, strength, chance)


FALSE_ALARM: Final = 1e-5
"""Chance of calling noise a lattice, over all steps tried."""
MIN_SAMPLES: Final = 10.0 / 3.0
"""Sample intervals in the smallest step that is looked for."""
MIN_STEPS: Final = 8
"""Steps that the widths must run over."""
CELLS: Final = 16
"""Parts of the range, none of which may hold more than about twice what the middle one does."""
MAX_BITS: Final = 14
"""Finer steps than the span over two to this power are not looked for."""
MIN_OF_STRONGEST: Final = 0.5
MAX_PARTS: Final = 6
MAX_LINES: Final = 50
MIN_WITHOUT_BEST: Final = 12
MAX_OF_LEFT: Final = 1.25
MAX_BY_CHANCE: Final = 2.0
"""A line may be so much stronger than a lattice blurred as the dwells are, and off by so many times
what chance alone shows."""
MIN_RHYTHM: Final = 24
"""Pulses in a hold that may show a rhythm of the jitter."""
MAX_RHYTHM: Final = 0.25
"""A rhythm's line matters from this part of the power that the jitter leaves of a lattice."""
MIN_BESIDE_RHYTHM: Final = 0.1
"""With less of the rhythm's power than this left of a lattice, none is told."""
MAX_BY_PACE: Final = 0.5
"""Where more of the widths than this come from sweeps at a pace of whole steps, the rest of such
sweeps shows no step either."""
_BLOCK: Final = 256


@dataclass(frozen=True, slots=True)
class Search:
    """What a search for a lattice came to."""

    found: Lattice | None
    # The smallest step that would have been found with 95 % chance; None where none would
    finest_us: float | None
    is_image: bool = False  # Whether a line showed that may be a part of a coarser step
    is_pace: bool = False  # Whether a line showed that the pace of even sweeps makes as well
    is_rhythm: bool = False  # The same, of a rhythm in the jitter and an even pace together


def find_step(
    width_us: FloatArray,
    owner: IntArray,
    pace_us: FloatArray,
    *,
    interval_us: float,
    jitter_us: float,
    span_us: float,
    scatter_us: FloatArray | None = None,
    run_us: FloatArray | None = None,
) -> Search:
    """Find the step between widths, if they lie on a lattice that can be resolved.

    For each frequency ``f`` (lattices of step ``1/f``) the strength ``R = |mean exp(2 pi i
    f w)|`` is taken for all ``f`` at once, by a Fourier transform of the counts. ``n R^2``
    of widths on no lattice is exponential with mean 1 (Rayleigh's test; Mardia and Jupp,
    Directional Statistics, 2000, 6.3.1, from memory), or more where neighbouring
    frames repeat one another: so its level is read off the frequencies around, at least 1.

    What is not a receiver's lattice is kept out so:

    - the sampling lattice, ``f = 1/Ts``, by trying steps of 10/3 Ts and more only;
    - images of a finer lattice, mirrored at ``1/Ts``: a true lattice shows
      ``exp(-2 pi^2 f^2 s^2) sinc^2(f Ts)``, with jitter ``s`` and the triangular
      sampling error; the strongest image half of it, and 0.6 of it are asked for;
    - steps per frame of an even sweep, which lie as evenly as a lattice: a sweep whose pace is
      a whole number of steps, as well as its length can tell, does not count; and the line
      must show without that sweep, of those that go half a step or more in a frame, which
      shows it best.

    The lowest frequency that passes is the lattice; multiples of it are its own. ``run_us`` are
    the widths of one hold, in order, about their mean: a rhythm in them (`_is_rhythm`) and an
    even pace look like a lattice.

    >>> rng = np.random.default_rng(1)
    >>> true_us = rng.uniform(1000, 2000, 400)
    >>> seen_us = np.round(true_us / 2.0) * 2.0 + rng.normal(0, 0.3, 400)
    >>> found = find_step(
    ...     seen_us, np.arange(400) // 100, np.zeros(4),
    ...     interval_us=0.01, jitter_us=0.3, span_us=1000.0,
    ... ).found
    >>> round(found.step_us, 2)
    2.0
    """
    width_us, owner = _evened(width_us, owner)
    count = width_us.size
    range_us = float(np.ptp(width_us)) if count else 0.0
    coarsest_us = range_us / MIN_STEPS
    finest_us = max(MIN_SAMPLES * interval_us, span_us / 2.0**MAX_BITS)
    if coarsest_us <= 2.0 * finest_us:
        return Search(None, None)
    bin_us = interval_us * max(1.0, math.floor(finest_us / (8.0 * interval_us)))
    strength, per_us = _strengths(width_us, bin_us, finest_us)
    tried = per_us >= 1.0 / coarsest_us
    per_us, strength = per_us[tried], strength[tried]
    level = _level(strength, count)
    share = share_left(per_us, jitter_us, interval_us)
    expected = count * share
    trials = max(range_us * float(per_us[-1] - per_us[0]), 1.0)
    # Few widths, again and again, need not be exponential: for them up to three times as much as
    # a chance of 1 in 1000 asks.
    repeats = np.clip(2.0 * level / count - 1.0, 1.0, 3.0)
    least = np.maximum(math.log(trials / FALSE_ALARM), math.log(1e3 * trials) * repeats)
    # 1.16: a strength falls short of its mean by 1.645 deviations, 1/sqrt(2 n) each, in 5 %.
    needed = (np.sqrt(least) + 1.16) * np.sqrt(level)
    faint = expected < needed
    seen_to = int(faint.argmax()) if faint.any() else per_us.size
    resolved_us = 1.0 / float(per_us[seen_to - 1]) if seen_to > 1 else None
    passed = (strength**2 >= least * level) & (strength >= MIN_SHARE * expected)
    if passed.any():
        # Jitter and sampling weaken a lattice's multiples more than the lattice itself.
        passed &= strength >= MIN_OF_STRONGEST * strength[passed].max()
    begins = passed & ~np.concatenate([[False], passed[:-1]])
    is_pace = is_rhythm = False
    for first in np.flatnonzero(begins)[:MAX_LINES]:
        at = _top(strength, int(first))
        asked = float(share[at]), math.sqrt(float(least[at] * level[at]) / count)
        pace = pace_us * per_us[at]
        count_of = np.bincount(owner, minlength=pace.size)
        if count_of[_by_pace(pace, count_of)].sum() > MAX_BY_PACE * count:
            is_pace = True
            continue
        if not _shown_by_sweeps(turns_of(width_us, float(per_us[at])), owner, pace, *asked):
            continue
        chance = trials * math.exp(-min(float(strength[at] ** 2 / level[at]), 700.0))
        lowest = lowest_tone(width_us, float(per_us[at]), coarsest_us, (jitter_us, interval_us))
        if _has_lower(width_us, lowest, coarsest_us, scatter_us):
            return Search(None, resolved_us, is_image=True)
        if _unlike_lattice(width_us, lowest, scatter_us, float(level[at])):
            continue
        held = None if run_us is None else turns_of(run_us, lowest)
        if _is_rhythm(turns_of(width_us, lowest), owner, pace_us * lowest, held):
            is_rhythm = True
            continue
        found = lattice_at(width_us, lowest, count**2 / float(level[at]), min(1.0, chance))
        return Search(found, resolved_us)
    return Search(None, resolved_us, is_pace=is_pace, is_rhythm=is_rhythm)


def _has_lower(
    width_us: FloatArray, per_us: float, coarsest_us: float, scatter_us: FloatArray | None
) -> bool:
    """Say whether a coarser lattice may be there that jitter hides more than its multiple.

    Jitter that is not Gaussian (a sine's, two codes') does so: a half or a third of the
    step would be told for it. What the jitter leaves is taken from the dwells.
    """
    if scatter_us is None or scatter_us.size <= width_us.size // 8:
        return False
    count = width_us.size
    of_line = abs(turns_of(scatter_us, per_us).mean())
    for part in range(2, MAX_PARTS + 1):
        lower = per_us / part
        if lower < 1.0 / coarsest_us:
            break
        left = abs(turns_of(scatter_us, lower).mean())
        if left < MIN_OF_STRONGEST * of_line:
            return True
        left -= 1.0 / math.sqrt(scatter_us.size)
        would_show = max(left, 0.0) * count
        shows = float(abs(turns_of(width_us, lower).sum()))
        # By chance, widths in phase at no step add up to the root of their number.
        if would_show < 4.0 * math.sqrt(count) or shows >= MIN_SHARE * would_show:
            return True
    return False


def _unlike_lattice(
    width_us: FloatArray, per_us: float, scatter_us: FloatArray | None, level: float
) -> bool:
    """Say whether a line is weaker or stronger than what the dwells' jitter leaves of a lattice.

    Interrupts leave more of one than Gaussian jitter as large would, a sinusoid other parts;
    under both, widths without steps line up by chance more often than under white noise.
    """
    if scatter_us is None or scatter_us.size <= width_us.size // 8:
        return False
    left, doubt = abs(turns_of(scatter_us, per_us).mean()), 2.0 / math.sqrt(scatter_us.size)
    shows = float(abs(turns_of(width_us, per_us).mean()))
    chance = MAX_BY_CHANCE * math.sqrt(level) / width_us.size
    most = MAX_OF_LEFT * (left + doubt) + chance
    return not MIN_SHARE * (left - doubt) - chance <= shows <= most


def _is_rhythm(
    turns: npt.NDArray[np.complex128],
    owner: IntArray,
    pace: FloatArray,
    held: npt.NDArray[np.complex128] | None,
) -> bool:
    """Say whether a rhythm of the jitter makes a line, together with sweeps of an even pace.

    A sinusoid of amplitude a leaves J0(2 pi f a) of a line, and Jm of it m times the rhythm
    aside (Jacobi's and Anger's expansion, from memory): a sweep at such a pace, in steps a frame,
    shows a line where no steps are. A lattice shows in the other sweeps as well. ``held`` are the
    turns of a hold, frame by frame.
    """
    if held is None or held.size < MIN_RHYTHM:
        return False
    used, count = held.size, np.bincount(owner, minlength=pace.size)
    size = 4 << used.bit_length()
    power = np.abs(np.fft.fft(held, size)) ** 2 / used
    near = size // used + 1  # as far as the line at 0 reaches
    shown = power >= max(MAX_RHYTHM * float(power[0]), math.log(1e3 * used))
    shown[:near] = shown[size - near + 1 :] = False
    if not shown.any():
        return False
    if power[0] < MIN_BESIDE_RHYTHM * float(power[shown].max()):
        return True
    before = np.concatenate([[0], np.cumsum(np.tile(shown, 3))])
    reach = np.rint(0.75 * size / np.maximum(count, 2)).astype(np.int64)
    at = size + np.rint(-pace * size).astype(np.int64) % size
    others = (before[at + reach + 1] == before[at - reach])[owner]
    rest = turns[others]
    if rest.size < MIN_WITHOUT_BEST:
        return True
    whole = turns.sum()
    along = float((rest.sum() * whole.conjugate()).real / abs(whole)) / rest.size
    left = math.sqrt(float(power[0]) / used)
    return bool(along < max(MIN_SHARE * left - 2.0 / math.sqrt(used), math.sqrt(3.0 / rest.size)))


def _by_pace(pace: FloatArray, count: IntArray) -> npt.NDArray[np.bool_]:
    """Say of which sweeps the pace, in steps a frame, makes a line as steps do."""
    by_pace: npt.NDArray[np.bool_] = np.abs(pace - np.rint(pace)) * count < 0.75
    return by_pace & (np.abs(pace) >= 0.5)


def _shown_by_sweeps(
    turns: npt.NDArray[np.complex128], owner: IntArray, pace: FloatArray, share: float, least: float
) -> bool:
    """Say whether a line comes from where the widths lie and not from how evenly they go."""
    count = np.bincount(owner, minlength=pace.size)
    sums = np.bincount(owner, turns.real, pace.size) + 1j * np.bincount(
        owner, turns.imag, pace.size
    )
    kept = ~_by_pace(pace, count)
    fast = (np.abs(pace) >= 0.5)[kept]
    count, sums = count[kept], sums[kept]
    whole = sums.sum()
    if abs(whole) < max(least * math.sqrt(count.sum()), MIN_SHARE * share * count.sum()):
        return False
    # In a slow sweep every step shows by itself; it need not be borne out by another.
    along = (sums * whole.conjugate()).real / abs(whole)
    best = int(np.where(fast, along, -np.inf).argmax())
    rest, strength = count.sum(), along.sum()
    if fast[best]:
        rest, strength = rest - count[best], strength - along[best]
    if rest < MIN_WITHOUT_BEST:
        return False
    # Two deviations, 1/sqrt(2 n) each, below what is asked for may be chance.
    spread = math.sqrt(2.0 / rest)
    shown = float(strength / rest)
    return shown + spread >= MIN_SHARE * share and shown > math.sqrt(3.0 / rest)


def _evened(width_us: FloatArray, owner: IntArray) -> tuple[FloatArray, IntArray]:
    """Thin out where widths crowd: what lies close together is in phase at any coarse step."""
    if width_us.size < CELLS:
        return width_us, owner
    cell = ((width_us - width_us.min()) * (CELLS / max(float(np.ptp(width_us)), 1e-9))).astype(int)
    count = np.bincount(cell)
    most = 2 * int(np.median(count[count > 0])) + 1
    order = np.argsort(cell, kind="stable")
    rank = np.arange(order.size) - (np.cumsum(count) - count)[cell[order]]
    share = most / np.maximum(count, most)[cell[order]]
    kept = np.sort(order[np.floor((rank + 1) * share) > np.floor(rank * share)])
    return width_us[kept], owner[kept]


def _strengths(
    width_us: FloatArray, bin_us: float, finest_us: float
) -> tuple[FloatArray, FloatArray]:
    """Sum ``exp(2 pi i f w)`` for many ``f``: the length of the sum, and ``f``, per us."""
    place = np.rint((width_us - width_us.min()) / bin_us).astype(np.int64)
    counts = np.bincount(place).astype(np.float64)
    size = 1 << (2 * counts.size).bit_length()
    sums = np.abs(np.fft.rfft(counts, size))
    per_us = np.arange(sums.size) / (size * bin_us)
    kept = per_us <= 1.0 / finest_us
    return sums[kept], per_us[kept]


def _level(strength: FloatArray, count: int) -> FloatArray:
    """Mean power that frequencies around each one have by chance: median over ln 2, or n."""
    blocks = -(-strength.size // _BLOCK)
    padded = np.full(blocks * _BLOCK, np.nan)
    padded[: strength.size] = strength**2
    # The last block borrows from the one before it, so that none is short.
    padded[strength.size :] = np.resize(strength[-_BLOCK:] ** 2, padded.size - strength.size)
    middle = np.median(padded.reshape(blocks, _BLOCK), axis=1) / math.log(2.0)
    level: FloatArray = np.maximum(np.repeat(middle, _BLOCK)[: strength.size], count)
    return level


def _top(strength: FloatArray, at: int) -> int:
    """Climb from the flank of a line to its top."""
    while True:
        best = at + int(strength[at : at + 6].argmax())
        if best == at:
            return at
        at = best


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
MIN_IN_PART: Final = 16
MAX_PART: Final = 4
"""A move's pace is taken in so many parts, of so many pulses or more."""
_WHAT_TO_DO: Final = "Move the stick slowly from end to end while recording."

RESOLUTION_DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "resolution",
        "The smallest step between widths that the receiver puts out. Where jitter or the "
        "sample interval hides it, the step is finer than what is said. The analyser's own "
        "step, its sample interval, is never taken for the receiver's.",
        "1/f for the lowest f at which n R^2 = |sum exp(2 pi i f w)|^2 / n passes ln(trials / "
        "1e-5) and R passes 0.6 exp(-2 pi^2 f^2 s^2) sinc^2(f Ts), over steps from 10/3 Ts to "
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
        "The number of steps in the convention's span, as a power of two. The output resolves a "
        "stick's position to that. Of the travel that was seen it is less.",
        "log2(span / step); u = u(step) / (step ln 2)",
        "log2 of the number of steps; it is not IEEE Std 1241's effective number of bits, which "
        "counts noise and distortion too (from memory)",
    ),
)


@dataclass(frozen=True, slots=True)
class Resolution:
    """How finely the width of one channel is set."""

    step_us: float | None  # None where it is not resolved
    # The smallest step that this recording would show, with 95 % chance; None where it shows none
    finest_us: float | None
    findings: tuple[Finding, ...]  # `resolution`, `distinct codes` and `resolution in bits`
    is_image: bool = False  # Whether a coarser step than `finest_us` may hide in jitter


def examine_resolution(record: Record, moves: Moves | None = None) -> Resolution:
    """Find the step between the widths that a channel puts out."""
    interval_us = record.table.sample_interval_us
    if interval_us is None:
        return _hidden(
            Reason(
                "The sample interval is not known, so a step of the receiver's cannot be told "
                "from the analyser's.",
                "State the sample rate.",
            ),
            None,
        )
    used = _parted(_thinned(_moving(record, find_moves(record) if moves is None else moves)))
    if not used.row.size and len(record.dwells) < MIN_LEVELS:
        return _hidden(
            Reason("The stick was not seen moving, so no step shows.", _WHAT_TO_DO), None
        )
    if not len(record.dwells):
        return _hidden(
            Reason(
                "The stick never stood still, so the jitter that may hide a step is not known.",
                "Hold it still for a second while recording.",
            ),
            None,
        )
    standing = middles(record, spaced(len(record.dwells), MAX_DWELLS), MAX_IN_DWELL)
    levels_us, jitter_us = _distinct(standing, interval_us), standing.jitter_us
    width_us = np.concatenate([used.width_us, levels_us])
    # Each level stands for itself, as a sweep of one pulse.
    owner = np.concatenate([used.owner, len(used) + np.arange(levels_us.size)])
    pace_us = np.concatenate([_pace_us(used), np.zeros(levels_us.size)])
    span_us = record.table.convention.span_us
    run_us = scatter_us(record, np.array([record.dwells.count.argmax()]), 2 * MAX_IN_DWELL)
    held_us = scatter_us(record, spaced(len(record.dwells), 64), MAX_IN_DWELL)
    search = find_step(
        width_us,
        owner,
        pace_us,
        interval_us=interval_us,
        jitter_us=jitter_us,
        span_us=span_us,
        scatter_us=max(held_us, run_us, key=len),
        run_us=run_us,
    )
    if search.found is None:
        reason = _why_hidden(search, jitter_us, interval_us, span_us)
        return _hidden(reason, search.finest_us, is_image=search.is_image)
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


def _parted(moves: Moves) -> Moves:
    """Cut each move into parts, so that a kink does not hide how even its pace is."""
    count = moves.end - moves.begin
    parts = np.clip(count // MIN_IN_PART, 1, MAX_PART)
    of = np.repeat(np.arange(len(moves)), parts)
    place = np.arange(of.size) - np.repeat(np.cumsum(parts) - parts, parts)
    return replace(
        moves,
        begin=moves.begin[of] + count[of] * place // parts[of],
        end=moves.begin[of] + count[of] * (place + 1) // parts[of],
        before=moves.before[of],
        after=moves.after[of],
    )


def _distinct(standing: Middles, interval_us: float) -> FloatArray:
    """Keep one of the levels that lie as near together as noise may set them."""
    same_us = max(interval_us, standing.std_us)
    _, first = np.unique(np.rint(standing.level_us / same_us), return_index=True)
    return standing.level_us[first]


def _pace_us(moves: Moves) -> FloatArray:
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
    pace_us: FloatArray = rise_us / np.maximum(lever_sum, 1.0)
    return np.where(count >= MIN_WITH_PACE, pace_us, 0.0)


def _why_hidden(search: Search, jitter_us: float, interval_us: float, span_us: float) -> str:
    if search.is_image:
        return Reason(
            "The widths share a step, but a coarser one shows too. Jitter hides the coarse "
            "one, or the fine one is its image.",
            "Record again at a higher rate, with slow sweeps of unlike pace.",
        )
    if search.is_pace:
        return Reason(
            "The widths lie evenly, but so do those of a sweep without steps at so even a pace.",
            "Move the stick by hand while recording, at unlike paces.",
        )
    if search.is_rhythm:
        return Reason(
            "The widths lie evenly, but jitter with a rhythm makes sweeps of an even pace look so.",
            "Move the stick by hand while recording, at unlike paces.",
        )
    if search.finest_us is None:
        return Reason(
            f"The stick was moved too little to show a step at {jitter_us:.2g} us of jitter "
            f"and {interval_us:.3g} us between samples.",
            _WHAT_TO_DO,
        )
    finest_us = search.finest_us
    return (
        f"The steps are finer than {finest_us:.2g} us: at least "
        f"{math.log2(span_us / finest_us):.1f} bits over {span_us:g} us. Jitter of "
        f"{jitter_us:.2g} us and {interval_us:.3g} us between samples hide them."
    )


def _hidden(reason: str, finest_us: float | None, *, is_image: bool = False) -> Resolution:
    found = tuple(
        not_shown(name, unit, reason)
        for name, unit in (
            ("resolution", "us"),
            ("distinct codes", ""),
            ("resolution in bits", "bit"),
        )
    )
    return Resolution(None, finest_us, found, is_image)


def _resolved(
    record: Record,
    used: Moves,
    width_us: FloatArray,
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
            f"Noise of {noise_us:.2g} us blurs steps of {step_us:.3g} us, so the codes cannot be "
            "counted.",
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
    return Resolution(step_us, finest_us, found)
