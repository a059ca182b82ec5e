"""The failsafe check as data: the versioned JSON contract (docs/failsafe.schema.json)."""

from __future__ import annotations

from typing import Final

from pwmscope.errors import Reason
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import (
    Failsafe,
    FailsafeLine,
    InRecording,
    LeftOut,
    LossEvent,
    RotorInRecording,
    RotorLoss,
    link_states,
)
from pwmscope.findings.rotation import Motion
from pwmscope.model import Hazard
from pwmscope.report.actions import list_actions
from pwmscope.report.answer import MAX_ACTIONS, format_headline
from pwmscope.report.data import Json, capture_data, event_data, finding_data, json_text
from pwmscope.report.evidence import Evidence, format_left_out, format_reason
from pwmscope.report.failsafe_text import assumptions, overall_failsafe_sentence

SCHEMA: Final = 1


def failsafe_data(check: Failsafe) -> dict[str, Json]:
    """Turn a failsafe check into plain data, following schema 1.

    Parameters
    ----------
    check : Failsafe
        The check.

    Returns
    -------
    dict
        Only dicts, lists, strings, finite numbers, booleans and None.
    """
    sheet, evidence = check.sheet, Evidence(check, check.sheet)
    return {
        "schema": SCHEMA,
        "verdict": check.verdict.value,
        "headline": format_headline(evidence),
        "sentence": overall_failsafe_sentence(check),
        "hazards": [hazard_data(hazard) for hazard in check.hazards],
        "left_out": [left_out_data(left) for left in check.left_out],
        "actions": [action.sentence for action in list_actions(evidence)[:MAX_ACTIONS]],
        "limit": {"failsafe_s": check.limits.failsafe_s, "source": check.limits.source},
        "sheet": None if sheet is None else {"source": sheet.source, "robot": sheet.robot},
        "recordings": [
            {
                **capture_data(rec.lines.capture),
                "source": rec.source,
                "marker": rec.reference.line,
                "marker_kind": rec.reference.kind,
                "marker_late_s": rec.reference.late_s if rec.reference.line else None,
                "marker_polarity": rec.found.polarity.value if rec.found.polarity else None,
            }
            for rec in check.recordings
        ],
        "assumptions": list(assumptions(check)),
        "lines": [_line(line) for line in check.lines],
        "link_states": [
            {
                "state": cell.state.value,
                "line": cell.line,
                "verdict": None if cell.verdict is None else cell.verdict.value,
                "seen": cell.seen,
                "sentence": cell.sentence,
            }
            for cell in link_states(check)
        ],
    }


def failsafe_json(check: Failsafe) -> str:
    """Write a failsafe check as JSON text, two spaces deep, ending in a line break."""
    data = failsafe_data(check)
    return json_text(data)


def _line(line: FailsafeLine) -> dict[str, Json]:
    expected, trials = line.expected, line.trials
    band = expected.band
    motions = [(rec, m) for rec in line.seen_in if (m := rec.losses.motion) is not None]
    return {
        "line": line.line,
        "role": expected.role,
        "device": line.device,
        "verdict": None if line.verdict is None else line.verdict.value,
        "sentence": line.sentence,
        **({"to_do": to_do} if (to_do := _to_do(line)) else {}),
        "hazards": [hazard.sentence for hazard in line.hazards],
        "stop_range": None
        if band is None
        else {"low_us": band.low_us, "high_us": band.high_us, "source": band.source},
        "no_pulses_stop": expected.no_pulses_stop,
        "trials": {
            "meets": trials.meets,
            "does_not_meet": trials.fails,
            "not_shown": trials.not_shown,
            "failure_rate_below": trials.bound,
            "stop_s": None if trials.stop_s is None else list(trials.stop_s),
        },
        "findings": [
            {"source": rec.source, "finding": finding_data(finding)}
            for rec in line.seen_in
            for finding in rec.losses.findings
        ],
        "losses": [
            {
                "source": rec.source,
                "loss": event_data(event),
                "reasons": event.reasons,
                "alternatives": _causes_data(event),
            }
            for rec, event in line.losses
        ],
        **({"motion": [_motion(rec, motion) for rec, motion in motions]} if motions else {}),
    }


def _to_do(line: FailsafeLine) -> str:
    """Say what to do so that a line's failsafe is shown; empty where nobody knows, or it is."""
    if line.verdict is not Verdict.NOT_SHOWN:
        return ""
    reason = format_reason(line)
    return reason.to_do if isinstance(reason, Reason) else ""


def _motion(rec: InRecording, motion: Motion) -> dict[str, Json]:
    events = rec.losses.events if isinstance(rec, RotorInRecording) else ()
    own: list[dict[str, Json]] = [
        {
            "slowed_s": event.slowed_s,
            "again_s": event.again_s,
            "alternatives": _causes_data(event),
        }
        for event in events
    ] or [{} for _ in motion.stops]
    return {
        "source": rec.source,
        "line": motion.line,
        "stops": [
            {
                "lost_s": stop.lost_s,
                "verdict": stop.verdict.value,
                "reason": stop.reason,
                "slow_s": None if stop.slow_s is None else list(stop.slow_s),
                "before_per_minute": stop.before_per_minute,
                "silent_s": stop.silent_s,
                "below_per_minute": stop.below_per_minute,
                **more,
            }
            for stop, more in zip(motion.stops, own, strict=True)
        ],
    }


def _causes_data(event: LossEvent | RotorLoss) -> list[Json]:
    """Turn the alternative causes of one loss of one line into plain data."""
    return [
        {
            "cause": alternative.cause.value,
            "refuted": alternative.refuted,
            "ground": alternative.ground.value,
            "lines": list(alternative.lines),
            "at_s": alternative.at_s,
            "odds": alternative.odds,
            "losses": alternative.losses,
        }
        for alternative in event.alternatives
    ]


def hazard_data(hazard: Hazard) -> dict[str, Json]:
    """Turn a hazard into plain data."""
    return {
        "kind": hazard.kind.value,
        "lines": list(hazard.lines),
        "at_s": hazard.at_s,
        "width_us": hazard.width_us,
        "from_us": hazard.from_us,
        "times": hazard.times,
        "losses": hazard.losses,
        "source": hazard.source,
        "sentence": hazard.sentence,
        **({} if hazard.per_minute is None else {"per_minute": hazard.per_minute}),
    }


def left_out_data(left: LeftOut) -> dict[str, Json]:
    """Turn something that was left out into plain data."""
    return {
        "kind": left.kind.value,
        "what": left.what,
        "from_s": left.from_s,
        "to_s": left.to_s,
        "level_us": left.level_us,
        "weighs": left.weighs,
        "sentence": format_left_out(left),
    }
