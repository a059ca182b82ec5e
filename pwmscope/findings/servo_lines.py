"""The lines of a recording that carry servo pulses, and why the others do not."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.capture import Capture
from pwmscope.findings.other_lines import why_not_servo
from pwmscope.pulses import Convention, Frames, PulseTable, decode, find_frames, split_sum_trains


@dataclass(frozen=True, slots=True)
class ServoLines:
    """A recording decoded, its servo lines apart from the others."""

    capture: Capture  # The recording; PPM sum trains are split into their channels
    tables: dict[str, PulseTable]  # The pulses of every line but the marker, in the capture's order
    refused: dict[str, str]  # The lines without servo pulses, and why, as a sentence
    frames: dict[str, Frames]  # The frames of the servo lines

    @property
    def servo(self) -> dict[str, PulseTable]:
        """The pulses of the servo lines."""
        return {name: t for name, t in self.tables.items() if name not in self.refused}

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed while decoding, each a plain sentence."""
        return tuple(f"Line {name}: {note}" for name, t in self.tables.items() for note in t.notes)


def find_servo_lines(
    capture: Capture, marker: str | None = None, convention: Convention | None = None
) -> ServoLines:
    """Decode a recording and find its servo lines."""
    capture = split_sum_trains(capture)
    tables = {name: t for name, t in decode(capture, convention).items() if name != marker}
    refused = {
        name: why
        for name, t in tables.items()
        if (why := why_not_servo(t, capture.lines[name])) is not None
    }
    frames = {name: find_frames(t) for name, t in tables.items() if name not in refused}
    return ServoLines(capture, tables, refused, frames)
