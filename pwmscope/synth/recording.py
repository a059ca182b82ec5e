"""From a script to a recording: exact events first, then the analyser's samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.model.recording import PS_PER_S, PS_PER_US, Capture, Line
from pwmscope.synth.errors import ScriptError
from pwmscope.synth.moves import place_moves
from pwmscope.synth.received import Received, receive, round_to
from pwmscope.synth.sampling import count_samples, sample_edges, sample_instants_ps
from pwmscope.synth.script import Channel, Script
from pwmscope.synth.spikes import draw_glitches
from pwmscope.synth.streams import stream
from pwmscope.synth.truth import ChannelTruth, FrameTruth, Level, Truth


@dataclass(frozen=True, slots=True)
class SampledLine:
    """One line as the analyser's samples show it.

    Parameters
    ----------
    name : str
        The line's name.
    changes : ndarray of int64, shape (n_changes,)
        Numbers of the samples whose level differs from the one before.
    initial_level : int
        Level of sample 0.
    """

    name: str
    changes: npt.NDArray[np.int64]
    initial_level: int


@dataclass(frozen=True, slots=True)
class Recording:
    """A built recording.

    Parameters
    ----------
    script : Script
        What it was built from.
    truth : Truth
        What really happened, before sampling.
    lines : tuple of SampledLine
        What the analyser saw, in the file's order.
    sample_count : int
        Samples in all; the first is at time 0.
    """

    script: Script
    truth: Truth
    lines: tuple[SampledLine, ...]
    sample_count: int

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

    Parameters
    ----------
    script : Script
        The bench.

    Returns
    -------
    Recording
        Truth in integer picoseconds and what a clocked analyser sees of it. A
        sample ``k`` is taken at ``round(k / rate)`` picoseconds from 0 to the
        script's duration, both included; an edge shows at the first sample at
        or after it.

    Raises
    ------
    ScriptError
        If pulses would run into each other or have no width.

    Examples
    --------
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
        duration_ps,
        script.width.jitter_us,
        script.width.resolution_us,
        script.width.tick_us,
        frames,
        channels,
        script.marker,
        _marker_edges_ps(script, duration_ps),
    )
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
    return FrameTruth(frame.period_us, frame.jitter_us, nominal_ps, start_ps, missing)


def _channel(
    script: Script, channel: Channel, frames: FrameTruth, duration_ps: int
) -> ChannelTruth:
    received = receive(
        channel,
        script.losses,
        frames.nominal_ps / PS_PER_S,
        script.width.resolution_us,
        script.seed,
    )
    rise_ps = frames.start_ps + round(channel.skew_us * PS_PER_US)
    width_ps = _made_widths_ps(script, channel, received)
    kept = ~frames.missing & (received.stopped == 0)
    kept &= (rise_ps < duration_ps) & (rise_ps + width_ps > 0)
    rest_rise_ps, rest_width_ps = _rests(script, channel, received, rise_ps, width_ps)
    rise_ps, width_ps = rise_ps[kept], width_ps[kept]
    _check_pulses(channel, rise_ps, width_ps)
    glitch_rise_ps, glitch_width_ps = draw_glitches(
        script.glitches,
        np.concatenate([rise_ps, rest_rise_ps]),
        np.concatenate([width_ps, rest_width_ps]),
        duration_ps,
        stream(script.seed, "glitches", channel.name),
    )
    levels = _levels(script, channel)
    return ChannelTruth(
        channel.name,
        channel.inverted,
        rise_ps,
        width_ps,
        received.command_ps[kept],
        np.flatnonzero(kept),
        glitch_rise_ps,
        glitch_width_ps,
        rest_rise_ps,
        rest_width_ps,
        channel.neutral_us,
        min(level.width_us for level in levels),
        max(level.width_us for level in levels),
        levels,
        received.losses,
    )


def _made_widths_ps(script: Script, channel: Channel, received: Received) -> npt.NDArray[np.int64]:
    drawn = stream(script.seed, "width", channel.name).standard_normal(received.command_ps.size)
    made_us = received.command_ps / PS_PER_US + drawn * script.width.jitter_us
    made_us = round_to(made_us, script.width.tick_us)
    widths_ps: npt.NDArray[np.int64] = np.rint(made_us * PS_PER_US).astype(np.int64)
    return widths_ps


def _rests(
    script: Script,
    channel: Channel,
    received: Received,
    rise_ps: npt.NDArray[np.int64],
    width_ps: npt.NDArray[np.int64],
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
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


def _check_pulses(
    channel: Channel, rise_ps: npt.NDArray[np.int64], width_ps: npt.NDArray[np.int64]
) -> None:
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
    standing = [
        s for s in place_moves(channel.moves) if s.is_dwell and s.begin_s < script.duration_s
    ]
    widths_us = round_to(np.array([s.start_us for s in standing]), script.width.resolution_us)
    return tuple(
        Level(s.begin_s, min(s.end_s, script.duration_s), float(width_us))
        for s, width_us in zip(standing, widths_us, strict=True)
    )


def _marker_edges_ps(script: Script, duration_ps: int) -> npt.NDArray[np.int64]:
    instants = [
        round(time_s * PS_PER_S)
        for loss in script.losses
        for time_s in (loss.off_s, loss.on_s)
        if time_s is not None
    ]
    edges_ps = np.array(instants, np.int64)
    return edges_ps[edges_ps <= duration_ps]


def _sampled_lines(truth: Truth, rate_hz: int, count: int) -> tuple[SampledLine, ...]:
    lines: list[SampledLine] = []
    for channel in truth.channels.values():
        changes, level = sample_edges(channel.edges_ps(), rate_hz, count)
        lines.append(SampledLine(channel.name, changes, level ^ int(channel.inverted)))
    if truth.marker is not None:
        changes, level = sample_edges(truth.marker_edges_ps, rate_hz, count)
        lines.append(SampledLine(truth.marker, changes, level ^ 1))
    return tuple(lines)
