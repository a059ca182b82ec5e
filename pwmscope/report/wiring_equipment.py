"""The boxes of a wiring drawing beside the receiver: transmitter, sources, analyser."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.bench.wiring import Feed, Wiring
from pwmscope.model.verdict import Verdict
from pwmscope.report.colours import ALARM, GREY
from pwmscope.report.svg import arrow, box, fit, stroke, words

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
_BORDERS: Final = {True: (4.0, ""), False: (1.5, "7 4"), None: (1.5, "2 4")}
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
    """Draw transmitter, sources and analyser.

    Parameters
    ----------
    wiring : Wiring

    Returns
    -------
    parts : list of str
    end : float
        Where they end, in px.
    """
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
    border, dash = _BORDERS[feed.powers]
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
