"""One loss as one channel shows it, and what several say together."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.errors import Reason, named, preceded
from pwmscope.findings.failsafe.alternatives import Alternative, Case, alternatives_of
from pwmscope.findings.failsafe.losses import Known, Moment
from pwmscope.findings.failsafe.response import LossClass, Phase, PhaseKind, phases_of
from pwmscope.findings.failsafe.verdict import stood_in
from pwmscope.findings.sensors import MotionStop
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    Verdict,
    beta_quantile,
    measured,
    not_shown,
)

Bounds = tuple[float, float]


SIGNAL_LOSS: Final = "signal loss"
STOP_TIME: Final = "stop time"
RESTART: Final = "supply or receiver restart"
MAX_SHOWN: Final = 100
"""So many losses are named as evidence, of those that govern the verdict."""


@dataclass(frozen=True, slots=True)
class Recovery:
    """What one output did when the link came back."""

    # Seconds from the transmitter's return, where a marker tells it, until the output moved or
    # pulsed again
    relink_s: float | None
    # Widths before and after, where the output jumped out of its stop range within one frame; the
    # first is None where there were no pulses before
    jump_us: tuple[float | None, float] | None
    odd_pulses: int  # Glitches, foreign and bridged pulses from the loss until the recovery
    # Pulses more than 1 % of the span outside the convention's endpoints in that time
    outside_convention: int


@dataclass(frozen=True, slots=True, repr=False)
class LossEvent:
    """One loss as one channel shows it; all figures but these follow when asked for."""

    case: Case  # What was seen, and what it is held against
    # Whether this loss shows that the limit is met; None where the bench sheet expects nothing of
    # the line
    verdict: Verdict | None
    reason: str  # Why, as a sentence
    recovered_s: float | None  # Moment the output moved or pulsed again
    recovery: Recovery  # What it did when the link came back

    def __repr__(self) -> str:
        said = ", ".join(str(part) for part in (self.verdict, self.behaviour) if part is not None)
        return f"<LossEvent at {self.lost_s:.3f} s: {said or 'no verdict'}>"

    @property
    def lost_s(self) -> float:
        """Moment of loss; where it is inferred, the moment of its first visible effect."""
        return self.case.loss.lost_s

    @property
    def moment(self) -> Moment:
        """How, and how well, the moment of loss is known."""
        return self.case.loss.moment

    @property
    def known_from(self) -> str:
        """How the moment of loss is known, a sentence."""
        return self.case.loss.sentence

    @property
    def is_marked(self) -> bool:
        """Whether a marker line gives the moment of loss."""
        return self.case.loss.is_marked

    @property
    def is_restart(self) -> bool:
        """Whether it is a restart of the supply or the receiver rather than a loss."""
        return self.case.loss.is_restart

    @property
    def alternatives(self) -> tuple[Alternative, ...]:
        """Every alternative cause, and what refutes it; none where there is nothing to judge."""
        if self.is_restart or self.case.setting.expected.is_informative:
            return ()
        return alternatives_of(self.case)

    @property
    def behaviour(self) -> LossClass | None:
        """What the output did in the end; None where the recording does not tell."""
        return self.case.behaviour

    @property
    def phases(self) -> tuple[Phase, ...]:
        """What it did, step by step."""
        return phases_of(self.case.loss, self.case.response, self.case.setting.frame_s)

    @property
    def preset_us(self) -> float | None:
        """Width it went to or held; None where pulses stopped, or it did not settle."""
        return None if self.is_restart else self.case.response.level_us

    @property
    def settle_s(self) -> float | None:
        """Seconds from the loss until the output settled; None where that is only inferred."""
        settled_s = self.case.response.settled_s
        if settled_s is None or self.is_restart or self.moment.known is Known.INFERRED:
            return None
        return max(0.0, settled_s - self.lost_s)

    @property
    def settle_bounds_s(self) -> Bounds | None:
        """Least and most that the settle time can be."""
        settled_s, loss = self.case.response.settled_s, self.case.loss
        if settled_s is None or self.is_restart:
            return None
        most_s = max(0.0, settled_s - loss.earliest_s + (self.case.error_s or 0.0))
        if loss.moment.known is Known.INFERRED:
            return 0.0, most_s
        return max(0.0, settled_s - loss.gone_by_s), most_s

    @property
    def stop_s(self) -> float | None:
        """Seconds from the loss until the device was commanded to stand still, for good."""
        if not self._is_stop_timed or self.moment.known is Known.INFERRED:
            return None
        return max(0.0, self.case.stopped_s - self.lost_s)

    @property
    def stop_bounds_s(self) -> Bounds | None:
        """Least and most that the stop time can be."""
        if not self._is_stop_timed:
            return None
        least_s = 0.0 if self.moment.known is Known.INFERRED else self.case.stop_least_s
        return least_s, max(0.0, self.case.stop_most_s)

    @property
    def _is_stop_timed(self) -> bool:
        """Whether the output left or went quiet, and then stood still, because of the loss."""
        if self.behaviour is LossClass.HOLDS_LAST:
            return False  # what stands still later does so by the link's return
        changed = self.case.was_outside or self.behaviour is LossClass.PULSES_STOP
        known = math.isfinite(self.case.stopped_s) and not self.case.needs_device_time
        return changed and known and not self.is_restart

    @property
    def came_out_again(self) -> bool:
        """Whether it broke the limit by what came after the device had been stopped in time."""
        case, setting = self.case, self.case.setting
        over_s = case.loss.latest_s + setting.limit_s
        paused = any(pause.start_s < over_s for pause in case.response.pauses)
        stopped = stood_in(case, setting.expected.band) or (
            paused and setting.expected.no_pulses_stop is True
        )
        return stopped and self.verdict is Verdict.DOES_NOT_MEET

    @property
    def reasons(self) -> dict[str, str]:
        """For each figure that is None, why."""
        reasons = {}
        is_inferred = self.moment.known is Known.INFERRED
        if self.behaviour is None:
            reasons["class"] = self.known_from if self.is_restart else self.case.response.why_not
        if self.settle_bounds_s is None:
            reasons["settle_bounds_s"] = "The output had not settled when the loss ended."
        if self.settle_s is None:
            reasons["settle_s"] = reasons.get("settle_bounds_s", _NOT_MARKED)
        if self.recovered_s is None:
            reasons["recovered_s"] = "The output showed no change again before the recording ended."
        if self.stop_bounds_s is None:
            reasons["stop_bounds_s"] = self._why_no_stop
        if self.stop_s is None:
            reasons["stop_s"] = reasons.get("stop_bounds_s", _NOT_MARKED)
        if self.preset_us is None:
            reasons["settled_us"] = "There was no settled width during the loss."
        if self.recovery.relink_s is None:
            reasons["recovery.relink_s"] = (
                "When the transmitter was on again is not marked, or nothing was seen to follow."
            )
        if self.verdict is None:
            reasons["verdict"] = self.reason
        reasons["moment.within_s" if is_inferred else "moment.last_following_s"] = (
            "The moment is inferred; it lies between the last following and the first effect."
            if is_inferred
            else "The moment is not inferred but marked or stated."
        )
        return {field: named(reason) for field, reason in reasons.items()}

    @property
    def _why_no_stop(self) -> str:
        if self.is_restart:
            return self.known_from
        if self.case.setting.expected.band is None:
            return "No bench sheet states at which widths the device on this line stands still."
        if self.case.needs_device_time:
            return "How long the device runs on without pulses is not stated (no_pulses_after_s)."
        if not math.isfinite(self.case.stopped_s):
            return "The device was not commanded to stand still, for good, before the loss ended."
        return "The output was inside its stop range already before the loss."

    @property
    def sentence(self) -> str:
        """What this channel did, for a person."""
        if self.is_restart:
            back = "" if self.recovered_s is None else f", pulses again at {self.recovered_s:.3f} s"
            return f"Quiet at {self.lost_s:.3f} s: supply or receiver restart{back}."
        if self.behaviour is None:
            did = "what the output did is not shown"
        elif self.preset_us is None:
            did = self.behaviour.value
        else:
            did = f"{self.behaviour.value} ({self.preset_us:.1f} us)"
        took = ""
        if self.settle_s is not None and self.behaviour is not None:
            took = f", settled {self.settle_s:.3f} s later"
        stopped, bounds_s = "", self.stop_bounds_s
        if bounds_s is not None and self.verdict is not Verdict.NOT_SHOWN:
            stopped = f", stopped after {bounds_s[1]:.3f} s at most"
        again = "pulses again" if self.preset_us is None else "seen to move again"
        back = "" if self.recovered_s is None else f", {again} at {self.recovered_s:.3f} s"
        return f"Lost at {self.lost_s:.3f} s: {did}{self._before}{took}{stopped}{back}."

    @property
    def _before(self) -> str:
        """What it did before, where it did several things."""
        told = [
            f"{phase.kind.value} for {phase.end_s - phase.start_s:.2f} s"
            for phase in self.phases[:-1]
            if phase.kind is not PhaseKind.FOLLOWS_ON
        ]
        return f" (before that {', '.join(told)})" if told else ""


_NOT_MARKED = (
    "The moment the transmitter went off is not marked. Record a line from its switch and name "
    "that line with `off_line`."
)


@dataclass(frozen=True, slots=True)
class RotorLoss:
    """One loss as the rotor of a device without a pin shows it."""

    stop: MotionStop  # When it was slow, whether that shows that the limits are met, and why
    slowed_s: float | None  # Most time from the loss until it ran down; None where it did not
    # Time from the transmitter's return until it turned again; None where it did not
    again_s: float | None
    alternatives: tuple[Alternative, ...]  # Every alternative cause, and what refutes it
    is_restart: bool = False

    @property
    def lost_s(self) -> float:
        """Moment of loss."""
        return self.stop.lost_s

    @property
    def verdict(self) -> Verdict:
        """Whether it shows that the device stops in time."""
        return self.stop.verdict

    @property
    def reason(self) -> str:
        """Why, as a sentence."""
        return self.stop.reason

    @property
    def stop_bounds_s(self) -> tuple[float, float] | None:
        """Least and most time from the loss until the device was commanded to stop."""
        return None if self.slowed_s is None else (0.0, self.slowed_s)


CONFIDENCE: Final = 0.95
TRIALS: Final = "signal loss trials"

TRIALS_DEFINITIONS: Final = (
    Definition(
        TRIALS,
        "The failure rate that the losses seen leave open. It is below this bound with 95 % "
        "confidence. Losses that show neither are left out.",
        "upper end p of the one-sided Clopper-Pearson interval: P(at most k failures in n | p) = "
        "0.05; for k = 0, p = 1 - 0.05^(1/n), about 3/n",
        "Clopper and Pearson, Biometrika 26 (1934); the rule of three is common practice; from "
        "memory",
    ),
)


@dataclass(frozen=True, slots=True)
class Trials:
    """Several losses of one line, in one or several recordings."""

    # How many losses met the limit, broke it, or showed neither
    meets: int
    fails: int
    not_shown: int
    # Upper bound of the failure rate at 95 % confidence; None without a loss that showed either
    bound: float | None
    # Shortest, median and longest stop time of those that have one, in seconds, each the upper end
    # of its uncertainty
    stop_s: tuple[float, float, float] | None
    finding: Finding  # `signal loss trials`


def failure_rate_bound(trials: int, failures: int = 0, confidence: float = CONFIDENCE) -> float:
    """Bound the failure rate from above by what was seen (Clopper and Pearson 1934).

    It is the rate at which so few failures, or fewer, would be seen with a chance of
    ``1 - confidence``.

    >>> round(failure_rate_bound(59), 4), round(failure_rate_bound(10, 1), 4)
    (0.0495, 0.3942)
    """
    if trials < 1 or not 0 <= failures <= trials or not 0.0 < confidence < 1.0:
        raise ValueError(f"{failures} failures in {trials} trials at {confidence} make no sense")
    if failures == trials:
        return 1.0
    return beta_quantile(confidence, failures + 1, trials - failures)


def needed_trials(rate: float, confidence: float = CONFIDENCE) -> int:
    """Return how many trials, none of which may fail, bound the failure rate by ``rate``.

    >>> needed_trials(0.05), needed_trials(0.3)
    (59, 9)
    """
    return math.ceil(math.log(1.0 - confidence) / math.log(1.0 - rate))


def examine_trials(events: Iterable[LossEvent | RotorLoss]) -> Trials:
    """Count what the losses of one line show together."""
    losses = [event for event in events if not event.is_restart]
    meets = sum(event.verdict is Verdict.MEETS for event in losses)
    fails = sum(event.verdict is Verdict.DOES_NOT_MEET for event in losses)
    shown = [e for e in losses if e.verdict in (Verdict.MEETS, Verdict.DOES_NOT_MEET)]
    times_s = np.array([bounds[1] for e in shown if (bounds := e.stop_bounds_s) is not None])
    stop_s = None
    if times_s.size:
        stop_s = (float(times_s.min()), float(np.median(times_s)), float(times_s.max()))
    left_out = len(losses) - meets - fails
    if not shown:
        reason = "No loss was seen that shows whether the limit is met, so there is no rate."
        return Trials(meets, fails, left_out, None, stop_s, not_shown(TRIALS, "%", reason))
    bound = failure_rate_bound(len(shown), fails)
    finding = measured(
        TRIALS,
        100.0 * bound,
        "%",
        _format_trials(meets, fails, left_out, bound, stop_s),
        evidence=(Evidence(shown[0].lost_s, max(event.lost_s for event in shown), 0),),
    )
    return Trials(meets, fails, left_out, bound, stop_s, finding)


def _format_trials(
    meets: int, fails: int, left_out: int, bound: float, stop_s: tuple[float, float, float] | None
) -> str:
    whole = f"{meets} of {meets + fails} losses met the limit"
    also = f", {left_out} more showed neither" if left_out else ""
    times = ""
    if stop_s is not None:
        times = (
            f" Stop time at most {stop_s[0]:.2f} s, {stop_s[1]:.2f} s and {stop_s[2]:.2f} s "
            "(shortest, median, longest)."
        )
    if not meets:
        return f"{whole}{also}.{times}"
    return f"{whole}{also}: the failure rate is below {100.0 * bound:.2g} % (95 %).{times}"


def stop_time_finding(events: tuple[LossEvent, ...]) -> Finding:
    """Tell the slowest stop of a line's losses."""
    timed = [event for event in events if event.stop_bounds_s and not event.is_restart]
    if not timed:
        reason = (
            "No loss shows this device commanded to stand still, or the bench sheet does not "
            "state its stop range."
        )
        return not_shown(STOP_TIME, "s", reason)
    slowest = max(timed, key=lambda event: event.stop_bounds_s or (0.0, 0.0))
    least_s, most_s = slowest.stop_bounds_s or (0.0, 0.0)
    return measured(
        STOP_TIME, most_s, "s",
        f"The slowest of {len(timed)} losses, at {slowest.lost_s:.3f} s: commanded to stand still "
        f"for good {least_s:.3f} to {most_s:.3f} s after.",
        interval=(least_s, most_s),
        evidence=(Evidence(slowest.lost_s, slowest.lost_s + most_s, 0),),
    )  # fmt: skip


def restart_finding(restarts: list[LossEvent]) -> Finding:
    """Tell the restarts of the supply or the receiver, the proven ones first."""
    proven = [event for event in restarts if event.case.loss.is_proven]
    told = proven or restarts
    count = len(told)
    sentence = told[0].known_from
    if proven:
        sentence = (
            f"{count} restart{'s' if count > 1 else ''} of the supply or the receiver: no line had "
            f"pulses at {told[0].lost_s:.3f} s although the transmitter was on."
        )
    return Finding(
        RESTART, float(count), "", None, "no restart while the transmitter is on",
        Verdict.DOES_NOT_MEET if proven else Verdict.NOT_SHOWN,
        tuple(Evidence(event.lost_s, event.recovered_s or event.lost_s, 0) for event in told),
        Reason(sentence, "Check battery, regulator, plugs and ground lead."),
    )  # fmt: skip


def loss_finding(events: tuple[LossEvent, ...], limit: str) -> Finding:
    """Tell what a line did at its losses; the worst of them decides."""
    losses = [event for event in events if not event.is_restart]
    if not losses:
        return not_shown(
            SIGNAL_LOSS, "",
            Reason(
                "The signal was not seen to be lost, so what happens then is not shown.",
                "Weapon removed, wheels off the ground, robot restrained: record again. Hold a "
                "stick off its rest and switch the transmitter off."
            ),
            limit=limit,
        )  # fmt: skip
    seen = Counter(event.behaviour.value if event.behaviour else "not shown" for event in losses)
    value = ", ".join(seen)
    said = value if len(seen) == 1 else ", ".join(f"{did} in {n}" for did, n in seen.items())
    worst = worst_loss(losses)
    govern = [event for event in losses if event.verdict is worst.verdict][:MAX_SHOWN]
    spans = tuple([Evidence(e.lost_s, e.recovered_s or e.lost_s, 0) for e in govern])
    all_marked = all(not event.case.loss.is_inferred for event in losses)
    times = "once" if len(losses) == 1 else f"{len(losses)} times"
    sentence = f"Signal {'lost' if all_marked else 'seen to be lost'} {times}: {said}."
    if limit:
        which = "" if len(losses) == 1 else f" The loss at {worst.lost_s:.3f} s decides."
        sentence = preceded(f"{sentence}{which}", worst.reason)
    return Finding(SIGNAL_LOSS, value, "", None, limit, worst.verdict, spans, sentence)


def worst_loss(losses: Sequence[LossEvent]) -> LossEvent:
    """Return the loss that governs: one that does not meet, one not shown, the slowest."""
    for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
        for event in losses:
            if event.verdict is verdict:
                return event
    return max(losses, key=lambda event: event.stop_bounds_s[1] if event.stop_bounds_s else 0.0)
