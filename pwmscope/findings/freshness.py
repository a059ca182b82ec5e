"""How fresh a line's frames are, how often and how long they freeze, and which lines share it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.receivers import Receiver
from pwmscope.findings.renewals import MIN_TOLD, Renewals, find_renewals
from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel import Resolution
from pwmscope.model import (
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    binomial_interval,
    chi_squared_above,
    format_list,
    format_s,
    measured,
    not_shown,
)

FRESH: Final = "fresh frames"
FREEZES: Final = "freezes"
LONGEST: Final = "longest freeze"
SHARED: Final = "shared freezes"
_OUTAGE: Final = 0.776
"""Half-width of the central 95 % of a triangular quantity, 1 - sqrt(0.05), in frames."""

DEFINITIONS: Final = (
    Definition(
        FRESH,
        "The share of frames that bring a new width while the stick moves. A frame that repeats "
        "the width before is stale: the link brought nothing new. It is told only where the "
        "stick moves so fast that neither a rest nor a step explains a repeat. It is not the "
        "number of missing frames: a receiver that repeats old widths misses none.",
        "p = fresh / (fresh + stale), over frames after which a repeat would end in a jump over "
        "5/4 leap + step + 8 s, s the deviation of a width, leap the mean size of the changes "
        "beside; a freeze counts w times, 1 / w the part of the places where one as long would "
        "show; 95 %: Clopper-Pearson with n / phi for n, phi = (u^2 v + m^2 (u^2 - u)) / ((u + m) "
        "u m), at least 1; m and v the mean and variance of the repeats in a freeze, u the mean "
        "number of frames between",
        "exact binomial interval (Clopper and Pearson, Biometrika 26, 1934) at an effective "
        "sample size (Korn and Graubard, Survey Methodology 24, 1998), variance of an alternating "
        "renewal process; all from memory; choice of the frames: own algorithm",
    ),
    Definition(
        FREEZES,
        "How often the width stands still although the stick moves. Frames of one width end with "
        "a jump to where the stick is by then. Where steps, noise or a stick that sets off "
        "explain the jump, it is no freeze. A turn of the stick hides most freezes; those found "
        "stand for the hidden ones.",
        "60 y / T, y the sum of the weights w (see fresh frames), T the time in which a repeat "
        "would show; 95 %: v / (2 y T) times the 2.5 % quantile of chi-squared with 2 y^2 / v "
        "degrees of freedom, v the sum of w^2 times (u^2 - u + var) / (u + m)^2, var, m and u as "
        "under fresh frames; for the 97.5 % the largest w comes once more",
        "Fay and Feuer, Statistics in Medicine 16, 1997 (with w = 1: Garwood, Biometrika 28, "
        "1936), with the variance of the events of a renewal process (D. R. Cox, Renewal Theory, "
        "1962); all from memory; own algorithm",
    ),
    Definition(
        LONGEST,
        "For how long the outputs repeated one width at most while the stick moved. The link "
        "was out for up to a frame more or less: its data is seen at frames only.",
        "from the first frame that repeats to the next that is fresh; 95 %: that and 0.776 "
        "frame periods on both sides, triangular",
        "triangular distribution (JCGM 100, 4.3.9, from memory); own algorithm",
    ),
)
SHARED_DEFINITIONS: Final = (
    Definition(
        SHARED,
        "The share of freezes that came on two lines of one receiver in the same frames. Only "
        "those count in which both moved. Shared ones are the link's or the receiver's. One on "
        "a line alone is that channel's own.",
        "k / n over freezes of a line in which another line of the receiver would have shown a "
        "repeat; shared where that one froze too; 95 %: Clopper-Pearson",
        "exact binomial interval (Clopper and Pearson, Biometrika 26, 1934, from memory); own "
        "algorithm",
    ),
)


@dataclass(frozen=True, slots=True)
class Freshness:
    """How fresh the frames of one line are."""

    line: str
    fresh: int  # Fresh frames where a repeat would have shown
    stale: int  # Renewals that did not come there
    fresh_at_s: FloatArray  # shape (fresh,): When those frames began
    renewals: Renewals  # Where the width was renewed, and all freezes
    findings: tuple[Finding, ...]  # `fresh frames`, `freezes`, `longest freeze`

    @property
    def share(self) -> float | None:
        """Share of fresh frames; None where it is not shown."""
        return None if self.findings[0].value is None else float(self.findings[0].value) / 100.0

    @property
    def longest_s(self) -> float | None:
        """How long the longest freeze lasted; None where that is not shown."""
        if self.findings[2].value is None:
            return None
        return float(np.max(self.renewals.end_s - self.renewals.start_s, initial=0.0))


def examine_freshness(record: Record, resolution: Resolution) -> Freshness:
    """Find out how fresh the frames of a line are while its stick moves."""
    finest_us = resolution.finest_us if resolution.step_us is None else resolution.step_us
    found = find_renewals(record, None if resolution.is_image else finest_us)
    fresh, stale = int(found.fresh.size), found.stale
    period_s = (record.frames.usual_us or record.table.convention.period_us) / 1e6
    findings: tuple[Finding, ...]
    if fresh + stale < MIN_TOLD:
        reason = _why_not(found, fresh + stale)
        units = ((FRESH, "%"), (FREEZES, "per minute"), (LONGEST, "ms"))
        findings = tuple(not_shown(name, unit, reason) for name, unit in units)
    else:
        findings = (
            _fresh_finding(record, found, fresh, stale),
            _freezes_finding(record, found, found.told.size * found.turns * period_s),
            _longest_finding(record, found, period_s),
        )
    fresh_at_s = record.table.rise_s[found.fresh + 1]
    return Freshness(record.table.line, fresh, stale, fresh_at_s, found, findings)


def _why_not(found: Renewals, told: int) -> str:
    brisk = "Move each stick briskly from end to end, several times, while recording."
    if not found.moved:
        return Reason(
            "The width hardly moved. The stick rested or the link was frozen; both look alike.",
            brisk,
        )
    return Reason(
        f"The stick moved fast enough for {told} frames; {MIN_TOLD} are needed. A slow "
        f"stick, steps up to {found.step_us:.2g} us and a repeated width look alike.",
        brisk,
    )


def share_interval(fresh: int, stale: int, effect: float) -> tuple[float, float]:
    """Return the 95 % interval of the share of fresh frames, where repeats come in bursts.

    >>> [round(end, 4) for end in share_interval(90, 10, 1.0)]
    [0.8238, 0.951]
    """
    return binomial_interval(fresh / effect, (fresh + stale) / effect)


def _fresh_finding(record: Record, found: Renewals, fresh: int, stale: int) -> Finding:
    low, high = (100.0 * end for end in share_interval(fresh, stale, found.effect))
    share = 100.0 * fresh / (fresh + stale)
    rhythm = ""
    if found.every > 1.0:
        usual_us = (record.frames.usual_us or 0.0) * found.every
        rhythm = (
            f" The usual width lasts {found.every:.3g} frames ({usual_us / 1e3:.3g} ms): the link "
            "renews it less often than the output repeats it."
        )
    return measured(
        FRESH,
        share,
        "%",
        f"{format_share(share)} of {fresh + stale} frames were fresh while the stick moved "
        f"(95 %: {low:.4g} to {high:.4g}).{rhythm}",
        interval=(low, high),
        evidence=record.evidence(found.told),
    )


def format_share(share: float) -> str:
    """Write a share so that it reads 100 % only where it is.

    >>> format_share(100.0), format_share(99.99), format_share(78.23)
    ('100 %', '99.9 %', '78.2 %')
    """
    if share == 100.0:
        return "100 %"
    return f"{min(share, 99.9):.1f} %"


def rate_interval(
    weight: FloatArray, observed_s: float, dispersion: float = 1.0
) -> tuple[float, float]:
    """Return the 95 % interval of a rate whose events each stand for some, in so many seconds.

    ``dispersion`` is the variance of their number over that of a Poisson process. With weights
    and a dispersion of 1 it is Garwood's.

    >>> [round(end, 3) for end in rate_interval(np.ones(5), 1.0)]
    [1.623, 11.668]
    """
    total, square = float(np.sum(weight)), dispersion * float(np.sum(weight**2))
    most = float(np.max(weight, initial=1.0))
    low = 0.0
    if total:
        low = square / (2.0 * total) * chi_squared_above(0.975, 2.0 * total**2 / square)
    total, square = total + most, square + dispersion * most**2
    high = square / (2.0 * total) * chi_squared_above(0.025, 2.0 * total**2 / square)
    return low / observed_s, high / observed_s


def _freezes_finding(record: Record, found: Renewals, told_s: float) -> Finding:
    count = int(np.count_nonzero(found.began_told))
    weight = found.weight[found.began_told]
    low, high = (60.0 * end for end in rate_interval(weight, told_s, found.dispersion))
    hidden = round(float(np.sum(weight)) - count)
    rate = 60.0 * float(np.sum(weight)) / told_s
    more = found.first.size - count
    freezes = "No freeze" if not count else f"{count} freeze{'s' if count > 1 else ''}"
    return measured(
        FREEZES,
        rate,
        "per minute",
        f"{freezes} in {format_s(told_s)} of movement: {rate:.3g} a minute "
        f"(95 %: {low:.3g} to {high:.3g})."
        + (f" That counts {hidden} more that turns of the stick hid." if hidden else "")
        + (f" {more} more came while the stick moved slowly." if more else ""),
        interval=(low, high),
        evidence=_evidence(record, found, np.arange(found.first.size)),
    )


def _evidence(record: Record, found: Renewals, at: IntArray) -> tuple[Evidence, ...]:
    first, last = found.first[at] + 1, found.first[at] + found.frames[at]
    return tuple(
        Evidence.of(record.table.rise_s, int(one), int(other), int(other - one))
        for one, other in zip(first[:MAX_SPANS], last[:MAX_SPANS], strict=True)
    )


def _longest_finding(record: Record, found: Renewals, period_s: float) -> Finding:
    frame_ms = 1e3 * period_s
    if not found.first.size:
        return measured(
            LONGEST, 0.0, "ms",
            f"The width never froze. An outage shorter than a frame ({frame_ms:.3g} ms) does not "
            "show.",
            interval=(0.0, frame_ms),
        )  # fmt: skip
    lasts_ms = 1e3 * (found.end_s - found.start_s)
    longest = int(np.argmax(lasts_ms))
    value = float(lasts_ms[longest])
    repeats = int(found.frames[longest]) - 1
    frames = "1 frame" if repeats == 1 else f"{repeats} frames"
    half_ms = _OUTAGE * frame_ms
    return measured(
        LONGEST,
        value,
        "ms",
        f"The longest freeze lasted {value:.3g} ms ({frames}), from "
        f"{found.start_s[longest]:.3f} s on.",
        interval=(max(value - half_ms, 0.0), value + half_ms),
        evidence=_evidence(record, found, np.array([longest])),
    )


@dataclass(frozen=True, slots=True)
class SharedFreezes:
    """Freezes that the lines of one receiver share."""

    witnessed: int  # Freezes of a line while another line of its receiver moved
    shared: int  # Those in which the other one froze, too
    alone: Mapping[str, int]  # By line, those in which it did not
    findings: tuple[Finding, ...]  # `shared freezes`


def examine_shared_freezes(
    lines: Mapping[str, Freshness], receivers: tuple[Receiver, ...]
) -> SharedFreezes:
    """Find out which freezes the lines of one receiver share."""
    witnessed = shared = 0
    alone: dict[str, int] = {}
    spans: list[Evidence] = []
    for line, others in _receivers(lines, receivers):
        own = lines[line].renewals
        seen, froze = _witnessed(own, [(lines[other], late_s) for other, late_s in others.items()])
        witnessed += int(np.count_nonzero(seen))
        shared += int(np.count_nonzero(froze))
        if lonely := int(np.count_nonzero(seen & ~froze)):
            alone[line] = lonely
        spans += [
            Evidence(float(own.start_s[k]), float(own.end_s[k]), 0)
            for k in np.flatnonzero(froze)[:MAX_SPANS]
        ]
    found = _shared_finding(lines, witnessed, shared, alone, spans)
    return SharedFreezes(witnessed, shared, alone, (found,))


def _receivers(
    lines: Mapping[str, Freshness], receivers: tuple[Receiver, ...]
) -> Iterator[tuple[str, dict[str, float]]]:
    """List each line of a receiver; the others, and how much later those start in the frame."""
    for receiver in receivers:
        start_s = {skew.line: (skew.skew_us.mean or 0.0) / 1e6 for skew in receiver.skews}
        known = [line for line in receiver.lines if line in lines and line in start_s]
        for line in known:
            yield line, {o: start_s[o] - start_s[line] for o in known if o != line}


def _witnessed(own: Renewals, others: list[tuple[Freshness, float]]) -> tuple[BoolArray, BoolArray]:
    """Say which freezes of a line another would show, and in which one did freeze."""
    frame_s = (own.end_s - own.start_s) / np.maximum(own.frames - 1, 1)
    seen, froze = np.zeros(frame_s.size, bool), np.zeros(frame_s.size, bool)
    for other, late_s in others:
        start_s, end_s = own.start_s + late_s, own.end_s + late_s
        middle_s = 0.5 * (start_s + end_s)
        found = other.renewals
        before = np.searchsorted(found.start_s, middle_s) - 1
        frozen = (before >= 0) & (middle_s <= np.append(found.end_s, 0.0)[before])
        fresh = np.searchsorted(other.fresh_at_s, [end_s - frame_s / 2, start_s - frame_s / 2])
        seen |= frozen | (2 * (fresh[0] - fresh[1]) >= own.frames - 1)
        froze |= frozen
    return seen, froze


def _shared_finding(
    lines: Mapping[str, Freshness],
    witnessed: int,
    shared: int,
    alone: Mapping[str, int],
    spans: list[Evidence],
) -> Finding:
    if not witnessed:
        froze = any(found.renewals.first.size for found in lines.values())
        reason = (
            Reason(
                "No freeze came while two lines of one receiver moved, so whether lines share "
                "them is not known.",
                "Move two sticks at once.",
            )
            if froze
            else "No line froze while its stick moved, so there is nothing to share."
        )
        return not_shown(SHARED, "%", reason)
    low, high = (100.0 * end for end in binomial_interval(shared, witnessed))
    share = 100.0 * shared / witnessed
    told = f"{shared} of {witnessed} freezes came on several lines at once"
    cause = ": the link or the receiver." if shared else "."
    only = ""
    if alone:
        only = f" Alone: {format_list([f'{n} on {line}' for line, n in alone.items()])}."
    return measured(
        SHARED,
        share,
        "%",
        f"{told} (95 %: {low:.3g} to {high:.3g} %){cause}{only}",
        interval=(low, high),
        evidence=tuple(sorted(spans, key=lambda span: span.start_s))[:MAX_SPANS],
    )
