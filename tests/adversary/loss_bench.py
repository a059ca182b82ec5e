"""The physical bench at edge level: transmitter, link, receivers, devices, hands, probes, analyser.

Everything here is in true time, in seconds and microseconds, until `record` samples it. Nothing of
the product is imported, and nothing here reads a recording: what a device was commanded to do is
worked out in `loss_truth` from the pulses that leave the receiver.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Span = tuple[float, float]

MARK_S = 300e-6  # of a sum train; common practice


class Kind(IntEnum):
    """What one output does in one phase of a loss."""

    HOLD = 0
    WIDTH = 1
    RAMP = 2
    SILENT = 3
    HIGH = 4
    NOISE = 5
    WANDER = 6
    FOLLOW = 7


@dataclass(frozen=True)
class Phase:
    """One phase: from ``start_s`` after the last packet (or after the switch-on) to the next."""

    start_s: float
    kind: Kind
    width_us: float = 0.0  # of WIDTH; the end of RAMP; the middle of WANDER
    ramp_s: float = 0.0
    reach_us: float = 0.0  # of WANDER
    kick_us: float = 0.0  # the width of the odd pulse of WIDTH
    kick_share: float = 0.0
    after_on: bool = False  # start counts from the moment the transmitter is switched on


Response = tuple[Phase, ...]


@dataclass
class Output:
    """One receiver output and the device on it."""

    name: str
    role: str
    rest_us: float
    mix: dict[str, float]  # stick -> microseconds for full throw
    stop_us: Span  # the true widths at which the device stands still
    low_us: float = 1000.0
    neutral_us: float | None = 1500.0
    high_us: float = 2000.0
    runs_on_s: float = 0.1
    stops_without_pulses: bool = True
    responses: tuple[Response, ...] = ()
    chosen: tuple[int, ...] = ()  # per planned loss, which response
    before_link: Response = (Phase(0.0, Kind.SILENT),)
    unsafe_class: str = ""  # of `responses`, as drawn
    receiver: int = 0
    only_in_loss: bool = False  # a channel of a sum train that is not there otherwise


@dataclass
class Receiver:
    """A receiver: its frame clock, how it hears packets, and how its outputs are placed."""

    frame_s: float = 0.02
    loss_frame_s: float | None = None
    packet_s: float = 0.01
    packet_loss: float = 0.0
    timeout_s: float = 0.05
    align: Literal["together", "sequence", "trailing"] = "together"
    skew_us: float = 2.0
    jitter_us: float = 0.3
    step_us: float = 0.0
    heard: list[Span] = field(default_factory=list)  # spans in which packets are taken
    without_power: list[Span] = field(default_factory=list)  # and it boots afresh


@dataclass
class Planned:
    """One loss as the performer means it; times in seconds of the recording."""

    off_s: float  # hands on the switch
    dies_s: float  # the carrier is gone
    on_s: float  # switched on again
    back_s: float  # the receivers hear it again
    held: dict[str, float]  # stick positions meant to be held
    marked_off_s: float = 0.0
    marked_on_s: float = 0.0


@dataclass
class Accident:
    """Something on a wire: ``probe`` (only the record), or ``plug`` (the device loses it too)."""

    line: str
    start_s: float
    end_s: float
    what: Literal["probe", "plug"]
    level: Literal["low", "high", "noise"] = "low"


@dataclass
class Damage:
    """How the record of one line is damaged: shares of pulses."""

    dropped: float = 0.0
    split: float = 0.0
    glitches_per_s: float = 0.0
    only_in_loss: bool = False


@dataclass
class Script:
    """One recording before it is recorded."""

    duration_s: float
    planned: list[Planned]
    outputs: list[Output]
    receivers: list[Receiver]
    moves: dict[str, list[tuple[float, float, float]]]  # stick -> (start, value, how long it takes)
    start_at: dict[str, float]  # stick -> where it is at the start
    marker: list[tuple[float, bool]]  # (when, says on)
    marker_starts_on: bool = True
    first_heard_s: float = 0.0  # the transmitter is off before
    marker_on_level: int = 1
    marker_name: str | None = "tx-on"
    bounce_s: float = 0.0
    overrides: list[tuple[float, float, dict[str, float]]] = field(default_factory=list)
    accidents: list[Accident] = field(default_factory=list)
    damage: dict[str, Damage] = field(default_factory=dict)
    inverted: set[str] = field(default_factory=set)
    left_out: set[str] = field(default_factory=set)  # lines without a probe
    sum_train: str | None = None
    off_at_s: list[tuple[float, float]] = field(default_factory=list)
    sample_s: float = 1e-6
    clock_ppm: float = 0.0


@dataclass
class Pulses:
    """The pulses of one output, and the spans in which its line is no pulse train."""

    rise_s: Floats
    fall_s: Floats
    width_us: Floats  # as meant by the receiver, jitter included
    high: list[Span]
    noise: list[Span]


# ------------------------------------------------------------------------------- hands


def stick_knots(start: float, moves: list[tuple[float, float, float]]) -> tuple[Floats, Floats]:
    """Times and positions between which a stick moves evenly."""
    times, values = [-1.0], [start]
    now = start
    for begin, value, takes in sorted(moves):
        start_s = max(begin, times[-1] + 1e-6)
        times += [start_s, start_s + max(takes, 1e-6)]
        values += [now, value]
        now = value
    return np.array(times), np.array(values)


def command_us(script: Script, output: Output, at_s: Floats, to_air: bool = True) -> Floats:
    """The width that the transmitter sends for ``output`` at each instant."""
    width = np.full(at_s.size, output.rest_us)
    for stick, gain in output.mix.items():
        knots = stick_knots(script.start_at.get(stick, 0.0), script.moves.get(stick, []))
        width = width + gain * np.interp(at_s, *knots)
    if to_air:
        for start, end, widths in script.overrides:
            if output.name in widths:
                width[(at_s >= start) & (at_s < end)] = widths[output.name]
    sent: Floats = np.clip(width, 800.0, 2200.0)
    return sent


# ---------------------------------------------------------------------------- receiver


def packets_of(receiver: Receiver, rng: np.random.Generator) -> Floats:
    """Arrival times of the packets that the receiver takes."""
    phase = rng.uniform(0, receiver.packet_s)
    grids = [
        np.arange(np.ceil((a - phase) / receiver.packet_s), (b - phase) / receiver.packet_s)
        for a, b in receiver.heard
    ]
    times = phase + receiver.packet_s * np.concatenate(grids) if grids else np.empty(0)
    if receiver.packet_loss:
        times = times[rng.random(times.size) >= receiver.packet_loss]
    for a, b in receiver.without_power:
        times = times[(times < a) | (times >= b)]
    return times


def frames_of(
    receiver: Receiver, packets: Floats, duration_s: float, rng: np.random.Generator
) -> Floats:
    """Start of each frame; the frame clock may run slower while the link is lost."""
    ends = np.append(packets, duration_s + 1.0)
    gaps = np.flatnonzero(np.diff(ends) > receiver.timeout_s)
    bounds: list[tuple[float, float]] = [(0.0, receiver.frame_s)]
    if receiver.loss_frame_s is not None:
        bounds = [(0.0, receiver.frame_s)]
        for i in gaps:
            bounds.append((ends[i] + receiver.timeout_s, receiver.loss_frame_s))
            bounds.append((ends[i + 1], receiver.frame_s))
    parts, start = [], rng.uniform(0.0, receiver.frame_s)
    for (_, period), (until, _) in zip(bounds, [*bounds[1:], (duration_s, 0.0)], strict=True):
        part = np.arange(start, min(until, duration_s), period)
        if part.size:
            parts.append(part)
            start = part[-1] + period
    frames = np.concatenate(parts)
    for a, b in receiver.without_power:
        frames = frames[(frames < a) | (frames >= b)]
        # A receiver that boots begins its frames anew.
        anew = rng.uniform(0.0, receiver.frame_s)
        frames = np.where(frames >= b, frames + anew, frames)
    return frames[frames < duration_s]


def frames_in_loss(  # noqa: PLR0917 - arrays of one length
    response: Response,
    since_s: Floats,
    since_on_s: Floats,
    held_us: Floats,
    now_us: Floats,
    rng: np.random.Generator,
) -> tuple[Ints, Floats]:
    """Kind and width of each frame of one response."""
    active = np.zeros(since_s.size, dtype=np.int64)
    for j, phase in enumerate(response):
        active[(since_on_s if phase.after_on else since_s) >= phase.start_s] = j
    kind = np.array([int(p.kind) for p in response])[active]
    width = held_us.copy()
    for j, phase in enumerate(response):
        here = active == j
        if phase.kind is Kind.WIDTH:
            width[here] = phase.width_us
            if phase.kick_share:
                kicked = here & (rng.random(here.size) < phase.kick_share)
                width[kicked] = phase.kick_us
        elif phase.kind is Kind.RAMP:
            share = np.clip((since_s[here] - phase.start_s) / phase.ramp_s, 0.0, 1.0)
            width[here] += share * (phase.width_us - width[here])
        elif phase.kind is Kind.WANDER:
            t = since_s[here]
            width[here] = phase.width_us + phase.reach_us * (
                0.6 * np.sin(7.3 * t) + 0.4 * np.sin(17.9 * t + 1.0)
            )
        elif phase.kind is Kind.FOLLOW:
            width[here] = now_us[here]
    return kind, width


def _runs(flag: Bools, starts: Floats, ends: Floats) -> list[Span]:
    """Spans of neighbouring frames that have the flag."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], flag, [False]]).astype(np.int8)))
    return [(float(starts[a]), float(ends[b - 1])) for a, b in edge.reshape(-1, 2)]


def receive(script: Script, number: int, rng: np.random.Generator) -> dict[str, Pulses]:
    """What leaves the outputs of one receiver."""
    receiver = script.receivers[number]
    packets = packets_of(receiver, rng)
    frames = frames_of(receiver, packets, script.duration_s, rng)
    heard = np.searchsorted(packets, frames, side="right") - 1
    last = np.where(heard >= 0, packets[np.maximum(heard, 0)] if packets.size else 0.0, -np.inf)
    gap = np.diff(np.append(packets, script.duration_s + 1.0)) > receiver.timeout_s
    lost = (heard >= 0) & (gap[np.maximum(heard, 0)] if packets.size else False)
    booted = np.zeros(frames.size)
    for _, b in receiver.without_power:
        booted[frames >= b] = b
    fresh = last < booted
    offs = np.array([p.off_s for p in script.planned]) - 1.0
    ons = np.array([p.on_s for p in script.planned])
    number_of = np.searchsorted(offs, np.where(np.isfinite(last), last, -9.0), side="right") - 1
    on_s = ons[np.maximum(number_of, 0)] if ons.size else np.full(frames.size, np.inf)
    late_s = rng.normal(0.0, 0.1 * receiver.frame_s, max(1, ons.size))[np.maximum(number_of, 0)]
    since = frames - last - np.abs(late_s)
    cursor = frames.copy()
    ends = np.append(frames[1:], script.duration_s)
    result: dict[str, Pulses] = {}
    for output in script.outputs:
        if output.receiver != number:
            continue
        at = np.where(np.isfinite(last), last, 0.0)
        held = command_us(script, output, at)
        now = command_us(script, output, frames, to_air=False)
        kind = np.zeros(frames.size, dtype=np.int64)
        width = held.copy()
        chosen = np.array(output.chosen or (0,))
        which = chosen[np.clip(number_of, 0, chosen.size - 1)]
        for j, response in enumerate(output.responses):
            here = np.flatnonzero(lost & ~fresh & (which == j))
            if here.size:
                kind[here], width[here] = frames_in_loss(
                    response, since[here], frames[here] - on_s[here], held[here], now[here], rng
                )
        here = np.flatnonzero(fresh)
        if here.size:
            kind[here], width[here] = frames_in_loss(
                output.before_link,
                frames[here] - booted[here],
                np.full(here.size, -np.inf),
                np.full(here.size, output.rest_us),
                now[here],
                rng,
            )
        if output.only_in_loss:
            kind[~lost] = Kind.SILENT
        if receiver.step_us:
            width = receiver.step_us * np.round(width / receiver.step_us)
        width = width + rng.normal(0.0, receiver.jitter_us, width.size)
        pulse = ~np.isin(kind, (Kind.SILENT, Kind.HIGH, Kind.NOISE))
        if receiver.align == "trailing":
            rise = frames + 3.2e-3 - 1e-6 * width
        elif receiver.align == "sequence":
            rise = cursor
            cursor = np.where(pulse, cursor + 1e-6 * width + 1e-6 * receiver.skew_us, cursor)
        else:
            rise = frames + 1e-6 * rng.uniform(0, receiver.skew_us)
        result[output.name] = _clean(
            Pulses(
                rise[pulse],
                (rise + 1e-6 * width)[pulse],
                width[pulse],
                _runs(kind == Kind.HIGH, frames, ends),
                _runs(kind == Kind.NOISE, frames, ends),
            )
        )
    return result


def _clean(pulses: Pulses) -> Pulses:
    """Without pulses that would begin before the one before has ended."""
    good = np.ones(pulses.rise_s.size, dtype=bool)
    good[1:] = pulses.rise_s[1:] > pulses.fall_s[:-1] + 20e-6
    for a, b in [*pulses.high, *pulses.noise]:
        good &= (pulses.fall_s < a) | (pulses.rise_s > b)
    return Pulses(
        pulses.rise_s[good], pulses.fall_s[good], pulses.width_us[good], pulses.high, pulses.noise
    )


# -------------------------------------------------------------------------- the record


def _toggles(start: float, end: float, mean_s: float, rng: np.random.Generator) -> Floats:
    """An even number of instants, as an undriven line crosses the threshold."""
    count = 2 * int(max(1, (end - start) / mean_s / 2))
    return np.sort(rng.uniform(start, end, count))


def _without(edges: Floats, start: float, end: float) -> Floats:
    """Levels of a wire that is off for a while: low then, and as before on either side."""
    before, after = edges[edges <= start], edges[edges >= end]
    if before.size % 2:
        before = np.append(before, start)
    if after.size % 2:
        after = np.append(end, after)
    return np.concatenate([before, after])


def line_edges(
    script: Script, name: str, pulses: Pulses, rng: np.random.Generator
) -> tuple[Floats, int]:
    """Edges of one probe in true time, and its level before the first."""
    rise, fall = pulses.rise_s, pulses.fall_s
    extra: list[Floats] = [np.array(span) for span in pulses.high]
    extra += [_toggles(a, b, 0.8e-3, rng) for a, b in pulses.noise]
    damage = script.damage.get(name)
    if damage is not None:
        may = np.ones(rise.size, dtype=bool)
        if damage.only_in_loss:
            may[:] = False
            for p in script.planned:
                may |= (rise > p.dies_s) & (rise < p.back_s)
        keep = ~(may & (rng.random(rise.size) < damage.dropped))
        split = may & keep & (rng.random(rise.size) < damage.split)
        middle = rise[split] + (fall[split] - rise[split]) * rng.uniform(0.2, 0.8, split.sum())
        extra.append(np.stack([middle - 15e-6, middle + 15e-6], axis=1).ravel())
        rise, fall = rise[keep], fall[keep]
        count = rng.poisson(damage.glitches_per_s * script.duration_s)
        at = np.sort(rng.uniform(0.01, script.duration_s - 0.01, count))
        extra.append(np.stack([at, at + rng.uniform(1e-6, 40e-6, count)], axis=1).ravel())
    for accident in script.accidents:
        if accident.line != name:
            continue
        a, b = accident.start_s, accident.end_s
        keep = (fall <= a) | (rise >= b)
        rise, fall = rise[keep], fall[keep]
        extra = [_without(e, a, b) for e in extra]
        if accident.level == "high":
            extra.append(np.array([a, b]))
        elif accident.level == "noise":
            extra.append(_toggles(a, b, 1e-3, rng))
    edges = np.concatenate([rise, fall, *extra])
    edges.sort()
    return edges, int(name in script.inverted)


def sum_train_edges(pulses: list[Pulses]) -> Floats:
    """Marks of a sum train whose channels are placed one after the other without a pause."""
    starts = np.unique(np.concatenate([np.concatenate([p.rise_s, p.fall_s]) for p in pulses]))
    starts = starts[np.concatenate([[True], np.diff(starts) > 200e-6])]
    return np.stack([starts, starts + MARK_S], axis=1).ravel()


def sampled_ps(edges_s: Floats, script: Script) -> Ints:
    """Edges as an analyser stores them: at the first sample that sees them, by its own clock."""
    true_s = script.sample_s * (1.0 + 1e-6 * script.clock_ppm)
    number = np.ceil(edges_s / true_s).astype(np.int64)
    last = int(np.floor(script.duration_s / true_s))
    number = number[(number > 0) & (number <= last)]
    seen, count = np.unique(number, return_counts=True)
    seen = seen[count % 2 == 1]
    stored: Ints = np.rint(seen * (script.sample_s * 1e12)).astype(np.int64)
    return stored


def marker_edges(script: Script, rng: np.random.Generator) -> Floats:
    """Edges of the marker, each with the bounce of its contact."""
    edges: list[float] = []
    says = script.marker_starts_on
    for when, on in sorted(script.marker):
        if on == says:
            continue
        says = on
        edges.append(when)
        if script.bounce_s:
            more = 2 * int(rng.integers(1, 6))
            edges += list(when + np.sort(rng.uniform(20e-6, script.bounce_s, more)))
    return np.array(edges)


@dataclass
class Recording:
    """One recording: edges per line in picoseconds, and what really left the receivers."""

    lines: dict[str, tuple[Ints, int]]
    duration_ps: int
    sample_ps: float
    script: Script
    pulses: dict[str, Pulses]


def record(script: Script, rng: np.random.Generator) -> Recording:
    """Run the bench once and record it."""
    pulses: dict[str, Pulses] = {}
    for number in range(len(script.receivers)):
        pulses |= receive(script, number, rng)
    lines: dict[str, tuple[Ints, int]] = {}
    if script.sum_train is not None:
        trains = sum_train_edges([pulses[o.name] for o in script.outputs])
        lines[script.sum_train] = (sampled_ps(trains, script), 0)
    else:
        for output in script.outputs:
            if output.name not in script.left_out:
                edges, level = line_edges(script, output.name, pulses[output.name], rng)
                lines[output.name] = (sampled_ps(edges, script), level)
    if script.marker_name is not None:
        level = script.marker_on_level if script.marker_starts_on else 1 - script.marker_on_level
        lines[script.marker_name] = (sampled_ps(marker_edges(script, rng), script), level)
    true_s = script.sample_s * (1.0 + 1e-6 * script.clock_ppm)
    samples = int(np.floor(script.duration_s / true_s))
    return Recording(
        lines, round(samples * script.sample_s * 1e12), script.sample_s * 1e12, script, pulses
    )
