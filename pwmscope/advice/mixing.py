"""What to change so that two drive outputs mix as wanted, with proof in software."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, TypeAlias

import numpy as np

from pwmscope.advice.drive import (
    Base,
    DrivePath,
    Outputs,
    differential,
    drive_path,
)
from pwmscope.bench import Axis, BenchSheet, Mixer, PlanStep, StepSpan
from pwmscope.findings.mixing import (
    AT_OUTPUTS,
    COMMAND,
    WANTED,
    Arrangement,
    Fault,
    Kind,
    MixFit,
    Mixing,
    Response,
    Samples,
    Straightness,
    Throttle,
    balance_finding,
    balance_of,
    corner_part,
    drive_sides,
    fit_mix,
    name_arrangement,
    responses_of,
    straight_finding,
    straight_line_error,
)
from pwmscope.model import COVERAGE, FloatArray, Verdict
from pwmscope.pulses import PulseTable

ChangeKind: TypeAlias = Literal[
    "swap plugs", "reverse channel", "set neutral", "mixing on", "mixing off", "equalise gains",
    "reduce travel",
]  # fmt: skip
Place: TypeAlias = Literal["plugs", "ESC", "transmitter", "converter", "gyro"]

_EFFORT: Final[dict[ChangeKind, float]] = {
    "swap plugs": 1.0,
    "reverse channel": 2.0,
    "set neutral": 3.0,
    "mixing on": 5.0,
    "mixing off": 5.0,
    "equalise gains": 6.0,
    "reduce travel": 7.0,
}
"""Plugs before one reversal, settings of a mix last (own order)."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change."""

    kind: ChangeKind  # What is done
    words: str  # An instruction, a whole sentence. It names one place.
    place: Place  # Where it is made; the proof holds for that place alone
    line: str  # The output that it changes; empty where it changes both
    at_outputs: FloatArray  # shape (2, 2): What it multiplies the outputs with, from the left
    # shape (2, 2): What it multiplies the sticks with, before anything else happens to them
    at_sticks: FloatArray
    effort: float  # For the order only
    # shape (2,): By how much it moves the recorded outputs, in microseconds
    shift_us: FloatArray = field(default_factory=lambda: np.zeros(2))


def _change(
    kind: ChangeKind,
    words: str,
    place: Place,
    *,
    line: str = "",
    outputs: FloatArray | None = None,
    sticks: FloatArray | None = None,
) -> Change:
    at_outputs = np.eye(2) if outputs is None else outputs
    at_sticks = np.eye(2) if sticks is None else sticks
    return Change(kind, words, place, line, at_outputs, at_sticks, _EFFORT[kind])


def plain_changes(samples: Samples) -> tuple[Change, ...]:
    """List what can be changed behind all mixing, wherever that is: plugs and motor wires.

    Every wrong sign or order of two mixed outputs can be put right there. What lies before
    the mixing is never advised: the pins do not show where that is. An output is named as it
    is recorded: its reversal comes before plugs are swapped.
    """
    left, right = (output.line for output in samples.outputs)
    outputs = {fault: matrix.astype(np.float64) for fault, matrix in AT_OUTPUTS.items()}
    changes = [
        _change(
            "reverse channel",
            f"Reverse the {side} output ({line}) in one place: swap its motor's two wires, or set "
            "the ESC to reverse. Reversing the channel in the transmitter as well would undo it.",
            "ESC",
            line=line,
            outputs=outputs[fault],
        )
        for side, line, fault in (("left", left, Fault.LEFT), ("right", right, Fault.RIGHT))
    ]
    changes.append(
        _change(
            "swap plugs",
            f"Swap the two drive plugs, {left} and {right}.",
            "plugs",
            outputs=outputs[Fault.OUTPUTS],
        )
    )
    return tuple(changes)


def mixing_changes(
    kind: Kind,
    strongest: float,
    *,
    only_unmixed: bool,
    lines: tuple[str, str],
    mixer: Mixer | None = None,
) -> tuple[Change, ...]:
    """Give the changes, each for one place, that leave mixing on in exactly one.

    A transmitter mixes before all that the recording shows, so its mixer multiplies the
    matrix from the right; a converter goes between the recorded pins and the ESCs, so its mixer
    multiplies from the left. Where two places mix, only the one nearer to the sticks can be
    taken out of the matrix without knowing what lies between them. Where the sheet names the one
    place that mixes, no other is advised.
    """
    matrix = np.array(WANTED, dtype=np.float64)
    if mixer is not None and kind is not Kind.TWICE:
        words = f"Turn mixing on in the {mixer}, and in no other place."
        if not only_unmixed:
            words += f" If it is on already, turn off what mixes beside the {mixer}."
        gain = matrix / max(1.0, strongest)
        return (_change("mixing on", words, mixer, sticks=gain),)
    if mixer == "transmitter":
        return ()
    if kind is Kind.TWICE:
        words = "Turn mixing off in the transmitter, and leave the converter's on."
        return (_change("mixing off", words, "transmitter", sticks=matrix / 2.0),)
    if_off = "" if only_unmixed else "If no place mixes now: "
    twice = (
        ""
        if only_unmixed
        else (
            " If transmitter and converter both mix now, this recording cannot tell. Record the "
            "converter's inputs too, by a plan."
        )
    )
    left, right = lines
    here: tuple[tuple[Place, str], ...] = (
        (
            "transmitter",
            "Turn mixing on in the transmitter, in exactly one place, and fit no converter.",
        ),
        (
            "converter",
            f"Fit a mixing converter: {left} at its first input, {right} at its second. Leave "
            "mixing off in the transmitter. Its outputs take their plugs.",
        ),
    )
    gain = matrix / max(1.0, strongest)
    return tuple(
        _change(
            "mixing on",
            f"{if_off}{words if only_unmixed else words[0].lower() + words[1:]}{twice}",
            place,
            sticks=gain if place == "transmitter" else None,
            outputs=gain if place == "converter" else None,
        )
        for place, words in here
        # A second converter behind one that is there already would be the wrong place.
        if only_unmixed or place == "transmitter"
    )


def centring_changes(fit: MixFit) -> tuple[Change, ...]:
    """Bring each output to its neutral at rest, where it is shown to be off by more than a step."""
    changes = []
    for at, (output, own) in enumerate(zip(fit.samples.outputs, fit.outputs, strict=True)):
        off_us = float(own.terms_us[-1]) - output.travel.neutral_us
        least_us = max(
            _CENTRED * output.travel.half_us, COVERAGE * math.sqrt(own.covariance[-1, -1])
        )
        if abs(off_us) <= least_us:
            continue
        words = (
            f"Set the trim of {output.line} so that it rests at "
            f"{output.travel.neutral_us:g} us; it is {own.terms_us[-1]:.1f} us."
        )
        change = _change("set neutral", words, "transmitter", line=output.line)
        changes.append(replace(change, shift_us=-off_us * np.eye(2)[at]))
    return tuple(changes)


_CENTRED: Final = 0.01
"""Part of half the travel within which a neutral is not worth a change."""


def equalising_change(samples: Samples, ratio: float, doubt: float, *, swapped: bool) -> Change:
    """Lower the stronger output to the weaker."""
    strong = 1 if ratio > 1.0 else 0
    part = 1.0 / ratio if strong else ratio
    spread = doubt / ratio * part
    gains = np.eye(2)
    gains[strong, strong] = part
    line = samples.outputs[1 - strong if swapped else strong].line
    sentence = (
        f"Lower the travel of {line}, on both sides of neutral, by {100.0 * (1.0 - part):.1f} ± "
        f"{200.0 * spread:.1f} % of what it is now."
    )
    return _change("equalise gains", sentence, "ESC", line=line, outputs=gains)


def smaller_travel(part: float) -> Change:
    """Lower both sticks' share so that the outputs reach their ends in the corner only."""
    sentence = (
        f"Lower both sticks' share in the mixing to {100.0 * part:.0f} % of now. The corners then "
        "no longer clip; straight ahead is slower."
    )
    return _change("reduce travel", sentence, "transmitter", sticks=part * np.eye(2))


@dataclass(frozen=True, slots=True)
class Proof:
    """What was found in the recorded data after the changes."""

    fit: MixFit  # The predicted matrix
    name: str | None  # The predicted arrangement
    responses: tuple[Response, ...]  # What the robot would do
    works: bool  # Whether it is mixed as wanted


def changed_samples(fit: MixFit, changes: Sequence[Change]) -> Samples:
    """Apply changes to the recorded outputs.

    The sticks go through what is changed before them, then through the fitted
    outputs, which clip where they did or else at the end of travel; what the
    fit left of each recorded width (noise) is added again; then follows what is
    changed behind, and clips there.
    """
    samples = fit.samples
    sticks, outputs, shift_us = np.eye(2), np.eye(2), np.zeros(2)
    for change in changes:
        shift_us = shift_us + change.shift_us
        sticks = sticks @ change.at_sticks
        outputs = change.at_outputs @ outputs
    end = np.maximum(1.0, np.max(np.abs(samples.position), axis=0))
    position = np.clip(fit.position(samples.stick @ sticks.T), -end, end)
    residual_us = np.stack([output.residual_us for output in fit.outputs], axis=1) + shift_us
    position = np.clip((position + residual_us / samples.half_us) @ outputs.T, -end, end)
    neutral_us = np.array([output.travel.neutral_us for output in samples.outputs])
    return replace(samples, width_us=neutral_us + position * samples.half_us)


def prove(fit: MixFit, changes: Sequence[Change]) -> Proof:
    """Look at the changed data as if they had been recorded."""
    after = fit_mix(changed_samples(fit, changes))
    found = name_arrangement(after)
    works = found.kind is Kind.MIXED and not found.faults
    works = works and straight_finding(after, found).verdict is not Verdict.DOES_NOT_MEET
    return Proof(after, found.name, responses_of(after), works)


@dataclass(frozen=True, slots=True, repr=False)
class MixingAdvice:
    """Changes to make together, and their proof."""

    # In the order in which they act; `by_effort` has the order to tell them in
    changes: tuple[Change, ...]
    proof: Proof  # What the recorded data say of them
    # Whether something is wrong without them; what is optional comes on top of the best
    needed: bool

    def __repr__(self) -> str:
        words = "; ".join(change.words for change in self.by_effort)
        return f"<MixingAdvice{'' if self.needed else ' (optional)'}: {words or 'no change'}>"

    @property
    def by_effort(self) -> tuple[Change, ...]:
        """The changes, the least effort first."""
        return tuple(sorted(self.changes, key=lambda change: change.effort))


def advise_mixing(mixing: Mixing) -> tuple[MixingAdvice, ...]:
    """Find what to change, the least effort first; only what its proof bears out.

    First the best; then the same at another place, proven for that place; then what is optional.
    """
    fit, found = mixing.fit, mixing.arrangement
    if fit is None or found.pattern is None or found.kind is None or mixing.lines.is_into_mixer:
        return ()
    if found.kind not in {Kind.MIXED, Kind.UNMIXED, Kind.TWICE}:
        return ()
    strongest = float(np.max(np.abs(fit.matrix)))
    left, right = (output.line for output in fit.samples.outputs)
    bases: tuple[tuple[Change, ...], ...] = ((),)
    if found.kind is not Kind.MIXED:
        only_unmixed = Kind.TWICE not in found.also
        bases = tuple(
            (change,)
            for change in mixing_changes(
                found.kind,
                strongest,
                only_unmixed=only_unmixed,
                lines=(left, right),
                mixer=mixing.lines.mixer,
            )
        )
    proven = [way for base in bases if (way := _cheapest(fit, found, base)) is not None]
    if found.kind is not Kind.MIXED or not proven:
        return tuple(proven)
    if not proven[0].changes:
        return (*_centred(fit, found), *_optional(fit, ()))
    return (*proven, *_optional(fit, proven[0].changes))


def _cheapest(fit: MixFit, found: Arrangement, base: tuple[Change, ...]) -> MixingAdvice | None:
    """Give the least effort that comes on top of a change of mixing, if it is proven there."""
    pattern = np.array(found.pattern, dtype=np.float64)
    plain = plain_changes(fit.samples)
    sets = [
        chosen for count in range(len(plain) + 1) for chosen in itertools.combinations(plain, count)
    ]
    for chosen in sorted(sets, key=lambda chosen: sum(change.effort for change in chosen)):
        made = pattern
        for change in (*base, *chosen):
            made = change.at_outputs @ made @ change.at_sticks
        if np.array_equal(np.sign(made), WANTED):
            way = _proven(fit, (*base, *chosen))
            if not way.changes or way.proof.works:
                return way
    return None


def _proven(fit: MixFit, changes: tuple[Change, ...]) -> MixingAdvice:
    """Try changes, and with them what sets neutrals and gains right, where they are shown wrong."""
    proof = prove(fit, changes)
    found = name_arrangement(proof.fit)
    if straight_finding(proof.fit, found).verdict is Verdict.DOES_NOT_MEET:
        changes = (*changes, *centring_changes(fit))
        proof = prove(fit, changes)
        found = name_arrangement(proof.fit)
    if balance_finding(proof.fit, found).verdict is not Verdict.DOES_NOT_MEET:
        return MixingAdvice(changes, proof, needed=True)
    balance = balance_of(proof.fit)
    swapped = any(change.kind == "swap plugs" for change in changes)
    equal = equalising_change(fit.samples, balance.ratio, balance.doubt, swapped=swapped)
    whole = (*changes, equal)
    return MixingAdvice(whole, prove(fit, whole), needed=True)


def _centred(fit: MixFit, found: Arrangement) -> tuple[MixingAdvice, ...]:
    """Offer to set neutrals where it is not shown whether they turn the robot."""
    changes = centring_changes(fit)
    is_stated = all(output.travel.is_stated for output in fit.samples.outputs)
    if not is_stated or straight_finding(fit, found).verdict is not Verdict.NOT_SHOWN:
        changes = ()
    return (MixingAdvice(changes, prove(fit, changes), needed=False),) if changes else ()


def _optional(fit: MixFit, before: tuple[Change, ...]) -> tuple[MixingAdvice, ...]:
    part = corner_part(fit)
    if part is None or part >= 1.0:
        return ()
    changes = (smaller_travel(part), *before)
    return (MixingAdvice(changes, prove(fit, changes), needed=False),)


MOVE_S: Final = 1.0
_MOVES: Final = (
    ("forward", 1.0, 0.0),
    ("back", -1.0, 0.0),
    ("left", 0.0, -1.0),
    ("right", 0.0, 1.0),
    ("forward-right", 1.0, 1.0),
)


@dataclass(frozen=True, slots=True)
class Course:
    """Where the robot would go."""

    # One for each move or plan step; `after` is empty where nothing is advised
    before: tuple[DrivePath, ...]
    after: tuple[DrivePath, ...]
    change: str  # What the advice is, in few words
    # How far from straight it drives; None where the outputs are not mixed
    straight_before: Straightness | None
    straight_after: Straightness | None
    assumptions: tuple[str, ...]  # Whole sentences
    planned: bool  # Whether the paths are those of a plan's steps


def course_of(
    mixing: Mixing,
    ways: Sequence[MixingAdvice],
    *,
    tables: Mapping[str, PulseTable],
    end_s: float,
    sheet: BenchSheet | None = None,
    spans: Sequence[StepSpan] = (),
    wheel_base_m: float | None = None,
    top_speed_m_s: float | None = None,
) -> Course | None:
    """Work out where the robot would go, by the fitted outputs or the steps of a plan.

    What a mixer behind the pins makes of its inputs is not recorded.

    Without a plan it is told for five moves at half stick. With one, the recorded
    widths drive each step in which a drive stick was held, equal ones once; after the advice its
    prediction for the step's sticks does.
    Of what to change, the first that is needed is drawn. None where no matrix of both sticks could
    be fitted.
    """
    fit = mixing.fit
    if fit is None or len(fit.samples.axes) != 2 or mixing.lines.is_into_mixer:
        return None
    base = differential(wheel_base_m=wheel_base_m, top_speed_m_s=top_speed_m_s)
    channels = {} if sheet is None else sheet.channels
    lines = [output.line for output in fit.samples.outputs]
    throttles = [Throttle.of(channels.get(line)) for line in lines]
    way = next((way for way in ways if way.needed), None)
    steps = _driven(spans, fit.samples.axes)
    planned = bool(steps)
    if planned:
        recorded = Outputs.of([tables[line] for line in lines], end_s)
        before = drive_path(recorded, throttles, base, steps=steps)
    else:
        steps = _moves(fit.samples.axes)
        before = drive_path(_predicted(fit, steps), throttles, base, steps=steps)
    after: tuple[DrivePath, ...] = ()
    if way is not None:
        after = drive_path(_predicted(way.proof.fit, steps), throttles, base, steps=steps)
    is_mixed = mixing.arrangement.kind is Kind.MIXED
    return Course(
        before, after, "" if way is None else ", ".join(change.kind for change in way.by_effort),
        _straightness(fit, throttles, base) if is_mixed else None,
        None if way is None else _straightness(way.proof.fit, throttles, base), base.assumptions,
        planned,
    )  # fmt: skip


def _driven(spans: Sequence[StepSpan], axes: tuple[Axis, ...]) -> tuple[StepSpan, ...]:
    """Take the first step of each position of the drive sticks, the transmitter being on."""
    taken: dict[tuple[float, ...], StepSpan] = {}
    for span in spans:
        place = tuple(float(span.step.sticks.get(axis, 0.0)) for axis in axes)
        if any(place) and span.step.transmitter_on:
            taken.setdefault(place, span)
    return tuple(taken.values())


def _moves(axes: tuple[Axis, ...]) -> tuple[StepSpan, ...]:
    """Make the moves, one after the other."""
    steps = (
        PlanStep(name, MOVE_S, dict(zip(axes, (COMMAND * ahead, COMMAND * turn), strict=True)))
        for name, ahead, turn in _MOVES
    )
    return tuple(StepSpan(step, MOVE_S * k, MOVE_S * (k + 1)) for k, step in enumerate(steps))


def _predicted(fit: MixFit, steps: tuple[StepSpan, ...]) -> Outputs:
    """Predict the widths for each step's sticks; between steps those of the next."""
    axes = fit.samples.axes
    sticks = np.array([[span.step.sticks.get(axis, 0.0) for axis in axes] for span in steps])
    travels = [output.travel for output in fit.samples.outputs]
    neutral_us = np.array([travel.neutral_us for travel in travels])
    width_us = neutral_us + fit.position(sticks) * fit.samples.half_us
    time_s = np.array([span.start_s for span in steps] + [steps[-1].end_s])
    return Outputs(time_s, width_us)


def _straightness(fit: MixFit, throttles: Sequence[Throttle], base: Base) -> Straightness | None:
    """Work out the straight-line error from the fitted gains and neutrals."""
    sides = drive_sides(fit, throttles)
    if sides is None or min(side.speed(COMMAND) for side in sides) <= 0.0:
        return None
    return straight_line_error(*sides, wheel_base_m=base.wheel_base_m, command=COMMAND)
