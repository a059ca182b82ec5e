"""From a script to a recording with its exact truth: what is commanded, received and sampled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pwmscope.model import PS_PER_S, PS_PER_US, BoolArray, Capture, FloatArray, IntArray, Line
from pwmscope.synth.script import (
    Behaviour,
    Channel,
    Glitches,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    PulsesStop,
    Rotor,
    Script,
    ScriptError,
    Supply,
    Wanders,
    place_moves,
    stream,
    width_at,
)

STEP_S = 1e-3
"""The speed is worked out so often; it changes evenly in between."""
HIGH_PART = 0.25
"""Part of the pitch for which the sensor's output is high at each mark."""


@dataclass(frozen=True, slots=True)
class RotorTruth:
    """What a rotor really did."""

    name: str  # Its sensor's line
    of: str  # The channel that drives it
    # Edges of the sensor's output, the first a rise, exact before sampling
    edges_ps: IntArray
    top_per_minute: float  # The highest speed
    # For each loss, seconds from it until the speed was below the script's slow one, until the
    # channels followed again; None where it never was
    slow_s: tuple[float | None, ...]


def turn(
    rotor: Rotor, driven: ChannelTruth, losses: tuple[Loss, ...], duration_ps: int
) -> RotorTruth:
    """Let a rotor follow a channel's pulses.

    Commanded more, it speeds up with the time constant ``rises_s``; commanded less, or without
    pulses for 0.2 s, it loses ``friction_per_s`` turns a second in each second.
    """
    steps = int(duration_ps / PS_PER_S / STEP_S) + 1
    time_s = np.asarray(np.arange(steps) * STEP_S, np.float64)
    rise_ps = driven.rise_ps
    row = np.searchsorted(rise_ps, np.rint(time_s * PS_PER_S).astype(np.int64)) - 1
    last = np.maximum(row, 0)
    fresh = (row >= 0) & (time_s - rise_ps[last] / PS_PER_S < 0.2)
    above_us = np.where(fresh, driven.command_ps[last] / 1e6 - rotor.rest_us, 0.0)
    asked = np.where(above_us > rotor.dead_us, above_us, 0.0) * rotor.per_minute_us / 60.0
    speed, now = [], 0.0
    for wanted in asked.tolist():
        if wanted > now:
            now += STEP_S * (wanted - now) / rotor.rises_s
        else:
            now = max(now - STEP_S * rotor.friction_per_s, wanted)
        speed.append(now)
    hz = np.array(speed)
    turns = np.concatenate([[0.0], np.cumsum(hz)]) * STEP_S
    slow_hz = rotor.slow_per_minute / 60.0
    return RotorTruth(
        rotor.name, rotor.of, _edges_ps(turns, rotor.marks_per_turn), 60.0 * float(hz.max()),
        tuple([_slow_s(time_s, hz, slow_hz, loss) for loss in losses]),
    )  # fmt: skip


def _edges_ps(turns: FloatArray, per_turn: int) -> IntArray:
    """Return when marks begin and end to pass, by the angle, which is even within each step."""
    count = int(turns[-1] * per_turn - 0.5 - HIGH_PART)
    begin = (np.arange(max(count, 0)) + 0.5) / per_turn
    places = np.stack([begin, begin + HIGH_PART / per_turn], axis=1).ravel()
    moves = np.flatnonzero(np.diff(turns, prepend=-1.0) > 0)
    at = np.searchsorted(turns[moves], places, side="left")
    low, high = moves[at] - 1, moves[at]
    part = (places - turns[low]) / (turns[high] - turns[low])
    return np.rint((low + part) * STEP_S * PS_PER_S).astype(np.int64)


def _slow_s(time_s: FloatArray, hz: FloatArray, slow_hz: float, loss: Loss) -> float | None:
    within = (time_s >= loss.off_s) & (time_s < (loss.on_s or np.inf))
    fast = np.flatnonzero(within & (hz >= slow_hz))
    if not fast.size or fast[-1] == np.flatnonzero(within)[-1]:
        return None
    return round(float(time_s[fast[-1]] + STEP_S - loss.off_s), 6)


@dataclass(frozen=True, slots=True)
class Sag:
    """What one load did to the supply."""

    of: str  # The channel whose device drew the current
    begin_s: float
    end_s: float
    depth_v: float  # Current times source resistance


@dataclass(frozen=True, slots=True)
class SupplyTruth:
    """What a supply really was."""

    supply: Supply  # The script's
    sags: tuple[Sag, ...]  # In order of time; where several overlap, their depths add up

    def millivolts(self, samples: IntArray, rate_hz: int, drawn: FloatArray) -> IntArray:
        """Return what the analyser reads at some samples, with the noise drawn for them."""
        time_s = samples / rate_hz
        volts = np.full(samples.size, float(self.supply.open_v))
        for sag in self.sags:
            volts -= sag.depth_v * ((time_s >= sag.begin_s) & (time_s < sag.end_s))
        step_mv = 1000.0 * self.supply.step_v
        read = np.rint((1000.0 * (volts + self.supply.noise_v * drawn)) / step_mv) * step_mv
        return np.clip(np.rint(read), 0, 9999).astype(np.int64)


def load_down(supply: Supply, channels: tuple[Channel, ...], duration_s: float) -> SupplyTruth:
    """Let each load draw its current soon after its channel's stick begins to move."""
    moves = {channel.name: place_moves(channel.moves) for channel in channels}
    sags = [
        Sag(
            load.of,
            round(stretch.begin_s + load.after_s, 9),
            round(stretch.begin_s + load.after_s + load.for_s, 9),
            round(load.amperes * supply.source_ohm, 9),
        )
        for load in supply.loads
        for stretch in moves[load.of]
        if not stretch.is_dwell and stretch.begin_s < duration_s
    ]
    return SupplyTruth(supply, tuple(sorted(sags, key=lambda sag: sag.begin_s)))


@dataclass(frozen=True, slots=True)
class FrameTruth:
    """Every frame of the receiver's clock, missing ones included."""

    period_us: float  # Nominal frame period
    jitter_us: float  # Standard deviation asked for, of each start about its nominal instant
    # shape (n_frames,): Nominal starts in picoseconds; the first may lie before 0
    nominal_ps: IntArray
    start_ps: IntArray  # shape (n_frames,): True starts
    # shape (n_frames,): Whether the frame was dropped on all channels
    missing: BoolArray
    # shape (n_frames,): Whether no packet came for it, so that all channels repeat the width before
    stale: BoolArray


@dataclass(frozen=True, slots=True)
class Level:
    """A stretch in which the stick stood still."""

    # Its time span by the script, cut at the recording's end
    from_s: float
    to_s: float
    width_us: float  # The width the receiver means to make there, resolution included


@dataclass(frozen=True, slots=True)
class ChannelLoss:
    """What one channel did in one loss."""

    behaviour: str  # "pulses stop", "holds last", "goes to preset", "wanders" or "keeps following"
    # When the transmitter went off, when on again, and when channels follow again; None where it
    # stays off to the end
    off_s: float
    on_s: float | None
    follows_s: float | None
    last_us: float  # The width in force at the moment of loss
    # When the pulses stop or the preset width begins by the script; None for the other behaviours
    # and where the loss ends first
    settles_s: float | None
    # Width after that: the held or preset one; None where pulses stop, wander or follow
    settles_us: float | None
    back_us: float | None  # Width of the first frame that follows again; None if there is none


@dataclass(frozen=True, slots=True)
class ChannelTruth:
    """The pulses of one line, exact before sampling."""

    name: str  # The line's name
    inverted: bool  # Whether the line idles high; rises and widths are those of the pulse
    # shape (n_pulses,): Start and width of every pulse that touches the recording. The first may
    # have begun before 0, the last may end after the recording.
    rise_ps: IntArray
    width_ps: IntArray
    # shape (n_pulses,): The width each pulse was meant to have, before jitter
    command_ps: IntArray
    frame: IntArray  # shape (n_pulses,): Index of its frame in `FrameTruth`
    # shape (n_glitches,): Spikes in the low time
    glitch_rise_ps: IntArray
    glitch_width_ps: IntArray
    # shape (n_rests,): Long high stretches where the line rests at 1 while pulses are stopped
    rest_rise_ps: IntArray
    rest_width_ps: IntArray
    neutral_us: float | None  # The scripted neutral
    # Least and greatest width of the dwells within the recording
    low_us: float
    high_us: float
    levels: tuple[Level, ...]  # The dwells in order
    losses: tuple[ChannelLoss, ...]  # One per loss, in order

    def edges_ps(self) -> IntArray:
        """All true edges in order, the first a rise, before any inversion."""
        rises = np.concatenate([self.rise_ps, self.glitch_rise_ps, self.rest_rise_ps])
        widths = np.concatenate([self.width_ps, self.glitch_width_ps, self.rest_width_ps])
        return np.sort(np.concatenate([rises, rises + widths]))


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened in a built recording."""

    duration_ps: int  # Length of the recording as scripted, in picoseconds
    # As asked for
    width_jitter_us: float
    width_resolution_us: float
    width_tick_us: float
    frames: FrameTruth  # The frame clock
    channels: Mapping[str, ChannelTruth]  # By line name, in the file's order
    marker: str | None  # The line that is high while the transmitter is on
    # shape (n,): Its true edges; it begins high, so that the first is a fall
    marker_edges_ps: IntArray
    rotors: tuple[RotorTruth, ...] = ()  # What the motors with a sensor did
    supplies: tuple[SupplyTruth, ...] = ()  # What the supplies were


def sample_instants_ps(indices: IntArray, rate_hz: int) -> IntArray:
    """Instants of samples, ``round(k / rate)`` in picoseconds, halves upward.

    >>> sample_instants_ps(np.array([0, 1, 2, 3, 24_000_000]), 24_000_000)
    array([            0,         41667,         83333,        125000,
           1000000000000])
    """
    seconds, rest = np.divmod(indices, rate_hz)
    whole_ps, left = divmod(PS_PER_S, rate_hz)
    # rest < 1e9 and left < 1e9, so that no product exceeds 2e18 < 2**63.
    part_ps = rest * whole_ps + (2 * rest * left + rate_hz) // (2 * rate_hz)
    instants: IntArray = seconds * PS_PER_S + part_ps
    return instants


def first_sample_at(times_ps: IntArray, rate_hz: int) -> IntArray:
    """Find the first sample at or after each time.

    >>> first_sample_at(np.array([-5, 0, 1, 41667, 41668]), 24_000_000)
    array([0, 0, 1, 1, 2])
    """
    seconds, rest_ps = np.divmod(np.maximum(times_ps, 0), PS_PER_S)
    # The quotient in floating point is off by far less than one sample; whole steps settle it.
    near = np.floor(rest_ps.astype(np.float64) * (rate_hz / PS_PER_S)).astype(np.int64)
    first = np.maximum(seconds * rate_hz + near - 1, 0)
    for _ in range(3):
        first += sample_instants_ps(first, rate_hz) < times_ps
    return first


def count_samples(duration_ps: int, rate_hz: int) -> int:
    """Count the samples from time 0 to the end, both included.

    >>> count_samples(2_000_000, 1_000_000)
    3
    """
    last = int(first_sample_at(np.array([duration_ps], np.int64), rate_hz)[0])
    is_late = int(sample_instants_ps(np.array([last], np.int64), rate_hz)[0]) > duration_ps
    return last + 1 - int(is_late)


def sample_edges(edges_ps: IntArray, rate_hz: int, sample_count: int) -> tuple[IntArray, int]:
    """Sample numbers at which a line that begins low is seen to change.

    An even number of edges between two samples cancels: a pulse shorter than
    a sample interval may vanish, as it does on an analyser.

    >>> sample_edges(np.array([-10, 500, 1_200_000, 1_300_000, 2_000_000]), 1_000_000, 10)
    (array([1, 2]), 1)
    """
    seen, counts = np.unique(first_sample_at(edges_ps, rate_hz), return_counts=True)
    seen = seen[counts % 2 == 1]
    initial_level = int(seen.size > 0 and seen[0] == 0)
    return seen[(seen > 0) & (seen < sample_count)], initial_level


CLEAR_PS = 100 * PS_PER_US
"""Least distance from a glitch to the pulses around it."""


def _all_glitches(
    script: Script, line: str, rise_ps: IntArray, width_ps: IntArray, duration_ps: int
) -> tuple[IntArray, IntArray]:
    """Draw the glitches of one line: the script's own, then those of each interference."""
    found_ps, wide_ps = _draw_glitches(
        script.glitches, rise_ps, width_ps, (0, duration_ps),
        stream(script.seed, "glitches", line),
    )  # fmt: skip
    for number, span in enumerate(script.interferences, start=1):
        if not span.glitches_per_minute or (span.lines and line not in span.lines):
            continue
        more_ps, more_wide_ps = _draw_glitches(
            replace(script.glitches, per_minute=span.glitches_per_minute),
            np.concatenate([rise_ps, found_ps]),
            np.concatenate([width_ps, wide_ps]),
            (round(span.from_s * PS_PER_S), round(span.to_s * PS_PER_S)),
            stream(script.seed, "interference", line, number),
        )
        found_ps = np.concatenate([found_ps, more_ps])
        wide_ps = np.concatenate([wide_ps, more_wide_ps])
    order = np.argsort(found_ps, kind="stable")
    return found_ps[order], wide_ps[order]


def _draw_glitches(
    glitches: Glitches,
    rise_ps: IntArray,
    width_ps: IntArray,
    span_ps: tuple[int, int],
    rng: np.random.Generator,
) -> tuple[IntArray, IntArray]:
    """Draw the glitches of one line in a time span."""
    from_ps, to_ps = span_ps
    count = int(rng.poisson(glitches.per_minute * (to_ps - from_ps) / (60 * PS_PER_S)))
    widest_ps = round(glitches.longest_us * PS_PER_US)
    order = np.argsort(rise_ps)
    begin_ps = np.concatenate([np.zeros(1, np.int64), (rise_ps + width_ps)[order]]) + CLEAR_PS
    end_ps = np.concatenate([rise_ps[order], np.array([to_ps])]) - CLEAR_PS - widest_ps
    if from_ps > 0:
        begin_ps, end_ps = np.maximum(begin_ps, from_ps), np.minimum(end_ps, to_ps)
    room_ps = np.maximum(end_ps - begin_ps, 0)
    filled_ps = np.cumsum(room_ps)
    place_ps = np.sort(np.floor(rng.random(count) * filled_ps[-1]).astype(np.int64))
    least_us, span_us = glitches.shortest_us, glitches.longest_us - glitches.shortest_us
    spike_ps = np.rint((least_us + span_us * rng.random(count)) * PS_PER_US).astype(np.int64)
    gap, first = np.unique(np.searchsorted(filled_ps, place_ps, side="right"), return_index=True)
    inside = gap < room_ps.size
    gap, first = gap[inside], first[inside]
    into_ps = place_ps[first] - (filled_ps[gap] - room_ps[gap])
    return begin_ps[gap] + into_ps, spike_ps[first]


@dataclass(frozen=True, slots=True)
class _Received:
    """The command of one channel in every frame."""

    # shape (n_frames,): Width to be made, before jitter, in picoseconds
    command_ps: IntArray
    # shape (n_frames,): 0 where a pulse is made; otherwise the number of the loss, from 1, in which
    # the pulses are stopped
    stopped: IntArray
    losses: tuple[ChannelLoss, ...]  # What happened in each loss


def _receive(script: Script, channel: Channel, frame_s: FloatArray, stale: BoolArray) -> _Received:
    """Work out a channel's command in every frame.

    The stick is read at the nominal start of the last frame that is not stale. A frame that
    starts at or after `off_s` and before `follows_s` belongs to the loss.
    """
    resolution_us = script.width.resolution_us
    fresh_s = frame_s[np.maximum.accumulate(np.where(stale, 0, np.arange(stale.size)))]
    stick_us = _round_to(width_at(place_moves(channel.moves), fresh_s), resolution_us)
    command_us = stick_us.copy()
    stopped = np.zeros(frame_s.size, np.int64)
    said: list[ChannelLoss] = []
    for number, loss in enumerate(script.losses, start=1):
        behaviour = loss.channels.get(channel.name, channel.when_lost)
        first, back = np.searchsorted(frame_s, [loss.off_s, loss.follows_s])
        last_us = float(stick_us[max(int(first) - 1, 0)])
        lost = slice(int(first), int(back))
        if isinstance(behaviour, Wanders):
            rng = stream(script.seed, "wander", channel.name, number)
            walk_us = _walk(behaviour, last_us, int(back - first), rng)
            command_us[lost] = _round_to(walk_us, resolution_us)
        elif not isinstance(behaviour, KeepsFollowing):
            command_us[lost] = last_us
            into_s = frame_s[lost] - loss.off_s
            if isinstance(behaviour, GoesToPreset):
                command_us[lost] = _to_preset_us(behaviour, last_us, into_s)
                begin_s, end_s = behaviour.after_s, behaviour.after_s + behaviour.silent_s
                stopped[lost][(into_s >= begin_s) & (into_s < end_s)] = number
            elif isinstance(behaviour, PulsesStop):
                stopped[lost][frame_s[lost] >= _settles_s(behaviour, loss)] = number
        returns = back < frame_s.size
        said.append(_format(behaviour, loss, last_us, float(stick_us[back]) if returns else None))
    command_ps = np.rint(command_us * PS_PER_US).astype(np.int64)
    return _Received(command_ps, stopped, tuple(said))


def _round_to(width_us: FloatArray, step_us: float) -> FloatArray:
    """Round widths to whole steps; a step of 0 leaves them as they are.

    >>> _round_to(np.array([1500.4, 1503.1]), 2.0)
    array([1500., 1504.])
    """
    if step_us == 0:
        return width_us
    return np.rint(width_us / step_us) * step_us


def _to_preset_us(behaviour: GoesToPreset, last_us: float, into_s: FloatArray) -> FloatArray:
    """Hold the last width, then go evenly to the preset, or at once."""
    begin_s, end_s = behaviour.after_s + behaviour.silent_s, behaviour.settles_after_s
    ramp_s = behaviour.ramp_s
    part = (into_s - begin_s) / ramp_s if ramp_s > 0 else np.zeros(into_s.size)
    on_way_us = last_us + np.clip(part, 0.0, 1.0) * (behaviour.preset_us - last_us)
    return np.where(into_s >= end_s, behaviour.preset_us, on_way_us)


def _settles_s(behaviour: PulsesStop | GoesToPreset, loss: Loss) -> float:
    if isinstance(behaviour, GoesToPreset):
        return loss.off_s + behaviour.settles_after_s
    return loss.off_s + behaviour.after_s


def _format(behaviour: Behaviour, loss: Loss, last_us: float, back_us: float | None) -> ChannelLoss:
    follows_s = None if loss.on_s is None else loss.follows_s
    settles_s, settles_us = None, None
    if isinstance(behaviour, PulsesStop | GoesToPreset):
        settles_s = _settles_s(behaviour, loss)
        if settles_s >= loss.follows_s:
            settles_s = None
    if isinstance(behaviour, GoesToPreset):
        settles_us = behaviour.preset_us if settles_s is not None else last_us
    elif isinstance(behaviour, HoldsLast):
        settles_us = last_us
    return ChannelLoss(
        behaviour.behaviour, loss.off_s, loss.on_s, follows_s, last_us, settles_s, settles_us,
        back_us,
    )  # fmt: skip


def _walk(bounds: Wanders, start_us: float, count: int, rng: np.random.Generator) -> FloatArray:
    """Random walk turned back at its bounds: an unbounded walk folded as a triangle wave."""
    span_us = bounds.high_us - bounds.low_us
    free_us = start_us - bounds.low_us + np.cumsum(rng.standard_normal(count) * bounds.step_us)
    folded_us: FloatArray = span_us - np.abs(free_us % (2 * span_us) - span_us)
    return folded_us + bounds.low_us


@dataclass(frozen=True, slots=True)
class SampledLine:
    """One line as the analyser's samples show it."""

    name: str  # The line's name
    # shape (n_changes,): Numbers of the samples whose level differs from the one before
    changes: IntArray
    initial_level: int  # Level of sample 0


@dataclass(frozen=True, slots=True)
class Recording:
    """A built recording."""

    script: Script  # What it was built from
    truth: Truth  # What really happened, before sampling
    lines: tuple[SampledLine, ...]  # What the analyser saw, in the file's order
    sample_count: int  # Samples in all; the first is at time 0

    @property
    def capture(self) -> Capture:
        """The recording as a reader of its file should find it."""
        rate_hz = self.script.sample_rate_hz
        last_ps = sample_instants_ps(np.array([self.sample_count - 1], np.int64), rate_hz)
        return Capture(
            {
                line.name: Line(
                    line.name, sample_instants_ps(line.changes, rate_hz), line.initial_level
                )
                for line in self.lines
            },
            int(last_ps[0]),
            PS_PER_S / rate_hz,
            self.script.title or "synthetic recording",
            (f"This recording is synthetic, built from a script with seed {self.script.seed}.",),
        )


def build(script: Script) -> Recording:
    """Build a recording and its truth.

    A sample ``k`` is taken at ``round(k / rate)`` picoseconds from 0 to the script's duration,
    both included; an edge shows at the first sample at or after it.

    >>> from pwmscope.synth import Channel, Dwell, Frame
    >>> rx1 = Channel("RX1", (Dwell(1500, 1),), skew_us=3.2)
    >>> recording = build(Script(0.05, 1_000_000, 7, Frame(20_000), (rx1,)))
    >>> recording.truth.channels["RX1"].rise_ps
    array([    3200000, 20003200000, 40003200000])
    >>> recording.capture.lines["RX1"].edges_ps[:3]
    array([    4000000,  1504000000, 20004000000])
    """
    duration_ps = round(script.duration_s * PS_PER_S)
    frames = _frames(script, duration_ps)
    channels = {c.name: _channel(script, c, frames, duration_ps) for c in script.channels}
    truth = Truth(
        duration_ps, script.width.jitter_us, script.width.resolution_us, script.width.tick_us,
        frames, channels, script.marker, _marker_edges_ps(script, duration_ps),
        tuple([turn(rotor, channels[rotor.of], script.losses, duration_ps)
               for rotor in script.rotors]),
        tuple([load_down(s, script.channels, script.duration_s) for s in script.supplies]),
    )  # fmt: skip
    count = count_samples(duration_ps, script.sample_rate_hz)
    return Recording(script, truth, _sampled_lines(truth, script.sample_rate_hz, count), count)


def _frames(script: Script, duration_ps: int) -> FrameTruth:
    """Draw every frame from the first one that can still be seen to the last."""
    frame = script.frame
    period_ps = round(frame.period_us * PS_PER_US)
    first_ps = round(frame.first_frame_us * PS_PER_US)
    count = max(1, -(-(duration_ps - first_ps) // period_ps))
    nominal_ps = first_ps + period_ps * np.arange(count, dtype=np.int64)
    clock = stream(script.seed, "clock").standard_normal(count)
    start_ps = nominal_ps + np.rint(clock * (frame.jitter_us * PS_PER_US)).astype(np.int64)
    missing = stream(script.seed, "dropout").random(count) < frame.dropout_probability
    stale = _stale(script, nominal_ps / PS_PER_S)
    return FrameTruth(frame.period_us, frame.jitter_us, nominal_ps, start_ps, missing, stale)


def _stale(script: Script, frame_s: FloatArray) -> BoolArray:
    """Draw the frames for which no packet came: fresh and stale stretches by turns."""
    stale = np.zeros(frame_s.size, bool)
    for number, span in enumerate(script.interferences, start=1):
        first, end = np.searchsorted(frame_s, [span.from_s, span.to_s])
        share = span.stale_probability
        if not share or first >= end:
            continue
        rng = stream(script.seed, "stale", number=number)
        if span.stale_frames == 1.0:
            stale[first:end] = rng.random(end - first) < share
            continue
        # So many stretches reach the end for certain: each lasts two frames at least.
        count = (end - first) // 2 + 1
        lasts = np.empty(2 * count, np.int64)
        lasts[0::2] = rng.geometric(min(share / (1.0 - share) / span.stale_frames, 1.0), count)
        lasts[1::2] = rng.geometric(1.0 / span.stale_frames, count)
        stale[first:end] = np.repeat(np.arange(2 * count) % 2 == 1, lasts)[: end - first]
    stale[:1] = False
    return stale


def _channel(
    script: Script, channel: Channel, frames: FrameTruth, duration_ps: int
) -> ChannelTruth:
    received = _receive(script, channel, frames.nominal_ps / PS_PER_S, frames.stale)
    rise_ps = frames.start_ps + round(channel.skew_us * PS_PER_US)
    width_ps = _made_widths_ps(script, channel, received)
    kept = ~frames.missing & (received.stopped == 0)
    kept &= (rise_ps < duration_ps) & (rise_ps + width_ps > 0)
    rest_rise_ps, rest_width_ps = _rests(script, channel, received, rise_ps, width_ps)
    rise_ps, width_ps = rise_ps[kept], width_ps[kept]
    _check_pulses(channel, rise_ps, width_ps)
    glitch_rise_ps, glitch_width_ps = _all_glitches(
        script, channel.name, np.concatenate([rise_ps, rest_rise_ps]),
        np.concatenate([width_ps, rest_width_ps]), duration_ps,
    )  # fmt: skip
    levels = _levels(script, channel)
    return ChannelTruth(
        channel.name, channel.inverted, rise_ps, width_ps, received.command_ps[kept],
        np.flatnonzero(kept), glitch_rise_ps, glitch_width_ps, rest_rise_ps, rest_width_ps,
        channel.neutral_us, min(level.width_us for level in levels),
        max(level.width_us for level in levels), levels, received.losses,
    )  # fmt: skip


def _made_widths_ps(script: Script, channel: Channel, received: _Received) -> IntArray:
    drawn = stream(script.seed, "width", channel.name).standard_normal(received.command_ps.size)
    made_us = received.command_ps / PS_PER_US + drawn * script.width.jitter_us
    made_us = _round_to(made_us, script.width.tick_us)
    return np.rint(made_us * PS_PER_US).astype(np.int64)


def _rests(
    script: Script, channel: Channel, received: _Received, rise_ps: IntArray, width_ps: IntArray
) -> tuple[IntArray, IntArray]:
    """High stretches of a line that rests at 1, a quarter period clear of the pulses around."""
    clear_ps = round(script.frame.period_us * PS_PER_US / 4)
    spans: list[tuple[int, int]] = []
    for number, loss in enumerate(script.losses, start=1):
        behaviour = loss.channels.get(channel.name, channel.when_lost)
        at = np.flatnonzero(received.stopped == number)
        if getattr(behaviour, "rests_at", 0) and at.size:
            begin_ps = int(rise_ps[at[0]])
            if at[0] > 0:
                begin_ps = max(begin_ps, int((rise_ps + width_ps)[at[0] - 1]) + clear_ps)
            end_ps = int(rise_ps[at[-1]]) + 3 * clear_ps
            spans.append((begin_ps, end_ps - begin_ps))
    table = np.array(spans, np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _check_pulses(channel: Channel, rise_ps: IntArray, width_ps: IntArray) -> None:
    place = f"channel {channel.name}"
    if width_ps.size and int(width_ps.min()) <= 0:
        least_us = float(width_ps.min() / PS_PER_US)
        raise ScriptError(
            "moves", least_us, "pulse widths above 0 us, jitter included", place=place
        )
    gaps_ps = rise_ps[1:] - (rise_ps + width_ps)[:-1]
    if gaps_ps.size and int(gaps_ps.min()) <= 0:
        at = int(gaps_ps.argmin())
        width_us = float(width_ps[at] / PS_PER_US)
        raise ScriptError("moves", width_us, "a pulse that ends before the next frame", place=place)


def _levels(script: Script, channel: Channel) -> tuple[Level, ...]:
    dwells = [s for s in place_moves(channel.moves) if s.is_dwell and s.begin_s < script.duration_s]
    widths_us = _round_to(np.array([s.start_us for s in dwells]), script.width.resolution_us)
    return tuple(
        Level(s.begin_s, min(s.end_s, script.duration_s), float(width_us))
        for s, width_us in zip(dwells, widths_us, strict=True)
    )


def _marker_edges_ps(script: Script, duration_ps: int) -> IntArray:
    instants = [
        round(time_s * PS_PER_S)
        for loss in script.losses
        for time_s in (loss.off_s + loss.marked_late_s, loss.on_s)
        if time_s is not None
    ]
    edges_ps = np.array(instants, np.int64)
    return edges_ps[edges_ps <= duration_ps]


def _sampled_lines(truth: Truth, rate_hz: int, count: int) -> tuple[SampledLine, ...]:
    lines: list[SampledLine] = []
    for channel in truth.channels.values():
        changes, level = sample_edges(channel.edges_ps(), rate_hz, count)
        lines.append(SampledLine(channel.name, changes, level ^ int(channel.inverted)))
    lines += [
        SampledLine(rotor.name, *sample_edges(rotor.edges_ps, rate_hz, count))
        for rotor in truth.rotors
    ]
    if truth.marker is not None:
        changes, level = sample_edges(truth.marker_edges_ps, rate_hz, count)
        lines.append(SampledLine(truth.marker, changes, level ^ 1))
    return tuple(lines)
