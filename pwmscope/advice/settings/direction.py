"""Advice on which way a channel goes, and where it rests."""

from __future__ import annotations

from typing import Final

import numpy as np

from pwmscope.advice.settings.neutral import RATE_UNKNOWN
from pwmscope.advice.settings.setting import Action, Setting
from pwmscope.bench import DRIVES, Axis, BenchChannel, PlanStep, StopBand
from pwmscope.findings.plan_alignment import Alignment
from pwmscope.findings.results import ChannelFindings
from pwmscope.findings.travel import LET_GO, MIN_THROW, Amount, against_band, judge_rest
from pwmscope.model import Verdict, governing
from pwmscope.pulses import PulseTable

_AXIS_OF: Final[dict[str, Axis]] = {
    "drive-left": "elevator",
    "drive-right": "elevator",
    "weapon": "throttle",
}
_MEANS: Final[dict[Axis, str]] = {"elevator": "forward", "throttle": "up"}


def advise_direction(
    channel: BenchChannel, found: ChannelFindings, alignment: Alignment | None
) -> Setting | None:
    """Say whether a channel must be reversed; None where that cannot be asked.

    A rising width is taken for forward, or for a faster weapon (common practice).
    """
    axis = _AXIS_OF.get(channel.role)
    if axis is None:
        return None
    if alignment is None:
        return _of_resting_weapon(channel, found) if channel.role == "weapon" else None
    if not alignment.fits:
        return Setting(
            "direction", Action.NOT_SHOWN, f"The direction is not shown. {alignment.sentence}"
        )
    change_us = _change_us(found.table, alignment, axis)
    least_us = MIN_THROW * found.table.convention.span_us
    if change_us is None or abs(change_us) < least_us:
        return Setting(
            "direction", Action.NOT_SHOWN,
            f"The direction is not shown: with the {axis} held alone the width did not move by "
            f"{least_us:g} us or more. Hold it as the plan says, or look whether the channel "
            "follows another stick.",
        )  # fmt: skip
    rises = change_us > 0
    said = (
        f"With the {axis} {_MEANS[axis]} the width {'rises' if rises else 'falls'} by "
        f"{abs(change_us):.0f} us"
    )
    if rises:
        return Setting("direction", Action.LEAVE, f"{said}, as most devices take it. Leave it.")
    mirrored = (
        ", unless this side's motor is meant to turn the other way"
        if channel.role in DRIVES
        else ""
    )
    return Setting(
        "direction", Action.CHANGE,
        f"{said}; most devices take a rising width for {_MEANS[axis]} (common practice). Reverse "
        f"the channel in the transmitter{_set_now(channel)}{mirrored}.",
    )  # fmt: skip


def _set_now(channel: BenchChannel) -> str:
    if channel.reversed is None:
        return ""
    return f" (its direction is set to {'reversed' if channel.reversed else 'normal'} now)"


def _of_resting_weapon(channel: BenchChannel, found: ChannelFindings) -> Setting | None:
    """Judge a weapon that turns one way by the end at which it rests."""
    travel = found.travel
    if channel.neutral_us is not None or travel is None or travel.low is None:
        return None
    if travel.high is None:
        return None
    rest, band = travel.rest, channel.stop_band
    if band is None:
        return None
    if judge_rest(rest, band, found.table.sample_interval_us)[0] is Verdict.MEETS:
        return Setting(
            "direction", Action.LEAVE, "The weapon's channel rests at its low end. Leave it."
        )
    if not rest.is_known or rest.level is None or rest.level.width_us < travel.high.width_us:
        return None
    return Setting(
        "direction", Action.CHANGE,
        f"The weapon's channel rests at its high end, {travel.high.width_us:.0f} us, at which "
        f"the weapon runs. Reverse the channel in the transmitter{_set_now(channel)} before the "
        "weapon is powered.",
    )  # fmt: skip


def advise_rest(
    channel: BenchChannel, found: ChannelFindings, alignment: Alignment | None
) -> Setting | None:
    """Say whether the device stands still with the stick let go; None where it has no stop."""
    band, travel = channel.stop_band, found.travel
    if band is None or travel is None:
        return None
    target_us = channel.neutral_us if channel.neutral_us is not None else channel.low_us
    if alignment is None or not alignment.fits:
        return _by_stays(channel, band, found, target_us)
    return _by_plan(channel, band, found, alignment, target_us=target_us)


def _by_stays(
    channel: BenchChannel, band: StopBand, found: ChannelFindings, target_us: float
) -> Setting | None:
    """Judge the rest by where the whole recording comes back to."""
    if found.travel is None:
        return None
    rest, interval_us = found.travel.rest, found.table.sample_interval_us
    verdict, said = judge_rest(rest, band, interval_us)
    now = None if rest.level is None else rest.level.repeated.amount
    if now is not None and (now.uncertainty_us is None or interval_us is None):
        said = f"The rest position is {now.said}, but {RATE_UNKNOWN}"
        return Setting("rest position", Action.NOT_SHOWN, said, now, target_us)
    if verdict is Verdict.DOES_NOT_MEET:
        return _rests_wrongly(channel, band, target_us, now)
    action = Action.LEAVE if verdict is Verdict.MEETS else Action.NOT_SHOWN
    end = "Leave it." if action is Action.LEAVE else _BEFORE_POWER
    return Setting("rest position", action, f"{said} {end}", now, target_us)


def _by_plan(
    channel: BenchChannel,
    band: StopBand,
    found: ChannelFindings,
    alignment: Alignment,
    *,
    target_us: float,
) -> Setting:
    """Judge the rest by the plan's steps in which no stick is held."""
    widths = [
        width_us
        for span in alignment.spans
        if not span.step.sticks and span.step.transmitter_on
        and (width_us := _width_us(found.table, span.start_s, span.end_s)) is not None
    ]  # fmt: skip
    if not widths:
        return Setting(
            "rest position", Action.NOT_SHOWN,
            f"The rest position is not shown: the plan never lets the sticks go. {LET_GO}",
            target_us=target_us,
        )  # fmt: skip
    interval_us = found.table.sample_interval_us
    worst = governing(against_band(Amount(us, None), band, interval_us) for us in widths)
    farthest = Amount(max(widths, key=lambda us: abs(us - target_us)), None)
    if worst is Verdict.DOES_NOT_MEET:
        return _rests_wrongly(channel, band, target_us, farthest)
    side = "at least" if target_us > farthest.us else "at most"
    where = f"With the stick let go the width is {farthest.us:.1f} us {side}"
    inside = f"the stop range {band.low_us:g} to {band.high_us:g} us"
    if worst is Verdict.MEETS:
        said = f"{where}, inside {inside}. Leave it."
        return Setting("rest position", Action.LEAVE, said, farthest, target_us)
    said = f"{where}, at the border of {inside}. {_BEFORE_POWER}"
    return Setting("rest position", Action.NOT_SHOWN, said, farthest, target_us)


_BEFORE_POWER: Final = "Know it before anything is powered."


def _rests_wrongly(
    channel: BenchChannel, band: StopBand, target_us: float, now: Amount | None
) -> Setting:
    is_weapon = channel.role == "weapon"
    at = "" if now is None else f" is {now.said}, and that"
    device = "weapon" if is_weapon else "motor"
    how = (
        f"Set low endpoint, trim or direction so that the rest gives {target_us:g} us"
        if channel.neutral_us is None
        else f"Set trim and neutral so that the rest gives {target_us:g} us"
    )
    said = (
        f"With the stick let go the width{at} lies outside the stop range {band.low_us:g} to "
        f"{band.high_us:g} us. The {device} may run with nobody at the stick. {how}. Record "
        f"again before the {device} is powered."
    )
    return Setting("rest position", Action.CHANGE, said, now, target_us)


def _change_us(table: PulseTable, alignment: Alignment, axis: Axis) -> float | None:
    """How far the width goes from rest while one axis alone is held forward of it."""
    forward = [
        _width_us(table, span.start_s, span.end_s)
        for span in alignment.spans
        if _holds_alone(span.step, axis)
    ]
    rest = [
        _width_us(table, span.start_s, span.end_s)
        for span in alignment.spans
        if not span.step.sticks and span.step.transmitter_on
    ]
    forward, rest = [w for w in forward if w is not None], [w for w in rest if w is not None]
    if not forward or not rest:
        return None
    return float(np.median(np.array(forward)) - np.median(np.array(rest)))


def _holds_alone(step: PlanStep, axis: Axis) -> bool:
    return step.transmitter_on and set(step.sticks) == {axis} and step.sticks[axis] > 0


def _width_us(table: PulseTable, start_s: float, end_s: float) -> float | None:
    inside = table.measured & (table.rise_s >= start_s) & (table.rise_s < end_s)
    return float(np.median(table.width_us[inside])) if inside.any() else None
