"""What a finding's name means: its definition, formula and source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Definition:
    """How a finding is defined and worked out.

    Parameters
    ----------
    name : str
        The finding's name, as in `Finding.name`.
    meaning : str
        What it is and why a builder would ask, in plain sentences.
    formula : str
        How it is worked out, as one line of plain text.
    source : str
        The standard, with its clause, or the paper that the formula comes from;
        "common practice" for a fact of the trade, "own algorithm" for ours;
        "from memory" where it was written down without the document open.
    everyday : bool
        Whether builders ask for it; screens leave out what is not, unless asked for all.
    """

    name: str
    meaning: str
    formula: str
    source: str
    everyday: bool = True
