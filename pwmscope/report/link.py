"""What a link record shows, as text and as data (docs/link.schema.json)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from pwmscope.bench import CAUTIONS, LINK_CAUTIONS
from pwmscope.capture import Capture
from pwmscope.findings.link import PLUGS, LinkRecord, WrongPlug
from pwmscope.model import Verdict, format_line, format_list
from pwmscope.report.data import capture_data, finding_data, json_text
from pwmscope.report.failsafe_data import hazard_data
from pwmscope.report.sentences import RULEBOOK

SCHEMA: Final = 1


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


def link_data(capture: Capture, found: LinkRecord) -> dict[str, Any]:
    """Turn a link record into plain data, following schema 1."""
    return {
        "schema": SCHEMA,
        "capture": capture_data(capture),
        "verdict": found.verdict.value,
        "mode": found.plan.mode,
        "map": [
            {
                "control": row.control,
                "line": row.line,
                "seen": row.seen,
                "moves": [
                    {
                        "line": f.line,
                        "direction": f.direction,
                        "role": str(f.role),
                        "device": f.device,
                    }
                    for f in row.followers
                ],
                "unsure": list(row.unsure),
                "sentence": row.sentence,
            }
            for row in found.rows
        ],
        "wrong_plugs": [
            {
                "line": plug.line,
                "controls": list(plug.controls),
                "swap_with": plug.swap_with,
                "swaps": list(plug.swaps),
                "can_mix": plug.can_mix,
                "sentence": plug.sentence,
            }
            for plug in found.wrong_plugs
        ],
        "hazards": [hazard_data(hazard) for hazard in found.hazards],
        "findings": [finding_data(finding) for finding in found.findings],
        "assumptions": list(found.assumptions),
        "headline": link_headline(found),
        "unseen_exchanges": [list(pair) for pair in found.unseen_exchanges],
    }


def link_json(capture: Capture, found: LinkRecord) -> str:
    """Write a link record as JSON text, two spaces deep, ending in a line break."""
    return json_text(link_data(capture, found))
