"""A card for a test lead that stays in the robot: which plug goes to which analyser input."""

from __future__ import annotations

import textwrap
from typing import Final

from pwmscope.bench import CAUTIONS, SENSORS, BenchSheet
from pwmscope.model import format_list
from pwmscope.report.cards.plan import BEFORE, WIDTH, fill_card

_WIRE: Final = (
    "Each tap takes the signal wire of a plug through 1 kohm; it takes no power wire.",
    "One ground wire goes from the receiver's ground pin to the analyser's ground, and goes first.",
    "The 5 V pin stays free. Insulate every joint, and keep the lead away from motor wires.",
    "Twist each signal wire with ground. Bring all to one plug that is reached from outside.",
    "Record with the lead once at home. What differs with and without it is the lead's.",
)


def lead_rows(sheet: BenchSheet) -> list[tuple[str, str, str, str]]:
    r"""List input, line, receiver output and what is there, in the analyser's order of inputs.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
    >>> lead_rows(parse_sheet('[channels.RX3]\nrole = "weapon"\noutput = 3'))
    [('1', 'RX3', '3', 'weapon')]
    """
    marker = "" if sheet.marker is None else sheet.marker.line
    known = [*sheet.channels, *([marker] if marker else [])]
    lines = list(sheet.analyser.lines) or [
        line for line in known if line == marker or not sheet.channels[line].no_pin
    ]
    rows = []
    for number, line in enumerate(lines, 1):
        channel = sheet.channels.get(line)
        if channel is None:
            rows.append((str(number), line, "", "marker: not from the receiver"))
            continue
        output = "" if channel.output is None else str(channel.output)
        place = f"{channel.receiver} receiver: " if channel.receiver else ""
        if channel.role in SENSORS:
            place = "not from the receiver: "
        rows.append((str(number), line, output, f"{place}{channel.device or channel.role}"))
    return rows


def _needs(sheet: BenchSheet) -> tuple[str, ...]:
    """Say what is special about this robot's lead."""
    without = [channel.line for channel in sheet.devices if channel.no_pin]
    missing = f"No pin can be tapped for {format_list(without)}." if without else ""
    volts = sheet.receiver.signal_v
    level = "" if volts is None else f"A pulse on the signal pins has {volts:g} V."
    most = sheet.analyser.input_v
    limit = "" if most is None else f"The analyser's inputs take {most:g} V at most."
    return tuple(said for said in (level, limit, missing) if said)


def _title(sheet: BenchSheet) -> str:
    return f"Test lead{f' of {sheet.robot}' if sheet.robot else ''}"


def lead_text(sheet: BenchSheet) -> str:
    """Write the card as text: cautions, the wires, which plug goes to which input."""
    told = [BEFORE, *(_wrapped(caution) for caution in CAUTIONS), "", _title(sheet)]
    told += [_wrapped(said) for said in (*_WIRE, *_needs(sheet))]
    rows = [("input", "line", "output", "device"), *lead_rows(sheet)]
    wide = [max(len(row[k]) for row in rows) for k in range(4)]
    told.append("")
    told += [
        "  " + "  ".join(cell.ljust(wide[k]) for k, cell in enumerate(row)).rstrip() for row in rows
    ]
    return "\n".join([*told, "  ground first: receiver ground pin to analyser ground"]) + "\n"


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")


def lead_card(sheet: BenchSheet) -> str:
    """Write the card as one page of HTML."""
    return fill_card(
        "lead_card.html.j2",
        title=_title(sheet), before=BEFORE, cautions=CAUTIONS, wires=(*_WIRE, *_needs(sheet)),
        rows=lead_rows(sheet),
    )  # fmt: skip
