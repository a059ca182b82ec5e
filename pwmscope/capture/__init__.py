"""From a file to a Capture: named lines of edges in picoseconds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.capture.formats import (
    FORMATS,
    PART,
    Format,
    Growing,
    clip,
    find_kind,
    follow_growing,
    load,
    parse_instant_s,
    parse_stated_s,
)
from pwmscope.capture.reader.hints import Hints, format_interval, format_rate, time_unit_in
from pwmscope.capture.reader.unpack import Observer, called, observed_by
from pwmscope.faces import at_first_use
from pwmscope.model import PS_PER_S, PS_PER_US, Capture, Line

if TYPE_CHECKING:
    from pwmscope.capture.columnar import has_time, read_frame, write_edges

__all__ = [
    "FORMATS",
    "PART",
    "PS_PER_S",
    "PS_PER_US",
    "Capture",
    "Format",
    "Growing",
    "Hints",
    "Line",
    "Observer",
    "called",
    "clip",
    "find_kind",
    "follow_growing",
    "format_interval",
    "format_rate",
    "has_time",
    "load",
    "observed_by",
    "parse_instant_s",
    "parse_stated_s",
    "read_frame",
    "time_unit_in",
    "write_edges",
]

__getattr__ = at_first_use(__name__, {"columnar": "has_time read_frame write_edges"})
"""What needs the columnar library, which is slow to import."""
