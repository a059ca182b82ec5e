"""All questions, what each needs and who answers it, and all findings of a recording."""

from __future__ import annotations

import datetime
import importlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, partial
from numbers import Real
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias, TypeVar

import numpy as np

from pwmscope.bench import LEVELS, BenchSheet, CapturePlan, Limits, Marker, Role
from pwmscope.capture import Capture
from pwmscope.errors import ArgumentError, HintError, format_given, require_type
from pwmscope.findings import timing as on_timing
from pwmscope.findings import travel as on_travel
from pwmscope.findings.failsafe import LineLosses, LossAnalysis, analyse_losses
from pwmscope.findings.glitches import Coincidence, Glitches, examine_coincidence, examine_glitches
from pwmscope.findings.receivers import Order, clock_lines, examine_order
from pwmscope.findings.segmentation import Answer, Channel, Record
from pwmscope.findings.sensors import examine_levels
from pwmscope.findings.timing import Timing, examine_timing
from pwmscope.findings.travel import Device, Travel, examine_travel
from pwmscope.model import Definition, Finding, Hazard, Span, Verdict, at_once, worst
from pwmscope.pulses import STANDARD_SERVO, Convention, PulseTable

if TYPE_CHECKING:
    from pwmscope.findings.freshness import Freshness, SharedFreezes
    from pwmscope.findings.link import LinkRecord
    from pwmscope.findings.plan_alignment import Alignment

A = TypeVar("A")
When: TypeAlias = Literal["at once", "looked at", "called"]
LINK_RECORD: Final = "link record"
"""What stands for the link among the lines."""
_MAX_LISTED: Final = 6
"""Lines that the short form of findings names."""


@dataclass(frozen=True)
class AllLines:
    """The servo lines of a recording together, as an analyser of them all takes them."""

    glitches: dict[str, Glitches]  # Those of each servo line
    records: dict[str, Record]  # Each servo line outside its losses
    order: Order  # Which lines belong to one receiver, their order and skew
    # The answers of the servo lines to a question about a line
    ask: Callable[[str], dict[str, Answer]]

    @cached_property
    def answers(self) -> dict[str, Answer]:
        """What was found about all lines together, worked out when looked at."""
        return {
            row.question: row.analyse(self)
            for row in ANALYSERS
            if row.of == "recording" and row.analyse is not None
        }

    @property
    def freshness(self) -> dict[str, Freshness]:
        """How fresh the frames of each servo line are."""
        answers = self.ask("freshness")
        return {line: given({line: a}, line, _freshness().Freshness) for line, a in answers.items()}

    @property
    def shared_freezes(self) -> SharedFreezes:
        """Which freezes the lines of one receiver share."""
        found: SharedFreezes = given(self.answers, "shared freezes", _freshness().SharedFreezes)
        return found

    @property
    def coincidence(self) -> Coincidence:
        """Which lines' glitches come at the same moments."""
        return given(self.answers, "glitch coincidence", Coincidence)


@dataclass(frozen=True, slots=True)
class Analyser:
    """A question, and what answers it."""

    question: str  # Its name, as in `ChannelFindings.answer`
    # `"line"`: asked of every servo line. `"recording"`: of all of them together.
    of: Literal["line", "recording"]
    # What it cannot be answered without: `"pulses"`, `"marker"`, `"roles"` (of the bench sheet),
    # `"plan"`, `"two lines"`; or questions that are answered before it
    needs: tuple[str, ...]
    gives: str  # The definitions of its findings, as `package:NAME`
    # `"at once"`: by `examine`, and its limits make the verdict. `"looked at"`: when its answer is
    # first looked at. `"called"`: by its own function only.
    when: When = "at once"
    # From a `Channel`, or for a recording from `AllLines`, to the answer; None where it is called,
    # or comes with the records
    analyse: Callable[[Any], Answer] | None = None
    uses: tuple[str, ...] = ()  # What makes the answer sharper where it is there

    @property
    def definitions(self) -> tuple[Definition, ...]:
        """What its findings mean; its package is imported for it."""
        package, _, name = self.gives.partition(":")
        found: tuple[Definition, ...] = getattr(importlib.import_module(package), name)
        return found


def given(answers: dict[str, Answer], question: str, kind: type[A]) -> A:
    """Return the answer to a question that is answered before."""
    found = answers[question]
    assert isinstance(found, kind)
    return found


def _freshness() -> ModuleType:
    """Load the package that answers how fresh frames are; `examine` does without."""
    return importlib.import_module("pwmscope.findings.freshness")


def _travel(channel: Channel) -> Travel:
    return given(channel.answers, "travel", Travel)


def _timing(channel: Channel) -> Timing:
    return given(channel.answers, "timing", Timing)


_IN: Final = "pwmscope.findings."

ANALYSERS: Final[tuple[Analyser, ...]] = (
    Analyser(
        "timing", "line", ("pulses",), f"{_IN}timing:DEFINITIONS",
        analyse=lambda c: examine_timing(c.record, c.clock),
    ),
    Analyser(
        "rhythm", "line", ("timing",), f"{_IN}timing:RHYTHM_DEFINITIONS", "looked at",
        lambda c: on_timing.examine_rhythm(c.record, _timing(c).clock, c.clock),
    ),
    Analyser(
        "stability", "line", ("timing",), f"{_IN}timing:STABILITY_DEFINITIONS", "looked at",
        lambda c: on_timing.examine_stability(c.clock, _timing(c).clock),
    ),
    Analyser(
        "travel", "line", ("pulses",), f"{_IN}travel:DEFINITIONS",
        analyse=lambda c: examine_travel(
            c.record, device=Device.on(c.record.table.line, c.sheet), at_rest=c.at_rest
        ),
        uses=("roles", "plan"),
    ),
    Analyser(
        "resolution", "line", ("travel",), f"{_IN}travel:RESOLUTION_DEFINITIONS", "looked at",
        lambda c: on_travel.examine_resolution(c.record, _travel(c).moves),
    ),
    Analyser(
        "centring", "line", ("travel",), f"{_IN}travel:CENTRING_DEFINITIONS", "looked at",
        lambda c: on_travel.examine_centring(c.record, _travel(c)),
    ),
    Analyser(
        "sweeps", "line", ("travel",), f"{_IN}travel:SWEEP_DEFINITIONS", "looked at",
        lambda c: on_travel.examine_sweeps(c.record, _travel(c)),
    ),
    Analyser(
        "glitches", "line", ("pulses",), f"{_IN}glitches:DEFINITIONS",
        analyse=lambda c: examine_glitches(c.record, c.recorded),
    ),
    Analyser(
        "freshness", "line", ("resolution",), f"{_IN}freshness:DEFINITIONS", "looked at",
        lambda c: _freshness().examine_freshness(
            c.record, given(c.answers, "resolution", on_travel.Resolution)
        ),
    ),
    Analyser(
        "levels", "line", ("pulses",), f"{_IN}sensors:LEVEL_DEFINITIONS", "looked at",
        lambda c: examine_levels(c.record, c.plateaus),
    ),
    # Every record leaves out what was lost, so this one is answered before the records are made.
    Analyser(
        "failsafe", "line", ("pulses",), f"{_IN}failsafe:DEFINITIONS", uses=("marker", "roles")
    ),
    Analyser(
        "receivers", "recording", ("pulses",), f"{_IN}receivers:DEFINITIONS",
        analyse=lambda all_lines: all_lines.order,
    ),
    Analyser(
        "glitch coincidence", "recording", ("glitches", "receivers"),
        f"{_IN}glitches:COINCIDENCE_DEFINITIONS",
        analyse=lambda all_lines: examine_coincidence(
            all_lines.glitches, all_lines.records, all_lines.order.grouping.groups
        ),
    ),
    Analyser(
        "shared freezes", "recording", ("freshness", "receivers"),
        f"{_IN}freshness:SHARED_DEFINITIONS",
        analyse=lambda all_lines: _freshness().examine_shared_freezes(
            all_lines.freshness, all_lines.order.receivers
        ),
    ),
    # Motion is held against the losses, so this one is answered with them.
    Analyser(
        "rotation", "recording", ("roles",), f"{_IN}sensors:ROTATION_DEFINITIONS",
        uses=("marker",),
    ),
    Analyser(
        "supply", "recording", ("roles",), f"{_IN}sensors:SUPPLY_DEFINITIONS", uses=("marker",)
    ),
    Analyser("lag", "recording", ("two lines",), f"{_IN}lag:DEFINITIONS", "called"),
    Analyser(
        "mixing", "recording", ("roles",), f"{_IN}mixing:DEFINITIONS", "called", uses=("plan",)
    ),
    Analyser("link", "recording", ("plan",), f"{_IN}link:DEFINITIONS", "called", uses=("roles",)),
    Analyser(
        "marker", "recording", ("marker",), f"{_IN}marker_delay:DEFINITIONS", "called"
    ),
    Analyser("plan", "recording", ("plan",), f"{_IN}plan_alignment:DEFINITIONS", "called"),
)  # fmt: skip
"""All questions; of a line, and of a recording, in the order in which their findings are told."""


@cache
def definitions() -> dict[str, Definition]:
    """Return what every finding means, by its name, in the order in which findings are told."""
    return {each.name: each for row in ANALYSERS for each in row.definitions}


def _questions(*when: When) -> tuple[str, ...]:
    """List the questions that are asked of every line, or those that are asked at such a time."""
    return tuple(r.question for r in ANALYSERS if r.of == "line" and (not when or r.when in when))


@dataclass(frozen=True, repr=False, eq=False)
class ChannelFindings:
    """Everything found about one line.

    Parameters
    ----------
    line : str
        The line's name.
    table : PulseTable
        Its pulses, for pictures and further work.
    pulses : int
        Pulses that were measured (neither cut, nor glitches, nor foreign).
    not_servo : str or None
        Why the line does not carry servo pulses; None where it does.
    loss_spans : tuple of Span
        Time spans in which its signal was lost.
    channel : Channel or None
        What answers are worked out from, and those that were; None where the line does not carry
        servo pulses.
    """

    line: str
    table: PulseTable
    pulses: int
    not_servo: str | None
    loss_spans: tuple[Span, ...]
    channel: Channel | None = field(default=None, compare=False)

    def answer(self, question: str) -> Answer | None:
        """Return the answer to a question about a line, of the table `ANALYSERS`.

        Parameters
        ----------
        question : str
            Such as ``"timing"`` or ``"glitches"``.

        Returns
        -------
        Answer or None
            With its ``findings``; None where the line does not carry servo pulses.
        """
        row = next((r for r in ANALYSERS if r.of == "line" and r.question == question), None)
        if row is None:
            expected = f"one of the questions: {', '.join(_questions())}"
            raise ArgumentError("question", format_given(question), expected)
        if self.channel is None:
            return None
        answers = self.channel.answers
        if question not in answers:
            for before in set(row.needs).intersection(_questions()):
                self.answer(before)
            assert row.analyse is not None  # of a line only failsafe has none, and comes first
            found = row.analyse(self.channel)
            answers[question] = _withheld(found, self.wrong_times) if self.wrong_times else found
        return answers[question]

    @property
    def wrong_times(self) -> str:
        """Why no verdict is given: the times fit a servo only at another rate; else empty."""
        if self.table.time_scale is None:
            return ""
        likely_hz = self.table.likely_rate_hz
        likely = "" if likely_hz is None else f" {likely_hz / 1e6:g} MS/s would fit."
        return f"The sample rate looks wrong, so no verdict is given.{likely} Check `rate`."

    def _answer(self, question: str, kind: type[A]) -> A | None:
        found = self.answer(question)
        assert found is None or isinstance(found, kind)
        return found

    @property
    def timing(self) -> Timing | None:
        """Frame clock, period and jitter; None, as all answers, where it is no servo line."""
        return self._answer("timing", Timing)

    @property
    def rhythm(self) -> on_timing.Rhythm | None:
        """Rhythms in the widths and in the time error, worked out when looked at."""
        return self._answer("rhythm", on_timing.Rhythm)

    @property
    def stability(self) -> on_timing.Stability | None:
        """Allan and time deviation and the kind of noise, worked out when looked at."""
        return self._answer("stability", on_timing.Stability)

    @property
    def travel(self) -> Travel | None:
        """Endpoints, neutral and rest."""
        return self._answer("travel", Travel)

    @property
    def resolution(self) -> on_travel.Resolution | None:
        """Steps of the widths, worked out when looked at."""
        return self._answer("resolution", on_travel.Resolution)

    @property
    def centring(self) -> on_travel.Centring | None:
        """How well neutral is come back to, worked out when looked at."""
        return self._answer("centring", on_travel.Centring)

    @property
    def sweeps(self) -> on_travel.Sweeps | None:
        """How evenly the widths follow the stick, worked out when looked at."""
        return self._answer("sweeps", on_travel.Sweeps)

    @property
    def freshness(self) -> Freshness | None:
        """How fresh its frames are while the stick moves, worked out when looked at."""
        from pwmscope.findings.freshness import Freshness  # noqa: PLC0415 - seldom looked at

        return self._answer("freshness", Freshness)

    @property
    def glitches(self) -> Glitches | None:
        """Single pulses that are wrong."""
        return self._answer("glitches", Glitches)

    @property
    def losses(self) -> LineLosses | None:
        """What it did at each signal loss."""
        return self._answer("failsafe", LineLosses)

    def __getitem__(self, name: str) -> Finding:
        """Return a finding by its name, such as ``"neutral"``."""
        found = next((finding for finding in self.findings if finding.name == name), None)
        if found is None:
            names = ", ".join(finding.name for finding in self.findings) or "none"
            raise ArgumentError("name", format_given(name), f"one of the findings: {names}")
        return found

    def __repr__(self) -> str:
        if self.not_servo is not None:
            return f"<ChannelFindings {self.line}: {self.not_servo}>"
        worst_ones = [f.name for f in self.judged if f.verdict is self.verdict]
        return (
            f"<ChannelFindings {self.line}: {self.verdict} ({', '.join(worst_ones)}), "
            f"{self.pulses} pulses>"
        )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings of the channel, in the order in which they are told."""
        return self._of(*_questions())

    @property
    def judged(self) -> tuple[Finding, ...]:
        """The findings that were held against a limit; the seldom-asked answers have none."""
        return tuple(f for f in self._of(*_questions("at once")) if f.limit)

    @property
    def pulse_checks(self) -> tuple[Finding, ...]:
        """The findings that were held against a limit, without those about a signal loss."""
        others = (question for question in _questions("at once") if question != "failsafe")
        return tuple(f for f in self._of(*others) if f.limit)

    def _of(self, *questions: str) -> tuple[Finding, ...]:
        answers = (self.answer(question) for question in questions)
        return tuple(f for answer in answers if answer is not None for f in answer.findings)

    @property
    def verdict(self) -> Verdict:
        """Verdict over all findings of the channel."""
        return worst(self.judged)


def _withheld(answer: Answer, reason: str) -> Answer:
    """Take the verdicts out of an answer; what was measured stays."""
    found = tuple(
        replace(f, verdict=Verdict.NOT_SHOWN, sentence=f"{reason} {f.sentence}") if f.limit else f
        for f in answer.findings
    )
    return replace(answer, findings=found)  # type: ignore[type-var]


@dataclass(frozen=True, slots=True, eq=False)
class SensorFindings:
    """Everything found about a line that shows what a device does, or what the receiver runs on.

    A link record is told in the same way, as what the line `LINK_RECORD` shows.
    """

    # As the bench sheet has them; `link record` and `link`
    line: str
    role: Role | Literal["link"]
    of: str | None  # The line of the device that it is about; None where it is about all
    answer: Answer  # What was found, with its `findings`

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """What a link record shows that can hurt; a rotation line's are the failsafe check's."""
        if self.role != "link":
            return ()
        from pwmscope.findings.link import LinkRecord  # noqa: PLC0415 - slow to import

        return self.answer.hazards if isinstance(self.answer, LinkRecord) else ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings, in the order in which they are told."""
        return self.answer.findings

    @property
    def judged(self) -> tuple[Finding, ...]:
        """The findings that were held against a limit."""
        return tuple(finding for finding in self.findings if finding.limit)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class Findings:
    """Everything found in a recording.

    Parameters
    ----------
    capture : Capture
        The recording; PPM sum trains are split into their channels.
    limits : Limits
        The limits, for a convention that spans 1000 us.
    channels : dict of str to ChannelFindings
        By line, in the capture's order; a marker line is left out.
    all_lines : AllLines
        What the lines show together.
    assumptions : tuple of str
        All that was assumed, each a plain sentence.
    loss_analysis : LossAnalysis
        What a failsafe check takes: the recording as its losses were told.
    alignment : Alignment or None
        Where the plan's steps are in the recording; None without a plan.
    sensors : dict of str to SensorFindings, optional
        What the bench sheet's rotation and supply lines show, by line.
    """

    capture: Capture
    limits: Limits
    channels: dict[str, ChannelFindings]
    all_lines: AllLines
    assumptions: tuple[str, ...]
    loss_analysis: LossAnalysis
    alignment: Alignment | None = None
    sensors: dict[str, SensorFindings] = field(default_factory=dict)

    def __getitem__(self, line: str) -> ChannelFindings:
        """Return what was found about a line."""
        if line not in self.channels:
            lines = ", ".join(self.channels) or "none"
            raise ArgumentError("line", format_given(line), f"one of the lines: {lines}")
        return self.channels[line]

    def __repr__(self) -> str:
        lines = [f"  {found!r}" for found in list(self.channels.values())[:_MAX_LISTED]]
        more = len(self.channels) - len(lines)
        if more:
            lines.append(f"  and {more} more")
        about = f"{self.capture.source}, {self.capture.duration_s:.3f} s"
        return "\n".join([f"<Findings of {about}, {len(self.channels)} lines>", *lines])

    def only(self, lines: tuple[str, ...]) -> Findings:
        """Leave out what was found about the other lines.

        Parameters
        ----------
        lines : tuple of str
            The lines to keep.

        Returns
        -------
        Findings
            What was found about them; about the lines together nothing changes.

        Raises
        ------
        HintError
            If there is no such line, or it is the marker.
        """
        require_type("lines", lines, Sequence, "a tuple of lines' names")
        for line in lines:
            if line not in self.channels:
                raise HintError(
                    f"There is no finding about a line '{line}' in {self.capture.source}; "
                    f"its lines are {', '.join(self.channels)}."
                )
        kept = {line: found for line, found in self.channels.items() if line in lines}
        return replace(self, channels=kept)

    @property
    def servo(self) -> dict[str, ChannelFindings]:
        """The channels that carry servo pulses, in the capture's order."""
        return {line: found for line, found in self.channels.items() if found.not_servo is None}

    @property
    def servo_tables(self) -> dict[str, PulseTable]:
        """The pulses of the channels that carry servo pulses."""
        return {line: found.table for line, found in self.servo.items()}

    @property
    def order(self) -> Order:
        """Which lines belong to one receiver, their order and skew."""
        return self.all_lines.order

    @property
    def coincidence(self) -> Coincidence:
        """Which lines' glitches come at the same moments."""
        return self.all_lines.coincidence

    @property
    def shared_freezes(self) -> SharedFreezes:
        """Which freezes the lines of one receiver share."""
        return self.all_lines.shared_freezes

    @property
    def recording_findings(self) -> tuple[Finding, ...]:
        """Findings about the lines together."""
        return tuple(f for answer in self.all_lines.answers.values() for f in answer.findings)

    @property
    def conventions(self) -> tuple[Convention, ...]:
        """The conventions that the servo channels were held against, each once."""
        used = [channel.table.convention for channel in self.servo.values()]
        return tuple(dict.fromkeys(used)) or (STANDARD_SERVO,)


def examine(
    capture: Capture,
    *,
    off_line: str | Marker | None = None,
    off_at_s: Sequence[tuple[float, float]] = (),
    sheet: BenchSheet | None = None,
    convention: Convention | None = None,
    limits: Limits | None = None,
    plan: CapturePlan | None = None,
) -> Findings:
    """Find out everything about every channel of a recording.

    Parameters
    ----------
    capture : Capture
        The recording.
    off_line : str or Marker, optional
        A line that shows whether the transmitter is on: its level at the start
        means on, the other off, unless a `Marker` says more of it. By default the
        bench sheet's. Without a marker or stated times, losses are inferred from the
        outputs, which cannot show a hold.
    off_at_s : sequence of tuple of float, optional
        Times in seconds at which the transmitter went off, each with the half-width
        of its uncertainty, where there is no marker.
    sheet : BenchSheet, optional
        What is on each line; without it no channel can be said to stop in time.
    convention : Convention, optional
        What the pulses are held against; by default each line's is chosen from
        its pulses, and said where it is not the standard servo convention.
    limits : Limits, optional
        What the figures are held against, for a convention that spans 1000 us; they
        are scaled to the others. By default the sheet's, or common practice.
    plan : CapturePlan, optional
        The plan that the hands followed: where it fits, a channel rests where the plan has
        the sticks let go.

    Returns
    -------
    Findings

    Raises
    ------
    HintError
        If ``off_line`` is not a line of the capture or marks nothing, a stated time
        lies outside it, or both are given.
    ArgumentError
        If an argument is of another type.

    Examples
    --------
    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> rise_us = 5_000 + 20_000 * np.arange(100)
    >>> edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 2_000_000_000_000, 1e6, "an example")
    >>> channel = examine(capture).channels["RX1"]
    >>> channel.travel.neutral_offset_us, channel.timing.frame_rate_hz
    (20.0, 50.0)
    >>> channel.losses.finding.verdict.value
    'not shown'
    """
    _check_types(capture, off_line, sheet, convention, limits, plan=plan)
    _check_moments(off_at_s)
    loss_analysis = analyse_losses(
        capture,
        off_line=off_line,
        off_at_s=off_at_s,
        sheet=sheet,
        convention=convention,
        limits=limits,
    )
    lines, found = loss_analysis.lines, loss_analysis.found
    capture, limits = lines.capture, limits or loss_analysis.reference.limits
    order = examine_order(found.records)
    clocks = clock_lines(order)
    recorded = Span(capture.start_s, capture.end_s)
    alignment = None
    if plan is not None:
        from pwmscope.findings.plan_alignment import align_plan  # noqa: PLC0415 - slow to import

        alignment = align_plan(plan, lines.servo)
    at_rest = () if alignment is None else alignment.at_rest

    def own(name: str) -> ChannelFindings:
        table = lines.tables[name]
        if name in lines.refused:
            return ChannelFindings(name, table, 0, lines.refused[name], ())
        record, losses = found.records[name], found.line_losses[name]
        clock = found.records.get(clocks.get(name, ""), record)
        plateaus = capture.lines[name].plateaus if name in capture.lines else None
        channel = Channel(record, clock, recorded, sheet, {"failsafe": losses}, plateaus, at_rest)
        pulses = int(np.count_nonzero(table.measured))
        lost = record.losses[len(record.losses) - len(losses.events) :]
        findings = ChannelFindings(name, table, pulses, None, lost, channel)
        for question in _questions("at once"):
            findings.answer(question)
        return findings

    channels = at_once(own, lines.tables, lines.pulses)
    glitches = {name: c.glitches for name, c in channels.items() if c.glitches is not None}
    servo = {name: c for name, c in channels.items() if c.channel is not None}
    all_lines = AllLines(glitches, found.records, order, partial(_answers, servo))
    assumptions = (*capture.assumptions, *found.said, *lines.notes, *_FIXED)
    sensors = {
        line: SensorFindings(line, "rotation", rotation.rotor.of, rotation)
        for line, rotation in found.rotations.items()
    }
    for line, supply in found.supplies.items():
        sensors[line] = SensorFindings(line, "supply", None, supply)
    findings = Findings(
        capture, limits, channels, all_lines, assumptions, loss_analysis, alignment, sensors
    )
    if plan is not None and plan.is_link_record:
        linked = examine_link_record(findings, plan, sheet)
        sensors[LINK_RECORD] = SensorFindings(LINK_RECORD, "link", None, linked)
    return findings


def _answers(servo: Mapping[str, ChannelFindings], question: str) -> dict[str, Answer]:
    """Ask a question of each servo line; those that have an answer."""
    answers = {name: channel.answer(question) for name, channel in servo.items()}
    return {name: answer for name, answer in answers.items() if answer is not None}


def examine_link_record(
    findings: Findings,
    plan: CapturePlan,
    sheet: BenchSheet | None,
    *,
    last_failsafe: datetime.date | None = None,
) -> LinkRecord:
    """Tell what a recording shows of the link, by the marker that its losses were told by."""
    from pwmscope.findings.link import examine_link  # noqa: PLC0415 - slow to import

    told = findings.loss_analysis.reference
    on = None if told.on_level is None else LEVELS[told.on_level]
    marker = None if told.line is None else Marker(told.line, on, None, told.late_s)
    return examine_link(
        findings.capture,
        findings.servo_tables,
        plan,
        sheet,
        marker=marker,
        last_failsafe=last_failsafe,
    )


def _check_types(
    capture: object,
    off_line: object,
    sheet: object,
    convention: object,
    limits: object,
    *,
    plan: object,
) -> None:
    """Name the argument that is of another type than `examine` takes."""
    read_it = "Read the file with pwmscope.load first."
    require_type("capture", capture, Capture, "a Capture", read_it)
    for name, value, kinds, expected, remedy in (
        ("off_line", off_line, (str, Marker), "the name of a line or a Marker", ""),
        (
            "sheet", sheet, (BenchSheet,), "a BenchSheet",
            "Read the file with pwmscope.load_sheet first.",
        ),
        (
            "convention", convention, (Convention,), "a Convention",
            "pwmscope.CONVENTIONS holds them by name.",
        ),
        ("limits", limits, (Limits,), "Limits", ""),
        (
            "plan", plan, (CapturePlan,), "a CapturePlan",
            "Read the file with pwmscope.load_plan first.",
        ),
    ):  # fmt: skip
        if value is not None:
            require_type(name, value, kinds, expected, remedy)


def _check_moments(off_at_s: object) -> None:
    pairs = "pairs of seconds: a moment and the half-width of its uncertainty"
    if isinstance(off_at_s, str) or not isinstance(off_at_s, Sequence):
        raise ArgumentError("off_at_s", format_given(off_at_s), pairs)
    for stated in off_at_s:
        if not isinstance(stated, Sequence) or isinstance(stated, str) or len(stated) != 2:
            raise ArgumentError("off_at_s", f"a sequence with {format_given(stated)} in it", pairs)
        for seconds in stated:
            if not isinstance(seconds, Real) or not math.isfinite(seconds):
                sentence = f"a sequence with {format_given(seconds)} in a pair"
                raise ArgumentError("off_at_s", sentence, pairs)


_FIXED = (
    "Endpoints are the outermost dwells; they are the channel's own only if the stick was held "
    "at its ends.",
    "An edge is timed at the first sample that shows it.",
    "The analyser's clock is taken to be right within 100 ppm (common practice).",
)
