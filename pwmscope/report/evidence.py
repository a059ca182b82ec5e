"""What an answer is made of: checks, losses, rulings, advice; and words for single facts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from pwmscope.bench import MOTORS, BenchSheet
from pwmscope.errors import Reason
from pwmscope.findings import ChannelFindings, Finding, Findings, SensorFindings, Verdict
from pwmscope.findings.failsafe import NAME as SIGNAL_LOSS
from pwmscope.findings.failsafe import (
    Failsafe,
    FailsafeLine,
    LeftOut,
    LeftOutKind,
    LossClass,
    LossEvent,
    Polarity,
)
from pwmscope.findings.sensors import MOTION_STOP
from pwmscope.model import Hazard, badness, format_line, governing
from pwmscope.report.sentences import format_few

if TYPE_CHECKING:
    from pwmscope.advice import MixingAdvice, SettingsAdvice
    from pwmscope.bench import Wiring
    from pwmscope.findings.freshness import Freshness
    from pwmscope.findings.mixing import Mixing

_THE: Final = {
    "weapon": "the weapon",
    "drive-left": "the left drive",
    "drive-right": "the right drive",
    "drive-forward": "the drive",
    "drive-turn": "the drive's turn",
    "kill": "the kill switch",
    "servo": "the servo",
}
_DANGER: Final[dict[str, int]] = {
    "weapon": 0,
    "kill": 0,
    **dict.fromkeys(MOTORS[:-1], 1),
    "servo": 3,
}
_OTHER_DANGER: Final = 2
"""A line whose device is not stated may be anything but is not known to be a weapon."""


@dataclass(frozen=True, slots=True)
class Check:
    """One check of one line, as the recording shows it that governs."""

    line: str  # The line
    finding: Finding  # What was found; it has a limit
    source: str  # The recording

    @property
    def verdict(self) -> Verdict:
        """The finding's verdict."""
        return self.finding.verdict or Verdict.NOT_SHOWN


Part: TypeAlias = Literal["failsafe", "pulses", "sensor", "mixing", "wiring"]


@dataclass(frozen=True, slots=True)
class Judged:
    """One thing that was held against a limit, and what came of it."""

    part: Part  # Of which check
    name: str  # What was judged
    line: str  # The line, or the recording that could not be used; empty for the bench
    verdict: Verdict


@dataclass(frozen=True, slots=True, repr=False)
class LineChecks:
    """The checks of one line's pulses; those about a signal loss are the failsafe check's."""

    line: str  # The line
    checks: tuple[Check, ...]  # Each once
    refused: str  # Why no recording shows servo pulses on it; empty where one does
    is_idle: bool  # Whether it changed its level in no recording
    freshness: tuple[Freshness | None, ...] = ()  # Of its frames, in each recording

    def __repr__(self) -> str:
        return f"<LineChecks {self.line}: {self.verdict}, {len(self.checks)} checks>"

    @property
    def verdict(self) -> Verdict:
        """The worst verdict; not shown where no recording shows servo pulses."""
        return governing(check.verdict for check in self.checks)


def line_checks(recordings: Sequence[Findings], sheet: BenchSheet | None) -> list[LineChecks]:
    """Put the checks of several recordings together, line by line.

    One proven failure governs. Otherwise what one recording shows to meet its limit is
    met, although another did not show it.
    """
    markers = {findings.loss_analysis.reference.line for findings in recordings}
    names = dict.fromkeys(name for findings in recordings for name in findings.channels)
    return [
        _checks_of(name, [(f, f.channels[name]) for f in recordings if name in f.channels], sheet)
        for name in names
        if name not in markers
    ]


def _checks_of(
    name: str, seen: list[tuple[Findings, ChannelFindings]], sheet: BenchSheet | None
) -> LineChecks:
    stated = None if sheet is None else sheet.channels.get(name)
    has_neutral = stated is None or stated.neutral_us is not None
    best: dict[str, Check] = {}
    for findings, channel in seen:
        for finding in channel.pulse_checks:
            if finding.name == "neutral" and not has_neutral:
                continue
            check, before = Check(name, finding, findings.capture.source), best.get(finding.name)
            if before is None or _GOVERNS.index(check.verdict) < _GOVERNS.index(before.verdict):
                best[finding.name] = check
    refused = [found.not_servo for _, found in seen if found.not_servo is not None]
    is_idle = not any(f.capture.lines[name].edges_ps.size for f, _ in seen)
    fresh = tuple(found.freshness for _, found in seen)
    return LineChecks(name, tuple(best.values()), "" if best else refused[0], is_idle, fresh)


_GOVERNS: Final = (Verdict.DOES_NOT_MEET, Verdict.MEETS, Verdict.NOT_SHOWN)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the answer is made of."""

    failsafe: Failsafe  # The failsafe check
    sheet: BenchSheet | None  # The bench sheet
    # The checks of the pulses; None where only the failsafe is asked about
    lines: list[LineChecks] | None = None
    mixing: Mixing | None = None  # What the drive outputs do; None where there are none
    ways: tuple[MixingAdvice, ...] = ()  # What to change about it
    settings: SettingsAdvice | None = None  # What to set; None without a bench sheet
    # The rulings of the wiring rules; None where they are not asked about
    wiring: Wiring | None = None
    read_only: tuple[str, ...] = ()  # The lines that were read, where a person left out others
    # Each recording's rotation and supply lines, and its link record, with the recording
    sensors: tuple[tuple[str, SensorFindings], ...] = ()

    @property
    def sensor_checks(self) -> list[Check]:
        """What sensors' lines show that has a limit of its own: one of each, that governs."""
        best: dict[tuple[str, str], Check] = {}
        for source, sensor in self.sensors:
            for finding in sensor.judged:
                check, key = Check(sensor.line, finding, source), (sensor.line, finding.name)
                if key not in best or badness(check.verdict) < badness(best[key].verdict):
                    best[key] = check
        return list(best.values())

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """What was seen that can hurt, in the losses and in link records."""
        return (*self.failsafe.hazards, *(h for _, s in self.sensors for h in s.hazards))

    @property
    def pulses(self) -> list[LineChecks]:
        """The lines whose pulses are judged: all but those that carry nothing for nobody."""
        return [line for line in self.lines or () if self.is_stated(line.line) or not line.is_idle]

    @property
    def swapped(self) -> tuple[str, ...]:
        """The lines that follow each other's sticks; their devices are not what the sheet says."""
        left_out = self.failsafe.left_out
        return tuple(left.what for left in left_out if left.kind is LeftOutKind.SWAPPED)

    @property
    def wrong_markers(self) -> list[tuple[str, str]]:
        """Name the markers that the outputs contradict, each with the level that means on."""
        return [
            (found.reference.line, "high" if found.reference.on_level == 0 else "low")
            for found in self.failsafe.recordings
            if found.found.polarity is Polarity.CONTRADICTED and found.reference.line is not None
        ]

    @property
    def misnamed_markers(self) -> dict[str, str]:
        """The line that the sheet's marker may be, where a recording has a like name only."""
        marker = None if self.sheet is None else self.sheet.marker
        if self.sheet is None or marker is None:
            return {}
        found = {}
        for recording in self.failsafe.recordings:
            lines = recording.lines.capture.lines
            free = {_letters(line): line for line in lines if line not in self.sheet.channels}
            near = get_close_matches(_letters(marker.line), free, n=1)
            if near and recording.reference.line is None and marker.line not in lines:
                found[marker.line] = free[near[0]]
        return found

    @property
    def has_loss(self) -> bool:
        """Whether a signal loss was recorded."""
        return any(
            not event.is_restart for line in self.failsafe.lines for _, event in line.all_losses
        )

    def is_stated(self, line: str) -> bool:
        """Say whether the bench sheet names a device on a line."""
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return channel is not None and channel.is_device

    def role(self, line: str) -> str:
        """Return a line's role; empty where no sheet states it."""
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return "" if channel is None else channel.role

    def device(self, line: str) -> str:
        """Return the device on a line; empty where no sheet states it."""
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return "" if channel is None else channel.device

    def danger(self, line: str) -> int:
        """Rank a line by what its device can do; 0 for a weapon."""
        return danger_of(self.role(line))

    def the_device(self, line: str) -> str:
        """Name a line's device within a sentence."""
        role = self.role(line)
        channels = () if self.sheet is None else self.sheet.channels.values()
        is_only = sum(channel.role == role for channel in channels) == 1
        return _THE[role] if role in _THE and is_only else format_line(line)

    def failsafe_lines(self, verdict: Verdict) -> list[FailsafeLine]:
        """List the failsafe lines of a verdict, the most dangerous first."""
        found = [line for line in self.failsafe.judged if line.verdict is verdict]
        return sorted(found, key=lambda line: self.danger(line.line))

    @property
    def asks_for_mixing(self) -> bool:
        """Whether it is asked how outputs mix: by a plan, or where an inspection sees sticks."""
        if self.mixing is None or self.mixing.lines.is_into_mixer:
            return False
        return self.mixing.is_planned or (
            self.wiring is not None and bool(self.mixing.lines.sticks)
        )

    @property
    def judged(self) -> tuple[Judged, ...]:
        """Everything that was held against a limit, check by check."""
        return tuple(self._judged())

    def _judged(self) -> Iterator[Judged]:
        lines = self.failsafe.judged
        for line in lines:
            yield Judged("failsafe", SIGNAL_LOSS, line.line, line.verdict or Verdict.NOT_SHOWN)
        for left in self.failsafe.left_out:
            if left.kind is LeftOutKind.SWAPPED:
                yield Judged("pulses", left.kind.value, left.what, Verdict.DOES_NOT_MEET)
            elif left.weighs:
                yield Judged("failsafe", left.kind.value, left.what, Verdict.NOT_SHOWN)
        if not lines:
            yield Judged("failsafe", SIGNAL_LOSS, "", self.failsafe.verdict)
        for pulses in self.pulses:
            for check in pulses.checks:
                yield Judged("pulses", check.finding.name, pulses.line, check.verdict)
            if not pulses.checks:
                yield Judged("pulses", "servo pulses", pulses.line, Verdict.NOT_SHOWN)
        for check in self.sensor_checks:
            yield Judged("sensor", check.finding.name, check.line, check.verdict)
        for ruling in () if self.wiring is None else self.wiring.rulings:
            yield Judged("wiring", ruling.name, "", ruling.verdict)
        # Outputs that mix as wanted, or do not show it, change nothing where no one asks.
        mixing = self.mixing
        if mixing is not None and (self.asks_for_mixing or mixing.verdict is Verdict.DOES_NOT_MEET):
            yield Judged("mixing", mixing.arrangement.name or "mixing", "", mixing.verdict)

    @property
    def verdict(self) -> Verdict:
        """The worst of all that was judged."""
        return governing(judged.verdict for judged in self.judged)


def _letters(name: str) -> str:
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def format_reason(line: FailsafeLine) -> str:
    """Say why a line's failsafe is not shown."""
    if line.is_guarded:
        return line.sentence
    if line.why_not:
        return line.why_not
    event = next((e for _, e in line.all_losses if e.verdict is Verdict.NOT_SHOWN), None)
    if event is None:
        return line.sentence
    odd = event.recovery.odd_pulses if isinstance(event, LossEvent) else 0
    if not odd or isinstance(event.reason, Reason):
        return event.reason
    why = f"{event.reason} {odd} glitches came in that loss."
    return Reason(why, "Check that wire and its plug, then record again.")


def danger_of(role: str) -> int:
    """Rank a role by what its device can do; 0 for a weapon."""
    return _DANGER.get(role, _OTHER_DANGER)


def format_why(reason: str | Finding) -> str:
    """Say what was found, or why it is not shown, without what to do about it.

    >>> format_why(Reason("It stood at 1498.0 us all the time.", "Hold the stick off its rest."))
    'It stood at 1498.0 us all the time'
    """
    if isinstance(reason, Finding):
        said = reason.sentence.removesuffix(reason.to_do)
    else:
        said = reason.why if isinstance(reason, Reason) else reason
    return said.strip().removesuffix(".")


def format_lines(lines: Sequence[str]) -> str:
    """Name lines; of many only the first.

    >>> format_lines(["RX1", "RX2"]), format_lines([f"D{n}" for n in range(9)])
    ('RX1, RX2', 'D0, D1, D2 and 6 more')
    """
    return format_few(list(map(format_line, lines)), 3 if len(lines) > 4 else 4)


def grouped_checks(
    lines: Iterable[LineChecks], verdict: Verdict
) -> list[tuple[str, tuple[str, ...]]]:
    """List checks of a verdict with their lines; a line without pulses lacks them all."""
    named: dict[str, list[str]] = {}
    for line in lines:
        if not line.checks and verdict is Verdict.NOT_SHOWN:
            named.setdefault("servo pulses", []).append(line.line)
        for check in line.checks:
            if check.verdict is verdict:
                named.setdefault(check.finding.name, []).append(line.line)
    return [(name, tuple(of)) for name, of in named.items()]


def format_failure(line: FailsafeLine) -> str:  # noqa: PLR0911 - words for each failure
    """Say what a device does that it must not."""
    event = line.failure
    if event is None:
        finding = line.governing
        if finding is not None and finding.name == "power-up":
            return "runs before the link"
        if finding is not None and finding.name == MOTION_STOP:
            slow_s = finding.value
            return f"is slow after {slow_s:.2f} s" if isinstance(slow_s, float) else "turns on"
        return "restarts while the transmitter is on"
    level_us, behaviour = event.preset_us, event.behaviour
    if behaviour is LossClass.HOLDS_LAST and level_us is not None:
        held = [
            e for _, e in line.losses if e.behaviour is behaviour and e.verdict is event.verdict
        ]
        widths = [*dict.fromkeys(f"{e.preset_us:.0f}" for e in held if e.preset_us is not None)]
        return f"holds its last width: {', '.join(widths[:4])}{' …' * (len(widths) > 4)} us"
    if behaviour is LossClass.WANDERS:
        return "wanders"
    if behaviour in (LossClass.STUCK_HIGH, LossClass.STUCK_LOW, LossClass.NOISE):
        return f"is without pulses, its line is {behaviour.value}"
    if behaviour is LossClass.PULSES_STOP and line.expected.no_pulses_stop is False:
        return "keeps going without pulses"
    bounds_s, band = event.stop_bounds_s, line.expected.band
    if bounds_s is not None:
        return f"stops after {bounds_s[1]:.2f} s"
    if level_us is not None and band is not None and not band.holds(level_us):
        return f"goes to {level_us:.0f} us, outside its stop range"
    return "runs on after the loss"


def format_left_out(left: LeftOut) -> str:
    """Say what the check does not rest on, and what to do about it."""
    what = format_line(left.what)
    if left.kind is LeftOutKind.PART and left.from_s is not None and left.to_s is not None:
        return f"Of {what} only {left.from_s:g} to {left.to_s:g} s is examined."
    if left.said:
        return left.said
    carried = "" if left.level_us is None else f" It carried {left.level_us:.0f} us in a loss."
    return {
        LeftOutKind.PART: f"Of {what} only a part is examined.",
        LeftOutKind.TWICE: f"{what} holds the same recording again and counts once.",
        LeftOutKind.NO_LOSS: f"No loss is seen in {what}. Leave it out, or mark its losses.",
        LeftOutKind.NO_LINE: f"No line of the sheet is in {what}. Give it its own sheet.",
        LeftOutKind.UNLISTED: f"The sheet does not list {what}. Write in it what is on that line.",
        LeftOutKind.UNUSED: f"{what} is stated unused, and nothing is asked of it.{carried}",
        LeftOutKind.STICK: f"{what} is stated a stick, and follows none in the losses.{carried} "
        "State what is on it.",
        LeftOutKind.NOT_READ: f"The other lines of {what} cannot be read. Any may have a device.",
        LeftOutKind.PLAN: f"The plan was not used: {what} does not follow it. Name the plan that "
        "it was made by, or record again by it.",
    }[left.kind]
