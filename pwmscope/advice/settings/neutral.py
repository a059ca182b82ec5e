"""Advice on a channel's neutral."""

from __future__ import annotations

from dataclasses import replace

from pwmscope.advice.settings.change import Need, format_change, format_offset, needed, reckon
from pwmscope.advice.settings.setting import Action, Setting
from pwmscope.advice.settings.transmitter import Transmitter
from pwmscope.advice.settings.wanted import neutral_tolerance
from pwmscope.bench import BenchChannel
from pwmscope.findings.travel import Travel

RATE_UNKNOWN = (
    "the sample interval is not known, so neither is the uncertainty. Give it with --rate."
)


def advise_neutral(
    channel: BenchChannel, travel: Travel, transmitter: Transmitter
) -> Setting | None:
    """Say what to do about neutral; None for a device that has none."""
    target_us = channel.neutral_us
    if target_us is None:
        return None
    tolerance_us, why = neutral_tolerance(channel)
    level = travel.neutral
    if level is None:
        reason = travel.reasons.get("neutral", "The stick was never let go.")
        return Setting(
            "neutral", Action.NOT_SHOWN, f"Neutral is not shown. {reason}",
            target_us=target_us, tolerance_us=tolerance_us,
        )  # fmt: skip
    now = level.repeated.amount
    offset = replace(now, us=now.us - target_us)
    at = f"Neutral is {now.said}, {format_offset(offset.us)} from the {target_us:g} us wanted"
    if now.uncertainty_us is None:
        said = f"{at}, but {RATE_UNKNOWN}"
        return Setting("neutral", Action.NOT_SHOWN, said, now, target_us, tolerance_us)
    need = needed(offset, tolerance_us)
    if need is not Need.YES:
        said = (
            f"{at}; that is within {why}. Leave it."
            if need is Need.NO
            else f"{at}; whether that is more than {why}, lies within the uncertainty. Leave it."
        )
        return Setting("neutral", Action.LEAVE, said, now, target_us, tolerance_us)
    made = reckon(now, target_us, transmitter)
    if made.percent == 0.0:
        said = f"{at}; that is less than half a step of {transmitter.step_percent:g} %. Leave it."
        return Setting("neutral", Action.LEAVE, said, now, target_us, tolerance_us)
    how = format_change(made, made.percent, transmitter)
    said = f"{at}; that is more than {why}. Change neutral {how}."
    return Setting(
        "neutral", Action.CHANGE, said, now, target_us, tolerance_us,
        made.change, made.percent, made.predicted,
    )  # fmt: skip
