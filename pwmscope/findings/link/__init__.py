"""What binding left behind: the link record and its channel map."""

from pwmscope.findings.link.link import DEFINITIONS, ControlRow, LinkRecord, examine_link
from pwmscope.findings.link.plugs import PLUGS, WrongPlug

__all__ = [
    "DEFINITIONS",
    "PLUGS",
    "ControlRow",
    "LinkRecord",
    "WrongPlug",
    "examine_link",
]
