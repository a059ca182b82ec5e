"""Answers to one question each: mixing, lag, a link record, faults in stretches, a comparison."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import asdict, replace
from typing import Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pwmscope import __version__
from pwmscope.advice import Course, DrivePath, MixingAdvice, Straightness
from pwmscope.bench import CAUTIONS, LINK_CAUTIONS
from pwmscope.capture import Capture
from pwmscope.findings.comparison import (
    Change,
    ComparedRow,
    Comparison,
    FaultHunt,
    FaultKind,
    FaultRate,
    FaultRow,
)
from pwmscope.findings.freshness import FRESH
from pwmscope.findings.lag import Follows, Lag
from pwmscope.findings.link import PLUGS, LinkRecord, WrongPlug
from pwmscope.findings.mixing import MixFit, Mixing
from pwmscope.model import (
    COVERAGE,
    Finding,
    Verdict,
    format_line,
    format_list,
    format_plainly,
    format_s,
)
from pwmscope.report.data import Json, capture_data, finding_data, json_text, picked
from pwmscope.report.failsafe import hazard_data
from pwmscope.report.sentences import (
    RULEBOOK,
    format_few,
    format_value,
    print_section,
    print_table,
    print_wrapped,
    table_of,
)

SCHEMA: Final = 1
_CAPTURE: Final = "source duration_s sample_interval_ps"
FIXED: Final = (
    "An edge is timed at the first sample that shows it.",
    "The analyser's clock is taken to be right within 100 ppm (common practice).",
    "Delays are from leading edge to leading edge, over the whole recording; no signal loss is "
    "taken out.",
)
"""Assumptions behind every delay, beside those made while reading."""
_UNPROVEN: Final = (
    "No change could be proven on these data. Record again: move each stick alone, slowly, from "
    "end to end."
)
_SAID: Final = {
    Verdict.MEETS: "It drives as wanted",
    Verdict.DOES_NOT_MEET: "It does not drive as wanted",
    Verdict.NOT_SHOWN: "Whether it drives as wanted is not shown",
}


def print_lag(capture: Capture, lag: Lag, assumptions: tuple[str, ...], console: Console) -> None:
    """Print a delay: the answer, what it rests on, what is not shown, the assumptions."""
    print_wrapped(lag.answer.sentence, console, style="bold")
    evidence = [f for f in lag.findings[1:] if f.value is not None]
    print_section("Measured", [_said(finding) for finding in evidence], console)
    reasons: dict[str, list[str]] = {}
    for finding in lag.findings[1:]:
        if finding.value is None:
            reasons.setdefault(finding.sentence, []).append(finding.name)
    hidden = [f"{', '.join(names)}: {reason}" for reason, names in reasons.items()]
    print_section("Not shown, and why", hidden, console)
    _last(capture, assumptions, console)


def print_follows(
    capture: Capture, follows: Follows, assumptions: tuple[str, ...], console: Console
) -> None:
    """Print which lines follow which."""
    count = sum(finding.value is not None for finding in follows.findings)
    lines = f"{count} lines follow" if count > 1 else f"{'one' if count else 'no'} line follows"
    answer = f"In {capture.source} {lines} another."
    print_wrapped(answer, console, style="bold")
    for heading, shown in (("Measured", True), ("Not shown, and why", False)):
        told = [f.sentence for f in follows.findings if (f.value is not None) is shown]
        print_section(heading, told, console)
    _last(capture, assumptions, console)


def _said(finding: Finding) -> str:
    return f"{finding.name}, {format_value(finding)}: {finding.sentence}"


def _last(capture: Capture, assumptions: tuple[str, ...], console: Console) -> None:
    print_section("Assumed", [f"The recording is {capture.source}.", *assumptions], console)
    console.print()
    print_wrapped(RULEBOOK, console)


def lag_to_json(capture: Capture, lag: Lag, assumptions: tuple[str, ...]) -> str:
    """Write a delay as JSON text, following schema 1 of docs/lag.schema.json."""
    delay = lag.delay
    told: dict[str, Json] | None = None
    if delay is not None:
        told = {
            "by": "content" if lag.by_content else "edges",
            "pulses": int(delay.late_us.size),
            "median_us": delay.median_us,
            "least_us": delay.low_us,
            "greatest_us": delay.high_us,
            "interval_us": list(delay.interval_us),
            "uncertainty_us": delay.uncertainty_us,
            "frames_late": delay.frames if lag.by_content else None,
            "starts": delay.trigger.value,
        }
    return _json(capture, assumptions, {
        "input": lag.source,
        "output": lag.output,
        "mixed_with": list(lag.others),
        "delay": told,
        "findings": [finding_data(finding) for finding in lag.findings],
    })  # fmt: skip


def follows_to_json(capture: Capture, follows: Follows, assumptions: tuple[str, ...]) -> str:
    """Write which lines follow which as JSON text, following the same schema."""
    pairs: list[Json] = [
        {
            "input": pair.source,
            "output": pair.output,
            "delay_us": pair.late_us,
            "unexplained": pair.unexplained,
            "together": pair.side_by_side,
        }
        for pair in follows.pairs
    ]
    findings: list[Json] = [finding_data(finding) for finding in follows.findings]
    return _json(capture, assumptions, {"follows": pairs, "findings": findings})


def _json(capture: Capture, assumptions: tuple[str, ...], rest: dict[str, Json]) -> str:
    said: Json = {**picked(capture, _CAPTURE), "assumptions": list(assumptions)}
    return json_text({"schema": SCHEMA, "capture": said, **rest})


def link_headline(found: LinkRecord) -> str:
    """Say in one line what an inspector can act on."""
    judged = [f for f in found.findings if f.limit and f.verdict is found.verdict]
    if found.verdict is Verdict.MEETS:
        return "LINK meets"
    told = [_plugs(found.wrong_plugs) if f.name == PLUGS else f.name for f in judged]
    return f"LINK {found.verdict.value}: {', '.join(told)}"


def _plugs(wrong: tuple[WrongPlug, ...]) -> str:
    """Name the plugs that are wrong, and what to swap; the finding's name where none is known."""
    swapped = {frozenset({plug.line, plug.swap_with}) for plug in wrong if plug.swap_with}
    told = [f"{format_list(list(plug.controls))} on {format_line(plug.line)}" for plug in wrong]
    todo = [
        f"swap {' and '.join(sorted(format_line(line) for line in pair if line))}"
        for pair in sorted(swapped, key=sorted)
    ]
    todo += ["mix"] if any(plug.can_mix and not plug.swap_with for plug in wrong) else []
    if not told:
        return PLUGS
    return f"{', '.join(told)}{f' ({format_list(todo)})' if todo else ''}"


def link_paragraphs(found: LinkRecord) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    yield link_headline(found), [str(hazard) for hazard in found.hazards]
    if found.wrong_plugs:
        yield "What to do next", [plug.sentence for plug in found.wrong_plugs]
        yield "Before you change and try anything", [*LINK_CAUTIONS, *CAUTIONS]
    if found.rows:
        yield "Channel map", [row.sentence for row in found.rows]
    told = []
    for finding in found.findings:
        if finding.name == "channel map" and found.rows:
            continue
        verdict = f"{finding.verdict.value}. " if finding.limit and finding.verdict else ""
        told.append(f"{finding.name}: {verdict}{finding.sentence}")
    yield "Findings", told
    yield "Assumed", list(found.assumptions)
    yield "", [RULEBOOK]


def link_json(capture: Capture, found: LinkRecord) -> str:
    """Write a link record as JSON text, following schema 1."""
    return json_text({
        "schema": SCHEMA,
        "capture": capture_data(capture),
        "verdict": found.verdict.value,
        "mode": found.plan.mode,
        "map": [
            {
                **picked(row, "control line seen"),
                "moves": [picked(f, "line direction role device") for f in row.followers],
                **picked(row, "unsure sentence"),
            }
            for row in found.rows
        ],
        "wrong_plugs": [
            picked(plug, "line controls swap_with swaps can_mix sentence")
            for plug in found.wrong_plugs
        ],
        "hazards": [hazard_data(hazard) for hazard in found.hazards],
        "findings": [finding_data(finding) for finding in found.findings],
        "assumptions": list(found.assumptions),
        "headline": link_headline(found),
        "unseen_exchanges": [list(pair) for pair in found.unseen_exchanges],
    })  # fmt: skip


DIFFERS: Final = "≠"
HOW: Final = (
    f"Faults a minute, with the 95 % interval (Garwood). {DIFFERS} marks what differs from the "
    "first stretch. Equal rates would do so in 5 % of hunts at most. The test is the exact "
    "conditional binomial one, with Holm's correction."
)
_SEVERAL: Final = 3
_CAUTION: Final = (
    "Before the motors get power: weapon removed or locked, wheels up, robot tied down, eyes "
    "protected, battery watched. Probe 5 V servo pins only."
)


def hunt_answer(hunt: FaultHunt) -> str:
    """Say in one line which faults came more, or less, often than in the first stretch."""
    first = hunt.stretches[0].name
    if not hunt.compared:
        return "FAULTS not shown: no line carries servo pulses in two stretches"
    groups: dict[tuple[FaultKind, str, Change], list[str]] = {}
    for row, rate in hunt.differing:
        assert rate.change is not None  # what differs has one
        groups.setdefault((row.kind, rate.stretch.name, rate.change), []).append(row.line)
    if not groups:
        return f"FAULTS: no difference from {first} shown, in {hunt.compared} rates"
    told = [
        f"{change} {kind} on {_format_lines(lines)} in {name}"
        for (kind, name, change), lines in list(groups.items())[:_SEVERAL]
    ]
    more = f"; {len(groups) - _SEVERAL} more" if len(groups) > _SEVERAL else ""
    return f"FAULTS differ from {first}: {'; '.join(told)}{more}"


def _format_lines(lines: list[str]) -> str:
    return format_list([format_line(line) for line in sorted(lines)])


def print_hunt(hunt: FaultHunt, assumptions: tuple[str, ...], console: Console) -> None:
    """Print the answer, the cautions, the rates, what differs, and what is not shown."""
    print_wrapped(hunt_answer(hunt), console, style="bold")
    print_wrapped(_CAUTION, console)
    console.print()
    print_table(_rates_table(hunt), console)
    print_section(
        "What differs", [_difference(hunt, row, rate) for row, rate in hunt.differing], console
    )
    print_section("Not shown, and why", _not_shown(hunt), console)
    print_section("Assumed", list(assumptions), console)
    console.print()
    print_wrapped(HOW, console)
    print_wrapped(RULEBOOK, console)


def _rates_table(hunt: FaultHunt) -> Table:
    spans = [f"{format_line(s.name)}, {s.from_s:g} to {s.to_s:g} s" for s in hunt.stretches]
    rows = [(f"{format_line(row.line)}, {row.kind}", *map(_cell, row.rates)) for row in hunt.rows]
    return table_of(("", *spans), rows)


def _cell(rate: FaultRate) -> str:
    if rate.per_minute is None or rate.interval is None:
        return "not shown"
    mark = f" {DIFFERS}" if rate.change in (Change.MORE, Change.FEWER) else ""
    low, high = rate.interval
    return f"{rate.per_minute:.3g} ({low:.3g} to {high:.3g}){mark}"


def _difference(hunt: FaultHunt, row: FaultRow, rate: FaultRate) -> str:
    first, chance = row.rates[0], rate.chance or 0.0
    odds = "under 1 in a million" if chance < 1e-6 else f"{chance:.2g}"
    return (
        f"{format_line(row.line)}: {rate.count} {row.kind} in {format_s(rate.watched_s)} of "
        f"{rate.stretch.name}, {first.count} in {format_s(first.watched_s)} of "
        f"{hunt.stretches[0].name}. By chance: {odds}."
    )


def _not_shown(hunt: FaultHunt) -> list[str]:
    """Say where a rate is not known; only freezes and lost lines have such."""
    open_lines: dict[tuple[FaultKind, str], list[str]] = {}
    for row in hunt.rows:
        names = [rate.stretch.name for rate in row.rates if rate.per_minute is None]
        if names:
            open_lines.setdefault((row.kind, format_list(names)), []).append(row.line)
    why = {
        FaultKind.FREEZE: "The stick rested or moved slowly, or the link was frozen. "
        "Move the sticks briskly in every stretch.",
        FaultKind.GLITCH: "The signal was lost all the time.",
        FaultKind.RESTART: "The stretch has no length.",
    }
    return [
        f"{kind.capitalize()} on {_format_lines(lines)} in {name}: {why[kind]}"
        for (kind, name), lines in open_lines.items()
    ]


def hunt_json(capture: Capture, hunt: FaultHunt, assumptions: tuple[str, ...]) -> str:
    """Write a fault hunt as JSON text, following schema 1 of docs/stretches.schema.json."""
    return _json(capture, assumptions, {
        "answer": hunt_answer(hunt),
        "stretches": [picked(each, "name from_s to_s") for each in hunt.stretches],
        "faults": [
            {**picked(row, "line kind"), "rates": [_rate(rate) for rate in row.rates]}
            for row in hunt.rows
        ],
        "cautions": list(CAUTIONS),
    })  # fmt: skip


def _rate(rate: FaultRate) -> Json:
    ratio = rate.ratio

    def finite(value: float | None) -> float | None:
        return value if value is not None and math.isfinite(value) else None

    return {
        "stretch": rate.stretch.name,
        **picked(rate, "count watched_s per_minute"),
        "interval_per_minute": None if rate.interval is None else list(rate.interval),
        "ratio": None if ratio is None else finite(ratio.ratio),
        "ratio_low": None if ratio is None else ratio.low,
        "ratio_high": None if ratio is None else finite(ratio.high),
        **picked(rate, "chance change"),
    }


HOW_COMPARED: Final = (
    f"{DIFFERS} marks what differs from recording 1 by more than the uncertainty of both (95 %, "
    "JCGM 100). Without a mark the recordings show no difference, or no uncertainty is known."
)
"""How to read the marks."""
_TOLD: Final = 6


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison, what differs first."""
    for sentence in _comparison_sentences(comparison):
        print_wrapped(sentence, console, next_lines="    ")
    console.print()
    for number, source in enumerate(comparison.sources, start=1):
        console.print(Text(f"  {number}: {format_plainly(source)}"))
    for line in comparison.lines:
        console.print()
        print_table(
            _compared_table(line, [row for row in comparison.rows if row.line == line]), console
        )
    console.print()
    print_wrapped(HOW_COMPARED, console)


def _comparison_sentences(comparison: Comparison) -> Iterator[str]:
    """Say for each line what differs."""
    for line in comparison.lines:
        rows = [row for row in comparison.rows if row.line == line]
        names = [row.name for row in rows if row.is_different]
        hidden = [row.name for row in rows if row.is_shown_in_some and not row.is_different]
        aside = f" {len(hidden)} cannot be compared." if hidden else ""
        if not names:
            yield f"{format_line(line)}: none of {len(rows)} figures differs.{aside}"
            continue
        verb = "differs" if len(names) == 1 else "differ"
        counted = f"{len(names)} of {len(rows)} figures {verb}"
        yield f"{format_line(line)}: {counted}: {format_few(names, _TOLD)}.{aside}"
    shown_in_some = [row for row in comparison.rows if row.is_shown_in_some]
    hidden = list(dict.fromkeys(row.name for row in shown_in_some if not row.is_different))
    if hidden:
        yield f"Shown in some recordings only: {format_few(hidden, _TOLD)}."
    if any(row.name == FRESH for row in shown_in_some):
        yield (
            "Link freshness was not compared on every line. Move the sticks briskly from end to "
            "end in each recording."
        )


def _compared_table(line: str, rows: list[ComparedRow]) -> Table:
    cells = [
        (row.name, *map(_format_compared, row.findings, map(bool, row.differs))) for row in rows
    ]
    numbers = range(1, len(rows[0].findings) + 1)
    return table_of((format_line(line), *map(str, numbers)), cells, right=numbers)


def _format_compared(finding: Finding | None, differs: bool) -> str:
    """Write a finding's value as it stands in a comparison."""
    said = "–" if finding is None else format_value(replace(finding, interval=None))
    return f"{said} {DIFFERS}" if differs else said


def comparison_json(comparison: Comparison) -> str:
    """Write a comparison as JSON text (docs/comparison.schema.json)."""
    rows: list[Json] = [
        {
            **picked(row, "line name unit"),
            "findings": [None if f is None else finding_data(f) for f in row.findings],
            "differs": list(row.differs),
        }
        for row in comparison.rows
    ]
    return json_text({"schema": SCHEMA, "recordings": list(comparison.sources), "rows": rows})


def comparison_page(comparison: Comparison) -> str:
    """Write a comparison as HTML; names are words in it, whatever they hold."""
    from pwmscope.report.document import fill_page, template_text  # noqa: PLC0415 - slow to import

    lines: dict[str, list[tuple[str, list[tuple[str, bool]]]]] = {}
    for row in comparison.rows:
        pairs = zip(row.findings, row.differs, strict=True)
        cells = [(_format_compared(found, False), bool(differs)) for found, differs in pairs]
        lines.setdefault(format_line(row.line), []).append((row.name, cells))
    text = fill_page(
        "comparison.html.j2", {}, look=[template_text("look.css"), template_text("comparison.css")],
        sources=[format_plainly(source) for source in comparison.sources],
        sentences=list(_comparison_sentences(comparison)), how=HOW_COMPARED, differs_mark=DIFFERS,
        lines=list(lines.items()),
        rulebook=RULEBOOK.replace("one recording", f"{len(comparison.sources)} recordings"),
        version=__version__,
    )  # fmt: skip
    return text + "\n"


def mixing_paragraphs(
    mixing: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None = None
) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    answer, *others = mixing.findings
    name = mixing.arrangement.name
    heading = _SAID[mixing.verdict] + (f": {mixing.wrong or name}" if name else "")
    if mixing.verdict is Verdict.NOT_SHOWN and mixing.lines.is_into_mixer and mixing.fit:
        heading += f": {mixing.lines.the_mixer} mixes, behind the pins"
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
            done = {change.kind for change in needed[0].changes} if needed else set()
            yield "If you like, besides", _told(way, done)
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


def _told(way: MixingAdvice, done: Collection[str] = ()) -> list[str]:
    """Say what to change but for what is done already, and what the recorded data say of it."""
    proof = way.proof
    said = ", ".join(f"stick {r.stick}: the robot {r.motion}" for r in proof.responses)
    rows = "; ".join(
        f"{output.side} " + " ".join(f"{100.0 * value:+.0f} %" for value in row)
        for output, row in zip(proof.fit.samples.outputs, proof.fit.matrix, strict=True)
    )
    return [
        *(c.words for c in way.by_effort if c.kind not in done),
        f"Tried on the recorded data, this gives: {proof.name or 'not shown'} ({rows}); {said}. "
        "Record once more after the change.",
    ]


def mixing_json(
    capture: Capture, mixing: Mixing, ways: tuple[MixingAdvice, ...], course: Course | None = None
) -> str:
    """Write the answer as JSON text, following schema 1."""
    found = mixing.arrangement
    return json_text({
        "schema": SCHEMA,
        "capture": capture_data(capture),
        "lines": {
            "outputs": [picked(o, "line side") for o in mixing.lines.outputs],
            "sticks": [picked(s, "line axis") for s in mixing.lines.sticks],
        },
        "verdict": str(mixing.verdict),
        "arrangement": picked(found, "name kind faults also reason"),
        "matrix": None if mixing.fit is None else _matrix(mixing.fit),
        "responses": [asdict(response) for response in mixing.responses],
        "findings": [_finding(finding) for finding in mixing.findings],
        "advice": [_advice(way) for way in ways],
        "course": None if course is None else _course(course),
        "assumptions": [*mixing.assumptions, *(course.assumptions if course else ())],
    })  # fmt: skip


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
            "responses": [asdict(response) for response in way.proof.responses],
        },
    }
