"""The answer about mixing as data: the versioned JSON contract (docs/mixing.schema.json)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from pwmscope.advice.drive import Path
from pwmscope.advice.mixing import Advice, Course
from pwmscope.capture import Capture
from pwmscope.findings.mixing import MixFit, Mixing, Response
from pwmscope.model import Finding
from pwmscope.report.data import json_text

SCHEMA: Final = 1


def mixing_data(
    capture: Capture, mixing: Mixing, ways: tuple[Advice, ...], course: Course | None = None
) -> dict[str, Any]:
    """Turn the answer into plain data, following schema 1."""
    found = mixing.arrangement
    return {
        "schema": SCHEMA,
        "capture": {
            "source": capture.source,
            "start_s": capture.start_s,
            "duration_s": capture.duration_s,
            "sample_interval_ps": capture.sample_interval_ps,
        },
        "lines": {
            "outputs": [{"line": o.line, "side": o.side} for o in mixing.lines.outputs],
            "sticks": [{"line": s.line, "axis": s.axis} for s in mixing.lines.sticks],
        },
        "verdict": str(mixing.verdict),
        "arrangement": {
            "name": found.name,
            "kind": None if found.kind is None else str(found.kind),
            "faults": [str(fault) for fault in found.faults],
            "also": list(found.also),
            "reason": found.reason,
        },
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
        "planned": course.planned,
        "change": course.change,
        "before": [_path(path) for path in course.before],
        "after": [_path(path) for path in course.after],
        "straight_line_error": {
            when: None if found is None else asdict(found) for when, found in straight.items()
        },
    }


def _path(path: Path) -> dict[str, Any]:
    x_m, y_m, _ = path.pose[-1].tolist()
    return {
        "name": path.name,
        "seconds": path.seconds,
        "ahead_m": x_m,
        "left_m": y_m,
        "turned_deg": path.turned_deg,
        "length_m": path.length_m,
        "sentence": path.sentence,
    }


def mixing_json(
    capture: Capture, mixing: Mixing, ways: tuple[Advice, ...], course: Course | None = None
) -> str:
    """Write the answer as JSON text, two spaces deep, ending in a line break."""
    data = mixing_data(capture, mixing, ways, course)
    return json_text(data)


def _matrix(fit: MixFit) -> dict[str, Any]:
    samples = fit.samples
    return {
        "axes": list(samples.axes),
        "source": samples.source,
        "delay_frames": samples.delay_frames,
        "frames": int(samples.time_s.size),
        "rows": [
            {
                "line": output.line,
                "side": output.side,
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
        "name": finding.name,
        "value": finding.value,
        "unit": finding.unit,
        "uncertainty": finding.uncertainty,
        "limit": finding.limit,
        "verdict": None if finding.verdict is None else str(finding.verdict),
        "evidence": [asdict(evidence) for evidence in finding.evidence],
        "sentence": finding.sentence,
    }


def _advice(way: Advice) -> dict[str, Any]:
    return {
        "needed": way.needed,
        "changes": [
            {
                "kind": change.kind,
                "words": change.words,
                "place": change.place,
                "line": change.line or None,
            }
            for change in way.by_effort
        ],
        "predicted": {
            "name": way.proof.name,
            "as_wanted": way.proof.works,
            "per_half_travel": way.proof.fit.matrix.tolist(),
            "responses": _responses(way.proof.responses),
        },
    }
