"""Findings as JSON data: schema 1, and the one way to write JSON text."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from enum import Enum
from typing import Any, Final

from pwmscope.capture import Capture
from pwmscope.errors import Reason, named
from pwmscope.findings import ChannelFindings, Finding, Findings, LossEvent

Json = Mapping[str, "Json"] | list["Json"] | str | float | int | bool | None


def json_text(data: Mapping[str, Json]) -> str:
    """Write plain data as JSON text, two spaces deep, ending in a line break.

    >>> print(json_text({"width_us": 1500.0}), end="")
    {
      "width_us": 1500.0
    }
    """
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def picked(thing: object | None, names: str) -> dict[str, Json]:
    """Give attributes of a thing as plain data, each under its own name; of nothing, nulls.

    >>> from pwmscope.model import Span
    >>> picked(Span(0.0, 1.5), "start_s end_s")
    {'start_s': 0.0, 'end_s': 1.5}
    """
    return {name: None if thing is None else _plain(getattr(thing, name)) for name in names.split()}


def _plain(value: Any) -> Json:  # noqa: ANN401 - that is the point
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    return str(value.value) if isinstance(value, Enum) else value


SCHEMA: Final = 1
_CONVENTION: Final = "name low_us neutral_us high_us source"
_LIMITS: Final = (
    "neutral_us overshoot_us jitter_us failsafe_s source excursion_us weapon_motion_s "
    "drive_motion_s"
)
_SUMMARY: Final = "median mean min max std"
_JITTER: Final = "rms peak_to_peak sampling_floor_rms"


def to_data(findings: Findings) -> dict[str, Json]:
    """Turn findings into plain data, following schema 1."""
    capture, laid = findings.capture, findings.alignment
    return {
        "schema": SCHEMA,
        "capture": {**capture_data(capture), "assumptions": list(findings.assumptions)},
        "limits": picked(findings.limits, _LIMITS),
        "recording": [finding_data(finding) for finding in findings.recording_findings],
        "channels": {name: _channel(c) for name, c in findings.channels.items()},
        **({"sensors": _sensors(findings)} if findings.sensors else {}),
        **({} if laid is None else {"plan": {"fits": laid.fits, **finding_data(laid.finding)}}),
    }


def _sensors(findings: Findings) -> dict[str, Json]:
    return {
        line: {
            **picked(sensor, "role of"),
            "findings": [finding_data(finding) for finding in sensor.findings],
        }
        for line, sensor in findings.sensors.items()
    }


def capture_data(capture: Capture) -> dict[str, Json]:
    """Say of a recording where it is from, its span, and how often it was sampled."""
    return picked(capture, "source start_s duration_s sample_interval_ps")


def to_json(findings: Findings) -> str:
    """Write findings as JSON text, two spaces deep, ending in a line break."""
    return json_text(to_data(findings))


def _channel(channel: ChannelFindings) -> dict[str, Json]:
    """Turn what was found about a line into plain data; one without servo pulses has no figures."""
    timing, travel, losses = channel.timing, channel.travel, channel.losses
    levels = {which: getattr(travel, which, None) for which in ("low", "high", "neutral")}
    at_us = {which: level and level.width_us for which, level in levels.items()}
    data: dict[str, Json] = {
        "pulses": channel.pulses if timing else 0,
        "convention": picked(channel.table.convention, _CONVENTION),
        "width_us": picked(travel and travel.width_us, _SUMMARY),
        "period_us": picked(timing and timing.period_us, _SUMMARY),
        **picked(timing, "frame_rate_hz"),
        "jitter_us": picked(timing and timing.width_jitter_us, _JITTER),
        "period_jitter_us": picked(timing and timing.period_jitter_us, _JITTER),
        "endpoints_us": {"low": at_us["low"], "high": at_us["high"]},
        "neutral_us": at_us["neutral"],
        **picked(travel, "neutral_offset_us outside_convention"),
        **picked(timing, "glitches missing_frames"),
        "inverted": channel.table.inverted if timing else None,
        "signal_loss": [event_data(event) for event in losses.events] if losses else [],
        "verdict": channel.verdict.value,
        "findings": [finding_data(finding) for finding in channel.findings] if timing else [],
    }
    return {**data, "notes": _notes(data, channel)}


def event_data(event: LossEvent) -> dict[str, Json]:
    """Turn one loss as one line shows it into plain data."""
    recovery = event.recovery
    jump_us = recovery.jump_us
    return {
        "lost_s": event.lost_s,
        "class": event.behaviour.value if event.behaviour else None,
        **picked(event, "settle_s settle_bounds_s recovered_s"),
        "settled_us": event.preset_us,
        **picked(event, "stop_s stop_bounds_s"),
        "marked": event.is_marked,
        "restart": event.is_restart,
        "moment": picked(event.moment, "known within_s last_following_s"),
        "phases": [
            {
                **picked(phase, "kind start_s end_s"),
                **({} if phase.level_us is None else {"level_us": phase.level_us}),
            }
            for phase in event.phases
        ],
        **picked(event, "verdict reason"),
        **({"to_do": event.reason.to_do} if isinstance(event.reason, Reason) else {}),
        "recovery": {
            "relink_s": recovery.relink_s,
            "jump": jump_us is not None,
            **({} if jump_us is None else {"jump_to_us": jump_us[1]}),
            **picked(recovery, "odd_pulses outside_convention"),
        },
        **picked(event, "known_from sentence"),
    }


def finding_data(finding: Finding) -> dict[str, Json]:
    """Turn one finding into plain data."""
    return {
        **picked(finding, "name value unit uncertainty limit verdict sentence"),
        **({"to_do": finding.to_do} if finding.to_do else {}),
        **picked(finding, "interval"),
        "evidence": [
            {
                **picked(span, "start_s end_s pulses"),
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
    if channel.travel is None or channel.losses is None:
        return {"line": channel.not_servo or ""}
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
        return named("The sample interval is not known. State the analyser's setting (`rate`).")
    if field == "jitter_us":
        return "The stick never stood still for long enough."
    if field in {"period_us", "period_jitter_us", "frame_rate_hz"}:
        return "Too few whole frames were seen outside loss spans."
    return "Too few pulses were measured outside loss spans."
