"""The script of a recording: channels, the hands at the sticks, losses, what receivers do then.

Its parts are the tables of a TOML file. Each raises `ScriptError` where a value is out of its
range. `follow_plan` writes the script of hands that follow a capture plan.
"""

from __future__ import annotations

import itertools
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Literal, TypeAlias, get_args

import numpy as np

from pwmscope.bench import Axis, CapturePlan
from pwmscope.capture import time_unit_in
from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray


class ScriptError(PwmscopeError):
    """A script asks for something that cannot be built.

    >>> print(ScriptError("period_us", -3, "a number above 0", place="a.toml, frame"))
    a.toml, frame, period_us: the value is -3, expected a number above 0.
    """

    def __init__(self, key: str, value: object, allowed: str, *, place: str = "") -> None:
        where = f"{place}, {key}" if place else key
        shown = "missing" if value is None else repr(value)
        super().__init__(f"{where}: the value is {shown}, expected {allowed}.")
        self.key = key
        self.value = value
        self.allowed = allowed

    def within(self, place: str) -> ScriptError:
        """Return the same error with the place it was found in."""
        return ScriptError(self.key, self.value, self.allowed, place=place)


def require(
    key: str,
    value: float,
    *,
    above: float | None = None,
    least: float | None = None,
    most: float | None = None,
) -> None:
    """Check that a number is finite and in its range.

    >>> require("jitter_us", 0.5, least=0)
    """
    bounds: list[str] = []
    good = math.isfinite(value)
    if above is not None:
        bounds.append(f"above {above:g}")
        good = good and value > above
    if least is not None:
        bounds.append(f"at least {least:g}")
        good = good and value >= least
    if most is not None:
        bounds.append(f"at most {most:g}")
        good = good and value <= most
    if not good:
        raise ScriptError(key, value, f"a number {' and '.join(bounds)}".strip())


@dataclass(frozen=True, slots=True)
class Dwell:
    """Stand still at one width."""

    dwell_us: float  # The commanded pulse width in microseconds; reached at once
    for_s: float  # How long, in seconds

    def __post_init__(self) -> None:
        require("dwell_us", self.dwell_us, above=0)
        require("for_s", self.for_s, above=0)


@dataclass(frozen=True, slots=True)
class Sweep:
    """Go evenly from where the stick is to another width."""

    sweep_to_us: float  # The width at the end in microseconds
    over_s: float  # How long it takes, in seconds

    def __post_init__(self) -> None:
        require("sweep_to_us", self.sweep_to_us, above=0)
        require("over_s", self.over_s, above=0)


@dataclass(frozen=True, slots=True)
class Sine:
    """Swing about where the stick is."""

    sine_us: float  # Amplitude in microseconds (half of the whole swing)
    period_s: float  # Length of one swing in seconds
    for_s: float  # How long, in seconds. The stick stays where the swing ends.

    def __post_init__(self) -> None:
        require("sine_us", self.sine_us, above=0)
        require("period_s", self.period_s, above=0)
        require("for_s", self.for_s, above=0)


Move: TypeAlias = Dwell | Sweep | Sine


@dataclass(frozen=True, slots=True)
class _Stretch:
    """One move placed in time: ``start_us + slope (t - t0) + sine_us sin(2 pi (t - t0) / T)``."""

    # Its time span; the last stretch ends at infinity
    begin_s: float
    end_s: float
    start_us: float  # Width at its beginning in microseconds
    slope_us_per_s: float = 0.0  # Rate of change; 0 for a dwell
    # Amplitude (0 where there is no swing) and length of one swing
    sine_us: float = 0.0
    period_s: float = 1.0

    @property
    def is_dwell(self) -> bool:
        """Whether the width stands still."""
        return self.slope_us_per_s == 0 and self.sine_us == 0


def place_moves(moves: Sequence[Move]) -> tuple[_Stretch, ...]:
    """Place moves one after the other; the last width is held for ever.

    >>> for s in place_moves([Dwell(1500, 2), Sweep(2000, 1)]):
    ...     print(s.begin_s, s.end_s, s.start_us, s.slope_us_per_s)
    0.0 2.0 1500.0 0.0
    2.0 3.0 1500.0 500.0
    3.0 inf 2000.0 0.0
    """
    placed: list[_Stretch] = []
    time_s, width_us = 0.0, 0.0
    for move in moves:
        begin_s = time_s
        if isinstance(move, Dwell):
            time_s, width_us = begin_s + move.for_s, float(move.dwell_us)
            placed.append(_Stretch(begin_s, time_s, width_us))
        elif isinstance(move, Sweep):
            time_s = begin_s + move.over_s
            slope = (move.sweep_to_us - width_us) / move.over_s
            placed.append(_Stretch(begin_s, time_s, width_us, slope))
            width_us = float(move.sweep_to_us)
        else:
            time_s = begin_s + move.for_s
            placed.append(_Stretch(begin_s, time_s, width_us, 0.0, move.sine_us, move.period_s))
            width_us += float(move.sine_us * np.sin(2 * np.pi * move.for_s / move.period_s))
    placed.append(_Stretch(time_s, float("inf"), width_us))
    return tuple(_join_dwells(placed))


def _join_dwells(placed: list[_Stretch]) -> list[_Stretch]:
    joined: list[_Stretch] = []
    for stretch in placed:
        last = joined[-1] if joined else None
        if last and last.is_dwell and stretch.is_dwell and last.start_us == stretch.start_us:
            joined[-1] = _Stretch(last.begin_s, stretch.end_s, last.start_us)
        else:
            joined.append(stretch)
    return joined


def width_at(stretches: Sequence[_Stretch], time_s: FloatArray) -> FloatArray:
    """Commanded width at given times.

    >>> stretches = place_moves([Dwell(1500, 2), Sweep(2000, 1)])
    >>> width_at(stretches, np.array([-1.0, 1.0, 2.5, 9.0]))
    array([1500., 1500., 1750., 2000.])
    """
    time_s = np.maximum(time_s, 0.0)
    table = np.array(
        [(s.begin_s, s.start_us, s.slope_us_per_s, s.sine_us, s.period_s) for s in stretches]
    )
    at = np.searchsorted(table[:, 0], time_s, side="right") - 1
    begin_s, start_us, slope, sine_us, period_s = table[at].T
    into_s = time_s - begin_s
    width_us: FloatArray = (
        start_us + slope * into_s + sine_us * np.sin(2 * np.pi * into_s / period_s)
    )
    return width_us


@dataclass(frozen=True, slots=True)
class PulsesStop:
    """The pulses go on at the last width for a while and then stop."""

    behaviour: ClassVar[str] = "pulses stop"
    after_s: float = 0.0  # Seconds from the moment of loss until the pulses stop
    # Level at which the line rests without pulses, 0 or 1, before any inversion. A line pulled up
    # rests at 1.
    rests_at: int = 0

    def __post_init__(self) -> None:
        require("after_s", self.after_s, least=0)
        if self.rests_at not in (0, 1):
            raise ScriptError("rests_at", self.rests_at, "0 or 1")


@dataclass(frozen=True, slots=True)
class HoldsLast:
    """The pulses go on at the last width that was received."""

    behaviour: ClassVar[str] = "holds last"


@dataclass(frozen=True, slots=True)
class GoesToPreset:
    """The pulses go on at the last width for a while, then at a set width."""

    behaviour: ClassVar[str] = "goes to preset"
    preset_us: float  # The set width in microseconds
    after_s: float = 0.0  # Seconds from the moment of loss for which the last width is held
    silent_s: float = 0.0  # Seconds for which the pulses then stop
    # Seconds over which the width then goes evenly from the last to the set one
    ramp_s: float = 0.0

    def __post_init__(self) -> None:
        require("preset_us", self.preset_us, above=0)
        for key in ("after_s", "silent_s", "ramp_s"):
            require(key, getattr(self, key), least=0)

    @property
    def settles_after_s(self) -> float:
        """Seconds from the moment of loss until the set width is reached."""
        return self.after_s + self.silent_s + self.ramp_s


@dataclass(frozen=True, slots=True)
class Wanders:
    """The width walks at random, turned back at two bounds."""

    behaviour: ClassVar[str] = "wanders"
    # The bounds in microseconds
    low_us: float
    high_us: float
    step_us: float  # Standard deviation of the step from one frame to the next

    def __post_init__(self) -> None:
        require("low_us", self.low_us, above=0)
        require("high_us", self.high_us, above=self.low_us)
        require("step_us", self.step_us, above=0)


@dataclass(frozen=True, slots=True)
class KeepsFollowing:
    """The channel follows its stick all the time; its link is not lost."""

    behaviour: ClassVar[str] = "keeps following"


Behaviour: TypeAlias = PulsesStop | HoldsLast | GoesToPreset | Wanders | KeepsFollowing

BEHAVIOURS: tuple[type[Behaviour], ...] = (
    PulsesStop,
    HoldsLast,
    GoesToPreset,
    Wanders,
    KeepsFollowing,
)


Shape: TypeAlias = Literal["samples", "changes", "levels"]
SHAPES: tuple[Shape, ...] = get_args(Shape)


@dataclass(frozen=True, slots=True)
class Frame:
    """The receiver's frame clock."""

    period_us: float  # Nominal frame period in microseconds
    # Where the first frame starts, from minus one period (the recording begins inside a frame) on
    first_frame_us: float = 0.0
    # Standard deviation of each frame start about its nominal instant, drawn anew for each frame.
    # The period jitter is then sqrt(2) times this and the cycle-to-cycle jitter sqrt(6) times this.
    jitter_us: float = 0.0
    dropout_probability: float = 0.0  # Chance of each frame to be missing on all channels, below 1

    def __post_init__(self) -> None:
        require("period_us", self.period_us, above=0)
        require("first_frame_us", self.first_frame_us, least=-self.period_us)
        require("jitter_us", self.jitter_us, least=0, most=self.period_us / 20)
        require("dropout_probability", self.dropout_probability, least=0, most=0.99)


@dataclass(frozen=True, slots=True)
class Width:
    """How exactly the receiver makes a pulse width."""

    # Standard deviation of each width about its command, drawn for each pulse
    jitter_us: float = 0.0
    resolution_us: float = 0.0  # Step of the command that the link carries; 0 for none
    # Tick of the receiver's timer: each width as made, jitter included, is a whole number of ticks;
    # 0 for none
    tick_us: float = 0.0

    def __post_init__(self) -> None:
        for key in ("jitter_us", "resolution_us", "tick_us"):
            require(key, getattr(self, key), least=0)


@dataclass(frozen=True, slots=True)
class Glitches:
    """Short spikes in the low time of every channel line."""

    per_minute: float = 0.0  # How many to expect per minute on each line; the count is Poisson
    # Their widths are spread evenly between these
    shortest_us: float = 2.0
    longest_us: float = 40.0

    def __post_init__(self) -> None:
        require("per_minute", self.per_minute, least=0)
        require("shortest_us", self.shortest_us, above=0)
        require("longest_us", self.longest_us, least=self.shortest_us)


@dataclass(frozen=True, slots=True)
class Interference:
    """A time span in which the link or a wire is disturbed: motors that run, a loose plug."""

    # Its time span
    from_s: float
    to_s: float
    # Share of frames, in the long run, in which all channels repeat the width before, since no
    # packet came
    stale_probability: float = 0.0
    # How many come one after another on the average; 1 for each by itself, with no memory
    stale_frames: float = 1.0
    # Further spikes on its lines, as wide as those of the script's glitches
    glitches_per_minute: float = 0.0
    lines: tuple[str, ...] = ()  # The lines with those spikes; empty for all

    def __post_init__(self) -> None:
        require("from_s", self.from_s, least=0)
        require("to_s", self.to_s, above=self.from_s)
        require("stale_probability", self.stale_probability, least=0, most=0.9)
        require("stale_frames", self.stale_frames, least=1)
        require("glitches_per_minute", self.glitches_per_minute, least=0)


@dataclass(frozen=True, slots=True)
class Channel:
    """One output pin of the receiver and the stick that commands it."""

    name: str  # The line's name in the file
    moves: tuple[Move, ...]  # One after the other; the first is a dwell and the last width is held
    # The width that the script's hand means as neutral; None where the channel has none
    neutral_us: float | None = None
    skew_us: float = 0.0  # Start of the pulse after the start of the frame
    inverted: bool = False  # Whether the line idles high and pulses low
    # What it does in a loss that does not say otherwise
    when_lost: Behaviour = field(default_factory=HoldsLast)

    def __post_init__(self) -> None:
        check_name("name", self.name)
        if not self.moves or not isinstance(self.moves[0], Dwell):
            raise ScriptError("moves", self.moves[:1], "a list that begins with a dwell_us")
        require("skew_us", self.skew_us, least=0)
        if self.neutral_us is not None:
            require("neutral_us", self.neutral_us, above=0)


@dataclass(frozen=True, slots=True)
class Loss:
    """The transmitter goes off and, mostly, on again."""

    off_s: float  # When it goes off, in seconds
    on_s: float | None = None  # When it is on again; None if it stays off
    reacquire_s: float = 0.0  # Seconds from `on_s` until the channels follow again
    # What a channel does in this loss, where it differs from its `when_lost`
    channels: Mapping[str, Behaviour] = field(default_factory=dict)
    # Seconds from `off_s` until the marker shows it, as a light that dims
    marked_late_s: float = 0.0

    def __post_init__(self) -> None:
        require("off_s", self.off_s, least=0)
        require("reacquire_s", self.reacquire_s, least=0)
        if self.on_s is not None:
            require("on_s", self.on_s, above=self.off_s)
        most_s = None if self.on_s is None else self.on_s - self.off_s
        require("marked_late_s", self.marked_late_s, least=0, most=most_s)

    @property
    def follows_s(self) -> float:
        """When the channels follow again; infinity if they never do."""
        return float("inf") if self.on_s is None else self.on_s + self.reacquire_s


@dataclass(frozen=True, slots=True)
class Rotor:
    """A motor that a channel drives, with a sensor on its rotor."""

    name: str  # The sensor's line in the file
    of: str  # The channel that drives it
    marks_per_turn: int = 1  # Marks that pass the sensor in each turn
    # It turns where the width is more than `dead_us` above `rest_us`
    rest_us: float = 1000.0
    dead_us: float = 35.0
    per_minute_us: float = 6.0  # Turns a minute for each microsecond above
    rises_s: float = 0.4  # Time constant with which it speeds up
    friction_per_s: float = 10.0  # Turns a second that it loses in each second without drive
    slow_per_minute: float = 60.0  # The speed below which it counts as slow

    def __post_init__(self) -> None:
        check_name("name", self.name)
        require("marks_per_turn", self.marks_per_turn, least=1, most=1000)
        require("rest_us", self.rest_us, above=0)
        require("dead_us", self.dead_us, least=0)
        for key in ("per_minute_us", "rises_s", "friction_per_s", "slow_per_minute"):
            require(key, getattr(self, key), above=0)


@dataclass(frozen=True, slots=True)
class Load:
    """Current that a channel's device draws for a while soon after its stick begins to move."""

    of: str  # The channel
    amperes: float
    for_s: float
    after_s: float = 0.05

    def __post_init__(self) -> None:
        require("amperes", self.amperes, above=0)
        require("for_s", self.for_s, above=0)
        require("after_s", self.after_s, least=0)


@dataclass(frozen=True, slots=True)
class Supply:
    """The receiver's supply, recorded as a voltage in each row."""

    name: str  # Its column in the file
    open_v: float = 5.0  # Its voltage without load, below 10
    source_ohm: float = 0.1  # Resistance of source, wires and plugs
    noise_v: float = 0.01  # Standard deviation of each reading
    step_v: float = 0.01  # Step between readings
    loads: tuple[Load, ...] = ()  # What draws current

    def __post_init__(self) -> None:
        check_name("name", self.name)
        require("open_v", self.open_v, above=0, most=9.9)
        for key in ("source_ohm", "noise_v"):
            require(key, getattr(self, key), least=0)
        require("step_v", self.step_v, least=0.001)


@dataclass(frozen=True, slots=True)
class Script:
    """A whole bench recording before it is built."""

    duration_s: float  # Length in seconds, at most 30 days
    sample_rate_hz: int  # The analyser's rate, 1 kHz to 1 GHz
    seed: int  # Seed of everything that is drawn at random
    frame: Frame  # The receiver's frame clock
    channels: tuple[Channel, ...]  # At least one, with unlike names
    width: Width = field(default_factory=Width)  # How exactly widths are made
    glitches: Glitches = field(default_factory=Glitches)  # Spikes on the channel lines
    # In order of time, none beginning before the one before it is over
    losses: tuple[Loss, ...] = ()
    interferences: tuple[Interference, ...] = ()  # In order of time, each over before the next
    # Name of a line that is high while the transmitter is on; None for none
    marker: str | None = None
    title: str = ""  # What the recording shows
    shape: Shape = "changes"  # Shape of the file, unless the writer is told otherwise
    rotors: tuple[Rotor, ...] = ()  # Motors with a sensor; their lines come before the marker's
    # Supplies, whose voltages stand in the last columns; not in files of changes
    supplies: tuple[Supply, ...] = ()

    def __post_init__(self) -> None:
        require("duration_s", self.duration_s, above=0, most=30 * 86_400)
        require("sample_rate_hz", self.sample_rate_hz, least=1_000, most=1_000_000_000)
        require("seed", self.seed, least=0)
        if self.shape not in SHAPES:
            raise ScriptError("shape", self.shape, f"one of {', '.join(SHAPES)}")
        if not self.channels:
            raise ScriptError("channel", [], "at least one channel")
        self._check_names()
        self._check_losses()
        self._check_interferences()

    def _check_names(self) -> None:
        if self.marker is not None:
            check_name("marker", self.marker)
        seen: set[str] = set()
        for name in self.line_names:
            if name in seen:
                raise ScriptError("name", name, "a name that no other line has")
            seen.add(name)

    def _check_losses(self) -> None:
        over_s = 0.0
        names = [channel.name for channel in self.channels]
        for loss in self.losses:
            require("off_s", loss.off_s, least=over_s, most=self.duration_s)
            over_s = loss.follows_s
            for name in loss.channels:
                if name not in names:
                    raise ScriptError("channels", name, f"one of {', '.join(names)}")
        loads = [load for supply in self.supplies for load in supply.loads]
        for of in [*(rotor.of for rotor in self.rotors), *(load.of for load in loads)]:
            if of not in names:
                raise ScriptError("of", of, f"one of {', '.join(names)}")
        if self.supplies and self.shape == "changes":
            raise ScriptError("shape", self.shape, "samples or levels, since a supply is recorded")

    def _check_interferences(self) -> None:
        over_s = 0.0
        names = [channel.name for channel in self.channels]
        for span in self.interferences:
            require("from_s", span.from_s, least=over_s)
            require("to_s", span.to_s, most=self.duration_s)
            over_s = span.to_s
            for name in span.lines:
                if name not in names:
                    raise ScriptError("lines", name, f"one of {', '.join(names)}")

    @property
    def line_names(self) -> tuple[str, ...]:
        """Names of all lines in the file's order, the marker last."""
        marker = () if self.marker is None else (self.marker,)
        return (*(c.name for c in self.channels), *(r.name for r in self.rotors), *marker)


def check_name(key: str, name: str) -> None:
    """Check that a line's name can head a column of levels."""
    if not name.strip() or name != name.strip() or not name.isprintable() or name[0] == "#":
        raise ScriptError(key, name, "a printable name without blanks at its ends or '#' in front")
    if time_unit_in(name)[0]:
        raise ScriptError(key, name, "a name that does not read as a time column")


def stream(seed: int, purpose: str, line: str = "", number: int = 0) -> np.random.Generator:
    """Return the stream for one purpose, so that adding a channel changes no other.

    >>> bool(stream(7, "width", "RX1").random() == stream(7, "width", "RX1").random())
    True
    """
    key = (zlib.crc32(purpose.encode()), zlib.crc32(line.encode()), number)
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key)))


@dataclass(frozen=True, slots=True)
class Output:
    """How one output follows the sticks: rest plus a share of each axis."""

    rest_us: float  # Its width with all sticks at rest
    # For each axis that moves it, by how much from rest to +1. A switch or dial is named by the
    # line that the plan has it move; it rests at -1, and the share is its whole way to +1.
    share_us: Mapping[str, float]
    # What it does while the transmitter is off
    when_lost: Behaviour = field(default_factory=HoldsLast)

    def width_us(
        self, sticks: Mapping[Axis, float], controls: Mapping[str, float] | None = None
    ) -> float:
        """Width at a stick position, switches and dials where they stand.

        >>> Output(1500.0, {"elevator": 400.0}).width_us({"elevator": -0.5})
        1300.0
        """
        moved: dict[str, float] = {str(axis): to for axis, to in sticks.items()}
        moved |= {line: 0.5 * (1.0 + to) for line, to in (controls or {}).items()}
        return self.rest_us + sum(self.share_us.get(name, 0.0) * to for name, to in moved.items())


@dataclass(frozen=True, slots=True)
class FollowedPlan:
    """A plan as it was followed."""

    script: Script  # What was done
    starts_s: tuple[float, ...]  # When the hands began each step, in seconds of the recording


def follow_plan(
    plan: CapturePlan,
    outputs: Mapping[str, Output],
    *,
    seed: int,
    sample_rate_hz: int = 1_000_000,
    lead_s: float = 2.0,
    late_s: Sequence[float] | None = None,
    way_s: float = 0.25,
    width: Width | None = None,
    marker: str | None = None,
) -> FollowedPlan:
    """Write the script of a recording in which the hands follow a plan.

    >>> from pwmscope.bench import PlanStep
    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("go", 2.0, {"elevator": 1.0})))
    >>> made = follow_plan(plan, {"RX1": Output(1500.0, {"elevator": 400.0})}, seed=1,
    ...                    late_s=[0.0, 0.5])
    >>> made.starts_s, made.script.duration_s
    ((0.0, 5.5), 8.5)
    """
    require("way_s", way_s, above=0)
    drawn = stream(seed, "hands").uniform(0.05, 0.6, len(plan.steps))
    late = drawn.tolist() if late_s is None else [float(late) for late in late_s]
    planned = zip(plan.starts_s, late, strict=True)
    starts_s = (0.0, *(lead_s + start + after for start, after in list(planned)[1:]))
    end_s = lead_s + plan.seconds + max(0.0, late[-1]) + 1.0
    ends_s = (*starts_s[1:], end_s)
    for begin_s, over_s in zip(starts_s, ends_s, strict=True):
        if over_s - begin_s <= way_s:
            raise ScriptError("late_s", late, f"steps that last longer than {way_s:g} s")
    channels = tuple(
        Channel(line, _moves(plan, output, starts_s, ends_s, way_s), skew_us=3.0 * place,
                when_lost=output.when_lost)
        for place, (line, output) in enumerate(outputs.items())
    )  # fmt: skip
    lost = itertools.groupby(
        zip(plan.steps, starts_s, ends_s, strict=True),
        key=lambda each: each[0].other_memory or (not each[0].transmitter_on and each[0].name),
    )
    spans = [[each[1:] for each in own] for is_lost, own in lost if is_lost]
    losses = tuple(Loss(own[0][0], own[-1][1], 0.3) for own in spans)
    script = Script(
        duration_s=end_s, sample_rate_hz=sample_rate_hz, seed=seed,
        frame=Frame(20_000, first_frame_us=5_000, jitter_us=0.8), channels=channels,
        width=Width(jitter_us=0.5) if width is None else width, losses=losses, marker=marker,
    )  # fmt: skip
    return FollowedPlan(script, starts_s)


def _moves(
    plan: CapturePlan,
    output: Output,
    starts_s: Sequence[float],
    ends_s: Sequence[float],
    way_s: float,
) -> tuple[Move, ...]:
    moves: list[Move] = []
    for step, begin_s, over_s in zip(plan.steps, starts_s, ends_s, strict=True):
        width_us = output.width_us(step.sticks, step.controls)
        if moves:
            moves += [Sweep(width_us, way_s), Dwell(width_us, over_s - begin_s - way_s)]
        else:
            moves.append(Dwell(width_us, over_s - begin_s))
    return tuple(moves)
