"""What binding left behind: the link record and its channel map."""

from pwmscope.findings.link.link import (
    DEFINITIONS,
    PLUGS,
    ControlRow,
    LinkRecord,
    WrongPlug,
    examine_link,
)

__all__ = [
    "DEFINITIONS",
    "PLUGS",
    "ControlRow",
    "LinkRecord",
    "WrongPlug",
    "examine_link",
]
