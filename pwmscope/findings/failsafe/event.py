"""One loss as one channel shows it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pwmscope.errors import named
from pwmscope.findings.failsafe.alternatives import Alternative, Case, alternatives_of
from pwmscope.findings.failsafe.losses import Known, Moment
from pwmscope.findings.failsafe.response import LossClass, Phase, PhaseKind, phases_of
from pwmscope.model import Verdict

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Recovery:
    """What one output did when the link came back.

    Parameters
    ----------
    relink_s : float or None
        Seconds from the transmitter's return, where a marker tells it, until the
        output moved or pulsed again.
    jump_us : tuple of float or None
        Widths before and after, where the output jumped out of its stop range
        within one frame; the first is None where there were no pulses before.
    odd_pulses : int
        Glitches, foreign and bridged pulses from the loss until the recovery.
    outside_convention : int
        Pulses more than 1 % of the span outside the convention's endpoints in that time.
    """

    relink_s: float | None
    jump_us: tuple[float | None, float] | None
    odd_pulses: int
    outside_convention: int


@dataclass(frozen=True, slots=True)
class LossEvent:
    """One loss as one channel shows it; all figures but these follow when asked for.

    Parameters
    ----------
    case : Case
        What was seen, and what it is held against.
    verdict : Verdict or None
        Whether this loss shows that the limit is met; None where the bench sheet
        expects nothing of the line.
    reason : str
        Why, as a sentence.
    recovered_s : float or None
        Moment the output moved or pulsed again.
    recovery : Recovery
        What it did when the link came back.
    """

    case: Case
    verdict: Verdict | None
    reason: str
    recovered_s: float | None
    recovery: Recovery

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
