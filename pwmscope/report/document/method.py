"""How it was measured, what was assumed, what to mind, and who decides."""

from __future__ import annotations

from typing import Final

from pwmscope.bench import CAUTIONS
from pwmscope.findings import Findings
from pwmscope.findings.failsafe import Failsafe
from pwmscope.report.document.blocks import Item, Items, Paragraph, Place, Section, Terms
from pwmscope.report.document.words import Wording
from pwmscope.report.failsafe_text import assumptions
from pwmscope.report.sentences import RULEBOOK

_METHOD: Final = (
    (
        "Pulse width",
        "The time between the two crossings of the analyser's logic threshold, taken as the mid "
        "reference level (pulse duration, IEEE Std 181). The leading edges of consecutive frames "
        "give the frame period.",
    ),
    (
        "Jitter",
        "Width jitter is the RMS scatter of the width about its mean in each dwell, pooled over "
        "the dwells. Period jitter follows IEEE Std 2414.",
    ),
    (
        "Sampling floor",
        "What sampling alone adds to an interval between two sampled edges: Ts/√6 RMS for a "
        "sample interval Ts, from the triangular distribution of JCGM 100. Scatter near the floor "
        "is the analyser's, not the receiver's.",
    ),
    (
        "Dwells",
        "Stretches in which the width stands still. Neutral and endpoints come from dwells, never "
        "from the smallest and the largest of all pulses. Glitches and cut pulses are counted and "
        "drawn, not averaged in.",
    ),
    (
        "Uncertainty",
        "The scatter of the mean, the sampling floor and the analyser's clock, added in "
        "quadrature (JCGM 100); ± gives twice that, about 95 %.",
    ),
    (
        "Verdicts",
        "'meets': the value lies within the limit with its uncertainty. 'does not meet': it lies "
        "outside with its uncertainty. 'not shown': this recording does not tell, or the limit "
        "lies within the uncertainty; it is no pass.",
    ),
)


def method_sections(
    findings: Findings, check: Failsafe | None, wording: Wording
) -> tuple[Section, ...]:
    """Write the closing sections.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.
    check : Failsafe or None
        The failsafe check, where there is a bench sheet.
    wording : Wording
        For the recording's names.

    Returns
    -------
    tuple of Section
        Method, assumptions, cautions, the rulebook.
    """
    conventions = tuple(
        ("Convention", wording.text(f"{convention.name}: {convention.source}."))
        for convention in findings.conventions
    )
    limits = ("Limits", wording.text(f"{findings.limits.source}."))
    of_check = [] if check is None else assumptions(check)
    assumed = tuple(
        Item((), wording.say(sentence))
        for sentence in dict.fromkeys((*findings.assumptions, *of_check))
    )
    return (
        Section(
            "method",
            wording.say("How it was measured"),
            (Terms((*_METHOD, *conventions, limits)),),
            Place.NEW_PAGE,
        ),
        Section("assumed", wording.say("What was assumed"), (Items(assumed),)),
        Section(
            "cautions",
            wording.say("Before anything is powered"),
            (Items(tuple(Item((), wording.say(caution)) for caution in CAUTIONS)),),
            Place.BOXED,
        ),
        Section("rulebook", wording.say("Who decides"), (Paragraph(wording.say(_DEFERRAL)),)),
    )


_DEFERRAL: Final = (
    f"{RULEBOOK} This document says what was measured and against which limit. It does not say "
    "that a robot may be powered or may compete, and what it does not show may still go wrong."
)
