"""Which output follows which input, among all lines of a recording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pwmscope.findings.lag.content import find_content
from pwmscope.findings.lag.delay_findings import format_ms
from pwmscope.findings.lag.pairs import pair_by_content
from pwmscope.findings.lag.train import Train, train_of
from pwmscope.findings.segmentation import Record
from pwmscope.model import Finding, measured, not_shown


@dataclass(frozen=True, slots=True)
class Follow:
    """One line whose width is explained by another's.

    Parameters
    ----------
    source, output : str
        The two lines.
    late_us : float
        Median delay from leading edge to leading edge.
    unexplained : float
        Part of the output's variance that is left, 0 to 1.
    together : bool
        Whether the two lines' pulses overlap: then neither is made from the other, they
        carry the same command, or are one wire.
    """

    source: str
    output: str
    late_us: float
    unexplained: float
    together: bool


@dataclass(frozen=True, slots=True)
class Follows:
    """All pairs of lines of which one explains the other.

    Parameters
    ----------
    pairs : tuple of Follow
        In the recording's order of outputs, the best explanation first.
    findings : tuple of Finding
        One ``follows`` for each line that was asked about.
    """

    pairs: tuple[Follow, ...]
    findings: tuple[Finding, ...]


def find_follows(
    records: Mapping[str, Record], *, source: str | None = None, output: str | None = None
) -> Follows:
    """Find out which lines follow which.

    An output follows an input whose width explains it, at one delay only, and whose
    pulse has ended when the output's begins. Lines that carry the same command side by
    side, such as two outputs of one receiver that one stick moves, move together.

    Parameters
    ----------
    records : mapping of str to Record
        The lines in question.
    source, output : str, optional
        One of them, to ask only what follows it, or what it follows.

    Returns
    -------
    Follows
    """
    trains = {line: train for line, r in records.items() if (train := train_of(r)) is not None}
    pairs: list[Follow] = []
    asked = [line for line in records if output in {None, line}]
    for line in asked:
        sources = [name for name in trains if name != line and source in {None, name}]
        found = [_follow(trains[name], trains[line]) for name in sources if line in trains]
        pairs += sorted(
            (each for each in found if each is not None),
            key=lambda each: (each.together, each.unexplained),
        )
    told = tuple(
        _finding(line, [pair for pair in pairs if pair.output == line], trains)
        for line in asked
        if line != source
    )
    return Follows(tuple(pairs), told)


def _follow(source: Train, output: Train) -> Follow | None:
    content = find_content(source, output)
    if content is None or not (content.explained and content.resolved):
        return None
    pairs = pair_by_content(source, output, content)
    if not len(pairs):
        return None
    late_us = pairs.late_us(source, output)
    after_us = float(np.median(late_us - source.width_us[pairs.source]))
    ahead_us = float(np.median(late_us + output.width_us[pairs.output]))
    floor_us = max(source.interval_us or 0.0, output.interval_us or 0.0)
    if ahead_us < floor_us:
        return None
    return Follow(
        source.line,
        output.line,
        float(np.median(late_us)),
        content.unexplained,
        after_us < -floor_us,
    )


def _finding(line: str, pairs: list[Follow], trains: Mapping[str, Train]) -> Finding:
    if line not in trains:
        return not_shown("follows", "", f"{line} has too few servo pulses to follow any line.")
    if not pairs:
        why = (
            "no other line explains its width at one delay alone"
            if trains[line].moved
            else "its width did not move"
        )
        return not_shown(
            "follows", "",
            f"{line} is not shown to follow another line: {why}. With the weapon removed and the "
            "wheels off the ground, record the inputs too while one stick at a time moves from end "
            "to end.",
        )  # fmt: skip
    behind = [pair for pair in pairs if not pair.together]
    if not behind:
        names = " and ".join(pair.source for pair in pairs)
        return not_shown(
            "follows",
            "",
            f"{line} moves together with {names}: neither is shown to be made from the other.",
        )
    first = behind[0]
    others = "".join(
        f" So does it {other.source}, {format_ms(other.late_us)} late." for other in behind[1:]
    )
    return measured(
        "follows", first.source, "",
        f"{line} follows {first.source}, {format_ms(first.late_us)} late.{others}",
    )  # fmt: skip
