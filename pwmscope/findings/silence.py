"""What a channel does when the signal is lost."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pwmscope.bench import Limits
from pwmscope.findings.definition import Definition
from pwmscope.findings.dwells import Dwells
from pwmscope.findings.finding import Evidence, Finding, Verdict
from pwmscope.findings.losses import Loss, quiet_limit_s
from pwmscope.findings.travel import pooled_level_us
from pwmscope.findings.width_noise import RANGE_LIMIT
from pwmscope.pulses import Convention, PulseTable, find_frames

AWAY: Final = 0.02
"""A stick this part of the convention's span from rest is off its rest position."""
BEFORE_S: Final = 0.3
"""How long before the loss the stick's movement is looked at."""

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "signal loss",
        "What the output did when the radio signal was lost, and how long it took. A device that "
        "goes on as commanded without a transmitter cannot be stopped.",
        "settle time = start of the output's last dwell, or its first missing frame, less the "
        "moment of loss; held against the failsafe limit. A hold, a wandering output and one that "
        "settles later do not meet it.",
        "own algorithm; the limit is common practice, the event's rulebook decides",
    ),
)


class LossClass(StrEnum):
    """What an output does while the signal is lost."""

    PULSES_STOP = "pulses stop"
    HOLDS_LAST = "holds last"
    GOES_TO_PRESET = "goes to preset"
    WANDERS = "wanders"
    KEEPS_FOLLOWING = "keeps following"


@dataclass(frozen=True, slots=True)
class LossEvent:
    """One loss as one channel shows it.

    Parameters
    ----------
    lost_s : float
        Moment of loss in seconds since the capture's start; where it is inferred,
        the moment of its first visible effect.
    behaviour : LossClass or None
        What the output did; None where the recording does not tell.
    settle_s : float or None
        Seconds from the loss until the output settled in that behaviour.
    recovered_s : float or None
        Moment the output moved or pulsed again.
    preset_us : float or None
        Width it went to or held; None where pulses stopped.
    is_marked : bool
        Whether a marker line gives the moment of loss; otherwise it is inferred.
    reasons : dict of str to str
        For each of ``class, settle_s, recovered_s`` that is None, why.
    known_from : str
        How the moment of loss is known, a sentence.
    sentence : str
        What this channel did, for a person.
    """

    lost_s: float
    behaviour: LossClass | None
    settle_s: float | None
    recovered_s: float | None
    preset_us: float | None
    is_marked: bool
    reasons: dict[str, str]
    known_from: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Silence:
    """All losses as one channel shows them.

    Parameters
    ----------
    events : tuple of LossEvent
        In order of time.
    finding : Finding
        ``signal loss``, held against the failsafe limit.
    """

    events: tuple[LossEvent, ...]
    finding: Finding


def examine_silence(
    table: PulseTable, dwells: Dwells, losses: tuple[Loss, ...], limits: Limits
) -> Silence:
    """Say what one channel did at each loss.

    Parameters
    ----------
    table : PulseTable
        The channel's pulses.
    dwells : Dwells
        Its dwells, broken at each loss and each return.
    losses : tuple of Loss
        The losses of the recording; those of other lines are passed over.
    limits : Limits
        Gives the failsafe time.

    Returns
    -------
    Silence
    """
    events = tuple(_event(table, dwells, loss) for loss in losses if table.line in loss.lines)
    return Silence(events, _finding(events, limits))


def _event(table: PulseTable, dwells: Dwells, loss: Loss) -> LossEvent:
    rows = np.flatnonzero(table.measured)
    rise_s, width_us = table.rise_s[rows], table.width_us[rows]
    usual_us = find_frames(table).usual_us or table.convention.period_us
    final = int(np.searchsorted(rise_s, loss.back_s)) - 1
    last_s = float(rise_s[final]) if final >= 0 else 0.0
    if loss.back_s - last_s > quiet_limit_s(usual_us) - usual_us / 1e6:
        quiet_s = last_s + usual_us / 1e6
        settle_s = max(0.0, quiet_s - loss.lost_s)
        return _made(
            loss,
            LossClass.PULSES_STOP,
            settle_s=settle_s,
            recovered_s=_next(rise_s, final),
            level_us=None,
            reasons={},
        )
    stand = np.flatnonzero(
        (dwells.start_s >= loss.lost_s - usual_us / 1e6) & (dwells.last >= rows[final] - 3)
        & (dwells.start_s < loss.back_s)
    )  # fmt: skip
    if not stand.size:
        during = width_us[np.searchsorted(rise_s, loss.lost_s) : final + 1]
        behaviour, reasons = _unsettled(during, table.convention.span_us)
        reasons["settle_s"] = "The output had not settled when the loss ended."
        return _made(
            loss, behaviour, settle_s=None, recovered_s=None, level_us=None, reasons=reasons
        )
    level_us = float(dwells.level_us[stand[0]])
    settle_s = max(0.0, float(dwells.start_s[stand[0]]) - loss.lost_s)
    behaviour, reasons = _settled(table, dwells, loss, level_us)
    moved = np.flatnonzero(np.abs(width_us[final + 1 :] - level_us) > _tolerance_us(table, dwells))
    recovered_s = float(rise_s[final + 1 + moved[0]]) if moved.size else None
    return _made(
        loss,
        behaviour,
        settle_s=settle_s,
        recovered_s=recovered_s,
        level_us=level_us,
        reasons=reasons,
    )


def _next(rise_s: npt.NDArray[np.float64], final: int) -> float | None:
    return float(rise_s[final + 1]) if final + 1 < rise_s.size else None


def _tolerance_us(table: PulseTable, dwells: Dwells) -> float:
    return max(0.005 * table.convention.span_us, RANGE_LIMIT * dwells.noise_us)


def _settled(
    table: PulseTable, dwells: Dwells, loss: Loss, level_us: float
) -> tuple[LossClass | None, dict[str, str]]:
    """Tell a preset from a hold by where the stick was when the signal went."""
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    # An inferred loss begins with the first frame that shows it; look before that.
    at = int(np.searchsorted(rise_s, loss.lost_s, side="right" if loss.is_marked else "left")) - 1
    at -= int(not loss.is_marked)
    if at < 1:
        return None, {"class": "No pulse was seen before the loss to compare with."}
    begin = int(np.searchsorted(rise_s, loss.lost_s - BEFORE_S))
    before = width_us[begin : at + 1]
    tolerance_us = _tolerance_us(table, dwells)
    step_us = abs(float(width_us[at] - width_us[at - 1]))
    if abs(level_us - width_us[at]) > tolerance_us + 2.0 * step_us:
        return LossClass.GOES_TO_PRESET, {}
    if not loss.is_marked:
        return None, {
            "class": (
                f"The output stood at {level_us:.1f} us before and after; whether it held its last "
                "width cannot be told without a marker line (--off-line)."
            )
        }
    moving = before.size > 1 and float(np.ptp(before)) > 2.0 * tolerance_us
    if moving or _is_away(dwells, loss, level_us, table.convention):
        return LossClass.HOLDS_LAST, {}
    return None, {
        "class": (
            f"The output stood at {level_us:.1f} us before and after, where the stick rests: a "
            "hold, a preset and an idle stick look alike. With the weapon removed and the wheels "
            "off the ground, hold the stick off its rest position while switching off."
        )
    }


def _is_away(dwells: Dwells, loss: Loss, level_us: float, convention: Convention) -> bool:
    """Say whether a level is neither neutral nor where the channel stands most."""
    earlier = dwells.select(dwells.end_s <= loss.lost_s)
    rest_us = pooled_level_us(earlier, convention.span_us)
    if rest_us is None:
        return False
    away_us = AWAY * convention.span_us
    neutral_us = convention.neutral_us
    near_neutral = abs(level_us - neutral_us) <= 2.5 * away_us
    at_low_end = abs(level_us - float(earlier.level_us.min())) <= away_us
    has_neutral = bool(np.any(np.abs(earlier.level_us - neutral_us) <= 2.5 * away_us))
    at_rest = near_neutral or (at_low_end and not has_neutral)
    return abs(level_us - rest_us) > away_us and not at_rest


def _unsettled(
    width_us: npt.NDArray[np.float64], span_us: float
) -> tuple[LossClass | None, dict[str, str]]:
    """Tell a hand's smooth movement from wandering by whether steps keep their sense.

    A hand moves on in one direction over many frames, so consecutive smoothed
    steps agree in sign far more often than the half that chance gives.
    """
    if width_us.size < 15:
        return None, {"class": "The loss was too short to see what the output did."}
    steps = np.diff(ndimage.median_filter(width_us, 5, mode="nearest")[::3])
    moving = steps[np.abs(steps) > 0.001 * span_us]
    if moving.size < 4:
        return None, {"class": "The output moved too little to tell what it did."}
    agree = float(np.mean(moving[1:] * moving[:-1] > 0))
    return (LossClass.KEEPS_FOLLOWING if agree > 0.75 else LossClass.WANDERS), {}


def _made(
    loss: Loss,
    behaviour: LossClass | None,
    *,
    settle_s: float | None,
    recovered_s: float | None,
    level_us: float | None,
    reasons: dict[str, str],
) -> LossEvent:
    if not loss.is_marked and settle_s is not None:
        settle_s = None
        reasons["settle_s"] = (
            "The moment the transmitter went off is not marked. Record a line from its switch "
            "and name that line with --off-line."
        )
    if recovered_s is None:
        reasons["recovered_s"] = "The output showed no change again before the recording ended."
    return LossEvent(
        loss.lost_s,
        behaviour,
        settle_s,
        recovered_s,
        level_us,
        loss.is_marked,
        reasons,
        loss.sentence,
        _say(loss, behaviour, settle_s, recovered_s, level_us),
    )


def _say(
    loss: Loss,
    behaviour: LossClass | None,
    settle_s: float | None,
    recovered_s: float | None,
    level_us: float | None,
) -> str:
    if behaviour is None:
        did = "what the output did is not shown"
    elif level_us is None:
        did = behaviour.value
    else:
        did = f"{behaviour.value} ({level_us:.1f} us)"
    took = "" if settle_s is None or behaviour is None else f", settled {settle_s:.3f} s later"
    again = "pulses again" if level_us is None else "seen to move again"
    back = "" if recovered_s is None else f", {again} at {recovered_s:.3f} s"
    return f"Lost at {loss.lost_s:.3f} s: {did}{took}{back}."


def _finding(events: tuple[LossEvent, ...], limits: Limits) -> Finding:
    limit = f"settled within {limits.failsafe_s:g} s (common practice; the rulebook decides)"
    if not events:
        return Finding(
            "signal loss", None, "", None, limit, Verdict.NOT_SHOWN, (),
            "The signal was not seen to be lost, so what happens then is not shown. Record again "
            "and, with the weapon removed, the wheels off the ground and the robot restrained, "
            "switch the transmitter off while a stick is held off its rest position.",
        )  # fmt: skip
    seen = [event.behaviour.value if event.behaviour else "not shown" for event in events]
    value = ", ".join(dict.fromkeys(seen))
    spans = tuple(Evidence(event.lost_s, event.recovered_s or event.lost_s, 0) for event in events)
    bad = {LossClass.HOLDS_LAST, LossClass.WANDERS}
    late = [e for e in events if e.settle_s is not None and e.settle_s > limits.failsafe_s]
    if any(event.behaviour in bad for event in events) or late:
        verdict, why = Verdict.DOES_NOT_MEET, ""
    else:
        verdict = Verdict.NOT_SHOWN
        why = " Whether that stops the device on this channel is for its manual to say."
    seen_lost = "lost" if all(event.is_marked for event in events) else "seen to be lost"
    times = "once" if len(events) == 1 else f"{len(events)} times"
    return Finding(
        "signal loss", value, "", None, limit, verdict, spans,
        f"Signal {seen_lost} {times}: {value}.{why}",
    )  # fmt: skip
