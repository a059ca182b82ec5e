"""What a kill channel that is shown to cut the power says of the devices that it guards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.bench import BenchSheet
from pwmscope.model import Verdict

NO_PIN: Final = (
    "This device has no pin to record, so what it is commanded to do is not known. Record the "
    "kill channel that cuts its power."
)


@dataclass(frozen=True, slots=True)
class Guard:
    """The kill channel of a line, the one of which most is shown."""

    line: str  # The kill channel's line
    verdict: Verdict  # Whether it cuts the power in time
    is_recorded: bool  # Whether a recording shows a loss of it
    # Whether the device is commanded to run before the link, and no cut is shown then
    is_open_before_link: bool = False

    def over(self, own: Verdict) -> Verdict:
        """Give a guarded device's verdict: without power it stands still, whatever its pulses say.

        Examples
        --------
        >>> str(Guard("RX5", Verdict.MEETS, True).over(Verdict.DOES_NOT_MEET))
        'meets'
        >>> str(Guard("RX5", Verdict.NOT_SHOWN, True).over(Verdict.DOES_NOT_MEET))
        'not shown'
        >>> str(Guard("RX5", Verdict.NOT_SHOWN, False).over(Verdict.DOES_NOT_MEET))
        'does not meet'
        """
        if self.leaves_open(own):
            return Verdict.NOT_SHOWN
        return Verdict.MEETS if self.verdict is Verdict.MEETS else own

    def leaves_open(self, own: Verdict) -> bool:
        """Say whether a device commanded to run may have been without power.

        A kill channel that no recording shows leaves nothing open: the proven failure governs.
        """
        doubtful = self.is_recorded and self.verdict is Verdict.NOT_SHOWN
        if self.verdict is Verdict.MEETS:
            doubtful = self.is_open_before_link
        return doubtful and own is Verdict.DOES_NOT_MEET

    @property
    def sentence(self) -> str:
        """What it says of the device that it guards."""
        if self.verdict is Verdict.MEETS and self.is_open_before_link:
            return (
                f"It is commanded to run before the link. Whether the kill channel {self.line} "
                "cuts its power then is not shown."
            )
        if self.verdict is Verdict.MEETS:
            return f"The kill channel {self.line} is shown to cut its power in time."
        return (
            f"It is commanded to run. Whether the kill channel {self.line} cuts its power is not "
            "shown."
        )


def guards_of(sheet: BenchSheet, verdicts: Mapping[str, Verdict | None]) -> dict[str, Guard]:
    """Give each guarded line the kill channel that says most about it.

    Parameters
    ----------
    sheet : BenchSheet
        Its kill channels.
    verdicts : mapping of str to Verdict or None
        Of the lines with losses.
    """
    order = (Verdict.MEETS, Verdict.NOT_SHOWN, Verdict.DOES_NOT_MEET)
    found = {}
    for line, kills in sheet.guards_of.items():
        guards = [
            Guard(kill, verdicts.get(kill) or Verdict.NOT_SHOWN, kill in verdicts) for kill in kills
        ]
        found[line] = min(
            guards, key=lambda guard: (order.index(guard.verdict), not guard.is_recorded)
        )
    return found
