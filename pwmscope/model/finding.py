"""What is found: a value with its uncertainty (JCGM 100), a limit, a verdict; and how it is put."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from pwmscope.errors import Reason, named
from pwmscope.model.recording import FloatArray

MIN_US = 5e-4
"""Less than this is nothing: edges are kept to a picosecond."""


def format_us(value_us: float) -> str:
    """Write microseconds with as many places as a person can use.

    >>> format_us(1503.248), format_us(2.4003), format_us(0.0312), format_us(1e-9)
    ('1503.2 us', '2.40 us', '0.031 us', '0 us')
    """
    return f"{_digits(value_us, abs(value_us))} us"


def format_range_us(low_us: float, high_us: float) -> str:
    """Write a range of microseconds, both ends alike, or once where they read the same.

    >>> format_range_us(8.0, 11.25), format_range_us(-0.04, 2.4), format_range_us(0.317, 0.318)
    ('8.0 to 11.2 us', '-0.04 to 2.40 us', '0.32 us')
    """
    size = max(abs(low_us), abs(high_us))
    low, high = _digits(low_us, size), _digits(high_us, size)
    return f"{low} us" if low == high else f"{low} to {high} us"


def _digits(value_us: float, size_us: float) -> str:
    if size_us >= 10.0:
        return f"{value_us:.1f}"
    if size_us >= 1.0:
        return f"{value_us:.2f}"
    return f"{value_us:.2g}" if size_us >= MIN_US else "0"


def format_s(value_s: float) -> str:
    """Write seconds with three digits, whole from 100 s on.

    >>> format_s(38.98), format_s(0.0812), format_s(1234.5)
    ('39 s', '0.0812 s', '1234 s')
    """
    return f"{value_s:.0f} s" if value_s >= 100.0 else f"{value_s:.3g} s"


def format_list(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    >>> format_list(["RX1"]), format_list(["RX1", "RX2", "RX3"])
    ('RX1', 'RX1, RX2 and RX3')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


MAX_LETTERS: Final = 40
"""Letters of a line's name that are shown."""
_AT_END: Final = 12
"""So many of them are its last ones: long names often differ there."""


def format_plainly(text: str) -> str:
    r"""Write a sentence that may hold a line's name without control characters.

    >>> format_plainly("a\u202eb\n starts first.")
    'a?b? starts first.'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def format_line(name: str) -> str:
    r"""Write a line's name so that it can neither break a layout nor reorder text.

    >>> format_line("RX1"), format_line("a\u202eb\n" + "x" * 50)[:6]
    ('RX1', 'a?b?xx')
    >>> format_line("output of the second receiver, third from the left")
    'output of the second receiv…rom the left'
    """
    plain = format_plainly(name)
    if len(plain) <= MAX_LETTERS:
        return plain
    return f"{plain[: MAX_LETTERS - 1 - _AT_END]}…{plain[-_AT_END:]}"


def format_device(name: str, role: str, device: str) -> str:
    """Name a line with its role and device, where these are known.

    >>> format_device("RX1", "drive-left", "left drive ESC"), format_device("RX2", "", "")
    ('RX1 (drive-left, left drive ESC)', 'RX2')
    """
    about = ", ".join(part for part in (role, device) if part)
    return format_line(name) + (f" ({format_line(about)})" if about else "")


COVERAGE: Final = 2.0
"""Coverage factor for about 95 % (JCGM 100, 6.3.3)."""

NORMAL_95: Final = 1.959964
"""Half-width of the central 95 % of a normal distribution, in standard deviations."""

_MAX_STEPS: Final = 50

CLOCK_TOLERANCE: Final = 100e-6
"""Largest relative error taken for an analyser's crystal (common practice, from memory)."""


def sampling_floor_us(sample_interval_us: float | None) -> float | None:
    """Return the standard uncertainty of an interval between two sampled edges.

    Each edge lies anywhere within one sample interval before the sample that
    shows it (rectangular, variance Ts^2/12; JCGM 100, 4.3.7). The difference of two
    such edges is triangular over plus or minus Ts, variance Ts^2/6 (4.3.9).

    >>> round(sampling_floor_us(1.0), 4)
    0.4082
    """
    if sample_interval_us is None:
        return None
    return sample_interval_us / math.sqrt(6.0)


def of_mean_us(
    mean_us: float, std_us: float, count: int, sample_interval_us: float | None
) -> float | None:
    """Combine the standard uncertainty of a mean width or period.

    Three parts are added in quadrature (JCGM 100, 5.1.2): the scatter of the
    mean, ``s / sqrt(n)`` (4.2.3); the sampling floor, not divided by
    ``sqrt(n)`` since a receiver whose clock keeps step with the analyser's
    repeats the same error in every frame; and the analyser's clock, a
    rectangular distribution of half-width 100 ppm of the value (4.3.7).
    """
    floor_us = sampling_floor_us(sample_interval_us)
    if floor_us is None:
        return None
    clock_us = abs(mean_us) * CLOCK_TOLERANCE / math.sqrt(3.0)
    return math.hypot(std_us / math.sqrt(count), floor_us, clock_us)


def half_width(deviation: float, bound: float) -> float:
    """Return the half-width of the central 95 % of a normal plus a rectangular quantity.

    A coverage factor of 2 would reach beyond the bounds of what is rectangular alone: its
    central 95 % are 0.95 of its half-width (JCGM 100, 4.3.7 and G.2.2, clauses from
    memory). The distribution of the sum is the normal one averaged over the rectangle,
    ``F(x) = s (G((x + a)/s) - G((x - a)/s)) / (2 a)`` with ``G(z) = z Phi(z) + phi(z)``.

    >>> round(half_width(1.0, 0.0), 4), round(half_width(0.0, 1.0), 4)
    (1.96, 0.95)
    >>> round(half_width(1.0, math.sqrt(3.0)), 3)
    2.712
    """
    if bound <= 1e-5 * deviation:
        return NORMAL_95 * deviation
    if deviation <= 1e-5 * bound:
        return 0.95 * bound
    # F is concave from here on, so that Newton's steps come up to its end from below.
    half = max(NORMAL_95 * deviation, 0.95 * bound)
    for _ in range(_MAX_STEPS):
        over, chance_over = _integral((half + bound) / deviation)
        under, chance_under = _integral((half - bound) / deviation)
        step = (2.0 * bound * 0.975 - deviation * (over - under)) / (chance_over - chance_under)
        half += step
        if step <= 1e-12 * half:
            break
    return half


def _integral(z: float) -> tuple[float, float]:
    """Integral of the normal distribution function up to z, and the function there."""
    below = 0.5 * math.erfc(-z / math.sqrt(2.0))
    return z * below + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi), below


class Verdict(StrEnum):
    """What a measurement says about its limit, or a bench sheet about a rule."""

    MEETS = "meets"
    DOES_NOT_MEET = "does not meet"
    NOT_SHOWN = "not shown"


WORST_FIRST: Final = (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS)


def governing(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict over several: one that does not meet governs, then one not shown.

    None of them at all shows nothing.

    >>> governing([Verdict.MEETS, Verdict.NOT_SHOWN, Verdict.MEETS]).value
    'not shown'
    """
    return min(verdicts, key=WORST_FIRST.index, default=Verdict.NOT_SHOWN)


def badness(verdict: Verdict | None) -> int:
    """Return 0 for a verdict that governs over all others, more for lesser ones, most for none.

    >>> badness(Verdict.DOES_NOT_MEET), badness(None)
    (0, 3)
    """
    return len(WORST_FIRST) if verdict is None else WORST_FIRST.index(verdict)


class HazardKind(StrEnum):
    """Why a device runs, or is commanded to run."""

    STICK_HELD = "jumps to the held stick"
    NO_STICK = "jumps to a width no stick commanded"
    LEAP = "runs before the link is back"
    FIRST_LINK = "runs as the link first comes"
    UNLINKED = "runs before the link is shown"
    POWER = "power comes back with the link"
    EARLY_POWER = "power comes back before the link"
    MOTION = "turns without a command"
    FOREIGN = "follows another memory"


@dataclass(frozen=True, slots=True)
class Hazard:
    """A jump of outputs to active widths around the return of the link, or motion without command.

    It changes neither a verdict nor an exit code. Printed, it begins with ``! Hazard:``.

    Parameters
    ----------
    kind : HazardKind
        Why.
    lines : tuple of str
        The lines that jumped; of power that comes back, the devices' and last its kill channel's.
    at_s : float
        When the first of them did, in seconds since the recording's start.
    width_us : float or None
        The width that it jumped to; of motion, the width that commands the stop; None of a device
        without a pin.
    from_us : float or None
        The width before; None where there were no pulses.
    times : int
        In how many losses; of motion, in how many commanded stops.
    losses : int
        Of how many.
    source : str
        The recording.
    per_minute : float or None, optional
        Of motion, the highest speed in turns a minute; None where it is not known.

    Examples
    --------
    >>> print(Hazard(HazardKind.LEAP, ("RX3",), 13.015, 1700.0, None, 1, 2, "a.csv"))
    ! Hazard: RX3 is commanded to run at 1700 us before the link is back. Seen at 13.015 s, \
in 1 of 2 losses.
    """

    kind: HazardKind
    lines: tuple[str, ...]
    at_s: float
    width_us: float | None
    from_us: float | None
    times: int
    losses: int
    source: str
    per_minute: float | None = None

    @property
    def what(self) -> str:
        """What happens, on which lines."""
        names = [format_line(name) for name in self.lines]
        several = len(names) > 1
        runs = f"{format_list(names)} {'are' if several else 'is'} commanded to run"
        at = "" if self.width_us is None else f" at {self.width_us:.0f} us"
        held = "their held sticks" if several else "its held stick"
        gives = f"{names[-1]} gives {format_list(names[:-1])} power again"
        speed = "" if self.per_minute is None else f" at {self.per_minute:.0f} turns a minute"
        pulses = "pulses" if self.width_us is None else f"pulses of {self.width_us:.0f} us"
        back = "when the link is back"
        return {
            HazardKind.STICK_HELD: f"{runs} by {held} {back}",
            HazardKind.NO_STICK: f"{runs}{at} by no stick {back}",
            HazardKind.LEAP: f"{runs}{at} before the link is back",
            HazardKind.FIRST_LINK: f"{runs}{'' if several else at} as the link first comes",
            HazardKind.UNLINKED: f"{runs}{at} before the link is shown",
            HazardKind.POWER: f"{gives} {back}{at and ','}{at}",
            HazardKind.EARLY_POWER: f"{gives} before the link is back{at and ','}{at}",
            HazardKind.MOTION: f"{names[0]} turns{speed} while its {pulses} say stop",
            HazardKind.FOREIGN: f"{format_list(names)} {'follow' if several else 'follows'} "
            "another memory or transmitter",
        }[self.kind]

    @property
    def sentence(self) -> str:
        """Where devices are commanded to run, and when."""
        several = self.losses != 1
        of = "stop" + "s" * several if self.kind is HazardKind.MOTION else "loss" + "es" * several
        at_once = (HazardKind.FIRST_LINK, HazardKind.UNLINKED, HazardKind.FOREIGN)
        often = "" if self.kind in at_once else f", in {self.times} of {self.losses} {of}"
        return f"{self.what}. Seen at {self.at_s:.3f} s{often}."

    def __str__(self) -> str:
        return f"! Hazard: {self.sentence}"


@dataclass(frozen=True, slots=True)
class Definition:
    """How a finding is defined and worked out."""

    name: str  # The finding's name, as in `Finding.name`
    meaning: str  # What it is and why a builder would ask, in plain sentences
    formula: str  # How it is worked out, as one line of plain text
    # The standard, with its clause, or the paper that the formula comes from; "common practice" for
    # a fact of the trade, "own algorithm" for ours; "from memory" where it was written down without
    # the document open
    source: str


MAX_SPANS: Final = 20
"""Time spans that are named as evidence for one finding, where there are more."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Where in the recording an answer rests."""

    # Time span in seconds since the capture's start
    start_s: float
    end_s: float
    pulses: int  # Pulses of the channel within it that were used
    # Rows in the channel's pulse table of the first and the last of them; None where the answer
    # rests on no pulse of the channel's own
    first: int | None = None
    last: int | None = None

    @classmethod
    def of(cls, rise_s: FloatArray, first: int, last: int, pulses: int = 1) -> Evidence:
        """Name the stretch from one row of a channel's leading edges to another.

        >>> import numpy as np
        >>> Evidence.of(np.array([0.0, 0.02, 0.04]), 1, 2, 2)
        Evidence(start_s=0.02, end_s=0.04, pulses=2, first=1, last=2)
        """
        first, last = int(first), int(last)
        return cls(float(rise_s[first]), float(rise_s[last]), int(pulses), first, last)


@dataclass(frozen=True, slots=True)
class Finding:
    """One answer to a builder's question.

    Parameters
    ----------
    name : str
        What was asked, for instance ``"neutral"``.
    value : float, str or None
        The answer; None where the recording does not show it.
    unit : str
        Unit of the value; empty for a text or a count.
    uncertainty : float or None
        Standard uncertainty in the same unit; None where there is none to state.
    limit : str
        What it was held against, with its unit; empty where there is no limit.
    verdict : Verdict or None
        Whether the limit is met; None for a value without a limit to hold it
        against. A value that could not be measured is `Verdict.NOT_SHOWN`
        either way.
    evidence : tuple of Evidence
        Where in the recording it rests.
    sentence : str
        The answer for a person.
    interval : tuple of float, optional
        Lower and upper end of the 95 % coverage interval, in the value's unit,
        where it is not the value plus and minus twice the uncertainty.
    to_do : str, optional
        What to do so that it is shown; the sentence ends with it.
    """

    name: str
    value: float | str | None
    unit: str
    uncertainty: float | None
    limit: str
    verdict: Verdict | None
    evidence: tuple[Evidence, ...]
    sentence: str
    interval: tuple[float, float] | None = None
    to_do: str = ""

    def __post_init__(self) -> None:
        if isinstance(self.sentence, Reason):
            object.__setattr__(self, "to_do", named(self.sentence.to_do))
        object.__setattr__(self, "sentence", str(named(self.sentence)))


def measured(
    name: str,
    value: float | str,
    unit: str,
    sentence: str,
    *,
    uncertainty: float | None = None,
    interval: tuple[float, float] | None = None,
    evidence: tuple[Evidence, ...] = (),
) -> Finding:
    """Make a finding that has no limit to be held against.

    >>> measured("skew", 12.5, "us", "RX2 begins 12.5 us after RX1.").verdict is None
    True
    """
    return Finding(name, value, unit, uncertainty, "", None, evidence, sentence, interval)


def not_shown(name: str, unit: str, reason: str, *, limit: str = "") -> Finding:
    """Make a finding for what the recording does not show, with the reason.

    >>> not_shown("skew", "us", "There is only one channel.").verdict.value
    'not shown'
    >>> not_shown("skew", "us", Reason("Too short.", "Record 30 s.")).to_do
    'Record 30 s.'
    """
    return Finding(name, None, unit, None, limit, Verdict.NOT_SHOWN, (), reason)


def judge(value: float, limit: float, uncertainty: float | None) -> Verdict:
    """Hold a value against an upper limit, giving the doubt to neither side.

    A value whose 95 % interval contains the limit is not shown to meet it and
    not shown to break it (the guard band of JCGM 106, cited from memory). The uncertainty is
    the standard one; None counts as none.

    >>> [judge(value, 20.0, 1.0).value for value in (17.0, 19.0, 23.0)]
    ['meets', 'not shown', 'does not meet']
    """
    doubt = COVERAGE * (uncertainty or 0.0)
    if value + doubt <= limit:
        return Verdict.MEETS
    return Verdict.DOES_NOT_MEET if value - doubt > limit else Verdict.NOT_SHOWN


def worst(findings: tuple[Finding, ...]) -> Verdict:
    """Verdict over several findings: one that does not meet governs, then one not shown.

    Findings without a limit do not count.

    >>> worst((not_shown("skew", "us", "There is only one channel."),)).value
    'not shown'
    """
    return governing(
        finding.verdict for finding in findings if finding.limit and finding.verdict is not None
    )
