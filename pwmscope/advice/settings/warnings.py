"""What may happen with a channel as it is set now."""

from __future__ import annotations

from pwmscope.advice.settings.setting import Action, Setting
from pwmscope.advice.settings.wanted import CAN_CREEP
from pwmscope.bench import BenchChannel
from pwmscope.findings.travel import Travel
from pwmscope.model import COVERAGE


def creep_warning(channel: BenchChannel, setting: Setting | None) -> str | None:
    """Warn of a robot that creeps: neutral off by more than half the deadband."""
    if setting is None or setting.measured is None or channel.role not in CAN_CREEP:
        return None
    doubt_us = COVERAGE * (setting.measured.uncertainty_us or 0.0)
    off_us = abs(setting.measured.us - (setting.target_us or 0.0))
    what = "the weapon may turn" if channel.role == "weapon" else "the robot creeps"
    if channel.deadband_us is None:
        if setting.action is not Action.CHANGE:
            return None
        return (
            f"With the stick let go {what} if the deadband is narrower than {2 * off_us:.0f} us; "
            "the sheet does not state it."
        )
    half_us = channel.deadband_us / 2.0
    if off_us + doubt_us <= half_us:
        return None
    more = f"more than half the deadband ({half_us:g} us)"
    if off_us - doubt_us > half_us:
        return f"Neutral lies {off_us:.1f} us off, {more}: with the stick let go {what}."
    return (
        f"Neutral lies {off_us:.1f} us off, within the uncertainty perhaps {more}: with the stick "
        f"let go {what}, if it is."
    )


def weapon_warning(channel: BenchChannel, travel: Travel) -> str | None:
    """Warn of a weapon that does not stop at the low end of its stick."""
    band = channel.stop_band
    if channel.role != "weapon" or channel.neutral_us is not None or band is None:
        return None
    if travel.low is None:
        return None
    low_us = travel.low.width_us
    doubt_us = COVERAGE * (travel.low.uncertainty_us or 0.0)
    if low_us + doubt_us <= band.high_us:
        return None
    perhaps = "is" if low_us - doubt_us > band.high_us else "is, within the uncertainty perhaps,"
    return (
        f"The lowest width at which the stick was held, {low_us:.1f} us, {perhaps} above the stop "
        f"range, which ends at {band.high_us:g} us: with the stick all the way down the weapon may "
        "turn."
    )
