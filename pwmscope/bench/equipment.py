"""What stands on the bench, as its sheet states it, with what the trade takes for granted."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Final, Literal, TypeAlias, get_args

from pwmscope.bench.toml_text import format_key
from pwmscope.errors import require_number
from pwmscope.model import Span

Role: TypeAlias = Literal[
    "drive-left",
    "drive-right",
    "drive-forward",
    "drive-turn",
    "weapon",
    "kill",
    "self-righter",
    "servo",
    "spare",
    "stick-aileron",
    "stick-elevator",
    "stick-throttle",
    "stick-rudder",
    "unused",
    "rotation",
    "supply",
]
ROLES: Final[tuple[Role, ...]] = get_args(Role)
DRIVES: Final[tuple[Role, ...]] = ("drive-left", "drive-right")
INTO_MIXER: Final[tuple[Role, ...]] = ("drive-forward", "drive-turn")
"""Channels that a mixing ESC, gyro or converter behind the pins makes left and right of."""
MOTORS: Final[tuple[Role, ...]] = (*DRIVES, *INTO_MIXER, "weapon")
"""What turns a motor, and stands still in a stop range."""
STICKS: Final[tuple[Role, ...]] = (
    "stick-aileron",
    "stick-elevator",
    "stick-throttle",
    "stick-rudder",
)
UNUSED: Final[Role] = "unused"
"""A recorded line with nothing on it."""
NO_DEVICE: Final[tuple[Role, ...]] = (UNUSED, "spare")
"""Lines without a device; a spare one is an output that waits for one."""
NO_NEUTRAL: Final[tuple[Role, ...]] = ("kill", "self-righter", *NO_DEVICE)
"""What has no neutral unless the sheet states one."""
SENSORS: Final[tuple[Role, ...]] = ("rotation", "supply")
"""Lines that show what the devices do, or what they run on; none carries pulses."""

Edge: TypeAlias = Literal["rising", "falling"]
EDGES: Final[tuple[Edge, ...]] = get_args(Edge)
SLOW_PER_MINUTE: Final = 60.0
"""A rotor that makes fewer turns a minute counts as slow where the sheet does not say (own choice).
"""

Control: TypeAlias = Literal[
    "aileron", "elevator", "throttle", "rudder", "switch", "dial", "button"
]
"""What on the transmitter moves a channel: a stick axis, a switch, a dial or a button."""
CONTROLS: Final[tuple[Control, ...]] = get_args(Control)
Mixer: TypeAlias = Literal["transmitter", "ESC", "gyro", "converter"]
MIXERS: Final[tuple[Mixer, ...]] = get_args(Mixer)
Turns: TypeAlias = Literal["one way", "both ways"]
TURNS: Final[tuple[Turns, ...]] = get_args(Turns)
BelowNeutral: TypeAlias = Literal["brake", "reverse"]
BELOW_NEUTRAL: Final[tuple[BelowNeutral, ...]] = get_args(BelowNeutral)

NoPulses: TypeAlias = Literal["stops", "keeps going"]
NO_PULSES: Final[tuple[NoPulses, ...]] = get_args(NoPulses)

SuppliedBy: TypeAlias = Literal["receiver", "outside"]
SUPPLIED_BY: Final[tuple[SuppliedBy, ...]] = get_args(SuppliedBy)


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the trade; the event's rulebook and the devices' manuals come first.

    Parameters
    ----------
    neutral_us : float
        Largest distance of neutral from where the device takes it; half a stated deadband that is
        more stands in for it.
    overshoot_us : float
        How far a width may lie beyond the convention's endpoints.
    jitter_us : float
        Largest RMS jitter of the width while the stick stands still.
    failsafe_s : float
        Longest time from signal loss to a settled output.
    source : str
        Where the figures come from.
    excursion_us : float
        Farthest a single width may stray from its level while the stick stands still.
    weapon_motion_s, drive_motion_s : float
        Longest time from signal loss until a weapon, or a drive, turns slowly.
    scale : float, optional
        What the widths were multiplied by for a convention of another span.

    Raises
    ------
    ArgumentError
        If a limit is no number, or beyond what any limit is.
    """

    neutral_us: float
    overshoot_us: float
    jitter_us: float
    failsafe_s: float
    source: str
    excursion_us: float = 20.0
    weapon_motion_s: float = 60.0
    drive_motion_s: float = 2.0
    scale: float = 1.0

    def __post_init__(self) -> None:
        for each in fields(self):
            if each.name in ("source", "scale"):
                continue
            least, most = _LIMITS_WITHIN.get(each.name, (0.0, MAX_WIDTH_LIMIT_US * self.scale))
            unit = "seconds" if each.name.endswith("_s") else "microseconds"
            within = f"from {least:g} to {most:g}" if least else f"above 0, at most {most:g}"
            expected = f"a number of {unit} {within}"
            least = least or math.ulp(0.0)
            require_number(each.name, getattr(self, each.name), expected, least=least, most=most)

    def basis_of(self, name: str) -> str:
        """Say whether a limit is common practice's, or was asked for.

        Parameters
        ----------
        name : str
            The limit's name here, such as ``neutral_us``.

        Returns
        -------
        str

        Examples
        --------
        >>> COMMON_PRACTICE.basis_of("neutral_us")
        'common practice'
        """
        usual = getattr(COMMON_PRACTICE, name) * (self.scale if name.endswith("_us") else 1.0)
        return "common practice" if math.isclose(getattr(self, name), usual) else "as asked for"

    def scaled(self, span_us: float) -> Limits:
        """Return the limits for a convention whose endpoints lie ``span_us`` apart.

        The widths shrink with the convention's span, 1000 us for the standard
        servo; the failsafe time stays.

        Parameters
        ----------
        span_us : float
            Distance of the convention's endpoints, in microseconds.

        Returns
        -------
        Limits

        Raises
        ------
        ArgumentError
            If the distance is no number above 0.

        Examples
        --------
        >>> COMMON_PRACTICE.scaled(125.0).neutral_us
        2.5
        """
        require_number("span_us", span_us, "microseconds above 0", least=math.ulp(0.0))
        scale = span_us / STANDARD_SPAN_US
        return replace(
            self, scale=self.scale * scale, neutral_us=self.neutral_us * scale,
            overshoot_us=self.overshoot_us * scale,
            jitter_us=self.jitter_us * scale, excursion_us=self.excursion_us * scale,
        )  # fmt: skip


MAX_WIDTH_LIMIT_US: Final = 200.0
"""No limit of a width is wider: it would let a device run (own choice)."""
MOTION_WITHIN_S: Final = (0.05, 600.0)
_LIMITS_WITHIN: Final = {
    "failsafe_s": (0.05, 60.0), "weapon_motion_s": MOTION_WITHIN_S,
    "drive_motion_s": MOTION_WITHIN_S,
}  # fmt: skip
STANDARD_SPAN_US: Final = 1000.0
"""Distance of the standard servo convention's endpoints."""

COMMON_PRACTICE: Final = Limits(
    neutral_us=20.0,
    overshoot_us=10.0,
    jitter_us=4.0,
    failsafe_s=2.0,
    source=(
        "common practice, from memory. 20 us is a narrow ESC deadband, 10 us is 1 % of the "
        "travel, 4 us a servo's deadband. 2 s is the usual failsafe limit of event rulebooks. "
        "60 s is a usual time for a weapon to spin down"
    ),
)
"""Limits used when nothing more is known about the devices and the event."""


CAUTIONS: Final = (
    "Remove the weapon, or lock it so that it cannot turn.",
    "Lift the wheels off the ground and restrain the robot.",
    "Wear eye protection; keep hands, hair and bystanders away from everything that can move.",
    "Handle the battery as its maker says: undamaged, watched, fire protection at hand.",
    "Probe the receiver's 5 V servo pins only, never battery or motor wires; ground first.",
    "The event's rulebook and its safety officer decide; these measurements only inform them.",
)
"""The usual cautions, in the order in which they matter (common practice)."""
LINK_CAUTIONS: Final = (
    "Restrain everything on the bench that may be bound, not this robot alone.",
    "One transmitter at a time: the others are off, their batteries out.",
    "The receiver's manual decides how to bind. Some receivers lose their presets by it.",
)
"""What to mind before a link record, before the usual cautions (common practice)."""
MOTION_CAUTIONS: Final = (
    "Record a powered weapon only in the event's or club's closed test box, never on an open "
    "bench.",
    "Connect the analyser to the sensor's 5 V logic output only, never to motor or battery wires.",
)
"""What to mind before motion is recorded, before the usual cautions (common practice)."""


@dataclass(frozen=True, slots=True)
class StopBand:
    """The stop range: the widths at which a device stands still.

    >>> StopBand(1480.0, 1520.0, "The bench sheet states it.").holds(1520.0)
    True
    """

    # Its ends, both included
    low_us: float
    high_us: float
    source: str  # Where it comes from, as a sentence; it says which default was taken

    def holds(self, width_us: float) -> bool:
        """Say whether a width lies in the range."""
        return self.low_us <= width_us <= self.high_us

    @property
    def words(self) -> str:
        """The range as words.

        >>> StopBand(1470.0, 1530.0, "").words, StopBand(0.0, 1020.0, "").words
        ('1470 to 1530 us', 'up to 1020 us')
        """
        if self.low_us <= 0:
            return f"up to {self.high_us:g} us"
        return f"{self.low_us:g} to {self.high_us:g} us"


Level: TypeAlias = Literal["low", "high"]
LEVELS: Final[tuple[Level, ...]] = get_args(Level)

MarkerKind: TypeAlias = Literal["switch", "button", "light"]
MARKER_KINDS: Final[tuple[MarkerKind, ...]] = get_args(MarkerKind)
BUTTON_LATE_S: Final = 0.3
"""How late a button is pressed beside the switch it marks, at most (common practice)."""
MAX_LATE_S: Final = 5.0
"""No marker is taken to be later."""

WIDEST_DEADBAND: Final = 0.2
"""A wider deadband, as a part of the travel, is taken for a slip (common practice)."""
DEFAULT_STOP: Final = 0.02
"""Part of a device's travel, on each side of where it stops, that is taken as its stop range
where the sheet does not state one: 20 us of 1000 us, a narrow ESC deadband's half (common
practice, from memory)."""

OnLoss: TypeAlias = Literal["pulses stop", "holds last", "goes to preset"]
ON_LOSS: Final[tuple[OnLoss, ...]] = get_args(OnLoss)

FailsafeIn: TypeAlias = Literal["transmitter", "receiver"]
FAILSAFE_IN: Final[tuple[FailsafeIn, ...]] = get_args(FailsafeIn)


@dataclass(frozen=True, slots=True)
class Marker:
    """The line that shows whether the transmitter is on.

    Parameters
    ----------
    line : str
        Its name in the recording.
    on : {"low", "high"} or None
        The level that means on; None where that is not known.
    kind : {"switch", "button", "light"} or None, optional
        Whether the transmitter's own switch drives it, a hand that presses a button
        beside it, or a sensor over its power light; None where that is not known.
    stated_late_s : float or None, optional
        How late it may change at most, in seconds, where the sheet states that.
    least_late_s : float, optional
        How late it is at least when the transmitter goes off: with `late_s` the ends of what a
        calibration recording shows.
    stated_back_late_s : float or None, optional
        How late it may be at most when the transmitter is on again, where the sheet states that.

    Examples
    --------
    >>> Marker("tx-on", "high").late_s, Marker("tx-on", "high", "switch").late_s
    (0.3, 0.0)
    >>> Marker("tx-on", "high", "light", 0.9, stated_back_late_s=0.0).back_late_s
    0.0
    """

    line: str
    on: Level | None
    kind: MarkerKind | None = None
    stated_late_s: float | None = None
    least_late_s: float = 0.0
    stated_back_late_s: float | None = None

    @property
    def late_s(self) -> float:
        """How late it is taken to change at most; a kind that is not stated counts as a button."""
        if self.stated_late_s is not None:
            return self.stated_late_s
        return 0.0 if self.kind == "switch" else BUTTON_LATE_S

    @property
    def back_late_s(self) -> float:
        """How late it is taken to be at most as the transmitter comes on; a hand may be late."""
        if self.kind == "light":
            return self.late_s if self.stated_back_late_s is None else self.stated_back_late_s
        return max(self.late_s, 0.0 if self.kind == "switch" else BUTTON_LATE_S)


@dataclass(frozen=True, slots=True)
class Transmitter:
    """What the hands hold; what is empty is not known."""

    # Free text. Protocol and band are compared with the receiver's.
    device: str = ""
    protocol: str = ""
    band: str = ""
    boot_s: float = 0.0  # Seconds from its switch until it sends, at most
    starts_with_sticks_up: bool = True  # Whether it starts when sticks or switches are not at rest


@dataclass(frozen=True, slots=True)
class Receiver:
    """What the devices are plugged into; what is empty or None is not known."""

    # Free text. Protocol and band are compared with the transmitter's.
    device: str = ""
    protocol: str = ""
    band: str = ""
    outputs: int | None = None  # How many servo outputs it has
    # Lowest and highest supply in volts that its maker states
    supply_v: tuple[float, float] | None = None
    signal_v: float | None = None  # Level of a pulse on its signal pins, in volts
    draws_a: float | None = None  # Current in amperes that it draws itself
    on_loss: OnLoss | None = None  # What its outputs are set to do at signal loss
    failsafe_in: FailsafeIn | None = None  # Where its failsafe is set
    bound_on: datetime.date | None = None  # Day on which it was last bound


@dataclass(frozen=True, slots=True)
class PowerSource:
    """A source that may power the receiver; what is empty or None is not known."""

    name: str  # What the sheet calls it
    kind: str = ""  # Free text, such as "BEC in an ESC"
    voltage_v: float | None = None  # Its voltage, in volts
    continuous_a: float | None = None  # Current in amperes that it can give all the time
    cable: str | None = None  # The channel on whose cable it comes; None for a cable of its own
    powers_receiver: bool | None = None  # Whether its power wire is connected to the receiver


@dataclass(frozen=True, slots=True)
class Analyser:
    """What records the receiver's pins; what is empty or None is not known."""

    device: str = ""  # Free text
    input_v: float | None = None  # Highest voltage that its inputs take, in volts
    lines: tuple[str, ...] = ()  # The lines that its inputs are on, in the inputs' order
    ground_first: bool | None = None  # Whether its ground is connected before any input
    # Resistors in ohms of the divider before each input: the one towards the signal, the one
    # towards ground
    divider_ohm: tuple[float, float] | None = None
    shifted_v: float | None = None  # High level in volts behind a level shifter before each input


@dataclass(frozen=True, slots=True)
class BenchChannel:
    """One line and the device on it.

    What is None is not known.
    """

    line: str  # Its name in the recording
    role: Role  # What it is for, one of `pwmscope.bench.ROLES`
    device: str  # What is connected, free text
    # Widths at the ends of the device's travel
    low_us: float
    # Its neutral; None for a weapon that turns one way only and an unused line
    neutral_us: float | None
    high_us: float
    # Whole width of the band round neutral in which the device does not move; None where it is not
    # known
    deadband_us: float | None
    no_pulses: NoPulses | None  # What the device does without pulses; None where it is not known
    # The widths, lowest and highest, at which the device stands still, where the sheet states them;
    # twice the same where it states one width
    stop_us: tuple[float, float] | None
    # Whether the device feeds 5 V to the receiver; None where it is not known
    feeds_5v: bool | None
    output: int | None = None  # The receiver's output that its cable is on, counted from 1
    splitter: bool | None = None  # Whether it shares that output through a splitter
    # The line that has the same device, where this one is only another name for it
    same_device_as: str | None = None
    # Whether the device runs on the receiver's power pins or on a supply of its own
    supplied_by: SuppliedBy | None = None
    signal_and_ground_only: bool | None = None  # Whether its cable has no power wire
    stall_a: float | None = None  # Current in amperes that it draws when held fast
    draws_a: float | None = None  # Current in amperes that it is stated to draw at most
    # Width that one percent of the transmitter's travel setting moves its pulses
    us_per_percent: float | None = None
    # Whether the transmitter's direction setting for it is the reversed one
    reversed: bool | None = None
    # Longest time from the last pulse until the device stands still, in seconds
    no_pulses_after_s: float | None = None
    of: str | None = None  # Of a rotation line, the line of the device that turns
    marks_per_turn: int | None = None  # Marks that pass its sensor in each turn
    edge: Edge = "rising"  # The edge of the sensor's output that is a mark
    # The device counts as slow when it makes fewer turns a minute
    slow_per_minute: float = SLOW_PER_MINUTE
    least_v: float | None = None  # Of a supply line, the least voltage at which the receiver works
    probe: float = 1.0  # Volts at the pin for each volt that is recorded: 10 for a 10:1 probe
    trips_v: float | None = None  # Of a comparator's output, the voltage below which it is low
    # Whether `neutral_us`, `low_us` or `high_us` is common practice rather than the sheet's
    is_neutral_assumed: bool = False
    is_low_assumed: bool = False
    is_high_assumed: bool = False
    # What on the transmitter moves it, one of `pwmscope.bench.CONTROLS`
    control: Control | None = None
    positions: int | None = None  # Of a switch: 2 or 3
    guards: tuple[str, ...] = ()  # Of a kill channel: the lines of the devices whose power it cuts
    # What mixes a drive channel: behind the pin for forward and turn, before it for sides
    mixed_in: Mixer | None = None
    turns: Turns | None = None  # Which ways the device's motor turns
    below_neutral: BelowNeutral | None = None  # What an ESC does at widths below its neutral
    receiver: str = ""  # Which receiver it is on, where the robot has several; empty for the first
    no_pin: bool = False  # Whether it has no pin that can be recorded

    @property
    def is_device(self) -> bool:
        """Whether it is a device on the receiver: no stick, no sensor, no line's second name."""
        return self.role not in (*STICKS, *NO_DEVICE, *SENSORS) and self.same_device_as is None

    @property
    def other_control(self) -> str:
        """What moves it where that is no stick: "switch", "dial" or "button"; else empty."""
        if self.role == "kill" and self.control is None:
            return "switch"
        return self.control if self.control in {"switch", "dial", "button"} else ""

    @property
    def stop_band(self) -> StopBand | None:
        """The channel's stop range; None where the role has none and the sheet states none."""
        if self.stop_us is not None:
            low_us, high_us = self.stop_us
            if low_us < high_us:
                return StopBand(low_us, high_us, "The bench sheet states this stop range.")
            return self._band_round(low_us, f"The bench sheet states a stop at {low_us:g} us")
        if self.role not in MOTORS:
            return None
        margin_us = self._margin_us
        if self.neutral_us is not None:
            known = "is taken as" if self.is_neutral_assumed else "is"
            band = self._band_round(self.neutral_us, f"Neutral {known} {self.neutral_us:g} us")
            if self.below_neutral != "brake":
                return band
            said = f"{band.source} Below neutral it brakes, down to {self.low_us:g} us."
            return StopBand(self.low_us - margin_us, band.high_us, said)
        what = "a weapon" if self.role == "weapon" else "a motor"
        return StopBand(
            0.0,
            self.low_us + margin_us,
            f"Stop is taken as the low end, {self.low_us:g} us, and up to {margin_us:g} us above "
            f"it (common practice). That holds for {what} that turns one way; state stop_us if "
            "you know it.",
        )

    @property
    def is_band_assumed(self) -> bool:
        """Whether some end of its stop range is common practice, or a slip, and not the sheet's."""
        if self.stop_us is not None and self.stop_us[0] < self.stop_us[1]:
            return False
        is_neutral_known = self.neutral_us is not None and not self.is_neutral_assumed
        is_neutral_known |= self.stop_us is not None
        return self.deadband_us is None or self.is_deadband_doubted or not is_neutral_known

    @property
    def half_deadband_us(self) -> float | None:
        """Half the deadband; None where none is stated, or what is stated is doubted."""
        return (
            None if self.deadband_us is None or self.is_deadband_doubted else self.deadband_us / 2
        )

    @property
    def is_deadband_doubted(self) -> bool:
        """Whether the stated deadband is wider than common practice, as by a slip."""
        travel_us = self.high_us - self.low_us
        return self.deadband_us is not None and self.deadband_us > WIDEST_DEADBAND * travel_us

    @property
    def _margin_us(self) -> float:
        return DEFAULT_STOP * (self.high_us - self.low_us)

    def _band_round(self, stop_us: float, said: str) -> StopBand:
        half_us = self.half_deadband_us
        if half_us is not None:
            said += f", with the bench sheet's deadband of {self.deadband_us:g} us round it."
        else:
            half_us = self._margin_us
            why = "no deadband is stated"
            if self.deadband_us is not None:
                part = f"{100 * WIDEST_DEADBAND:g} % of the travel"
                why = f"a deadband of {self.deadband_us:g} us is more than {part}"
            said += f", with {half_us:g} us each side (common practice; {why})."
        return StopBand(stop_us - half_us, stop_us + half_us, said)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a recording in which one thing was done, such as "motors on"."""

    name: str  # What was done
    # Its time span, in seconds of the recording
    from_s: float
    to_s: float

    @property
    def span(self) -> Span:
        """Its time span."""
        return Span(self.from_s, self.to_s)


def stretch_fault(stretches: Sequence[Stretch]) -> tuple[int, str, object, str] | None:
    """Find the first stretch that cannot stand: its place, key, value, and what may stand there.

    >>> stretch_fault([Stretch("off", 0.0, 9.0), Stretch("on", 8.0, 20.0)])
    (1, 'from_s', 8.0, 'at least 9, where "off" ends, or times that do not overlap')
    """
    seen: list[Stretch] = []
    for place, stretch in enumerate(stretches):
        if stretch.to_s <= stretch.from_s:
            return place, "to_s", stretch.to_s, f"more than from_s, which is {stretch.from_s:g}"
        for other in seen:
            if other.name == stretch.name:
                return place, "name", stretch.name, "a name that no other stretch has"
            if max(other.from_s, stretch.from_s) < min(other.to_s, stretch.to_s):
                allowed = (
                    f'at least {other.to_s:g}, where "{other.name}" ends, or times that do not '
                    "overlap"
                )
                return place, "from_s", stretch.from_s, allowed
        seen.append(stretch)
    return None


@dataclass(frozen=True, slots=True)
class Gap:
    """A key that the failsafe check needs and the sheet does not state."""

    key: str  # With its tables, as TOML writes it
    advice: str  # What to write, as a sentence


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """What is known about one bench.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    robot, club : str
        Free text.
    failsafe_s : float
        Longest time from signal loss until each device stands still.
    rulebook : str
        Where that limit stands, free text.
    marker : Marker or None
        The line that shows whether the transmitter is on.
    channels : mapping of str to BenchChannel
        By line, in the sheet's order.
    transmitter : Transmitter, optional
        What the hands hold.
    receiver : Receiver, optional
        What the devices are plugged into.
    sources : mapping of str to PowerSource, optional
        By name, in the sheet's order.
    analyser : Analyser, optional
        What records.
    weapon_motion_s, drive_motion_s : float, optional
        Longest time from signal loss until a weapon, or a drive, is slow.
    stretches : tuple of Stretch, optional
        Parts of the recording whose faults are compared.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
    >>> sheet = parse_sheet('''
    ... [channels.RX1]
    ... role = "drive-left"
    ... deadband_us = 50
    ... no_pulses = "stops"
    ... ''')
    >>> band = sheet.stop_band("RX1")
    >>> band.low_us, band.high_us, sheet.no_pulses_stop("RX1"), sheet.failsafe_s
    (1475.0, 1525.0, True, 2.0)
    """

    source: str
    robot: str
    club: str
    failsafe_s: float
    rulebook: str
    marker: Marker | None
    channels: Mapping[str, BenchChannel]
    transmitter: Transmitter = field(default_factory=Transmitter)
    receiver: Receiver = field(default_factory=Receiver)
    sources: Mapping[str, PowerSource] = field(default_factory=dict)
    analyser: Analyser = field(default_factory=Analyser)
    weapon_motion_s: float = COMMON_PRACTICE.weapon_motion_s
    drive_motion_s: float = COMMON_PRACTICE.drive_motion_s
    stretches: tuple[Stretch, ...] = ()

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to do before anything is powered; what turns is recorded in a test box only."""
        return (*MOTION_CAUTIONS, *CAUTIONS) if self.shows_motion else CAUTIONS

    @property
    def shows_motion(self) -> bool:
        """Whether a rotation line shows what turns, so that it turns with power."""
        return any(channel.role == "rotation" for channel in self.sensors)

    @property
    def sensors(self) -> tuple[BenchChannel, ...]:
        """The lines that show what devices do, in the sheet's order."""
        return tuple(channel for channel in self.channels.values() if channel.role in SENSORS)

    @property
    def devices(self) -> tuple[BenchChannel, ...]:
        """The devices on the receiver, each once, in the sheet's order."""
        return tuple(channel for channel in self.channels.values() if channel.is_device)

    @property
    def guards_of(self) -> dict[str, tuple[str, ...]]:
        """The kill channels that cut the power of each guarded line."""
        found: dict[str, tuple[str, ...]] = {}
        for kill in self.channels.values():
            for line in kill.guards:
                found[line] = (*found.get(line, ()), kill.line)
        return found

    @property
    def mixer(self) -> Mixer | None:
        """The one place that mixes the drive, where the sheet says so."""
        return next((c.mixed_in for c in self.channels.values() if c.mixed_in is not None), None)

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """What the failsafe check needs and the sheet does not state, in the sheet's order."""
        own = [gap for c in self.devices for gap in _device_gaps(c)]
        has_to_stop = own or any(device.stop_band is not None for device in self.devices)
        marker = _marker_gaps(self.marker) if has_to_stop or self.marker else ()
        return (*marker, *own, *_side_gaps(self))

    def stop_band(self, line: str) -> StopBand | None:
        """Return the widths at which the device on a line stands still.

        Parameters
        ----------
        line : str
            The line's name.

        Returns
        -------
        StopBand or None
            None where the sheet has no such line, the line is a stick or unused,
            or it is a servo whose position the sheet does not state.
        """
        channel = self.channels.get(line)
        return None if channel is None else channel.stop_band

    def no_pulses_stop(self, line: str) -> bool | None:
        """Say whether the device on a line stands still when pulses stop.

        Parameters
        ----------
        line : str
            The line's name.

        Returns
        -------
        bool or None
            None where the sheet does not say.
        """
        channel = self.channels.get(line)
        if channel is None or channel.no_pulses is None:
            return None
        return channel.no_pulses == "stops"

    def no_pulses_after_s(self, line: str) -> float | None:
        """Return how long the device on a line runs on after its last pulse.

        Parameters
        ----------
        line : str
            The line's name.

        Returns
        -------
        float or None
            At most so many seconds; None where the sheet does not say.
        """
        channel = self.channels.get(line)
        return None if channel is None else channel.no_pulses_after_s

    @property
    def limits(self) -> Limits:
        """The limits, with the sheet's failsafe time and where it stands."""
        stands = self.rulebook or "the bench sheet"
        own = replace(
            COMMON_PRACTICE,
            failsafe_s=self.failsafe_s,
            weapon_motion_s=self.weapon_motion_s,
            drive_motion_s=self.drive_motion_s,
        )
        said = f"the failsafe limit of {own.failsafe_s:g} s is that of {stands}"
        return replace(own, source=f"{own.source}; {said}")


def _side_gaps(sheet: BenchSheet) -> Iterator[Gap]:
    """Tell of two lines on one side of the drive while the other side has none."""
    for role, other in (DRIVES, DRIVES[::-1]):
        lines = [c.line for c in sheet.devices if c.role == role]
        if len(lines) > 1 and not any(c.role == other for c in sheet.devices):
            yield Gap(
                f"{format_key(('channels', lines[-1]))}.role",
                f"Write the roles of both sides: {' and '.join(lines)} are {role}, and no line is "
                f"{other}.",
            )


def _marker_gaps(marker: Marker | None) -> Iterator[Gap]:
    if marker is None:
        yield Gap(
            "marker",
            "Write [marker] with line, on and kind: the line that shows whether the transmitter is "
            "on. `pwmscope failsafe` needs it, or --off-line.",
        )
        return
    if marker.on is None:
        yield Gap(
            "marker.on",
            f'Write on = "high" or on = "low": the level of {marker.line} while the transmitter '
            "is on.",
        )
    if marker.kind is None:
        yield Gap(
            "marker.kind",
            'Write kind = "switch" if the transmitter\'s own switch drives it; else it counts as '
            "a button.",
        )


def _device_gaps(channel: BenchChannel) -> Iterator[Gap]:
    """List what is missing about what a motor does without pulses, and where a kill switch cuts."""
    table = format_key(("channels", channel.line))
    if channel.role == "kill" and channel.stop_us is None:
        yield Gap(f"{table}.stop_us", "Write the widths at which it cuts the power, by a test.")
    if channel.role == "kill" and not channel.guards:
        yield Gap(f"{table}.guards", 'Write the lines whose power it cuts, such as ["RX3"].')
    if channel.role not in MOTORS:
        return
    if channel.is_band_assumed and not channel.no_pin:
        yield _band_gap(channel, table)
    if channel.no_pulses is None:
        yield Gap(
            f"{table}.no_pulses",
            'Write "stops" or "keeps going": what the device does without pulses, by its manual '
            "or a test.",
        )
    if channel.no_pulses != "keeps going" and channel.no_pulses_after_s is None:
        lead = "Write" if channel.no_pulses else "If it stops, write"
        yield Gap(
            f"{table}.no_pulses_after_s",
            f"{lead} the seconds from the last pulse until the device stops, by its manual or a "
            "test.",
        )


def _band_gap(channel: BenchChannel, table: str) -> Gap:
    """Say which key would state the stop range of a motor."""
    if channel.is_deadband_doubted:
        return Gap(
            f"{table}.deadband_us",
            f"Write stop_us, the lowest and highest width at which it stands still, if "
            f"{channel.deadband_us:g} us is no slip. Common practice is at most "
            f"{100 * WIDEST_DEADBAND:g} % of the travel.",
        )
    if channel.deadband_us is not None:
        return Gap(
            f"{table}.neutral_us",
            "Write the width round which its deadband lies, by a test. Till then its stop range is "
            "only assumed.",
        )
    return Gap(
        f"{table}.stop_us",
        "Write the lowest and highest width at which it stands still, by a test. Till then its "
        "stop range is only assumed.",
    )
