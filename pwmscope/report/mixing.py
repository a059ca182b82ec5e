"""What was found about mixing as text, as data (docs/mixing.schema.json) and as pictures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from pwmscope.advice import Course, DrivePath, Hands, MixingAdvice, Straightness
from pwmscope.bench import CAUTIONS, Axis, Mode, StepSpan
from pwmscope.capture import Capture
from pwmscope.findings.mixing import MixFit, Mixing, Response
from pwmscope.model import COVERAGE, Finding, Verdict, format_line, format_list
from pwmscope.pulses import PulseTable
from pwmscope.report.data import capture_data, json_text, picked
from pwmscope.report.sentences import RULEBOOK

if TYPE_CHECKING:
    from pwmscope.plot import Picture

_UNPROVEN: Final = (
    "No change could be proven on these data. Record again: move each stick alone, slowly, from "
    "end to end."
)
_SAID: Final = {
    Verdict.MEETS: "It drives as wanted",
    Verdict.DOES_NOT_MEET: "It does not drive as wanted",
    Verdict.NOT_SHOWN: "Not shown",
}


def mixing_paragraphs(
    mixing: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None = None
) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    answer, *others = mixing.findings
    name = mixing.arrangement.name
    heading = _SAID[mixing.verdict] + (f": {name}" if name else "")
    doubtful = [f.name for f in others if f.limit and f.verdict is Verdict.NOT_SHOWN]
    heading += f"; {format_list(doubtful)} not shown." if doubtful else "."
    yield heading, [answer.sentence]
    if mixing.fit is not None:
        yield "Matrix", _matrix_rows(mixing.fit)
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


def _courses(paths: tuple[DrivePath, ...], straight: Straightness | None) -> list[str]:
    said = [path.sentence for path in paths]
    return said if straight is None else [*said, straight.sentence]


def _matrix_rows(fit: MixFit) -> list[str]:
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


def _told(way: MixingAdvice) -> list[str]:
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


SCHEMA: Final = 1


def mixing_data(
    capture: Capture, mixing: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None = None
) -> dict[str, Any]:
    """Turn the answer into plain data, following schema 1."""
    found = mixing.arrangement
    return {
        "schema": SCHEMA,
        "capture": capture_data(capture),
        "lines": {
            "outputs": [picked(o, "line side") for o in mixing.lines.outputs],
            "sticks": [picked(s, "line axis") for s in mixing.lines.sticks],
        },
        "verdict": str(mixing.verdict),
        "arrangement": picked(found, "name kind faults also reason"),
        "matrix": None if mixing.fit is None else _matrix(mixing.fit),
        "responses": _responses(mixing.responses),
        "findings": [_finding(finding) for finding in mixing.findings],
        "advice": [_advice(way) for way in ways],
        "course": None if course is None else _course(course),
        "assumptions": [*mixing.assumptions, *(course.assumptions if course else ())],
    }


def _course(course: Course) -> dict[str, Any]:
    straight = {"before": course.straight_before, "after": course.straight_after}
    return {
        **picked(course, "planned change"),
        "before": [_path(path) for path in course.before],
        "after": [_path(path) for path in course.after],
        "straight_line_error": {
            when: None if found is None else asdict(found) for when, found in straight.items()
        },
    }


def _path(path: DrivePath) -> dict[str, Any]:
    x_m, y_m, _ = path.pose[-1].tolist()
    return {
        **picked(path, "name seconds"),
        "ahead_m": x_m,
        "left_m": y_m,
        **picked(path, "turned_deg length_m sentence"),
    }


def mixing_json(
    capture: Capture, mixing: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None = None
) -> str:
    """Write the answer as JSON text, two spaces deep, ending in a line break."""
    return json_text(mixing_data(capture, mixing, ways, course))


def _matrix(fit: MixFit) -> dict[str, Any]:
    samples = fit.samples
    return {
        "axes": list(samples.axes),
        **picked(samples, "source delay_frames"),
        "frames": int(samples.time_s.size),
        "rows": [
            {
                **picked(output, "line side"),
                "per_half_travel": fit.matrix[at].tolist(),
                "uncertainty": fit.uncertainty[at].tolist(),
                "us": fit.matrix_us[at].tolist(),
                "rest_us": float(fit.offset_us[at]),
                "clips_low_us": fit.outputs[at].low_us,
                "clips_high_us": fit.outputs[at].high_us,
                "scatter_us": fit.outputs[at].scale_us,
            }
            for at, output in enumerate(samples.outputs)
        ],
    }


def _responses(responses: tuple[Response, ...]) -> list[dict[str, Any]]:
    return [asdict(response) for response in responses]


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        **picked(finding, "name value unit uncertainty limit verdict"),
        "evidence": [asdict(evidence) for evidence in finding.evidence],
        "sentence": finding.sentence,
    }


def _advice(way: MixingAdvice) -> dict[str, Any]:
    return {
        "needed": way.needed,
        "changes": [
            {**picked(change, "kind words place"), "line": change.line or None}
            for change in way.by_effort
        ],
        "predicted": {
            "name": way.proof.name,
            "as_wanted": way.proof.works,
            "per_half_travel": way.proof.fit.matrix.tolist(),
            "responses": _responses(way.proof.responses),
        },
    }


def mixing_pictures(
    course: Course | None,
    sticks: Mapping[Axis, PulseTable],
    end_s: float,
    *,
    mode: Mode = 2,
    steps: Sequence[StepSpan] = (),
) -> tuple[Picture, ...]:
    """Draw where the robot would go, before and after the advice, and the sticks."""
    from pwmscope.plot import draw_drive_path, draw_sticks  # noqa: PLC0415 - they draw

    pictures = []
    if course is not None:
        pictures.append(draw_drive_path(course.before, course.after, change=course.change))
    if sticks:
        pictures.append(draw_sticks(Hands.of(sticks, end_s), mode=mode, steps=tuple(steps)))
    return tuple(pictures)
