"""Whether what is seen in a loss can have another cause than the loss."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.case import Case
from pwmscope.findings.failsafe.response import LINK_S, LossClass
from pwmscope.findings.failsafe.stretches import Kind, Stretch

JUMP: Final = 0.04
"""A change by more than this part of the convention's span is one that was made on purpose."""
SAME: Final = 0.05
"""Levels within this part of the span may be one position of a stick held by hand."""
REACTION_S: Final = 0.3
"""Nobody who sees that a robot runs on pulls its plug sooner (common practice, from memory)."""
ALIKE: Final = 3
"""So many losses after which the pulses stopped with one delay show that a machine did it."""
ALIKE_TOGETHER: Final = 2
"""And so many where several lines changed at once."""
ALIKE_S: Final = 0.05
SAME_FRAME: Final = 1.1
"""Changes so many frame periods apart are of one frame, or of two that follow one another."""
HOLD_STICK: Final = (
    "with the weapon removed, the wheels off the ground and the robot restrained, hold the stick "
    "off its rest position while switching off, and until the transmitter is on again"
)


def unproven(case: Case, band: StopBand) -> Iterator[str]:
    """Say why a hand, a probe or a restart may have done what the loss should have done.

    Parameters
    ----------
    case : Case
        The loss.
    band : StopBand
        The stop range of the device on the line.

    Yields
    ------
    str
        Sentences with what to do; none where nothing but the loss explains it.
    """
    response = case.response
    if response.moved_until_s is not None:
        yield (
            "The output moved smoothly after the loss; a stick that a hand lets go while the "
            "receiver still follows looks the same. Hold the stick where it is."
        )
    if response.behaviour is LossClass.PULSES_STOP:
        yield from unproven_stop(case)
    else:
        yield from _unproven_change(case, band)


def _unproven_change(case: Case, band: StopBand) -> Iterator[str]:
    during, entry = case.response.during, _entry(case, band)
    if entry == 0 or not case.was_outside:
        yield (
            "The output was inside its stop range already before the loss; a receiver that holds "
            f"looks the same. Once more: {HOLD_STICK}."
        )
    into, before = during[entry], during[max(entry - 1, 0)]
    if _others_follow(case, into.start_s):
        yield _OTHERS_FOLLOW
    paused = Kind.QUIET in (into.kind, before.kind)
    if not paused and not _is_clear_jump(case, band, into, before):
        yield (
            "The output did not jump from a steady width well outside its stop range into it, so "
            f"a hand may have moved it. Once more: {HOLD_STICK}."
        )
    if not case.loss.is_marked:
        if not _jumps_back(case, band) or not _is_accompanied(case, into.start_s):
            yield (
                "The outputs were not seen to change together and to jump back together, so a "
                "switch, or a receiver that holds until the link is back, looks the same. Put the "
                f"transmitter's switch on a marker line. Once more: {HOLD_STICK}."
            )
    elif not _jumps_back(case, band) and not _is_failsafe_of_all(case, into.start_s):
        yield (
            "The output did not jump back with the link, and no other line changed with it in "
            "loss after loss; a switch moved while the receiver still follows looks the same. "
            f"Once more, several times: {HOLD_STICK}."
        )


_OTHERS_FOLLOW: Final = (
    "Another line still followed a moving stick after this one had changed, so the link was not "
    "lost by then: check that the transmitter was off."
)


def unproven_stop(case: Case) -> Iterator[str]:
    """Say why pulses may have stopped for another reason than the loss.

    Parameters
    ----------
    case : Case
        A loss at whose end the line was quiet.

    Yields
    ------
    str
        Sentences with what to do; none where nothing but the loss explains it.
    """
    quiet = case.response.during[-1]
    if _others_follow(case, quiet.start_s):
        yield _OTHERS_FOLLOW
    delay_s = quiet.start_s - case.loss.lost_s
    again = _alike(case, delay_s, case.setting.stop_delays_s) >= ALIKE_TOGETHER
    if again and _jumps_with(case, quiet.start_s):
        return
    if not _is_back_with_link(case, quiet):
        yield (
            "The pulses were not seen to come back with the link; a probe or a supply that came "
            "off looks the same. Record until the transmitter is on again and pulses are back."
        )
    if not _stops_as_ever(case, quiet) and not _stops_with_all(case, quiet):
        yield (
            "The pulses stopped, and no other line changed in the same frame; a probe that fell "
            "off, or a robot switched off by hand because it ran on, looks the same. Leave its "
            "supply on, put the transmitter's switch on a marker line and switch it off at least "
            f"{ALIKE} times."
        )


def _jumps_with(case: Case, moment_s: float) -> bool:
    """Say whether another line, its pulses going on, jumped in the frame of a marked change."""
    return case.loss.is_marked and any(
        _is_near(other.jumps_s, moment_s, case) for other in case.others
    )


def _stops_as_ever(case: Case, quiet: Stretch) -> bool:
    """Say whether the pulses stopped as long after the marker as in other losses."""
    delay_s = quiet.start_s - case.loss.lost_s
    return case.loss.is_marked and _alike(case, delay_s, case.setting.stop_delays_s) >= ALIKE


def _stops_with_all(case: Case, quiet: Stretch) -> bool:
    """Say whether all of several lines stopped in one frame, too soon for a hand to have done it.

    One probe may fall off, several do not in one frame; nobody pulls a plug, because
    the robot runs on, within his reaction time.
    """
    within_s = REACTION_S + 2.0 * (case.loss.moment.within_s or 0.0)
    return (
        quiet.start_s - case.loss.earliest_s <= within_s
        and len(case.together) > 1
        and all(_is_near(other.stops_s, quiet.start_s, case) for other in case.others)
    )


def _others_follow(case: Case, change_s: float) -> bool:
    """Say whether another line followed a moving stick after this one had changed."""
    return any(
        other.moved_until_s is not None and other.moved_until_s > change_s for other in case.others
    )


def _entry(case: Case, band: StopBand) -> int:
    """Place of the stretch with which the device's standing still began."""
    during = case.response.during
    place = len(during) - 1
    while place > 0 and _stops(during[place - 1], band, case.setting.expected.no_pulses_stop):
        place -= 1
    return place


def _stops(stretch: Stretch, band: StopBand, no_pulses_stop: bool | None) -> bool:
    if stretch.kind is Kind.QUIET:
        return bool(no_pulses_stop)
    return stretch.kind is Kind.STANDS and band.holds(stretch.level_us)


def _is_clear_jump(case: Case, band: StopBand, into: Stretch, before: Stretch) -> bool:
    """Say whether an output jumped, once, from well outside its stop range to stand in it.

    A hand's movement that the link brings in steps jumps as well, but several times.
    """
    return (
        into.jumped
        and before.kind is Kind.STANDS
        and not band.holds(before.level_us)
        and abs(into.level_us - before.level_us) >= JUMP * case.setting.span_us
        and min(before.end_s - before.start_s, into.end_s - into.start_s) >= LINK_S
    )


def _is_back_with_link(case: Case, quiet: Stretch) -> bool:
    """Say whether the pulses came back with the link."""
    if quiet.end_s >= case.setting.end_s or not case.loss.came_back:
        return False
    return case.loss.is_marked or _comes_back_as_it_was(case)


def _comes_back_as_it_was(case: Case) -> bool:
    """Say whether pulses came back at the stick's width, or at one that stops the device.

    Without a marker they may otherwise be a preset's, at which the device runs.
    """
    after, band = case.response.after, case.setting.expected.band
    if after is None or band is None:
        return False
    same_us = max(2.0 * case.setting.range_us, SAME * case.setting.span_us)
    return band.holds(after.first_us) or abs(after.first_us - case.before_us) <= same_us


def _jumps_back(case: Case, band: StopBand) -> bool:
    """Say whether the output jumped to where the stick had been when the link came back."""
    final, after = case.response.during[-1], case.response.after
    if after is None or not case.loss.came_back:
        return False
    same_us = max(2.0 * case.setting.range_us, SAME * case.setting.span_us)
    return (
        after.jumped
        and after.start_s >= case.loss.back_s
        and after.end_s - after.start_s >= LINK_S
        and not band.holds(after.level_us)
        and abs(after.level_us - final.level_us) >= JUMP * case.setting.span_us
        and abs(after.level_us - case.response.during[0].level_us) <= same_us
    )


def _is_accompanied(case: Case, change_s: float) -> bool:
    """Say whether another line jumped or stopped in the same frame."""
    return any(_is_near([*other.jumps_s, *other.stops_s], change_s, case) for other in case.others)


def _is_failsafe_of_all(case: Case, change_s: float) -> bool:
    """Say whether this change is one of several outputs at once, and no hand's.

    Another line jumped, or stopped for good, in the same frame, and so did this line in
    another loss after the same delay. A change close to the moment itself may be on its
    way from the stick.
    """
    if change_s < case.loss.latest_s + LINK_S:
        return False
    delay_s = change_s - case.loss.lost_s
    delays_s = case.setting.preset_delays_s
    return _is_accompanied(case, change_s) and _alike(case, delay_s, delays_s) >= ALIKE_TOGETHER


def _alike(case: Case, delay_s: float, delays_s: tuple[float, ...]) -> int:
    """Count delays that are alike within two frames."""
    reach_s = max(ALIKE_S, 2.0 * case.setting.frame_s)
    return sum(abs(other_s - delay_s) <= reach_s for other_s in delays_s)


def _is_near(moments_s: list[float], moment_s: float, case: Case) -> bool:
    """Say whether one of some moments lies in the same frame as another."""
    reach_s = SAME_FRAME * case.setting.frame_s
    return any(abs(other_s - moment_s) <= reach_s for other_s in moments_s)
