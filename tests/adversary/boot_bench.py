"""What leaves receivers while a transmitter boots, edge by edge, and what is true of it.

A recording begins with the transmitter off. It is switched on and boots for up to 30 s; then the
link comes, hands move the sticks, and ten losses follow. What each output does before the link is
painted piece by piece: a `Piece` is a width that no hand commands. Shares no code with the product
or with `pwmscope.synth`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import polars as pl

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
SILENT: Final = float("nan")
LEAP_US: Final = 40.0  # A command to move: so far outside the stop range
DEVICES: Final = ("drive-left", "drive-right", "weapon")


@dataclass
class Output:
    """One pin of a receiver and what is on it."""

    name: str
    role: str
    rest_us: float
    gain_us: float  # From rest to the end of the control's travel
    stop_us: tuple[float, float] | None
    control: str
    weights: dict[str, float]  # Of the axes in its width, in gains
    receiver: int = 0
    failsafe_us: float = 1500.0  # Where it goes in a loss
    before_us: float = 1500.0  # Before its first link; SILENT for no pulses
    lag_s: float = 0.0  # From the receiver's link until this output shows it
    slew_frames: int = 0  # Frames that it takes to get there
    again_lag_s: float = 0.0  # The same after a loss
    skew_us: float = 0.0  # From the frame's start to its pulse


@dataclass
class Receiver:
    """A receiver's clock and manners."""

    frame_s: float
    packet_s: float
    latency_s: float
    failsafe_s: float  # From the last packet to the presets
    search_s: float = 0.0  # From the transmitter's first packet to its link
    slow_s: float = 0.0  # Frame period without a link, where it differs
    phase_s: float = 0.0


@dataclass(frozen=True)
class Move:
    """A hand takes an axis somewhere: a smooth reach, or a switch's step where it takes no time."""

    axis: str
    at_s: float
    to: float
    takes_s: float


@dataclass(frozen=True)
class Piece:
    """Widths that no live stick commands, on one output for a while."""

    output: int
    start_s: float
    stop_s: float
    width_us: Callable[[FloatArray], FloatArray]
    by_hand: bool = False  # Of a twin: a hand does the same over a live link


@dataclass
class Bench:
    """Everything that makes one recording."""

    seed: int
    kind: str
    outputs: list[Output]
    receivers: list[Receiver]
    on_s: float
    boot_s: float
    moves: list[Move] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)
    losses: list[tuple[float, float, float]] = field(default_factory=list)  # off, on, link
    end_s: float = 0.0
    first_loss_s: float = 0.0
    marker: dict[str, Any] | None = None
    marker_on_late_s: float = 0.0
    marker_off_late_s: float = 0.0
    tick_s: float = 1e-6
    jitter_us: float = 1.0
    tremor_us: float = 0.5
    step_us: float = 0.5
    decidable: str = "yes"  # "yes", "hard", or "no": a twin exists
    decidable_of: dict[str, str] = field(default_factory=dict)  # Where lines differ in it
    note: str = ""
    sheet_boot_s: float | None = None
    states_control: bool = True
    link_early_s: float | None = None  # A twin's own link
    aborted: tuple[float, float] | None = None  # An earlier switch-on, and off again before a link
    states_band: bool = False  # The sheet says neutral and deadband instead of the stop range
    guards: tuple[str, ...] = ()  # Of the kill channel

    @property
    def first_on_s(self) -> float:
        """When the transmitter is first switched on."""
        return self.on_s if self.aborted is None else self.aborted[0]

    @property
    def link_s(self) -> float:
        """When the transmitter's first live packet leaves."""
        return self.on_s + self.boot_s


@dataclass(frozen=True)
class Truth:
    """What is true of one device."""

    line: str
    role: str
    unsafe: bool
    leap_from_s: float
    leap_to_s: float
    frames: int
    farthest_us: float


def axis_at(moves: list[Move], axis: str, at_s: FloatArray, rest: float) -> FloatArray:
    """Where a control stands: minimum-jerk reaches (Flash and Hogan 1985, from memory)."""
    place = np.full(at_s.shape, rest)
    for move in sorted((m for m in moves if m.axis == axis), key=lambda m: m.at_s):
        if move.takes_s <= 0.0:
            place = np.where(at_s >= move.at_s, move.to, place)
            continue
        part = np.clip((at_s - move.at_s) / move.takes_s, 0.0, 1.0)
        smooth = part**3 * (10.0 - 15.0 * part + 6.0 * part**2)
        place = place + (move.to - place) * smooth
    return place


def frame_times(bench: Bench, receiver: Receiver, rng: np.random.Generator) -> FloatArray:
    """Frame starts; a receiver may run slower frames while it has no link."""
    end = bench.end_s
    if not receiver.slow_s:
        count = int(end / receiver.frame_s) + 2
        times = receiver.phase_s + receiver.frame_s * np.arange(count)
    else:
        spans = [(0.0, bench.link_s + receiver.search_s, receiver.slow_s)]
        start = bench.link_s + receiver.search_s
        for off, _, link in bench.losses:
            gone = off + receiver.failsafe_s
            back = link + receiver.search_s
            spans += [(start, gone, receiver.frame_s), (gone, back, receiver.slow_s)]
            start = back
        spans.append((start, end, receiver.frame_s))
        times = np.concatenate([np.arange(a, b - 0.5 * p, p) for a, b, p in spans])
    times = times + rng.normal(0.0, 0.4e-6, times.size)
    return times[(times > 0.0005) & (times < end - 0.004)]


def live_width(
    bench: Bench, output: Output, frames: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Width that the newest packet commands at each frame."""
    receiver = bench.receivers[output.receiver]
    packet = np.floor((frames - receiver.latency_s) / receiver.packet_s)
    at_s = packet * receiver.packet_s
    width = np.full(frames.shape, output.rest_us)
    moving = np.zeros(frames.shape)
    for axis, weight in output.weights.items():
        place = axis_at(bench.moves, axis, at_s, 0.0)
        width = width + weight * output.gain_us * place
        moving = np.maximum(moving, np.abs(place) > 0.01)
    noise = rng.normal(0.0, 1.0, int(packet.max()) + 2 if packet.size else 1)
    tremor = bench.tremor_us * noise[np.maximum(packet, 0).astype(np.int64)]
    width = width + tremor * (0.3 + 1.7 * moving) * (output.control not in ("switch",))
    return bench.step_us * np.round(width / bench.step_us)


def without_hand(bench: Bench, output: int, frames: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Widths painted over the first boot, and where they hold."""
    width = np.full(frames.shape, SILENT)
    held = np.zeros(frames.shape, bool)
    for piece in bench.pieces:
        if piece.output == output:
            here = (frames >= piece.start_s) & (frames < piece.stop_s)
            width[here] = piece.width_us(frames[here])
            held |= here
    return width, held


def widths(
    bench: Bench, number: int, frames: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, BoolArray]:
    """Width of each frame of an output, and whether a live packet commands it."""
    output = bench.outputs[number]
    receiver = bench.receivers[output.receiver]
    live = live_width(bench, output, frames, rng)
    width = live.copy()
    commanded = np.ones(frames.shape, bool)
    first = bench.link_s if bench.link_early_s is None else bench.link_early_s
    link = first + receiver.search_s + output.lag_s
    waits = frames < link
    width[waits] = output.before_us
    commanded[waits] = False
    if output.slew_frames and not np.isnan(output.before_us):
        for n in range(output.slew_frames):
            at = int(np.searchsorted(frames, link)) + n
            if at < frames.size:
                part = (n + 1) / (output.slew_frames + 1)
                width[at] = output.before_us + part * (live[at] - output.before_us)
    for off, _, back in bench.losses:
        gone = (frames >= off) & (frames < back + receiver.search_s + output.again_lag_s)
        last = int(np.searchsorted(frames, off)) - 1
        width[gone] = width[last]
        preset = gone & (frames >= off + receiver.failsafe_s)
        width[preset] = output.failsafe_us
        commanded[gone] = False
    painted, held = without_hand(bench, number, frames)
    width[held] = painted[held]
    commanded[held] = False
    return width, commanded


@dataclass(frozen=True)
class Recording:
    """Edges of every line, in whole ticks, and what is true."""

    names: list[str]
    edges: list[npt.NDArray[np.int64]]
    initial: list[int]
    ticks: int
    tick_s: float
    truths: list[Truth]
    width_us: dict[str, FloatArray]


def truth_of(
    bench: Bench, output: Output, frames: FloatArray, width: FloatArray, commanded: BoolArray
) -> Truth | None:
    """Whether a device ran between the switch and the first packet of a hand."""
    if output.role not in DEVICES or output.stop_us is None:
        return None
    low, high = output.stop_us
    beyond = np.fmax(low - width, width - high)
    boot = (frames >= bench.first_on_s) & (frames < bench.first_loss_s) & ~commanded
    by_hand = np.zeros(frames.shape, bool)
    for piece in bench.pieces:
        if piece.by_hand and bench.outputs[piece.output] is output:
            by_hand |= (frames >= piece.start_s) & (frames < piece.stop_s)
    with np.errstate(invalid="ignore"):
        leap = boot & ~by_hand & (beyond >= LEAP_US)
    at = frames[leap]
    if not at.size:
        return Truth(output.name, output.role, False, 0.0, 0.0, 0, 0.0)
    return Truth(
        output.name,
        output.role,
        True,
        float(at[0]),
        float(at[-1]),
        int(at.size),
        float(beyond[leap].max()),
    )


def marker_edges(bench: Bench, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Level changes of the marker, in ticks: on, off, on, and so on."""
    kind = bench.marker["kind"] if bench.marker else "switch"
    at = [bench.on_s + bench.marker_on_late_s]
    if bench.aborted is not None:
        on, off = bench.aborted
        at = [on + bench.marker_on_late_s, off + bench.marker_off_late_s, *at]
    for off, on, _ in bench.losses:
        scatter = {"switch": 0.0005, "light": 0.02, "button": 0.09}[kind]
        for moment, late in ((off, bench.marker_off_late_s), (on, bench.marker_on_late_s)):
            at.append(moment + max(0.0, late + scatter * rng.uniform(-1.0, 1.0)))
    return np.round(np.array(at) / bench.tick_s).astype(np.int64)


def record(bench: Bench) -> Recording:
    """Make the recording."""
    rng = np.random.default_rng([77, bench.seed, len(bench.kind)])
    names, edges, initial, truths = [], [], [], []
    seen: dict[str, FloatArray] = {}
    frames_of = [frame_times(bench, receiver, rng) for receiver in bench.receivers]
    for number, output in enumerate(bench.outputs):
        frames = frames_of[output.receiver]
        width, commanded = widths(bench, number, frames, rng)
        truth = truth_of(bench, output, frames, width, commanded)
        if truth is not None:
            truths.append(truth)
        shown = ~np.isnan(width)
        start = frames[shown] + 1e-6 * output.skew_us
        stop = start + 1e-6 * (width[shown] + rng.normal(0.0, bench.jitter_us, shown.sum()))
        both = np.stack([start, stop], axis=1).ravel()
        names.append(output.name)
        edges.append(np.round(both / bench.tick_s).astype(np.int64))
        initial.append(0)
        seen[output.name] = width
    if bench.marker is not None:
        at = marker_edges(bench, rng)
        names.append(bench.marker["line"])
        edges.append(at)
        initial.append(0 if bench.marker["on"] == "high" else 1)
    ticks = int(bench.end_s / bench.tick_s)
    return Recording(names, edges, initial, ticks, bench.tick_s, truths, seen)


def write_changes(recording: Recording, path: Path) -> None:
    """Write a row per change, as a comma-separated table."""
    at = np.unique(np.concatenate([np.array([0, recording.ticks]), *recording.edges]))
    at = at[at <= recording.ticks]
    table = {"time_s": at * recording.tick_s}
    for name, edges, level in zip(recording.names, recording.edges, recording.initial, strict=True):
        passed = np.searchsorted(edges, at, side="right")
        table[name] = ((passed + level) & 1).astype(np.int8)
    pl.DataFrame(table).write_csv(path, float_precision=8)


def sheet_of(bench: Bench) -> dict[str, Any]:
    """Write the bench sheet; it says nothing false."""
    channels: dict[str, Any] = {}
    for output in bench.outputs:
        channel: dict[str, Any] = {"role": output.role}
        if output.role == "weapon" and output.rest_us > 1300:
            channel["neutral_us"] = output.rest_us
        banded = output.rest_us > 1300 and bench.states_band
        if output.stop_us is not None and banded:
            channel["neutral_us"] = output.rest_us
            channel["deadband_us"] = output.stop_us[1] - output.stop_us[0]
        elif output.stop_us is not None:
            channel["stop_us"] = list(output.stop_us)
        if output.stop_us is not None:
            channel["no_pulses"] = "stops"
            channel["no_pulses_after_s"] = 0.25
        if output.role == "kill":
            channel["guards"] = list(bench.guards)
        if bench.states_control and output.role == "weapon":
            channel["control"] = "switch" if output.control == "switch" else "throttle"
        if bench.states_control and output.role in ("servo", "spare"):
            channel["control"] = output.control
        if len(bench.receivers) > 1:
            channel["receiver"] = f"receiver {output.receiver + 1}"
        channels[output.name] = channel
    sheet: dict[str, Any] = {"channels": channels, "limits": {"failsafe_s": 2.0}}
    if bench.marker is not None:
        sheet["marker"] = bench.marker
    if bench.sheet_boot_s is not None:
        sheet["transmitter"] = {"boot_s": bench.sheet_boot_s}
    return sheet
