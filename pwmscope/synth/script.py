"""The script of a bench recording: one receiver, its sticks, its link and the analyser."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias, get_args

from pwmscope.capture.reader.units import time_unit_in
from pwmscope.synth.behaviours import Behaviour, HoldsLast
from pwmscope.synth.errors import ScriptError, require
from pwmscope.synth.moves import Dwell, Move

Shape: TypeAlias = Literal["samples", "changes", "levels"]
SHAPES: tuple[Shape, ...] = get_args(Shape)


@dataclass(frozen=True, slots=True)
class Frame:
    """The receiver's frame clock.

    Parameters
    ----------
    period_us : float
        Nominal frame period in microseconds.
    first_frame_us : float
        Where the first frame starts, from minus one period (the recording
        begins inside a frame) on.
    jitter_us : float
        Standard deviation of each frame start about its nominal instant, drawn
        anew for each frame. The period jitter is then sqrt(2) times this and
        the cycle-to-cycle jitter sqrt(6) times this.
    dropout_probability : float
        Chance of each frame to be missing on all channels, below 1.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    period_us: float
    first_frame_us: float = 0.0
    jitter_us: float = 0.0
    dropout_probability: float = 0.0

    def __post_init__(self) -> None:
        require("period_us", self.period_us, above=0)
        require("first_frame_us", self.first_frame_us, least=-self.period_us)
        require("jitter_us", self.jitter_us, least=0, most=self.period_us / 20)
        require("dropout_probability", self.dropout_probability, least=0, most=0.99)


@dataclass(frozen=True, slots=True)
class Width:
    """How exactly the receiver makes a pulse width.

    Parameters
    ----------
    jitter_us : float
        Standard deviation of each width about its command, drawn for each pulse.
    resolution_us : float
        Step of the command that the link carries; 0 for none.
    tick_us : float
        Tick of the receiver's timer: each width as made, jitter included, is a
        whole number of ticks; 0 for none.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    jitter_us: float = 0.0
    resolution_us: float = 0.0
    tick_us: float = 0.0

    def __post_init__(self) -> None:
        for key in ("jitter_us", "resolution_us", "tick_us"):
            require(key, getattr(self, key), least=0)


@dataclass(frozen=True, slots=True)
class Glitches:
    """Short spikes in the low time of every channel line.

    Parameters
    ----------
    per_minute : float
        How many to expect per minute on each line; the count is Poisson.
    shortest_us, longest_us : float
        Their widths are spread evenly between these.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    per_minute: float = 0.0
    shortest_us: float = 2.0
    longest_us: float = 40.0

    def __post_init__(self) -> None:
        require("per_minute", self.per_minute, least=0)
        require("shortest_us", self.shortest_us, above=0)
        require("longest_us", self.longest_us, least=self.shortest_us)


@dataclass(frozen=True, slots=True)
class Channel:
    """One output pin of the receiver and the stick that commands it.

    Parameters
    ----------
    name : str
        The line's name in the file.
    moves : tuple of Dwell, Sweep or Sine
        One after the other; the first is a dwell and the last width is held.
    neutral_us : float or None
        The width that the script's hand means as neutral; None where the
        channel has none.
    skew_us : float
        Start of the pulse after the start of the frame.
    inverted : bool
        Whether the line idles high and pulses low.
    when_lost : Behaviour
        What it does in a loss that does not say otherwise.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    name: str
    moves: tuple[Move, ...]
    neutral_us: float | None = None
    skew_us: float = 0.0
    inverted: bool = False
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
    """The transmitter goes off and, mostly, on again.

    Parameters
    ----------
    off_s : float
        When it goes off, in seconds.
    on_s : float or None
        When it is on again; None if it stays off.
    reacquire_s : float
        Seconds from `on_s` until the channels follow again.
    channels : mapping of str to Behaviour
        What a channel does in this loss, where it differs from its `when_lost`.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    off_s: float
    on_s: float | None = None
    reacquire_s: float = 0.0
    channels: Mapping[str, Behaviour] = field(default_factory=dict)

    def __post_init__(self) -> None:
        require("off_s", self.off_s, above=0)
        require("reacquire_s", self.reacquire_s, least=0)
        if self.on_s is not None:
            require("on_s", self.on_s, above=self.off_s)

    @property
    def follows_s(self) -> float:
        """When the channels follow again; infinity if they never do."""
        return float("inf") if self.on_s is None else self.on_s + self.reacquire_s


@dataclass(frozen=True, slots=True)
class Script:
    """A whole bench recording before it is built.

    Parameters
    ----------
    duration_s : float
        Length in seconds, at most 30 days.
    sample_rate_hz : int
        The analyser's rate, 1 kHz to 1 GHz.
    seed : int
        Seed of everything that is drawn at random.
    frame : Frame
        The receiver's frame clock.
    channels : tuple of Channel
        At least one, with unlike names.
    width : Width
        How exactly widths are made.
    glitches : Glitches
        Spikes on the channel lines.
    losses : tuple of Loss
        In order of time, none beginning before the one before it is over.
    marker : str or None
        Name of a line that is high while the transmitter is on; None for none.
    title : str
        What the recording shows.
    shape : {"samples", "changes", "levels"}
        Shape of the file, unless the writer is told otherwise.

    Raises
    ------
    ScriptError
        If the parts do not fit together.
    """

    duration_s: float
    sample_rate_hz: int
    seed: int
    frame: Frame
    channels: tuple[Channel, ...]
    width: Width = field(default_factory=Width)
    glitches: Glitches = field(default_factory=Glitches)
    losses: tuple[Loss, ...] = ()
    marker: str | None = None
    title: str = ""
    shape: Shape = "changes"

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

    @property
    def line_names(self) -> tuple[str, ...]:
        """Names of all lines in the file's order, the marker last."""
        marker = () if self.marker is None else (self.marker,)
        return tuple(channel.name for channel in self.channels) + marker


def check_name(key: str, name: str) -> None:
    """Check that a line's name can head a column of levels.

    Raises
    ------
    ScriptError
        If it is blank, spans lines, begins with ``#`` or would be read as a time column.
    """
    if not name.strip() or name != name.strip() or not name.isprintable() or name[0] == "#":
        raise ScriptError(key, name, "a printable name without blanks at its ends or '#' in front")
    if time_unit_in(name)[0]:
        raise ScriptError(key, name, "a name that does not read as a time column")
