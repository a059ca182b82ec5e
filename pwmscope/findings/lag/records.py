"""The lines of a recording as delays take them."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Capture
from pwmscope.findings.record import Record
from pwmscope.findings.segmentation.dwells import find_dwells
from pwmscope.findings.servo_lines import find_servo_lines
from pwmscope.pulses import Convention


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a recording, each decoded once.

    Parameters
    ----------
    records : dict of str to Record
        Those with servo pulses, in the recording's order; no loss is taken out of them.
    others : dict of str to str
        The other lines, each with why it has none, as a sentence.
    notes : tuple of str
        What was assumed while decoding.
    """

    records: dict[str, Record]
    others: dict[str, str]
    notes: tuple[str, ...]


def read_lines(capture: Capture, convention: Convention | None = None) -> Lines:
    """Decode a recording's lines and find their frames and dwells.

    Parameters
    ----------
    capture : Capture
        The recording.
    convention : Convention, optional
        What all pulses are held against; by default chosen line by line.

    Returns
    -------
    Lines
    """
    lines = find_servo_lines(capture, convention=convention)
    records = {}
    for name, table in lines.servo.items():
        frames = lines.frames[name]
        limits = COMMON_PRACTICE.scaled(table.convention.span_us)
        records[name] = Record(table, frames, find_dwells(table, frames), (), limits)
    return Lines(records, lines.refused, lines.notes)
