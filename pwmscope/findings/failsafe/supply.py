"""What the recorded supply says of losses and restarts: one that sags may restart the receiver."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from pwmscope.bench import BenchSheet
from pwmscope.errors import Reason
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.losses import Loss
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
