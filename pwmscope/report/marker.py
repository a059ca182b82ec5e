"""How late a marker is, as text and as data."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.capture import Capture
from pwmscope.findings import MarkerDelay
from pwmscope.report.data import capture_data, finding_data, json_text
from pwmscope.report.sentences import RULEBOOK

SCHEMA: Final = 1


def marker_paragraphs(found: MarkerDelay) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    delay, *others = found.findings
    said = "MARKER measured" if found.is_shown else "MARKER not shown"
    yield f"{said}: {delay.sentence}", [f"{f.name}: {f.sentence}" for f in others if found.is_shown]
    if found.keys:
        stated = [f"{key} = {value:g}" for key, value in found.keys.items()]
        yield "For [marker] in the sheet", stated
        yield "", ["Measure again with a low transmitter battery, or when the sensor is moved."]
    elif found.is_shown:
        yield "", ["A sheet cannot keep such a delay. Repeat the calibration, or fit a switch."]
    if found.unused:
        yield "Not used", list(found.unused)
    yield "", [RULEBOOK]


def marker_json(capture: Capture, found: MarkerDelay) -> str:
    """Write how late a marker is as JSON, following schema 1."""
    return json_text({
        "schema": SCHEMA,
        "capture": capture_data(capture),
        "line": found.marker.line,
        "kind": found.marker.kind,
        "off_s": found.offs_s.tolist(),
        "last_fresh_s": found.last_fresh_s.tolist(),
        "unused": list(found.unused),
        "findings": [finding_data(finding) for finding in found.findings],
        "keys": dict(found.keys),
    })  # fmt: skip
