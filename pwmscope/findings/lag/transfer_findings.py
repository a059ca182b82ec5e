"""What is said about the transfer from input width to output width."""

from __future__ import annotations

from typing import Final

from pwmscope.findings.lag.curve import Parameter
from pwmscope.findings.lag.train import Train
from pwmscope.findings.lag.transfer import Transfer
from pwmscope.model import COVERAGE, Evidence, Finding, format_us, measured, not_shown

PLAIN: Final = 3.0
"""A hysteresis shows if it is larger than so many of its standard uncertainties."""
MIN_NEAR: Final = 20
NAMES: Final = (
    ("width gain", "us/us"),
    ("width offset", "us"),
    ("output deadband", "us"),
    ("output step", "us"),
    ("lower clip", "us"),
    ("upper clip", "us"),
    ("output hysteresis", "us"),
)
"""The findings about the transfer, with their units, in the order in which they are told."""


def no_transfer(reason: str) -> tuple[Finding, ...]:
    """Say for each finding about the transfer why it is not shown."""
    return tuple(not_shown(name, unit, reason) for name, unit in NAMES)


def transfer_findings(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> tuple[Finding, ...]:
    """Say how an output's width comes of an input's."""
    return (
        _gain(source, output, transfer, evidence),
        _offset(source, output, transfer, evidence),
        _deadband(source, output, transfer, evidence),
        _step(source, output, transfer, evidence),
        _clip("lower clip", transfer.curve.low_us, output, transfer, evidence),
        _clip("upper clip", transfer.curve.high_us, output, transfer, evidence),
        _hysteresis(output, transfer, evidence),
    )


def _gain(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    gain = transfer.gain
    turned = " It is reversed." if gain.value < 0 else ""
    return measured(
        "width gain", gain.value, "us/us",
        f"{output.line} changes by {gain.value:.4f} ± {COVERAGE * gain.uncertainty:.4f} us for "
        f"each microsecond of {source.line}.{turned} The curve leaves "
        f"{format_us(transfer.curve.rms_us)} RMS of its width.",
        uncertainty=gain.uncertainty, interval=gain.interval, evidence=evidence,
    )  # fmt: skip


def _offset(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    centre_us = transfer.curve.centre_us.value
    off_us = centre_us - output.neutral_us
    said_us = round(off_us, 2) + 0.0  # no minus before a zero
    return measured(
        "width offset", off_us, "us",
        f"At {source.neutral_us:g} us of {source.line} the straight part of the curve gives "
        f"{format_us(centre_us)}, {said_us:+.2f} us from the convention's neutral.",
        uncertainty=transfer.offset_uncertainty_us, evidence=evidence,
    )  # fmt: skip


def _deadband(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    curve = transfer.curve
    if curve.dead_us is not None and curve.dead_at_us is not None:
        half_us = curve.dead_us.value / 2.0
        return measured(
            "output deadband", curve.dead_us.value, "us",
            f"{output.line} stands still while {source.line} is between "
            f"{curve.dead_at_us - half_us:.1f} and {curve.dead_at_us + half_us:.1f} us, a deadband "
            f"of {curve.dead_us.value:.1f} us.",
            uncertainty=curve.dead_us.uncertainty, evidence=evidence,
        )  # fmt: skip
    if transfer.near_neutral < MIN_NEAR:
        return not_shown(
            "output deadband", "us",
            f"{source.line} was hardly seen near its neutral. Move its stick slowly through the "
            "middle while recording.",
        )  # fmt: skip
    doubt_us = curve.rms_us / abs(curve.gain.value)
    return measured(
        "output deadband", 0.0, "us",
        f"No deadband shows: {output.line} follows {source.line} through the middle within "
        f"{format_us(COVERAGE * doubt_us)}.",
        uncertainty=doubt_us, evidence=evidence,
    )  # fmt: skip


def _step(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    if transfer.step_us is None:
        return not_shown("output step", "us", transfer.step_said)
    whose = (
        f"which is the step of {source.line} times the gain"
        if transfer.step_is_inputs
        else f"its own, not that of {source.line}"
    )
    return measured(
        "output step", transfer.step_us, "us",
        f"{output.line} comes in steps of {transfer.step_us:.3f} us, {whose}.",
        uncertainty=transfer.step_uncertainty_us, evidence=evidence,
    )  # fmt: skip


def _clip(
    name: str,
    clip: Parameter | None,
    output: Train,
    transfer: Transfer,
    evidence: tuple[Evidence, ...],
) -> Finding:
    low_us, high_us = transfer.reached_us
    if clip is None:
        return not_shown(
            name, "us",
            f"No {name} of {output.line} shows between {low_us:.0f} and {high_us:.0f} us of input, "
            "which is all that was seen. Move the stick to both its ends while recording.",
        )  # fmt: skip
    curve = transfer.curve
    if curve.dead_us is None:
        knee_us = curve.neutral_us + (clip.value - curve.centre_us.value) / curve.gain.value
        where = f", from {knee_us:.0f} us of input on"
    else:
        where = ""
    return measured(
        name, clip.value, "us",
        f"{output.line} is clipped at {clip.value:.1f} us{where}.",
        uncertainty=clip.uncertainty, evidence=evidence,
    )  # fmt: skip


def _hysteresis(output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]) -> Finding:
    name, memory = "output hysteresis", transfer.memory
    up, down = memory.sweeps
    if memory.smoothed:
        return not_shown(
            name, "us",
            f"{output.line} is smoothed over several frames, which looks like hysteresis while "
            "the stick moves. Compare the widths at which it settles from above and from below.",
        )  # fmt: skip
    if memory.hysteresis_us is None:
        return not_shown(
            name, "us",
            f"{up} sweeps up and {down} down were seen away from the clipped ends; three of each "
            "are needed. Move the stick from end to end three times or more.",
        )  # fmt: skip
    size_us, doubt_us = memory.hysteresis_us, memory.hysteresis_uncertainty_us
    if abs(size_us) <= PLAIN * doubt_us:
        sentence = (
            f"No hysteresis shows: over {up} sweeps up and {down} down the output differs by "
            f"{size_us:+.2f} ± {COVERAGE * doubt_us:.2f} us."
        )
    else:
        way = "wider" if size_us > 0 else "narrower"
        sentence = (
            f"On the way up {output.line} is {abs(size_us):.2f} ± {COVERAGE * doubt_us:.2f} us "
            f"{way} than on the way down, over {up} sweeps up and {down} down."
        )
    return measured(name, size_us, "us", sentence, uncertainty=doubt_us, evidence=evidence)
