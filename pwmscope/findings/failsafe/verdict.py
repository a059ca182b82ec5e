"""Whether one loss shows that a device stops in time: it meets the limit, or not, or neither."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from pwmscope.bench import StopBand
from pwmscope.errors import Reason, named
from pwmscope.findings.failsafe.alternatives import (
    Alternative,
    Case,
    Cause,
    Ground,
    first_open,
    supply_failed,
    unplugged,
)
from pwmscope.findings.failsafe.response import STATES, ChangeKind, LossClass
from pwmscope.findings.failsafe.segments import Kind
from pwmscope.model import Verdict

Answer = tuple[Verdict | None, str]

DIES_S: Final = 0.1
"""A transmitter may send on for so long after its switch (common practice, from memory)."""
TOGETHER_AGAIN: Final = 3
"""Pulses that end with another line's in so many losses are ended by the loss."""
LATE_FRAMES: Final = 3.0
"""A device is commanded to stand still so soon after the change that does it."""


def judge_loss(case: Case) -> Answer:
    """Give the verdict on one loss of one line, with its reason.

    ``meets`` needs that every alternative cause is refuted, and every figure known.
    """
    verdict, reason = _judge(case)
    return verdict, named(reason)


def _judge(case: Case) -> Answer:
    expected = case.setting.expected
    if expected.is_informative:
        return None, "The bench sheet expects nothing of this line when the signal is lost."
    doubt = "" if case.evidence.is_still else case.loss.doubt
    doubt = case.loss.sentence if case.loss.is_restart else doubt
    if case.setting.is_time_doubted:
        doubt = Reason(
            "The pulses are those of servo lines at another sample rate only, so no time is known.",
            "Give the right `rate`.",
        )
    if doubt:
        return Verdict.NOT_SHOWN, doubt
    if expected.band is None:
        return _without_band(case)
    broken = _broken(case, expected.band)
    if broken:
        return Verdict.DOES_NOT_MEET, broken
    open_point = next(_open_points(case, expected.band), None)
    if open_point is not None:
        return Verdict.NOT_SHOWN, open_point
    return Verdict.MEETS, (
        f"It was commanded to stand still within {case.stop_most_s:.3f} s of the loss, and for "
        f"all {case.lasted_s:.2f} s without the transmitter."
    )


def _polarity_is_open(case: Case) -> bool:
    return case.loss.is_marked and not case.setting.polarity.is_known


def _without_band(case: Case) -> Answer:
    response, loss = case.response, case.loss
    if case.setting.expected.has_sheet:
        return Verdict.NOT_SHOWN, Reason(
            "The bench sheet states no position for this device when the signal is lost.",
            "Write its stop_us.",
        )
    if _polarity_is_open(case):
        return Verdict.NOT_SHOWN, format_open(
            case, Alternative(Cause.REVERSED_MARKER, Ground.POLARITY)
        )
    if response.behaviour in (LossClass.HOLDS_LAST, LossClass.WANDERS) and not case.is_short:
        return Verdict.DOES_NOT_MEET, f"The output {response.behaviour.value}."
    if not loss.is_inferred and response.settled_s is not None:
        settle_s = response.settled_s - loss.gone_by_s - (case.error_s or 0.0)
        is_change = response.behaviour in (LossClass.GOES_TO_PRESET, LossClass.PULSES_STOP)
        if is_change and settle_s >= case.setting.limit_s + DIES_S:
            return Verdict.DOES_NOT_MEET, (
                f"The output settled {response.settled_s - loss.lost_s:.2f} s after the "
                f"loss; the limit is {case.setting.limit_s:g} s."
            )
    if response.behaviour is None:
        return Verdict.NOT_SHOWN, response.why_not
    return Verdict.NOT_SHOWN, (
        "Whether that stops the device on this line is not known. A bench sheet says which widths "
        "stop it."
    )


def _broken(case: Case, band: StopBand) -> str:  # noqa: PLR0911 - an answer for each failure
    """Say what shows that the limit was broken; empty where nothing does."""
    loss, response = case.loss, case.response
    if loss.is_inferred:
        return "The output wandered." if _wandered(case) else ""
    if _polarity_is_open(case) or case.error_s is None:
        return ""
    again = case.evidence.undriven >= TOGETHER_AGAIN or _ends_by_itself(case)
    if case.behaviour in STATES and not case.is_short and again:
        return f"{_format_state(case)}, which commands no stop."
    if case.setting.reads_either_way:
        return ""
    # Sticks' lines that return together show that the link was gone, whatever moved before.
    follows = response.behaviour is LossClass.KEEPS_FOLLOWING or case.moves_on
    if (follows or case.evidence.follows) and not case.evidence.back_lines:
        return ""
    if response.behaviour is None and not (
        loss.is_marked or response.is_held or case.evidence.is_ramp
    ):
        return ""
    late_s = case.last_outside_s - loss.gone_by_s - case.error_s
    if late_s >= case.setting.limit_s + DIES_S and (loss.is_marked or not stood_in(case, band)):
        did = f"It {response.behaviour.value}: " if response.behaviour else ""
        return (
            f"{did}{late_s:.2f} s after the loss the output was still outside its stop range of "
            f"{band.words}. The limit is {case.setting.limit_s:g} s."
        )
    ended = _broken_by_end(case)
    if ended:
        return ended
    return "The output wandered." if _wandered(case) else ""


def _broken_by_end(case: Case) -> str:
    """Say how a device breaks the limit whose pulses end; empty where it does not."""
    expected, is_long = case.setting.expected, not case.is_short
    if not case.response.is_quiet or not _ends_by_itself(case):
        return ""
    if expected.no_pulses_stop is False and is_long:
        return "The pulses stopped, and the bench sheet says that the device then keeps going."
    own_s = expected.no_pulses_after_s
    if not case.ran_on or own_s is None:
        return ""
    least_s = case.stopped_s - case.loss.gone_by_s - (case.error_s or 0.0)
    if math.isfinite(least_s) and least_s >= case.setting.limit_s + DIES_S:
        return (
            f"The pulses stopped, and the device runs on for {own_s:g} s: {least_s:.2f} s in all. "
            f"The limit is {case.setting.limit_s:g} s."
        )
    return ""


def _ends_by_itself(case: Case) -> bool:
    """Say whether pulses ended with the loss: nothing else does so in loss after loss.

    Whether the receiver or its supply does it, the device is left without a command.
    """
    again = case.evidence.together >= TOGETHER_AGAIN or supply_failed(case).refuted
    plug = unplugged(case)
    return again and (plug.refuted or plug.ground in (Ground.ALL_ENDED, Ground.OFF_IN_SILENCE))


def _format_state(case: Case) -> str:
    behaviour = case.behaviour
    since_s = case.response.settled_s or case.loss.lost_s
    return f"The line is {behaviour.value if behaviour else ''} from {since_s:.3f} s on"


def stood_in(case: Case, band: StopBand | None) -> bool:
    """Say whether the output stood inside the stop range within the limit.

    Then it may have left it because the link was back, which only a marker tells.
    """
    return band is not None and any(
        stretch.kind is Kind.STANDS
        and band.holds(stretch.level_us)
        and stretch.start_s < case.loss.latest_s + case.setting.limit_s
        for stretch in case.response.during
    )


def _wandered(case: Case) -> bool:
    """Say whether it wandered, and was not in its stop range from before the limit on."""
    since_s = case.loss.gone_by_s + case.setting.limit_s
    is_wandering = case.response.behaviour is LossClass.WANDERS and not case.is_short
    return is_wandering and case.stopped_s > since_s


def _open_points(case: Case, band: StopBand) -> Iterator[str]:
    """Say what is not shown, the plainest first; nothing where all is."""
    loss, response, expected = case.loss, case.response, case.setting.expected
    if loss.is_inferred:
        yield Reason(
            "The moment the transmitter went off is only inferred. A supply restart or a "
            "hand on the stick looks the same.",
            "Mark it with a line (`off_line`) or state it (`off_at_s`).",
        )
    if loss.is_marked and not case.setting.is_lateness_known:
        yield Reason(
            "How late the marker may change is not stated. A light may be later than a hand.",
            "State its kind in the sheet.",
        )
    if case.error_s is None:
        yield Reason(
            "The sample interval is not known, so no time is exact.",
            "State the analyser's setting (`rate`).",
        )
    if case.is_short:
        yield _format_short(case)
    if response.behaviour in STATES:
        yield Reason(
            f"{_format_state(case)}. What its device does then is not known.",
            "Check the wire and the receiver.",
        )
    if case.needs_device_time:
        yield Reason(
            "The pulses stop, and how long the device then runs on is not stated.",
            "Add no_pulses_after_s to the sheet, by its manual or a test.",
        )
    if response.behaviour is LossClass.PULSES_STOP and not expected.no_pulses_stop:
        yield (
            "The pulses stop; the bench sheet does not say whether the device then stops "
            "(no_pulses)."
        )
    if expected.is_band_assumed and response.behaviour is not LossClass.PULSES_STOP:
        yield _format_assumed(band, lacks_neutral=expected.lacks_neutral)
    if response.behaviour is None:
        yield response.why_not
    alternative = first_open(case)
    if alternative is not None:
        yield format_open(case, alternative)
    yield from _late_points(case, band)


def _format_assumed(band: StopBand, *, lacks_neutral: bool) -> str:
    if lacks_neutral:
        return Reason(
            f"The stop range of {band.words} lies round a neutral that is only assumed.",
            "Add neutral_us to the sheet, the middle of the deadband, by a test.",
        )
    return Reason(
        f"The stop range of {band.words} is only assumed.",
        "Add stop_us to the sheet: the widths, lowest and highest, at which the device "
        "stands still, by a test.",
    )


def _late_points(case: Case, band: StopBand) -> Iterator[str]:
    """Say what is open about when it stopped."""
    own_s = _own_time_at_rest_s(case)
    if own_s > case.setting.limit_s:
        yield (
            f"The device stood still before. Running, it would go on for {own_s:.2f} s. "
            f"The limit is {case.setting.limit_s:g} s."
        )
    if not math.isfinite(case.stopped_s):
        yield f"The output was not inside its stop range of {band.words} for good."
    if case.stop_most_s > case.setting.limit_s:
        yield (
            f"The device was commanded to stand still {case.stop_least_s:.2f} to "
            f"{case.stop_most_s:.2f} s after the loss. The limit of {case.setting.limit_s:g} s "
            "lies between."
        )
    if _is_left_for_a_pulse(case):
        yield Reason(
            f"A pulse outside its stop range of {band.words} came after the output had gone "
            "into it.",
            "Check the receiver and its supply.",
        )


def _own_time_at_rest_s(case: Case) -> float:
    """From the loss to the end of the device's own time, had it run; 0 where it was stopped."""
    own_s = case.setting.expected.no_pulses_after_s
    if not case.response.is_quiet or case.evidence.entry is not None or own_s is None:
        return 0.0
    return max(case.response.during[-1].start_s - case.loss.earliest_s, 0.0) + own_s


def _is_left_for_a_pulse(case: Case) -> bool:
    """Say whether single pulses lay outside the stop range after the output stood in it."""
    entry = case.evidence.entry
    if entry is None or entry.kind is ChangeKind.STOP:
        return False
    late_s = LATE_FRAMES * case.setting.frame_s + case.settles_s
    ended_s = max(entry.end_s, case.evidence.ramped_s) if case.evidence.ramped else entry.end_s
    return case.stopped_s > ended_s + late_s


def _format_short(case: Case) -> str:
    lasted = f"for only {max(case.lasted_s, 0.0):.2f} s"
    needed = f"for longer than {case.needed_s:.1f} s"
    if case.loss.came_back:
        return Reason(f"The transmitter was off {lasted}.", f"Keep it off {needed}.")
    return Reason(
        f"The recording went on {lasted} after the loss.",
        f"Keep it running, and the transmitter off, {needed}.",
    )


HOLD_STICK: Final = (
    "Weapon removed, wheels off the ground, robot restrained: hold every stick off its rest until "
    "the transmitter is on again"
)


def format_open(case: Case, alternative: Alternative) -> str:
    """Say which cause is left, and what to record so that it is not."""
    cause, ground = alternative.cause, alternative.ground
    if ground is Ground.FOLLOWS:
        if alternative.lines and alternative.lines[0] != case.setting.line:
            return Reason(
                "Another line still followed a moving stick after this one had changed. The "
                "link was not lost by then.",
                "Check that the transmitter was off.",
            )
        if case.behaviour is LossClass.KEEPS_FOLLOWING:
            return Reason(
                "The output still followed a moving stick, so its link was not lost.",
                "Check that the transmitter was off and its moment right.",
            )
    if ground in _SAID:
        return _SAID[ground]
    if ground is Ground.LEAPT:
        return Reason(
            f"The output left its stop range at {alternative.at_s:.3f} s. The link was seen "
            "back only later or not at all. A transmitter that starts with other widths "
            "looks the same.",
            "Switch it on again and wait before you touch a stick.",
        )
    about = ground if ground in _MORE_LOSSES else cause
    if about in _MORE_LOSSES:
        return _ask_for_losses(case, *_MORE_LOSSES[about])
    return f"The recording does not refute that {cause.value}."


def _ask_for_losses(case: Case, said: str, first: str, otherwise: str) -> Reason:
    """Ask for losses enough, marked by the switch itself: their delays show a machine."""
    setting = case.setting
    # Where the output left its stop range before the loss, its stick was held off its rest.
    if otherwise is _ANOTHER and case.evidence.entry is None:
        return Reason(said, f"{HOLD_STICK}.")
    if setting.losses >= MIN_LOSSES and setting.is_switch:
        return Reason(said, f"{first}{otherwise}")
    what = "" if setting.is_switch else ' with a marker of kind "switch"'
    here = f"; here are {setting.losses}" if setting.losses < MIN_LOSSES else ""
    return Reason(said, f"{first}Record {MIN_LOSSES} losses{what}{here}.")


_SMOOTHLY: Final = Reason(
    "The output moved smoothly after the loss. A released stick on a live link looks the same.",
    "Hold the stick where it is.",
)
MIN_LOSSES: Final = 10
"""So many losses with one delay show a machine (own choice)."""
_BESIDE: Final = (
    "Store a failsafe 10 us beside where the stick rests, still in the stop range. Record again."
)
_ANOTHER: Final = "Record another stick's output as well."
_SPARE: Final = "Record a spare output that goes to a preset as well, and state it unused."
_SAID: Final = {
    Ground.FOLLOWS: _SMOOTHLY,
    Ground.SMOOTH: _SMOOTHLY,
    Ground.SMALL: Reason(
        "The output changed by little, so a hand may have moved it.",
        f"Hold the stick further from its stop range. {HOLD_STICK}.",
    ),
    Ground.UNCLEAR: Reason(
        "The output did not jump into its stop range from a steady width well outside it. A "
        "hand may have moved it.",
        f"{HOLD_STICK}.",
    ),
    Ground.SEEN_CLOSE: Reason(
        "The output changed with the loss itself, so a hand may have let go of its stick.",
        f"{HOLD_STICK}. Record at least 3 losses with two sticks up.",
    ),
    Ground.NOT_BACK: Reason(
        "The pulses were not seen to come back with the link. A probe or a supply that came "
        "off looks the same.",
        "Record until the transmitter is on again and pulses are back.",
    ),
    Ground.ALL_ENDED: Reason(
        "The pulses of all lines stopped. A hand that pulls one plug with all of them looks the "
        "same.",
        _SPARE,
    ),
    Ground.OFF_IN_SILENCE: Reason(
        "No output jumped back with this one's pulses; a plug that was off in between looks the "
        "same.",
        _SPARE,
    ),
    Ground.PAUSED: Reason(
        "Lines went quiet at once and came back while the transmitter was off. A receiver or "
        "supply restart looks the same.",
        "Watch the supply and record again.",
    ),
    Ground.POLARITY: Reason(
        "Which level of the marker means on is neither stated nor shown.",
        "Add on to the sheet's marker, or write `off_line=LINE=high` or `off_line=LINE=low`.",
    ),
    Ground.CONTRADICTED: Reason(
        "The outputs follow moving sticks only while the marker says off.",
        "Check which of its levels means on.",
    ),
    Ground.STATED_SPREAD: Reason(
        "The delays after the stated times differ by more than a receiver's do. A plug pulled by "
        "hand looks the same.",
        "Mark the loss with a line (`off_line`).",
    ),
    Ground.SPREAD: Reason(
        "The delays after the marker differ by more than it may be late, so it is later "
        "than stated.",
        "Put a wire of the transmitter's own switch on it.",
    ),
    Ground.RESUMED: Reason(
        "Pulses came again before the marker showed on; the link may have been back by then.",
        "Hold every stick off its rest until the outputs follow it again.",
    ),
    Ground.UNMARKED_RETURN: Reason(
        "When the link was back is not marked, and the outputs do not show it beyond doubt.",
        "Put the transmitter's switch on a marker line.",
    ),
    Ground.QUICK_RETURN: Reason(
        "The output left its stop range in several steps, faster than a hand, and not with "
        "the other lines.",
        "Hold the sticks still until the transmitter is on again.",
    ),
    Ground.INSIDE: Reason(
        "The output was inside its stop range already before the loss; a receiver that "
        "holds looks the same.",
        f"{HOLD_STICK}.",
    ),
    Ground.NEVER_IN: Reason(
        "The output was outside its stop range before the loss, and did not go into it.",
        "Check that the transmitter was off, and set this output's failsafe.",
    ),
    Ground.EITHER_WAY: Reason(
        "The line reads as servo pulses either way up, so no width is certain.",
        "Record it at a lower frame rate, or check how it idles.",
    ),
    Ground.BROKEN: Reason(
        "Frames of this loss are damaged or missing, so what the output did in them is not known.",
        "Record again with a better connection.",
    ),
}
_MORE_LOSSES: Final = {
    Ground.ONE_SWITCH: (
        "Outputs went together to where their sticks rest; one switch looks the same.",
        "",
        _BESIDE,
    ),
    Cause.NEVER_LOST: (
        "Nothing shows that the link was lost: no two sticks' outputs returned together. A "
        "switch looks the same.",
        "",
        _ANOTHER,
    ),
    Cause.HAND: (
        "No output of another stick changed and returned with this one. A switch moved on a "
        "live link looks the same.",
        "",
        _ANOTHER,
    ),
    Cause.UNPLUGGED: (
        "The pulses stopped, and no other line changed in the same frame; a probe that fell "
        "off looks the same.",
        "Check the probes. ",
        _SPARE,
    ),
    Cause.SUPPLY: (
        "The pulses of all lines stopped; a robot switched off by hand because it ran on "
        "looks the same.",
        "Leave its supply on. ",
        _SPARE,
    ),
}
