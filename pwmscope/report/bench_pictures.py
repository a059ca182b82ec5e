"""The pictures of a bench as a whole: its frame, its wiring, where it would drive."""

from __future__ import annotations

from pwmscope.advice.mixing import advise, course_of
from pwmscope.bench import BenchSheet
from pwmscope.bench.wiring import check_wiring
from pwmscope.findings import Findings
from pwmscope.findings.mixing import examine_mixing, find_lines
from pwmscope.plot import Picture, draw_frames, draw_wiring
from pwmscope.report.mixing import mixing_pictures


def bench_pictures(findings: Findings, sheet: BenchSheet | None = None) -> tuple[Picture, ...]:
    """Draw what concerns all lines together."""
    pictures = list(draw_frames(findings))
    if sheet is None:
        return tuple(pictures)
    if any(channel.feeds_5v is not None for channel in sheet.devices) or sheet.sources:
        wiring = check_wiring(sheet)
        pictures.append(
            Picture(
                "wiring",
                draw_wiring(wiring),
                "The wiring as the bench sheet states it; nobody has looked at the wires for it.",
                wiring.answer.sentence,
            )
        )
    servo = findings.servo_tables
    lines = find_lines(servo, sheet)
    if not lines.outputs or not lines.sticks:
        return tuple(pictures)
    mixing = examine_mixing(
        servo,
        lines,
        lost={name: channel.loss_spans for name, channel in findings.channels.items()},
        ties=findings.order.grouping.ties,
    )
    end_s = findings.capture.end_s
    course = course_of(mixing, advise(mixing), tables=servo, end_s=end_s, sheet=sheet)
    sticks = {stick.axis: servo[stick.line] for stick in lines.sticks}
    return (*pictures, *mixing_pictures(course, sticks, end_s))
