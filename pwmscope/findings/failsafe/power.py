"""Whether devices had power: kill channels that cut it, and a supply that sags."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import BenchSheet
from pwmscope.errors import Reason
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.losses import Loss, quiet_limit_s
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    ChangeKind,
    LossClass,
    Windows,
    find_stop_times,
    sides,
)
from pwmscope.findings.segmentation import ServoLines
from pwmscope.findings.supply import (
    BEFORE_S,
    Supply,
    SupplyAnswer,
    examine_supply,
    read_supply,
    unrecorded_supply,
)
from pwmscope.model import Finding, Verdict, format_line
from pwmscope.pulses import PulseTable

STAYS_S: Final = 0.5
"""A guarded output that is in its stop range for so long is not commanded to run meanwhile."""
AFTER_S: Final = 3e-3
"""A pulse is a command when it is over."""
SAME_US: Final = 10.0
"""A jump that ends so near where the output stood goes back there."""

NO_PIN: Final = Reason(
    "This device has no pin to record, so what it is commanded to do is not known.",
    "Record its rotation, or the kill channel that cuts its power.",
)


@dataclass(frozen=True, slots=True)
class Guard:
    """The kill channel of a line, the one of which most is shown."""

    line: str  # The kill channel's line
    verdict: Verdict  # Whether it cuts the power in time
    is_recorded: bool  # Whether a recording shows a loss of it
    # Whether the device is commanded to run before the link, and no cut is shown then
    is_open_before_link: bool = False
    # Losses of the guarded line through which the cut is not shown to last to its own return
    uncovered: int = 0

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
        >>> str(Guard("RX5", Verdict.MEETS, True, uncovered=1).over(Verdict.DOES_NOT_MEET))
        'not shown'
        """
        if self.leaves_open(own):
            return Verdict.NOT_SHOWN
        return Verdict.MEETS if self.verdict is Verdict.MEETS and not self.uncovered else own

    def leaves_open(self, own: Verdict) -> bool:
        """Say whether a device commanded to run may have been without power.

        A kill channel that no recording shows leaves nothing open: the proven failure governs.
        """
        doubtful = self.is_recorded and self.verdict is Verdict.NOT_SHOWN
        if self.verdict is Verdict.MEETS:
            doubtful = self.is_open_before_link or self.uncovered > 0
        return doubtful and own is Verdict.DOES_NOT_MEET

    @property
    def sentence(self) -> str:
        """What it says of the device that it guards."""
        if self.verdict is Verdict.MEETS and self.is_open_before_link:
            return (
                f"It is commanded to run before the link. Whether the kill channel {self.line} "
                "cuts its power then is not shown."
            )
        if self.verdict is Verdict.MEETS and self.uncovered:
            return Reason(
                f"The kill channel {self.line} may give power again before the link of this line "
                "is back.",
                "Leave its switch at off until this line follows its stick again.",
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


def covers(event: LossEvent, own: PulseTable, kill: LossEvent | None, pulses: PulseTable) -> bool:
    """Say whether a kill channel cuts a guarded line's power in one loss, to that line's return.

    Parameters
    ----------
    event : LossEvent
        The guarded line's loss.
    own : PulseTable
        Its pulses.
    kill : LossEvent or None
        The same loss as the kill channel shows it; None where it has none.
    pulses : PulseTable
        The kill channel's.
    """
    if event.verdict is Verdict.MEETS:
        return True
    if kill is None or kill.verdict is not Verdict.MEETS:
        return False
    loss, setting = event.case.loss, kill.case.setting
    if setting.line in event.case.evidence.one_clock:
        return True
    expected, error_s = setting.expected, kill.case.error_s
    if expected.band is None or error_s is None:
        return False
    until_s = np.array([_followed_s(event, own)])
    times = find_stop_times(
        pulses, 1e6 * setting.frame_s,
        Windows(np.array([loss.earliest_s]), np.array([loss.back_s]), until_s), expected.band,
        no_pulses_stop=expected.no_pulses_stop, no_pulses_after_s=expected.no_pulses_after_s,
        end_s=setting.end_s, is_band_assumed=expected.is_band_assumed,
    )  # fmt: skip
    return float(times.stopped_s[0]) + error_s - loss.earliest_s <= setting.limit_s


def _followed_s(event: LossEvent, own: PulseTable) -> float:
    """By when a line stands still for a while after a loss, or follows its stick again.

    A jump shows no return but one to where the line stood before: a receiver may make it.
    """
    case, response = event.case, event.case.response
    shown_s = [case.setting.end_s + 1.0]
    calm = response.behaviour not in (LossClass.WANDERS, LossClass.NOISE)
    for change in response.departures[:1] if calm else ():
        was_us = response.during[0].level_us
        is_back = abs(change.to_us - was_us) <= max(case.setting.range_us, SAME_US)
        if change.kind is ChangeKind.MOVE or (change.kind is ChangeKind.JUMP and is_back):
            shown_s.append(change.by_s)
    setting = case.setting
    # What it may have left before its link was back is no rest that lasts.
    from_s = max([case.loss.back_s, *(leap.at_s for leap in case.evidence.leaps)])
    rests_s = rests_by_s(own, setting.expected, 1e6 * setting.frame_s, from_s, setting.end_s)
    return min(*shown_s, rests_s)


def rests_by_s(
    table: PulseTable, expected: Expectation, usual_us: float, from_s: float, end_s: float
) -> float:
    """By when a line has begun to command its device to stand still, from some moment on."""
    if expected.band is None:
        return end_s + 1.0
    runs = ~sides(table, expected.band)[1]
    if expected.no_pulses_stop is not True:
        runs |= np.diff(table.rise_s, append=end_s) > quiet_limit_s(usual_us)
    # What is in force from then on: the last pulse before, and each that follows.
    first = int(np.searchsorted(table.rise_s, from_s, side="right"))
    in_force = bool(runs[first - 1]) if first else expected.no_pulses_stop is not True
    at_s = np.append(from_s, table.rise_s[first:])
    bad = np.flatnonzero(np.append(in_force, runs[first:]))
    begins_s = np.append(at_s[:1], np.append(at_s, end_s)[bad + 1])
    lasts_s = np.append(at_s[bad], end_s) - begins_s
    stays = np.flatnonzero(lasts_s >= STAYS_S)
    return float(begins_s[stays[0]]) + AFTER_S if stays.size else end_s + 1.0


def read_supplies(lines: ServoLines, sheet: BenchSheet | None) -> dict[str, Supply | None]:
    """Read the supply lines of the bench sheet; None for one that the recording does not hold."""
    if sheet is None:
        return {}
    found: dict[str, Supply | None] = {}
    for sensor in sheet.sensors:
        if sensor.role == "supply":
            line = lines.capture.lines.get(sensor.line)
            end_ps = lines.capture.end_ps
            held = None if line is None else read_supply(line, sensor, sheet, end_ps)
            found[sensor.line] = held
    return found


def answer_supplies(
    supplies: Mapping[str, Supply | None],
    lines: ServoLines,
    sheet: BenchSheet | None,
    events: Iterable[LossEvent],
) -> dict[str, SupplyAnswer]:
    """Measure the supply lines, and say what came with their sags."""
    if sheet is None:
        return {}
    restarts_s = sorted({event.lost_s for event in events if event.is_restart})
    return {
        name: unrecorded_supply(name)
        if supply is None
        else examine_supply(supply, lines.capture.lines[name], sheet, lines.servo, restarts_s)
        for name, supply in supplies.items()
    }


def with_supplies(
    events: tuple[LossEvent, ...], supplies: Mapping[str, Supply | None]
) -> tuple[LossEvent, ...]:
    """Take back that a loss meets the limit where the supply may have failed in it."""
    return tuple([_doubted(event, supplies) for event in events])


def _doubted(event: LossEvent, supplies: Mapping[str, Supply | None]) -> LossEvent:
    if event.verdict is not Verdict.MEETS:
        return event
    for name, supply in supplies.items():
        why = sag_in(supply, name, event.case.loss)
        if why:
            return replace(event, verdict=Verdict.NOT_SHOWN, reason=why)
    return event


def sag_in(supply: Supply | None, name: str, loss: Loss) -> str:
    """Say why a supply line leaves open whether the supply failed in a loss; empty if not."""
    if supply is None:
        return Reason(
            f"The sheet names the supply line {format_line(name)}, and the recording "
            "does not hold it.",
            "Record it as well.",
        )
    if supply.trouble:
        return supply.trouble
    if supply.fails(loss.earliest_s - BEFORE_S, loss.back_s):
        return Reason(
            f"{_format_sag(supply, loss.earliest_s - BEFORE_S, loss.back_s)} in this loss. A "
            "receiver that restarts looks the same.",
            "Mend the supply and record again.",
        )
    return ""


def _format_sag(supply: Supply, from_s: float, to_s: float) -> str:
    lowest_v = supply.lowest_v(from_s, to_s)
    if lowest_v is None:
        return "The supply sagged"
    return f"The supply sagged {'to' if supply.is_voltage else 'below'} {lowest_v:.2f} V"


def told_of(
    finding: Finding, restarts: Iterable[LossEvent], supplies: Mapping[str, Supply | None]
) -> Finding:
    """Say of restarts that the supply sagged then: that is a supply fault, no loss of radio."""
    for event in restarts:
        span_s = event.lost_s - BEFORE_S, event.recovered_s or event.lost_s
        for supply in supplies.values():
            if supply is not None and not supply.trouble and supply.fails(*span_s):
                sag = _format_sag(supply, *span_s)
                said = f"{finding.sentence} {sag}: a supply fault, not a loss of radio."
                return replace(finding, sentence=said)
    return finding
