"""Bases of three and four wheels: which output drives which wheel, and which way round."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pwmscope.bench.plan import Axis, StepSpan
from pwmscope.findings.mixing.arrangement import MOST_LEFT
from pwmscope.findings.mixing.fit import MixFit, fit_mix
from pwmscope.findings.mixing.layouts import LAYOUTS, Fitting, Layout, recognise
from pwmscope.findings.mixing.lines import FORWARD, OutputLine, StickLine
from pwmscope.findings.mixing.sticks import pair_outputs, with_plan, with_recorded
from pwmscope.findings.mixing.unfit import lacking
from pwmscope.model.amounts import say_list
from pwmscope.model.definition import Definition
from pwmscope.model.finding import Evidence, Finding, Verdict, not_shown
from pwmscope.model.spans import Span
from pwmscope.pulses import PulseTable

MOTIONS: Final[tuple[tuple[Axis, ...], ...]] = (FORWARD, ("aileron",), ("rudder",))
"""The axes that may ask for forward, sideways and turn."""
_MOST_DOUBT: Final = 0.05
"""Standard uncertainty, in parts of the largest element, beyond which nothing is named."""
_NAME: Final = "wheel layout"


@dataclass(frozen=True, slots=True)
class WheelBase:
    """What was found out about a base of several wheels.

    Parameters
    ----------
    fit : MixFit or None
        Outputs over forward, sideways and turn; None where nothing could be fitted.
    fitting : Fitting or None
        How the outputs stand to the wheels; None where no known layout fits.
    finding : Finding
        ``wheel layout``.
    """

    fit: MixFit | None
    fitting: Fitting | None
    finding: Finding


def examine_wheels(
    tables: Mapping[str, PulseTable],
    outputs: tuple[OutputLine, ...],
    sticks: tuple[StickLine, ...],
    *,
    spans: Sequence[StepSpan] = (),
    lost: Mapping[str, tuple[Span, ...]] | None = None,
) -> WheelBase:
    """Find out which wheel each of three or four outputs drives.

    Parameters
    ----------
    tables : mapping of str to PulseTable
        The lines with servo pulses.
    outputs : tuple of OutputLine
        In the order in which the layout lists its wheels.
    sticks : tuple of StickLine
        The sticks for forward, sideways and turn; may be empty where a plan is given.
    spans : sequence of StepSpan, optional
        Where a plan's steps were found; they come before recorded sticks.
    lost : mapping of str to tuple of Span, optional
        Where each line's signal was lost.

    Returns
    -------
    WheelBase
    """
    lost = lost or {}
    layout = next((known for known in _OF_THREE if len(known.wheels) == len(outputs)), None)
    if layout is None:
        counts = say_list([str(len(known.wheels)) for known in _OF_THREE])
        return _unanswered(
            f"Bases of {counts} wheels are known, and {len(outputs)} outputs are named. Record and "
            "name one output for each wheel."
        )
    frames = pair_outputs(tables, [output.line for output in outputs], lost)
    if spans:
        intervals_us = [tables[output.line].sample_interval_us or 0.0 for output in outputs]
        samples = with_plan(frames, outputs, spans, max(intervals_us), MOTIONS)
    elif len(sticks) == len(MOTIONS):
        samples = with_recorded(frames, outputs, sticks, tables, lost)
    else:
        return _unanswered(
            "Record the stick channels for forward, sideways and turn too, or record to a plan."
        )
    missing = lacking(samples, MOTIONS)
    if missing:
        return _unanswered(missing)
    return _answered(fit_mix(samples), layout)


def _answered(fit: MixFit, layout: Layout) -> WheelBase:
    if fit.unexplained > MOST_LEFT:
        return _unanswered(
            f"{100.0 * fit.unexplained:.0f} % of an output's movement is not explained by the "
            "sticks. Record again, with other controls left alone."
        )
    largest = float(abs(fit.matrix).max())
    if fit.uncertainty.max() > _MOST_DOUBT * largest:
        return _unanswered(
            "What the outputs do with the sticks is too uncertain to be named. Record again, and "
            "move each stick alone, slowly, from end to end."
        )
    fitting = recognise(fit.matrix, fit.uncertainty, layout)
    if fitting is None:
        return WheelBase(
            fit, None,
            not_shown(
                _NAME, "",
                f"The outputs do not move as those of {layout.name} do, in whatever order and way "
                "round. Check the mixing's settings; record again with each stick moved alone.",
                limit=layout.name,
            ),
        )  # fmt: skip
    time_s = fit.samples.time_s
    wanted = fitting.changes == 0
    return WheelBase(
        fit,
        fitting,
        Finding(
            _NAME,
            layout.name,
            "",
            None,
            "each output on its own wheel, each the right way round",
            Verdict.MEETS if wanted else Verdict.DOES_NOT_MEET,
            (Evidence(float(time_s[0]), float(time_s[-1]), time_s.size),),
            _sentence(fit, fitting),
        ),
    )


def _sentence(fit: MixFit, fitting: Fitting) -> str:
    said = [
        f"{output.line} moves as the {wheel} wheel should{', but backwards' if back else ''}"
        for output, wheel, back in zip(
            fit.samples.outputs, fitting.wheels, fitting.reversed_outputs, strict=True
        )
    ]
    told = "; ".join(said) + "."
    turned = [
        motion
        for motion, back in zip(fitting.layout.motions, fitting.reversed_motions, strict=True)
        if back
    ]
    if turned:
        told += f" The stick for {say_list(turned)} is reversed."
    if fitting.equal:
        told += f" {fitting.equal} other ways to tell the same need as few changes."
    return told


def _unanswered(reason: str) -> WheelBase:
    return WheelBase(None, None, not_shown(_NAME, "", reason, limit="a known layout"))


_OF_THREE: Final = tuple(layout for layout in LAYOUTS if len(layout.motions) == len(MOTIONS))

DEFINITIONS: Final = (
    Definition(
        _NAME,
        "Which wheel's commands each output carries, on a base of three or four wheels that can "
        "move sideways, and which of them are backwards.",
        "the fewest swaps and reversals for which every element of M lies within 10 % of its "
        "motion's gain, and twice its uncertainty, of the layout's",
        "layouts: closed forms of mobile-robotics handbooks (from memory); search: own",
    ),
)
