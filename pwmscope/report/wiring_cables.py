"""Pins and cables of a wiring drawing: ground, power and signal of each output."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.report.colours import ALARM, GREY, INK
from pwmscope.report.svg import arrow, dot, stroke, tag, words
from pwmscope.report.wiring_rows import ROW, Output, PowerWire, Row, power_wire, say_power

PINS_X: Final = 610.0
"""Right edge of the receiver, where the pins stand out."""
DEVICE_X: Final = 890.0
"""Left edge of the devices."""
_PITCH: Final = 26.0
"""Distance of two pins in px."""
_PIN: Final = 14.0
_BUS: Final = 30.0
"""Distance from the pins to where the first wire of a shared output branches."""


def draw_pins(output: Output) -> Iterator[str]:
    """Draw the three pins of an output with its number: ground, power, signal."""
    number = "output ?" if output.number is None else f"output {output.number}"
    yield words(PINS_X - 84.0, output.y + 4.0, number, size=12, anchor="end", weight="bold")
    for name, y in _wires(output.y):
        yield words(PINS_X - 8.0, y + 4.0, name, size=11, anchor="end")
        yield (
            f'<rect x="{PINS_X:g}" y="{y - _PIN / 2:g}" width="{_PIN:g}" height="{_PIN:g}" '
            f'fill="{INK if name == "ground" else "#ffffff"}" stroke="{INK}" stroke-width="1.5"/>'
        )
        if name == "power":
            yield words(PINS_X + _PIN / 2, y + 4.5, "+", size=13, weight="bold", anchor="middle")
        if name == "signal":
            yield words(PINS_X + _PIN / 2, y + 4.0, "S", size=10, weight="bold", anchor="middle")


def _wires(y: float) -> tuple[tuple[str, float], ...]:
    return (("ground", y - _PITCH), ("power", y), ("signal", y + _PITCH))


def draw_cables(output: Output) -> Iterator[str]:
    """Draw the cables from an output to each device on it."""
    for row in output.rows:
        yield from _ground(output, row)
        yield from _signal(output, row)
        yield from _power(output, row)
    if len(output.rows) > 1:
        for wire, (_, y) in enumerate(_wires(output.y)):
            yield dot(_bend(wire), y)
        by_splitter = all(row.device.splitter for row in output.rows)
        text = "splitter" if by_splitter else "shared, no splitter stated"
        yield tag(PINS_X + 150.0, output.y + ROW / 2.0, text)


def _way(output: Output, row: Row, wire: int) -> list[tuple[float, float]]:
    """Give the points of a wire from pin to device; it bends where the output is shared."""
    start, end = _wires(output.y)[wire][1], _wires(row.y)[wire][1]
    first = (PINS_X + _PIN, start)
    if start == end:
        return [first, (DEVICE_X, end)]
    return [first, (_bend(wire), start), (_bend(wire), end), (DEVICE_X, end)]


def _bend(wire: int) -> float:
    """Return where a wire of a shared output branches."""
    return PINS_X + _BUS + 11.0 * wire


def _ground(output: Output, row: Row) -> Iterator[str]:
    yield stroke(_way(output, row, 0), width=2.5)


def _signal(output: Output, row: Row) -> Iterator[str]:
    way = _way(output, row, 2)
    yield stroke(way, width=1.5, dash="8 3 2 3")
    yield arrow(DEVICE_X, way[-1][1], 1)
    if row.probed is not None:
        x, y = PINS_X + 150.0, way[-1][1]
        yield (
            f'<circle cx="{x:g}" cy="{y:g}" r="8" fill="#ffffff" stroke="{INK}" '
            'stroke-width="1.5"/>'
        )
        yield words(x, y + 4.0, str(row.probed), size=11, anchor="middle")
        yield words(x + 14.0, y + 16.0, "analyser", size=11, fill=GREY)


def _power(output: Output, row: Row) -> Iterator[str]:
    way, wire = _way(output, row, 1), power_wire(row)
    (x, y), end = way[0], way[-1][1]
    if wire is PowerWire.FEEDS:
        yield stroke([(x + 10.0, y), *way[1:]], width=5.0)
        yield arrow(x, y, -1, long=16.0)
    elif wire is PowerWire.LIFTED:
        # The wire ends beside its pin.
        yield stroke([(x + 26.0, y), *way[1:]], width=2.5)
        yield words(x + 13.0, y + 6.0, "×", size=18, weight="bold", anchor="middle")
    elif wire is PowerWire.NOT_STATED:
        yield stroke([(x + 24.0, y), *way[1:]], width=2.0, dash="2 4")
        if len(output.rows) == 1:
            yield words(x + 13.0, y + 5.0, "?", size=14, weight="bold", anchor="middle")
    elif wire is not PowerWire.NONE:
        yield stroke(way, width=2.5)
    if wire is PowerWire.TAKES:
        yield arrow(DEVICE_X, end, 1)
    yield tag(PINS_X + 165.0, end, say_power(row))


def conflict_sign(output: Output) -> Iterator[str]:
    """Write at each wire that powers the receiver that it is not the only one."""
    for row in output.rows:
        if power_wire(row) is PowerWire.FEEDS:
            yield words(
                DEVICE_X - 8.0,
                row.y - 7.0,
                "CONFLICT",
                size=11,
                weight="bold",
                anchor="end",
                fill=ALARM,
            )


def draw_legend(y: float) -> Iterator[str]:
    """Explain the lines, from left to right."""
    yield words(30.0, y, "How to read the cables", size=14, weight="bold")
    samples = (
        ("ground", 2.5, ""),
        ("power into the receiver", 5.0, ""),
        ("power to a device", 2.5, ""),
        ("not stated", 2.0, "2 4"),
        ("signal to a device", 1.5, "8 3 2 3"),
    )
    x = 30.0
    for text, width, dash in samples:
        left = x + 16.0 if text.startswith("power into") else x
        yield stroke([(left, y + 26.0), (x + 50.0, y + 26.0)], width=width, dash=dash)
        if text.startswith("power into"):
            yield arrow(x, y + 26.0, -1, long=16.0)
        if text.endswith("to a device"):
            yield arrow(x + 54.0, y + 26.0, 1)
        yield words(x + 62.0, y + 30.0, text, size=12)
        x += 84.0 + 8.0 * len(text)
    yield words(
        30.0,
        y + 56.0,
        "Filled triangle: the rule with that number is not met. Dashed circle: not shown by the "
        "sheet. Circle on a signal wire: an input of the analyser.",
        size=12,
    )
