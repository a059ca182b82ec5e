"""The wiring of a bench as a drawing: receiver, sources, devices, and what is not right with them.

Every meaning has a shape or a word besides its colour.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.bench.key_lines import KeyPath
from pwmscope.bench.wiring import Ruling, Wiring
from pwmscope.model.verdict import Verdict
from pwmscope.report.colours import BAND, GREY
from pwmscope.report.svg import (
    MARK,
    box,
    broken_mark,
    document,
    fill_lines,
    fit,
    open_mark,
    words,
)
from pwmscope.report.wiring_cables import (
    DEVICE_X,
    PINS_X,
    conflict_sign,
    draw_cables,
    draw_legend,
    draw_pins,
)
from pwmscope.report.wiring_equipment import (
    LEFT,
    RECEIVER_X,
    SIDE,
    TOP,
    analyser_y,
    draw_equipment,
    link_texts,
    source_y,
)
from pwmscope.report.wiring_rows import ROW, Output, Row, marks_of, outputs_of, say_supply

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

    Parameters
    ----------
    wiring : Wiring
        The sheet with what the rules say of it.

    Returns
    -------
    str
        One ``<svg>`` element with a title and a description in words. Names
        from the sheet are escaped and cut to their boxes.

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> from pwmscope.bench.wiring import check_wiring
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

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> from pwmscope.bench.wiring import check_wiring
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
    yield words(x, y + 25.0, fit(say_supply(device), room, 12.0), size=12)


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
