"""What the devices did themselves after each loss, where rotation lines watch them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pwmscope.bench import COMMON_PRACTICE, BenchChannel, BenchSheet, Limits
from pwmscope.findings.failsafe.alternatives import Case
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.marker import Polarity, Reference
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.verdict import DIES_S
from pwmscope.findings.rotation import (
    LossMoment,
    Marks,
    Motion,
    Rotation,
    Rotor,
    examine_rotation,
    find_marks,
    judge_motion,
    limit_of,
    missing_motion,
)
from pwmscope.findings.segmentation import ServoLines
from pwmscope.pulses import STANDARD_SERVO


def measure_rotations(
    lines: ServoLines, sheet: BenchSheet | None, limits: Limits
) -> dict[str, Rotation]:
    """Measure the rotation lines that the bench sheet names and the recording holds."""
    if sheet is None:
        return {}
    found = {}
    for sensor in sheet.sensors:
        line = lines.capture.lines.get(sensor.line)
        if sensor.role != "rotation" or line is None or sensor.of is None:
            continue
        frames = lines.frames.get(sensor.of)
        marks = find_marks(line, sensor.edge, lines.capture.sample_interval_ps)
        found[sensor.line] = examine_rotation(
            _rotor(sensor, sheet, limits, marks),
            lines.servo.get(sensor.of),
            sheet.stop_band(sensor.of),
            (frames.usual_us if frames else None) or STANDARD_SERVO.period_us,
            lines.capture.source,
        )
    return found


def _rotor(sensor: BenchChannel, sheet: BenchSheet, limits: Limits, marks: Marks) -> Rotor:
    """Say what a rotor is held against: a weapon's limit, or a drive's."""
    of = sensor.of or ""
    limit_s, stated_s, usual_s = (
        (each.weapon_motion_s if sheet.channels[of].role == "weapon" else each.drive_motion_s)
        for each in (limits, sheet, COMMON_PRACTICE)
    )
    stands = "common practice; the rulebook decides"
    if limit_s != usual_s:
        stands = "as asked for; the rulebook decides"
        if limit_s == stated_s:
            stands = f"limit of {sheet.rulebook or 'the bench sheet'}"
    return Rotor(
        sensor.line, of, marks, sensor.marks_per_turn, sensor.slow_per_minute, limit_s, stands
    )


def motions_of(
    events: Mapping[str, tuple[LossEvent, ...]],
    rotations: Mapping[str, Rotation],
    reference: Reference,
    limits: Limits,
    polarity: Polarity | None,
) -> dict[str, Motion]:
    """Judge what the rotor of each device did after each loss, by the device's line."""
    sheet, found = reference.sheet, {}
    for sensor in () if sheet is None else sheet.sensors:
        of = sensor.of
        if sheet is None or of is None or of not in events:
            continue
        losses = [event for event in events[of] if not event.is_restart]
        rotation = rotations.get(sensor.line)
        if rotation is not None:
            moments = [_moment_of(event.case, polarity) for event in losses]
            found[of] = judge_motion(rotation.rotor, moments)
            continue
        none = Marks(np.zeros(0, np.int64), np.zeros(0, np.int64), 0, 0, 0.0)
        limit = limit_of(_rotor(sensor, sheet, limits, none))
        found[of] = missing_motion(sensor.line, limit, [event.lost_s for event in losses])
    return found


def _moment_of(case: Case, polarity: Polarity | None) -> LossMoment:
    """Say when a loss was, for a rotor: a transmitter may send on for a moment."""
    loss, doubt = case.loss, case.loss.doubt
    if loss.is_inferred:
        doubt = "The moment the transmitter went off is only inferred. Mark it with a line."
    elif loss.is_marked and polarity is not None and not polarity.is_known:
        doubt = "Which level of the marker means on is neither stated nor shown."
    elif case.behaviour is LossClass.KEEPS_FOLLOWING:
        doubt = "The output still followed a moving stick, so its link was not lost."
    return LossMoment(
        loss.lost_s, loss.earliest_s, loss.latest_s + DIES_S, loss.back_s, case.error_s, doubt
    )
