"""What was found in a recording, channel by channel and about the lines together."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pwmscope.bench import Limits
from pwmscope.capture import Capture
from pwmscope.errors import HintError
from pwmscope.findings.failsafe import Listened, Silence
from pwmscope.findings.glitches.coincidence import Coincidence
from pwmscope.findings.glitches.glitches import Glitches
from pwmscope.findings.receivers.skew import Order
from pwmscope.findings.timing.rhythm import Rhythm
from pwmscope.findings.timing.stability import Stability
from pwmscope.findings.timing.timing import Timing
from pwmscope.findings.travel.centring import Centring
from pwmscope.findings.travel.resolution import Resolution
from pwmscope.findings.travel.sweep import Sweeps
from pwmscope.findings.travel.travel import Travel
from pwmscope.model.finding import Finding, Verdict, worst
from pwmscope.model.spans import Span
from pwmscope.pulses import STANDARD_SERVO, Convention, PulseTable


@dataclass(frozen=True, slots=True)
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
    rhythm, stability : Rhythm, Stability or None
    glitches, resolution, centring, sweeps : Glitches, Resolution, Centring, Sweeps or None
        None where the line does not carry servo pulses.
    """

    line: str
    table: PulseTable
    pulses: int
    not_servo: str | None
    timing: Timing | None
    travel: Travel | None
    silence: Silence | None
    loss_spans: tuple[Span, ...]
    rhythm: Rhythm | None = None
    stability: Stability | None = None
    glitches: Glitches | None = None
    resolution: Resolution | None = None
    centring: Centring | None = None
    sweeps: Sweeps | None = None

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
        """The findings that were held against a limit."""
        return tuple(finding for finding in self.findings if finding.limit)

    @property
    def verdict(self) -> Verdict:
        """Verdict over all findings of the channel."""
        return worst(self.findings)


@dataclass(frozen=True, slots=True)
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
    order : Order
        Which lines belong to one receiver, their order and skew.
    coincidence : Coincidence
        Which lines' glitches come at the same moments.
    assumptions : tuple of str
        All that was assumed, each a plain sentence.
    listened : Listened
        What a failsafe check takes: the recording as its losses were told.
    """

    capture: Capture
    limits: Limits
    channels: dict[str, ChannelFindings]
    order: Order
    coincidence: Coincidence
    assumptions: tuple[str, ...]
    listened: Listened

    def only(self, lines: tuple[str, ...]) -> Findings:
        """Leave out what was found about the other lines.

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
    def recording_findings(self) -> tuple[Finding, ...]:
        """Findings about the lines together."""
        return (*self.order.findings, *self.coincidence.findings)

    @property
    def conventions(self) -> tuple[Convention, ...]:
        """The conventions that the servo channels were held against, each once."""
        used = [channel.table.convention for channel in self.servo.values()]
        return tuple(dict.fromkeys(used)) or (STANDARD_SERVO,)
