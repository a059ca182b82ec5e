"""Where a channel rests with the stick let go, and whether its device stands still there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.levels import SAME_LEVEL, Amount, Level, company, level_near
from pwmscope.findings.travel.moves import MIN_THROW
from pwmscope.model import CLOCK_TOLERANCE, Definition, Finding, Verdict, measured, not_shown

LET_GO: Final = (
    "Record again: begin and end with the sticks let go for three seconds, and move each stick "
    "between."
)

DEFINITIONS: Final = (
    Definition(
        "rest position",
        "Where the width rests with the stick let go, against the widths at which the device "
        "stands still. A weapon that rests elsewhere runs with nobody at the stick. Without a "
        "plan it is known only where the recording begins, ends, stays longest and comes back "
        "most often at one level.",
        "the level of the first dwell, of the last, of the longest stay and of the most visits; "
        "it meets where its 95 % interval, and Ts, lie inside the stop range",
        "own rule; the stop range is the bench sheet's, or common practice where it states none",
    ),
)


@dataclass(frozen=True, slots=True)
class RestPosition:
    """Where one channel rests."""

    level: Level | None  # Where the longest stay is; None where the stick never stood still
    # Whether first and last dwell, longest stay and most visits are at that one level, and the
    # stick was moved away from it
    is_known: bool
    verdict: Verdict | None  # Whether the device stands still there; None without a stop range
    finding: Finding  # `rest position`
    # Levels of the first dwell, the last, the longest stay and the most visits; none where the
    # stick never stood still
    rests_us: tuple[float, ...] = ()


def examine_rest(record: Record, band: StopBand | None, *, is_listed: bool) -> RestPosition:
    """Find where a channel rests, without a plan, and hold it against its stop range."""
    table, dwells = record.table, record.dwells
    limit = "" if band is None else format_band(band)
    if not is_listed:
        limit = "the device's stop range; the bench sheet does not name the line"
    if not len(dwells):
        finding = not_shown(
            "rest position", "us", f"The stick never stood still. {LET_GO}", limit=limit
        )
        return RestPosition(None, False, finding.verdict if limit else None, finding)
    same_us = SAME_LEVEL * table.convention.span_us
    stay, visits = company(dwells.level_us, dwells.count, same_us)
    level = level_near(table, dwells, float(dwells.level_us[int(stay.argmax())]))
    places = np.array([0, len(dwells) - 1, int(stay.argmax()), int(visits.argmax())])
    rests_us = dwells.level_us[places]
    alike = bool(np.all(np.abs(rests_us - level.width_us) <= 2.0 * same_us))
    throw_us = MIN_THROW * table.convention.span_us
    moved = bool(np.any(np.abs(dwells.level_us - level.width_us) >= throw_us)) or (
        float(np.ptp(table.width_us[record.rows])) >= 2.0 * throw_us
    )
    amount, rests = level.amount, tuple(rests_us.tolist())
    if not limit:
        said = f"The channel rests at {amount.said}" if alike else _unclear(rests)
        finding = measured(
            "rest position", amount.us, "us", f"{said}; which device is on it is not known."
            if alike else said,
            uncertainty=amount.uncertainty_us, interval=amount.interval_us,
            evidence=level.visits,
        )  # fmt: skip
        return RestPosition(level, alike and moved, None, finding, rests)
    if band is None:
        reason = (
            f"The channel stays longest at {amount.us:.1f} us; the bench sheet does not name the "
            "line, so its stop range is not known."
        )
        finding = not_shown("rest position", "us", reason, limit=limit)
        return RestPosition(level, alike and moved, Verdict.NOT_SHOWN, finding, rests)
    rest = RestPosition(level, alike and moved, None, not_shown("rest position", "us", ""), rests)
    verdict, sentence = judge_rest(rest, band, table.sample_interval_us)
    finding = Finding(
        "rest position", amount.us, "us", amount.uncertainty_us, limit, verdict, level.visits,
        sentence, amount.interval_us,
    )  # fmt: skip
    return replace(rest, verdict=verdict, finding=finding)


def judge_rest(
    rest: RestPosition, band: StopBand, interval_us: float | None
) -> tuple[Verdict, str]:
    """Hold a rest position that no plan shows against a stop range.

    It meets only where all the levels at which the channel may rest are inside; it does not
    meet only where there is but one, and the stick was moved away from it.
    """
    if rest.level is None:
        return Verdict.NOT_SHOWN, rest.finding.sentence
    amount = rest.level.repeated.amount
    verdict = against_band(amount, band, interval_us)
    each = [against_band(Amount(us, None), band, interval_us) for us in rest.rests_us]
    if verdict is Verdict.MEETS and any(one is not Verdict.MEETS for one in each):
        return Verdict.NOT_SHOWN, f"{_unclear(rest.rests_us)} {LET_GO}"
    if verdict is Verdict.DOES_NOT_MEET and not rest.is_known:
        return Verdict.NOT_SHOWN, (
            f"It stays longest at {amount.us:.1f} us, outside the stop range: either the channel "
            f"rests there, or the stick was held there. {LET_GO}"
        )
    return verdict, _sentence(amount, band, verdict)


def against_band(width: Amount, band: StopBand, interval_us: float | None) -> Verdict:
    """Hold a width against a stop range: inside, outside, or not shown which.

    Examples
    --------
    >>> band = StopBand(990.0, 1050.0, "")
    >>> [against_band(Amount(us, 0.1), band, 0.5).value for us in (1000.0, 1500.0, 1050.0)]
    ['meets', 'does not meet', 'not shown']
    """
    doubt_us = width.doubt_us
    if interval_us is None:
        return Verdict.NOT_SHOWN
    if doubt_us is None:
        doubt_us = interval_us + CLOCK_TOLERANCE * width.us
    if band.low_us <= width.us - doubt_us and width.us + doubt_us <= band.high_us:
        return Verdict.MEETS
    if width.us + doubt_us < band.low_us or width.us - doubt_us > band.high_us:
        return Verdict.DOES_NOT_MEET
    return Verdict.NOT_SHOWN


def format_band(band: StopBand) -> str:
    """Write a stop range as a limit."""
    return f"{band.low_us:g} to {band.high_us:g} us, the stop range"


def _sentence(amount: Amount, band: StopBand, verdict: Verdict) -> str:
    where = f"The channel rests at {amount.said}"
    return {
        Verdict.MEETS: f"{where}, inside the stop range {band.low_us:g} to {band.high_us:g} us.",
        Verdict.DOES_NOT_MEET: f"{where}, outside the stop range {band.low_us:g} to "
        f"{band.high_us:g} us: the device may run with the stick let go.",
        Verdict.NOT_SHOWN: f"{where}, at the border of the stop range {band.low_us:g} to "
        f"{band.high_us:g} us.",
    }[verdict]


def _unclear(rests_us: tuple[float, ...]) -> str:
    first, last, longest, most = (f"{us:.0f}" for us in rests_us)
    return (
        f"Where it rests is not clear: it begins at {first} us, ends at {last} us, stays longest "
        f"at {longest} us, and is most often at {most} us."
    )
