"""One setting of one channel: what was measured, what is wanted, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal, TypeAlias

from pwmscope.findings.travel import Amount

Name: TypeAlias = Literal["direction", "rest position", "neutral", "low endpoint", "high endpoint"]

ORDER: Final = (
    "First the direction: a reversed channel changes its other settings as well.",
    "Then neutral, with the trim levers centred: most transmitters shift both ends with it "
    "(common practice).",
    "Then the endpoints, one side at a time.",
    "Then record again: what is predicted here is not yet measured.",
)
"""The order in which settings are changed (common practice)."""


class Action(StrEnum):
    """What to do about a setting."""

    CHANGE = "change"
    LEAVE = "leave"
    DEVICE = "calibrate the device"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of one channel.

    Parameters
    ----------
    name : str
        ``"direction"``, ``"rest position"``, ``"neutral"``, ``"low endpoint"`` or ``"high
        endpoint"``.
    action : Action
        What to do.
    sentence : str
        The same for a person, with the reason.
    measured : Amount or None
        The width; None for a direction, and where the recording does not show it.
    target_us : float or None
        What the device expects; None for a direction.
    tolerance_us : float or None
        How far from that it may be without needing a change.
    change : Amount or None
        By how much to change the width, after the settings before it in the order; None
        where there is nothing to change.
    percent : float or None
        The same in percent of the setting, in the transmitter's steps; for an endpoint,
        above 0 is farther from neutral.
    predicted : Amount or None
        The width after the change, with its uncertainty.
    """

    name: Name
    action: Action
    sentence: str
    measured: Amount | None = None
    target_us: float | None = None
    tolerance_us: float | None = None
    change: Amount | None = None
    percent: float | None = None
    predicted: Amount | None = None


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """What to do about one channel.

    Parameters
    ----------
    line, role, device : str
        As the bench sheet has them.
    settings : tuple of Setting
        In the order in which they are changed.
    warnings : tuple of str
        What may go wrong with the channel as it is, each a sentence.
    """

    line: str
    role: str
    device: str
    settings: tuple[Setting, ...]
    warnings: tuple[str, ...]

    @property
    def not_shown(self) -> int:
        """How many settings the recording does not show."""
        return sum(setting.action is Action.NOT_SHOWN for setting in self.settings)

    def named(self, name: Name) -> Setting | None:
        """Return a setting by its name."""
        return next((setting for setting in self.settings if setting.name == name), None)
