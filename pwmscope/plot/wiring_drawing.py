"""The bench as a drawing: what is plugged in where, as SVG and on Axes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Protocol
from xml.etree import ElementTree

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon, Rectangle

from pwmscope.bench import BenchChannel, BenchSheet, Feed, KeyPath, Ruling, Wiring, check_wiring
from pwmscope.errors import ArgumentError, format_given
from pwmscope.model import Verdict
from pwmscope.plot.style import (
    ALARM,
    BAND,
    GREY,
    INK,
    MARK,
    arrow,
    axes_on,
    box,
    broken_mark,
    document,
    dot,
    fill_lines,
    fit,
    open_mark,
    stroke,
    tag,
    words,
)

ROW: Final = 104.0
"""Height of a row in px."""


class PowerWire(StrEnum):
    """What the power wire of a device's cable does."""

    FEEDS = "feeds the receiver"
    TAKES = "takes power"
    LIFTED = "power pin lifted"
    NONE = "no power wire"
    IDLE = "feeds nothing"
    NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class Row:
    """One device with its cable."""

    device: BenchChannel  # The device
    feed: Feed | None  # The source on its cable, if there may be one
    probed: int | None  # The analyser's input on its line, counted from 1
    y: float  # Its middle in px


@dataclass(frozen=True, slots=True)
class Output:
    """One output of the receiver with the rows on it."""

    number: int | None  # As the sheet states it
    rows: tuple[Row, ...]  # The devices on it; more than one where it is shared
    y: float  # The middle of its pins in px, level with the first of its devices


def outputs_of(wiring: Wiring, top: float) -> tuple[Output, ...]:
    """Lay the devices out in rows, those on one output together, by its number."""
    sheet = wiring.sheet
    feeds = {feed.cable: feed for feed in wiring.feeds if feed.cable is not None}
    probed = {line: i for i, line in enumerate(sheet.analyser.lines, 1)}
    groups: dict[tuple[int, str], list[BenchChannel]] = {}
    for device in sheet.devices:
        number = device.output
        key = (number, "") if number is not None else (10**6, device.line)
        groups.setdefault(key, []).append(device)
    outputs = []
    middle = top + ROW / 2.0
    for (number, _), devices in sorted(groups.items(), key=lambda item: item[0][0]):
        rows = []
        for device in devices:
            line = device.line
            rows.append(Row(device, feeds.get(line), probed.get(line), middle))
            middle += ROW
        outputs.append(Output(number if number < 10**6 else None, tuple(rows), rows[0].y))
    return tuple(outputs)


def marks_of(wiring: Wiring) -> Mapping[KeyPath, tuple[tuple[int, Verdict], ...]]:
    """List the marks of each table of the sheet: the rule's number and its verdict."""
    marks: dict[KeyPath, tuple[tuple[int, Verdict], ...]] = {}
    for number, ruling in enumerate(wiring.rulings, 1):
        if ruling.verdict is not Verdict.MEETS:
            for path in ruling.at:
                marks[path] = (*marks.get(path, ()), (number, ruling.verdict))
    return marks


def format_supply(device: BenchChannel) -> str:
    """Say where a device's power comes from, as a note in its box."""
    sources = {"outside": "supply: its own", "receiver": "supply: the receiver's"}
    return sources.get(device.supplied_by or "", "supply: not stated")


def power_wire(row: Row) -> PowerWire:
    """Say what the power wire of a cable does."""
    device, feed = row.device, row.feed
    if feed is not None and feed.powers:
        return PowerWire.FEEDS
    if device.signal_and_ground_only:
        return PowerWire.NONE
    if feed is not None and feed.path[0] == "sources" and feed.powers is False:
        return PowerWire.LIFTED
    if device.supplied_by == "receiver" or device.stall_a or device.draws_a:
        return PowerWire.TAKES
    if feed is None or feed.powers is None:
        return PowerWire.NOT_STATED
    return PowerWire.IDLE


def format_power(row: Row) -> str:
    """Write what the power wire of a cable does, as a note on the wire."""
    wire = power_wire(row)
    if wire is PowerWire.FEEDS:
        volts = None if row.feed is None else row.feed.voltage_v
        return wire.value if volts is None else f"{wire.value}, {volts:g} V"
    if wire is PowerWire.TAKES:
        device = row.device
        current_a = device.draws_a if device.stall_a is None else device.stall_a
        return f"takes {'power' if current_a is None else f'up to {current_a:g} A'}"
    return wire.value


LEFT: Final = 30.0
SIDE: Final = 270.0
"""Width of the boxes on the left."""
RECEIVER_X: Final = 390.0
"""Left edge of the receiver."""
TOP: Final = 160.0
"""Upper edge of transmitter and receiver."""
_SMALL: Final = 12.0
_STEP: Final = 18.0
_TRANSMITTER: Final = 102.0
_SOURCE: Final = 96.0
_STATES: Final = {True: "POWERS THE RECEIVER", False: "not connected", None: "not stated"}
_SOURCE_BORDERS: Final = {True: (4.0, ""), False: (1.5, "7 4"), None: (1.5, "2 4")}
_GROUND: Final = {
    True: "ground connected first",
    False: "ground connected after the inputs",
    None: "when its ground comes: not stated",
}


def source_y(index: int) -> float:
    """Return the upper edge of a source's box, by its place in the sheet."""
    return TOP + _TRANSMITTER + 46.0 + index * (_SOURCE + 14.0)


def analyser_y(wiring: Wiring) -> float:
    """Return the upper edge of the analyser's box."""
    return source_y(max(1, len(wiring.sheet.sources))) + 10.0


def link_texts(device: str, protocol: str, band: str) -> list[str]:
    """Tell what stands at an end of the radio link."""
    return [
        device or "device not stated",
        protocol or "protocol not stated",
        band or "band not stated",
    ]


def draw_equipment(wiring: Wiring) -> tuple[list[str], float]:
    """Draw transmitter, sources and analyser."""
    transmitter = wiring.sheet.transmitter
    middle = (LEFT + SIDE + RECEIVER_X) / 2.0
    texts = link_texts(transmitter.device, transmitter.protocol, transmitter.band)
    y = TOP + _TRANSMITTER / 2.0
    parts = [
        *_box_of_texts(TOP, _TRANSMITTER, "Transmitter", texts),
        stroke([(LEFT + SIDE, y), (RECEIVER_X, y)], dash="1 5", colour=GREY),
        words(middle, y - 8.0, "radio", size=11, anchor="middle", fill=GREY),
        words(LEFT, source_y(0) - 14.0, "Sources in [sources]", weight="bold"),
    ]
    stated = [feed for feed in wiring.feeds if feed.path[0] == "sources"]
    if not stated:
        note = ["a device that feeds: see its cable"]
        parts += _box_of_texts(source_y(0), 60.0, "none stated", note)
    in_conflict = wiring.answer.verdict is Verdict.DOES_NOT_MEET
    for i, feed in enumerate(stated):
        parts += _source(wiring, feed, source_y(i), in_conflict=in_conflict and bool(feed.powers))
    texts = _analyser_texts(wiring)
    top, height = analyser_y(wiring), 42.0 + _STEP * len(texts)
    y = top + height - 18.0
    dash = "2 4" if wiring.sheet.analyser.ground_first is None else ""
    parts += [
        *_box_of_texts(top, height, "Analyser", texts),
        stroke([(LEFT + SIDE, y), (RECEIVER_X, y)], width=2.5, dash=dash),
        words(middle, y - 8.0, "ground", size=11, anchor="middle"),
    ]
    return parts, top + height


def _source(wiring: Wiring, feed: Feed, y: float, *, in_conflict: bool) -> Iterator[str]:
    source = wiring.sheet.sources[feed.path[1]]
    border, dash = _SOURCE_BORDERS[feed.powers]
    yield box(LEFT, y, SIDE, _SOURCE, border=border, dash=dash)
    volts = "voltage not stated" if feed.voltage_v is None else f"{feed.voltage_v:g} V"
    amps = "current not stated" if feed.continuous_a is None else f"{feed.continuous_a:g} A"
    where = f"on the cable of {source.cable}" if source.cable else "on a cable of its own"
    texts = (f"{volts}, {amps}", f"{where}{f' ({source.kind})' * bool(source.kind)}")
    yield words(LEFT + 12.0, y + 22.0, fit(source.name, SIDE - 100.0), weight="bold")
    for i, text in enumerate(texts):
        said = fit(text, SIDE - 24.0, _SMALL)
        yield words(LEFT + 12.0, y + 42.0 + _STEP * i, said, size=_SMALL)
    weight = "bold" if feed.powers else "normal"
    yield words(LEFT + 12.0, y + 84.0, _STATES[feed.powers], size=_SMALL, weight=weight)
    if source.cable is None:
        yield from _own_cable(y + _SOURCE / 2.0, feed.powers, in_conflict=in_conflict)


def _own_cable(y: float, powers: bool | None, *, in_conflict: bool) -> Iterator[str]:
    """Draw the power wire of a source that comes on a cable of its own."""
    start, end = LEFT + SIDE, RECEIVER_X
    if powers:
        yield stroke([(start, y), (end - 12.0, y)], width=5.0)
        yield arrow(end, y, 1, long=16.0)
        if in_conflict:
            yield words(start + 8.0, y - 12.0, "CONFLICT", size=11, weight="bold", fill=ALARM)
        return
    middle = (start + end) / 2.0
    dash = "" if powers is False else "2 4"
    yield stroke([(start, y), (middle - 12.0, y)], width=2.0, dash=dash)
    yield stroke([(middle + 12.0, y), (end, y)], width=2.0, dash=dash)
    sign = "×" if powers is False else "?"
    yield words(middle, y + 5.0, sign, size=16, weight="bold", anchor="middle")


def _box_of_texts(y: float, height: float, title: str, texts: list[str]) -> Iterator[str]:
    yield box(LEFT, y, SIDE, height)
    yield words(LEFT + 12.0, y + 22.0, title, weight="bold")
    for i, text in enumerate(texts):
        said = fit(text, SIDE - 24.0, _SMALL)
        yield words(LEFT + 12.0, y + 44.0 + _STEP * i, said, size=_SMALL)


def _analyser_texts(wiring: Wiring) -> list[str]:
    analyser = wiring.sheet.analyser
    takes = "not stated" if analyser.input_v is None else f"{analyser.input_v:g} V"
    texts = [analyser.device or "device not stated", f"inputs take: {takes}"]
    if analyser.divider_ohm is not None:
        texts.append("a divider of {:g} and {:g} ohm".format(*analyser.divider_ohm))
    if analyser.shifted_v is not None:
        texts.append(f"a level shifter to {analyser.shifted_v:g} V")
    texts += [f"input {i}: {line}" for i, line in enumerate(analyser.lines, 1)]
    if not analyser.lines:
        texts.append("lines: not stated")
    return [*texts, _GROUND[analyser.ground_first]]


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
        yield stroke(_way(output, row, 0), width=2.5)
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
    yield tag(PINS_X + 165.0, end, format_power(row))


def conflict_sign(output: Output) -> Iterator[str]:
    """Write at each wire that powers the receiver that it is not the only one."""
    for row in output.rows:
        if power_wire(row) is PowerWire.FEEDS:
            yield words(
                DEVICE_X - 8.0, row.y - 7.0, "CONFLICT", size=11, weight="bold", anchor="end",
                fill=ALARM,
            )  # fmt: skip


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


WIDTH: Final = 1200.0
_RIGHT: Final = WIDTH - LEFT
_ROWS: Final = TOP + 140.0
_DEVICE: Final = 84.0
"""Height of a device's box in px."""
_BORDERS: Final = {
    Verdict.MEETS: (1.5, ""),
    Verdict.DOES_NOT_MEET: (5.0, ""),
    Verdict.NOT_SHOWN: (2.0, "7 4"),
}


def draw_wiring(wiring: Wiring) -> str:
    """Draw a bench's wiring.

    Names from the sheet are escaped and cut to their boxes.

    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench import check_wiring
    >>> draw_wiring(check_wiring(parse_sheet("robot = 'Quince'")))[:4]
    '<svg'
    """
    outputs = outputs_of(wiring, _ROWS)
    rows = [row for output in outputs for row in output.rows]
    equipment, equipment_end = draw_equipment(wiring)
    bottom = max(_ROWS + ROW * len(rows) + 10.0, equipment_end)
    parts = [*_banner(wiring), *equipment, *_receiver(wiring, outputs, bottom)]
    in_conflict = wiring.answer.verdict is Verdict.DOES_NOT_MEET
    for output in outputs:
        parts += draw_cables(output)
        if in_conflict:
            parts += conflict_sign(output)
    for row in rows:
        parts += _device(row)
    parts += _marks(wiring, rows)
    parts += draw_legend(bottom + 44.0)
    told, height = _told(wiring, bottom + 138.0)
    robot = wiring.sheet.robot or "a robot"
    return document(WIDTH, height, f"Wiring of {robot}", wiring_alt(wiring), [*parts, *told])


def wiring_alt(wiring: Wiring) -> str:
    r"""Tell the drawing to someone who cannot see it.

    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench import check_wiring
    >>> sheet = parse_sheet("[channels.RX3]\nrole = 'weapon'\nfeeds_5v = true\noutput = 3")
    >>> wiring_alt(check_wiring(sheet))[59:93]
    'RX3 (weapon) is plugged into outpu'
    """
    parts = [wiring.answer.sentence]
    for device in wiring.sheet.devices:
        number = device.output
        where = "an output that is not stated" if number is None else f"output {number}"
        parts.append(f"{device.line} ({device.device or device.role}) is plugged into {where}.")
    for number, ruling in _open(wiring):
        parts.append(f"Mark {number}, {ruling.verdict.value}: {ruling.sentence}")
    return " ".join(parts)


def _open(wiring: Wiring) -> list[tuple[int, Ruling]]:
    """List the rulings that are not met, then those not shown, each with its rule's number."""
    numbered = enumerate(wiring.rulings, 1)
    found = [(number, r) for number, r in numbered if r.verdict is not Verdict.MEETS]
    return sorted(found, key=lambda item: item[1].verdict is Verdict.NOT_SHOWN)


def _mark(x: float, y: float, number: int, verdict: Verdict) -> str:
    return (broken_mark if verdict is Verdict.DOES_NOT_MEET else open_mark)(x, y, number)


def _marks(wiring: Wiring, rows: list[Row]) -> Iterator[str]:
    """Draw each table's marks in the upper right corner of its box."""
    corners: dict[KeyPath, tuple[float, float]] = {
        ("transmitter",): (LEFT + SIDE, TOP),
        ("receiver",): (PINS_X, TOP),
        ("analyser",): (LEFT + SIDE, analyser_y(wiring)),
    }
    for i, name in enumerate(wiring.sheet.sources):
        corners["sources", name] = (LEFT + SIDE, source_y(i))
    for row in rows:
        corners["channels", row.device.line] = (_RIGHT, row.y - _DEVICE / 2.0)
    for path, marks in marks_of(wiring).items():
        x, y = corners[path]
        for i, (number, verdict) in enumerate(marks):
            yield _mark(x - 22.0 - i * 2.5 * MARK, y + 19.0, number, verdict)


def _banner(wiring: Wiring) -> Iterator[str]:
    answer, robot = wiring.answer, wiring.sheet.robot
    title = f"Wiring of {robot}, as its bench sheet states it" if robot else "Wiring by the sheet"
    yield words(LEFT, 42.0, fit(title, _RIGHT - LEFT, 20.0), size=20, weight="bold")
    border, dash = _BORDERS[answer.verdict]
    yield box(LEFT, 60.0, _RIGHT - LEFT, 64.0, border=border, dash=dash, fill=BAND)
    x = LEFT + 18.0
    if answer.verdict is not Verdict.MEETS:
        yield _mark(LEFT + 30.0, 92.0, 1, answer.verdict)
        x += 38.0
    yield words(x, 97.0, answer.verdict.value.upper(), size=14, weight="bold")
    x += 90.0 if answer.verdict is Verdict.MEETS else 150.0
    lines = fill_lines(answer.sentence, _RIGHT - 16.0 - x, 14.0, 2)
    for i, line in enumerate(lines):
        yield words(x, 97.0 + 20.0 * (i - 0.5 * (len(lines) - 1)), line, size=14)


def _receiver(wiring: Wiring, outputs: tuple[Output, ...], bottom: float) -> Iterator[str]:
    receiver = wiring.sheet.receiver
    yield box(RECEIVER_X, TOP, PINS_X - RECEIVER_X, bottom - TOP, border=2.5, fill=BAND)
    yield words(RECEIVER_X + 12.0, TOP + 24.0, "Receiver", size=15, weight="bold")
    supply, signal_v = receiver.supply_v, receiver.signal_v
    takes = "supply: not stated" if supply is None else "supply: {:g} to {:g} V".format(*supply)
    level = "signal: not stated" if signal_v is None else f"signal: {signal_v:g} V"
    texts = [*link_texts(receiver.device, receiver.protocol, receiver.band), takes, level]
    for i, text in enumerate(texts):
        said = fit(text, PINS_X - RECEIVER_X - 24.0, 12.0)
        yield words(RECEIVER_X + 12.0, TOP + 46.0 + 18.0 * i, said, size=12)
    for output in outputs:
        yield from draw_pins(output)


def _device(row: Row) -> Iterator[str]:
    device, y = row.device, row.y
    yield box(DEVICE_X, y - _DEVICE / 2.0, _RIGHT - DEVICE_X, _DEVICE)
    x, room = DEVICE_X + 12.0, _RIGHT - DEVICE_X - 24.0
    yield words(x, y - 20.0, fit(f"{device.line}: {device.role}", room - 90.0), weight="bold")
    yield words(x, y + 3.0, fit(device.device or "device not stated", room, 12.0), size=12)
    yield words(x, y + 25.0, fit(format_supply(device), room, 12.0), size=12)


def _told(wiring: Wiring, top: float) -> tuple[list[str], float]:
    """Write what the marks mean; return it with the drawing's height."""
    open_ = _open(wiring)
    heading = (
        "What the marks say" if open_ else "Every wiring rule is met by what the sheet states."
    )
    parts, y = [words(LEFT, top, heading, size=14, weight="bold")], top + 32.0
    room = _RIGHT - LEFT - 44.0
    for number, ruling in open_:
        parts.append(_mark(LEFT + 16.0, y - 4.0, number, ruling.verdict))
        said = f"{ruling.verdict.value}, {ruling.name}: {ruling.sentence}"
        lines = fill_lines(said, room, 12.0)
        if ruling.verdict is Verdict.DOES_NOT_MEET:
            lines += fill_lines(f"Do: {ruling.advice}", room, 12.0)
        parts += [words(LEFT + 44.0, y + 18.0 * i, line, size=12) for i, line in enumerate(lines)]
        y += 18.0 * len(lines) + 14.0
    note = (
        "Drawn from the sheet, not from the wires. "
        "The event's rulebook and its safety officer decide."
    )
    parts.append(words(LEFT, y + 6.0, note, size=12, fill=GREY))
    return parts, y + 30.0


_PX_PER_IN: Final = 110.0
_WEIGHTS: Final = {"start": "left", "middle": "center", "end": "right"}


class SheetResult(Protocol):
    """What holds a bench sheet, as `pwmscope.analyse` gives it."""

    @property
    def sheet(self) -> BenchSheet | None:
        """The sheet."""


def wiring(result: Wiring | BenchSheet | SheetResult, *, ax: Axes | None = None) -> Axes:
    """Draw the wiring of a bench as its sheet states it, with what the wiring rules say.

    Parameters
    ----------
    result : Wiring, BenchSheet, or what has a bench sheet as ``sheet``
        Such as what `pwmscope.analyse` gives where it was given a sheet.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        In the drawing's own units; it has no ticks.

    Raises
    ------
    ArgumentError
        If it is something else, or has no sheet.

    Examples
    --------
    >>> import pwmscope
    >>> axes = wiring(pwmscope.load_sheet("captures/bench.toml"))
    >>> axes.texts[0].get_text()
    'Wiring of Quince, as its bench sheet states it'
    """
    if not isinstance(result, Wiring):
        sheet = result if isinstance(result, BenchSheet) else getattr(result, "sheet", None)
        if not isinstance(sheet, BenchSheet):
            expected = "a bench sheet, its wiring, or an analysis with a sheet"
            raise ArgumentError("result", format_given(result), expected)
        result = check_wiring(sheet)
    root = ElementTree.fromstring(draw_wiring(result))  # our own text, from the line above
    wide, high = float(root.attrib["width"]), float(root.attrib["height"])
    size_in = wide / _PX_PER_IN, high / _PX_PER_IN
    ax = axes_on(ax, size_in, (0.0, 0.0, *size_in))
    ax.set_xlim(0.0, wide)
    ax.set_ylim(high, 0.0)
    ax.set_aspect("equal")
    ax.set_axis_off()
    # A px of the drawing in points of the figure, so that letters keep to their boxes.
    scale = ax.get_window_extent().width / ax.figure.dpi * 72.0 / wide
    for order, element in enumerate(root):
        _draw(ax, element.tag.rpartition("}")[2], element, scale, order)
    return ax


def _draw(axes: Axes, kind: str, element: ElementTree.Element, scale: float, order: int) -> None:
    """Draw one of the few elements that the drawing is built of."""
    given = element.attrib
    look: dict[str, Any] = {
        "facecolor": given.get("fill", "none"),
        "edgecolor": given.get("stroke", "none"),
        "linewidth": float(given.get("stroke-width", 0.0)) * scale,
        "linestyle": _dash(given),
        "zorder": 1 + order,
    }
    if kind == "rect":
        corner = float(given.get("x", 0.0)), float(given.get("y", 0.0))
        size = float(given["width"]), float(given["height"])
        axes.add_patch(Rectangle(corner, *size, **look))
    elif kind == "circle":
        axes.add_patch(Circle((float(given["cx"]), float(given["cy"])), float(given["r"]), **look))
    elif kind == "polygon":
        axes.add_patch(Polygon(_points(given), **look))
    elif kind == "polyline":
        x, y = zip(*_points(given), strict=True)
        axes.plot(
            x, y, color=given["stroke"], linewidth=look["linewidth"], linestyle=look["linestyle"],
            zorder=look["zorder"],
        )  # fmt: skip
    elif kind == "text":
        axes.text(
            float(given["x"]), float(given["y"]), element.text or "", color=given["fill"],
            fontsize=float(given["font-size"]) * scale, fontweight=given["font-weight"],
            ha=_WEIGHTS[given["text-anchor"]], va="baseline", zorder=look["zorder"],
            parse_math=False,
        )  # fmt: skip


def _points(given: Mapping[str, str]) -> list[tuple[float, float]]:
    pairs = (pair.split(",") for pair in given["points"].split())
    return [(float(x), float(y)) for x, y in pairs]


def _dash(given: Mapping[str, str]) -> str | tuple[float, tuple[float, ...]]:
    dashes = tuple(float(part) for part in given.get("stroke-dasharray", "").split())
    return (0.0, dashes) if dashes else "-"
