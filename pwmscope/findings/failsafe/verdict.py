"""Whether one loss shows that the device on a line stops in time."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.case import Case
from pwmscope.findings.failsafe.losses import Known
from pwmscope.findings.failsafe.proof import unproven, unproven_stop
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.stretches import Kind
from pwmscope.model.finding import Verdict

Answer = tuple[Verdict | None, str]


def judge_loss(case: Case) -> Answer:
    """Give the verdict on one loss of one line, with its reason.

    ``meets`` needs every condition that is asked here; each that fails is a reason.

    Parameters
    ----------
    case : Case
        What it rests on.

    Returns
    -------
    verdict : Verdict or None
        None for a line of which the bench sheet expects nothing.
    reason : str
        A sentence.
    """
    expected = case.setting.expected
    if expected.is_informative:
        return None, "The bench sheet expects nothing of this line when the signal is lost."
    doubt = case.loss.sentence if case.loss.is_restart else case.loss.doubt
    if doubt:
        return Verdict.NOT_SHOWN, doubt
    if expected.band is None:
        return _without_band(case)
    broken = _broken(case, expected.band)
    if broken:
        return Verdict.DOES_NOT_MEET, broken
    open_point = next(_open_points(case, expected.band), "")
    if open_point:
        return Verdict.NOT_SHOWN, open_point
    return Verdict.MEETS, (
        f"It was commanded to stand still within {case.stop_most_s:.3f} s of the loss, and "
        f"stayed so for the {case.lasted_s:.2f} s that the transmitter was off."
    )


def _without_band(case: Case) -> Answer:
    response, known = case.response, case.loss.moment.known
    if case.setting.expected.has_sheet:
        return Verdict.NOT_SHOWN, (
            "The bench sheet states no position for this servo when the signal is lost (stop_us)."
        )
    if response.behaviour in (LossClass.HOLDS_LAST, LossClass.WANDERS) and not case.is_short:
        return Verdict.DOES_NOT_MEET, f"The output {response.behaviour.value}."
    if known is not Known.INFERRED and response.settled_s is not None:
        settle_s = response.settled_s - case.loss.latest_s - (case.error_s or 0.0)
        is_change = response.behaviour in (LossClass.GOES_TO_PRESET, LossClass.PULSES_STOP)
        if is_change and settle_s > case.setting.limit_s:
            return Verdict.DOES_NOT_MEET, (
                f"The output settled {response.settled_s - case.loss.lost_s:.2f} s after the "
                f"loss; the limit is {case.setting.limit_s:g} s."
            )
    if response.behaviour is None:
        return Verdict.NOT_SHOWN, response.why_not
    return Verdict.NOT_SHOWN, (
        "Whether what the output did stops the device on this line is not known; a bench sheet "
        "says which widths stop it."
    )


def _broken(case: Case, band: StopBand) -> str:
    """Say what shows that the limit was broken; empty where nothing does."""
    loss, response = case.loss, case.response
    if loss.moment.known is Known.INFERRED:
        return "The output wandered." if _wandered(case) else ""
    follows = response.behaviour is LossClass.KEEPS_FOLLOWING or response.moved_until_s is not None
    if follows or case.error_s is None:
        return ""
    if response.behaviour is None and not loss.is_marked and not response.is_held:
        return ""
    late_s = case.last_outside_s - loss.latest_s - case.error_s
    if late_s >= case.setting.limit_s and (loss.is_marked or not _stood_in(case, band)):
        did = f"It {response.behaviour.value}: " if response.behaviour else ""
        return (
            f"{did}{late_s:.2f} s after the loss the output was still outside its stop range of "
            f"{band.words}; the limit is {case.setting.limit_s:g} s."
        )
    final = response.during[-1] if response.during else None
    if (
        final is not None
        and final.kind is Kind.QUIET
        and case.setting.expected.no_pulses_stop is False
        and not case.is_short
        and not any(unproven_stop(case))
    ):
        return "The pulses stopped, and the bench sheet says that the device then keeps going."
    return "The output wandered." if _wandered(case) else ""


def _stood_in(case: Case, band: StopBand) -> bool:
    """Say whether the output stood inside the stop range within the limit.

    Then it may have left it because the link was back, which only a marker tells.
    """
    return any(
        stretch.kind is Kind.STANDS
        and band.holds(stretch.level_us)
        and stretch.start_s < case.loss.latest_s + case.setting.limit_s
        for stretch in case.response.during
    )


def _wandered(case: Case) -> bool:
    return case.response.behaviour is LossClass.WANDERS and not case.is_short


def _open_points(case: Case, band: StopBand) -> Iterator[str]:
    """Say what is not shown, the plainest first; nothing where all is."""
    loss, response = case.loss, case.response
    if loss.moment.known is Known.INFERRED:
        yield (
            "The moment the transmitter went off is only inferred; a supply restart or a hand on "
            "the stick looks the same. Mark it with a line (--off-line) or state it (--off-at)."
        )
    if case.error_s is None:
        yield "The sample interval is not known, so no time is exact; give it with --rate."
    if case.looks_restarted:
        yield (
            "Lines went quiet at once and came back while the transmitter was off; a restart of "
            "the receiver or its supply looks the same. Watch the supply and record again."
        )
    if response.behaviour is LossClass.KEEPS_FOLLOWING:
        yield (
            "The output still followed a moving stick, so its link was not lost: check that the "
            "transmitter was off and its moment right."
        )
    if case.is_short:
        yield _say_short(case)
    if response.behaviour is None:
        yield response.why_not
    if response.behaviour is LossClass.PULSES_STOP and not case.setting.expected.no_pulses_stop:
        yield (
            "The pulses stop; the bench sheet does not say whether the device then stops "
            "(no_pulses)."
        )
    if not math.isfinite(case.stopped_s):
        yield f"The output was not inside its stop range of {band.words} for good."
    if case.stop_most_s > case.setting.limit_s:
        yield (
            f"The device was commanded to stand still between {case.stop_least_s:.2f} s and "
            f"{case.stop_most_s:.2f} s after the loss; the limit of {case.setting.limit_s:g} s "
            "lies between."
        )
    yield from unproven(case, band)


def _say_short(case: Case) -> str:
    lasted = f"for only {max(case.lasted_s, 0.0):.2f} s"
    needed = f"for longer than {case.needed_s:.1f} s"
    if case.loss.came_back:
        return f"The transmitter was off {lasted}; keep it off {needed}."
    return (
        f"The recording went on {lasted} after the loss; keep it running, and the transmitter off, "
        f"{needed}."
    )
