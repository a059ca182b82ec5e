"""Findings as JSON data: schema 1, and the one way to write JSON text."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Final

from pwmscope.capture import Capture
from pwmscope.errors import Reason, named
from pwmscope.findings import ChannelFindings, Finding, Findings, LossEvent, Summary
from pwmscope.findings.timing import Jitter
from pwmscope.pulses import Convention

Json = Mapping[str, "Json"] | list["Json"] | str | float | int | bool | None


def json_text(data: Mapping[str, Json]) -> str:
    """Write plain data as JSON text, two spaces deep, ending in a line break.

    Examples
    --------
    >>> print(json_text({"width_us": 1500.0}), end="")
    {
      "width_us": 1500.0
    }
    """
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


SCHEMA: Final = 1


def to_data(findings: Findings) -> dict[str, Json]:
    """Turn findings into plain data, following schema 1."""
    capture = findings.capture
    return {
        "schema": SCHEMA,
        "capture": {**capture_data(capture), "assumptions": list(findings.assumptions)},
        "limits": asdict(findings.limits),
        "recording": [finding_data(finding) for finding in findings.recording_findings],
        "channels": {name: _channel(c) for name, c in findings.channels.items()},
        **({"sensors": _sensors(findings)} if findings.sensors else {}),
    }


def _sensors(findings: Findings) -> dict[str, Json]:
    return {
        line: {
            "role": sensor.role,
            "of": sensor.of,
            "findings": [finding_data(finding) for finding in sensor.findings],
        }
        for line, sensor in findings.sensors.items()
    }


def capture_data(capture: Capture) -> dict[str, Json]:
    """Say of a recording where it is from, its span, and how often it was sampled."""
    return {
        "source": capture.source,
        "start_s": capture.start_s,
        "duration_s": capture.duration_s,
        "sample_interval_ps": capture.sample_interval_ps,
    }


def to_json(findings: Findings) -> str:
    """Write findings as JSON text, two spaces deep, ending in a line break.

    Raises
    ------
    ValueError
        If a number is not finite, which would be a fault of pwmscope's own.
    """
    return json_text(to_data(findings))


def _channel(channel: ChannelFindings) -> dict[str, Json]:
    if channel.timing is None or channel.travel is None or channel.losses is None:
        return _not_servo(channel)
    timing, travel = channel.timing, channel.travel
    data: dict[str, Json] = {
        "pulses": channel.pulses,
        "convention": _convention(channel.table.convention),
        "width_us": _summary(travel.width_us),
        "period_us": _summary(timing.period_us),
        "frame_rate_hz": timing.frame_rate_hz,
        "jitter_us": _jitter(timing.width_jitter_us),
        "period_jitter_us": _jitter(timing.period_jitter_us),
        "endpoints_us": {
            "low": travel.low.width_us if travel.low else None,
            "high": travel.high.width_us if travel.high else None,
        },
        "neutral_us": travel.neutral.width_us if travel.neutral else None,
        "neutral_offset_us": travel.neutral_offset_us,
        "outside_convention": travel.outside_convention,
        "glitches": timing.glitches,
        "missing_frames": timing.missing_frames,
        "inverted": channel.table.inverted,
        "signal_loss": [event_data(event) for event in channel.losses.events],
        "verdict": channel.verdict.value,
        "findings": [finding_data(finding) for finding in channel.findings],
    }
    return {**data, "notes": _notes(data, channel)}


def _not_servo(channel: ChannelFindings) -> dict[str, Json]:
    empty = _summary(Summary(0, None, None, None, None, None))
    jitter = _jitter(Jitter(None, None, None))
    data: dict[str, Json] = {
        "pulses": 0,
        "convention": _convention(channel.table.convention),
        "width_us": empty,
        "period_us": empty,
        "frame_rate_hz": None,
        "jitter_us": jitter,
        "period_jitter_us": jitter,
        "endpoints_us": {"low": None, "high": None},
        "neutral_us": None,
        "neutral_offset_us": None,
        "outside_convention": None,
        "glitches": None,
        "missing_frames": None,
        "inverted": None,
        "signal_loss": [],
        "verdict": channel.verdict.value,
        "findings": [],
    }
    return {**data, "notes": {"line": channel.not_servo or ""}}


def _convention(convention: Convention) -> dict[str, Json]:
    return {
        "name": convention.name,
        "low_us": convention.low_us,
        "neutral_us": convention.neutral_us,
        "high_us": convention.high_us,
        "source": convention.source,
    }


def _summary(summary: Summary) -> dict[str, Json]:
    return {
        "median": summary.median,
        "mean": summary.mean,
        "min": summary.min,
        "max": summary.max,
        "std": summary.std,
    }


def _jitter(jitter: Jitter) -> dict[str, Json]:
    return {
        "rms": jitter.rms,
        "peak_to_peak": jitter.peak_to_peak,
        "sampling_floor_rms": jitter.sampling_floor_rms,
    }


def event_data(event: LossEvent) -> dict[str, Json]:
    """Turn one loss as one line shows it into plain data."""
    moment, recovery = event.moment, event.recovery
    jump_us = recovery.jump_us
    return {
        "lost_s": event.lost_s,
        "class": event.behaviour.value if event.behaviour else None,
        "settle_s": event.settle_s,
        "settle_bounds_s": _pair(event.settle_bounds_s),
        "recovered_s": event.recovered_s,
        "settled_us": event.preset_us,
        "stop_s": event.stop_s,
        "stop_bounds_s": _pair(event.stop_bounds_s),
        "marked": event.is_marked,
        "restart": event.is_restart,
        "moment": {
            "known": moment.known.value,
            "within_s": moment.within_s,
            "last_following_s": moment.last_following_s,
        },
        "phases": [
            {
                "kind": phase.kind.value,
                "start_s": phase.start_s,
                "end_s": phase.end_s,
                **({} if phase.level_us is None else {"level_us": phase.level_us}),
            }
            for phase in event.phases
        ],
        "verdict": event.verdict.value if event.verdict else None,
        "reason": event.reason,
        **({"to_do": event.reason.to_do} if isinstance(event.reason, Reason) else {}),
        "recovery": {
            "relink_s": recovery.relink_s,
            "jump": jump_us is not None,
            **({} if jump_us is None else {"jump_to_us": jump_us[1]}),
            "odd_pulses": recovery.odd_pulses,
            "outside_convention": recovery.outside_convention,
        },
        "known_from": event.known_from,
        "sentence": event.sentence,
    }


def _pair(bounds: tuple[float, float] | None) -> list[Json] | None:
    return None if bounds is None else list(bounds)


def finding_data(finding: Finding) -> dict[str, Json]:
    """Turn one finding into plain data."""
    return {
        "name": finding.name,
        "value": finding.value,
        "unit": finding.unit,
        "uncertainty": finding.uncertainty,
        "limit": finding.limit,
        "verdict": finding.verdict.value if finding.verdict else None,
        "sentence": finding.sentence,
        **({"to_do": finding.to_do} if finding.to_do else {}),
        "interval": list(finding.interval) if finding.interval else None,
        "evidence": [
            {
                "start_s": span.start_s,
                "end_s": span.end_s,
                "pulses": span.pulses,
                "first_pulse": span.first,
                "last_pulse": span.last,
            }
            for span in finding.evidence
        ],
    }


def _null_paths(data: Json, path: str = "") -> list[str]:
    """List every null outside ``findings``, as ``signal_loss[0].settle_s``."""
    if data is None:
        return [path]
    if isinstance(data, Mapping):
        return [
            found
            for key, value in data.items()
            if key != "findings"
            for found in _null_paths(value, f"{path}.{key}" if path else key)
        ]
    if isinstance(data, list):
        return [f for i, value in enumerate(data) for f in _null_paths(value, f"{path}[{i}]")]
    if isinstance(data, float) and not math.isfinite(data):
        raise ValueError(f"{path} is not finite")
    return []


def _notes(data: dict[str, Json], channel: ChannelFindings) -> dict[str, str]:
    """Give the reason for every null."""
    assert channel.travel is not None  # a servo channel has all three
    assert channel.losses is not None
    reasons = {
        "endpoints_us.low": channel.travel.reasons.get("low"),
        "endpoints_us.high": channel.travel.reasons.get("high"),
        "neutral_us": channel.travel.reasons.get("neutral"),
        "neutral_offset_us": channel.travel.reasons.get("neutral"),
    }
    for i, event in enumerate(channel.losses.events):
        for key, reason in event.reasons.items():
            reasons[f"signal_loss[{i}].{key}"] = reason
    notes = {path: reasons.get(path) or _reason(path) for path in _null_paths(data)}
    if not channel.losses.events:
        notes["signal_loss"] = channel.losses.finding.sentence
    return notes


def _reason(path: str) -> str:
    field = path.partition(".")[0]
    if path.endswith("sampling_floor_rms"):
        return named("The sample interval is not known. Give it with `rate`.")
    if field == "jitter_us":
        return "The stick never stood still for long enough."
    if field in {"period_us", "period_jitter_us", "frame_rate_hz"}:
        return "Too few whole frames were seen outside loss spans."
    return "Too few pulses were measured outside loss spans."
