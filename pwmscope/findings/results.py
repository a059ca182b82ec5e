"""What was found in a recording, channel by channel and about the lines together."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

from pwmscope.bench import Limits
from pwmscope.capture import Capture
from pwmscope.errors import ArgumentError, HintError, format_given
from pwmscope.findings.failsafe import Listened, Silence
from pwmscope.findings.glitches.coincidence import Coincidence, examine_coincidence
from pwmscope.findings.glitches.glitches import Glitches
from pwmscope.findings.receivers.skew import Order
from pwmscope.findings.record import Record
from pwmscope.findings.timing.timing import Timing
from pwmscope.findings.travel.centring import Centring, examine_centring
from pwmscope.findings.travel.resolution import Resolution, examine_resolution
from pwmscope.findings.travel.sweep import Sweeps, examine_sweeps
from pwmscope.findings.travel.travel import Travel
from pwmscope.model.finding import Finding, Verdict, worst
from pwmscope.model.spans import Span
from pwmscope.pulses import STANDARD_SERVO, Convention, PulseTable

if TYPE_CHECKING:
    from pwmscope.findings.timing.rhythm import Rhythm
    from pwmscope.findings.timing.stability import Stability

_MAX_TOLD: Final = 6
"""Lines that the short form of findings names."""


@dataclass(frozen=True, repr=False)
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
    timing, travel, silence : Timing, Travel, Silence or None
        None where the line does not carry servo pulses.
    loss_spans : tuple of Span
        Time spans in which its signal was lost.
    glitches : Glitches or None
        None where the line does not carry servo pulses.
    record : Record or None
        What the seldom-asked answers are worked out from, when they are asked for.
    clock_record : Record or None
        The same of the line that shows the receiver's frame clock.
    """

    line: str
    table: PulseTable
    pulses: int
    not_servo: str | None
    timing: Timing | None
    travel: Travel | None
    silence: Silence | None
    loss_spans: tuple[Span, ...]
    glitches: Glitches | None = None
    record: Record | None = field(default=None, compare=False)
    clock_record: Record | None = field(default=None, compare=False)

    @cached_property
    def rhythm(self) -> Rhythm | None:
        """Rhythms in the widths and in the time error, worked out when asked for."""
        if self.record is None or self.timing is None:
            return None
        from pwmscope.findings.timing.rhythm import examine_rhythm  # noqa: PLC0415 - seldom asked

        return examine_rhythm(self.record, self.timing.clock, self.clock_record)

    @cached_property
    def stability(self) -> Stability | None:
        """Allan and time deviation and the kind of noise, worked out when asked for."""
        if self.record is None or self.timing is None:
            return None
        from pwmscope.findings.timing.stability import (  # noqa: PLC0415 - seldom asked
            examine_stability,
        )

        return examine_stability(self.clock_record or self.record, self.timing.clock)

    @cached_property
    def resolution(self) -> Resolution | None:
        """Steps of the widths, worked out when asked for."""
        if self.record is None or self.travel is None:
            return None
        return examine_resolution(self.record, self.travel.moves)

    @cached_property
    def centring(self) -> Centring | None:
        """How well neutral is come back to, worked out when asked for."""
        if self.record is None or self.travel is None:
            return None
        return examine_centring(self.record, self.travel)

    @cached_property
    def sweeps(self) -> Sweeps | None:
        """How evenly the widths follow the stick, worked out when asked for."""
        if self.record is None or self.travel is None:
            return None
        return examine_sweeps(self.record, self.travel)

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
        told = (
            self.timing, self.rhythm, self.stability, self.travel, self.resolution,
            self.centring, self.sweeps, self.glitches,
        )  # fmt: skip
        of_loss = () if self.silence is None else self.silence.findings
        return (*(f for answer in told if answer is not None for f in answer.findings), *of_loss)

    @property
    def judged(self) -> tuple[Finding, ...]:
        """The findings that were held against a limit; the seldom-asked answers have none."""
        told = (self.timing, self.travel, self.glitches, self.silence)
        of_all = (finding for answer in told if answer is not None for finding in answer.findings)
        return tuple(finding for finding in of_all if finding.limit)

    @property
    def pulse_checks(self) -> tuple[Finding, ...]:
        """The findings that were held against a limit, without those about a signal loss."""
        of_loss = () if self.silence is None else self.silence.findings
        return tuple(finding for finding in self.judged if finding not in of_loss)

    @property
    def verdict(self) -> Verdict:
        """Verdict over all findings of the channel."""
        return worst(self.judged)


@dataclass(frozen=True)
class Together:
    """What the lines of a recording show together, worked out when asked for."""

    glitches: dict[str, Glitches]  # Those of each servo line
    records: dict[str, Record]  # Each servo line outside its losses
    order: Order  # Which lines belong to one receiver, their order and skew

    @cached_property
    def coincidence(self) -> Coincidence:
        """Which lines' glitches come at the same moments."""
        return examine_coincidence(self.glitches, self.records, self.order.grouping.groups)


@dataclass(frozen=True, slots=True, repr=False)
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
    together : Together
        What the lines show together.
    assumptions : tuple of str
        All that was assumed, each a plain sentence.
    listened : Listened
        What a failsafe check takes: the recording as its losses were told.
    """

    capture: Capture
    limits: Limits
    channels: dict[str, ChannelFindings]
    together: Together
    assumptions: tuple[str, ...]
    listened: Listened

    def __getitem__(self, line: str) -> ChannelFindings:
        """Return what was found about a line."""
        if line not in self.channels:
            lines = ", ".join(self.channels) or "none"
            raise ArgumentError("line", format_given(line), f"one of the lines: {lines}")
        return self.channels[line]

    def __repr__(self) -> str:
        lines = [f"  {found!r}" for found in list(self.channels.values())[:_MAX_TOLD]]
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
        return self.together.order

    @property
    def coincidence(self) -> Coincidence:
        """Which lines' glitches come at the same moments."""
        return self.together.coincidence

    @property
    def recording_findings(self) -> tuple[Finding, ...]:
        """Findings about the lines together."""
        return (*self.order.findings, *self.coincidence.findings)

    @property
    def conventions(self) -> tuple[Convention, ...]:
        """The conventions that the servo channels were held against, each once."""
        used = [channel.table.convention for channel in self.servo.values()]
        return tuple(dict.fromkeys(used)) or (STANDARD_SERVO,)
