"""What voltages show: what the receiver runs on with its sags, and the high state of a line."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import BenchChannel, BenchSheet
from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    COVERAGE,
    FROM_MAD,
    MAX_SPANS,
    PS_PER_S,
    PS_PER_US,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Line,
    Plateaus,
    Verdict,
    Voltage,
    format_line,
    inside,
    measured,
    not_shown,
)
from pwmscope.pulses import PulseTable

SURE: Final = 5.5
"""Noise deviations by which a sag stands out; chance does so once in hours of record."""
BORDER: Final = 3.0
"""Down to so many deviations a sag reaches."""
APART: Final = 3
"""Milliseconds between two stretches that are one sag all the same."""
BLOCK: Final = 50
"""Milliseconds whose median is taken, and so many of these on each side for the level around."""
AROUND: Final = 100
LEAST_NOISE: Final = 2e-4
"""Part of the supply that its noise is taken to be at least: no analyser is better."""
_SHAPES: Final = ((1.0, 1.0), (0.5, 1.0, 0.5), (0.25, 1.0, 0.75), (0.75, 1.0, 0.25))
"""What a sag of 2 ms makes of the means of milliseconds, wherever it begins."""
MIN_HIGH_US: Final = 100.0
"""A shorter high state is a glitch (common practice)."""
MIN_HIGHS: Final = 16
PARTS: Final = 16
"""Parts of the recording, equally long, whose mean levels are compared."""
ANY_PAIR: Final = 3.5
"""Normal deviate that any of 120 pairs of parts exceeds by chance once in 20 (Bonferroni)."""
RESOLVED: Final = 2.0
"""Sample intervals that a rise takes at least to be told; interpolation makes 0.8 of a jump."""

LEVEL_DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "high level",
        "The voltage of the pulses' high state. Too low a one may be no high for the device. Only "
        "of a line recorded as a voltage; the error of the analyser's own scale is not counted.",
        "mean over n high states of the median of their samples; u^2 = s^2/n + q^2/12, q the "
        "smallest step between readings",
        "IEEE Std 181 (state levels); JCGM 100, 4.2.3 and 4.3.7, from memory",
    ),
    Definition(
        "lowest high level",
        "The lowest voltage within any pulse: ringing, dips and noise are part of it. A device "
        "that takes it for low sees two pulses.",
        "least sample of any high state, between the first and the last that come within 2 % of "
        "its own level; u = q / sqrt(12)",
        "IEEE Std 181 (percent reference levels); JCGM 100, 4.3.7, from memory",
    ),
    Definition(
        "rise time",
        "How long a leading edge takes. A slow one makes the width depend on the device's "
        "threshold, and on noise.",
        "median over n leading edges of the time from 10 % to 90 % of the way between the state "
        "levels, interpolated; u^2 = (1.25 s)^2/n + Ts^2/12; the analyser's own is part of it",
        "IEEE Std 181 (transition duration, 10 % and 90 % reference levels); JCGM 100, 4.3.7, "
        "from memory",
    ),
    Definition(
        "sag of the high level",
        "How far the high level fell during the recording: a supply that sags under load, or a "
        "flat battery.",
        "the largest fall from the mean of one sixteenth of the recording to that of a later one; "
        "shown where it exceeds 3.5 u, u^2 = (s_i^2/n_i + s_j^2/n_j), s within each part",
        "own algorithm; JCGM 100, 5.1.2",
    ),
)


@dataclass(frozen=True, slots=True)
class Sags:
    """The sags of a supply, as columns, each of shape (n,)."""

    begin_s: FloatArray  # When each begins and ends, in seconds since the recording's start
    end_s: FloatArray
    # How far its lowest millisecond lies below the level around, and that one's mean; NaN where a
    # comparator shows no voltage
    depth_v: FloatArray
    mean_v: FloatArray
    least_v: FloatArray  # Its lowest sample

    def __len__(self) -> int:
        return int(self.begin_s.size)

    @classmethod
    def none(cls) -> Sags:
        """Return no sags."""
        return cls(*[np.zeros(0)] * 5)

    def evidence(self, own: BoolArray | slice = slice(None)) -> tuple[Evidence, ...]:
        """Name some of them, the first ones."""
        spans = zip(self.begin_s[own].tolist(), self.end_s[own].tolist(), strict=True)
        return tuple(Evidence(begin_s, end_s, 0) for begin_s, end_s in spans)[:MAX_SPANS]


def around(mean_v: FloatArray) -> FloatArray:
    """Return the level around each millisecond: medians of blocks, and the median of these."""
    blocks = max(mean_v.size // BLOCK, 1)
    length = mean_v.size // blocks
    inner = np.median(mean_v[: blocks * length].reshape(blocks, length), axis=1)
    padded = np.pad(inner, AROUND, mode="reflect" if blocks > AROUND else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    level = np.concatenate([np.median(part, axis=1) for part in np.array_split(windows, 64)])
    middle = length * (np.arange(blocks) + 0.5) - 0.5
    found: FloatArray = np.interp(np.arange(mean_v.size), middle, level)
    return found


def noise_of(off_v: FloatArray) -> float:
    """Return the deviation of the means of milliseconds, by the median step between two."""
    steps_v = np.abs(np.diff(off_v))
    return FROM_MAD / math.sqrt(2.0) * float(np.median(steps_v)) if steps_v.size else 0.0


def find_sags(voltage: Voltage, scale: float = 1.0) -> tuple[Sags, float]:
    """Find the sags of a recorded supply, and the noise of its milliseconds in volts.

    ``scale`` is the volts at the pin for each volt recorded. Matched filters of what a sag of
    2 ms makes of the means (own choice), in units of the noise; where one stands out by 5.5,
    the stretch around below 3 is the sag.
    """
    mean_v = scale * voltage.mean_v.astype(np.float64)
    if mean_v.size < 2:
        return Sags.none(), 0.0
    level_v = around(mean_v)
    off_v = mean_v - level_v
    noise_v = max(noise_of(off_v), LEAST_NOISE * abs(float(np.median(mean_v))))
    off = -off_v / noise_v
    found = np.zeros(off.size, bool)
    for shape in _SHAPES:
        if off.size < len(shape):
            continue
        weights = np.array(shape) / np.linalg.norm(shape)
        over = np.correlate(off, weights, mode="valid") > SURE
        for k, weight in enumerate(shape):
            if weight >= 0.5:
                found[k : k + over.size] |= over & (off[k : k + over.size] > BORDER / 2.0)
    below = (off > BORDER) | found
    begin, end = _runs(below)
    if not found.any():
        return Sags.none(), noise_v
    kept = np.add.reduceat(found, begin) > 0
    begin, end = begin[kept], end[kept]
    # `reduceat` takes a run's end as the next run's beginning, and what lies between as well.
    places = np.stack([begin, np.minimum(end, off.size - 1)], axis=1).ravel()
    least_v = scale * voltage.least_v.astype(np.float64)
    step_s = voltage.step_ps / PS_PER_S
    begun_s = voltage.start_ps / PS_PER_S
    sags = Sags(
        np.asarray(begun_s + begin * step_s, np.float64),
        np.asarray(begun_s + end * step_s, np.float64),
        -np.minimum.reduceat(off_v, places)[::2],
        np.minimum.reduceat(mean_v, places)[::2],
        np.minimum.reduceat(least_v, places)[::2],
    )
    return sags, noise_v


def _runs(below: BoolArray) -> tuple[IntArray, IntArray]:
    """Return where runs of true begin and end; runs a few apart are one."""
    step = np.diff(below.astype(np.int8), prepend=0, append=0)
    begin, end = np.flatnonzero(step > 0), np.flatnonzero(step < 0)
    apart = begin[1:] - end[:-1] > APART
    return begin[np.append(True, apart)[: begin.size]], end[np.append(apart, True)[: end.size]]


def comparator_sags(line: Line, end_ps: int) -> Sags:
    """Return the stretches in which a comparator's output is low, as sags of unknown depth."""
    bounds = np.concatenate([[0], line.edges_ps, [end_ps]]) / PS_PER_S
    first = line.initial_level  # stretch k has the level initial ^ (k & 1)
    begin_s, end_s = bounds[:-1][first::2], bounds[1:][first::2]
    kept = end_s > begin_s
    begin_s, end_s = begin_s[kept], end_s[kept]
    unknown = np.full(begin_s.size, np.nan)
    return Sags(begin_s, end_s, unknown, unknown, unknown)


MEAN: Final = "supply voltage"
LEAST: Final = "least supply voltage"
RIPPLE: Final = "supply ripple"
SAGS: Final = "supply sags"
CAUSES: Final = "causes of sags"
RESISTANCE: Final = "source resistance"
MARGIN: Final = "brown-out margin"
MIN_V: Final = 1.5
MAX_V: Final = 30.0
"""Between these lies the supply of a receiver (common practice)."""
AT_RAIL: Final = 0.01
"""Where more than this part of the milliseconds stand at one extreme sample, the input clips."""
BEFORE_S: Final = 1.0
"""A sag that restarts the receiver begins at most so long before the outputs end."""
CAUSE_S: Final = 0.3
"""A load that makes a sag begins at most so long before it."""
LATE_S: Final = 0.02
RESTART_S: Final = 1.0
"""The outputs end at most so long after the sag that restarts the receiver."""
MOVES_US: Final = 15.0
MOVES_IN: Final = 3
"""A width that changes by more over so many pulses moves its device."""
SUPPLY_DEFINITIONS: Final = (
    Definition(
        MEAN,
        "The receiver's supply, on the average. The error of the analyser's own scale is not "
        "counted.",
        "mean of the means of milliseconds; u = s / sqrt(n)",
        "JCGM 100, 4.2.3, from memory",
    ),
    Definition(
        LEAST,
        "The lowest single reading of the supply. Noise is part of it.",
        "least of all samples",
        "own algorithm",
    ),
    Definition(
        RIPPLE,
        "How far the supply swings within a millisecond.",
        "median over the milliseconds of most - least",
        "own algorithm",
    ),
    Definition(
        SAGS,
        "How often the supply sagged, how deep and how long. The receiver may restart in one.",
        "means of milliseconds against their running median over 10 s. A matched filter of 2 ms "
        "stands out by 5.5 noise deviations. Of a comparator: how often it was low",
        "own algorithm",
    ),
    Definition(
        CAUSES,
        "What began just before the sags: a device's move, or a restart of the outputs after it.",
        "pulses whose width changes by more than 15 us in three, from 0.3 s before a sag on",
        "own algorithm",
    ),
    Definition(
        RESISTANCE,
        "The resistance of source, wires and plugs, by the sags of one device of stated current.",
        "median depth of the sags in which one device alone moves / its stall_a or draws_a",
        "Ohm's law",
    ),
    Definition(
        MARGIN,
        "How far the least voltage stays above the least at which the receiver works.",
        "least sample - least_v; u = q / sqrt(12), q the smallest step between readings",
        "own algorithm; JCGM 100, 4.3.7, from memory",
    ),
)


@dataclass(frozen=True, slots=True)
class Supply:
    """A supply line as it was read."""

    line: str  # Its name
    # Least voltage at which the receiver works; None where the sheet does not state it
    needed_v: float | None
    sags: Sags  # Where it sagged
    is_voltage: bool  # Whether it was recorded as a voltage; else it is a comparator's output
    trips_v: float | None  # Of a comparator, the voltage below which it is low
    trouble: str = ""  # Why it cannot be used, as a sentence; empty where it can

    @property
    def is_told(self) -> bool:
        """Whether it is known what it was held against: voltages, or a comparator's threshold."""
        return self.is_voltage or self.trips_v is not None

    def lowest_v(self, from_s: float, to_s: float) -> float | None:
        """Return the lowest voltage of the sags within a span; None where none is known there."""
        at = self._within(from_s, to_s)
        if not at.any():
            return None
        return float(self.sags.least_v[at].min()) if self.is_voltage else self.trips_v

    def fails(self, from_s: float, to_s: float) -> bool:
        """Say whether a sag within a span may have restarted the receiver.

        One whose depth is not known, or that is held against nothing, may have.
        """
        at = self._within(from_s, to_s)
        if self.needed_v is None or not self.is_voltage:
            return bool(at.any())
        return bool((self.sags.least_v[at] < self.needed_v).any())

    def _within(self, from_s: float, to_s: float) -> BoolArray:
        return (self.sags.begin_s <= to_s) & (self.sags.end_s >= from_s)


@dataclass(frozen=True, slots=True)
class SupplyAnswer:
    """What a supply line shows."""

    supply: Supply
    findings: tuple[Finding, ...]


def read_supply(line: Line, channel: BenchChannel, sheet: BenchSheet, end_ps: int) -> Supply:
    """Find the sags of a supply line, recorded as a voltage or by a comparator."""
    stated = sheet.receiver.supply_v
    needed_v = channel.least_v or (None if stated is None else stated[0])
    if line.voltage is None:
        sags = comparator_sags(line, end_ps)
        trouble = "" if line.plateaus is None else _UNEVEN
        return Supply(line.name, needed_v, sags, False, channel.trips_v, trouble)
    sags, _ = find_sags(line.voltage, channel.probe)
    trouble = _trouble(np.asarray(channel.probe * line.voltage.mean_v, np.float64))
    return Supply(line.name, needed_v, sags, True, None, trouble)


def looks_like_sagging_supply(line: Line, losses_s: Iterable[tuple[float, float]]) -> bool:
    """Say whether a line holds a voltage that sags in one of the losses, or just before it.

    Such a line may be a supply that the bench sheet does not list; of a stated one a sag takes
    back that the loss meets its limit.
    """
    if line.voltage is None or not losses_s:
        return False
    sags, _ = find_sags(line.voltage)
    unlisted = Supply(line.name, None, sags, True, None, "")
    return any(unlisted.fails(from_s - BEFORE_S, to_s) for from_s, to_s in losses_s)


def unrecorded_supply(name: str) -> SupplyAnswer:
    """Answer for a supply line that the sheet names and the recording does not hold."""
    why = f"The sheet names {format_line(name)}, and the recording does not hold it. Record it too."
    return _troubled(Supply(name, None, Sags.none(), True, None, why))


def _troubled(supply: Supply) -> SupplyAnswer:
    found = [not_shown(name, unit, supply.trouble) for name, unit in _VOLTS]
    found.append(not_shown(MARGIN, "V", supply.trouble, limit=_limit(supply)))
    return SupplyAnswer(supply, tuple(found))


def _trouble(mean_v: FloatArray) -> str:
    """Say why readings are those of no receiver's supply; empty where they may be."""
    if not mean_v.size:
        return "The recording is shorter than a millisecond."
    usual = float(np.median(mean_v))
    if usual > MAX_V:
        return (
            f"The supply reads {usual:.4g} V. If the column is in millivolts, state probe = 0.001."
        )
    if usual < MIN_V:
        return f"The supply reads {usual:.3g} V. Behind a 10:1 probe, state probe = 10."
    return ""


def examine_supply(
    supply: Supply,
    line: Line,
    sheet: BenchSheet,
    tables: Mapping[str, PulseTable],
    restarts_s: Sequence[float],
) -> SupplyAnswer:
    """Measure a supply line, and hold its least against what the receiver needs.

    All outputs went quiet at ``restarts_s`` while the transmitter was on.
    """
    limit = _limit(supply)
    if supply.trouble:
        return _troubled(supply)
    moved = _moves(supply.sags, sheet, tables)
    causes = _causes(supply.sags, moved, restarts_s)
    if not supply.is_voltage:
        return SupplyAnswer(supply, (_counted(supply), causes, _comparator_margin(supply, limit)))
    assert line.voltage is not None
    scale = sheet.channels[supply.line].probe
    least_v, mean_v, most_v = (
        scale * each.astype(np.float64)
        for each in (line.voltage.least_v, line.voltage.mean_v, line.voltage.most_v)
    )
    begin_s = line.voltage.start_ps / PS_PER_S
    step_s = line.voltage.step_ps / PS_PER_S
    whole = (Evidence(begin_s, begin_s + mean_v.size * step_s, 0),)
    at = int(least_v.argmin())
    least, at_s = float(least_v[at]), begin_s + at * step_s
    clips = _clips(least_v, most_v)
    usual = float(mean_v.mean())
    u = float(mean_v.std(ddof=1)) / math.sqrt(mean_v.size) if mean_v.size > 1 else None
    swing = float(np.median(most_v - least_v))
    return SupplyAnswer(
        supply,
        (
            measured(
                MEAN, usual, "V", f"The supply is {usual:.3f} V on the average.{clips}",
                uncertainty=u, evidence=whole,
            ),
            measured(
                LEAST, least, "V", f"The least reading is {least:.3f} V, at {at_s:.3f} s.",
                evidence=(Evidence(at_s, at_s + step_s, 0),),
            ),
            measured(
                RIPPLE, swing, "V", f"It swings by {swing:.3g} V within a millisecond.",
                evidence=whole,
            ),
            _counted(supply),
            causes,
            _resistance(supply.sags, moved, sheet),
            _margin(supply, least, _step_v(least_v), at_s, limit, clips),
        ),
    )  # fmt: skip


_UNEVEN: Final = "The voltage's samples are not evenly spaced. Record it at one rate."
_VOLTS: Final = ((MEAN, "V"), (LEAST, "V"), (RIPPLE, "V"), (SAGS, ""))


def _limit(supply: Supply) -> str:
    if supply.needed_v is None:
        return "above the receiver's least voltage (not stated)"
    return f"above {supply.needed_v:g} V, the receiver's least by the bench sheet"


def _step_v(volts: FloatArray) -> float:
    steps = np.diff(np.unique(volts.astype(np.float32)))
    return float(steps.min()) if steps.size else 0.0


def _clips(least_v: FloatArray, most_v: FloatArray) -> str:
    """Say that the input clips: many milliseconds stand at one extreme and others do not stand."""
    stands = least_v == most_v
    at_rail = stands & ((most_v == most_v.max()) | (least_v == least_v.min()))
    others = ~at_rail
    if at_rail.mean() > AT_RAIL and others.any() and not stands[others].mean() > AT_RAIL:
        return " The analyser's input clips, so what lies beyond is not known."
    return ""


def _counted(supply: Supply) -> Finding:
    sags = supply.sags
    if not len(sags):
        said = "No sag was seen." if supply.is_voltage else "The comparator was never low."
        return measured(SAGS, 0.0, "", said)
    longest = float((sags.end_s - sags.begin_s).max())
    times = f"{len(sags)} time{'' if len(sags) == 1 else 's'}"
    said = f"The comparator was low {times}, {1e3 * longest:.3g} ms at most."
    if supply.is_voltage:
        at = int(sags.depth_v.argmax())
        said = (
            f"It sagged {times}. The deepest is {sags.depth_v[at]:.3f} V, at "
            f"{sags.begin_s[at]:.3f} s; the longest lasts {1e3 * longest:.3g} ms."
        )
    return measured(SAGS, float(len(sags)), "", said, evidence=sags.evidence())


def _moves(sags: Sags, sheet: BenchSheet, tables: Mapping[str, PulseTable]) -> dict[str, BoolArray]:
    """Say of each device in which sags it began to move just before."""
    moved = {}
    for device in sheet.devices:
        table = tables.get(device.line)
        if table is None or not table.measured.any():
            continue
        own = table.measured
        rise_s, width_us = table.rise_s[own], table.width_us[own]
        change_us = np.abs(width_us[MOVES_IN:] - width_us[:-MOVES_IN])
        moves_s = rise_s[MOVES_IN:][change_us > MOVES_US]
        first = np.searchsorted(moves_s, sags.begin_s - CAUSE_S)
        last = np.searchsorted(moves_s, sags.begin_s + LATE_S)
        moved[device.line] = last > first
    return moved


def _causes(sags: Sags, moved: Mapping[str, BoolArray], restarts_s: Sequence[float]) -> Finding:
    if not len(sags):
        return not_shown(CAUSES, "", "No sag was seen.")
    told = [
        f"{format_line(line)} moves in {np.count_nonzero(own)}"
        for line, own in moved.items()
        if own.any()
    ]
    restarts = sum(
        bool(((sags.begin_s <= at_s) & (sags.end_s >= at_s - RESTART_S)).any())
        for at_s in restarts_s
    )
    if restarts:
        told.append(f"the outputs restart in {restarts}")
    alone = len(sags) - int(np.count_nonzero(np.any([*moved.values()], axis=0))) if moved else 0
    if not told:
        said = f"Nothing that was recorded moves just before the {len(sags)} sags."
        return measured(CAUSES, "none", "", said)
    said = f"Of {len(sags)} sags: {', '.join(told)}."
    if alone and not restarts:
        said += f" In {alone} nothing that was recorded moves."
    return measured(CAUSES, ", ".join(told), "", said)


def _resistance(sags: Sags, moved: Mapping[str, BoolArray], sheet: BenchSheet) -> Finding:
    """Divide the depth of the sags of one device by its stated current."""
    count = np.sum([*moved.values()], axis=0) if moved else np.zeros(len(sags))
    for line, own in moved.items():
        device = sheet.channels[line]
        current_a = device.stall_a or device.draws_a
        alone = np.asarray(own, bool) & (count == 1)
        if current_a is None or np.count_nonzero(alone) < 2:
            continue
        ohms = sags.depth_v[alone] / current_a
        middle = float(np.median(ohms))
        u = 1.25 * float(ohms.std(ddof=1)) / math.sqrt(ohms.size)
        said = (
            f"The sags of {format_line(line)} alone, at {current_a:g} A, show {middle:.3g} ohm in "
            "source, wires and plugs."
        )
        return measured(
            RESISTANCE, middle, "ohm", said, uncertainty=u, evidence=sags.evidence(alone)
        )
    why = "No two sags come with one device alone whose stall_a or draws_a the sheet states."
    return not_shown(RESISTANCE, "ohm", why)


def _margin(  # noqa: PLR0917 - all that the margin rests on
    supply: Supply, least: float, step_v: float, at_s: float, limit: str, clips: str
) -> Finding:
    if supply.needed_v is None:
        why = "The receiver's least voltage is not stated. State receiver.supply_v, or least_v."
        return not_shown(MARGIN, "V", why, limit=limit)
    margin, u = least - supply.needed_v, step_v / math.sqrt(12.0)
    verdict = Verdict.NOT_SHOWN
    if margin + COVERAGE * u < 0.0:
        verdict = Verdict.DOES_NOT_MEET
    elif margin - COVERAGE * u >= 0.0 and not clips:
        verdict = Verdict.MEETS
    side = "above" if margin >= 0.0 else "below"
    said = (
        f"At least {least:.2f} V, {abs(margin):.2f} V {side} the {supply.needed_v:g} V that the "
        f"receiver needs.{clips}"
    )
    seen = (Evidence(at_s, at_s, 0),)
    return Finding(MARGIN, margin, "V", u, limit, verdict, seen, said)


def _comparator_margin(supply: Supply, limit: str) -> Finding:
    """Hold what a comparator shows against the least voltage: it was never low, or it was."""
    trips_v, needed_v = supply.trips_v, supply.needed_v
    if trips_v is None or needed_v is None:
        why = "State trips_v of the comparator and the receiver's least voltage, least_v."
        return not_shown(MARGIN, "V", why, limit=limit)
    low = len(supply.sags) > 0
    span = supply.sags.evidence()
    if not low and trips_v >= needed_v:
        said = f"It never fell below {trips_v:g} V; the receiver needs {needed_v:g} V."
        return Finding(MARGIN, trips_v - needed_v, "V", None, limit, Verdict.MEETS, (), said)
    if low and trips_v <= needed_v:
        said = f"It fell below {trips_v:g} V; the receiver needs {needed_v:g} V."
        return Finding(MARGIN, None, "V", None, limit, Verdict.DOES_NOT_MEET, span, said)
    side = "fell below" if low else "never fell below"
    said = f"It {side} {trips_v:g} V. Whether it stayed above {needed_v:g} V is not known."
    return Finding(MARGIN, None, "V", None, limit, Verdict.NOT_SHOWN, span, said)


@dataclass(frozen=True, slots=True)
class HighState:
    """What an analogue line's high state was like; without findings for a digital line."""

    plateaus: Plateaus | None
    findings: tuple[Finding, ...] = ()


def examine_levels(record: Record, plateaus: Plateaus | None) -> HighState:
    """Measure the high state of one line, outside its losses."""
    if plateaus is None:
        return HighState(None)
    begin_s = plateaus.begin_ps / PS_PER_S
    used = plateaus.lasts_ps >= MIN_HIGH_US * PS_PER_US
    if record.losses:
        used &= ~inside(record.losses, begin_s)
    row = np.flatnonzero(used)
    if row.size < MIN_HIGHS:
        why = Reason(
            f"The voltage shows {row.size} whole high states.",
            f"Record at least {MIN_HIGHS} pulses.",
        )
        units = ("V", "V", "us", "V")
        found = zip(LEVEL_DEFINITIONS, units, strict=True)
        return HighState(plateaus, tuple(not_shown(one.name, unit, why) for one, unit in found))
    step_v = _level_step_v(plateaus)
    seen = (Evidence(float(begin_s[row[0]]), float(begin_s[row[-1]]), row.size),)
    return HighState(
        plateaus,
        (
            _level(plateaus.level_v[row], step_v, seen),
            _lowest(plateaus, row, step_v),
            _rise(plateaus.rise_ps[row], plateaus.interval_ps, seen),
            _sag(begin_s[row], plateaus.level_v[row]),
        ),
    )


def _level_step_v(plateaus: Plateaus) -> float:
    """Return the smallest step between readings, 0 where all are alike."""
    steps = np.diff(np.unique(plateaus.lowest_v))
    return float(steps.min(initial=math.inf)) if steps.size else 0.0


def _level(level_v: FloatArray, step_v: float, seen: tuple[Evidence, ...]) -> Finding:
    mean_v = float(level_v.mean())
    u_v = math.hypot(float(level_v.std(ddof=1)) / math.sqrt(level_v.size), step_v / math.sqrt(12.0))
    return measured(
        "high level", mean_v, "V",
        f"The high level is {mean_v:.3f} V over {level_v.size} pulses.",
        uncertainty=u_v, interval=(mean_v - COVERAGE * u_v, mean_v + COVERAGE * u_v), evidence=seen,
    )  # fmt: skip


def _lowest(plateaus: Plateaus, row: IntArray, step_v: float) -> Finding:
    at = int(row[plateaus.lowest_v[row].argmin()])
    lowest_v, level_v = float(plateaus.lowest_v[at]), float(plateaus.level_v[at])
    begin_s = plateaus.begin_ps[at] / PS_PER_S
    half_v = step_v / 2.0
    return measured(
        "lowest high level", lowest_v, "V",
        f"The lowest voltage within a pulse is {lowest_v:.3f} V, at {begin_s:.3f} s; that pulse's "
        f"level is {level_v:.3f} V.",
        uncertainty=step_v / math.sqrt(12.0), interval=(lowest_v - half_v, lowest_v + half_v),
        evidence=(Evidence(begin_s, begin_s + plateaus.lasts_ps[at] / PS_PER_S, 1),),
    )  # fmt: skip


def _rise(rise_ps: FloatArray, interval_ps: float, seen: tuple[Evidence, ...]) -> Finding:
    rise_us = rise_ps[~np.isnan(rise_ps)] / PS_PER_US
    interval_us = interval_ps / PS_PER_US
    if rise_us.size < MIN_HIGHS:
        return not_shown(
            "rise time", "us", f"Only {rise_us.size} leading edges begin low and are seen whole."
        )
    middle_us = float(np.median(rise_us))
    if middle_us < RESOLVED * interval_us:
        why = Reason(
            f"The leading edges take less than {RESOLVED * interval_us:.3g} us, two sample "
            "intervals.",
            "Record at a higher rate to see more.",
        )
        return not_shown("rise time", "us", why)
    # A median's deviation is that of a mean times sqrt(pi/2), for normal scatter.
    of_scatter_us = math.sqrt(math.pi / 2.0) * float(rise_us.std(ddof=1)) / math.sqrt(rise_us.size)
    u_us = math.hypot(of_scatter_us, interval_us / math.sqrt(12.0))
    return measured(
        "rise time", middle_us, "us",
        f"Leading edges take {middle_us:.3g} us from 10 % to 90 %, the analyser's own rise "
        "included.",
        uncertainty=u_us, evidence=seen,
        interval=(max(middle_us - COVERAGE * u_us, 0.0), middle_us + COVERAGE * u_us),
    )  # fmt: skip


def _sag(begin_s: FloatArray, level_v: FloatArray) -> Finding:
    name = "sag of the high level"
    lasts_s = float(begin_s[-1] - begin_s[0])
    part = np.minimum((PARTS * (begin_s - begin_s[0]) / max(lasts_s, 1e-9)).astype(int), PARTS - 1)
    count = np.bincount(part, minlength=PARTS)
    full = np.flatnonzero(count >= 2)
    if full.size < 2:
        return not_shown(name, "V", "The pulses lie in one part of the recording only.")
    mean_v = np.bincount(part, level_v, PARTS)[full] / count[full]
    off_v2 = (level_v - (np.bincount(part, level_v, PARTS) / np.maximum(count, 1))[part]) ** 2
    # Parts of few pulses share their scatter, which does not vanish by chance.
    within_v2 = float(off_v2.sum()) / max(level_v.size - full.size, 1)
    u_v2 = within_v2 / count[full]
    highest = np.array([int(mean_v[: at + 1].argmax()) for at in range(full.size)])
    fall_v = mean_v[highest] - mean_v
    at = int(fall_v.argmax())
    fell_v, u_v = float(fall_v[at]), math.sqrt(float(u_v2[at] + u_v2[highest[at]]))
    interval = (max(fell_v - ANY_PAIR * u_v, 0.0), fell_v + COVERAGE * u_v)
    edges_s = begin_s[0] + lasts_s * np.array([full[highest[at]], full[at] + 1]) / PARTS
    evidence = (Evidence(float(edges_s[0]), float(edges_s[1]), level_v.size),)
    if interval[0] <= 0.0:
        said = f"No sag of the high level is shown: it fell by less than {interval[1]:.3f} V."
    else:
        said = (
            f"The high level fell by {fell_v:.3f} V between {edges_s[0]:.1f} s and "
            f"{edges_s[1]:.1f} s."
        )
    return measured(name, fell_v, "V", said, uncertainty=u_v, interval=interval, evidence=evidence)
