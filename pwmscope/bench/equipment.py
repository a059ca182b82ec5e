"""What stands on the bench beside the devices: transmitter, receiver, sources, analyser."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

Level: TypeAlias = Literal["low", "high"]
LEVELS: Final[tuple[Level, ...]] = get_args(Level)

MarkerKind: TypeAlias = Literal["switch", "button"]
MARKER_KINDS: Final[tuple[MarkerKind, ...]] = get_args(MarkerKind)
BUTTON_LATE_S: Final = 0.3
"""How late a button is pressed beside the switch it marks, at most (common practice)."""

OnLoss: TypeAlias = Literal["pulses stop", "holds last", "goes to preset"]
ON_LOSS: Final[tuple[OnLoss, ...]] = get_args(OnLoss)


@dataclass(frozen=True, slots=True)
class Marker:
    """The line that shows whether the transmitter is on.

    Parameters
    ----------
    line : str
        Its name in the recording.
    on : {"low", "high"} or None
        The level that means on; None where that is not known.
    kind : {"switch", "button"} or None, optional
        Whether the transmitter's own switch drives it, or a hand that presses a
        button beside it; None where that is not known.
    stated_late_s : float or None, optional
        How late it may change, in seconds, where the sheet states that.

    Examples
    --------
    >>> Marker("tx-on", "high").late_s, Marker("tx-on", "high", "switch").late_s
    (0.3, 0.0)
    """

    line: str
    on: Level | None
    kind: MarkerKind | None = None
    stated_late_s: float | None = None

    @property
    def late_s(self) -> float:
        """How late it is taken to change at most; a kind that is not stated counts as a button."""
        if self.stated_late_s is not None:
            return self.stated_late_s
        return 0.0 if self.kind == "switch" else BUTTON_LATE_S


@dataclass(frozen=True, slots=True)
class Transmitter:
    """What the hands hold; what is empty is not known.

    Parameters
    ----------
    device, protocol, band : str
        Free text. Protocol and band are compared with the receiver's.
    """

    device: str = ""
    protocol: str = ""
    band: str = ""


@dataclass(frozen=True, slots=True)
class Receiver:
    """What the devices are plugged into; what is empty or None is not known.

    Parameters
    ----------
    device, protocol, band : str
        Free text. Protocol and band are compared with the transmitter's.
    outputs : int or None
        How many servo outputs it has.
    supply_v : tuple of float or None
        Lowest and highest supply in volts that its maker states.
    signal_v : float or None
        Level of a pulse on its signal pins, in volts.
    draws_a : float or None
        Current in amperes that it draws itself.
    on_loss : {"pulses stop", "holds last", "goes to preset"} or None
        What its outputs are set to do at signal loss.
    """

    device: str = ""
    protocol: str = ""
    band: str = ""
    outputs: int | None = None
    supply_v: tuple[float, float] | None = None
    signal_v: float | None = None
    draws_a: float | None = None
    on_loss: OnLoss | None = None


@dataclass(frozen=True, slots=True)
class PowerSource:
    """A source that may power the receiver; what is empty or None is not known.

    Parameters
    ----------
    name : str
        What the sheet calls it.
    kind : str
        Free text, such as "BEC in an ESC".
    voltage_v : float or None
        Its voltage, in volts.
    continuous_a : float or None
        Current in amperes that it gives without end.
    cable : str or None
        The channel on whose cable it comes; None for a cable of its own.
    powers_receiver : bool or None
        Whether its power wire is connected to the receiver.
    """

    name: str
    kind: str = ""
    voltage_v: float | None = None
    continuous_a: float | None = None
    cable: str | None = None
    powers_receiver: bool | None = None


@dataclass(frozen=True, slots=True)
class Analyser:
    """What records the receiver's pins; what is empty or None is not known.

    Parameters
    ----------
    device : str
        Free text.
    input_v : float or None
        Highest voltage that its inputs take, in volts.
    lines : tuple of str
        The lines that its inputs are on, in the inputs' order.
    ground_first : bool or None
        Whether its ground is connected before any input.
    divider_ohm : tuple of float or None
        Resistors in ohms of the divider before each input: the one towards the
        signal, the one towards ground.
    shifted_v : float or None
        High level in volts behind a level shifter before each input.
    """

    device: str = ""
    input_v: float | None = None
    lines: tuple[str, ...] = ()
    ground_first: bool | None = None
    divider_ohm: tuple[float, float] | None = None
    shifted_v: float | None = None
