"""The lines of a recording as delays take them."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Capture
from pwmscope.findings.dwells import find_dwells
from pwmscope.findings.other_lines import why_not_servo
from pwmscope.findings.record import Record
from pwmscope.pulses import Convention, decode, find_frames, split_sum_trains


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
    capture = split_sum_trains(capture)
    records, others, notes = {}, {}, []
    for name, table in decode(capture, convention).items():
        notes += [f"Line {name}: {note}" for note in table.notes]
        why = why_not_servo(table, capture.lines[name])
        if why is not None:
            others[name] = why
            continue
        frames = find_frames(table)
        limits = COMMON_PRACTICE.scaled(table.convention.span_us)
        records[name] = Record(table, frames, find_dwells(table, frames), (), limits)
    return Lines(records, others, tuple(notes))
