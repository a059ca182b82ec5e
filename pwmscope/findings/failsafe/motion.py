"""What the devices did themselves after each loss, where rotation lines watch them.

Of a device without a pin to record, its rotor alone judges it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import COMMON_PRACTICE, BenchChannel, BenchSheet, Limits
from pwmscope.capture import Capture
from pwmscope.errors import Reason
from pwmscope.findings.failsafe.alternatives import (
    SPREAD_S,
    Alternative,
    Case,
    Cause,
    Ground,
    never_lost,
    supply_failed,
)
from pwmscope.findings.failsafe.delays import MACHINE_ODDS, hand_odds, person_odds
from pwmscope.findings.failsafe.event import LossEvent, RotorLoss
from pwmscope.findings.failsafe.evidence import CLOSE_S
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.marker import FoundMoments, Polarity, Reference
from pwmscope.findings.failsafe.power import POWER_UP, sag_in
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.verdict import DIES_S
from pwmscope.findings.segmentation import ServoLines
from pwmscope.findings.sensors import (
    LossMoment,
    Marks,
    Motion,
    MotionStop,
    Rotation,
    Rotor,
    Spells,
    Supply,
    examine_rotation,
    find_marks,
    find_spells,
    judge_motion,
    limit_of,
    missing_motion,
    put_together,
    ran_again,
    run_down,
    whole_turns,
)
from pwmscope.model import Evidence, Finding, Hazard, HazardKind, Verdict
from pwmscope.pulses import STANDARD_SERVO

STEADY: Final = 0.95
"""A rotor that kept less of its speed in the last half second ran down already."""
SHORT_S: Final = 0.1
"""A loss must last for so much longer than the limit."""
MIN_CONTRARY: Final = 2
"""So many starts while the marker says off, and fewer while on, contradict the marker."""
SPINS_UP: Final = 0.8
"""A rotor that begins to turn does so at less than this part of its speed."""
SOONER: Final = 0.5
"""A rotor that turns after this part of the quickest return's time may have had no link yet."""
LIKELY_ODDS: Final = 0.05
"""Turns at the return that a hand would make so alike with smaller odds are told as a hazard."""
AT_REST_S: Final = 0.3
"""A rotor that stood for so long at the recording's start began to turn in it."""


def measure_rotations(
    lines: ServoLines, sheet: BenchSheet | None, limits: Limits
) -> dict[str, Rotation]:
    """Measure the rotation lines that the bench sheet names and the recording holds."""
    if sheet is None:
        return {}
    found = {}
    for sensor in sheet.sensors:
        line = lines.capture.lines.get(sensor.line)
        if sensor.role != "rotation" or line is None or sensor.of is None:
            continue
        frames = lines.frames.get(sensor.of)
        marks = find_marks(line, sensor.edge, lines.capture.sample_interval_ps)
        found[sensor.line] = examine_rotation(
            _rotor(sensor, sheet, limits, marks),
            lines.servo.get(sensor.of),
            sheet.stop_band(sensor.of),
            (frames.usual_us if frames else None) or STANDARD_SERVO.period_us,
            lines.capture.source,
        )
    return found


def _rotor(sensor: BenchChannel, sheet: BenchSheet, limits: Limits, marks: Marks) -> Rotor:
    """Say what a rotor is held against: a weapon's limit, or a drive's."""
    of = sensor.of or ""
    limit_s, stated_s, usual_s = (
        (each.weapon_motion_s if sheet.channels[of].role == "weapon" else each.drive_motion_s)
        for each in (limits, sheet, COMMON_PRACTICE)
    )
    stands = "common practice; the rulebook decides"
    if limit_s != usual_s:
        stands = "as asked for; the rulebook decides"
        if limit_s == stated_s:
            stands = f"limit of {sheet.rulebook or 'the bench sheet'}"
    return Rotor(
        sensor.line, of, marks, sensor.marks_per_turn, sensor.slow_per_minute, limit_s, stands
    )


def motions_of(
    events: Mapping[str, tuple[LossEvent, ...]],
    rotations: Mapping[str, Rotation],
    reference: Reference,
    limits: Limits,
    polarity: Polarity | None,
) -> dict[str, Motion]:
    """Judge what the rotor of each device did after each loss, by the device's line."""
    sheet, found = reference.sheet, {}
    for sensor in () if sheet is None else sheet.sensors:
        of = sensor.of
        if sheet is None or of is None or of not in events:
            continue
        losses = [event for event in events[of] if not event.is_restart]
        rotation = rotations.get(sensor.line)
        if rotation is not None:
            moments = [_moment_of(event.case, polarity) for event in losses]
            found[of] = judge_motion(rotation.rotor, moments)
            continue
        found[of] = _missing(sensor, sheet, limits, losses)
    return found


def _missing(
    sensor: BenchChannel, sheet: BenchSheet, limits: Limits, losses: Sequence[Loss | LossEvent]
) -> Motion:
    """Say of some losses that the recording does not hold a rotation line of the sheet."""
    none = Marks(np.zeros(0, np.int64), np.zeros(0, np.int64), 0, 0, 0.0)
    limit = limit_of(_rotor(sensor, sheet, limits, none))
    return missing_motion(sensor.line, limit, [loss.lost_s for loss in losses])


def _moment_of(case: Case, polarity: Polarity | None) -> LossMoment:
    """Say when a loss was, for a rotor: a transmitter may send on for a moment."""
    loss, doubt = case.loss, case.loss.doubt
    if loss.is_inferred:
        doubt = "The moment the transmitter went off is only inferred. Mark it with a line."
    elif loss.is_marked and polarity is not None and not polarity.is_known:
        doubt = "Which level of the marker means on is neither stated nor shown."
    elif case.behaviour is LossClass.KEEPS_FOLLOWING:
        doubt = "The output still followed a moving stick, so its link was not lost."
    return LossMoment(
        loss.lost_s, loss.earliest_s, loss.latest_s + DIES_S, loss.back_s, case.error_s, doubt
    )


@dataclass(frozen=True, slots=True)
class RotorLosses:
    """All losses of a device without a pin, as its rotor shows them."""

    events: tuple[RotorLoss, ...]  # In order of time
    motion: Motion  # What the rotor did; its finding holds the verdict
    findings: tuple[Finding, ...]  # `motion stop` and, where it turned before the link, `power-up`
    cut: Verdict  # The verdict where a kill channel cuts the power: then no other cause counts
    hazards: tuple[Hazard, ...] = ()  # Where it turned as the link came back


@dataclass(frozen=True, slots=True)
class Watch:
    """What bears on the losses of a device without a pin, beside its rotor."""

    found: FoundMoments  # The losses of the recording
    capture: Capture
    events: Mapping[str, tuple[LossEvent, ...]]  # Of the lines with pulses
    supplies: Mapping[str, Supply | None]  # Of the sheet's supply lines
    limits: Limits

    @property
    def is_polarity_known(self) -> bool:
        """Whether a marker's levels are known to mean what they are taken for."""
        return self.found.polarity is not None and self.found.polarity.is_known


def unpinned_losses(
    watch: Watch, rotations: Mapping[str, Rotation], sheet: BenchSheet | None
) -> dict[str, RotorLosses]:
    """Judge each device without a pin that a rotation line of the sheet watches, by its line."""
    found = {}
    for sensor in () if sheet is None else sheet.sensors:
        device = None if sheet is None or sensor.of is None else sheet.channels[sensor.of]
        if sheet is None or device is None or not device.no_pin or device.line in watch.events:
            continue
        losses = [loss for loss in watch.found.losses if not loss.is_restart]
        rotation = rotations.get(sensor.line)
        if rotation is not None:
            own = _Unpinned(watch, rotation.rotor, device, sheet, losses)
            found[device.line] = own.judged()
            continue
        motion = _missing(sensor, sheet, watch.limits, losses)
        found[device.line] = RotorLosses((), motion, (motion.finding,), Verdict.NOT_SHOWN)
    return found


class _Unpinned:
    """One device without a pin at all losses of a recording."""

    def __init__(
        self,
        watch: Watch,
        rotor: Rotor,
        device: BenchChannel,
        sheet: BenchSheet,
        losses: list[Loss],
    ) -> None:
        self.watch, self.rotor, self.device, self.sheet = watch, rotor, device, sheet
        self.losses, self.turns = losses, whole_turns(rotor)
        self.spells = find_spells(rotor, self.turns)
        self.is_contrary = self._is_contrary()
        self.moments = [self._moment(loss) for loss in losses]
        stop_by_s = [m.latest_s + watch.limits.failsafe_s for m in self.moments]
        self.runs = [
            run_down(rotor, self.turns, moment, by_s)
            for moment, by_s in zip(self.moments, stop_by_s, strict=True)
        ]
        seen = [run.before_hz for run in self.runs if run.before_hz is not None]
        self.usual_hz = float(np.median(seen)) if seen else self.spells.top_hz.max(initial=0.0)
        self.starts_while_on = self._starts_while_on()
        delays_s = np.array(
            [
                run.slowed_s[0] - loss.lost_s if run.slowed_s and loss.is_marked else math.nan
                for run, loss in zip(self.runs, losses, strict=True)
            ]
        )
        self.odds = person_odds(delays_s, STANDARD_SERVO.period_us / 1e6)
        self.again_s = np.array([self._again_s(k) for k in range(len(losses))])
        self.back_odds = hand_odds(self.again_s, STANDARD_SERVO.period_us / 1e6)
        known_s = delays_s[np.isfinite(delays_s)]
        self.spread_s = float(np.ptp(known_s)) if known_s.size else 0.0

    def judged(self) -> RotorLosses:
        """Judge every loss; the worst governs."""
        plain = judge_motion(self.rotor, self.moments)
        events = tuple([self._judge(k, stop) for k, stop in enumerate(plain.stops)])
        motion = put_together(self.rotor, tuple([event.stop for event in events]))
        early = self._before_link()
        findings = (motion.finding,) if early is None else (motion.finding, early)
        is_proven = motion.finding.verdict is Verdict.DOES_NOT_MEET
        cut = motion.finding.verdict if is_proven else plain.finding.verdict
        return RotorLosses(
            events, motion, findings, cut or Verdict.NOT_SHOWN, tuple(self._hazards())
        )

    def _hazards(self) -> Iterator[Hazard]:
        """Say where it turned as the link came back: as soon each time as no hand pushes a stick.

        What it was commanded is not recorded, so no width is told.
        """
        soon = (self.back_odds <= LIKELY_ODDS) | (self.again_s <= CLOSE_S)
        at = np.flatnonzero(soon)
        if not at.size or not self.watch.is_polarity_known or self.is_contrary:
            return
        at_s = self.losses[int(at[0])].back_s + float(self.again_s[at[0]])
        yield Hazard(
            HazardKind.STICK_HELD, (self.device.line,), at_s, None, None, at.size,
            len(self.losses), self.watch.capture.source,
        )  # fmt: skip

    def _moment(self, loss: Loss) -> LossMoment:
        return LossMoment(
            loss.lost_s, loss.earliest_s, loss.latest_s + DIES_S, loss.back_s,
            loss.timing_error_s(self.watch.capture.sample_interval_us), self._doubt(loss),
        )  # fmt: skip

    def _doubt(self, loss: Loss) -> str:
        """Say why it is not certain that the signal went then; empty where it is."""
        if not loss.is_marked:
            return Reason(
                "The moment the transmitter went off is not marked.",
                "Put the transmitter's switch on a marker line.",
            )
        if not self.watch.is_polarity_known or self.is_contrary:
            return Reason(
                "Which level of the marker means on is not known, or the rotor contradicts it.",
                "State on in the sheet's marker, and check it.",
            )
        for name, event in self._beside(loss):
            if event.behaviour is LossClass.KEEPS_FOLLOWING:
                return Reason(
                    f"{name} still followed a moving stick, so the link was not lost.",
                    "Check that the transmitter was off.",
                )
        return ""

    def _beside(self, loss: Loss) -> Iterator[tuple[str, LossEvent]]:
        """Give the same loss of the other lines of its receiver."""
        for name, events in self.watch.events.items():
            channel = self.sheet.channels.get(name)
            if channel is not None and channel.receiver == self.device.receiver:
                yield from ((name, e) for e in events if e.lost_s == loss.lost_s)

    def _is_contrary(self) -> bool:
        """Say whether it began to turn only while the marker says off."""
        begun_s = self.spells.driven(self.spells.top_hz.max(initial=0.0)).begin_s
        off = np.zeros(begun_s.size, dtype=bool)
        for loss in self.losses:
            off |= (begun_s > loss.lost_s) & (begun_s < loss.back_s)
        return bool(np.count_nonzero(off) >= MIN_CONTRARY > np.count_nonzero(~off))

    def _starts_while_on(self) -> bool:
        """Say whether it ran down and was driven again with the transmitter on."""
        bounds_s = [edge for loss in self.losses for edge in (loss.lost_s, loss.back_s)]
        edges_s = (self.watch.capture.start_s, *bounds_s, self.watch.capture.end_s)
        spans = zip(edges_s[::2], edges_s[1::2], strict=True)
        return any(ran_again(self.rotor, self.turns, *span_s, self.usual_hz) for span_s in spans)

    def _again_s(self, k: int) -> float:
        """Return the time from the transmitter's return until it turned, before the next loss."""
        back_s, losses = self.losses[k].back_s, self.losses
        following_s = losses[k + 1].lost_s if k + 1 < len(losses) else math.inf
        begin_s = self.spells.within(back_s, following_s).begin_s
        return float(begin_s[0]) - back_s if begin_s.size else math.nan

    def _before_link(self) -> Finding | None:
        """Say whether it turned before the link was there; None where it did not."""
        watch, start_s = self.watch, self.watch.capture.start_s
        linked_s = watch.found.linked_s
        is_marked = linked_s is not None and linked_s > start_s and watch.is_polarity_known
        if linked_s is None or not is_marked or self.is_contrary:
            return None
        late_s = max((loss.moment.late_s for loss in self.losses), default=0.0)
        quickest_s = np.nanmin(self.again_s, initial=math.inf)
        soon_s = SOONER * quickest_s if np.isfinite(quickest_s) else 0.0
        early = self._spells_by(linked_s + max(-late_s, soon_s))
        # One that turned from the start may have been lost just before.
        counts = early.end_s > start_s + watch.limits.failsafe_s
        counts |= early.begin_s > start_s + AT_REST_S
        counts |= early.first_hz < SPINS_UP * early.top_hz
        early = early.where(counts)
        if not early.begin_s.size:
            return None
        driven = early.driven(self.usual_hz)
        driven = driven.where(driven.begin_s < linked_s - late_s)
        at_s = float((driven if driven.begin_s.size else early).begin_s[0])
        said = f"It turned at {at_s:.3f} s, before the link."
        told: str = Reason(said, "Find out what drives it before the link, with its rotor removed.")
        if at_s >= linked_s - late_s:
            told = Reason(
                f"It turned at {at_s:.3f} s, sooner after the transmitter came on than after any "
                "loss. The link may not have been there.",
                "Let the rotor stand for longer at the start, and record again.",
            )
        elif not driven.begin_s.size:
            told = Reason(
                f"{said} A hand that turns it looks the same.", "Record again, and touch no rotor."
            )
        return Finding(
            POWER_UP, at_s, "s", None, "no motion before the link",
            Verdict.DOES_NOT_MEET if driven.begin_s.size else Verdict.NOT_SHOWN,
            (Evidence(at_s, linked_s, 0),), told,
        )  # fmt: skip

    def _judge(self, k: int, stop: MotionStop) -> RotorLoss:
        moment, run = self.moments[k], self.runs[k]
        spells = self.spells.within(moment.back_s, math.inf)
        # Marks at full speed at once are those of a sensor that was put back.
        is_back = bool(spells.begin_s.size and spells.first_hz[0] < SPINS_UP * spells.top_hz[0])
        # Those that end at full speed in most losses are those of one that is switched off.
        is_back &= run.is_seen or 2 * sum(each.is_seen for each in self.runs) > len(self.runs)
        alternatives = tuple(self._alternatives(k, is_back=is_back))
        verdict, reason = self._verdict(k, stop, alternatives)
        slowed_s = None
        if run.slowed_s is not None:
            slowed_s = max(run.slowed_s[1] - moment.earliest_s + (moment.error_s or 0.0), 0.0)
        return RotorLoss(
            replace(stop, verdict=verdict, reason=reason),
            slowed_s,
            None if math.isnan(self.again_s[k]) else float(self.again_s[k]),
            alternatives,
        )

    def _verdict(
        self, k: int, stop: MotionStop, alternatives: tuple[Alternative, ...]
    ) -> tuple[Verdict, str]:
        moment = self.moments[k]
        is_timed = moment.error_s is not None and self.rotor.per_turn is not None
        broken = self._broken(k, stop) if is_timed and not moment.doubt else ""
        if broken:
            return Verdict.DOES_NOT_MEET, broken
        open_point = next(self._open_points(k, stop, alternatives), None)
        if open_point is not None:
            return Verdict.NOT_SHOWN, open_point
        return Verdict.MEETS, stop.reason

    def _open_points(
        self, k: int, stop: MotionStop, alternatives: tuple[Alternative, ...]
    ) -> Iterator[str]:
        """Say what is not shown, the plainest first; nothing where all is."""
        moment, run, limit_s = self.moments[k], self.runs[k], self.watch.limits.failsafe_s
        if moment.doubt:
            yield moment.doubt
        if moment.error_s is None or self.rotor.per_turn is None:
            yield stop.reason
        turned = self._spells_by(moment.back_s).within(moment.latest_s, math.inf)
        if turned.begin_s.size or stop.verdict is Verdict.DOES_NOT_MEET:
            yield Reason(
                "Marks came while the signal was lost. A hand that turns the rotor, and a loose "
                "sensor, look the same.",
                "Fix the sensor, touch no rotor, and record again.",
            )
        if stop.verdict is not Verdict.MEETS:
            yield stop.reason
        if not self.watch.found.is_lateness_known:
            yield Reason(
                "How late the marker may change is not stated.", "State its kind in the sheet."
            )
        for each in alternatives:
            if not each.refuted:
                yield _CLOSE if each.ground is Ground.SEEN_CLOSE else _SAID[each.cause]
        by_s = math.inf if run.slowed_s is None else run.slowed_s[1]
        if by_s - moment.earliest_s + (moment.error_s or 0.0) > limit_s:
            yield Reason(
                f"It was not seen to run down within {limit_s:g} s of the loss.",
                "Set its failsafe to stop it sooner, and record again.",
            )

    def _spells_by(self, until_s: float) -> Spells:
        """Find where it turned, by the marks up to a moment alone."""
        return find_spells(self.rotor, self.turns, until_s)

    def _broken(self, k: int, stop: MotionStop) -> str:
        """Say what shows that it was driven for too long; empty where nothing does."""
        moment, run, limit_s = self.moments[k], self.runs[k], self.watch.limits.failsafe_s
        late_s = moment.latest_s + (moment.error_s or 0.0)
        begun = self._spells_by(moment.back_s).within(late_s, math.inf)
        begun = begun.driven(self.usual_hz)
        begun_s = begun.begin_s[begun.end_s >= late_s + limit_s]
        if begun_s.size:
            after_s = float(begun_s[0]) - moment.lost_s
            return f"It began to turn {after_s:.2f} s after the loss, with the signal lost."
        begin_s, end_s = self.spells.begin_s, self.spells.end_s
        whole = (begin_s <= moment.earliest_s) & (end_s >= late_s + self.rotor.limit_s)
        if stop.verdict is Verdict.DOES_NOT_MEET and whole.any():
            return stop.reason
        if run.is_driven:
            return (
                f"It was still driven {limit_s:g} s after the loss, the limit for its command to "
                "stop."
            )
        return ""

    def _alternatives(self, k: int, *, is_back: bool) -> Iterator[Alternative]:
        """List every alternative cause of one loss, with what refutes it."""
        loss, run, odds = self.losses[k], self.runs[k], float(self.odds[k])
        at_s = None if run.slowed_s is None else run.slowed_s[0]
        ground = Ground.MACHINE if odds <= MACHINE_ODDS else Ground.OPEN
        is_close = ground is Ground.MACHINE and not self._went(k)
        yield Alternative(
            Cause.NEVER_LOST, Ground.SEEN_CLOSE if is_close else ground, (), at_s, odds
        )
        yield Alternative(Cause.HAND, ground, (), at_s, odds)
        ground = Ground.TURNED_AGAIN if is_back else Ground.OPEN
        yield Alternative(Cause.UNPLUGGED, ground, (self.rotor.line,))
        yield self._supply(loss)
        ground = Ground.STARTED_WHILE_ON if self.starts_while_on else Ground.OPEN
        yield Alternative(Cause.REVERSED_MARKER, ground)
        is_alike = self.spread_s <= loss.moment.late_s + SPREAD_S
        yield Alternative(Cause.LATE_MARKER, Ground.COUNTED if is_alike else Ground.SPREAD)
        lasted_s = loss.back_s - self.moments[k].latest_s
        is_long = lasted_s >= self.watch.limits.failsafe_s + SHORT_S
        ground = Ground.LASTED if is_long else Ground.SHORT
        yield Alternative(Cause.BACK_EARLY, ground, (), loss.back_s)
        is_steady = run.before_hz is not None and run.kept_before >= STEADY
        yield Alternative(Cause.HELD, Ground.WAS_TURNING if is_steady else Ground.RAN_DOWN)

    def _went(self, k: int) -> bool:
        """Say whether the link went: a switch that only cuts the throttle does so at once.

        A transmitter takes its time to start, the same each time; or another output shows it.
        """
        loss, slowed_s = self.losses[k], self.runs[k].slowed_s
        if slowed_s is not None and slowed_s[0] >= loss.latest_s + CLOSE_S:
            return True
        if self.again_s[k] >= CLOSE_S and self.back_odds[k] <= MACHINE_ODDS:
            return True
        return any(never_lost(event.case).refuted for _, event in self._beside(loss))

    def _supply(self, loss: Loss) -> Alternative:
        """Ask whether the robot may have lost its power: by a supply line, or another output."""
        supplies = self.watch.supplies
        held = [
            name
            for name, own in supplies.items()
            if not sag_in(own, name, loss) and own is not None and own.is_told
        ]
        if len(held) < len(supplies):
            return Alternative(Cause.SUPPLY, Ground.SAGGED)
        if held:
            return Alternative(Cause.SUPPLY, Ground.SUPPLY_HELD, tuple(held))
        lines = tuple(name for name, e in self._beside(loss) if supply_failed(e.case).refuted)
        return Alternative(Cause.SUPPLY, Ground.OTHER_WENT_ON if lines else Ground.OPEN, lines)


_HAND: Final = Reason(
    "Its motor may have been stopped by hand: when it ran down differs as a person's times do.",
    'Record 10 losses with a marker of kind "switch", its stick held until the return.',
)
_CLOSE: Final = Reason(
    f"It ran down within {CLOSE_S:g} s of the marker. A switch that only cuts the throttle looks "
    "the same.",
    "Record another output of its receiver that goes to a preset.",
)
_SAID: Final = {
    Cause.NEVER_LOST: _HAND,
    Cause.HAND: _HAND,
    Cause.UNPLUGGED: Reason(
        "It was not seen to begin to turn after the loss. A sensor that came off looks the same.",
        "Fix the sensor, and record until the rotor turns again.",
    ),
    Cause.SUPPLY: Reason(
        "Nothing shows that the robot kept its power. A battery that comes off looks the same.",
        "Record its supply, or another output of its receiver, as well.",
    ),
    Cause.REVERSED_MARKER: Reason(
        "Nothing but the sheet shows which level of the marker means on.",
        "Stop and start it with its stick while the transmitter is on.",
    ),
    Cause.LATE_MARKER: Reason(
        "The delays after the marker differ by more than it may be late.",
        "Put a wire of the transmitter's own switch on it.",
    ),
    Cause.BACK_EARLY: Reason(
        "The transmitter was off for too short a time.", "Keep it off for longer than the limit."
    ),
    Cause.HELD: Reason(
        "It did not turn at a steady speed before the loss.",
        "Hold its stick still for 2 s before you switch off.",
    ),
}
