"""The definitions of all findings, by name."""

from __future__ import annotations

from typing import Final

from pwmscope.findings.definition import Definition

_ALL: Final[tuple[Definition, ...]] = ()

DEFINITIONS: Final[dict[str, Definition]] = {definition.name: definition for definition in _ALL}
"""In the order in which the findings are told."""
