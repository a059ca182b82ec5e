"""Edges to pulses, vectorised; sum trains apart; times in doubt; what lines without pulses do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, PS_PER_US, Capture, Line, format_rate
from pwmscope.errors import require_type
from pwmscope.model import BoolArray, FloatArray, IntArray, at_once, median_of
from pwmscope.pulses.convention import (
    FAST_SERVO,
    LOOKED_AT,
    STANDARD_SERVO,
    Convention,
    Polarity,
    accepted,
    choose_convention,
    find_polarity,
    whole_pulses,
)
from pwmscope.pulses.table import DamagedFrames, Flag, PulseTable, shelved

CHANNEL_US: Final = (500.0, 2500.0)
"""Distance of two marks that may be a channel; decoding flags what no servo takes."""
SYNC_US: Final = 2500.0
"""Distance of two marks above which the frame is over (common practice: 2.7 ms and more)."""
MAX_CHANNEL_US: Final = 4500.0
"""Longest distance of two marks that can still be a channel, where the frame needs it."""
MARK_US: Final = (50.0, 700.0)
"""Length of a mark (common practice: 200 to 500 us)."""
MAX_CHANNELS: Final = 16
MIN_FRAMES: Final = 3
_MARKS_FROM: Final = 20_000
"""Edges from which the marks' level is told, the first of the line."""


@dataclass(frozen=True, slots=True, eq=False)
class TrainChannel(Line):
    """One channel of a PPM sum train as a line of its own."""

    damaged: tuple[DamagedFrames, ...] = ()  # Where the train's frames could not be read


@dataclass(frozen=True, slots=True)
class SumTrain:
    """What a PPM sum train carries."""

    channels: int  # Channels in a frame
    marks_are_low: bool  # Whether the marks between channels are low
    frames: int  # Complete frames. A channel outside the accepted widths does not damage its frame.
    damaged: int  # Frames left out because they hold another number of channels
    # One per channel: each pulse runs from the mark before to the mark after
    lines: tuple[TrainChannel, ...]


def split_sum_trains(capture: Capture) -> Capture:
    """Replace each line that carries a PPM sum train by one line per channel.

    They are named ``LINE ch1``, ``LINE ch2``, …; the recording's assumptions say so.

    >>> marks_us = np.array([0, 1200, 2900, 20000, 21200, 22900, 40000, 41200, 42900, 60000])
    >>> edges_us = np.stack([marks_us + 500, marks_us + 800], axis=1).ravel()
    >>> line = Line("PPM", edges_us.astype(np.int64) * PS_PER_US, 0)
    >>> capture = Capture({"PPM": line}, 70_000 * PS_PER_US, 1e6, "an example")
    >>> split = split_sum_trains(capture)
    >>> {name: np.diff(line.edges_ps)[0] / PS_PER_US for name, line in split.lines.items()}
    {'PPM ch1': np.float64(1200.0), 'PPM ch2': np.float64(1700.0)}
    """
    lines: dict[str, Line] = {}
    said = []
    for name, line in capture.lines.items():
        train = find_sum_train(line)
        if train is None:
            lines[name] = line
            continue
        lines.update({part.name: part for part in train.lines})
        said.append(_format(name, train))
    if not said:
        return capture
    return replace(capture, lines=lines, assumptions=(*capture.assumptions, *said))


def _format(name: str, train: SumTrain) -> str:
    sentence = (
        f"Line {name} carries a PPM sum train of {train.channels} channels with "
        f"{'low' if train.marks_are_low else 'high'} marks. It is split into {name} ch1 to {name} "
        f"ch{train.channels}, each pulse from one mark's start to the next's"
    )
    if train.damaged:
        sentence += (
            f"; {train.damaged} of {train.frames + train.damaged} frames hold another number of "
            "channels and are left out"
        )
    return sentence + "."


def find_sum_train(line: Line) -> SumTrain | None:
    """Recognise a PPM sum train and take it apart.

    A sum train has short marks of one length; the distances between their
    leading edges are channel widths but for one longer pause a frame, and the
    same number of channels lies between any two pauses (common practice).
    """
    marks_are_low = _marks_are_low(line)
    if marks_are_low is None:
        return None
    marks_ps = line.rises_ps(inverted=marks_are_low)
    apart_us = np.diff(marks_ps) / PS_PER_US
    is_pause = apart_us > SYNC_US
    is_channel = (apart_us >= CHANNEL_US[0]) & (apart_us <= CHANNEL_US[1])
    pauses = np.flatnonzero(is_pause)
    if pauses.size < MIN_FRAMES or np.mean(is_pause | is_channel) < 0.9:
        return None
    counts = np.diff(pauses) - 1
    channels = int(np.bincount(np.minimum(counts, MAX_CHANNELS + 1)).argmax())
    if not 2 <= channels <= MAX_CHANNELS:
        return None
    pauses = _without_long_channels(pauses, apart_us, channels)
    first, counts = pauses[:-1] + 1, np.diff(pauses) - 1
    whole = counts == channels
    if np.count_nonzero(whole) < max(MIN_FRAMES - 1, 0.5 * counts.size):
        return None
    starts = first[whole]
    damaged = _damaged(marks_ps[first], marks_ps[pauses[1:]], counts, channels)
    lines = tuple(
        TrainChannel(
            f"{line.name} ch{k + 1}",
            np.stack([marks_ps[starts + k], marks_ps[starts + k + 1]], axis=1).ravel(),
            0,
            damaged=damaged,
        )
        for k in range(channels)
    )
    return SumTrain(channels, marks_are_low, starts.size, int(np.sum(~whole)), lines)


def _without_long_channels(pauses: IntArray, apart_us: FloatArray, channels: int) -> IntArray:
    """Leave out what looks like a pause but is a very long channel inside a whole frame."""
    counts = np.diff(pauses) - 1
    pause_us = apart_us[pauses]
    completes = counts[:-1] + counts[1:] + 1 == channels
    # Both pauses round the frame are longer than this one.
    inside = pause_us[1:-1] < np.minimum(pause_us[:-2], pause_us[2:])
    is_long = completes & inside & (pause_us[1:-1] <= MAX_CHANNEL_US)
    kept: IntArray = pauses[np.concatenate([[True], ~is_long, [True]])]
    return kept


def _damaged(
    begin_ps: IntArray, end_ps: IntArray, counts: IntArray, channels: int
) -> tuple[DamagedFrames, ...]:
    """List the frames with another number of channels, those alike in a row as one."""
    cuts = np.flatnonzero(np.diff(counts)) + 1
    firsts, ends = np.concatenate([[0], cuts]), np.concatenate([cuts, [counts.size]])
    return tuple(
        DamagedFrames(
            float(begin_ps[first] / PS_PER_S),
            float(end_ps[end - 1] / PS_PER_S),
            int(end - first),
            int(counts[first]),
            channels,
        )
        for first, end in zip(firsts, ends, strict=True)
        if counts[first] != channels
    )


def _marks_are_low(line: Line) -> bool | None:
    """Say which level the marks have, by which level's stretches are short and alike."""
    stretches_us: FloatArray = np.diff(line.edges_ps[:_MARKS_FROM]) / PS_PER_US
    if stretches_us.size < 2 * MIN_FRAMES:
        return None
    highs, lows = stretches_us[line.initial_level :: 2], stretches_us[1 - line.initial_level :: 2]
    for level_is_low, marks_us in ((False, highs), (True, lows)):
        usual_us = median_of(marks_us)
        alike = np.abs(marks_us - usual_us) <= max(0.1 * usual_us, 5.0)
        if MARK_US[0] <= usual_us <= MARK_US[1] and np.mean(alike) > 0.9:
            return level_is_low
    return None


_STEPS: Final = (
    1.25, 1.5, 2.0, 2.4, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 24.0, 25.0, 50.0,
    100.0, 1e3, 1e6,
)  # fmt: skip
SCALES: Final = tuple(sorted({*_STEPS, *(1.0 / step for step in _STEPS)}))
"""Quotients of rates that analysers offer and of units of time (common practice)."""
MIN_PULSES: Final = 20
_WIDTHS_US: Final = (850.0, 2150.0)
"""Endpoints with the travel that most transmitters allow beside them (common practice)."""
_PERIODS_US: Final = (STANDARD_SERVO.period_low_us, STANDARD_SERVO.period_high_us)
_MAX_AS_STATED: Final = 0.5
_MIN_SCALED: Final = 0.95


def with_time_scale(tables: Mapping[str, PulseTable]) -> dict[str, PulseTable]:
    """Say on each table by what the recording's times are likely wrong.

    All lines share one clock. It is doubted where fewer than half of the standard
    pulses lie between 850 and 2150 us as recorded, and 95 % of them, with frame
    periods of 10 to 25 ms, at another usual rate. Lines of other conventions and
    lines of fewer than 20 pulses say nothing. Own rule.

    Frames of 750 us, a hundred a second, are frames of 1500 us, fifty a second:

    >>> n = np.arange(50)
    >>> table = PulseTable("RX1", 0.01 * n, np.full(50, 750.0), np.full(50, 10_000.0),
    ...                    np.zeros(50, np.uint8), False, STANDARD_SERVO, 1.0)
    >>> doubted = with_time_scale({"RX1": table})["RX1"]
    >>> doubted.time_scale, doubted.likely_rate_hz
    (2.0, 500000.0)
    """
    lines = [found for table in tables.values() if (found := _pulses(table)) is not None]
    if not lines or _mean_share(lines, 1.0) >= _MAX_AS_STATED:
        return dict(tables)
    fitting = [scale for scale in SCALES if _mean_share(lines, scale) >= _MIN_SCALED]
    if not fitting:
        return dict(tables)
    scale = min(fitting, key=lambda scale: _distance(lines, scale))
    return {
        name: replace(table, time_scale=scale, notes=(*table.notes, _doubt(table, scale)))
        for name, table in tables.items()
    }


_Pulses = tuple[FloatArray, float]
"""The widths of a line's pulses, and their median period."""


def _pulses(table: PulseTable) -> _Pulses | None:
    """Return what is known of a line; None where it says nothing about the times."""
    if table.convention not in (STANDARD_SERVO, FAST_SERVO):
        return None
    head = slice(LOOKED_AT)
    whole = (table.flags[head] & np.uint8(Flag.CUT | Flag.NOTCHED)) == 0
    width_us, rise_s = table.width_us[head][whole], table.rise_s[head][whole]
    if width_us.size < MIN_PULSES:
        return None
    return width_us, 1e6 * median_of(np.diff(rise_s))


def _mean_share(lines: list[_Pulses], scale: float) -> float:
    """Share of pulses with a servo's width, each line with equal weight."""
    return sum(_share(width_us, period_us, scale) for width_us, period_us in lines) / len(lines)


def _share(width_us: FloatArray, period_us: float, scale: float) -> float:
    if scale != 1.0 and not _PERIODS_US[0] <= scale * period_us <= _PERIODS_US[1]:
        return 0.0
    low_us, high_us = _WIDTHS_US[0] / scale, _WIDTHS_US[1] / scale
    return float(np.mean((width_us >= low_us) & (width_us <= high_us)))


def _distance(lines: list[_Pulses], scale: float) -> float:
    """How far the lines are from 1500 us every 20 ms, in octaves."""
    return sum(
        abs(math.log2(scale * median_of(width_us) / STANDARD_SERVO.neutral_us))
        + abs(math.log2(scale * period_us / STANDARD_SERVO.period_us))
        for width_us, period_us in lines
    )


def _doubt(table: PulseTable, scale: float) -> str:
    rate = ""
    if table.sample_interval_us is not None:
        interval_ps = table.sample_interval_us * PS_PER_US
        rate = f" at {format_rate(interval_ps * scale)} instead of {format_rate(interval_ps)}"
    return (
        f"The recording's times look wrong. Pulses and frames fit a servo line only{rate} "
        f"({scale:.4g} times as long). Check the sample rate."
    )


def decode(capture: Capture, convention: Convention | None = None) -> dict[str, PulseTable]:
    """Decode every line of a capture into servo pulses.

    Parameters
    ----------
    capture : Capture
        The recording.
    convention : Convention, optional
        What widths, glitches and endpoints are held against. By default each
        line's is chosen from its pulses, and said where it is not the standard
        servo convention.

    Returns
    -------
    dict of str to PulseTable
        One table per line, in the capture's order; a line that carries a PPM
        sum train gives one per channel. A line without a single pulse has a
        table of length 0.

    Raises
    ------
    ArgumentError
        If an argument is of another type.

    Examples
    --------
    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> edges_us = np.array([5000, 6500, 25000, 26520, 45000])
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 46_000_000_000, 1e6, "an example")
    >>> table = decode(capture)["RX1"]
    >>> table.width_us, table.period_us
    (array([1500., 1520.,   nan]), array([20000., 20000.,    nan]))
    >>> [Flag(int(flag)).name for flag in table.flags if flag]
    ['CUT']
    """
    require_type(
        "capture", capture, Capture, "a Capture", "Read the file with pwmscope.load first."
    )
    if convention is not None:
        require_type(
            "convention", convention, Convention, "a Convention",
            "pwmscope.CONVENTIONS holds them by name.",
        )  # fmt: skip
    lines = split_sum_trains(capture).lines

    def own(name: str) -> PulseTable:
        return decode_line(
            lines[name], capture.end_ps, capture.sample_interval_us, convention,
            start_ps=capture.start_ps,
        )  # fmt: skip

    edges = sum(line.edges_ps.size for line in lines.values())
    return with_time_scale(at_once(own, lines, edges))


def decode_line(
    line: Line,
    end_ps: int,
    sample_interval_us: float | None,
    convention: Convention | None = None,
    *,
    start_ps: int = 0,
) -> PulseTable:
    """Decode one line into all its pulses, whole or cut, glitch or not, with their flags.

    Lows shorter than the glitch limit are bridged first, so that a notch does
    not split a pulse; what remains is measured between its own two edges.
    """
    notes = []
    if convention is None:
        convention = choose_convention(line)
        if convention is not STANDARD_SERVO:
            notes.append(_chosen(convention))
    channel = line if isinstance(line, TrainChannel) else None
    polarity = Polarity(inverted=False) if channel else find_polarity(line, convention)
    inverted = polarity.inverted
    if inverted:
        notes.append(_INVERTED)
    if polarity.other_us is not None:
        notes.append(_either_way(polarity.other_us))
    rise_ps = line.rises_ps(inverted=inverted)
    fall_ps = line.falls_ps(inverted=inverted)
    cut_at_start = bool(line.initial_level ^ int(inverted))
    if cut_at_start:
        rise_ps = np.concatenate([np.array([start_ps], np.int64), rise_ps])
    cut_at_end = rise_ps.size > fall_ps.size
    if cut_at_end:
        fall_ps = np.concatenate([fall_ps, np.array([end_ps], np.int64)])
    rise_ps, fall_ps, notched = _bridge(rise_ps, fall_ps, convention.glitch_us)

    width_us = (fall_ps - rise_ps) / PS_PER_US
    cut = np.zeros(rise_ps.size, dtype=bool)
    cut[:1] |= cut_at_start
    cut[-1:] |= cut_at_end
    flags = _flags(width_us, cut, notched, sample_interval_us or 0.0, convention)
    leads = (flags & np.uint8(Flag.GLITCH | Flag.FOREIGN)) == 0
    leads[:1] &= not cut_at_start
    if cut_at_end:
        # What was seen of it tells whether it can be a servo pulse at all.
        leads[-1:] &= accepted(width_us[-1:], convention)
    width_us[cut] = np.nan
    return PulseTable(
        line.name,
        shelved(rise_ps / PS_PER_S),
        shelved(width_us),
        shelved(_periods_us(rise_ps, leads, notched)),
        shelved(flags),
        inverted,
        convention,
        sample_interval_us,
        tuple(notes),
        polarity.other_us,
        damaged=channel.damaged if channel else (),
    )


def _chosen(convention: Convention) -> str:
    return (
        f"Its pulses look like '{convention.name}' ({convention.low_us:.4g} to "
        f"{convention.high_us:.4g} us), which is taken; `convention` overrules this."
    )


def _either_way(other_us: float) -> str:
    return (
        "The pulses are read as high (common practice). Read as low they fit as well, with a "
        f"median of {other_us:.4g} us."
    )


_INVERTED = "The line idles high, so it is read as inverted: its pulses are low."


def _bridge(
    rise_ps: IntArray, fall_ps: IntArray, glitch_us: float
) -> tuple[IntArray, IntArray, BoolArray]:
    """Join pulses whose gap is shorter than a glitch; say which were joined."""
    is_notch = (rise_ps[1:] - fall_ps[:-1]) < glitch_us * PS_PER_US
    if not is_notch.any():
        return rise_ps, fall_ps, np.zeros(rise_ps.size, bool)
    starts = np.concatenate([np.ones(min(1, rise_ps.size), bool), ~is_notch])
    ends = np.concatenate([~is_notch, np.ones(min(1, rise_ps.size), bool)])
    first, last = np.flatnonzero(starts), np.flatnonzero(ends)
    return rise_ps[first], fall_ps[last], last > first


def _flags(
    width_us: FloatArray,
    cut: BoolArray,
    notched: BoolArray,
    interval_us: float,
    convention: Convention,
) -> npt.NDArray[np.uint8]:
    glitch = ~cut & (width_us < convention.glitch_us)
    whole = ~cut & ~glitch
    # Two sampled edges place a width within one sample interval of the truth,
    # so a width counts as outside only beyond that.
    slack_us = interval_us + 1e-6
    outside = (width_us < convention.low_us - slack_us) | (width_us > convention.high_us + slack_us)
    flags = np.zeros(width_us.size, np.uint8)
    for mask, flag in (
        (cut, Flag.CUT),
        (glitch, Flag.GLITCH),
        (notched, Flag.NOTCHED),
        (whole & ~accepted(width_us, convention), Flag.FOREIGN),
        (whole & ~notched & outside, Flag.OUTSIDE),
    ):
        flags[mask] |= np.uint8(flag)
    return flags


def _periods_us(rise_ps: IntArray, leads: BoolArray, notched: BoolArray) -> FloatArray:
    """Periods between frame pulses; a bridged glitch may have moved a leading edge."""
    period_us = np.full(rise_ps.size, np.nan)
    if leads.all() and not notched.any():
        period_us[:-1] = np.diff(rise_ps) / PS_PER_US
        return period_us
    at = np.flatnonzero(leads)
    sure = ~(notched[at[:-1]] | notched[at[1:]])
    period_us[at[:-1][sure]] = np.diff(rise_ps[at])[sure] / PS_PER_US
    return period_us


StateKind: TypeAlias = Literal["stuck high", "stuck low", "noise"]

STUCK_S: Final = 0.25
"""A level that lasts for ten of the longest usual frames (25 ms) is stuck."""
QUIET_S: Final = 0.1
"""So long without frames, a line with edges is looked at for noise."""
MIN_EDGES: Final = 6
"""Fewer edges in a stretch without frames are glitches."""
MARGIN_S: Final = 1.0
"""So much of the recording on each side of the time span shows what frames look like."""
CALM_S: Final = 0.005
"""A glitch between two stretches of one level that last so long is looked through."""
_MAX_PULSE: Final = 2.0
"""Pulses up to so many times the accepted range may make a frame structure."""
_REGULAR: Final = 0.02
_LAGS: Final = 3
_MAX_MISSING: Final = 7
_WIDTHS_ALIKE: Final = 0.25
_MIN_REGULAR: Final = 6


@dataclass(frozen=True, slots=True)
class LineState:
    """A stretch in which a line carries no pulses."""

    kind: StateKind  # One level throughout, or edges without frames: an undriven line
    level: int | None  # The level, 0 or 1, of a stuck line; None for noise
    # From when to when, in seconds of the recording
    since_s: float
    until_s: float


def find_line_states(line: Line, start_s: float, end_s: float) -> tuple[LineState, ...]:
    """Find where a line is stuck or undriven.

    A level that lasts 0.25 s is stuck; a single glitch (of the line's convention) does
    not end it. Elsewhere edges count as noise where for 0.1 s or longer none of them
    belong to frames: at least six pulses in a row, none longer than twice the
    accepted range, whose periods return after one to three periods within 2 %.
    Own algorithm. States are cut at the ends of the time span. Where pulses come in frames
    there is none, none where single frames are missing, and none where a sum train's frames
    could not be read.

    >>> edges_us = np.stack([20_000.0 * np.arange(50) + 5000, 20_000.0 * np.arange(50) + 6500])
    >>> line = Line("RX1", (edges_us.T.ravel()[:-1] * PS_PER_US).astype(np.int64), 0)
    >>> find_line_states(line, 0.0, 3.0)
    (LineState(kind='stuck high', level=1, since_s=0.985, until_s=3.0),)
    """
    if end_s <= start_s:
        return ()
    if isinstance(line, TrainChannel) and line.damaged:
        damaged_s = [(d.start_s, d.end_s) for d in line.damaged]
        whole = Line(line.name, line.edges_ps, line.initial_level)
        return tuple(
            state
            for begin_s, finish_s in _between(damaged_s, start_s, end_s)
            for state in find_line_states(whole, begin_s, finish_s)
            if state.until_s - state.since_s >= STUCK_S
        )
    convention = choose_convention(line)
    inverted = find_polarity(_part(line, 0, LOOKED_AT), convention).inverted
    near_ps = [1e12 * (start_s - MARGIN_S), 1e12 * (end_s + MARGIN_S)]
    near = np.searchsorted(line.edges_ps, near_ps)
    line = _part(line, int(near[0]), int(near[1]))
    edges_s = line.edges_ps / PS_PER_S
    stuck = _stuck(line, edges_s, convention, start_s, end_s)
    framed_s = _framed(line, convention, inverted=inverted)
    noise = [
        LineState("noise", None, since_s, until_s)
        for begin_s, finish_s in _between([(s.since_s, s.until_s) for s in stuck], start_s, end_s)
        for since_s, until_s in _noise(edges_s, framed_s, begin_s, finish_s)
    ]
    return tuple(sorted([*stuck, *noise], key=lambda state: state.since_s))


def _part(line: Line, first: int, end: int) -> Line:
    """Take some of a line's edges, by number."""
    return Line(line.name, line.edges_ps[first:end], (line.initial_level + first) % 2)


def _stuck(
    line: Line, edges_s: FloatArray, convention: Convention, start_s: float, end_s: float
) -> list[LineState]:
    """List the levels that last, looking through single glitches."""
    bounds_s = np.concatenate([[-np.inf], edges_s, [np.inf]])
    lasts_s = np.diff(bounds_s)
    glitch = np.zeros(lasts_s.size, bool)
    glitch[1:-1] = lasts_s[1:-1] < convention.glitch_us / 1e6
    glitch[1:-1] &= np.minimum(lasts_s[:-2], lasts_s[2:]) >= CALM_S
    # A glitch belongs to the level on both its sides.
    first = np.flatnonzero(np.concatenate([[True], ~(glitch[1:] | glitch[:-1])]))
    since_s = np.maximum(bounds_s[first], start_s)
    until_s = np.minimum(bounds_s[np.append(first[1:], lasts_s.size)], end_s)
    held = until_s - since_s >= min(STUCK_S, end_s - start_s)
    since_s, until_s, level = since_s[held], until_s[held], (line.initial_level + first[held]) % 2
    stretches = zip(level.tolist(), since_s.tolist(), until_s.tolist(), strict=True)
    return [LineState("stuck high" if at else "stuck low", at, *span) for at, *span in stretches]


def _framed(line: Line, convention: Convention, *, inverted: bool) -> FloatArray:
    """List the leading edges that belong to frames, in seconds."""
    rise_ps, width_us = whole_pulses(line, inverted=inverted)
    likely = width_us >= convention.glitch_us
    likely &= width_us <= _MAX_PULSE * convention.accepted_high_us
    rise_s, width_us = rise_ps[likely] / PS_PER_S, width_us[likely]
    if rise_s.size < _MIN_REGULAR:
        return np.zeros(0)
    returns = _returning(np.diff(rise_s)) & _alike(width_us)
    # Runs of periods that return, four or more of them, are frames.
    edge = np.diff(np.concatenate([[0], returns.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    long = ends - begins >= _MIN_REGULAR - 1
    cover = np.zeros(rise_s.size + 1, np.int64)
    np.add.at(cover, begins[long], 1)
    np.add.at(cover, ends[long] + 1, -1)
    return rise_s[np.cumsum(cover)[:-1] > 0]


def _returning(period_s: FloatArray) -> BoolArray:
    """Say which periods come again nearby, or hold whole ones that do."""
    returns = np.zeros(period_s.size, bool)
    for lag in range(1, min(_LAGS, period_s.size - 1) + 1):
        shorter_s = np.minimum(period_s[lag:], period_s[:-lag])
        times = np.rint(np.maximum(period_s[lag:], period_s[:-lag]) / shorter_s)
        off_s = np.abs(np.maximum(period_s[lag:], period_s[:-lag]) - times * shorter_s)
        alike = (off_s <= _REGULAR * shorter_s) & (times <= _MAX_MISSING + 1)
        returns[lag:] |= alike
        returns[:-lag] |= alike
    return returns


def _alike(width_us: FloatArray) -> BoolArray:
    """Say for each two pulses in a row whether their widths are near each other."""
    wider_us = np.maximum(width_us[1:], width_us[:-1])
    return np.abs(np.diff(width_us)) <= _WIDTHS_ALIKE * wider_us


def _between(
    taken_s: list[tuple[float, float]], start_s: float, end_s: float
) -> list[tuple[float, float]]:
    """List what is left of a time span beside what is taken, in order."""
    begins = [start_s, *(max(until_s, start_s) for _, until_s in taken_s)]
    finishes = [*(min(since_s, end_s) for since_s, _ in taken_s), end_s]
    pairs = zip(begins, finishes, strict=True)
    return [(begin_s, finish_s) for begin_s, finish_s in pairs if begin_s < finish_s]


def _noise(
    edges_s: FloatArray, framed_s: FloatArray, begin_s: float, finish_s: float
) -> list[tuple[float, float]]:
    """List the stretches of edges without frames between two instants."""
    inside = framed_s[np.searchsorted(framed_s, begin_s) : np.searchsorted(framed_s, finish_s)]
    cuts_s = np.concatenate([[begin_s], inside, [finish_s]])
    at = np.searchsorted(edges_s, cuts_s)
    # The edges that a frame's own pulse begins and ends with are not noise.
    first = at[:-1] + np.where(np.arange(at.size - 1) > 0, 2, 0)
    last = at[1:] - 1
    lonely = (np.diff(cuts_s) >= QUIET_S) & (last - first + 1 >= MIN_EDGES)
    found: list[tuple[float, float]] = []
    for k in np.flatnonzero(lonely):
        since_s, until_s = float(edges_s[first[k]]), float(edges_s[last[k]])
        if found and since_s - found[-1][1] < QUIET_S:  # a few edges alike by chance
            since_s, _ = found.pop()
        found.append((since_s, until_s))
    return found
