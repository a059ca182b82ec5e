"""How far the width travels to each side of neutral, and how often it turns round."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.levels import Amount, Level, weighed_sum
from pwmscope.findings.travel.moves import Moves
from pwmscope.model import MAX_SPANS, Definition, Evidence, Finding, measured, not_shown

DEFINITIONS: Final = (
    Definition(
        "travel",
        "How far the width goes from the low endpoint to the high one, and of that how far to "
        "each side of neutral. Both endpoints must have been held.",
        "travel = high - low; below = neutral - low; above = high - neutral; "
        "u^2 = the sum of the levels' own u^2 + (100 ppm x difference / sqrt(3))^2",
        "JCGM 100, 5.1.2 and 5.2.2 (the clock's error is shared, so it counts once), from memory",
    ),
    Definition(
        "asymmetry",
        "How much farther the width goes above neutral than below it: a robot that drives "
        "faster one way than the other, or a trim that eats one end. A difference is "
        "significant where it exceeds its expanded uncertainty.",
        "asymmetry = above - below = high + low - 2 neutral; in % of (above + below) / 2; "
        "u^2 = u(high)^2 + u(low)^2 + 4 u(neutral)^2, the clock counted once",
        "JCGM 100, 5.1.2, 5.2.2 and 6.3.3 (k = 2), from memory",
    ),
    Definition(
        "reversals",
        "How often the movement turned round. Movements of less than 5 % of the convention's "
        "span, or of 12 noise deviations, do not count, so that jitter turns nothing round.",
        "the inner extremes of the width over time that remain when all movements below "
        "max(0.05 span, 12 sigma) are taken out, the smallest first",
        "own algorithm, topological persistence; the same as the hysteresis filter before "
        "rainflow counting (ASTM E1049), from memory",
    ),
)


@dataclass(frozen=True, slots=True)
class Sides:
    """The travel on each side of neutral."""

    whole: Amount | None  # From the low endpoint to the high one
    # From neutral to each; None where either was never held
    below: Amount | None
    above: Amount | None
    asymmetry: Amount | None  # `above` minus `below`
    asymmetry_percent: float | None  # The same in percent of their mean
    # Whether it exceeds its expanded uncertainty; None where that is not known
    significant: bool | None
    reversals: int | None  # How often the movement turned round; None where nothing moved
    findings: tuple[Finding, ...]  # `travel`, `asymmetry` and `reversals`


def examine_sides(
    record: Record,
    levels: tuple[Level | None, Level | None, Level | None],
    reasons: dict[str, str],
    moves: Moves,
) -> Sides:
    """Measure the travel on each side of neutral."""
    low, neutral, high = levels
    whole = weighed_sum((1.0, high), (-1.0, low)) if low and high else None
    below = weighed_sum((1.0, neutral), (-1.0, low)) if low and neutral else None
    above = weighed_sum((1.0, high), (-1.0, neutral)) if high and neutral else None
    asymmetry = percent = significant = None
    if low and neutral and high and below and above:
        asymmetry = weighed_sum((1.0, high), (1.0, low), (-2.0, neutral))
        percent = 200.0 * asymmetry.us / (above.us + below.us)
        if asymmetry.uncertainty_us is not None:
            significant = abs(asymmetry.us) > (asymmetry.doubt_us or 0.0)
    turned = _turned(record, moves)
    why = " ".join(dict.fromkeys(reasons[at] for at in ("low", "high") if at in reasons))
    visits = tuple(visit for level in (low, neutral, high) if level for visit in level.visits)
    visits = tuple(sorted(visits, key=lambda visit: visit.start_s))[:MAX_SPANS]
    found = (
        _travel_finding(whole, below, above, visits, why),
        _asymmetry_finding(
            asymmetry, percent, visits, why or reasons.get("neutral", ""), significant=significant
        ),
        turned,
    )
    reversals = None if turned.value is None else max(moves.turn_row.size - 2, 0)
    return Sides(whole, below, above, asymmetry, percent, significant, reversals, found)


def _travel_finding(
    whole: Amount | None,
    below: Amount | None,
    above: Amount | None,
    visits: tuple[Evidence, ...],
    why: str,
) -> Finding:
    if whole is None:
        known = "".join(
            f" It goes {side.said} {where} neutral."
            for side, where in ((below, "below"), (above, "above"))
            if side is not None
        )
        return not_shown("travel", "us", why + known)
    shares = (
        f": {below.said} below neutral and {above.said} above it."
        if below and above
        else "; there is no neutral to part it at."
    )
    return measured(
        "travel", whole.us, "us", f"The width travels {whole.said}{shares}",
        uncertainty=whole.uncertainty_us, interval=whole.interval_us, evidence=visits,
    )  # fmt: skip


def _asymmetry_finding(
    asymmetry: Amount | None,
    percent: float | None,
    visits: tuple[Evidence, ...],
    why: str,
    *,
    significant: bool | None,
) -> Finding:
    if asymmetry is None or percent is None:
        return not_shown("asymmetry", "us", why)
    share = f"{percent:+.2f} % of the travel"
    if significant is None:
        said = f"Above neutral the width goes {asymmetry.said} farther than below it"
        doubt = "the sample interval is not known, so neither is the uncertainty."
    elif significant:
        side, other = ("Above", "below") if asymmetry.us > 0 else ("Below", "above")
        size = replace(asymmetry, us=abs(asymmetry.us))
        share = f"{abs(percent):.2f} % of the travel"
        said = f"{side} neutral the width goes {size.said} farther than {other} it"
        doubt = "that is more than the uncertainty."
    else:
        said = f"No difference between the two sides of neutral is shown: {asymmetry.said}"
        doubt = "that is within the uncertainty."
    return measured(
        "asymmetry", asymmetry.us, "us", f"{said} ({share}); {doubt}",
        uncertainty=asymmetry.uncertainty_us, interval=asymmetry.interval_us, evidence=visits,
    )  # fmt: skip


def _turned(record: Record, moves: Moves) -> Finding:
    if not len(record.dwells) and not len(moves):
        return not_shown("reversals", "", "No pulse could be measured, so no movement is seen.")
    least = f"{moves.least_us:.4g} us"
    if not moves.turn_row.size:
        return not_shown(
            "reversals", "", f"The stick was not moved: the width never changes by {least} or more."
        )
    inner = moves.turn_row[1:-1]
    rise_s = record.table.rise_s
    spans = tuple(Evidence.of(rise_s, row, row) for row in inner[:MAX_SPANS])
    times = "once" if inner.size == 1 else f"{inner.size} times"
    said = f"The movement turned round {times}" if inner.size else "The movement went one way only"
    return measured(
        "reversals", float(inner.size), "",
        f"{said}; movements of less than {least} are not counted.", evidence=spans,
    )  # fmt: skip
