"""The answer about mixing for a terminal: the answer first, then matrix, advice, assumptions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.advice.drive import Path, Straightness
from pwmscope.advice.mixing import Advice, Course
from pwmscope.bench import CAUTIONS
from pwmscope.findings.mixing import MixFit, Mixing
from pwmscope.model import COVERAGE, Verdict, format_line, format_list
from pwmscope.report.sentences import RULEBOOK

_UNPROVEN: Final = (
    "No change could be proven on these data. Record again, move each stick alone, slowly, from "
    "end to end, and ask again."
)
_SAID: Final = {
    Verdict.MEETS: "It drives as wanted",
    Verdict.DOES_NOT_MEET: "It does not drive as wanted",
    Verdict.NOT_SHOWN: "Not shown",
}


def mixing_paragraphs(
    mixing: Mixing, ways: tuple[Advice, ...], course: Course | None = None
) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    answer, *others = mixing.findings
    name = mixing.arrangement.name
    heading = _SAID[mixing.verdict] + (f": {name}" if name else "")
    doubtful = [f.name for f in others if f.limit and f.verdict is Verdict.NOT_SHOWN]
    heading += f"; {format_list(doubtful)} not shown." if doubtful else "."
    yield heading, [answer.sentence]
    if mixing.fit is not None:
        yield "Matrix", _matrix(mixing.fit)
    if course is not None:
        yield (
            "Where the robot would go, half stick for a second each"
            if not course.planned
            else ("Where the robot would go in the plan's steps"),
            _courses(course.before, course.straight_before),
        )
    if others:
        yield "Further", [f"{finding.name}: {finding.sentence}" for finding in others]
    needed = [way for way in ways if way.needed]
    if needed:
        yield "Before you change and try anything", list(CAUTIONS)
        yield "What to change, the least effort first", _told(needed[0])
        if course is not None and course.after:
            yield "Where it would go then", _courses(course.after, course.straight_after)
        for way in needed[1:]:
            yield "Or instead, at another place", _told(way)
    if not needed and mixing.arrangement.pattern and mixing.verdict is Verdict.DOES_NOT_MEET:
        yield "What to change", [_UNPROVEN]
    for way in ways:
        if not way.needed:
            yield "If you like, besides", _told(way)
    assumed = (*mixing.assumptions, *(course.assumptions if course is not None else ()))
    if assumed:
        yield "Assumed", list(assumed)
    yield "", [RULEBOOK]


def _courses(paths: tuple[Path, ...], straight: Straightness | None) -> list[str]:
    said = [path.sentence for path in paths]
    return said if straight is None else [*said, straight.sentence]


def _matrix(fit: MixFit) -> list[str]:
    rows = [
        "Output for a stick at its end, 100 % being full travel of output and stick; ± about 95 %."
    ]
    for at, output in enumerate(fit.samples.outputs):
        cells = [
            f"{axis} {100.0 * value:+.1f} ± {100.0 * COVERAGE * doubt:.1f} %"
            for axis, value, doubt in zip(
                fit.samples.axes, fit.matrix[at], fit.uncertainty[at], strict=True
            )
        ]
        rest_us = float(fit.offset_us[at])
        rows.append(
            f"{output.side} ({format_line(output.line)}): {', '.join(cells)}; "
            f"{rest_us:.1f} us with the sticks at rest."
        )
    return rows


def _told(way: Advice) -> list[str]:
    proof = way.proof
    said = ", ".join(f"stick {r.stick}: the robot {r.motion}" for r in proof.responses)
    rows = "; ".join(
        f"{output.side} " + " ".join(f"{100.0 * value:+.0f} %" for value in row)
        for output, row in zip(proof.fit.samples.outputs, proof.fit.matrix, strict=True)
    )
    return [
        *(c.words for c in way.by_effort if way.needed or c.kind == "reduce travel"),
        f"Tried on the recorded data, this gives: {proof.name or 'not shown'} ({rows}); {said}. "
        "Record once more after the change.",
    ]
